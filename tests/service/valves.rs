//! Valves: what goes to their topics, whatever happens to the program (`water-safety`, S3, S5, S6; contract, section 3).

use crate::bench::{Broker, House, Service};
use crate::drip::{CLOSE, Dice, Drip};
use crate::ear::{Ear, Message, Scale};
use rusqlite::Connection;
use serde_json::{Value, json};
use std::time::{Duration, Instant};

/// One that opens on command, one by itself, one for nobody. Nothing is due.
const THREE: &str = "
stands: {s1: {topic: house/s1}, s2: {topic: house/s2}, s3: {topic: house/s3}}
flats:
  leek-1: {label: First leeks, stand: s1, dry_weight: 2000 g, capacity_weight: 3000 g}
  leek-2: {label: Second leeks, stand: s2, dry_weight: 2000 g, capacity_weight: 3000 g}
  leek-3: {label: Third leeks, stand: s3, dry_weight: 2000 g, capacity_weight: 3000 g}
valves:
  asked: {topic: valves/asked, open: 'ON {seconds}', close: 'OFF', mode: ask, max_run: 5 min, max_per_day: 1 L, feeds: {leek-1: 6 L/h}}
  auto: {topic: valves/auto, open: '1', close: '0', before_open: {topic: valves/auto/timer, payload: '{seconds*10}'},
    mode: auto, max_run: 5 min, max_per_day: 1 L, feeds: {leek-2: 6 L/h}}
  advised: {topic: valves/advised, open: 'ON', close: 'OFF', feeds: {leek-3: 6 L/h}}
";

const BOTH: [(&str, &str); 2] = [("valves/asked", "OFF"), ("valves/auto", "0")];

fn is(topic: &str, payload: &str) -> impl Fn(&Message) -> Option<()> {
    move |message| (message.topic == topic && message.payload == payload.as_bytes()).then_some(())
}

fn linked(service: &Service, ids: &[&str]) {
    service.logged("Connected to the broker");
    for id in ids {
        service.logged(&format!("it if this program dies valve=\"{id}\""));
    }
}

#[test]
fn every_valve_that_may_open_is_ordered_closed_at_the_start_and_the_others_are_left_alone() {
    for broker in Broker::each() {
        let ear = Ear::open(broker.addr, &["valves/#"]);
        let house = House::at(broker.addr);
        let service = house.run(THREE);
        for (topic, payload) in BOTH {
            ear.until(&format!("{payload} on {topic}"), is(topic, payload));
        }
        linked(&service, &["asked", "auto"]);
        for message in ear.on("valves/") {
            assert!(BOTH.contains(&(message.topic.as_str(), message.text())), "{message:?}");
            assert!(!message.retained && message.qos == 1, "{message:?}");
        }
    }
}

#[test]
fn a_retained_order_is_cleared_and_told_and_the_valve_closed() {
    for broker in Broker::each() {
        let before = Ear::open(broker.addr, &[]);
        before.retain("valves/asked", "ON 600");
        before.retain("valves/advised", "ON");
        let ear = Ear::open(broker.addr, &["valves/#", "tarewell/events"]);
        let house = House::at(broker.addr);
        let service = house.run(THREE);
        let told = ear.event(0, "retained-order-cleared");
        assert_eq!((&told["of"], &told["id"]), (&json!("valve"), &json!("asked")));
        ear.until("the clearing", |m| (m.topic == "valves/asked" && m.payload.is_empty() && m.retained).then_some(()));
        ear.until("the closing", is("valves/asked", "OFF"));
        // Whoever connects now finds what tarewell may not touch, and nothing else.
        let late = Ear::open(broker.addr, &["valves/#"]);
        late.until("the other order", is("valves/advised", "ON"));
        assert!(late.on("valves/asked").iter().all(|message| !message.retained), "{:?}", late.on("valves/"));
        // One that comes while it runs is cleared too, and an empty one is none.
        let mark = ear.mark();
        before.retain("valves/auto", "");
        before.retain("valves/auto", "1");
        let told = ear.event(mark, "retained-order-cleared");
        assert_eq!(told["id"], "auto");
        ear.after(mark, "the closing", is("valves/auto", "0"));
        assert_eq!(service.stop().0, 0);
    }
}

#[test]
fn a_clean_stop_closes_once_and_leaves_no_will_behind() {
    for broker in Broker::each() {
        let ear = Ear::open(broker.addr, &["valves/#", "tarewell/status"]);
        let house = House::at(broker.addr);
        let service = house.run(THREE);
        linked(&service, &["asked", "auto"]);
        for (topic, payload) in BOTH {
            ear.until("the closing at the start", is(topic, payload));
        }
        let mark = ear.mark();
        let (code, took) = service.stop();
        assert_eq!(code, 0);
        assert!(took < Duration::from_secs(5), "{took:?}");
        for (topic, payload) in BOTH {
            ear.after(mark, "the closing at the end", is(topic, payload));
        }
        ear.after(mark, "the end", is("tarewell/status", "offline"));
    }
}

