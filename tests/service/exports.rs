//! What is exported is what holds: not what was undone or corrected since; and of flats that are called otherwise now, or are gone.

use crate::bench::{House, finish, now, tarewell};
use crate::ear::{Ear, Scale};
use crate::http::{get, post};
use serde_json::{Value, json};
use std::net::SocketAddr;

const BEFORE: &str = "
fills: {plug-60: {cells: 60, tare: 300 g}}
flats:
  leek: {label: Leek, fill: plug-60}
  beet: {label: Beet, fill: plug-60, dry_weight: 1600 g, capacity_weight: 2700 g}
";
const AFTER: &str = "
fills: {plug-60: {cells: 60, tare: 300 g}}
flats:
  leek-1: {label: Leek, fill: plug-60, formerly: leek}
";

fn say(at: SocketAddr, flat: &str, command: &Value) {
    let (status, answer) = post(at, &format!("/api/flats/{flat}/command"), &command.to_string());
    assert_eq!((status, &answer["ok"]), (200, &json!(true)), "{command}: {answer}");
}

fn weigh(grams: f64, minutes_ago: i64) -> Value {
    let at = now() - chrono::Duration::minutes(minutes_ago);
    json!({"command": "weigh", "weight_g": grams, "at": at.to_rfc3339(), "sure": true})
}

/// The tables, for these options.
fn export(house: &House, more: &[&str]) -> impl Fn(&str) -> Vec<Vec<String>> + use<> {
    let out = house.path("tables");
    let mut command = tarewell();
    command.args(["export", "--force"]).args(more).arg("--out").arg(&out).arg("--config");
    let (code, _, errors) = finish({
        command.arg(house.path("tarewell.yaml"));
        command
    });
    assert_eq!(code, 0, "{errors}");
    move |name| {
        let mut table = csv::Reader::from_path(out.join(name)).unwrap();
        table.records().map(|row| row.unwrap().iter().map(str::to_owned).collect()).collect()
    }
}

#[test]
fn what_was_undone_or_corrected_is_in_the_events_alone() {
    let house = House::own_broker();
    let service = house.run(BEFORE);
    let at = service.web();
    say(at, "leek", &weigh(1600.0, 20));
    say(at, "leek", &json!("record-dry"));
    say(at, "leek", &weigh(2650.0, 15));
    say(at, "leek", &json!({"command": "record-capacity", "now": true}));
    say(at, "leek", &json!("undo"));
    say(at, "leek", &weigh(2700.0, 10));
    say(at, "leek", &json!({"command": "record-capacity", "now": true}));
    for (volume, is_so) in [(250, true), (300, false)] {
        say(at, "leek", &json!({"command": "watered", "volume_ml": volume}));
        if !is_so {
            say(at, "leek", &json!("undo"));
        }
    }
    say(at, "leek", &weigh(2400.0, 0));
    say(at, "leek", &json!("undo"));
    // A gain that nobody told of, shown by a weight of another flat.
    say(at, "beet", &weigh(1900.0, 200));
    say(at, "beet", &weigh(2500.0, 0));
    say(at, "beet", &json!("undo"));
    say(at, "leek", &json!({"command": "correct", "was": "mix-lost", "cells": 12}));
    say(at, "leek", &json!({"command": "correct", "was": "mix-lost", "cells": 30}));
    say(at, "leek", &json!("undo"));
    assert_eq!(service.stop().0, 0);

    let table = export(&house, &[]);
    let column = |name: &str, at: usize| table(name).into_iter().map(|row| row[at].clone()).collect::<Vec<_>>();
    let bands: Vec<(String, String)> =
        table("bands.csv").into_iter().map(|row| (row[3].clone(), row[6].clone())).collect();
    let [dry, capacity, cells] = &bands[..] else { panic!("{bands:?}") };
    assert_eq!(
        (dry.0.as_str(), capacity.0.as_str(), cells.1.as_str()),
        ("dry-recorded", "capacity-recorded", "mix-lost")
    );
    assert!(capacity.1.starts_with("2700"), "{bands:?}");
    let poured: Vec<String> = column("waterings.csv", 3);
    assert_eq!(poured.iter().filter(|added| added.starts_with("250")).count(), 1, "{poured:?}");
    assert!(!poured.iter().any(|added| added.starts_with("300")), "{poured:?}");
    let told: Vec<String> =
        table("events.csv").into_iter().filter(|row| row[4] == "watered").map(|row| row[2].clone()).collect();
    assert!(told.contains(&"beet".to_owned()) && !column("waterings.csv", 1).contains(&"beet".to_owned()), "{told:?}");
    let weights = column("weights.csv", 2);
    assert!(weights.contains(&"2700.0".to_owned()) && !weights.contains(&"2400.0".to_owned()), "{weights:?}");
    let events = column("events.csv", 4);
    assert!(events.contains(&"undone".to_owned()) && events.iter().filter(|event| *event == "corrected").count() >= 5);
}

