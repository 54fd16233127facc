//! The figures of this program: how fast a replay is, what memory the service takes, how soon it is there.
//!
//! `cargo bench --bench figures` prints a table of what is wanted and what was measured, and ends with an error if
//! something falls short; `-- replay`, `-- memory` or `-- start` measures only that. Memory and start need a
//! `mosquitto` program on this machine and are skipped, visibly, without one. Linux only, for `/proc`.

mod replay;
mod service;

use std::process::ExitCode;

/// One line of the table.
struct Figure {
    what: String,
    wanted: String,
    measured: String,
    good: bool,
}

impl Figure {
    fn new(what: &str, wanted: &str, measured: String, good: bool) -> Self {
        Self { what: what.to_owned(), wanted: wanted.to_owned(), measured, good }
    }
}

fn main() -> ExitCode {
    if !std::env::args().any(|argument| argument == "--bench") {
        println!("not measured: run it with `cargo bench`, optimised");
        return ExitCode::SUCCESS;
    }
    let wanted: Vec<String> = std::env::args().skip(1).filter(|argument| !argument.starts_with("--")).collect();
    let is_wanted = |name: &str| wanted.is_empty() || wanted.iter().any(|wanted| wanted == name);
    let mut figures = Vec::new();
    if is_wanted("replay") {
        figures.extend(replay::figures());
    }
    if is_wanted("memory") {
        figures.extend(service::memory());
    }
    if is_wanted("start") {
        figures.extend(service::start());
    }
    println!("\n{:<58} {:>14} {:>24}", "", "wanted", "measured");
    for Figure { what, wanted, measured, good } in &figures {
        println!("{what:<58} {wanted:>14} {measured:>24}{}", if *good { "" } else { "  FALLS SHORT" });
    }
    if figures.iter().all(|figure| figure.good) { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}
