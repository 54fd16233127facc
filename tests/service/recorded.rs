//! Commands that change what is known of flats and stands, played from recordings.

use crate::bench::{House, TWO};
use crate::played::{Played, Tape};
use serde_json::{Value, json};

const S1: &str = "house/s1";
const S2: &str = "house/s2";
const LEEK: &str = "tarewell/flats/leek-1";
const COMMAND: &str = "tarewell/flats/leek-1/command";
const STAND: &str = "tarewell/stands/s1/command";

fn tape() -> Tape {
    Tape::at("2026-03-02T08:00:00Z")
}

fn play(tape: &Tape) -> Played {
    tape.play(&House::own_broker(), TWO).good()
}

#[track_caller]
fn refusal(played: &Played, words: &str) {
    let refused = played.events("command-refused");
    let error = refused.last().unwrap_or_else(|| panic!("nothing was refused"))["error"].as_str().unwrap();
    assert!(error.contains(words), "{error}");
}

/// All alerts but the silence of the other stand, where a recording has none of its readings.
fn alerts(played: &Played) -> Vec<String> {
    played.kinds().into_iter().filter(|kind| kind != "stand-silent/s2").collect()
}

fn band(state: &Value) -> (f64, f64, &str) {
    (
        state["dry_weight_g"].as_f64().unwrap(),
        state["capacity_weight_g"].as_f64().unwrap(),
        state["band_from"].as_str().unwrap(),
    )
}

