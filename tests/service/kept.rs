//! What the store keeps, and what the file says against it: two runs after one another, played from recordings.

use crate::bench::House;
use crate::played::{Played, Tape};
use serde_json::{Value, json};
use std::fs;

const S1: &str = "house/s1";
const LEEK: &str = "tarewell/flats/leek-1";
const COMMAND: &str = "tarewell/flats/leek-1/command";

fn body(flat: &str) -> String {
    format!(
        "\nstands: {{s1: {{topic: house/s1}}, s2: {{topic: house/s2}}}}\nflats: {{leek-1: {{label: Leeks, stand: s1, {flat}}}}}\n"
    )
}

/// One house over several runs.
struct Years {
    house: House,
    store: String,
}

impl Years {
    fn new() -> Self {
        let house = House::own_broker();
        let store = house.path("kept.db").to_str().unwrap().to_owned();
        Self { house, store }
    }

    fn play(&self, body: &str, tape: &Tape) -> Played {
        self.house.write(body);
        tape.play_with(&self.house, &["--store", &self.store]).good()
    }

    /// A run in which nothing happens but one weight for a while.
    fn quiet(&self, body: &str, start: &str, weight: f64) -> Played {
        let mut tape = Tape::at(start);
        tape.weigh(0.2, 10.0, S1, move |_| weight);
        self.play(body, &tape)
    }
}

fn replaced(played: &Played) -> Vec<(&str, &Value, &Value)> {
    played.events("setting-replaced").iter().map(|e| (e["what"].as_str().unwrap(), &e["from"], &e["to"])).collect()
}

