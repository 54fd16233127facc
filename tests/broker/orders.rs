//! Orders to valves: on the connection there is and at once, or never (`water-safety`, S5).

use super::ears::{hear, settings, start};
use super::scripted::{Peer, Published as OnTheWire, Scripted, puback};
use tarewell::mqtt::{Delivery, Heard, Outgoing, Published, Settings, Subscription, Will};

const TOPIC: &str = "shed/valve-1/set";
/// Message Expiry Interval (MQTT 5.0, section 3.3.2.3.3): identifier 2, four bytes of seconds.
const THREE_SECONDS: [u8; 5] = [2, 0, 0, 0, 3];

fn open(payload: &str) -> Outgoing {
    Outgoing { expiry_s: Some(3), ..Outgoing::new(TOPIC, payload, Delivery::Order) }
}

fn close() -> Outgoing {
    Outgoing::new(TOPIC, "close", Delivery::Order)
}

async fn acknowledged(peer: &mut Peer) -> OnTheWire {
    let message = peer.publish().await;
    peer.write(&puback(message.id, 0)).await;
    message
}

#[tokio::test]
async fn an_order_is_of_qos_1_and_not_retained_and_only_opening_expires() {
    let broker = Scripted::bind().await;
    let (client, mut ears) = start(settings(broker.addr, "bench-valve-drip", &["a"]));
    let mut peer = broker.subscribed().await;
    ears.up().await;
    client.publish(open("open 72"));
    client.publish(close());
    let opening = acknowledged(&mut peer).await;
    assert_eq!((opening.topic.as_str(), opening.payload.as_slice()), (TOPIC, b"open 72".as_slice()));
    assert_eq!((opening.qos, opening.retain, opening.properties.as_slice()), (1, false, THREE_SECONDS.as_slice()));
    let closing = acknowledged(&mut peer).await;
    assert_eq!((closing.payload.as_slice(), closing.qos, closing.retain), (b"close".as_slice(), 1, false));
    assert!(closing.properties.is_empty());
}

#[tokio::test]
async fn an_order_given_without_a_connection_is_never_sent() {
    let broker = Scripted::bind().await;
    let (client, mut ears) = start(settings(broker.addr, "bench-valve-drip", &["a"]));
    for _ in 0..3 {
        assert_eq!(client.publish(open("open")), Published::Down);
        assert_eq!(client.publish(close()), Published::Down);
        let mut peer = broker.welcome().await;
        // Let in, but the subscriptions are not made: still not up.
        assert_eq!(client.publish(open("open")), Published::Down);
        peer.grant().await;
        ears.up().await;
        assert_eq!(client.publish(close()), Published::Queued);
        let first = acknowledged(&mut peer).await;
        assert_eq!(first.payload, b"close", "what was given in the outage came first");
        drop(peer);
        ears.down().await;
    }
}

/// Waits for the connection to break with orders in the outbox, in the library and in the system's buffers.
#[tokio::test]
async fn what_a_broken_connection_left_over_is_never_sent() {
    let broker = Scripted::with_small_ears();
    let (client, mut ears) = start(settings(broker.addr, "bench-valve-drip", &["a"]));
    let peer = broker.subscribed().await;
    ears.up().await;
    let filler = "x".repeat(100_000);
    for n in 0..40 {
        client.publish(Outgoing::new(format!("fill/{n}"), filler.as_str(), Delivery::Once { qos1: true }));
        assert_eq!(client.publish(open(&format!("open {n}"))), Published::Queued);
    }
    assert!(client.waiting() > 0, "the network took it all");
    drop(peer);
    ears.down().await;
    assert_eq!(client.waiting(), 0);
    let mut peer = broker.subscribed().await;
    ears.up().await;
    client.publish(Outgoing::new("events", "the first", Delivery::Event));
    assert_eq!(acknowledged(&mut peer).await.topic, "events");
    client.publish(Outgoing::new("events", "the second", Delivery::Event));
    assert_eq!(acknowledged(&mut peer).await.payload, b"the second", "only what is new follows");
}