#[test]
fn a_flat_that_is_renamed_or_gone_is_told_and_its_history_is_found() {
    let house = House::own_broker();
    let service = house.run(BEFORE);
    for flat in ["leek", "beet"] {
        say(service.web(), flat, &weigh(2000.0, 1));
    }
    assert_eq!(service.stop().0, 0);
    house.write(AFTER);
    let early = export(&house, &["--flat", "leek-1"]);
    assert_eq!(early("weights.csv").len(), 1, "not started since, it is kept under the former id");

    let service = house.again();
    let history = |flat: &str| get(service.web(), &format!("/api/flats/{flat}/history"));
    for flat in ["leek-1", "leek", "beet"] {
        let (status, points) = history(flat);
        assert_eq!((status, points.as_array().map(Vec::len)), (200, Some(1)), "{flat}: {points}");
    }
    assert_eq!(history("bett").0, 404);
    let refused = |flat: &str| post(service.web(), &format!("/api/flats/{flat}/command"), "undo");
    for (flat, why) in [
        ("beet", "there is no flat `beet` any more: it has left the file, and is retired"),
        ("leek", "there is no flat `leek` any more: it is called `leek-1` now"),
        ("leek-2", "there is no flat `leek-2`; did you mean `leek-1`?"),
    ] {
        let (status, answer) = refused(flat);
        assert!(status == 404 && answer["error"].as_str().unwrap().starts_with(why), "{flat}: {answer}");
    }
    assert_eq!(service.stop().0, 0);

    let table = export(&house, &["--flat", "leek"]);
    assert!(table("weights.csv").iter().all(|row| row[0] == "leek-1") && table("weights.csv").len() == 1);
    let all = export(&house, &[])("events.csv");
    let told = |event: &str| {
        let told: Vec<_> = all.iter().filter(|row| row[4] == event).map(|row| row[2].as_str()).collect();
        told
    };
    assert_eq!((told("renamed"), told("retired")), (vec!["leek-1"], vec!["beet"]));
    // Once.
    let again = house.again();
    again.logged("Started Test house");
    assert_eq!(again.stop().0, 0);
    let events: Vec<_> = export(&house, &[])("events.csv").into_iter().map(|row| row[4].clone()).collect();
    assert_eq!(events.iter().filter(|event| ["renamed", "retired"].contains(&event.as_str())).count(), 2);
}

