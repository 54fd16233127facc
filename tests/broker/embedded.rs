//! Who may do what at the embedded broker.

use super::ears::{settings, start};
use super::stock::Stock;
use rumqttc::v5::Incoming;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{LastWill, PubAckReason};
use std::net::SocketAddr;
use tarewell::broker::{Embedded, Settings as BrokerSettings, User};
use tarewell::mqtt::{Delivery, Heard, Outgoing, Settings};

const STAND: Option<(&str, &str)> = Some(("stand", "st4nd"));
const PHONE: Option<(&str, &str)> = Some(("phone", "ph0ne"));

async fn guarded() -> (Embedded, SocketAddr) {
    let user = |name: &str, password: &str, commands| User { name: name.into(), password: password.into(), commands };
    let embedded = Embedded::start(BrokerSettings {
        listen: "127.0.0.1:0".parse().unwrap(),
        users: vec![user("stand", "st4nd", false), user("phone", "ph0ne", true)],
        base: "bench".into(),
        valve_topics: vec!["valves/1/set".into()],
    })
    .await
    .unwrap();
    let at = embedded.addr();
    (embedded, at)
}

fn own(embedded: &Embedded, filters: &[&str]) -> Settings {
    let login = embedded.own_login().unwrap();
    Settings {
        username: Some(login.name.clone()),
        password: Some(login.password.clone()),
        ..settings(embedded.addr(), "bench", filters)
    }
}

#[tokio::test]
async fn only_those_with_a_login_come_in() {
    let (embedded, at) = guarded().await;
    assert!(Stock::try_connect(at, "a", None).await.is_none());
    assert!(Stock::try_connect(at, "b", Some(("stand", "ph0ne"))).await.is_none());
    assert!(Stock::try_connect(at, "c", STAND).await.is_some());
    assert!(Stock::try_connect(at, "bench", PHONE).await.is_none(), "this client id is the program's own");
    let (_client, mut ears) = start(settings(at, "d", &["x"]));
    let why = ears.until(|heard| if let Heard::Refused(why) = heard { Some(why.clone()) } else { None }).await;
    assert!(why.contains("broker.username"), "{why}");
    embedded.stop().await;
}

#[tokio::test]
async fn a_stand_may_send_weights_and_order_nothing() {
    let (embedded, at) = guarded().await;
    let (client, mut ears) = start(own(&embedded, &["#"]));
    ears.up().await;
    let mut stand = Stock::connect(at, "stand-1", STAND).await;
    for (topic, allowed) in
        [("bench/flats/a/command", false), ("bench/status", false), ("valves/1/set", false), ("scales/1", true)]
    {
        stand.client.publish(topic, QoS::AtLeastOnce, false, "x").await.unwrap();
        let reason =
            stand.until(|packet| if let Incoming::PubAck(ack) = packet { Some(ack.reason) } else { None }).await;
        assert_eq!(reason != PubAckReason::NotAuthorized, allowed, "{topic}: {reason:?}");
    }
    let phone = Stock::connect(at, "phone-1", PHONE).await;
    phone.say("bench/flats/a/command", "undo", false).await;
    assert_eq!(ears.text().await, ("scales/1".into(), "x".into()));
    assert_eq!(ears.text().await, ("bench/flats/a/command".into(), "undo".into()));
    client.publish(Outgoing::new("bench/flats/a", "{}", Delivery::State { qos1: true }));
    assert_eq!(ears.text().await, ("bench/flats/a".into(), "{}".into()));
    client.stop().await;
    embedded.stop().await;
}

#[tokio::test]
async fn a_stands_last_will_orders_nothing_either() {
    let (embedded, at) = guarded().await;
    let (client, mut ears) = start(own(&embedded, &["#"]));
    ears.up().await;
    for (topic, id) in [("valves/1/set", "stand-1"), ("scales/1/available", "stand-2")] {
        let will = LastWill::new(topic, "gone", QoS::AtLeastOnce, false, None);
        drop(Stock::with_will(at, id, STAND, Some(will)).await.unwrap());
    }
    assert_eq!(ears.text().await, ("scales/1/available".into(), "gone".into()));
    client.stop().await;
    embedded.stop().await;
}

#[tokio::test]
async fn a_refused_publish_reaches_the_publisher() {
    let (embedded, at) = guarded().await;
    let login =
        Settings { username: Some("stand".into()), password: Some("st4nd".into()), ..settings(at, "s", &["x"]) };
    let (client, mut ears) = start(login);
    ears.up().await;
    client.publish(Outgoing::new("bench/events", "e1", Delivery::Event));
    let refused = ears.until(|heard| matches!(heard, Heard::PublishRefused { .. }).then(|| heard.clone())).await;
    assert_eq!(refused, Heard::PublishRefused { topic: "bench/events".into(), reason: "NotAuthorized".into() });
    client.stop().await;
    embedded.stop().await;
}
