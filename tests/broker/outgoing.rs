//! What becomes of messages when the connection is slow, lost, or the broker says no.

use super::ears::{settings, start};
use super::scripted::{Peer, Published as OnTheWire, Scripted, connack, puback};
use std::time::{Duration, Instant};
use tarewell::mqtt::{Delivery, Heard, LARGEST_PAYLOAD, Outgoing, Published, Unsendable};

const STATE: Delivery = Delivery::State { qos1: false };

fn payload(message: &OnTheWire) -> &str {
    std::str::from_utf8(&message.payload).unwrap()
}

async fn payloads(peer: &mut Peer, count: usize) -> Vec<String> {
    let mut all = Vec::new();
    for _ in 0..count {
        all.push(payload(&peer.publish().await).to_owned());
    }
    all
}

#[tokio::test]
async fn states_and_answers_of_an_outage_are_not_sent_late_but_events_are() {
    let broker = Scripted::bind().await;
    let (client, mut ears) = start(settings(broker.addr, "bench", &["a"]));
    assert_eq!(client.publish(Outgoing::new("t/1", "old state", STATE)), Published::Down);
    assert_eq!(client.publish(Outgoing::new("v/1", "open", Delivery::Once { qos1: true })), Published::Down);
    assert_eq!(client.publish(Outgoing::new("events", "e1", Delivery::Event)), Published::Kept);
    let mut peer = broker.subscribed().await;
    ears.up().await;
    assert_eq!(client.publish(Outgoing::new("t/1", "new state", STATE)), Published::Queued);
    let event = peer.publish().await;
    assert_eq!((payload(&event), event.qos, event.retain), ("e1", 1, false));
    let state = peer.publish().await;
    assert_eq!((payload(&state), state.qos, state.retain), ("new state", 0, true));
}

#[tokio::test]
async fn an_event_is_sent_again_until_the_broker_has_it() {
    let broker = Scripted::bind().await;
    let (client, mut ears) = start(settings(broker.addr, "bench", &["a"]));
    let mut peer = broker.subscribed().await;
    ears.up().await;
    for payload in ["e1", "e2", "e3"] {
        client.publish(Outgoing::new("events", payload, Delivery::Event));
    }
    let first = peer.publish().await;
    assert_eq!(payload(&first), "e1");
    peer.write(&puback(first.id, 0)).await;
    assert_eq!(payloads(&mut peer, 2).await, ["e2", "e3"]);
    drop(peer);
    ears.down().await;
    client.publish(Outgoing::new("events", "e4", Delivery::Event));
    let mut peer = broker.subscribed().await;
    for expected in ["e2", "e3", "e4"] {
        let again = peer.publish().await;
        assert_eq!(payload(&again), expected);
        peer.write(&puback(again.id, 0)).await;
    }
    ears.up().await;
    // All are acknowledged: the next connection begins with what is new.
    client.publish(Outgoing::new("events", "e5", Delivery::Event));
    let last = peer.publish().await;
    assert_eq!(payload(&last), "e5");
    drop(peer);
    ears.down().await;
    let mut peer = broker.subscribed().await;
    assert_eq!(payloads(&mut peer, 1).await, ["e5"]);
}

#[tokio::test]
async fn a_refused_publish_is_told_and_not_sent_again() {
    let broker = Scripted::bind().await;
    let (client, mut ears) = start(settings(broker.addr, "bench", &["a"]));
    let mut peer = broker.subscribed().await;
    ears.up().await;
    client.publish(Outgoing::new("events", "e1", Delivery::Event));
    client.publish(Outgoing::new("valves/1", "v", Delivery::State { qos1: true }));
    let (event, state) = (peer.publish().await, peer.publish().await);
    // Acknowledged the other way round; 0x10, nobody listens, is no refusal.
    peer.write(&puback(state.id, 0x87)).await;
    peer.write(&puback(event.id, 0x10)).await;
    let refused = ears
        .until(|heard| match heard {
            Heard::PublishRefused { topic, reason } => Some((topic.clone(), reason.clone())),
            _ => None,
        })
        .await;
    assert_eq!(refused, ("valves/1".to_owned(), "NotAuthorized".to_owned()));
    client.publish(Outgoing::new("events", "e2", Delivery::Event));
    let event = peer.publish().await;
    peer.write(&puback(event.id, 0x97)).await;
    let refused = ears.until(|heard| matches!(heard, Heard::PublishRefused { .. }).then(|| heard.clone())).await;
    assert_eq!(refused, Heard::PublishRefused { topic: "events".into(), reason: "QuotaExceeded".into() });
    drop(peer);
    ears.down().await;
    let mut peer = broker.subscribed().await;
    ears.up().await;
    client.publish(Outgoing::new("t", "fresh", STATE));
    assert_eq!(payloads(&mut peer, 1).await, ["fresh"]);
}

