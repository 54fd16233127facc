//! When a state is published: at once, when it has moved, at most once a second, at least every ten minutes.

use crate::bench::House;
use crate::played::{Line, Played, Tape};
use serde_json::Value;

const S1: &str = "house/s1";
const FLAT: &str = "tarewell/flats/leek-1";
const ONE: &str = "
stands: {s1: {topic: house/s1, division: 2 g}}
flats: {leek-1: {label: Leeks, stand: s1, dry_weight: 2000 g, capacity_weight: 3000 g}}
";

fn tape() -> Tape {
    Tape::at("2026-03-02T08:00:00Z")
}

fn play(tape: &Tape) -> Played {
    tape.play(&House::own_broker(), ONE).good()
}

/// Each state with the one before it.
fn pairs<'a>(played: &'a Played, topic: &'a str) -> Vec<(&'a Line, &'a Line)> {
    let states: Vec<&Line> = played.on(topic).collect();
    states.windows(2).map(|two| (two[0], two[1])).collect()
}

fn moved(one: &Value, other: &Value, key: &str, step: f64) -> bool {
    match (one[key].as_f64(), other[key].as_f64()) {
        (Some(one), Some(other)) => (one - other).abs() >= step - 1e-6,
        (None, None) => false,
        _ => true,
    }
}

#[test]
fn a_still_flat_speaks_every_ten_minutes() {
    let mut tape = tape();
    tape.weigh(3.0, 10.0, S1, |_| 2600.0);
    let played = play(&tape);
    for topic in [FLAT, "tarewell/stands/s1"] {
        let pauses: Vec<i64> = pairs(&played, topic).iter().map(|(a, b)| (b.time - a.time).num_seconds()).collect();
        assert!(pauses.iter().all(|pause| *pause <= 600), "{topic}: {pauses:?}");
        let settled = &pauses[pauses.len() - 15..];
        assert!(settled.iter().all(|pause| *pause == 600), "{topic}: {pauses:?}");
    }
}

#[test]
fn a_silent_stand_speaks_every_ten_minutes_too() {
    let mut tape = tape();
    tape.weigh(1.0, 10.0, S1, |_| 2600.0).pause(3.0 * 3600.0).say("house/other", "1");
    let played = play(&tape);
    for topic in [FLAT, "tarewell/stands/s1"] {
        let pauses: Vec<i64> = pairs(&played, topic).iter().map(|(a, b)| (b.time - a.time).num_seconds()).collect();
        assert!(pauses.iter().all(|pause| *pause <= 600), "{topic}: {pauses:?}");
        assert!(played.on(topic).last().unwrap().time.to_string().starts_with("2026-03-02 11:5"), "{topic}");
    }
}

#[test]
fn a_state_is_published_when_it_has_moved_and_not_before() {
    let mut tape = tape();
    // From 0.9 down to 0.2 and watered back twice, with some noise.
    let noise = |h: f64| ((h * 3600.0 / 10.0).round() * 2.399).sin() * 1.5;
    tape.weigh(20.0, 10.0, S1, |h| 2900.0 - 35.0 * h + noise(h)).weigh(5.0, 10.0, S1, |h| 2800.0 - 35.0 * h + noise(h));
    let played = play(&tape);
    let keys =
        ["condition", "locked", "stage", "low", "target", "dry_weight_g", "dome", "stand", "stable", "since_watered_h"];
    let mut states = 0;
    for (before, now) in pairs(&played, FLAT) {
        states += 1;
        let at_once = keys.iter().any(|key| before.payload[*key] != now.payload[*key]);
        // The limits are compared before the weight is rounded to 0.1 g for the wire.
        let has_moved = moved(&before.payload, &now.payload, "weight_g", 3.8)
            || moved(&before.payload, &now.payload, "fraction", 0.002)
            || (now.time - before.time).num_seconds() >= 600;
        let has_alert = played.on("tarewell/alerts/outgrown/leek-1").any(|alert| alert.time == now.time);
        assert!(at_once || has_moved || has_alert, "{}\n{}", before.payload, now.payload);
    }
    assert!(states > 300, "{states}");
}

#[test]
fn a_state_moves_at_most_once_a_second() {
    let mut tape = tape();
    // Ten readings a second, that go up and down by 60 g within ten seconds.
    tape.weigh(0.05, 0.1, S1, |h| 2600.0 + 30.0 * (h * 3600.0 / 10.0 * std::f64::consts::TAU).sin());
    let played = play(&tape);
    let stands = pairs(&played, "tarewell/stands/s1");
    assert!(stands.len() > 60, "{}", stands.len());
    for (before, now) in stands {
        let pause = (now.time - before.time).num_seconds();
        assert!(pause >= 1, "{}\n{}", before.payload, now.payload);
    }
}

#[test]
fn what_changes_by_command_is_published_at_once() {
    let mut tape = tape();
    tape.weigh(0.5, 10.0, S1, |_| 2600.0).pause(1.0);
    tape.say("tarewell/flats/leek-1/command", r#"{"command":"set","target":0.6}"#).pause(1.0);
    tape.say("tarewell/flats/leek-1/command", r#"{"command":"set","low":0.62,"water_at":0.65,"target":0.7}"#);
    tape.pause(1.0).weigh(0.01, 10.0, S1, |_| 2600.0);
    let played = play(&tape);
    let at = |time: &str| -> Vec<&Line> {
        played.on(FLAT).filter(|line| line.time.format("%H:%M:%S").to_string() == time).collect()
    };
    let set = at("08:30:01");
    assert_eq!(set.len(), 1, "{set:?}");
    assert_eq!(set[0].payload["target"], 0.6);
    let dry = at("08:30:02");
    assert_eq!(dry.last().unwrap().payload["condition"], "dry", "60 % is below a low of 62 %");
    assert_eq!(played.turns("dry"), ["raised"]);
}

#[test]
fn at_the_start_everything_is_published() {
    let mut tape = tape();
    tape.say(S1, "2600");
    let played = play(&tape);
    let topics: Vec<&str> = played.lines.iter().map(|line| line.topic.as_str()).collect();
    assert!(topics.contains(&FLAT) && topics.contains(&"tarewell/stands/s1"), "{topics:?}");
}
