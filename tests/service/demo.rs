//! `tarewell demo`: what a newcomer sees, and what is left afterwards.

use crate::ear::Ear;
use std::io::{BufRead, BufReader};
use std::process::{Command, Output, Stdio};

/// Runs it with these words, its temporary files in a folder of its own; what it printed, and what it left there.
fn demo(words: &[&str]) -> (Output, usize) {
    let folder = tempfile::tempdir().unwrap();
    let mut command = Command::new(env!("CARGO_BIN_EXE_tarewell"));
    let done = command.arg("demo").args(words).env("TMPDIR", folder.path()).env_remove("RUST_LOG").output().unwrap();
    (done, std::fs::read_dir(folder.path()).unwrap().count())
}

#[test]
fn a_day_of_the_house_shows_a_dry_flat_what_was_advised_and_done_and_leaves_nothing_behind() {
    // Some eight hours of the house; a good minute of the world's goes to the waterings, by their slower clock.
    let (done, left) = demo(&["--speed", "2400", "--for", "45s"]);
    let said = String::from_utf8(done.stdout).unwrap();
    assert!(done.status.success(), "{said}\n{}", String::from_utf8_lossy(&done.stderr));
    let line = |words: &[&str]| said.lines().any(|line| words.iter().all(|word| line.contains(word)));
    assert!(line(&["mosquitto_sub", "tarewell/#"]), "where to look: {said}");
    assert!(line(&["alert", "Leek is dry", "Pour"]), "{said}");
    assert!(line(&["done", "the grower pours", "Kohlrabi", "as advised"]), "{said}");
    assert!(line(&["ended", "Leek is dry"]), "{said}");
    assert!(line(&["seen", "Leek was watered"]) && line(&["seen", "Parsley was watered"]), "{said}");
    assert!(line(&["seen", "Pansy", "capacity is recorded"]), "{said}");
    assert!(line(&["done", "round with the shared scale"]) && line(&["seen", "Chives weighs"]), "{said}");
    assert!(line(&["done", "kitchen scale says of Sorrel"]) && line(&["seen", "Sorrel weighs"]), "{said}");
    assert!(line(&["passed", "Alerts raised", "Waterings by hand"]), "{said}");
    assert!(done.stderr.is_empty(), "{}", String::from_utf8_lossy(&done.stderr));
    assert_eq!(left, 0, "it leaves nothing behind");
}

/// One valve waters by itself, in its hours, one when it is told to, as any client could; both by the weight, and done well.
#[test]
fn valves_water_a_dry_flat_by_its_weight_within_half_a_minute() {
    let (done, _) = demo(&["--for", "27s"]);
    let said = String::from_utf8(done.stdout).unwrap();
    let place = |words: &[&str]| said.lines().position(|line| words.iter().all(|word| line.contains(word)));
    let in_order = |steps: &[&[&str]]| {
        let places: Vec<Option<usize>> = steps.iter().map(|words| place(words)).collect();
        assert!(places.iter().all(Option::is_some) && places.is_sorted(), "{places:?} of {steps:?}: {said}");
    };
    in_order(&[
        &["alert", "Leek is dry"],
        &["10:00", "valve", "leek-drip begins", "for Leek"],
        &["valve", "leek-drip opens"],
        &["valve", "leek-drip closes after"],
        &["valve", "leek-drip is done", "(target)"],
        &["seen", "Leek was watered"],
    ]);
    in_order(&[
        &["asks", "parsley-drip would pour", "on Parsley", "-t tarewell/valves/parsley-drip/command -m run"],
        &["done", "the grower tells parsley-drip to run"],
        &["valve", "parsley-drip begins"],
        &["valve", "parsley-drip opens"],
    ]);
    assert!(place(&["locked"]).is_none(), "{said}");
    let number = |words: &[&str], before: &str| -> f64 {
        let line = said.lines().nth(place(words).unwrap()).unwrap();
        line.split(before).next().unwrap().rsplit(' ').next().unwrap().parse().unwrap()
    };
    let wanted = number(&["leek-drip begins"], " mL for");
    let poured = number(&["leek-drip is done"], " mL poured");
    assert!(wanted > 250.0 && (poured - wanted).abs() <= 12.0, "{poured} of {wanted}: {said}");
}

