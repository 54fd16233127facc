//! The phone: who is told what, and when not.

use crate::bench::{Broker, House, TWO, now};
use crate::ear::{Ear, Scale};
use crate::server::{Reply, Server};
use serde_json::Value;
use std::time::Duration;

const DRY: &str = "tarewell/alerts/dry/leek-1";

fn notify(url: &str, more: &str) -> String {
    format!("{TWO}\nnotify: {{phone: {{url: \"{url}\"{more}}}}}\n")
}

#[test]
fn a_dry_flat_is_told_and_its_recovery_once_each() {
    let server = Server::start(&[]);
    let broker = Broker::embedded();
    let house = House::at(broker.addr);
    let ear = Ear::open(broker.addr, &["tarewell/#"]);
    let service = house.run(&notify(&server.url("/push?key=s3cret"), ", headers: {Authorization: \"Bearer t0ken\"}"));
    let scale = Scale::start(broker.addr, "house/s1", &[2200.0, 2201.0]);
    let told = server.next();
    assert_eq!(told.line, "POST /push?key=s3cret HTTP/1.1");
    assert_eq!(told.header("authorization"), Some("Bearer t0ken"));
    assert_eq!(told.header("title"), Some("First leeks is dry"));
    // A fifth of 1000 g is left; 300 g to the target are 300.5 mL (0.998 203 4 g/mL at 20 °C, Tanaka 2001).
    assert!(
        told.body.starts_with("First leeks: ") && told.body.ends_with("Pour 300 mL; stop at 2.50 kg."),
        "{}",
        told.body
    );
    // A restart tells nobody anything: what was told is on the disk a second after the phone's server has answered.
    ear.state(0, DRY, Value::is_object);
    std::thread::sleep(Duration::from_secs(2));
    service.kill();
    let mark = ear.mark();
    let service = house.again();
    ear.state(mark, DRY, Value::is_object);
    scale.set(&[2600.0, 2601.0]);
    let over = server.next();
    assert!(over.header("title").unwrap().contains("First leeks"), "{over:?}");
    assert!(over.body.contains("60 %") || over.body.contains("water"), "{over:?}");
    assert_eq!(service.stop().0, 0);
    assert!(server.is_quiet(), "one message for the rise, one for its end");
}

#[test]
fn quiet_hours_keep_warnings_back_and_let_critical_pass() {
    let server = Server::start(&[]);
    let broker = Broker::embedded();
    let house = House::at(broker.addr);
    let ear = Ear::open(broker.addr, &["tarewell/#"]);
    // Quiet around the clock, but for a minute that lies twelve hours off.
    let away = now() + chrono::TimeDelta::hours(12);
    let quiet =
        format!(", quiet: \"{}-{}\"", (away + chrono::TimeDelta::minutes(1)).format("%H:%M"), away.format("%H:%M"));
    let service = house.run(&notify(&server.url("/"), &quiet));
    let scale = Scale::start(broker.addr, "house/s1", &[2200.0, 2201.0]);
    ear.state(0, DRY, |alert| alert["severity"] == "warning");
    let other = Scale::start(broker.addr, "house/s2", &[2100.0, 2101.0]);
    let told = server.next();
    assert_eq!(told.header("title"), Some("Second leeks is very dry"), "{told:?}");
    drop((scale, other));
    assert_eq!(service.stop().0, 0);
}

#[test]
fn a_phone_that_hangs_holds_up_nothing_and_its_secrets_stay_secret() {
    let server = Server::start(&[Reply::Hang, Reply::Hang]);
    let broker = Broker::embedded();
    let house = House::at(broker.addr);
    let ear = Ear::open(broker.addr, &["tarewell/#"]);
    let service = house.run(&notify(&server.url("/push?key=s3cret"), ", headers: {Authorization: \"Bearer t0ken\"}"));
    let scale = Scale::start(broker.addr, "house/s1", &[2200.0, 2201.0]);
    server.next();
    scale.set(&[2600.0, 2601.0]);
    ear.state(0, "tarewell/flats/leek-1", |state| state["condition"] == "moist");
    let log = service.log();
    let (code, took) = service.stop();
    assert_eq!(code, 0);
    assert!(took < Duration::from_secs(5), "{took:?}");
    assert!(!log.contains("s3cret") && !log.contains("t0ken"), "{log}");
}