#[test]
fn a_band_is_recorded_forgotten_and_undone() {
    let mut tape = tape();
    tape.weigh(0.2, 10.0, S1, |_| 2100.0).say(COMMAND, "record-dry").weigh(0.2, 10.0, S1, |_| 2100.0);
    let played = play(&tape);
    let now = played.last(LEEK);
    assert_eq!(band(now), (2100.0, 3000.0, "recorded"));
    assert_eq!((&now["fraction"], &now["condition"]), (&json!(0.0), &json!("dry")));
    let told = played.events("dry-recorded")[0];
    assert_eq!((&told["what"], &told["from"], &told["to"]), (&json!("dry_weight_g"), &json!(2000.0), &json!(2100.0)));

    tape.weigh(0.5, 10.0, S1, |_| 3200.0).say(COMMAND, r#"{"command":"record-capacity","now":true}"#);
    tape.weigh(0.2, 10.0, S1, |_| 3200.0);
    let played = play(&tape);
    assert_eq!(band(played.last(LEEK)), (2100.0, 3200.0, "recorded"));
    assert_eq!(played.last(LEEK)["fraction"], 1.0);
    assert_eq!(played.events("capacity-recorded").len(), 1);

    tape.say(COMMAND, "undo").pause(5.0);
    assert_eq!(band(play(&tape).last(LEEK)), (2100.0, 3000.0, "recorded"));
    tape.say(COMMAND, "forget-band").pause(5.0);
    assert_eq!(band(play(&tape).last(LEEK)), (2000.0, 3000.0, "file"));
    tape.say(COMMAND, "forget-band").pause(5.0);
    refusal(&play(&tape), "nothing was recorded");
    tape.say(COMMAND, "undo").pause(5.0);
    assert_eq!(band(play(&tape).last(LEEK)), (2100.0, 3000.0, "recorded"), "back to before it was forgotten");
    tape.say(COMMAND, "undo").pause(5.0);
    assert_eq!(band(play(&tape).last(LEEK)), (2000.0, 3000.0, "file"), "back to before the dry weight");
}

#[test]
fn capacity_is_watched_over_many_passes_and_recorded_when_the_dripping_stops() {
    let mut tape = tape();
    tape.weigh(0.5, 10.0, S1, |_| 2200.0).say(COMMAND, "record-capacity").weigh(0.01, 10.0, S1, |_| 2200.0);
    // Ten passes a minute apart, then drainage that falls off with six minutes.
    for pass in 1..=10 {
        let weight = 2200.0 + 100.0 * f64::from(pass);
        tape.weigh(1.0 / 60.0, 5.0, S1, move |_| weight);
    }
    tape.weigh(2.0, 5.0, S1, |h| 3100.0 + 100.0 * (-h * 10.0).exp());
    let played = play(&tape);
    let recorded = played.events("capacity-recorded");
    assert_eq!(recorded.len(), 1);
    let to = recorded[0]["to"].as_f64().unwrap();
    assert!((3095.0..3108.0).contains(&to), "{to}");
    assert_eq!(band(played.last(LEEK)).2, "recorded");
    assert!(!played.events("soaking").is_empty() && !played.events("drained").is_empty());
    assert!(played.events("watered").is_empty(), "a watch tells of soaking, not of waterings");
    assert_eq!(alerts(&played), ["dry/leek-1"], "and no alert but the one before it");
    let soak = played.last(LEEK)["since_soak_d"].as_f64().unwrap();
    assert!(soak < 0.2, "{soak}");
}

#[test]
fn capacity_is_watched_while_carried_away_and_back() {
    let mut tape = tape();
    tape.weigh(0.5, 10.0, S1, |_| 2200.0).say(COMMAND, "record-capacity").weigh(0.05, 10.0, S1, |_| 2200.0);
    tape.weigh(2.0, 10.0, S1, |_| 0.0);
    tape.weigh(3.0, 10.0, S1, |h| 3100.0 + 60.0 * (-h * 10.0).exp());
    let played = play(&tape);
    let to = played.events("capacity-recorded")[0]["to"].as_f64().unwrap();
    assert!((3092.0..3108.0).contains(&to), "{to}");
    assert_eq!(alerts(&played), ["dry/leek-1"], "two hours away are no absence while it is watched");
}

#[test]
fn limits_are_set_in_order_all_of_one_command_together() {
    let mut tape = tape();
    tape.weigh(0.2, 10.0, S1, |_| 2600.0).say(COMMAND, r#"{"command":"set","target":0.8}"#).pause(1.0);
    refusal(&play(&tape), "high");
    tape.say(COMMAND, r#"{"command":"set","target":0.8,"high":0.9,"place":"left, above","plant_mass_g":50}"#)
        .pause(1.0);
    let played = play(&tape);
    let now = played.last(LEEK);
    assert_eq!((&now["target"], &now["high"], &now["plant_mass_g"]), (&json!(0.8), &json!(0.9), &json!(50.0)));
    assert_eq!((&now["fraction"], &now["target_weight_g"]), (&json!(0.55), &json!(2850.0)), "plants shift both ends");
    assert_eq!((&now["dry_weight_g"], &now["water_g"]), (&json!(2000.0), &json!(550.0)));
    tape.say(COMMAND, r#"{"command":"set","target":null}"#).pause(1.0);
    assert_eq!(play(&tape).last(LEEK)["target"], 0.5);
    tape.say(COMMAND, r#"{"command":"set","target":0.8}"#).pause(1.0);
    tape.say(COMMAND, r#"{"command":"set","high":null}"#).pause(1.0);
    let played = play(&tape);
    refusal(&played, "high");
    assert_eq!(played.last(LEEK)["high"], 0.9, "what was refused changes nothing");
    tape.say(COMMAND, r#"{"command":"set","high":null,"target":null,"plant_mass_g":null}"#).pause(1.0);
    let played = play(&tape);
    let now = played.last(LEEK);
    assert_eq!((&now["target"], &now["high"], &now["plant_mass_g"]), (&json!(0.5), &json!(0.75), &json!(0.0)));
}

#[test]
fn flats_swap_their_stands() {
    let mut tape = tape();
    tape.weigh_all(0.2, 10.0, &[(S1, &|_| 2600.0), (S2, &|_| 2400.0)]);
    tape.say(COMMAND, r#"{"command":"move","stand":"s2"}"#).pause(1.0);
    tape.weigh_all(0.3, 10.0, &[(S1, &|_| 2400.0), (S2, &|_| 2600.0)]);
    let played = play(&tape);
    assert_eq!(played.last(LEEK)["stand"], "s2");
    assert_eq!(played.last("tarewell/flats/leek-2")["stand"], "s1");
    assert_eq!(played.last("tarewell/stands/s1")["flat"], "leek-2");
    assert_eq!(played.events("moved").len(), 2);
    assert_eq!(played.last(LEEK)["weight_g"], 2600.0);
    assert_eq!(played.last("tarewell/flats/leek-2")["weight_g"], 2400.0);
    assert!(played.kinds().is_empty(), "{:?}", played.kinds());
    assert!(played.events("watered").is_empty() && played.events("removed").is_empty());

    tape.say(COMMAND, r#"{"command":"move","stand":null}"#).pause(1.0);
    let played = play(&tape);
    assert!(played.last(LEEK)["stand"].is_null());
    assert!(played.last("tarewell/stands/s2")["flat"].is_null());
    assert_eq!(played.last(LEEK)["weight_g"], 2600.0, "the last one weighed");
    assert_eq!(played.last(LEEK)["stable"], false);
    tape.say(COMMAND, r#"{"command":"move","stand":"s9"}"#).pause(1.0);
    refusal(&play(&tape), "s9");
}

#[test]
fn moved_first_and_carried_later_is_no_alert() {
    let mut tape = tape();
    tape.weigh_all(0.2, 10.0, &[(S1, &|_| 2600.0), (S2, &|_| 2400.0)]);
    tape.weigh_all(0.05, 10.0, &[(S1, &|_| 0.0), (S2, &|_| 0.0)]);
    tape.say(COMMAND, r#"{"command":"move","stand":"s2"}"#).pause(1.0);
    tape.weigh_all(0.05, 10.0, &[(S1, &|_| 0.0), (S2, &|_| 0.0)]);
    tape.weigh_all(1.0, 10.0, &[(S1, &|_| 2400.0), (S2, &|_| 2600.0)]);
    let played = play(&tape);
    assert!(played.kinds().is_empty(), "{:?}", played.kinds());
    assert!(played.events("watered").is_empty(), "{:?}", played.events("watered"));
    assert_eq!((&played.last(LEEK)["weight_g"], &played.last(LEEK)["stand"]), (&json!(2600.0), &json!("s2")));
}

#[test]
fn a_stand_is_zeroed_when_it_is_empty() {
    let mut tape = tape();
    tape.weigh(0.2, 10.0, S1, |_| 2600.0).say(STAND, "zero").weigh(0.02, 10.0, S1, |_| 2600.0);
    refusal(&play(&tape), "a flat is known on this stand");
    tape.weigh(0.1, 10.0, S1, |_| 12.0).say(STAND, "zero").weigh(0.05, 10.0, S1, |_| 12.0);
    tape.weigh(0.2, 10.0, S1, |_| 2612.0);
    let played = play(&tape);
    assert_eq!(played.events("command-refused").len(), 1, "{:?}", played.events("command-refused"));
    assert_eq!(played.last(LEEK)["weight_g"], 2600.0);
    tape.say(STAND, "forget-calibration").weigh(0.1, 10.0, S1, |_| 2612.0);
    assert_eq!(play(&tape).last(LEEK)["weight_g"], 2612.0, "back to the file");
}

#[test]
fn a_zero_far_off_needs_force() {
    let mut tape = tape();
    tape.weigh(0.1, 10.0, S1, |_| 320.0).say(STAND, "zero").weigh(0.02, 10.0, S1, |_| 320.0);
    let played = play(&tape);
    refusal(&played, "force");
    tape.say(STAND, r#"{"command":"zero","force":true}"#).weigh(0.1, 10.0, S1, |_| 320.0);
    assert_eq!(play(&tape).last("tarewell/stands/s1")["weight_g"], 0.0);
}

#[test]
fn a_new_span_rescales_what_was_recorded_with_the_old_one() {
    let mut tape = tape();
    tape.weigh(0.1, 10.0, S1, |_| 2100.0).say(COMMAND, "record-dry").weigh(0.02, 10.0, S1, |_| 2100.0);
    tape.weigh(0.2, 10.0, S1, |_| 3300.0).say(COMMAND, r#"{"command":"record-capacity","now":true}"#);
    tape.weigh(0.02, 10.0, S1, |_| 3300.0).weigh(0.2, 10.0, S1, |_| 2700.0);
    let before = play(&tape);
    assert_eq!(before.last(LEEK)["fraction"], 0.5);
    // The flat itself is known to weigh 5 % more than the stand says.
    tape.say(STAND, r#"{"command":"span","mass_g":2835}"#).weigh(0.1, 10.0, S1, |_| 2700.0);
    let played = play(&tape);
    assert!(played.events("command-refused").is_empty(), "{:?}", played.events("command-refused"));
    let now = played.last(LEEK);
    assert_eq!(band(now), (2205.0, 3465.0, "recorded"));
    assert_eq!((&now["weight_g"], &now["fraction"]), (&json!(2835.0), &json!(0.5)), "the same water as before");
    tape.say(STAND, r#"{"command":"span","mass_g":4000}"#).weigh(0.02, 10.0, S1, |_| 2700.0);
    refusal(&play(&tape), "force");
}

#[test]
fn what_a_stand_holds_is_told() {
    let holds = "tarewell/stands/s1/command";
    let mut tape = tape();
    tape.weigh_all(0.2, 10.0, &[(S1, &|_| 2600.0), (S2, &|_| 2400.0)]);
    tape.say(holds, r#"{"command":"holds","flat":null}"#).pause(1.0);
    let played = play(&tape);
    assert!(played.last("tarewell/stands/s1")["flat"].is_null() && played.last(LEEK)["stand"].is_null());
    tape.say(holds, r#"{"command":"holds","flat":"leek-2"}"#).weigh_all(
        0.2,
        10.0,
        &[(S1, &|_| 2400.0), (S2, &|_| 0.0)],
    );
    let played = play(&tape);
    assert_eq!(played.last("tarewell/flats/leek-2")["stand"], "s1");
    assert!(played.last("tarewell/stands/s2")["flat"].is_null());
    assert_eq!(played.last("tarewell/flats/leek-2")["weight_g"], 2400.0);
    tape.say(holds, r#"{"command":"holds","flat":"leek-9"}"#).pause(1.0);
    refusal(&play(&tape), "leek-1");
}

#[test]
fn what_cannot_be_done_is_refused_and_changes_nothing() {
    let mut tape = tape();
    tape.weigh(0.2, 10.0, S1, |_| 2600.0);
    let before = play(&tape);
    let commands = [
        (COMMAND, "water-it", "water"),
        (COMMAND, "weigh", "weight_g"),
        (COMMAND, r#"{"command":"weigh","weight_g":2500}"#, "being weighed on s1"),
        (COMMAND, r#"{"command":"water","volume_ml":300}"#, "no valve feeds"),
        (COMMAND, r#"{"command":"dome"}"#, "`on`"),
        (COMMAND, r#"{"command":"stage","stage":"toning"}"#, "no stages"),
        (COMMAND, r#"{"command":"correct","seq":77,"was":"nothing"}"#, "77"),
        (COMMAND, r#"{"command":"correct","seq":77,"was":"drowned"}"#, "dome-on"),
        (COMMAND, r#"{"command":"pot-on","into":["leek-1"]}"#, "into itself"),
        (STAND, "round", "shared: true"),
        (COMMAND, "{", "JSON"),
        (COMMAND, "[]", "command"),
        (COMMAND, r#"{"command":"set"}"#, "at least one"),
        (COMMAND, r#"{"command":"set","targt":0.6}"#, "target"),
        (COMMAND, r#"{"command":"set","target":60}"#, "0.6"),
        (COMMAND, r#"{"command":"set","target":"much"}"#, "target"),
        (COMMAND, r#"{"command":"set","plant_mass_g":-1}"#, "plant_mass_g"),
        (COMMAND, r#"{"command":"move","stand":7}"#, "stand"),
        (COMMAND, r#"{"command":"shelve"}"#, "for_h"),
        (COMMAND, "zero", "stand"),
        (STAND, "record-dry", "flat"),
        (STAND, r#"{"command":"span","mass_g":0}"#, "mass_g"),
        (COMMAND, r#"{"command":"undo","time":"2026-03-02T08:00:00Z"}"#, "30 s"),
        (COMMAND, "undo", "no record"),
        ("tarewell/command", "pause", "for_h"),
        ("tarewell/flats/leek-9/command", "undo", "leek-9"),
    ];
    for (topic, payload, _) in commands {
        tape.say(topic, payload).pause(0.5);
    }
    tape.say(COMMAND, "").say(COMMAND, "  ");
    let played = play(&tape);
    let refused = played.events("command-refused");
    assert_eq!(refused.len(), commands.len(), "{refused:#?}");
    for ((_, payload, words), event) in commands.iter().zip(&refused) {
        let error = event["error"].as_str().unwrap();
        assert!(error.contains(words), "{payload}: {error}");
        assert!(event["command"].is_string(), "{event}");
    }
    let kept = |played: &Played| {
        let mut state = played.last(LEEK).clone();
        state.as_object_mut().unwrap().remove("time");
        state
    };
    assert_eq!(kept(&before), kept(&played));
}

#[test]
fn a_retained_command_is_refused_cleared_and_told() {
    let mut tape = tape();
    tape.weigh(0.2, 10.0, S1, |_| 2600.0).retained(COMMAND, "record-dry").weigh(0.2, 10.0, S1, |_| 2600.0);
    let played = play(&tape);
    refusal(&played, "retain");
    assert_eq!(played.last(COMMAND), &json!(""));
    assert_eq!(band(played.last(LEEK)), (2000.0, 3000.0, "file"));
}

#[test]
fn a_command_is_done_once_by_its_id() {
    let mut tape = tape();
    tape.weigh(0.2, 10.0, S1, |_| 2100.0);
    let once = r#"{"command":"record-dry","id":"a-1"}"#;
    tape.say(COMMAND, once).weigh(0.3, 10.0, S1, |_| 2500.0).say(COMMAND, once).weigh(0.1, 10.0, S1, |_| 2500.0);
    let played = play(&tape);
    assert_eq!(played.events("dry-recorded").len(), 1);
    assert_eq!(played.last(LEEK)["dry_weight_g"], 2100.0);
    tape.pause(24.5 * 3600.0).weigh(0.1, 10.0, S1, |_| 2500.0).say(COMMAND, once).weigh(0.1, 10.0, S1, |_| 2500.0);
    assert_eq!(play(&tape).events("dry-recorded").len(), 2, "a day later it is another command");
}

#[test]
fn a_repeat_of_a_command_that_still_waits_does_nothing() {
    let mut tape = tape();
    let restless = |h: f64| 2300.0 + 40.0 * (h * 3600.0).sin();
    tape.weigh(0.1, 1.0, S1, |_| 2300.0).weigh(0.02, 1.0, S1, restless);
    let once = r#"{"command":"record-dry","id":"a-1"}"#;
    tape.say(COMMAND, once).pause(0.5).say(COMMAND, once).pause(0.5).weigh(0.05, 1.0, S1, |_| 2300.0);
    let played = play(&tape);
    assert_eq!(played.events("dry-recorded").len(), 1);
}

#[test]
fn unsteadiness_is_waited_for_and_then_told() {
    let mut tape = tape();
    tape.weigh(0.1, 1.0, S1, |_| 2600.0).weigh(0.02, 1.0, S1, |h| 2600.0 + 40.0 * (h * 3600.0).sin());
    tape.say(COMMAND, "record-dry").weigh(0.02, 1.0, S1, |h| 2600.0 + 40.0 * (h * 3600.0).sin());
    let played = play(&tape);
    refusal(&played, "80 g");
    let at = played.on("tarewell/events").find(|line| line.payload["event"] == "command-refused").unwrap().time;
    assert_eq!(at.format("%H:%M:%S").to_string(), "08:07:42", "30 s later");
}

#[test]
fn nothing_is_recorded_of_an_empty_stand() {
    let mut tape = tape();
    tape.weigh(0.2, 10.0, S1, |_| 3.0);
    let played = play(&tape);
    assert_eq!(played.last(LEEK)["condition"], "unknown", "an empty stand is no dry flat");
    assert!(alerts(&played).is_empty(), "{:?}", alerts(&played));
    tape.say(COMMAND, "record-dry").weigh(0.1, 10.0, S1, |_| 3.0);
    refusal(&play(&tape), "nothing lies on s1");
    tape.say(STAND, "zero").weigh(0.1, 10.0, S1, |_| 3.0).weigh(0.2, 10.0, S1, |_| 2603.0);
    assert_eq!(play(&tape).last(LEEK)["weight_g"], 2600.0);
}

#[test]
fn fast_readings_of_a_lifted_flat_make_no_dry_one() {
    for noise in [0.0, 2.0] {
        let mut tape = tape();
        let shake = move |h: f64| ((h * 36_000.0).round() * 2.399).sin() * noise;
        tape.weigh(0.05, 0.1, S1, move |h| 2600.0 + shake(h)).weigh(0.02, 0.1, S1, shake);
        tape.weigh(0.02, 0.1, S1, move |h| 2590.0 + shake(h));
        let played = play(&tape);
        assert!(alerts(&played).is_empty(), "{:?}", alerts(&played));
        assert_eq!((played.events("lifted").len(), played.events("returned").len()), (1, 1));
        assert!(played.on(LEEK).all(|line| line.payload["condition"] != "dry"));
    }
}

#[test]
fn recording_what_could_not_be_the_flat_says_that_it_is() {
    let mut tape = tape();
    tape.weigh(0.2, 10.0, S1, |_| 2600.0).weigh(0.05, 10.0, S1, |_| 0.0).weigh(0.2, 10.0, S1, |_| 1500.0);
    tape.say(COMMAND, "record-dry").weigh(0.2, 10.0, S1, |_| 1500.0);
    let played = play(&tape);
    assert_eq!(played.turns("flat-changed"), ["raised", "cleared"]);
    let now = played.last(LEEK);
    assert_eq!(
        (&now["dry_weight_g"], &now["fraction"], &now["weight_g"]),
        (&json!(1500.0), &json!(0.0), &json!(1500.0))
    );
}

#[test]
fn a_shaken_stand_is_no_noisy_one() {
    let shaken = |h: f64| [2440.0, 2560.0, 2500.0][((h * 18_000.0).round() as usize) % 3];
    let mut tape = tape();
    tape.weigh(0.02, 0.2, S1, |_| 2500.0).weigh(0.001, 0.2, S1, shaken).say(COMMAND, "record-dry");
    tape.weigh(0.001, 0.2, S1, shaken);
    // Still again, 20 g heavier: that and nothing in between is its weight.
    let mut settled = tape.clone();
    settled.weigh(0.01, 0.2, S1, |_| 2520.0);
    assert_eq!(play(&settled).last(LEEK)["dry_weight_g"], 2520.0);
    tape.weigh(0.01, 0.2, S1, shaken);
    let played = play(&tape);
    refusal(&played, "120 g");
    assert_eq!(played.last(LEEK)["dry_weight_g"], 2000.0);
}

#[test]
fn a_flat_without_a_stand_is_told_what_it_lacks() {
    let body = format!("{TWO}  leek-3: {{label: Third leeks, dry_weight: 2000 g, capacity_weight: 3000 g}}\n");
    let mut tape = tape();
    tape.weigh(0.1, 10.0, S1, |_| 2600.0);
    for command in ["record-dry", "record-capacity", r#"{"command":"record-capacity","now":true}"#] {
        tape.say("tarewell/flats/leek-3/command", command).pause(1.0);
    }
    tape.say("tarewell/flats/leek-3/command", r#"{"command":"set","target":0.6}"#).pause(1.0);
    let played = tape.play(&House::own_broker(), &body).good();
    let refused = played.events("command-refused");
    assert_eq!(refused.len(), 3);
    assert!(refused.iter().all(|event| event["error"].as_str().unwrap().contains("no stand")), "{refused:#?}");
    let now = played.last("tarewell/flats/leek-3");
    assert_eq!((&now["target"], &now["condition"], &now["stand"]), (&json!(0.6), &json!("unknown"), &Value::Null));
}
