//! Start, stop, death, and a broker that comes and goes.

use crate::bench::{Broker, House, PATIENCE, Service, TWO, finish, tarewell};
use crate::ear::{Ear, Scale};
use crate::http;
use crate::proxy::Proxy;
use serde_json::{Value, json};
use std::fs;
use std::net::TcpListener;
use std::time::{Duration, Instant};

const STATUS: &str = "tarewell/status";
const DRY: &str = "tarewell/alerts/dry/leek-1";

fn status(ear: &Ear, mark: usize, wanted: &str) {
    ear.after(mark, &format!("status {wanted}"), |m| (m.topic == STATUS && m.text() == wanted).then_some(()));
}

/// What the broker keeps on these topics now, as somebody who comes later sees it.
fn retained(broker: std::net::SocketAddr, filter: &str) -> Vec<(String, String)> {
    let late = Ear::open(broker, &[filter]);
    // What is retained comes before what is said after the subscription.
    let end = format!("end/{}", late.mark());
    late.hear(&[&end]);
    late.say(&end, "");
    late.until("the end", |m| (m.topic == end).then_some(()));
    let kept = late.on("").into_iter().filter(|m| m.retained && m.topic != end);
    kept.map(|m| (m.topic.clone(), m.text().to_owned())).collect()
}

#[test]
fn status_is_online_and_offline_by_will_and_at_a_clean_stop() {
    for broker in Broker::each() {
        let house = House::at(broker.addr);
        let ear = Ear::open(broker.addr, &["tarewell/#"]);
        let service = house.run(TWO);
        let online = ear.until("online", |m| (m.topic == STATUS).then(|| m.clone()));
        assert_eq!((online.text(), online.retained, online.qos), ("online", true, 1), "{}", broker.name);
        let mark = ear.mark();
        service.kill();
        status(&ear, mark, "offline");
        assert_eq!(retained(broker.addr, STATUS), [(STATUS.to_owned(), "offline".to_owned())], "{}", broker.name);
        let mark = ear.mark();
        let service = house.again();
        status(&ear, mark, "online");
        let mark = ear.mark();
        let (code, took) = service.stop();
        assert_eq!(code, 0);
        assert!(took < Duration::from_secs(5), "{took:?}");
        status(&ear, mark, "offline");
    }
}

#[test]
fn it_stops_in_time_though_the_broker_hangs() {
    let broker = Broker::embedded();
    let proxy = Proxy::to(broker.addr);
    let house = House::at(proxy.addr);
    let service = house.run(TWO);
    service.logged("Connected to the broker");
    proxy.hold();
    let (code, took) = service.stop();
    assert_eq!(code, 0);
    assert!(took < Duration::from_secs(5), "{took:?}");
}

#[test]
fn it_stops_in_time_though_the_broker_never_answers() {
    let silent = TcpListener::bind("127.0.0.1:0").unwrap();
    let house = House::at(silent.local_addr().unwrap());
    let service = house.run(TWO);
    service.logged("Started Test house");
    let connection = silent.accept().unwrap();
    assert_eq!(http::get(service.web(), "/health").1["broker"], false);
    let (code, took) = service.stop();
    assert_eq!(code, 0);
    assert!(took < Duration::from_secs(5), "{took:?}");
    drop(connection);
}

