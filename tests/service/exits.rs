//! Exit codes and outputs of every command: 0 done, 1 it failed while running, 2 the command line or the file is wrong.

use crate::bench::{House, TWO, finish, tarewell};
use crate::played::{Tape, play};
use crate::server::{Reply, Server};
use serde_json::{Value, json};
use std::fs;
use std::path::Path;

fn run(args: &[&str]) -> (i32, String, String) {
    let mut command = tarewell();
    command.args(args);
    finish(command)
}

fn with_config(word: &str, config: &Path) -> (i32, String, String) {
    run(&[word, "--config", config.to_str().unwrap()])
}

const BROKEN: &str = "
stands:
  s1: {topic: house/s1, unit: stone}
  s2: {topc: house/s2}
flats:
  leek-1: {label: Leeks, stand: s9, dry_weight: 3000 g, capacity_weight: 2000 g}
  leek-2: {label: Leeks, stand: s1, target: 80%}
";

#[test]
fn a_good_file_is_one_line() {
    let house = House::own_broker();
    let (code, out, told) = with_config("check", &house.write(TWO));
    assert_eq!((code, told.as_str()), (0, ""));
    assert_eq!(out.lines().count(), 1, "{out}");
    assert!(out.contains("2 stands") && out.contains("2 flats"), "{out}");
}

#[test]
fn a_broken_file_is_all_its_errors_for_every_command() {
    let house = House::own_broker();
    let config = house.write(BROKEN);
    let recording = house.path("r.csv");
    fs::write(&recording, "time,stand,value\n").unwrap();
    let config = config.to_str().unwrap();
    for args in [
        vec!["check", "--config", config],
        vec!["run", "--config", config],
        vec!["replay", "--config", config, recording.to_str().unwrap()],
        vec!["notify-test", "--config", config],
    ] {
        let (code, out, told) = run(&args);
        assert_eq!((code, out.as_str()), (2, ""), "{args:?}");
        for words in ["stone", "topc", "s9", "capacity", "high", "tarewell.yaml:"] {
            assert!(told.contains(words), "{args:?} does not tell of {words}:\n{told}");
        }
    }
}

#[test]
fn a_file_that_is_not_there_is_named() {
    for word in ["check", "run", "notify-test"] {
        let (code, _, told) = run(&[word, "--config", "/no/such/tarewell.yaml"]);
        assert_eq!(code, 2, "{word}");
        assert!(told.contains("/no/such/tarewell.yaml"), "{told}");
    }
    let empty = tempfile::tempdir().unwrap();
    let mut command = tarewell();
    command.arg("check").current_dir(empty.path());
    let (code, _, told) = finish(command);
    assert_eq!(code, 2);
    assert!(told.contains("tarewell.yaml") && told.contains("/etc/tarewell/tarewell.yaml"), "{told}");
}

#[test]
fn without_a_name_the_file_here_is_taken() {
    let house = House::own_broker();
    house.write(TWO);
    let mut command = tarewell();
    command.arg("check").current_dir(house.folder.path());
    assert_eq!(finish(command).0, 0);
}

#[test]
fn a_wrong_command_line_is_2() {
    for args in [&[][..], &["watre"], &["run", "--confg", "x"], &["replay"], &["amount"], &["amount", "--dry", "2.9"]] {
        let (code, out, told) = run(args);
        assert_eq!((code, out.as_str()), (2, ""), "{args:?}: {told}");
        assert!(!told.is_empty());
    }
    assert_eq!(run(&["--help"]).0, 0);
    assert_eq!(run(&["--version"]).0, 0);
}

#[test]
fn the_schema_is_json() {
    let (code, out, _) = run(&["schema"]);
    assert_eq!(code, 0);
    let schema: Value = serde_json::from_str(&out).unwrap();
    assert!(schema["$schema"].is_string());
}

#[test]
fn amount_answers_in_words_and_in_json() {
    let example = ["amount", "--dry", "2.9 kg", "--capacity", "4.5 kg", "--now", "3.3 kg", "--target", "50%"];
    let (code, out, _) = run(&[&example[..], &["--flow", "2 L/h", "--json"]].concat());
    assert_eq!(code, 0);
    let answer: Value = serde_json::from_str(&out).unwrap();
    assert_eq!(
        answer,
        json!({"fraction":0.25,"condition":"dry","water_g":400.0,"to_target_g":400.0,"to_target_ml":400.7,
            "target_weight_g":3700.0,"run_time_s":722})
    );
    let (code, out, _) = run(&[&example[..], &["--json"]].concat());
    assert_eq!((code, &serde_json::from_str::<Value>(&out).unwrap()["run_time_s"]), (0, &Value::Null));
    let (code, out, _) = run(&[&example[..], &["--units", "us"]].concat());
    assert_eq!(code, 0);
    assert!(out.contains("lb") && out.contains("fl oz"), "{out}");
    let (code, out, told) = run(&["amount", "--dry", "4.5 kg", "--capacity", "2.9 kg", "--now", "3.3 kg"]);
    assert_eq!((code, out.as_str()), (2, ""), "{told}");
    let (code, _, told) = run(&["amount", "--dry", "2.9", "--capacity", "4.5 kg", "--now", "3.3 kg"]);
    assert_eq!(code, 2);
    assert!(told.contains("2.9"), "{told}");
}