/// As the line that it prints has it, in the middle of its fastest hours.
#[test]
fn whoever_watches_can_let_a_valve_water() {
    let folder = tempfile::tempdir().unwrap();
    let mut command = Command::new(env!("CARGO_BIN_EXE_tarewell"));
    command.args(["demo", "--for", "40s"]).env("TMPDIR", folder.path()).env_remove("RUST_LOG").stdout(Stdio::piped());
    let mut running = command.spawn().unwrap();
    let mut said = BufReader::new(running.stdout.take().unwrap()).lines().map(Result::unwrap);
    let first = said.next().unwrap();
    let broker = first.split("a broker on ").nth(1).and_then(|rest| rest.split(". ").next()).expect(&first);
    assert!(said.any(|line| line.contains("asks") && line.contains("-m run")), "it asks");
    let ear = Ear::open(broker.parse().unwrap(), &[]);
    let answer = ear.ask("tarewell/valves/parsley-drip/command", "run");
    assert_eq!(answer["ok"], true, "{answer}");
    assert!(said.any(|line| line.contains("parsley-drip begins")), "it begins");
    let ended = said.find(|line| line.contains("parsley-drip is")).expect("it ends");
    assert!(ended.contains("(target)"), "{ended}");
    drop(said);
    running.wait().unwrap();
}

#[test]
fn a_status_that_somebody_has_deleted_comes_again_within_ten_minutes() {
    // Found by a new user. Ten minutes of the house are half a second.
    let folder = tempfile::tempdir().unwrap();
    let mut command = Command::new(env!("CARGO_BIN_EXE_tarewell"));
    command.args(["demo", "--speed", "1200", "--for", "60s"]).env("TMPDIR", folder.path()).env_remove("RUST_LOG");
    let mut running = command.stdout(Stdio::piped()).spawn().unwrap();
    let mut said = BufReader::new(running.stdout.take().unwrap()).lines().map(Result::unwrap);
    let first = said.next().unwrap();
    let broker = first.split("a broker on ").nth(1).and_then(|rest| rest.split(". ").next()).expect(&first);
    let ear = Ear::open(broker.parse().unwrap(), &["tarewell/status"]);
    ear.until("that it is online", |message| (message.text() == "online").then_some(()));
    ear.retain("tarewell/status", "");
    ear.until("that it is deleted", |message| message.text().is_empty().then_some(()));
    let at = ear.on("tarewell/").iter().rposition(|message| message.text().is_empty()).unwrap();
    ear.after(at, "it again", |message| (message.text() == "online").then_some(()));
    drop(said);
    running.kill().unwrap();
    running.wait().unwrap();
}

#[test]
fn it_ends_when_nobody_reads_what_it_says_or_its_terminal_is_closed() {
    let folder = tempfile::tempdir().unwrap();
    let start = || {
        let mut command = Command::new(env!("CARGO_BIN_EXE_tarewell"));
        command.args(["demo", "--speed", "2400"]).env("TMPDIR", folder.path()).env_remove("RUST_LOG");
        command.stdout(Stdio::piped()).spawn().unwrap()
    };
    let mut unread = start();
    drop(unread.stdout.take());
    assert!(unread.wait().unwrap().success(), "as `demo | head -3` has it");

    let mut closed = start();
    let mut said = BufReader::new(closed.stdout.take().unwrap()).lines();
    assert!(said.any(|line| line.unwrap().contains("alert")), "it has started");
    let hung_up = Command::new("kill").arg("-HUP").arg(closed.id().to_string()).status().unwrap();
    assert!(hung_up.success() && closed.wait().unwrap().success());
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0, "it leaves nothing behind");
}

#[test]
fn words_that_make_no_sense_are_refused() {
    for words in [["--speed", "0"], ["--speed", "fast"], ["--for", "5"], ["--for", "0 s"], ["--seed", "-1"]] {
        let (done, _) = demo(&words);
        assert_eq!(done.status.code(), Some(2), "{words:?}");
        assert!(!done.stderr.is_empty(), "{words:?}");
    }
}
