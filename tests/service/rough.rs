//! What the world does to a program: garbage, retained readings, strangers, pipes that close, stores in use.

use crate::bench::{Broker, House, PATIENCE, TWO, finish, signal, tarewell};
use crate::ear::{Ear, Scale};
use crate::http;
use crate::played::{Tape, play};
use crate::server::Server;
use rumqttc::v5::mqttbytes::v5::PublishProperties;
use serde_json::{Value, json};
use std::fs;
use std::io::{BufRead, BufReader, Write};
use std::process::Stdio;
use std::time::Instant;

const LEEK: &str = "tarewell/flats/leek-1";
const COMMAND: &str = "tarewell/flats/leek-1/command";

fn keys(value: &Value) -> Vec<&str> {
    let mut keys: Vec<&str> = value.as_object().unwrap().keys().map(String::as_str).collect();
    keys.sort_unstable();
    keys
}

#[test]
fn garbage_changes_nothing() {
    for broker in Broker::each() {
        let house = House::at(broker.addr);
        let ear = Ear::open(broker.addr, &["tarewell/#"]);
        let service = house.run(TWO);
        let before = ear.state(0, LEEK, Value::is_object);
        // The broker of the program closes on who sends more than 256 KiB; of another one it does not take more.
        let large = vec![b'9'; if broker.name == "embedded" { 200_000 } else { 900_000 }];
        let deep = "[".repeat(50_000).into_bytes();
        let payloads: [&[u8]; 9] =
            [b"", b"\xff\xfe\x00", b"\0\0\0\0", b"{", b"1e999", b"-inf", b"{\"command\":{}}", &large, &deep];
        for topic in ["house/s1", COMMAND, "tarewell/command", "tarewell/stands/s1/command", "tarewell/flats//command"]
        {
            for payload in payloads {
                ear.publish(topic, payload, false, None);
            }
        }
        let answer = ear.ask(COMMAND, r#"{"command":"set","target":0.6}"#);
        assert_eq!(answer["ok"], true, "it still listens: {answer}");
        let mut after = ear.state(0, LEEK, |state| state["target"] == 0.6);
        after["target"] = before["target"].clone();
        after["time"] = before["time"].clone();
        assert_eq!(before, after);
        assert_eq!(http::get(service.web(), "/health").1["broker"], true);
        assert_eq!(service.stop().0, 0);
    }
}

#[test]
fn no_answer_passes_for_an_order_a_reading_or_a_state() {
    let broker = Broker::embedded();
    let house = House::at(broker.addr);
    let ear = Ear::open(broker.addr, &["tarewell/#", "house/#"]);
    let drip = "valves: {drip: {topic: house/drip, open: 'on {seconds}', close: off, feeds: {leek-1: 2 L/h}}}\n";
    let _service = house.run(&format!("{TWO}{drip}"));
    ear.state(0, LEEK, Value::is_object);
    for topic in ["house/drip", "house/s1", LEEK, "tarewell/events", COMMAND] {
        let properties = PublishProperties { response_topic: Some(topic.to_owned()), ..PublishProperties::default() };
        ear.publish(COMMAND, b"undo", false, Some(properties));
    }
    assert_eq!(ear.ask(COMMAND, "undo")["ok"], false);
    for message in ear.on("") {
        let answered = !message.topic.starts_with("answers/") && message.text().contains("\"ok\":");
        assert!(!answered, "{message:?}");
    }
}

#[test]
fn what_the_broker_had_kept_is_not_fresh_but_what_a_device_retains_is() {
    for broker in Broker::each() {
        let house = House::at(broker.addr);
        let ear = Ear::open(broker.addr, &["tarewell/#"]);
        ear.retain("house/s1", "2900");
        let service = house.run(TWO);
        let scale = Scale::retaining(broker.addr, "house/s1", &[2500.0, 2501.0]);
        let first = ear.state(0, "tarewell/stands/s1", |state| !state["weight_g"].is_null());
        assert!(first["weight_g"].as_f64().unwrap() < 2600.0, "{first} on {}", broker.name);
        ear.state(0, LEEK, |state| state["condition"] == "moist");
        drop(scale);
        assert_eq!(service.stop().0, 0);
    }
}

#[test]
fn a_stand_of_its_own_broker_may_weigh_but_not_command() {
    let house = House::with(
        "broker: {embedded: {listen: 127.0.0.1:0, users: {stand: weighs, phone: {password: commands, commands: true}}}}\n",
    );
    let service = house.run(TWO);
    let phone = Ear::login(service.broker(), ("phone", "commands"), &["tarewell/#"]);
    phone.state(0, LEEK, Value::is_object);
    let stand = Ear::login(service.broker(), ("stand", "weighs"), &[]);
    stand.say(COMMAND, r#"{"command":"set","target":0.7}"#);
    stand.say("tarewell/flats/leek-1", "{}");
    let scale = Scale::by(stand, "house/s1", &[2500.0, 2501.0]);
    let weighed = phone.state(0, LEEK, |state| state["condition"] == "moist");
    assert_eq!(weighed["target"], 0.5);
    assert_eq!(phone.ask(COMMAND, r#"{"command":"set","target":0.6}"#)["target"], 0.6);
    assert!(phone.on("tarewell/flats/leek-1").iter().all(|m| m.text() != "{}"), "nor write under the base");
    drop(scale);
    let log = service.log();
    assert!(!log.contains("weighs") && !log.contains("password="), "{log}");
    assert_eq!(service.stop().0, 0);
}

#[test]
fn ctrl_c_is_a_clean_stop_too() {
    let house = House::with("broker: {embedded: {listen: 127.0.0.1:0}}\n");
    let mut service = house.run(TWO);
    let ear = Ear::open(service.broker(), &["tarewell/status"]);
    ear.until("online", |m| (m.text() == "online").then_some(()));
    assert!(!service.says("Serving HTTP"), "the pages are off by default");
    signal("INT", service.pid());
    ear.until("offline", |m| (m.text() == "offline").then_some(()));
    assert_eq!(service.ended(), 0);
}

#[test]
fn a_shelved_flat_is_told_to_nobody_until_then() {
    let server = Server::start(&[]);
    let broker = Broker::embedded();
    let house = House::at(broker.addr);
    let ear = Ear::open(broker.addr, &["tarewell/#"]);
    let service = house.run(&format!("{TWO}\nnotify: {{phone: {{url: \"{}\"}}}}\n", server.url("/")));
    ear.state(0, LEEK, Value::is_object);
    let scales = [
        Scale::start(broker.addr, "house/s1", &[2200.0, 2201.0]),
        Scale::start(broker.addr, "house/s2", &[2600.0, 2601.0]),
    ];
    assert_eq!(server.next().header("title"), Some("First leeks is dry"));
    assert_eq!(ear.ask(COMMAND, r#"{"command":"shelve","for_h":1}"#)["ok"], true);
    // It grows worse, and then another flat falls dry: only that one is told.
    scales[0].set(&[2050.0, 2051.0]);
    ear.state(0, LEEK, |state| state["fraction"].as_f64().is_some_and(|fraction| fraction < 0.1));
    assert_eq!(ear.ask(COMMAND, r#"{"command":"set","place":"left"}"#)["ok"], true);
    ear.state(0, "tarewell/alerts/dry/leek-1", |alert| alert["severity"] == "critical");
    scales[1].set(&[2200.0, 2201.0]);
    assert_eq!(server.next().header("title"), Some("Second leeks is dry"));
    assert_eq!(service.stop().0, 0);
    assert!(server.is_quiet());
}

#[test]
fn a_store_in_use_is_refused_to_a_replay() {
    let house = House::own_broker();
    let service = house.run(TWO);
    service.logged("Started Test house");
    let mut tape = Tape::at("2026-03-02T08:00:00Z");
    tape.weigh(0.1, 10.0, "house/s1", |_| 2500.0);
    let played = tape.play_with(&house, &["--store", house.path("tarewell.db").to_str().unwrap()]);
    assert_eq!(played.code, 1);
    assert!(played.told.contains("tarewell.db") && played.lines.is_empty(), "{}", played.told);
}

#[test]
fn a_replay_reads_a_pipe_and_bears_one_that_closes() {
    let house = House::own_broker();
    let config = house.write(TWO);
    let rows: Vec<String> = (0..20_000)
        .map(|n| {
            let (hour, minute, second) = (8 + n / 3600, n / 60 % 60, n % 60);
            let weight = 2600 + 40 * (n / 5 % 2);
            format!("2026-03-02T{hour:02}:{minute:02}:{second:02}Z,s1,{weight}")
        })
        .collect();
    let text = format!("time,stand,value\n{}\n", rows.join("\n"));
    let piped = |out: Stdio| {
        let mut command = tarewell();
        command
            .args(["replay", "--config"])
            .arg(&config)
            .arg("-")
            .stdin(Stdio::piped())
            .stdout(out)
            .stderr(Stdio::piped());
        command.spawn().unwrap()
    };
    let mut child = piped(Stdio::null());
    child.stdin.take().unwrap().write_all(text.as_bytes()).unwrap();
    let done = child.wait_with_output().unwrap();
    assert_eq!((done.status.code(), String::from_utf8(done.stderr).unwrap().as_str()), (Some(0), ""));

    // As `… | head -1` does.
    let mut child = piped(Stdio::piped());
    let mut stdin = child.stdin.take().unwrap();
    let writer = std::thread::spawn(move || {
        // The other end may be gone already.
        let _ = stdin.write_all(text.as_bytes());
    });
    let mut first = String::new();
    BufReader::new(child.stdout.take().unwrap()).read_line(&mut first).unwrap();
    assert!(first.starts_with("{\"time\":"), "{first}");
    let begun = Instant::now();
    while child.try_wait().unwrap().is_none() {
        assert!(begun.elapsed() < PATIENCE, "it does not end with its reader");
        std::thread::sleep(std::time::Duration::from_millis(5));
    }
    let done = child.wait_with_output().unwrap();
    writer.join().unwrap();
    assert_eq!((done.status.code(), String::from_utf8(done.stderr).unwrap().as_str()), (Some(0), ""));
}

#[test]
fn times_carry_the_offset_of_the_site() {
    let house = House::with("");
    let recording = house.path("r.csv");
    // An hour before the clocks of Dublin go forward, and an hour after.
    let rows: Vec<String> = (0..150).map(|n| format!("2026-03-29T{:02}:{:02}:00Z,s1,2600", n / 60, n % 60)).collect();
    fs::write(&recording, format!("time,stand,value\n{}\n", rows.join("\n"))).unwrap();
    let played = play(&house.write(TWO), &recording, &[]).good();
    let states: Vec<&Value> = played.on(LEEK).map(|line| &line.payload).collect();
    let time = |state: &Value| state["time"].as_str().unwrap().to_owned();
    assert!(time(states[0]).ends_with("+00:00"), "{}", time(states[0]));
    assert!(time(states[states.len() - 1]).ends_with("+01:00"), "{}", time(states[states.len() - 1]));
    assert!(states.iter().all(|state| state["condition"] != "unknown" || state["weighed_at"].is_null()));
}

#[test]
fn what_happens_is_told_with_its_numbers() {
    let mut tape = Tape::at("2026-03-02T08:00:00Z");
    let s1 = "house/s1";
    tape.weigh(1.0, 10.0, s1, |_| 2250.0).weigh(1.5, 10.0, s1, |_| 2550.0).weigh(0.1, 10.0, s1, |_| 0.0);
    tape.weigh(1.5, 10.0, s1, |_| 2750.0).weigh(0.02, 10.0, s1, |_| 2900.0).weigh(1.0, 10.0, s1, |_| 2750.0);
    tape.weigh(1.5, 10.0, s1, |_| 2650.0);
    tape.say(COMMAND, r#"{"command":"move","stand":null}"#).pause(1.0);
    let played = tape.play(&House::own_broker(), TWO).good();
    let watered = played.events("watered");
    assert_eq!(watered.len(), 2, "{watered:#?}");
    // 300 g of water at 20 °C: 300.5 mL (0.998 203 4 g/mL, Tanaka 2001).
    for (event, added, place) in [(watered[0], 300.5, "stand"), (watered[1], 200.4, "away")] {
        assert_eq!(keys(event), ["added_ml", "by", "event", "id", "kept_ml", "of", "seq", "time", "where"]);
        assert!((event["added_ml"].as_f64().unwrap() - added).abs() < 1.5, "{event}");
        assert!((event["kept_ml"].as_f64().unwrap() - added).abs() < 1.5, "{event}");
        assert_eq!((&event["by"], &event["where"]), (&json!("hand"), &json!(place)));
    }
    assert_eq!(keys(played.events("lifted")[0]), ["event", "id", "of", "seq", "time"]);
    let returned = played.events("returned")[0];
    assert_eq!(keys(returned), ["change_g", "event", "id", "of", "seq", "time"]);
    assert_eq!(returned["change_g"], 200.0);
    let removed = played.events("removed")[0];
    assert!((removed["change_g"].as_f64().unwrap() + 100.0).abs() < 2.0, "{removed}");
    assert_eq!(keys(played.events("moved")[0]), ["event", "from", "id", "of", "seq", "time", "to", "what"]);
    let moved = played.events("moved")[0];
    assert_eq!((&moved["what"], &moved["from"], &moved["to"]), (&json!("stand"), &json!("s1"), &json!(null)));
    let raised = played.events("alert-raised")[0];
    assert_eq!(keys(raised), ["event", "id", "kind", "of", "seq", "severity", "time", "title"]);
    let cleared = played.events("alert-cleared")[0];
    for key in ["kind", "severity", "title"] {
        assert!(cleared[key].is_string(), "{cleared}");
    }
    let seqs: Vec<u64> = played.on("tarewell/events").map(|line| line.payload["seq"].as_u64().unwrap()).collect();
    assert!(seqs.windows(2).all(|two| two[1] == two[0] + 1), "{seqs:?}");
    let hours = played.last(LEEK)["since_watered_h"].as_f64().unwrap();
    assert!((3.5..4.2).contains(&hours), "{hours}");
}

#[test]
fn a_stand_that_tared_itself_under_its_flat_is_a_fault() {
    let mut tape = Tape::at("2026-03-02T08:00:00Z");
    let s1 = "house/s1";
    tape.weigh(3.0, 10.0, s1, |_| 2600.0)
        .pause(300.0)
        .weigh(0.5, 10.0, s1, |_| 0.0)
        .weigh(0.5, 10.0, s1, |h| -30.0 * h - 20.0);
    let played = tape.play(&House::own_broker(), TWO).good();
    assert_eq!(played.turns("stand-fault"), ["raised"]);
    assert_ne!(played.last(LEEK)["condition"], "dry");
}

#[test]
fn a_wrong_command_line_of_replay_says_how_it_goes() {
    let mut command = tarewell();
    command.args(["replay", "--config"]);
    let (code, _, told) = finish(command);
    assert_eq!(code, 2);
    assert!(told.contains("--config"), "{told}");
}