#[test]
fn a_kill_makes_the_broker_close() {
    for broker in Broker::each() {
        let ear = Ear::open(broker.addr, &["valves/#"]);
        let house = House::at(broker.addr);
        let service = house.run(THREE);
        linked(&service, &["asked", "auto"]);
        for (topic, payload) in BOTH {
            ear.until("the closing at the start", is(topic, payload));
        }
        let (mark, killed) = (ear.mark(), Instant::now());
        service.kill();
        for (topic, payload) in BOTH {
            ear.after(mark, "the closing by the broker", is(topic, payload));
        }
        assert!(killed.elapsed() < Duration::from_secs(2), "{:?}", killed.elapsed());
        assert!(ear.on("valves/advised").is_empty());
    }
}

#[test]
fn a_stop_of_a_valve_that_opens_for_nobody_goes_by_the_main_connection() {
    let broker = Broker::embedded();
    let ear = Ear::open(broker.addr, &["valves/#"]);
    let house = House::at(broker.addr);
    let service = house.run(THREE);
    linked(&service, &["asked", "auto"]);
    assert!(ear.on("valves/advised").is_empty());
    assert_eq!(ear.ask("tarewell/valves/advised/command", "stop")["ok"], true);
    ear.until("the closing", is("valves/advised", "OFF"));
    assert_eq!(ear.ask("tarewell/valves/advised/command", "run")["ok"], false);
    let mark = ear.mark();
    assert_eq!(ear.ask("tarewell/command", "stop")["ok"], true);
    for (topic, payload) in [BOTH[0], BOTH[1], ("valves/advised", "OFF")] {
        ear.after(mark, "the closing", is(topic, payload));
    }
}

/// The master of a supply has no mode of its own.
#[test]
fn a_master_has_a_connection_when_a_valve_behind_it_may_open() {
    let broker = Broker::embedded();
    let ear = Ear::open(broker.addr, &["valves/#"]);
    let body = THREE.replace("mode: auto,", "mode: auto, supply: tank,")
        + "  main: {topic: valves/main, open: 'on {seconds}', close: 'off'}\nsupplies: {tank: {master: main}}\n";
    let house = House::at(broker.addr);
    let service = house.run(&body);
    linked(&service, &["asked", "auto", "main"]);
    ear.until("the closing at the start", is("valves/main", "off"));
    let mark = ear.mark();
    service.kill();
    ear.after(mark, "the closing by the broker", is("valves/main", "off"));
}

/// Nothing may open that the store does not know of.
#[test]
fn a_store_that_cannot_be_written_opens_nothing_and_is_told_until_it_can() {
    let broker = Broker::embedded();
    let drip = Drip::start(broker.addr, "house");
    let house = drip.house();
    let service = house.start();
    drip.ready(&service);
    let other = Connection::open(house.store()).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    drip.say("run");
    drip.shows(|valve| valve["locked"]["reason"] == "store");
    let refused = drip.ask("run");
    assert!(refused["error"].as_str().unwrap().contains("the store cannot be written"), "{refused}");
    other.execute_batch("COMMIT").unwrap();
    drip.shows(|valve| valve["locked"].is_null() && valve["plan"].is_object());
    assert_eq!(drip.opened(), Vec::<bool>::new(), "opened without a journal");
}

