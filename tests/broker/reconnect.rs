//! Getting in, being thrown out, coming back.

use super::ears::{Ears, PATIENCE, SHORT, settings, start};
use super::scripted::{CONNECT, DISCONNECT, PINGREQ, Scripted, connack, disconnect, publish, suback};
use std::time::{Duration, Instant};
use tarewell::mqtt::{Delivery, Heard, Outgoing, Settings, Timing, Will};

const TAKEN_OVER: u8 = 0x8e;
const BAD_LOGIN: u8 = 0x86;

#[tokio::test]
async fn it_introduces_itself_as_agreed() {
    let broker = Scripted::bind().await;
    let will = Will { topic: "bench/status".into(), payload: b"offline".to_vec(), retain: true, qos1: true };
    let (_client, _ears) = start(Settings {
        username: Some("ann".into()),
        password: Some("secret".into()),
        will: Some(will),
        ..settings(broker.addr, "bench", &["a"])
    });
    let packet = broker.accept().await.read().await;
    assert_eq!(packet.kind, CONNECT);
    // MQTT 5.0 sections 3.1.2 and 3.1.3: protocol name and version; flags: login, will retained with QoS 1, clean start.
    assert_eq!(packet.body[..7], *b"\0\x04MQTT\x05");
    assert_eq!(packet.body[7], 0b1110_1110);
    assert_eq!(packet.body[8..10], 10_u16.to_be_bytes());
    let properties = &packet.body[11..11 + usize::from(packet.body[10])];
    let has = |wanted: &[u8]| properties.windows(wanted.len()).any(|found| found == wanted);
    assert!(has(&[0x11, 0, 0, 0, 0]), "session expiry 0: {properties:?}");
    assert!(has(&[0x21, 0x03, 0xe8]), "receive maximum 1000: {properties:?}");
    assert!(has(&[0x27, 0, 4, 0, 0]), "packets up to 256 KiB: {properties:?}");
    assert!(!properties.contains(&0x22), "no topic aliases: {properties:?}");
}

#[tokio::test]
async fn a_refused_login_is_told_once_and_tried_again() {
    let broker = Scripted::bind().await;
    let (client, mut ears) = start(settings(broker.addr, "bench", &["a"]));
    for _ in 0..3 {
        let mut peer = broker.accept().await;
        peer.read().await;
        peer.write(&connack(false, BAD_LOGIN, &[])).await;
    }
    let mut peer = broker.accept().await;
    peer.read().await;
    peer.write(&connack(false, 0, &[])).await;
    peer.grant().await;
    let mut heard = Vec::new();
    while !matches!(heard.last(), Some(Heard::Up { .. })) {
        heard.push(ears.next().await);
    }
    let refused: Vec<&String> =
        heard.iter().filter_map(|h| if let Heard::Refused(why) = h { Some(why) } else { None }).collect();
    assert_eq!(refused.len(), 1, "{heard:?}");
    assert!(refused[0].contains("broker.username"), "{refused:?}");
    assert_eq!(heard.iter().filter(|h| matches!(h, Heard::Down { .. })).count(), 3);
    assert!(client.is_up());
}

#[tokio::test]
async fn it_subscribes_again_on_each_connect_whatever_the_broker_remembers() {
    let broker = Scripted::bind().await;
    let (_client, mut ears) = start(settings(broker.addr, "bench", &["a", "b/+"]));
    for (connection, session_present) in [(1, false), (2, true), (3, false)] {
        let mut peer = broker.accept().await;
        peer.read().await;
        peer.write(&connack(session_present, 0, &[])).await;
        let filters = peer.grant().await;
        assert_eq!(filters.iter().map(|(f, _)| f.as_str()).collect::<Vec<_>>(), ["a", "b/+"]);
        assert!(filters.iter().all(|(_, options)| *options == 1), "QoS 1: {filters:?}");
        assert_eq!(ears.up().await, connection);
    }
}

#[tokio::test]
async fn up_is_told_after_the_last_subscription_is_answered() {
    let broker = Scripted::bind().await;
    let filters: Vec<String> = (0..1_200).map(|n| format!("stand/{n}")).collect();
    let filters: Vec<&str> = filters.iter().map(String::as_str).collect();
    let (client, mut ears) = start(settings(broker.addr, "bench", &filters));
    let mut peer = broker.welcome().await;
    let mut granted = Vec::new();
    while granted.len() < filters.len() {
        assert!(!client.is_up());
        granted.extend(peer.grant().await);
    }
    assert!(granted.iter().map(|(filter, _)| filter.as_str()).eq(filters));
    assert_eq!(ears.up().await, 1);
}

