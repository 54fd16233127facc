//! Orders that come late, and orders of two programs: what a stalled line, a device that was away, and a second tarewell can make of them
//! (`water-safety`, S1 and S5).

use crate::bench::{Broker, Service};
use crate::drip::{CLOSE, Drip, Nest};
use crate::proxy::Proxy;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::ConnectProperties;
use rumqttc::v5::{Client, Event, Incoming, MqttOptions};
use std::net::SocketAddr;
use std::time::{Duration, Instant};

fn is_open(order: &str) -> bool {
    order.contains("ON")
}

/// A line to the broker that stands still, with an order to open in it.
struct HeldUp {
    // Ended in this order.
    _service: Service,
    _house: Nest,
    line: Proxy,
    drip: Drip,
    mark: usize,
    at: Instant,
}

impl HeldUp {
    fn with_an_order_in_it(broker: &Broker) -> Self {
        let drip = Drip::start(broker.addr, "house");
        let line = Proxy::to(broker.addr);
        let house = drip.house_by(line.addr);
        let service = house.start();
        drip.ready(&service);
        let mark = drip.mark();
        line.hold_up();
        let at = Instant::now();
        drip.say("run");
        service.logged("order=Open");
        Self { _service: service, _house: house, line, drip, mark, at }
    }
}

/// The line to the broker stands still with the order in it, for less than the broker waits: order and closing then come together.
#[test]
fn an_order_that_was_held_up_for_seconds_is_closed_in_the_same_breath() {
    for broker in Broker::each() {
        let held_up = HeldUp::with_an_order_in_it(&broker);
        let (drip, line, mark, held) = (&held_up.drip, &held_up.line, held_up.mark, held_up.at);
        // A pulse of 20 mL takes 5 s, and no report is waited for longer: it is ordered closed, behind the order to open on the same line.
        std::thread::sleep(Duration::from_secs(7));
        line.mend();
        drip.after(mark, "the order that was held up, or its closing", |order| order == CLOSE);
        std::thread::sleep(Duration::from_secs(1));
        assert!(
            !drip.is_open() && drip.open_s() < 1.0,
            "held up for {:?}, open for {} s",
            held.elapsed(),
            drip.open_s()
        );
        let orders = drip.orders();
        let opens: Vec<usize> = (mark..orders.len()).filter(|place| is_open(&orders[*place])).collect();
        assert!(opens.len() <= 1, "{orders:?}");
        assert!(opens.iter().all(|place| orders.get(place + 1).is_some_and(|next| next == CLOSE)), "{orders:?}");
    }
}

/// For longer than the broker waits for a sign of life: it has closed the valve itself, and what is in the line goes nowhere.
#[test]
fn an_order_that_was_held_up_for_longer_than_the_broker_waits_reaches_nobody() {
    for broker in Broker::each() {
        let held_up = HeldUp::with_an_order_in_it(&broker);
        let (drip, line, mark, held) = (&held_up.drip, &held_up.line, held_up.mark, held_up.at);
        drip.after(mark, "the closing by the broker", |order| order == CLOSE);
        // Keep-alive 10 s, and half as long again (MQTT 5.0, section 3.1.2.10); brokers look every few seconds.
        assert!(held.elapsed() < Duration::from_secs(22), "{}: {:?}", broker.name, held.elapsed());
        std::thread::sleep(Duration::from_secs(2));
        let mark = drip.mark();
        line.mend();
        drip.after(mark, "the closing of the next connection", |order| order == CLOSE);
        std::thread::sleep(Duration::from_secs(2));
        assert!(!drip.orders().iter().any(|order| is_open(order)), "{}: {:?}", broker.name, drip.orders());
        assert!(drip.open_s() < f64::EPSILON);
    }
}

/// A device whose broker keeps what it missed: the order is given to it for three seconds, and to nobody after.
#[test]
fn an_order_to_a_device_that_was_away_expires() {
    for broker in Broker::each() {
        let drip = Drip::start(broker.addr, "house");
        let house = drip.house();
        let service = house.start();
        drip.ready(&service);
        // It is known to the broker, and away.
        let device = Sleeper { at: broker.addr, topic: "house/valve/set" };
        assert_eq!(device.wakes(Duration::from_secs(1)), Vec::<String>::new());
        assert_eq!(drip.ask("run")["ok"], true);
        drip.after(0, "the order", is_open);
        std::thread::sleep(Duration::from_millis(4500));
        let missed = device.wakes(Duration::from_secs(1));
        assert!(!missed.iter().any(|order| is_open(order)), "{}: {missed:?}", broker.name);
    }
}

/// A device with a session that outlasts its connection.
struct Sleeper {
    at: SocketAddr,
    topic: &'static str,
}

impl Sleeper {
    /// Connects for so long, and gives what it was told.
    fn wakes(&self, lasts: Duration) -> Vec<String> {
        let mut options = MqttOptions::new("a-sleeper", self.at.ip().to_string(), self.at.port());
        options.set_clean_start(false);
        let expires = ConnectProperties { session_expiry_interval: Some(600), ..ConnectProperties::new() };
        options.set_connect_properties(expires);
        let (client, mut connection) = Client::new(options, 10);
        client.subscribe(self.topic, QoS::AtLeastOnce).unwrap();
        let end = Instant::now() + lasts;
        let mut heard = Vec::new();
        while let Some(left) = end.checked_duration_since(Instant::now()) {
            if let Ok(Ok(Event::Incoming(Incoming::Publish(order)))) = connection.recv_timeout(left) {
                heard.push(String::from_utf8_lossy(&order.payload).into_owned());
            }
        }
        let _ = client.disconnect();
        let _ = connection.recv_timeout(Duration::from_millis(200));
        heard
    }
}

/// Two programs that believe that the valve is theirs: the second closes what the first has opened, and neither opens it behind the
/// other's back.
#[test]
fn a_second_program_of_the_same_name_closes_the_valve_and_opens_nothing() {
    for broker in Broker::each() {
        let drip = Drip::start(broker.addr, "house");
        let (house, other) = (drip.house(), drip.house());
        let service = house.start();
        drip.ready(&service);
        assert_eq!(drip.ask(r#"{"command":"run","volume_ml":90}"#)["ok"], true);
        drip.after(0, "the order", is_open);
        let mark = drip.mark();
        let begun = Instant::now();
        let second = other.start();
        drip.after(mark, "the closing", |order| order == CLOSE);
        assert!(begun.elapsed() < Duration::from_secs(8), "{}: {:?}", broker.name, begun.elapsed());
        let words = "Another program has connected";
        while !(service.says(words) || second.says(words)) {
            assert!(begun.elapsed() < Duration::from_secs(30), "{}: neither says so", broker.name);
            std::thread::sleep(Duration::from_millis(50));
        }
        std::thread::sleep(Duration::from_secs(2));
        assert!(!drip.is_open(), "{}: {:?}", broker.name, drip.orders());
        assert_eq!(drip.orders().iter().filter(|order| is_open(order)).count(), 1, "{:?}", drip.orders());
    }
}