#[test]
fn a_watering_is_in_the_journal_before_it_opens_and_ends_when_it_is_told_to() {
    for broker in Broker::each() {
        let drip = Drip::start(broker.addr, "house");
        let house = drip.house();
        let service = house.start();
        drip.ready(&service);
        let answer = drip.ask(r#"{"command":"run","volume_ml":40}"#);
        assert_eq!(answer["ok"], true, "{answer}");
        let closed = drip.event("valve-closed");
        assert_eq!(closed["by"], "tarewell");
        assert_eq!(drip.ask("stop")["ok"], true);
        let ended = drip.event("watering-ended");
        assert_eq!(ended["reason"], "stopped");
        // Two pulses of 20 mL are 5 s each; the first is over.
        assert_eq!(drip.opened(), [true]);
        assert!(!drip.is_open() && (4.0..7.0).contains(&drip.open_s()), "{}", drip.open_s());
        assert_eq!(service.stop().0, 0);
    }
}

#[test]
fn a_clean_stop_of_a_watering_closes_it_and_keeps_and_tells_what_it_gave() {
    for broker in Broker::each() {
        let drip = Drip::start(broker.addr, "house");
        let house = drip.house();
        let service = house.start();
        drip.ready(&service);
        assert_eq!(drip.ask(r#"{"command":"run","volume_ml":90}"#)["ok"], true);
        drip.event("valve-opened");
        std::thread::sleep(Duration::from_secs(3));
        assert!(drip.is_open());
        let (code, took) = service.stop();
        assert!(code == 0 && took < Duration::from_secs(5), "{code} {took:?}");
        assert!(!drip.is_open());
        let ended = drip.event("watering-ended");
        assert_eq!(ended["reason"], "stopped");
        let told = ended["delivered_ml"].as_f64().unwrap();
        // 4 mL/s; what is on its way is not known of a valve that has not watered before, 3 s of flow at most.
        let gave = 4.0 * drip.open_s();
        assert!((told - gave).abs() <= 14.0, "{told} of {gave}");
        assert!(house.entry().is_none(), "nothing is left to be settled");
        let kept: f64 = house.poured();
        assert!((kept - told).abs() < 0.2, "{kept} kept, {told} told");
    }
}

/// So many houses at once, and so often is each killed, for each broker.
const HOUSES: usize = 10;
const KILLS: usize = 5;

#[test]
fn killed_at_any_moment_of_a_watering_the_valve_is_closed_and_opened_by_nobody_again() {
    let brokers = Broker::each();
    let lives = brokers.iter().flat_map(|broker| (0..HOUSES).map(|n| (broker.addr, format!("house-{n}"))));
    let lives: Vec<_> = lives.map(|(at, base)| std::thread::spawn(move || live_and_die(at, &base))).collect();
    let many = lives.len() * KILLS;
    let opened: usize = lives.into_iter().map(|life| life.join().unwrap()).sum();
    println!("{opened} openings in {many} lives");
    assert!(opened > many / 4, "hardly any was killed while it watered: {opened}");
}

/// Waters, is killed, and starts again, over and over; how often the valve was opened.
fn live_and_die(at: std::net::SocketAddr, base: &str) -> usize {
    let drip = Drip::start(at, base);
    let mut dice = Dice::new();
    let mut opened = 0;
    for life in 0..KILLS {
        drip.anew();
        let house = drip.house();
        let service = house.start();
        drip.ready(&service);
        // Half of them while the order is on its way, through engine, store and broker; half while water runs or settles.
        let moment = if life % 2 == 0 {
            drip.say("run");
            dice.below(30_000)
        } else {
            let answer = drip.ask("run");
            assert_eq!(answer["ok"], true, "{base}, life {life}: {answer}");
            dice.below(8_000_000)
        };
        let moment = Duration::from_micros(moment);
        std::thread::sleep(moment);
        let (mark, killed) = (drip.mark(), Instant::now());
        service.kill();
        drip.after(mark, "the closing by the broker", |payload| payload == CLOSE);
        assert!(killed.elapsed() < Duration::from_secs(2), "{base}, life {life}, killed after {moment:?}");
        let known = drip.opened();
        assert!(known.iter().all(|known| *known), "{base}, life {life}: opened without a journal: {known:?}");
        // Planned: 100 mL in pulses of 20 mL with a second of rest.
        assert!(
            known.len() <= 5 && drip.open_s() <= 33.0,
            "{base}, life {life}: {} for {} s",
            known.len(),
            drip.open_s()
        );
        opened += known.len();

        // The same need is not watered again, by itself or when asked, before what was given is known.
        let was_cut_off = house.entry().is_some();
        let before = drip.opened().len();
        let service = house.start();
        drip.closed_after(mark);
        drip.linked(&service);
        let answer = drip.ask("run");
        if was_cut_off {
            assert_eq!(answer["ok"], false, "{base}, life {life}, killed after {moment:?}: {answer}");
        }
        if answer["ok"] == Value::Bool(false) {
            drip.hears_nothing_but_closing(before);
        }
        service.kill();
    }
    opened
}

/// A device that somebody else opens is seen on the valve's own connection.
#[test]
fn an_order_of_somebody_else_is_seen() {
    let broker = Broker::embedded();
    let _scale = Scale::start(broker.addr, "house/s1", &[2600.0, 2601.0]);
    let ear = Ear::open(broker.addr, &["valves/#", "tarewell/#"]);
    let house = House::at(broker.addr);
    let service = house.run(THREE);
    linked(&service, &["asked", "auto"]);
    let mark = ear.mark();
    ear.say("valves/asked", "ON 600");
    let opened = ear.event(mark, "valve-opened");
    assert_eq!((&opened["id"], &opened["by"]), (&json!("asked"), &json!("other")));
}
