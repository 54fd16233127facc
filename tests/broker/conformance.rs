//! The same things, with every broker there is to try: the embedded one always, Mosquitto where it can be had.

use super::ears::{Ears, SHORT, hear, settings, start};
use super::mosquitto::Mosquitto;
use super::proxy::Proxy;
use super::stock::Stock;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::PublishProperties;
use std::net::SocketAddr;
use std::time::Duration;
use tarewell::broker::{Embedded, Settings as BrokerSettings};
use tarewell::mqtt::{Client, Delivery, Heard, Outgoing, Settings, Subscription, Timing, Will};

const STATE: Delivery = Delivery::State { qos1: false };

/// A broker that can be stopped and started.
enum Broker {
    Embedded(Option<Embedded>, SocketAddr),
    Mosquitto(Mosquitto),
}

impl Broker {
    async fn embedded(listen: SocketAddr) -> Embedded {
        let base = "bench".to_owned();
        Embedded::start(BrokerSettings { listen, users: vec![], base, valve_topics: vec![] }).await.unwrap()
    }

    fn addr(&self) -> SocketAddr {
        match self {
            Self::Embedded(_, addr) => *addr,
            Self::Mosquitto(mosquitto) => mosquitto.addr(),
        }
    }

    async fn stop(&mut self) {
        match self {
            Self::Embedded(broker, _) => broker.take().unwrap().stop().await,
            Self::Mosquitto(mosquitto) => mosquitto.stop().await,
        }
    }

    async fn start(&mut self) {
        match self {
            Self::Embedded(broker, addr) => *broker = Some(Self::embedded(*addr).await),
            Self::Mosquitto(mosquitto) => mosquitto.start_again().await,
        }
    }
}

#[tokio::test]
async fn with_the_embedded_broker() {
    let embedded = Broker::embedded("127.0.0.1:0".parse().unwrap()).await;
    let addr = embedded.addr();
    let mut broker = Broker::Embedded(Some(embedded), addr);
    all(&mut broker).await;
    broker.stop().await;
}

#[tokio::test]
async fn with_mosquitto() {
    let Some(mosquitto) = Mosquitto::start().await else { return };
    println!("{} on {}", mosquitto.kind(), mosquitto.addr());
    all(&mut Broker::Mosquitto(mosquitto)).await;
}

async fn all(broker: &mut Broker) {
    let at = broker.addr();
    readings_come_in(at).await;
    states_are_kept_replaced_and_cleared(at).await;
    a_command_shows_whether_it_was_retained(at).await;
    a_request_is_answered(at).await;
    the_will_speaks_when_the_client_vanishes_and_only_then(at).await;
    a_session_taken_over(at).await;
    a_wire_cut_and_mended(at).await;
    a_slow_wire(at).await;
    a_restart(broker).await;
}

async fn up(settings: Settings) -> (Client, Ears) {
    let (client, mut ears) = start(settings);
    ears.up().await;
    (client, ears)
}

async fn readings_come_in(at: SocketAddr) {
    println!("readings of QoS 0 and 1 come in, in order");
    let (client, mut ears) = up(settings(at, "bench", &["scales/+"])).await;
    let stock = Stock::connect(at, "scale", None).await;
    // The order is promised within one quality of service only (MQTT 5.0 section 4.6).
    for qos in [QoS::AtLeastOnce, QoS::AtMostOnce] {
        for n in 0..1_000 {
            stock.client.publish("scales/7", qos, false, n.to_string()).await.unwrap();
        }
        for n in 0..1_000 {
            let message = ears.message().await;
            assert_eq!((message.topic(), message.retained()), ("scales/7", false));
            assert_eq!(message.payload(), n.to_string().as_bytes());
        }
    }
    client.stop().await;
}

