//! Finding the file, and reading it with what the machine says of itself.

use std::fs;
use std::path::Path;
use tarewell::command::file::load;

#[test]
fn files_named_in_the_file_start_at_its_folder() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("shed.yaml");
    fs::write(folder.path().join("pages.secret"), "quiet please\r\n").expect("written");
    fs::write(&file, "web: {listen: \"[::1]:0\", password_file: pages.secret}\n").expect("written");
    let (path, checked) = load(Some(&file)).expect("good");
    assert_eq!(path, file);
    let tarewell::config::Web::On { password: Some(password), .. } = checked.web else { panic!("{:?}", checked.web) };
    assert_eq!(password.reveal(), "quiet please");
}

#[test]
fn what_cannot_be_read_is_named() {
    let folder = tempfile::tempdir().expect("a folder");
    let nowhere = folder.path().join("nowhere.yaml");
    for path in [nowhere.as_path(), folder.path()] {
        let told = load(Some(path)).expect_err("unreadable");
        assert!(told.starts_with(&format!("{} could not be read: ", path.display())), "{told}");
    }
}

#[test]
fn every_problem_is_printed_with_the_name_of_the_file() {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("shed.yaml");
    fs::write(&file, "web: on\nstore:\n").expect("written");
    let told = load(Some(&file)).expect_err("bad");
    let starts: Vec<&str> = told.lines().filter(|line| line.starts_with(&*folder.path().to_string_lossy())).collect();
    assert_eq!(starts.len(), 2, "{told}");
    assert!(starts[0].contains("shed.yaml:1:6: ") && starts[1].contains("shed.yaml:2:1: "), "{told}");
    assert_eq!(tarewell::command::check::run(Some(&file)), 2);
}

#[test]
fn the_example_is_found_by_its_name() {
    let example = Path::new(env!("CARGO_MANIFEST_DIR")).join("config/tarewell.yaml");
    assert_eq!(tarewell::command::check::run(Some(&example)), 0);
}