#[test]
fn what_an_earlier_run_left_is_cleared_and_nothing_else() {
    for broker in Broker::each() {
        let ear = Ear::open(broker.addr, &["tarewell/#", "home/#"]);
        let gone = [
            "tarewell/flats/beet-1",
            "tarewell/stands/s9",
            "tarewell/valves/old-drip",
            "tarewell/alerts/dry/beet-1",
            "tarewell/alerts/stand-silent/s9",
            // Known, but not raised any more.
            DRY,
        ];
        let kept = ["tarewell/notes/mine", "tarewell/flats/beet-1/note", "home/flats/beet-1", "tarewell2/flats/beet-1"];
        for topic in gone.iter().chain(&kept) {
            ear.retain(topic, r#"{"left":true}"#);
        }
        let house = House::at(broker.addr);
        let mark = ear.mark();
        let service = house.run(TWO);
        for topic in gone {
            ear.after(mark, &format!("{topic} to be cleared"), |m| {
                (m.topic == topic && m.payload.is_empty() && m.retained).then_some(())
            });
        }
        assert_eq!(service.stop().0, 0);
        let left: Vec<String> = retained(broker.addr, "#").into_iter().map(|(topic, _)| topic).collect();
        for topic in gone {
            assert!(!left.iter().any(|known| known == topic), "{topic} on {}", broker.name);
        }
        for topic in kept.iter().chain(&["tarewell/flats/leek-1", "tarewell/stands/s1", STATUS]) {
            assert!(left.iter().any(|known| known == topic), "{topic} on {}", broker.name);
        }
    }
}

#[test]
fn a_flat_gone_from_the_file_is_cleared_and_its_alert_forgotten() {
    let broker = Broker::embedded();
    let house = House::at(broker.addr);
    let ear = Ear::open(broker.addr, &["tarewell/#"]);
    let service = house.run(TWO);
    let scale = Scale::start(broker.addr, "house/s1", &[2100.0, 2101.0]);
    ear.state(0, DRY, Value::is_object);
    service.kill();
    drop(scale);
    let mark = ear.mark();
    let service = house.run(
        "\nstands: {s2: {topic: house/s2}}\nflats: {leek-2: {label: Second leeks, stand: s2, dry_weight: 2000 g, capacity_weight: 3000 g}}\n",
    );
    for topic in [DRY, "tarewell/flats/leek-1", "tarewell/stands/s1"] {
        ear.after(mark, &format!("{topic} to be cleared"), |m| {
            (m.topic == topic && m.payload.is_empty()).then_some(())
        });
    }
    let (_, site) = http::get(service.web(), "/api/site");
    assert_eq!((site["flats"].as_array().unwrap().len(), &site["alerts"]), (1, &json!([])));
}

#[test]
fn everything_is_published_again_after_each_connect() {
    for broker in Broker::each() {
        let proxy = Proxy::to(broker.addr);
        let house = House::at(proxy.addr);
        let ear = Ear::open(broker.addr, &["tarewell/#"]);
        let service = house.run(TWO);
        let scale = Scale::start(broker.addr, "house/s1", &[2100.0, 2101.0]);
        ear.state(0, DRY, Value::is_object);
        drop(scale);
        let mark = ear.mark();
        proxy.cut();
        status(&ear, mark, "offline");
        let mark = ear.mark();
        proxy.mend();
        status(&ear, mark, "online");
        for topic in ["tarewell/flats/leek-1", "tarewell/flats/leek-2", "tarewell/stands/s1", "tarewell/stands/s2", DRY]
        {
            ear.state(mark, topic, Value::is_object);
        }
        assert_eq!(ear.on("tarewell/events").iter().filter(|m| m.json()["event"] == "alert-raised").count(), 1);
        assert_eq!(service.stop().0, 0);
    }
}

#[test]
fn an_alert_that_ends_while_the_broker_is_away_is_cleared_there_too() {
    for broker in Broker::each() {
        let proxy = Proxy::to(broker.addr);
        let house = House::at(proxy.addr);
        let ear = Ear::open(broker.addr, &["tarewell/#"]);
        let service = house.run(TWO);
        let scale = Scale::start(broker.addr, "house/s1", &[2200.0, 2201.0]);
        ear.state(0, DRY, Value::is_object);
        drop(scale);
        proxy.cut();
        service.logged("not connected");
        assert_eq!(http::get(service.web(), "/health").1["broker"], false);
        let mark = ear.mark();
        let set = r#"{"command":"set","low":0.05,"water_at":0.1}"#;
        assert_eq!(http::post(service.web(), "/api/flats/leek-1/command", set).0, 200);
        proxy.mend();
        ear.after(mark, "the alert to be cleared", |m| (m.topic == DRY && m.payload.is_empty()).then_some(()));
        // What happened meanwhile is told afterwards.
        let cleared = ear.event(mark, "alert-cleared");
        assert_eq!((&cleared["kind"], &cleared["id"]), (&json!("dry"), &json!("leek-1")));
        assert!(retained(broker.addr, "tarewell/alerts/#").is_empty(), "{}", broker.name);
        assert_eq!(http::get(service.web(), "/health").1["broker"], true);
    }
}

#[test]
fn of_two_with_the_same_base_one_stays_away() {
    for broker in Broker::each() {
        let (one, other) = (House::at(broker.addr), House::at(broker.addr));
        let (one, other) = (one.run(TWO), other.run(TWO));
        let begun = Instant::now();
        let words = "Another program has connected with the same client id";
        while !one.says(words) && !other.says(words) {
            assert!(
                begun.elapsed() < PATIENCE,
                "neither says so on {}:\n{}\n\n{}",
                broker.name,
                one.log(),
                other.log()
            );
            std::thread::sleep(Duration::from_millis(50));
        }
        assert_eq!((one.stop().0, other.stop().0), (0, 0));
    }
}

#[test]
fn the_broker_may_come_later() {
    let port = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let house = House::at(port);
    let service = house.run(TWO);
    service.logged("not connected");
    let line = house.path("broker.yaml");
    // Another instance, under another base, as the broker.
    fs::write(
        &line,
        format!("broker: {{embedded: {{listen: \"{port}\"}}}}\nsite: {{base_topic: other}}\nstore: other.db\nstands: {{}}\nflats: {{}}\n"),
    )
    .unwrap();
    let other = Service::start(&line);
    let ear = Ear::open(other.broker(), &["tarewell/#"]);
    status(&ear, 0, "online");
    assert_eq!(service.stop().0, 0);
}

#[test]
fn what_keeps_it_from_starting_is_said_with_exit_code_1() {
    let run = |house: &House| {
        let mut command = tarewell();
        command.arg("run").arg("--config").arg(house.path("tarewell.yaml"));
        finish(command)
    };
    let taken = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = taken.local_addr().unwrap();
    for head in [
        format!("broker: {{embedded: {{listen: \"{port}\"}}}}\n"),
        format!("broker: {{embedded: {{listen: 127.0.0.1:0}}}}\nweb: \"{port}\"\n"),
    ] {
        let house = House::with(&head);
        house.write(TWO);
        let (code, _, told) = run(&house);
        assert_eq!(code, 1, "{told}");
        assert!(told.contains(&port.to_string()), "{told}");
    }

    let house = House::own_broker();
    let first = house.run(TWO);
    first.logged("Started Test house");
    let (code, _, told) = run(&house);
    assert_eq!(code, 1, "{told}");
    assert!(told.contains("tarewell.db") && told.contains("another"), "{told}");
    let ear = Ear::open(first.broker(), &["tarewell/#"]);
    status(&ear, 0, "online");

    let house = House::with("broker: {embedded: {listen: 127.0.0.1:0}}\nstore: no/such/folder/tarewell.db\n");
    house.write(TWO);
    let (code, _, told) = run(&house);
    assert_eq!(code, 1, "{told}");
    assert!(told.contains("no/such/folder"), "{told}");
}