async fn states_are_kept_replaced_and_cleared(at: SocketAddr) {
    println!("states are kept, replaced and cleared");
    let (client, _ears) = up(settings(at, "bench", &["scales/+"])).await;
    for payload in ["first", "second"] {
        client.publish(Outgoing::new("bench/flats/a", payload, Delivery::State { qos1: true }));
    }
    client.publish(Outgoing::new("bench/flats/b", "gone", STATE));
    client.publish(Outgoing::new("bench/flats/b", "", STATE));
    client.publish(Outgoing::new("bench/flats/z", "end", STATE));
    let mut live = Stock::connect(at, "live", None).await;
    live.hear("bench/flats/z").await;
    assert_eq!(live.text().await.1, "end");
    let mut later = Stock::connect(at, "later", None).await;
    later.hear("bench/flats/a").await;
    let kept = later.publish().await;
    assert_eq!((&kept.payload[..], kept.retain), (&b"second"[..], true));
    // What is cleared does not come: the next thing on that subscription is what is said after it.
    later.hear("bench/flats/b").await;
    client.publish(Outgoing::new("bench/flats/b", "new", STATE));
    assert_eq!(later.text().await, ("bench/flats/b".into(), "new".into()));
    for topic in ["bench/flats/a", "bench/flats/b", "bench/flats/z"] {
        client.publish(Outgoing::new(topic, "", STATE));
    }
    client.stop().await;
}

async fn a_command_shows_whether_it_was_retained(at: SocketAddr) {
    println!("a command shows whether it was retained");
    let commands = Subscription { retain_as_published: true, ..hear("bench/command") };
    let subscriptions = vec![commands, hear("scales/1")];
    let (client, mut ears) = up(Settings { subscriptions, ..settings(at, "bench", &[]) }).await;
    let stock = Stock::connect(at, "phone", None).await;
    for (topic, retain, shows) in
        [("bench/command", false, false), ("bench/command", true, true), ("scales/1", true, false)]
    {
        stock.say(topic, "x", retain).await;
        let message = ears.message().await;
        assert_eq!((message.topic(), message.retained()), (topic, shows));
        if retain {
            stock.say(topic, "", true).await;
            assert!(ears.message().await.payload().is_empty());
        }
    }
    client.stop().await;
}

async fn a_request_is_answered(at: SocketAddr) {
    println!("a request is answered where and as its sender wants");
    let (client, mut ears) = up(settings(at, "bench", &["bench/command"])).await;
    let mut stock = Stock::connect(at, "phone", None).await;
    stock.hear("phone/answers").await;
    let properties = PublishProperties {
        response_topic: Some("phone/answers".into()),
        correlation_data: Some(b"c-7".to_vec().into()),
        ..PublishProperties::default()
    };
    stock.ask("bench/command", "pause", properties).await;
    let message = ears.message().await;
    assert_eq!(message.payload(), b"pause");
    let answer = Outgoing {
        correlation: message.correlation().map(<[u8]>::to_vec),
        expiry_s: Some(60),
        ..Outgoing::new(message.response_topic().unwrap(), "{\"ok\":true}", Delivery::Once { qos1: true })
    };
    client.publish(answer);
    let answer = stock.publish().await;
    assert_eq!(&answer.payload[..], b"{\"ok\":true}");
    let properties = answer.properties.unwrap();
    assert_eq!(properties.correlation_data.as_deref(), Some(&b"c-7"[..]));
    assert!(properties.message_expiry_interval.is_some_and(|left| (55..=60).contains(&left)));
    client.stop().await;
}

async fn the_will_speaks_when_the_client_vanishes_and_only_then(at: SocketAddr) {
    println!("the will speaks when the client vanishes, and only then");
    let status = |payload: &str| Outgoing::new("bench/status", payload, Delivery::State { qos1: true });
    let with_will = || {
        let payload = b"offline by will".to_vec();
        let will = Will { topic: "bench/status".into(), payload, retain: true, qos1: true };
        Settings { will: Some(will), ..settings(at, "bench", &["scales/+"]) }
    };
    let mut stock = Stock::connect(at, "watcher", None).await;
    stock.hear("bench/status").await;

    let (client, _ears) = up(with_will()).await;
    client.publish(status("online"));
    assert_eq!(stock.text().await.1, "online");
    drop(client);
    assert_eq!(stock.text().await.1, "offline by will");

    let (client, _ears) = up(with_will()).await;
    client.publish(status("online"));
    client.publish(status("offline"));
    client.stop().await;
    stock.say("bench/status", "", true).await;
    let mut said = Vec::new();
    while said.last().is_none_or(|text: &String| !text.is_empty()) {
        said.push(stock.text().await.1);
    }
    // "online" may have been replaced before it went out.
    said.retain(|text| text != "online");
    assert_eq!(said, ["offline", ""]);
}