#[test]
fn each_id_that_a_flat_ever_had_finds_its_history() {
    // Found by a new user: of two renamings the first was forgotten.
    let house = House::own_broker();
    let of = |id: &str, more: &str| {
        format!("flats: {{{id}: {{label: Leek, dry_weight: 1600 g, capacity_weight: 2700 g{more}}}}}")
    };
    let service = house.run(&of("leek", ""));
    say(service.web(), "leek", &weigh(2000.0, 1));
    assert_eq!(service.stop().0, 0);
    for (id, former) in [("leek-1", "leek"), ("leek-2", "leek-1")] {
        house.write(&of(id, &format!(", formerly: {former}")));
        let service = house.again();
        service.logged("Started Test house");
        assert_eq!(service.stop().0, 0);
    }
    let found = |asked: &str| export(&house, &["--flat", asked])("weights.csv");
    for asked in ["leek", "leek-1", "leek-2"] {
        let rows = found(asked);
        assert!(rows.len() == 1 && rows[0][0] == "leek-2", "{asked}: {rows:?}");
    }
    // The file may forget what it was called, and the flat may leave it.
    for body in [of("leek-2", ""), of("beet", "")] {
        house.write(&body);
        let service = house.again();
        for asked in ["leek", "leek-1", "leek-2"] {
            let (status, points) = get(service.web(), &format!("/api/flats/{asked}/history"));
            assert_eq!((status, points.as_array().map(Vec::len)), (200, Some(1)), "{asked}: {points}");
            assert_eq!(found(asked).len(), 1, "{asked}");
        }
        assert_eq!(service.stop().0, 0);
    }
}

#[test]
fn a_weight_taken_back_stays_so_in_another_time_zone_and_in_the_history() {
    let house = House::own_broker();
    let service = house.run(BEFORE);
    let at = service.web();
    say(at, "leek", &weigh(2000.0, 9));
    say(at, "leek", &weigh(1900.0, 3));
    say(at, "leek", &json!("undo"));
    let (_, history) = get(at, "/api/flats/leek/history");
    let weights: Vec<f64> =
        history.as_array().unwrap().iter().map(|point| point["weight_g"].as_f64().unwrap()).collect();
    assert_eq!(weights, [2000.0], "{history}");
    assert_eq!(service.stop().0, 0);
    let file = house.path("tarewell.yaml");
    let text = std::fs::read_to_string(&file).unwrap().replace("Europe/Dublin", "Asia/Kolkata");
    assert!(text.contains("Kolkata"));
    std::fs::write(&file, text).unwrap();
    let rows = export(&house, &[])("weights.csv");
    assert!(rows.len() == 1 && rows[0][2] == "2000.0" && rows[0][1].ends_with("+05:30"), "{rows:?}");
}

#[test]
fn a_pour_told_late_is_exported_with_the_time_it_was_poured() {
    // Found by a new user.
    let house = House::own_broker();
    let service = house.run(BEFORE);
    let poured = now() - chrono::Duration::hours(50);
    let told = json!({"command": "watered", "volume_ml": 300, "at": poured.to_rfc3339()});
    say(service.web(), "beet", &told);
    assert_eq!(service.stop().0, 0);
    let seconds = |time: &str| chrono::DateTime::parse_from_rfc3339(time).unwrap().timestamp();
    let rows = export(&house, &[])("waterings.csv");
    assert!(rows.len() == 1 && seconds(&rows[0][2]) == poured.timestamp(), "{rows:?}");
    let event = export(&house, &[])("events.csv").into_iter().find(|row| row[4] == "watered").unwrap();
    assert!(seconds(&event[3]) > poured.timestamp() && event[5].contains("\"at\":"), "{event:?}");
    // The limits go by that time as well.
    let day = |ago: i64| (now() - chrono::Duration::hours(ago)).to_rfc3339();
    assert_eq!(export(&house, &["--to", &day(40)])("waterings.csv").len(), 1);
    assert!(export(&house, &["--from", &day(40)])("waterings.csv").is_empty());
    let mut command = tarewell();
    command.args(["export", "--from", &day(1), "--to", &day(2), "--config"]).arg(house.path("tarewell.yaml"));
    let (code, _, errors) = finish(command);
    assert!(code == 2 && errors.contains("is after --to"), "{errors}");
}