/// As a connection of a valve's own, which hears nothing.
#[tokio::test]
async fn without_subscriptions_it_is_up_at_once() {
    let broker = Scripted::bind().await;
    let (client, mut ears) = start(settings(broker.addr, "bench-valve-1", &[]));
    let mut peer = broker.welcome().await;
    assert_eq!(ears.up().await, 1);
    client.publish(Outgoing::new("valves/1/set", "close", Delivery::Once { qos1: true }));
    assert_eq!(peer.read().await.kind, super::scripted::PUBLISH);
}

#[tokio::test]
async fn a_refused_subscription_is_told_and_the_rest_works() {
    let broker = Scripted::bind().await;
    let (_client, mut ears) = start(settings(broker.addr, "bench", &["secret", "a"]));
    let mut peer = broker.welcome().await;
    peer.read().await;
    peer.write(&suback(1, &[0x87, 1])).await;
    let Heard::Refused(why) = ears.next().await else { panic!() };
    assert!(why.contains("secret") && why.contains("NotAuthorized"), "{why}");
    assert_eq!(ears.up().await, 1);
    peer.write(&publish(b"a", b"1")).await;
    assert_eq!(ears.text().await, ("a".into(), "1".into()));
}

#[tokio::test]
async fn pauses_grow_while_it_is_thrown_out_at_once() {
    let broker = Scripted::bind().await;
    let (_client, mut ears) = start(settings(broker.addr, "bench", &["a"]));
    let mut full = SHORT.first_pause;
    for _ in 0..6 {
        // Let in, and thrown out: this too must not start the pauses anew.
        let peer = broker.subscribed().await;
        let thrown_out = Instant::now();
        drop(peer);
        let (why, pause) = ears.down().await;
        assert!(why.contains("closed"), "{why}");
        assert!(pause >= full / 2 && pause <= full, "{pause:?} of {full:?}");
        full = (full * 2).min(SHORT.longest_pause);
        let peer = broker.accept().await;
        assert!(thrown_out.elapsed() >= pause, "{:?} after {pause:?}", thrown_out.elapsed());
        drop(peer);
        let (_, pause) = ears.down().await;
        assert!(pause <= full);
        full = (full * 2).min(SHORT.longest_pause);
    }
}

#[tokio::test]
async fn a_connection_that_stood_starts_the_pauses_anew() {
    let broker = Scripted::bind().await;
    let timing = Timing { settled_after: Duration::ZERO, ..SHORT };
    let (_client, mut ears) = start(Settings { timing, ..settings(broker.addr, "bench", &["a"]) });
    for _ in 0..5 {
        let peer = broker.subscribed().await;
        ears.up().await;
        drop(peer);
        assert!(ears.down().await.1 <= SHORT.first_pause);
    }
}

#[tokio::test]
async fn nobody_listening_is_told_in_words() {
    let broker = Scripted::bind().await;
    let at = broker.addr;
    drop(broker);
    let (client, mut ears) = start(settings(at, "bench", &["a"]));
    assert_eq!(ears.down().await.0, "nothing listens there");
    assert!(!client.is_up());
    let asked = Instant::now();
    client.stop().await;
    assert!(asked.elapsed() < Duration::from_secs(1), "nothing to wait for");
}

#[tokio::test]
async fn a_session_taken_over_is_told_and_it_stays_away() {
    let broker = Scripted::bind().await;
    let (_client, mut ears) = start(settings(broker.addr, "bench", &["a"]));
    for _ in 0..2 {
        let mut peer = broker.subscribed().await;
        ears.up().await;
        let thrown_out = Instant::now();
        peer.write(&disconnect(TAKEN_OVER)).await;
        assert_eq!(ears.next().await, Heard::TakenOver);
        let (why, pause) = ears.down().await;
        assert!(why.contains("same client id"), "{why}");
        assert_eq!(pause, SHORT.stay_away);
        drop(broker.accept().await);
        assert!(thrown_out.elapsed() >= SHORT.stay_away, "{:?}", thrown_out.elapsed());
        ears.down().await;
    }
}

/// Not every broker gives the reason; closing again and again soon after letting in is taken for it.
#[tokio::test]
async fn being_closed_again_and_again_is_taken_for_it_too() {
    let broker = Scripted::bind().await;
    let (_client, mut ears) = start(settings(broker.addr, "bench", &["a"]));
    for round in 0..6 {
        let peer = broker.subscribed().await;
        ears.up().await;
        drop(peer);
        if round % 3 == 2 {
            assert_eq!(ears.next().await, Heard::TakenOver);
            let (why, pause) = ears.down().await;
            assert!(why.contains("running twice"), "{why}");
            assert_eq!(pause, SHORT.stay_away);
        } else {
            assert!(matches!(ears.next().await, Heard::Down { .. }));
        }
    }
}