/// Sent and not acknowledged: the broker may have it or not, and a second one would open the valve again.
#[tokio::test]
async fn an_order_that_was_not_acknowledged_is_not_sent_again() {
    let broker = Scripted::bind().await;
    let (client, mut ears) = start(settings(broker.addr, "bench-valve-drip", &["a"]));
    let mut peer = broker.subscribed().await;
    ears.up().await;
    client.publish(open("open"));
    assert_eq!(peer.publish().await.payload, b"open");
    drop(peer);
    ears.down().await;
    let mut peer = broker.subscribed().await;
    ears.up().await;
    client.publish(close());
    assert_eq!(acknowledged(&mut peer).await.payload, b"close");
}

#[tokio::test]
async fn an_order_decided_on_an_earlier_connection_is_not_sent_on_a_later_one() {
    let broker = Scripted::bind().await;
    let (client, mut ears) = start(settings(broker.addr, "bench-valve-drip", &["a"]));
    let peer = broker.subscribed().await;
    let first = ears.up().await;
    drop(peer);
    let mut peer = broker.subscribed().await;
    let second = ears.up().await;
    assert_ne!(first, second);
    assert_eq!(client.publish_on(first, open("decided before")), Published::Down);
    assert_eq!(client.publish_on(second, open("decided now")), Published::Queued);
    assert_eq!(acknowledged(&mut peer).await.payload, b"decided now");
}

#[tokio::test]
async fn an_order_goes_before_states_that_wait() {
    let broker = Scripted::with_small_ears();
    let (client, mut ears) = start(settings(broker.addr, "bench", &["a"]));
    let mut peer = broker.subscribed().await;
    ears.up().await;
    let filler = "x".repeat(50_000);
    for n in 0..200 {
        client.publish(Outgoing::new(format!("t/{n}"), filler.as_str(), Delivery::State { qos1: false }));
    }
    client.publish(close());
    let mut before = 0;
    while peer.publish().await.topic != TOPIC {
        before += 1;
    }
    // What lies with the connection already cannot be overtaken.
    assert!(before < 40, "{before} states went before it");
}

#[tokio::test]
async fn an_order_to_open_that_waits_for_too_long_is_dropped_and_told() {
    let broker = Scripted::bind().await;
    let (client, mut ears) = start(settings(broker.addr, "bench-valve-drip", &["a"]));
    let mut peer = broker.subscribed().await;
    ears.up().await;
    client.publish(Outgoing { expiry_s: Some(0), ..open("late") });
    client.publish(close());
    assert_eq!(acknowledged(&mut peer).await.payload, b"close");
    let (topic, reason) = ears
        .until(|heard| match heard {
            Heard::PublishRefused { topic, reason } => Some((topic.clone(), reason.clone())),
            _ => None,
        })
        .await;
    assert!(topic == TOPIC && reason.contains("too long"), "{topic}: {reason}");
}

/// As a valve's own connection is: it sees orders that others give there, and not its own.
#[tokio::test]
async fn a_valves_connection_introduces_itself_as_agreed() {
    let broker = Scripted::bind().await;
    let orders = Subscription { retain_as_published: true, no_local: true, ..hear(TOPIC) };
    let will = Will { topic: TOPIC.into(), payload: b"close".to_vec(), retain: false, qos1: true };
    let (_client, _ears) = start(Settings {
        will: Some(will),
        subscriptions: vec![orders],
        ..settings(broker.addr, "bench-valve-drip", &[])
    });
    let mut peer = broker.accept().await;
    let connect = peer.read().await;
    // MQTT 5.0 section 3.1.2: will with QoS 1, not retained, clean start; keep-alive 10 s.
    assert_eq!(connect.body[7], 0b0000_1110);
    assert_eq!(connect.body[8..10], 10_u16.to_be_bytes());
    let after = 11 + usize::from(connect.body[10]) + 2 + "bench-valve-drip".len();
    // Section 3.1.3.2.2: no Will Delay Interval, which is the same as 0.
    assert_eq!(connect.body[after], 0, "no will properties");
    peer.write(&super::scripted::connack(false, 0, &[])).await;
    // Section 3.8.3.1: QoS 1, No Local, Retain As Published, retained messages sent.
    assert_eq!(peer.grant().await, [(TOPIC.to_owned(), 0b0000_1101)]);
}