/// Two instances with one client id push each other off. Neither broker says so (Mosquitto 2.0.11 and mqtt5 0.49 just
/// close); the first to notice stays away.
async fn a_session_taken_over(at: SocketAddr) {
    println!("a session taken over is told, and it comes back later");
    let (one, mut ears_of_one) = up(settings(at, "bench", &["scales/+"])).await;
    let (other, mut ears_of_other) = up(settings(at, "bench", &["scales/+"])).await;
    let taken_over = |heard: &Heard| matches!(heard, Heard::TakenOver).then_some(());
    let (away, mut ears, there) = tokio::select! {
        () = ears_of_one.until(taken_over) => (one, ears_of_one, other),
        () = ears_of_other.until(taken_over) => (other, ears_of_other, one),
    };
    let (why, pause) = ears.down().await;
    assert!(why.contains("running twice"), "{why}");
    assert_eq!(pause, SHORT.stay_away);
    there.stop().await;
    ears.up().await;
    away.stop().await;
}

async fn a_wire_cut_and_mended(at: SocketAddr) {
    println!("a wire cut and mended");
    let proxy = Proxy::to(at).await;
    let (client, mut ears) = up(settings(proxy.addr, "bench", &["scales/+"])).await;
    let mut stock = Stock::connect(at, "scale", None).await;
    stock.hear("bench/#").await;
    proxy.cut();
    ears.down().await;
    client.publish(Outgoing::new("bench/flats/a", "late", Delivery::Once { qos1: true }));
    client.publish(Outgoing::new("bench/events", "e1", Delivery::Event));
    ears.down().await;
    proxy.mend(at);
    ears.up().await;
    // Not "late": what is not an event is not carried over.
    assert_eq!(stock.text().await, ("bench/events".into(), "e1".into()));
    stock.say("scales/7", "3410", false).await;
    assert_eq!(ears.text().await, ("scales/7".into(), "3410".into()));
    client.stop().await;
}

async fn a_slow_wire(at: SocketAddr) {
    println!("a slow wire: states are replaced, readings and events all come");
    const ROUNDS: usize = 400;
    let proxy = Proxy::to(at).await;
    proxy.slow(100_000);
    let timing = Timing { watchdog: Some(Duration::from_secs(15)), ..SHORT };
    let (client, mut ears) = up(Settings { timing, ..settings(proxy.addr, "bench", &["scales/+"]) }).await;
    let mut stock = Stock::connect(at, "scale", None).await;
    stock.hear("bench/flats/slow").await;
    for round in 0..ROUNDS {
        let payload = format!("{round:03}{}", "x".repeat(10_000));
        client.publish(Outgoing::new("bench/flats/slow", payload, Delivery::State { qos1: true }));
        stock.say("scales/7", &round.to_string(), false).await;
        tokio::task::yield_now().await;
    }
    for round in 0..ROUNDS {
        assert_eq!(ears.text().await.1, round.to_string());
    }
    let last = format!("{:03}", ROUNDS - 1);
    let mut received = 1;
    while !stock.text().await.1.starts_with(&last) {
        received += 1;
    }
    assert!(received < ROUNDS / 4, "{received} of {ROUNDS} states went out");
    client.publish(Outgoing::new("bench/flats/slow", "", Delivery::State { qos1: true }));
    client.stop().await;
}

async fn a_restart(broker: &mut Broker) {
    println!("the broker is restarted");
    // A restarted container has another port; the wire leads there.
    let proxy = Proxy::to(broker.addr()).await;
    let (client, mut ears) = up(settings(proxy.addr, "bench", &["scales/+"])).await;
    broker.stop().await;
    ears.down().await;
    client.publish(Outgoing::new("bench/events", "while it was gone", Delivery::Event));
    proxy.cut();
    broker.start().await;
    let mut stock = Stock::connect(broker.addr(), "scale", None).await;
    stock.hear("bench/events").await;
    proxy.mend(broker.addr());
    ears.up().await;
    assert_eq!(stock.text().await.1, "while it was gone");
    stock.say("scales/7", "3410", false).await;
    assert_eq!(ears.text().await, ("scales/7".into(), "3410".into()));
    client.stop().await;
}