#[test]
fn a_former_id_that_does_nothing_is_told() {
    let house = House::own_broker();
    let of = |id: &str, more: &str| {
        format!("flats: {{{id}: {{label: Leek, dry_weight: 1600 g, capacity_weight: 2700 g{more}}}}}")
    };
    let service = house.run(&of("b", ""));
    service.logged("Began a new store");
    say(service.web(), "b", &weigh(2000.0, 1));
    assert_eq!(service.stop().0, 0);
    house.write(&of("c", ", formerly: b"));
    for _ in 0..2 {
        let service = house.again();
        service.logged("Started Test house");
        assert!(!service.log().contains("did nothing") && !service.log().contains("Began a new store"));
        assert_eq!(service.stop().0, 0);
    }
    // It is called d now, and the line of the last time was left as it was.
    house.write(&of("d", ", formerly: b"));
    let service = house.again();
    service.logged("the store has no flat b, so d begins empty. Kept, and not in the file, are: c");
    say(service.web(), "d", &weigh(1900.0, 0));
    assert_eq!(service.stop().0, 0);
    house.write(&of("d", ", formerly: c"));
    let service = house.again();
    service.logged("`formerly: c` of flat d did nothing: d has weights or settings of its own already");
    service.logged("Started Test house");
    assert_eq!(service.stop().0, 0);
}

#[test]
fn a_store_that_is_deleted_while_it_runs_is_told() {
    let house = House::own_broker();
    let service = house.run(BEFORE);
    say(service.web(), "leek", &weigh(2000.0, 9));
    std::fs::remove_file(house.path("tarewell.db")).unwrap();
    say(service.web(), "leek", &weigh(1990.0, 0));
    service.logged("was deleted, moved or replaced while tarewell runs");
    assert!(service.log().contains("Cannot write the store"));
    service.kill();
}

/// Found by a new user: what the shared scale went on weighing stayed in the tables.
#[test]
fn what_a_shared_scale_weighed_until_it_was_taken_back_is_in_no_table() {
    let house = House::own_broker();
    let service = house.run(
        "
stands: {bench: {topic: bench/scale, shared: true}}
flats:
  leek: {label: Leek, dry_weight: 1600 g, capacity_weight: 2700 g}
",
    );
    let at = service.web();
    let scale = Scale::start(service.broker(), "bench/scale", &[0.0, 0.1]);
    let ear = Ear::open(service.broker(), &["tarewell/#"]);
    let weighs = |from, least: f64, most: f64| {
        let is_so = |state: &Value| state["weight_g"].as_f64().is_some_and(|weight| (least..most).contains(&weight));
        ear.state(from, "tarewell/stands/bench", is_so);
    };
    weighs(0, -1.0, 10.0);
    for (weight, is_right) in [(2300.0, false), (2310.0, true)] {
        let from = ear.mark();
        let (status, answer) = post(at, "/api/stands/bench/command", r#"{"command":"weigh","flat":"leek"}"#);
        assert_eq!(status, 200, "{answer}");
        scale.set(&[weight, weight + 0.1]);
        ear.state(from, "tarewell/flats/leek", |state| state["basis"] == "scale");
        if !is_right {
            // Poured, and lifted off before that is told.
            scale.set(&[2500.0, 2500.1]);
            ear.state(from, "tarewell/flats/leek", |state| state["weight_g"].as_f64() > Some(2499.0));
        }
        let from = ear.mark();
        scale.set(&[0.0, 0.1]);
        ear.state(from, "tarewell/stands/bench", |state| state["round"].is_null() && state["flat"].is_null());
        if !is_right {
            say(at, "leek", &json!("undo"));
        }
    }
    let (_, history) = get(at, "/api/flats/leek/history");
    let weights: Vec<f64> =
        history.as_array().unwrap().iter().map(|point| point["weight_g"].as_f64().unwrap().round()).collect();
    assert_eq!(weights, [2310.0], "{history}");
    assert_eq!(service.stop().0, 0);
    let table = export(&house, &[]);
    assert_eq!((table("weights.csv").len(), table("waterings.csv").len()), (1, 0));
    assert_eq!(table("events.csv").iter().filter(|row| row[4] == "watered").count(), 1);
}
