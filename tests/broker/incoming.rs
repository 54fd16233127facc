//! What a broker can send, right and wrong.

use super::ears::{SHORT, settings, start};
use super::scripted::{Scripted, disconnect, publish, publish_with};
use std::time::Duration;
use tarewell::mqtt::{Heard, Message, inbox};
use tokio::io::AsyncWriteExt;

#[tokio::test]
async fn topics_that_cannot_be_read_are_counted_and_the_next_message_comes() {
    let broker = Scripted::bind().await;
    let (_client, mut ears) = start(settings(broker.addr, "bench", &["#"]));
    let mut peer = broker.subscribed().await;
    ears.up().await;
    // Not UTF-8; empty; an alias never announced (the library hands it on with an empty topic).
    let bytes = [
        publish(b"bad/\xff\xfe", b"1"),
        publish(b"", b"2"),
        publish_with(b"", &[0x23, 0, 7], b"3"),
        publish(b"a", b"4"),
    ];
    peer.write(&bytes.concat()).await;
    let mut unreadable = 0;
    let mut messages = Vec::new();
    while unreadable < 3 || messages.is_empty() {
        match ears.next().await {
            Heard::Unreadable { count } => unreadable += count,
            Heard::Message(message) => messages.push(message),
            other => panic!("{other:?}"),
        }
    }
    assert_eq!(unreadable, 3);
    assert_eq!(messages.iter().map(Message::payload).collect::<Vec<_>>(), [b"4"]);
}

#[tokio::test]
async fn a_topic_may_have_any_letters() {
    let broker = Scripted::bind().await;
    let (_client, mut ears) = start(settings(broker.addr, "bench", &["#"]));
    let mut peer = broker.subscribed().await;
    peer.write(&publish("üvegház/mérleg".as_bytes(), "7,5".as_bytes())).await;
    assert_eq!(ears.text().await, ("üvegház/mérleg".into(), "7,5".into()));
}

#[tokio::test]
async fn a_packet_beyond_what_was_asked_for_ends_that_connection_only() {
    let broker = Scripted::bind().await;
    let (_client, mut ears) = start(settings(broker.addr, "bench", &["a"]));
    let mut peer = broker.subscribed().await;
    peer.write(&publish(b"a", &vec![b'x'; 200 * 1024])).await;
    assert_eq!(ears.message().await.payload().len(), 200 * 1024);
    // The client may close before all of it is written.
    let _ = peer.stream.write_all(&publish(b"a", &vec![b'x'; 300 * 1024])).await;
    ears.down().await;
    let mut peer = broker.subscribed().await;
    ears.up().await;
    peer.write(&publish(b"a", b"1")).await;
    assert_eq!(ears.text().await.1, "1");
}

#[tokio::test]
async fn malformed_packets_end_that_connection_only() {
    let broker = Scripted::bind().await;
    let (_client, mut ears) = start(settings(broker.addr, "bench", &["a"]));
    let bad: [&[u8]; 8] = [
        &[0x00, 0],                            // reserved type
        &[0x30, 0xff, 0xff, 0xff, 0xff, 0x7f], // length of five bytes
        &[0x36, 5, 0, 1, b'a', 0, 0],          // QoS 3
        &[0x30, 3, 0, 9, b'a'],                // topic longer than the packet
        &[0x40, 4, 0, 9, 0, 0],                // acknowledges what was never sent
        &[0x20, 3, 0, 0, 0],                   // a second welcome, then an unknown packet
        &[0x10, 0],                            // a CONNECT from the broker
        &[0xe0, 2, 0x80, 0],                   // DISCONNECT, unspecified error
    ];
    for bytes in bad {
        let mut peer = broker.subscribed().await;
        ears.up().await;
        peer.write(bytes).await;
        peer.write(&[0x00, 0]).await;
        ears.down().await;
    }
    let mut peer = broker.subscribed().await;
    ears.up().await;
    peer.write(&publish(b"a", b"1")).await;
    assert_eq!(ears.text().await.1, "1");
}

/// The library reads several packets at once and gives an error precedence over what it read before.
#[tokio::test]
async fn what_came_with_the_end_is_not_lost() {
    let broker = Scripted::bind().await;
    let (_client, mut ears) = start(settings(broker.addr, "bench", &["a"]));
    let mut peer = broker.subscribed().await;
    ears.up().await;
    let mut bytes: Vec<u8> = (0..7).flat_map(|n| publish(b"a", n.to_string().as_bytes())).collect();
    bytes.extend(disconnect(0x8b));
    peer.write(&bytes).await;
    for n in 0..7 {
        let Heard::Message(message) = ears.next().await else { panic!("{n} is missing") };
        assert_eq!(message.payload(), n.to_string().as_bytes());
    }
    let (why, pause) = ears.down().await;
    assert!(why.contains("ServerShuttingDown"), "{why}");
    assert!(pause <= SHORT.first_pause);
}

/// A service that takes nothing makes the client stop reading, TCP makes the broker wait, and nothing is lost.
#[tokio::test]
async fn a_slow_service_pushes_back_and_loses_nothing() {
    const MESSAGES: usize = inbox::BOUND * 5;
    let broker = Scripted::bind().await;
    let (_client, mut inbox) = tarewell::mqtt::Client::start(settings(broker.addr, "bench", &["a"])).unwrap();
    let mut peer = broker.subscribed().await;
    let (done, mut finished) = tokio::sync::oneshot::channel();
    tokio::spawn(async move {
        let padding = "x".repeat(500);
        for n in 0..MESSAGES {
            peer.write(&publish(b"a", format!("{n} {padding}").as_bytes())).await;
        }
        let _ = done.send(peer);
    });
    // 50 MB do not fit into the sockets' buffers: without pushing back all would be written soon.
    let waited = tokio::time::timeout(Duration::from_secs(2), &mut finished).await;
    assert!(waited.is_err(), "nothing pushed back");
    let (mut batch, mut seen, mut largest) = (Vec::new(), 0, 0);
    while seen < MESSAGES {
        assert!(inbox.next(&mut batch).await);
        largest = largest.max(batch.len());
        for heard in &batch {
            if let Heard::Message(message) = heard {
                let number = message.payload().split(|b| *b == b' ').next().unwrap();
                assert_eq!(number, seen.to_string().as_bytes());
                seen += 1;
            }
        }
    }
    assert!(largest <= inbox::BOUND + 1_000, "{largest} waited");
}
