//! What was answered survives the worst end.

use crate::bench::{Broker, House, TWO};
use crate::ear::{Ear, Scale};
use serde_json::{Value, json};
use std::collections::HashMap;
use std::time::Duration;

const LEEK: &str = "tarewell/flats/leek-1";
const COMMAND: &str = "tarewell/flats/leek-1/command";

#[test]
fn what_was_answered_survives_kill_right_after_the_answer() {
    let broker = Broker::embedded();
    let house = House::at(broker.addr);
    let ear = Ear::open(broker.addr, &["tarewell/#"]);
    let mut service = house.run(TWO);
    for turn in 0..12 {
        service.logged("Connected to the broker");
        let target = 0.5 + f64::from(turn + 1) / 100.0;
        let answer =
            ear.ask(COMMAND, &json!({"command":"set","target":target,"place":format!("row {turn}")}).to_string());
        assert_eq!(answer["ok"], true, "{answer}");
        service.kill();
        let mark = ear.mark();
        service = house.again();
        let state = ear.state(mark, LEEK, Value::is_object);
        assert!((state["target"].as_f64().unwrap() - target).abs() < 1e-9, "after {turn} kills: {}", state["target"]);
    }
}

#[test]
fn events_keep_their_order_over_kills_at_any_moment() {
    let broker = Broker::embedded();
    let house = House::at(broker.addr);
    let ear = Ear::open(broker.addr, &["tarewell/events"]);
    for turn in 0..10_u32 {
        let service = house.run(TWO);
        service.logged("Connected to the broker");
        let quick = Ear::open(broker.addr, &[]);
        let mark = ear.mark();
        for number in 0..=turn {
            quick.say(COMMAND, &format!("no-such-word-{turn}-{number}"));
        }
        // Killed after the first event, some milliseconds later each time.
        ear.state(mark, "tarewell/events", |event| event["command"] == format!("no-such-word-{turn}-0"));
        std::thread::sleep(Duration::from_micros(u64::from(turn) * 700));
        service.kill();
    }
    let service = house.run(TWO);
    service.logged("Connected to the broker");
    ear.say(COMMAND, "the-last");
    ear.state(0, "tarewell/events", |event| event["command"] == "the-last");
    let mut told: HashMap<u64, Value> = HashMap::new();
    let mut highest = 0;
    for message in ear.on("tarewell/events") {
        let event = message.json();
        let seq = event["seq"].as_u64().unwrap();
        if let Some(before) = told.insert(seq, event.clone()) {
            assert_eq!(before, event, "an event may come twice, but one number is one event");
            continue;
        }
        assert!(seq > highest, "{event} after {highest}");
        highest = seq;
    }
    assert!(told.len() >= 11);
}

#[test]
fn bands_shelves_alerts_and_a_watch_survive() {
    let broker = Broker::embedded();
    let house = House::at(broker.addr);
    let ear = Ear::open(broker.addr, &["tarewell/#"]);
    let service = house.run(TWO);
    let scales = [
        Scale::start(broker.addr, "house/s1", &[2100.0, 2101.0]),
        Scale::start(broker.addr, "house/s2", &[2700.0, 2701.0]),
    ];
    let raised = ear.state(0, "tarewell/alerts/dry/leek-1", Value::is_object);
    ear.state(0, "tarewell/flats/leek-2", |state| state["condition"] == "moist");
    assert_eq!(ear.ask("tarewell/flats/leek-2/command", "record-dry")["ok"], true);
    let band = ear.state(0, "tarewell/flats/leek-2", |state| state["band_from"] == "recorded");
    assert_eq!(ear.ask(COMMAND, r#"{"command":"shelve","for_h":12}"#)["ok"], true);
    assert_eq!(ear.ask(COMMAND, "record-capacity")["ok"], true);
    service.kill();
    let mark = ear.mark();
    let _service = house.again();
    let again = ear.state(mark, "tarewell/alerts/dry/leek-1", Value::is_object);
    assert_eq!(raised["since"], again["since"]);
    let state = ear.state(mark, "tarewell/flats/leek-2", Value::is_object);
    assert_eq!((&state["dry_weight_g"], &state["band_from"]), (&band["dry_weight_g"], &json!("recorded")));
    assert_eq!((&state["weight_g"], &state["basis"]), (&band["weight_g"], &json!("stand")), "the last one weighed");
    assert!(!state["fraction"].is_null(), "carried on");
    // The watch goes on: water comes, and is a pass of it.
    scales[0].set(&[2400.0, 2401.0]);
    let pass = ear.event(mark, "soaking");
    assert_eq!((&pass["of"], &pass["id"]), (&json!("flat"), &json!("leek-1")));
    assert!(!ear.on("tarewell/events").iter().any(|m| m.json()["event"] == "watered"));
    let rises = ear
        .on("tarewell/events")
        .into_iter()
        .filter(|m| m.json()["event"] == "alert-raised" && m.json()["id"] == "leek-1");
    assert_eq!(rises.count(), 1);
}