#[test]
fn a_table_is_replayed_past_its_bad_lines() {
    let house = House::own_broker();
    let config = house.write(TWO);
    let recording = house.path("r.csv");
    let rows = [
        "time,stand,value",
        "2026-03-02T08:00:00Z,s1,2600",
        "2026-03-02T08:00:10Z,s1,2600",
        "yesterday,s1,2600",
        "2026-03-02T08:00:20Z,s9,2600",
        "2026-03-02T08:00:30Z,s1,2600",
        "2026-03-02T08:00:05Z,s1,2600",
        "2026-03-02T08:00:06Z,s1,2600",
        "2026-03-02T08:00:40+00:00,s1,2600",
        "2026-03-02T09:00:50+01:00,s1,2600",
    ];
    fs::write(&recording, rows.join("\n")).unwrap();
    let played = play(&config, &recording, &[]);
    assert_eq!(played.code, 1);
    assert!(
        played.told.contains("line 4") && played.told.contains("line 5") && played.told.contains("s9"),
        "{}",
        played.told
    );
    assert!(played.told.contains("2 records are older"), "{}", played.told);
    assert_eq!(played.told.lines().count(), 3, "{}", played.told);
    assert_eq!(played.last("tarewell/flats/leek-1")["fraction"], 0.6, "the rest has been replayed");
    assert!(!played.lines.iter().any(|line| line.topic == "tarewell/status"));

    fs::write(&recording, rows[..3].join("\n")).unwrap();
    assert_eq!(play(&config, &recording, &[]).code, 0);
    // Records that are older are counted, and no failure.
    fs::write(&recording, [rows[0], rows[2], rows[1]].join("\n")).unwrap();
    let played = play(&config, &recording, &[]);
    assert_eq!(played.code, 0);
    assert!(played.told.contains("1 record"), "{}", played.told);
}

#[test]
fn messages_are_replayed_as_command_line_clients_print_them() {
    let house = House::own_broker();
    let config = house.write("\nstands: {s1: {topic: house/s1, value: /w}}\nflats: {leek-1: {label: Leeks, stand: s1, dry_weight: 2000 g, capacity_weight: 3000 g}}\n");
    let recording = house.path("r.jsonl");
    let mut lines: Vec<String> = (0..10)
        .map(|n| format!(r#"{{"tst":"2026-03-02T08:00:{:02}.000000+0000","topic":"house/s1","qos":0,"retain":0,"payloadlen":10,"payload":{{"w":2600}}}}"#, n * 5))
        .collect();
    lines.push(
        r#"{"tst":"2026-03-02T08:00:50+00:00","topic":"house/s1","payload":"{\"w\":2600}","retain":0}"#.to_owned(),
    );
    lines.push(r#"{"tst":"2026-03-02T08:00:51Z","topic":"tarewell/flats/leek-1/command","payload":{"command":"set","target":0.6},"retain":0}"#.to_owned());
    lines.push(
        r#"{"tst":"2026-03-02T08:00:52Z","topic":"tarewell/flats/leek-1/command","payload":"forget-band","retain":0}"#
            .to_owned(),
    );
    lines.push(r#"{"tst":"2026-03-02T08:00:53Z","topic":"elsewhere/x","payload":null,"retain":0}"#.to_owned());
    fs::write(&recording, lines.join("\n")).unwrap();
    let played = play(&config, &recording, &[]).good();
    assert_eq!(played.last("tarewell/flats/leek-1")["target"], 0.6);
    assert_eq!(played.events("command-refused").len(), 1, "nothing was recorded that could be forgotten");
    let first = &played.lines[0];
    assert_eq!(first.time.to_rfc3339(), "2026-03-02T08:00:00+00:00");

    lines.insert(3, "{".to_owned());
    fs::write(&recording, lines.join("\n")).unwrap();
    let played = play(&config, &recording, &[]);
    assert_eq!(played.code, 1);
    assert!(played.told.contains("line 4"), "{}", played.told);
}

#[test]
fn a_replay_is_the_same_each_time() {
    let house = House::own_broker();
    let mut tape = Tape::at("2026-03-02T08:00:00Z");
    tape.weigh(30.0, 20.0, "house/s1", |h| 2900.0 - 20.0 * h + (h * 180.0).sin());
    let text = |played: crate::played::Played| format!("{:?}", played.lines);
    assert_eq!(text(tape.play(&house, TWO).good()), text(tape.play(&house, TWO).good()));
}

#[test]
fn replay_needs_a_time_zone_and_a_recording() {
    let house = House::own_broker();
    let zoneless = house.path("zoneless.yaml");
    fs::write(&zoneless, format!("version: 1{TWO}")).unwrap();
    let recording = house.path("r.csv");
    fs::write(&recording, "time,stand,value\n").unwrap();
    let played = play(&zoneless, &recording, &[]);
    assert_eq!(played.code, 2);
    assert!(played.told.contains("site.time_zone"), "{}", played.told);
    let played = play(&house.write(TWO), &house.path("none.csv"), &[]);
    assert_eq!(played.code, 1);
    assert!(played.told.contains("none.csv"), "{}", played.told);
    fs::write(&recording, "Dear diary,\ntoday it rained.\n").unwrap();
    let played = play(&house.path("tarewell.yaml"), &recording, &[]);
    assert_eq!(played.code, 1);
    assert!(played.told.contains("line 1") && played.told.lines().count() <= 2, "{}", played.told);
}

#[test]
fn notify_test_tells_what_came_back() {
    let server = Server::start(&[Reply::Status(200, ""), Reply::Status(403, "")]);
    let house = House::own_broker();
    let config = house.write(&format!("{TWO}\nnotify: {{phone: {{url: \"{}\"}}}}\n", server.url("/x?key=s3cret")));
    let (code, out, told) = with_config("notify-test", &config);
    assert_eq!(code, 0, "{out}{told}");
    server.next();
    let (code, out, told) = with_config("notify-test", &config);
    assert_eq!(code, 1, "{out}{told}");
    assert!((out.clone() + &told).contains("403"), "{out}{told}");
    assert!(!(out + &told).contains("s3cret"));
}