#[test]
fn what_commands_set_goes_before_the_file_until_that_key_changes_there() {
    let years = Years::new();
    let file = "dry_weight: 2000 g, capacity_weight: 3000 g, target: 50%, place: left";
    let mut tape = Tape::at("2026-03-02T08:00:00Z");
    tape.weigh(0.2, 10.0, S1, |_| 2100.0).say(COMMAND, "record-dry").weigh(0.1, 10.0, S1, |_| 2100.0);
    tape.say(COMMAND, r#"{"command":"set","target":0.6,"low":0.25,"place":"right"}"#).pause(1.0);
    let first = years.play(&body(file), &tape);
    assert_eq!(first.last(LEEK)["target"], 0.6);

    let second = years.quiet(&body(file), "2026-03-02T10:00:00Z", 2500.0);
    let now = second.last(LEEK);
    assert_eq!((&now["dry_weight_g"], &now["target"], &now["low"]), (&json!(2100.0), &json!(0.6), &json!(0.25)));
    assert!(replaced(&second).is_empty());

    let edited = "dry_weight: 2000 g, capacity_weight: 3000 g, target: 55%, place: left";
    let third = years.quiet(&body(edited), "2026-03-02T12:00:00Z", 2500.0);
    assert_eq!(replaced(&third), [("target", &json!(0.6), &json!(0.55))]);
    let now = third.last(LEEK);
    assert_eq!((&now["dry_weight_g"], &now["target"], &now["low"]), (&json!(2100.0), &json!(0.55), &json!(0.25)));

    let edited = "dry_weight: 1950 g, capacity_weight: 3000 g, target: 55%, place: left";
    let fourth = years.quiet(&body(edited), "2026-03-02T14:00:00Z", 2500.0);
    assert_eq!(replaced(&fourth), [("dry_weight", &json!(2100.0), &json!(1950.0))]);
    assert_eq!(fourth.last(LEEK)["dry_weight_g"], 1950.0);
    let fifth = years.quiet(&body(edited), "2026-03-02T16:00:00Z", 2500.0);
    assert!(replaced(&fifth).is_empty(), "told once");
    let seqs =
        |played: &Played| played.on("tarewell/events").map(|l| l.payload["seq"].as_u64().unwrap()).collect::<Vec<_>>();
    let all: Vec<u64> = [&first, &second, &third, &fourth, &fifth].iter().flat_map(|played| seqs(played)).collect();
    assert!(all.windows(2).all(|two| two[0] < two[1]), "{all:?}");
}

#[test]
fn a_move_is_kept_until_the_file_moves_it() {
    let years = Years::new();
    let file = "dry_weight: 2000 g, capacity_weight: 3000 g";
    let mut tape = Tape::at("2026-03-02T08:00:00Z");
    tape.weigh(0.2, 10.0, S1, |_| 2500.0).say(COMMAND, r#"{"command":"move","stand":"s2"}"#).pause(1.0);
    tape.weigh(0.2, 10.0, "house/s2", |_| 2500.0);
    years.play(&body(file), &tape);
    let mut tape = Tape::at("2026-03-02T10:00:00Z");
    tape.weigh(0.2, 10.0, "house/s2", |_| 2480.0);
    let second = years.play(&body(file), &tape);
    assert_eq!((&second.last(LEEK)["stand"], &second.last(LEEK)["weight_g"]), (&json!("s2"), &json!(2480.0)));
    let without = "\nstands: {s1: {topic: house/s1}, s2: {topic: house/s2}}\nflats: {leek-1: {label: Leeks, dry_weight: 2000 g, capacity_weight: 3000 g}}\n";
    let third = years.play(without, &tape_at("2026-03-02T12:00:00Z"));
    assert_eq!(replaced(&third), [("stand", &json!("s2"), &json!(null))]);
    assert!(third.last(LEEK)["stand"].is_null());
}

fn tape_at(start: &str) -> Tape {
    let mut tape = Tape::at(start);
    tape.weigh(0.2, 10.0, "house/s2", |_| 2480.0);
    tape
}

#[test]
fn another_day_of_sowing_starts_the_flat_anew() {
    let years = Years::new();
    let file = |day: &str| format!("capacity_weight: 3000 g, dry_weight: 2000 g, sown: {day}");
    let mut tape = Tape::at("2026-03-02T08:00:00Z");
    tape.weigh(0.2, 10.0, S1, |_| 2100.0).say(COMMAND, "record-dry").weigh(0.1, 10.0, S1, |_| 2100.0);
    tape.say(COMMAND, r#"{"command":"set","target":0.6}"#).pause(1.0).weigh(1.0, 10.0, S1, |_| 2500.0);
    let first = years.play(&body(&file("2026-02-14")), &tape);
    assert!(!first.last(LEEK)["since_watered_h"].is_null());
    let second = years.quiet(&body(&file("2026-05-01")), "2026-05-02T08:00:00Z", 2500.0);
    assert_eq!(replaced(&second), [("sown", &json!("2026-02-14"), &json!("2026-05-01"))]);
    let now = second.last(LEEK);
    assert_eq!(
        (&now["dry_weight_g"], &now["target"], &now["band_from"]),
        (&json!(2000.0), &json!(0.5), &json!("file"))
    );
    assert!(now["since_watered_h"].is_null() && now["drying_g_per_h"].is_null());
    let third = years.quiet(&body(&file("2026-05-01")), "2026-05-02T10:00:00Z", 2500.0);
    assert!(replaced(&third).is_empty());
}

#[test]
fn the_alerts_of_an_old_season_end_with_it() {
    let years = Years::new();
    let file = |day: &str| format!("capacity_weight: 3000 g, dry_weight: 2000 g, sown: {day}");
    let first = years.quiet(&body(&file("2026-02-14")), "2026-03-02T08:00:00Z", 2100.0);
    assert_eq!(first.turns("dry"), ["raised"]);
    // Nothing is weighed yet in the new season.
    let mut tape = Tape::at("2026-05-02T08:00:00Z");
    tape.say("house/other", "1").pause(120.0).say("house/other", "1");
    let second = years.play(&body(&file("2026-05-01")), &tape);
    assert_eq!(second.turns("dry"), ["cleared"]);
    assert_eq!(second.last("tarewell/alerts/dry/leek-1"), "");
}

#[test]
fn a_flat_that_was_called_otherwise_keeps_all_it_had() {
    let years = Years::new();
    let mut tape = Tape::at("2026-03-02T08:00:00Z");
    tape.weigh(0.2, 10.0, S1, |_| 2100.0).say(COMMAND, "record-dry").weigh(0.1, 10.0, S1, |_| 2100.0);
    tape.say(COMMAND, r#"{"command":"set","target":0.6}"#).pause(1.0).weigh(26.0, 60.0, S1, |h| 2300.0 - 4.0 * h);
    let first = years.play(&body("dry_weight: 2000 g, capacity_weight: 3000 g"), &tape);
    assert_eq!(first.last("tarewell/alerts/dry/leek-1")["severity"], "critical");
    let since = first.last("tarewell/alerts/dry/leek-1")["since"].clone();
    let renamed = "\nstands: {s1: {topic: house/s1}}\nflats: {early-leeks: {label: Leeks, stand: s1, dry_weight: 2000 g, capacity_weight: 3000 g, formerly: leek-1}}\n";
    let second = years.quiet(renamed, "2026-03-03T10:30:00Z", 2196.0);
    let now = second.last("tarewell/flats/early-leeks");
    assert_eq!(
        (&now["dry_weight_g"], &now["target"], &now["band_from"]),
        (&json!(2100.0), &json!(0.6), &json!("recorded"))
    );
    assert!(now["drying_g_per_h"].as_f64().is_some_and(|rate| (3.0..5.0).contains(&rate)), "{now}");
    assert_eq!(second.last("tarewell/alerts/dry/early-leeks")["since"], since, "its alert is the one it had");
    assert!(second.events("alert-raised").is_empty(), "nobody is told twice of one rise");
    // And it stays so when `formerly` is taken out again.
    let settled = renamed.replace(", formerly: leek-1", "");
    let third = years.quiet(&settled, "2026-03-03T12:30:00Z", 2190.0);
    assert_eq!(third.last("tarewell/flats/early-leeks")["dry_weight_g"], 2100.0);
}

#[test]
fn a_calibration_is_kept_until_the_file_changes_it() {
    let years = Years::new();
    let body = |zero: &str| {
        format!(
            "\nstands: {{s1: {{topic: house/s1, unit: counts{zero}}}}}\nflats: {{leek-1: {{label: Leeks, stand: s1, dry_weight: 2000 g, capacity_weight: 3000 g}}}}\n"
        )
    };
    let file = ", zero: 84213, counts_per_gram: 400";
    let counts = |grams: f64| move |_: f64| (85_000.0 + 412.0 * grams).round();
    let mut tape = Tape::at("2026-03-02T08:00:00Z");
    tape.weigh(0.1, 10.0, S1, counts(0.0)).say("tarewell/stands/s1/command", "zero").weigh(0.1, 10.0, S1, counts(0.0));
    tape.weigh(0.1, 10.0, S1, counts(2000.0)).say("tarewell/stands/s1/command", r#"{"command":"span","mass_g":2000}"#);
    tape.weigh(0.1, 10.0, S1, counts(2000.0));
    let first = years.play(&body(file), &tape);
    assert!(first.events("command-refused").is_empty(), "{:?}", first.events("command-refused"));
    let mut tape = Tape::at("2026-03-02T09:00:00Z");
    tape.weigh(0.2, 10.0, S1, counts(2600.0));
    let second = years.play(&body(file), &tape);
    assert_eq!(second.last("tarewell/stands/s1")["weight_g"], 2600.0);
    let mut tape = Tape::at("2026-03-02T10:00:00Z");
    tape.weigh(0.2, 10.0, S1, counts(2600.0));
    let third = years.play(&body(", zero: 85000, counts_per_gram: 400"), &tape);
    let keys: Vec<&str> = replaced(&third).iter().map(|(key, ..)| *key).collect();
    assert!(keys.contains(&"zero"), "{keys:?}");
}

#[test]
fn a_file_that_is_no_store_is_left_alone() {
    let house = House::own_broker();
    house.write(&body("dry_weight: 2000 g, capacity_weight: 3000 g"));
    let path = house.path("notes.db");
    fs::write(&path, "the notes of ten years").unwrap();
    let mut tape = Tape::at("2026-03-02T08:00:00Z");
    tape.weigh(0.1, 10.0, S1, |_| 2500.0);
    let played = tape.play_with(&house, &["--store", path.to_str().unwrap()]);
    assert_eq!(played.code, 1);
    assert!(played.told.contains("notes.db"), "{}", played.told);
    assert_eq!(fs::read_to_string(&path).unwrap(), "the notes of ten years");
}

#[test]
fn a_flat_moved_to_a_stand_that_is_gone_goes_back_to_its_own() {
    let years = Years::new();
    let file = "dry_weight: 2000 g, capacity_weight: 3000 g";
    let mut tape = Tape::at("2026-03-02T08:00:00Z");
    tape.weigh(0.2, 10.0, S1, |_| 2500.0).say(COMMAND, r#"{"command":"move","stand":"s2"}"#).pause(1.0);
    tape.weigh(0.2, 10.0, "house/s2", |_| 2500.0);
    years.play(&body(file), &tape);
    let second = years.quiet(&body(file).replace(", s2: {topic: house/s2}", ""), "2026-03-02T10:00:00Z", 2480.0);
    assert_eq!((&second.last(LEEK)["stand"], &second.last(LEEK)["weight_g"]), (&json!("s1"), &json!(2480.0)));
    assert_eq!(replaced(&second), [("stand", &json!("s2"), &json!("s1"))]);
}

#[test]
fn learned_drying_survives() {
    let years = Years::new();
    let file = body("dry_weight: 2000 g, capacity_weight: 3000 g");
    let mut tape = Tape::at("2026-03-02T08:00:00Z");
    tape.weigh(50.0, 60.0, S1, |h| 2900.0 - 8.0 * h);
    let first = years.play(&file, &tape);
    let low = first.last(LEEK)["low_at"].as_str().expect("a forecast").to_owned();
    let second = years.quiet(&file, "2026-03-04T10:05:00Z", 2499.0);
    let again = second.last(LEEK)["low_at"].as_str().expect("a forecast right after the restart").to_owned();
    let hours = |text: &str| text.parse::<chrono::DateTime<chrono::Utc>>().unwrap().timestamp() / 3600;
    assert!((hours(&low) - hours(&again)).abs() <= 3, "{low} {again}");
    // 300 g are left above low at 8 g an hour.
    let left = hours(&again) - hours("2026-03-04T10:05:00Z");
    assert!((18..=32).contains(&left), "{left} h");
}