/// Sent, they would end this connection, and the next, and the next.
#[tokio::test]
async fn messages_too_large_for_the_broker_are_refused_and_the_connection_stands() {
    let broker = Scripted::bind().await;
    let (client, mut ears) = start(settings(broker.addr, "bench", &["a"]));
    let mut peer = broker.accept().await;
    peer.read().await;
    // Maximum Packet Size 1,000.
    peer.write(&connack(false, 0, &[0x27, 0, 0, 0x03, 0xe8])).await;
    peer.grant().await;
    ears.up().await;
    client.publish(Outgoing::new("big", vec![b'x'; 1_200], Delivery::Event));
    client.publish(Outgoing::new("small", "fits", STATE));
    assert_eq!(payloads(&mut peer, 1).await, ["fits"]);
    let refused = ears.until(|heard| matches!(heard, Heard::PublishRefused { .. }).then(|| heard.clone())).await;
    assert!(matches!(refused, Heard::PublishRefused { topic, .. } if topic == "big"));
}

#[tokio::test]
async fn what_can_never_be_sent_is_refused_at_once() {
    let broker = Scripted::bind().await;
    let (client, _ears) = start(settings(broker.addr, "bench", &["a"]));
    let large = Outgoing::new("t", vec![0; LARGEST_PAYLOAD + 1], Delivery::Event);
    assert_eq!(client.publish(large), Published::Refused(Unsendable::TooLarge));
    for topic in ["", "t/#", "t/+", "t\0"] {
        let bad = Outgoing::new(topic, "x", Delivery::Event);
        assert_eq!(client.publish(bad), Published::Refused(Unsendable::Topic), "{topic:?}");
    }
}

/// MQTT 5.0 sections 3.2.2.3.4 and 3.2.2.3.5: asked for what it has not, such a broker ends the connection.
#[tokio::test]
async fn a_broker_without_qos_1_or_retain_is_not_asked_for_it() {
    let broker = Scripted::bind().await;
    let (client, mut ears) = start(settings(broker.addr, "bench", &["a"]));
    let mut peer = broker.accept().await;
    peer.read().await;
    peer.write(&connack(false, 0, &[0x24, 0, 0x25, 0])).await;
    peer.answer_subscribe(0).await;
    ears.up().await;
    client.publish(Outgoing::new("t", "x", Delivery::State { qos1: true }));
    let message = peer.publish().await;
    assert_eq!((message.qos, message.retain), (0, false));
}

/// On a slow link a newer state takes the place of one that waits, and publishing does not wait for the link.
#[tokio::test]
async fn states_are_replaced_while_the_link_is_slow() {
    const ROUNDS: usize = 2_000;
    let broker = Scripted::with_small_ears();
    let (client, mut ears) = start(settings(broker.addr, "bench", &["a"]));
    let mut peer = broker.subscribed().await;
    ears.up().await;
    let begun = Instant::now();
    for round in 0..ROUNDS {
        for topic in 0..5 {
            let text = format!("{round:05}{}", "x".repeat(10_000));
            client.publish(Outgoing::new(format!("t/{topic}"), text, STATE));
        }
        // Let the connection's task run, as it would.
        tokio::task::yield_now().await;
    }
    assert!(begun.elapsed() < Duration::from_secs(10), "publishing waited: {:?}", begun.elapsed());
    let last = format!("{:05}", ROUNDS - 1);
    let (mut received, mut finished) = (0, std::collections::HashSet::new());
    while finished.len() < 5 {
        let message = peer.publish().await;
        received += 1;
        if payload(&message).starts_with(&last) {
            finished.insert(message.topic);
        }
    }
    assert!(received < ROUNDS / 10, "{received} of {} were sent", ROUNDS * 5);
}

#[tokio::test]
async fn answers_carry_what_the_asker_wants_to_see() {
    let broker = Scripted::bind().await;
    let (client, mut ears) = start(settings(broker.addr, "bench", &["a"]));
    let mut peer = broker.subscribed().await;
    ears.up().await;
    client.publish(Outgoing {
        correlation: Some(b"c-7".to_vec()),
        expiry_s: Some(3),
        content_type: Some("application/json".into()),
        ..Outgoing::new("answers/7", "{}", Delivery::Once { qos1: true })
    });
    let packet = peer.read().await;
    // MQTT 5.0 section 3.3.2.3: expiry 0x02, content type 0x03, correlation data 0x09.
    let has = |wanted: &[u8]| packet.body.windows(wanted.len()).any(|found| found == wanted);
    assert!(has(&[0x02, 0, 0, 0, 3]), "{packet:?}");
    assert!(has(b"\x03\0\x10application/json"), "{packet:?}");
    assert!(has(b"\x09\0\x03c-7"), "{packet:?}");
    assert_eq!(packet.flags, 0b0010, "QoS 1, not retained");
}
