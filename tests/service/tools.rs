//! The command-line clients that people have: what they print is a recording, and what they ask is answered.

use crate::bench::{Broker, House, TWO};
use crate::ear::{Ear, Scale};
use crate::played::play;
use serde_json::{Value, json};
use std::fs;
use std::net::SocketAddr;
use std::process::{Command, Output, Stdio};

/// One of them, if it is on this machine.
fn client(name: &str, at: SocketAddr) -> Option<Command> {
    let found = Command::new(name).arg("--help").stdout(Stdio::null()).stderr(Stdio::null()).status();
    if found.is_err() {
        eprintln!("SKIPPED: there is no {name} on this machine");
        return None;
    }
    let mut command = Command::new(name);
    command.args(["-h", "127.0.0.1", "-V", "5", "-p"]).arg(at.port().to_string());
    Some(command)
}

fn text(done: &Output) -> &str {
    assert!(done.status.success(), "{done:?}");
    std::str::from_utf8(&done.stdout).unwrap()
}

#[test]
fn a_command_line_client_gets_its_answer() {
    for broker in Broker::each() {
        let house = House::at(broker.addr);
        let ear = Ear::open(broker.addr, &["tarewell/#"]);
        let _service = house.run(TWO);
        ear.state(0, "tarewell/flats/leek-1", Value::is_object);
        let Some(mut ask) = client("mosquitto_rr", broker.addr) else { return };
        ask.args([
            "-t",
            "tarewell/flats/leek-1/command",
            "-e",
            "kitchen/answer",
            "-D",
            "publish",
            "correlation-data",
            "17",
        ]);
        ask.args(["-m", r#"{"command":"set","target":0.6}"#, "-W", "30"]);
        let answer: Value = serde_json::from_str(text(&ask.output().unwrap())).unwrap();
        assert_eq!((&answer["ok"], &answer["target"]), (&json!(true), &json!(0.6)), "{}", broker.name);
    }
}

#[test]
fn what_a_command_line_client_prints_is_a_recording() {
    for broker in Broker::each() {
        for (format, stand) in [("%j", "{topic: house/s1}"), ("%J", "{topic: house/s1, value: /w}")] {
            let ear = Ear::open(broker.addr, &["house/#"]);
            let Some(mut listen) = client("mosquitto_sub", broker.addr) else { return };
            let child = listen
                .args(["-t", "house/#", "-F", format, "-C", "20", "-W", "60"])
                .stdout(Stdio::piped())
                .spawn()
                .unwrap();
            let weights = [2600.0, 2601.0];
            let scale = match format {
                "%j" => Scale::start(broker.addr, "house/s1", &weights),
                _ => Scale::saying(broker.addr, "house/s1", weights.iter().map(|w| format!("{{\"w\":{w}}}")).collect()),
            };
            let printed = child.wait_with_output().unwrap();
            drop((scale, ear));
            let house = House::with("");
            let config = house.write(&format!(
                "stands: {{s1: {stand}}}\nflats: {{leek-1: {{label: Leeks, stand: s1, dry_weight: 2000 g, capacity_weight: 3000 g}}}}\n"
            ));
            let recording = house.path("r.jsonl");
            fs::write(&recording, text(&printed)).unwrap();
            let played = play(&config, &recording, &[]).good();
            let fraction = played.last("tarewell/flats/leek-1")["fraction"].as_f64().unwrap();
            assert!((0.599..0.602).contains(&fraction), "{fraction} by {format} from {}", broker.name);
        }
    }
}
