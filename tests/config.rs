//! The configuration as its users meet it.

use std::path::Path;
use tarewell::config::{Checked, Problems, Surroundings, read};

fn read_with(text: &str, environment: &dyn Fn(&str) -> Option<String>) -> Result<Checked, Problems> {
    let read_file = |path: &Path| match path.to_str() {
        Some("good.secret") => Ok("opensesame\n".to_owned()),
        _ => Err("no such file".to_owned()),
    };
    let around = Surroundings { environment, read_file: &read_file, machine_zone: Some("Europe/Oslo".to_owned()) };
    read(text.as_bytes(), "t.yaml", &around)
}

fn parse(text: &str) -> Result<Checked, Problems> {
    read_with(text, &|name| (name == "SET").then(|| "hush".to_owned()))
}

#[test]
fn the_example_is_good() {
    let text = include_str!("../config/tarewell.yaml");
    let checked = parse(text).unwrap_or_else(|problems| panic!("{problems}"));
    assert!(checked.notes.is_empty(), "{:?}", checked.notes);
}