/// A peer that stops reading makes the library wait in its write for ever, without a ping.
#[tokio::test]
async fn a_peer_that_stops_reading_is_left() {
    let broker = Scripted::with_small_ears();
    let timing = Timing { watchdog: Some(Duration::from_millis(500)), ..SHORT };
    let (client, mut ears) = start(Settings { timing, ..settings(broker.addr, "bench", &["a"]) });
    let _stalled = broker.subscribed().await;
    ears.up().await;
    for n in 0..300 {
        client.publish(Outgoing::new(format!("t/{n}"), vec![0; 100_000], Delivery::State { qos1: false }));
    }
    let (why, _) = ears.down().await;
    assert!(why.contains("took nothing"), "{why}");
    let _next = broker.subscribed().await;
    ears.up().await;
}

#[tokio::test]
async fn a_broker_that_never_answers_the_subscriptions_is_left() {
    let broker = Scripted::bind().await;
    let timing = Timing { watchdog: Some(Duration::from_millis(300)), ..SHORT };
    let (_client, mut ears) = start(Settings { timing, ..settings(broker.addr, "bench", &["a"]) });
    let mut peer = broker.welcome().await;
    peer.read().await;
    // It talks all the time, so that the watchdog is content.
    let talk = tokio::spawn(async move {
        use tokio::io::AsyncWriteExt;
        while peer.stream.write_all(&publish(b"other", b"1")).await.is_ok() {
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    });
    let (why, _) = ears.down().await;
    assert!(why.contains("does not answer the subscriptions"), "{why}");
    talk.abort();
}

/// A server keep-alive of 0 means "no pings needed"; the library takes it as a ping without a pause.
#[tokio::test]
async fn a_broker_that_needs_no_pings_is_not_flooded_with_them() {
    let broker = Scripted::bind().await;
    let (_client, mut ears) = start(settings(broker.addr, "bench", &["a"]));
    let mut peer = broker.accept().await;
    peer.read().await;
    peer.write(&connack(false, 0, &[0x13, 0, 0])).await;
    let mut pings = 0;
    loop {
        let packet = tokio::time::timeout(Duration::from_millis(300), peer.try_read()).await;
        match packet.map(|packet| packet.expect("the connection was closed")) {
            Ok(packet) if packet.kind == PINGREQ => {
                pings += 1;
                peer.write(&[0xd0, 0]).await;
            }
            Ok(_) => peer.write(&suback(1, &[1])).await,
            Err(_) => break,
        }
    }
    assert!(pings <= 1, "{pings} pings");
    ears.up().await;
}

#[tokio::test]
async fn a_stop_sends_what_is_queued_and_takes_leave() {
    let broker = Scripted::bind().await;
    let (client, mut ears) = start(settings(broker.addr, "bench", &["a"]));
    let mut peer = broker.subscribed().await;
    ears.up().await;
    for n in 0..100 {
        client.publish(Outgoing::new(format!("t/{n}"), "x", Delivery::State { qos1: false }));
    }
    client.publish(Outgoing::new("bench/status", "offline", Delivery::State { qos1: true }));
    let stopping = tokio::spawn(client.stop());
    for n in 0..100 {
        assert_eq!(peer.publish().await.topic, format!("t/{n}"));
    }
    let last = peer.publish().await;
    assert_eq!((last.topic.as_str(), last.qos, last.retain), ("bench/status", 1, true));
    peer.write(&super::scripted::puback(last.id, 0)).await;
    let leave = peer.read().await;
    assert_eq!(leave.kind, DISCONNECT);
    assert!(leave.body.is_empty() || leave.body[0] == 0, "{leave:?}");
    assert!(peer.try_read().await.is_none(), "closed, and nobody connects again");
    tokio::time::timeout(PATIENCE, stopping).await.unwrap().unwrap();
}

#[tokio::test]
async fn a_stop_waits_two_seconds_at_most() {
    let broker = Scripted::bind().await;
    let (client, mut ears) = start(settings(broker.addr, "bench", &["a"]));
    let _silent = broker.subscribed().await;
    ears.up().await;
    client.publish(Outgoing::new("bench/status", "offline", Delivery::State { qos1: true }));
    let asked = Instant::now();
    client.stop().await;
    assert!(asked.elapsed() < Duration::from_millis(2_500), "{:?}", asked.elapsed());
}

#[tokio::test]
async fn the_inbox_ends_with_the_client() {
    let broker = Scripted::bind().await;
    let (client, inbox) = tarewell::mqtt::Client::start(settings(broker.addr, "bench", &["a"])).unwrap();
    let mut inbox = inbox;
    drop(client);
    let mut batch = Vec::new();
    while tokio::time::timeout(PATIENCE, inbox.next(&mut batch)).await.unwrap() {}
    drop(Ears::new(inbox));
}
