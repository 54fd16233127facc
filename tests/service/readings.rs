//! Readings as devices send them, in every shape that the configuration knows.

use crate::bench::House;
use crate::played::{Played, Tape};
use serde_json::json;

const S1: &str = "house/s1";
const STAND: &str = "tarewell/stands/s1";

fn body(stand: &str) -> String {
    format!(
        "\nstands: {{s1: {{topic: house/s1{stand}}}}}\nflats: {{leek-1: {{label: Leeks, stand: s1, dry_weight: 2000 g, capacity_weight: 3000 g}}}}\n"
    )
}

fn tape() -> Tape {
    Tape::at("2026-03-02T08:00:00Z")
}

/// The weight of a stand after this payload has come for some minutes.
fn weight_of(stand: &str, payload: &str) -> serde_json::Value {
    let mut tape = tape();
    for _ in 0..12 {
        tape.say(S1, payload).pause(10.0);
    }
    let played = tape.play(&House::own_broker(), &body(stand)).good();
    played.last(STAND)["weight_g"].clone()
}

#[test]
fn every_shape_of_a_weight_is_read() {
    // NIST SP 811: 1 lb = 453.592 37 g, 1 oz = 28.349 523 125 g.
    for (stand, payload, grams) in [
        ("", "2600", 2600.0),
        ("", "2600.25", 2600.3),
        ("", " 2600.0\n", 2600.0),
        ("", "2.6e3", 2600.0),
        ("", "\"2600\"", 2600.0),
        (", value: /weight", r#"{"weight":2600}"#, 2600.0),
        (", value: /weight", r#"{"weight":"2600.0"}"#, 2600.0),
        (", value: /scale/grams", r#"{"a":[1,{}],"scale":{"grams":2600.1,"t":3}}"#, 2600.1),
        (", value: /cells/1", r#"{"cells":[1,2600]}"#, 2600.0),
        (", value: /a~1b", r#"{"a/b":2600}"#, 2600.0),
        (", unit: kg", "2.6", 2600.0),
        (", unit: lb", "6", 2721.6),
        (", unit: oz", "96", 2721.6),
        (", unit: counts, zero: 84213, counts_per_gram: 412.6", "1156973", 2600.0),
        (", unit: counts, zero: 84213, counts_per_gram: -412.6", "-988547", 2600.0),
    ] {
        assert_eq!(weight_of(stand, payload), json!(grams), "{stand} {payload}");
    }
}

#[test]
fn what_is_no_weight_gives_none() {
    for (stand, payload) in [
        ("", "unavailable"),
        ("", "null"),
        ("", "NaN"),
        ("", "{}"),
        (", value: /weight", "2600"),
        (", value: /weight", r#"{"wait":2600}"#),
        (", value: /weight", r#"{"weight":null}"#),
        (", unit: counts, zero: 84213, counts_per_gram: 412.6", "8388607"),
        (", unit: counts", "1156973"),
        ("", "1e400"),
    ] {
        assert!(weight_of(stand, payload).is_null(), "{stand} {payload}");
    }
}

#[test]
fn counts_are_no_weight_until_zero_and_span_are_known() {
    let mut tape = tape();
    let counts = |grams: f64| move |_: f64| (84_213.0 + 412.6 * grams).round();
    tape.weigh(0.1, 1.0, S1, counts(0.0)).say("tarewell/stands/s1/command", "zero").weigh(0.1, 1.0, S1, counts(0.0));
    tape.weigh(0.1, 1.0, S1, counts(2000.0));
    tape.say("tarewell/stands/s1/command", r#"{"command":"span","mass_g":2000}"#).weigh(0.1, 1.0, S1, counts(2000.0));
    tape.weigh(0.1, 1.0, S1, counts(0.0)).weigh(0.2, 1.0, S1, counts(2600.0));
    let played = tape.play(&House::own_broker(), &body(", unit: counts")).good();
    assert!(played.events("command-refused").is_empty(), "{:?}", played.events("command-refused"));
    let first = played.on(STAND).find(|line| !line.payload["weight_g"].is_null()).unwrap();
    assert!(
        first.time.format("%M").to_string().parse::<u32>().unwrap() >= 18,
        "no weight before the span: {}",
        first.time
    );
    assert_eq!(played.last("tarewell/flats/leek-1")["weight_g"], 2600.0);
    assert_eq!(played.last("tarewell/flats/leek-1")["fraction"], 0.6);
}

#[test]
fn a_retained_reading_is_never_fresh() {
    let mut tape = tape();
    for _ in 0..20 {
        tape.retained(S1, "2600").pause(10.0);
    }
    let played = tape.play(&House::own_broker(), &body("")).good();
    let last = played.last(STAND);
    assert!(last["reading_at"].is_null() && last["stable"] == false, "{last}");
    assert_eq!(played.last("tarewell/flats/leek-1")["condition"], "unknown");
}

#[test]
fn temperature_moves_the_weight_by_its_coefficient() {
    let stand = ", temperature: {topic: house/t, value: /t, grams_per_degree: 0.8, reference: 20}";
    let mut tape = tape();
    tape.say("house/t", r#"{"t":20}"#).weigh(0.5, 10.0, S1, |_| 2600.0);
    for turn in 0..40 {
        // Smoothed over some readings, as the cell follows the air.
        let grams = 8.0 * (1.0 - 0.5_f64.powi(turn + 1));
        tape.say("house/t", r#"{"t":30}"#).weigh(0.05, 10.0, S1, move |_| 2600.0 + grams);
    }
    tape.retained("house/t", r#"{"t":5}"#).weigh(1.0, 10.0, S1, |_| 2608.0);
    let played = tape.play(&House::own_broker(), &body(stand)).good();
    assert_eq!(played.last(STAND)["weight_g"], 2600.0, "8 g for ten degrees");
    assert_eq!(played.last("tarewell/flats/leek-1")["fraction"], 0.6);
    assert!(played.events("watered").is_empty());
}

#[test]
fn four_corners_are_summed_when_all_are_fresh() {
    let cell = |n: u32| format!("{{topic: house/c, value: /{n}, zero: {}, counts_per_gram: 400}}", n * 1000);
    let body = format!(
        "\nstands: {{s1: {{unit: counts, corners: [{}, {}, {}, {}]}}}}\nflats: {{leek-1: {{label: Leeks, stand: s1, dry_weight: 2000 g, capacity_weight: 3000 g}}}}\n",
        cell(0),
        cell(1),
        cell(2),
        cell(3)
    );
    let mut tape = tape();
    let all = |grams: [i64; 4]| {
        let counts: serde_json::Map<_, _> =
            grams.iter().zip(0..).map(|(grams, n)| (n.to_string(), json!(n * 1000 + grams * 400))).collect();
        serde_json::Value::Object(counts).to_string()
    };
    for _ in 0..10 {
        tape.say("house/c", &all([600, 650, 700, 650])).pause(10.0);
    }
    let played = tape.play(&House::own_broker(), &body).good();
    assert_eq!(played.last(STAND)["weight_g"], 2600.0);
    assert_eq!(played.last(STAND)["corners_g"], json!([600.0, 650.0, 700.0, 650.0]));

    // One cell is missing: the sum is not to be had, and nothing is made up for it.
    for _ in 0..200 {
        tape.say("house/c", r#"{"0":240000,"1":261000,"2":282000}"#).pause(10.0);
    }
    let played = tape.play(&House::own_broker(), &body).good();
    assert_eq!(played.turns("stand-fault"), ["raised"]);
    assert_eq!(played.last(STAND)["weight_g"], 2600.0, "the last one there was");
}

#[test]
fn a_corner_that_falls_silent_silences_the_stand() {
    let corners: Vec<String> = (1..=4).map(|cell| format!("{{topic: house/s1/{cell}}}")).collect();
    let body = format!(
        "\nstands: {{s1: {{corners: [{}]}}}}\nflats: {{leek-1: {{label: Leeks, stand: s1, dry_weight: 2000 g, capacity_weight: 3000 g}}}}\n",
        corners.join(", ")
    );
    let mut tape = tape();
    let load: &dyn Fn(f64) -> f64 = &|_| 650.0;
    tape.weigh_all(
        0.5,
        10.0,
        &[("house/s1/1", load), ("house/s1/2", load), ("house/s1/3", load), ("house/s1/4", load)],
    );
    tape.weigh_all(0.5, 10.0, &[("house/s1/1", load), ("house/s1/2", load), ("house/s1/3", load)]);
    let played = tape.play(&House::own_broker(), &body).good();
    assert_eq!(played.turns("stand-silent"), ["raised"]);
    assert_eq!(played.last(STAND)["weight_g"], 2600.0, "the last one there was");
}

#[test]
fn availability_can_come_with_the_readings() {
    let stand = ", value: /w, available: {topic: house/s1, value: /link, online: up, offline: down}";
    let mut tape = tape();
    for link in ["up", "up", "up", "up", "down", "up", "up"] {
        tape.say(S1, &format!(r#"{{"w":2600,"link":"{link}"}}"#)).pause(10.0);
    }
    let played: Played = tape.play(&House::own_broker(), &body(stand));
    if played.code == 2 {
        // `available` takes a topic of its own.
        assert!(played.told.contains("value"), "{}", played.told);
        return;
    }
    assert_eq!(played.turns("stand-silent"), ["raised", "cleared"]);
}
