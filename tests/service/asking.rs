//! Commands over MQTT as programs give them: response topics, correlation, several at once.

use crate::bench::{Broker, House, TWO};
use crate::ear::{Ear, Scale};
use serde_json::{Value, json};
use std::time::{Duration, Instant};

const LEEK: &str = "tarewell/flats/leek-1";
const COMMAND: &str = "tarewell/flats/leek-1/command";

#[track_caller]
fn assert_refused(answer: &Value, words: &str) {
    let mut keys: Vec<&String> = answer.as_object().unwrap().keys().collect();
    keys.sort();
    assert_eq!(keys, ["error", "ok"], "{answer}");
    assert_eq!(answer["ok"], false);
    assert!(answer["error"].as_str().unwrap().contains(words), "{answer}");
}

/// The last state of the flat that was heard.
fn last_state(ear: &Ear) -> Value {
    ear.on(LEEK).iter().rfind(|message| message.topic == LEEK).unwrap().json()
}

#[test]
fn each_command_is_answered_where_it_asks() {
    for broker in Broker::each() {
        let house = House::at(broker.addr);
        let service = house.run(TWO);
        let ear = Ear::open(broker.addr, &["tarewell/#"]);
        let scale = Scale::start(broker.addr, "house/s1", &[2500.0, 2501.0]);
        ear.state(0, LEEK, |state| state["condition"] == "moist");

        let answer = ear.ask(COMMAND, "record-dry");
        assert_eq!(answer["ok"], true);
        assert!((2499.0..2502.0).contains(&answer["dry_weight_g"].as_f64().unwrap()), "{answer}");
        let answer = ear.ask(COMMAND, "undo");
        assert_eq!(
            answer,
            json!({
                "ok":true,"dry_weight_g":2000.0,"capacity_weight_g":3000.0,"plant_mass_g":0.0,"fraction":answer["fraction"]
            })
        );
        assert!((0.499..0.502).contains(&answer["fraction"].as_f64().unwrap()), "{answer}");
        assert_eq!(ear.ask(COMMAND, r#"{"command":"record-capacity"}"#)["ok"], true);
        assert_eq!(ear.ask(COMMAND, r#"{"command":"shelve","for_h":12}"#)["ok"], true);
        let answer = ear.ask(COMMAND, r#"{"command":"move","stand":"s2"}"#);
        assert_eq!((&answer["ok"], &answer["stand"]), (&json!(true), &json!("s2")));
        let answer = ear.ask("tarewell/stands/s1/command", r#"{"command":"holds","flat":"leek-1"}"#);
        assert_eq!((&answer["ok"], &answer["flat"]), (&json!(true), &json!("leek-1")));
        let answer = ear.ask("tarewell/stands/s1/command", "zero");
        assert_refused(&answer, "force");
        assert_refused(&ear.ask("tarewell/stands/s2/command", "zero"), "nothing has been heard of s2");
        assert_refused(&ear.ask(COMMAND, "dissolve"), "dissolve");
        assert_refused(&ear.ask(COMMAND, "{\"command\":"), "JSON");
        assert_refused(&ear.ask(COMMAND, r#"{"command":"water","volume_ml":300}"#), "no valve feeds");
        assert_eq!(ear.ask("tarewell/command", "stop"), json!({"ok":true}));
        assert_refused(&ear.ask("tarewell/flats/leek-7/command", "undo"), "leek-7");
        assert_refused(&ear.ask("tarewell/valves/drip/command", "stop"), "drip");
        let late = r#"{"command":"undo","time":"2026-01-01T00:00:00Z"}"#;
        assert_refused(&ear.ask(COMMAND, late), "30 s");
        let ahead = (crate::bench::now() + chrono::Duration::days(1)).to_rfc3339();
        assert_refused(&ear.ask(COMMAND, &json!({"command":"undo","time":ahead}).to_string()), "in the future");
        assert_eq!(
            ear.ask("tarewell/command", &json!({"command":"stop","time":ahead}).to_string()),
            json!({"ok":true})
        );
        let now = crate::bench::now().to_rfc3339();
        let answer = ear.ask(COMMAND, &json!({"command":"set","low":0.2,"time":now}).to_string());
        assert_eq!((&answer["ok"], &answer["low"]), (&json!(true), &json!(0.2)));
        drop(scale);
        assert_eq!(service.stop().0, 0);
    }
}

#[test]
fn a_repeat_gets_the_first_answer() {
    let house = House::own_broker();
    let service = house.run(TWO);
    let ear = Ear::open(service.broker(), &["tarewell/#"]);
    service.logged("Connected to the broker");
    let once = r#"{"command":"set","target":0.6,"id":"kitchen-17"}"#;
    let first = ear.ask(COMMAND, once);
    assert_eq!((&first["ok"], &first["target"]), (&json!(true), &json!(0.6)));
    let second = ear.ask(COMMAND, r#"{"command":"set","target":0.55,"id":"kitchen-18"}"#);
    assert_eq!(second["target"], 0.55, "{second}");
    assert_eq!(ear.ask(COMMAND, once), first);
    ear.state(0, LEEK, |state| state["target"] == 0.55);
    let refused = ear.ask(COMMAND, r#"{"command":"undo","id":"kitchen-19"}"#);
    assert_refused(&refused, "no record");
    let mark = ear.mark();
    assert_eq!(ear.ask(COMMAND, r#"{"command":"undo","id":"kitchen-19"}"#), refused);
    assert!(!ear.on("tarewell/events").iter().skip(1).any(|m| m.json()["event"] == "command-refused"), "told once");
    assert!(ear.mark() > mark);
    assert_eq!(last_state(&ear)["target"], 0.55);

    // Over a restart, too.
    service.kill();
    let service = house.again();
    let ear = Ear::open(service.broker(), &["tarewell/#"]);
    service.logged("Connected to the broker");
    assert_eq!(ear.ask(COMMAND, once), first);
    ear.state(0, LEEK, |state| state["target"] == 0.55);
}

#[test]
fn two_programs_at_once_each_get_their_own_answer() {
    for broker in Broker::each() {
        let house = House::at(broker.addr);
        let service = house.run(TWO);
        let ear = Ear::open(broker.addr, &["tarewell/#"]);
        ear.state(0, LEEK, Value::is_object);
        let askers: Vec<_> = (1..=4)
            .map(|who| {
                let addr = broker.addr;
                std::thread::spawn(move || {
                    let ear = Ear::open(addr, &[]);
                    for turn in 0..10 {
                        let mass = f64::from(who * 100 + turn);
                        let answer = ear.ask(
                            COMMAND,
                            &json!({"command":"set","plant_mass_g":mass,"target":0.5 + mass / 10_000.0}).to_string(),
                        );
                        assert_eq!(answer["ok"], true, "{answer}");
                        let target = answer["target"].as_f64().unwrap();
                        assert!((target - 0.5 - mass / 10_000.0).abs() < 6e-4, "{mass}: {answer}");
                    }
                })
            })
            .collect();
        for asker in askers {
            asker.join().unwrap();
        }
        assert_eq!(service.stop().0, 0);
    }
}

#[test]
fn a_retained_command_is_refused_and_cleared_on_the_broker() {
    for broker in Broker::each() {
        let house = House::at(broker.addr);
        let ear = Ear::open(broker.addr, &["tarewell/#"]);
        // One waits there already, one comes while it runs; and one for a flat that nobody knows.
        ear.retain(COMMAND, "forget-band");
        ear.retain("tarewell/flats/beet-9/command", "undo");
        let service = house.run(TWO);
        for topic in [COMMAND, "tarewell/flats/beet-9/command"] {
            ear.after(0, &format!("{topic} cleared"), |m| (m.topic == topic && m.payload.is_empty()).then_some(()));
        }
        let refused = ear.event(0, "command-refused");
        assert!(refused["error"].as_str().unwrap().contains("retain"), "{refused}");
        let mark = ear.mark();
        ear.retain("tarewell/stands/s1/command", "zero");
        ear.after(mark, "the command cleared", |m| {
            (m.topic == "tarewell/stands/s1/command" && m.payload.is_empty()).then_some(())
        });
        let refused = ear.state(mark, "tarewell/events", |event| event["of"] == "stand");
        assert_eq!(
            (&refused["event"], &refused["id"], &refused["command"]),
            (&json!("command-refused"), &json!("s1"), &json!("zero"))
        );
        // An empty payload says nothing.
        let mark = ear.mark();
        ear.say(COMMAND, "");
        ear.say(COMMAND, "undo");
        ear.state(mark, "tarewell/events", |event| event["command"] == "undo" && event["of"] == "flat");
        assert_eq!(service.stop().0, 0);
    }
}

/// Up and down by 300 g, 50 g a second: no noise, but somebody's hand.
fn restless() -> Vec<f64> {
    let up = (0..30).map(|step| 2400.0 + 10.0 * f64::from(step));
    up.clone().chain(up.rev()).collect()
}

#[test]
fn a_restless_stand_is_waited_for_and_then_named() {
    let house = House::own_broker();
    let service = house.run(TWO);
    let ear = Ear::open(service.broker(), &["tarewell/#"]);
    let scale = Scale::start(service.broker(), "house/s1", &[2500.0]);
    ear.state(0, LEEK, |state| state["condition"] == "moist");
    // First restless, then still: done as soon as it stands.
    let mark = ear.mark();
    scale.set(&restless());
    ear.state(mark, "tarewell/stands/s1", |state| state["stable"] == false);
    let begun = Instant::now();
    let asked = std::thread::scope(|scope| {
        let asked = scope.spawn(|| ear.ask(COMMAND, "record-dry"));
        std::thread::sleep(Duration::from_secs(2));
        scale.set(&[2520.0]);
        asked.join().unwrap()
    });
    assert_eq!((&asked["ok"], &asked["dry_weight_g"]), (&json!(true), &json!(2520.0)), "{asked}");
    assert!(begun.elapsed() > Duration::from_secs(2) && begun.elapsed() < Duration::from_secs(15));

    let mark = ear.mark();
    scale.set(&restless());
    ear.state(mark, "tarewell/stands/s1", |state| state["stable"] == false);
    let begun = Instant::now();
    let refused = ear.ask(COMMAND, "record-dry");
    assert_refused(&refused, "it moved by");
    assert!((29..=33).contains(&begun.elapsed().as_secs()), "{:?}", begun.elapsed());
    assert_eq!(last_state(&ear)["dry_weight_g"], 2520.0);
}
