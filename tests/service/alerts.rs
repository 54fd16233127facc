//! Every kind of alert for flats on stands and for stands: raised once, cleared once, also with a restart in between.

use crate::bench::{House, TWO};
use crate::played::{Played, Tape};
use serde_json::{Value, json};

const S1: &str = "house/s1";
const DAY: &str = "2026-03-02T08:00:00Z";

/// One flat on one stand, with what is added to each.
fn one(stand: &str, flat: &str) -> String {
    format!(
        "
stands: {{s1: {{topic: house/s1{stand}}}}}
flats: {{leek-1: {{label: Leeks, stand: s1, dry_weight: 2000 g, capacity_weight: 3000 g{flat}}}}}
"
    )
}

fn alert<'a>(played: &'a Played, topic: &'a str) -> &'a Value {
    let mut raised = played.on(topic).map(|line| &line.payload);
    raised.find(|payload| payload.is_object()).unwrap_or_else(|| panic!("{topic} was never raised"))
}

/// Raised once and cleared once, and at the end its topic is empty.
#[track_caller]
fn assert_once(played: &Played, kind: &str, of: &str) {
    assert_eq!(played.turns(kind), ["raised", "cleared"], "{kind}");
    assert_eq!(played.last(&format!("tarewell/alerts/{kind}/{of}")), &json!(""), "{kind} is cleared");
}

#[test]
fn dry_rises_at_low_worsens_below_half_of_it_and_clears_when_watered() {
    let mut tape = Tape::at(DAY);
    // 20 g an hour: 0.31 of the band to 0.13 within nine hours; then 400 mL.
    tape.weigh(9.0, 10.0, S1, |h| 2310.0 - 20.0 * h);
    tape.weigh(1.0, 10.0, S1, |h| 2530.0 - 20.0 * h);
    let played = tape.play(&House::own_broker(), &one("", "")).good();
    // That it has become critical is told by raising it once more.
    assert_eq!(played.turns("dry"), ["raised", "raised", "cleared"]);
    assert_eq!(played.last("tarewell/alerts/dry/leek-1"), &json!(""));
    assert_eq!(played.kinds(), ["dry/leek-1"]);
    let raised = alert(&played, "tarewell/alerts/dry/leek-1");
    let keys: Vec<&String> = raised.as_object().unwrap().keys().collect();
    assert_eq!(keys, ["id", "kind", "of", "severity", "since", "text", "title", "value"]);
    assert_eq!((&raised["severity"], &raised["value"]), (&json!("warning"), &json!(0.299)));
    assert_eq!(raised["since"], "2026-03-02T08:31:40+00:00", "0.2995 rounds to 0.3, which is not below it");
    let severities: Vec<&Value> = played
        .on("tarewell/alerts/dry/leek-1")
        .filter(|line| line.payload.is_object())
        .map(|line| &line.payload["severity"])
        .collect();
    assert_eq!(severities.last(), Some(&&json!("critical")));
    let event = &played.events("alert-cleared")[0];
    assert_eq!((&event["kind"], &event["severity"]), (&json!("dry"), &json!("critical")));
}

#[test]
fn too_wet_rises_after_wet_for() {
    let mut tape = Tape::at(DAY);
    tape.weigh(80.0, 300.0, S1, |h| 2900.0 - h).weigh(3.0, 300.0, S1, |h| 2725.0 - 3.0 * h);
    let played = tape.play(&House::own_broker(), &one("", "")).good();
    assert_once(&played, "too-wet", "leek-1");
    let (_, raised) = &played.story("too-wet")[0];
    let hours = (*raised - DAY.parse::<chrono::DateTime<chrono::Utc>>().unwrap()).num_minutes();
    assert!((72 * 60..72 * 60 + 25).contains(&hours), "{hours} min");
}

#[test]
fn not_drying_rises_after_a_day_without_loss() {
    let mut tape = Tape::at(DAY);
    tape.weigh(30.0, 300.0, S1, |_| 2600.0).weigh(48.0, 300.0, S1, |h| 2600.0 - 5.0 * h);
    let played = tape.play(&House::own_broker(), &one("", "")).good();
    assert_once(&played, "not-drying", "leek-1");
}

#[test]
fn dry_overnight_rises_in_the_afternoon() {
    let mut tape = Tape::at("2026-03-02T06:00:00Z");
    // Two days at 10 g an hour, until 0.36 at 18:00 of the second: low is six hours off.
    tape.weigh(36.0 + 6.0, 300.0, S1, |h| 2720.0 - 10.0 * h);
    tape.weigh(24.0, 300.0, S1, |h| 2700.0 - 10.0 * h);
    let played = tape.play(&House::own_broker(), &one("", "")).good();
    assert_once(&played, "dry-overnight", "leek-1");
    let (_, raised) = &played.story("dry-overnight")[0];
    assert_eq!(raised.to_string(), "2026-03-03 16:00:00 UTC");
}

#[test]
fn a_flat_off_its_stand_is_absent_in_time() {
    let mut tape = Tape::at(DAY);
    tape.weigh(2.0, 10.0, S1, |_| 2600.0).weigh(2.0, 10.0, S1, |_| 0.0).weigh(0.5, 10.0, S1, |_| 2590.0);
    let played = tape.play(&House::own_broker(), &one("", "")).good();
    assert_once(&played, "flat-absent", "leek-1");
    let (_, raised) = &played.story("flat-absent")[0];
    assert_eq!(raised.format("%H:%M").to_string(), "11:30", "90 min after 10:00");
    assert_eq!((played.events("lifted").len(), played.events("returned").len()), (1, 1));
    assert_eq!(played.events("returned")[0]["change_g"], -10.0);
}

#[test]
fn another_flat_on_the_stand_is_told_until_a_person_says_what_it_is() {
    let mut tape = Tape::at(DAY);
    tape.weigh(1.0, 10.0, S1, |_| 2600.0).weigh(0.2, 10.0, S1, |_| 0.0).weigh(1.0, 10.0, S1, |_| 1500.0);
    tape.say("tarewell/stands/s1/command", r#"{"command":"holds","flat":"leek-1"}"#);
    tape.weigh(1.0, 10.0, S1, |_| 1500.0);
    let body =
        one("", "") + "valves: {drip: {topic: v/set, open: 'ON {seconds}', close: OFF, feeds: {leek-1: 2 L/h}}}\n";
    let played = tape.play(&House::own_broker(), &body).good();
    assert_once(&played, "flat-changed", "leek-1");
    let locked = |line: &&crate::played::Line| line.payload["locked"]["reason"] == "flat-changed";
    let held = played.on("tarewell/valves/drip").find(locked).expect("its valve is held");
    assert_eq!(held.payload["locked"]["needs_unlock"], false);
    assert!(held.payload["plan"].is_null());
    let told = played.on("tarewell/flats/leek-1").find(locked).expect("the flat says so too");
    assert_eq!(told.payload["condition"], "moist", "what is left in the flat that is away");
    assert!(!played.last("tarewell/valves/drip")["locked"].is_object());
    assert_eq!(played.last("tarewell/flats/leek-1")["weight_g"], 1500.0);
    assert_eq!(played.last("tarewell/flats/leek-1")["condition"], "dry");
}

#[test]
fn too_heavy_is_another_flat_too() {
    let mut tape = Tape::at(DAY);
    tape.weigh(1.0, 10.0, S1, |_| 2600.0).weigh(0.2, 10.0, S1, |_| 0.0).weigh(1.0, 10.0, S1, |_| 4200.0);
    tape.weigh(0.2, 10.0, S1, |_| 0.0).weigh(1.0, 10.0, S1, |_| 2580.0);
    let played = tape.play(&House::own_broker(), &one("", "")).good();
    assert_once(&played, "flat-changed", "leek-1");
    assert_eq!(played.last("tarewell/flats/leek-1")["weight_g"], 2580.0);
}

#[test]
fn weigh_due_rises_when_nobody_can_say_any_more() {
    let mut tape = Tape::at(DAY);
    tape.weigh(30.0, 300.0, S1, |h| 2950.0 - 5.0 * h).weigh(0.1, 10.0, S1, |_| 0.0);
    tape.pause(70.0 * 3600.0).weigh(1.0, 10.0, S1, |_| 2500.0);
    let played = tape.play(&House::own_broker(), &one(", stale_after: 10 d", "")).good();
    assert_once(&played, "weigh-due", "leek-1");
    assert_once(&played, "flat-absent", "leek-1");
    let unknown = played
        .on("tarewell/flats/leek-1")
        .find(|line| line.payload["weighed_at"].is_string() && line.payload["condition"] == "unknown");
    let unknown = &unknown.expect("unknown").payload;
    for key in
        ["water_g", "fraction", "to_target_ml", "target_weight_g", "due_at", "due_between", "low_at", "low_between"]
    {
        assert!(unknown[key].is_null(), "{key}");
    }
    let weight = unknown["weight_g"].as_f64().unwrap();
    assert!((2800.0..2801.0).contains(&weight), "the last one weighed: {weight}");
    assert_eq!(unknown["basis"], "stand");
}

#[test]
fn a_band_that_cannot_be_is_doubted() {
    let mut tape = Tape::at(DAY);
    tape.weigh(1.0, 10.0, S1, |_| 2010.0);
    tape.say("tarewell/flats/leek-1/command", r#"{"command":"record-capacity","now":true}"#);
    tape.weigh(1.0, 10.0, S1, |_| 2010.0).say("tarewell/flats/leek-1/command", "undo").weigh(1.0, 10.0, S1, |_| 2010.0);
    let played = tape.play(&House::own_broker(), &one("", "")).good();
    assert_once(&played, "band-doubtful", "leek-1");
}

#[test]
fn losing_faster_than_any_drying_is_a_leak() {
    let mut tape = Tape::at(DAY);
    tape.weigh(3.0, 10.0, S1, |h| 2900.0 - 10.0 * h).weigh(1.0, 10.0, S1, |h| 2870.0 - 300.0 * h);
    tape.weigh(2.0, 10.0, S1, |h| 2570.0 - 10.0 * h);
    let played = tape.play(&House::own_broker(), &one("", "")).good();
    assert_once(&played, "leak", "leek-1");
}

#[test]
fn a_silent_stand_is_told_and_the_flat_is_carried_on() {
    let mut tape = Tape::at(DAY);
    tape.weigh(3.0, 10.0, S1, |h| 2600.0 - 10.0 * h).pause(3.0 * 3600.0).weigh(1.0, 10.0, S1, |h| 2540.0 - 10.0 * h);
    let played = tape.play(&House::own_broker(), &one("", "")).good();
    assert_once(&played, "stand-silent", "s1");
    let (_, raised) = &played.story("stand-silent")[0];
    assert_eq!(raised.format("%H:%M:%S").to_string(), "11:09:50", "10 min after the last reading");
    let silent = played.on("tarewell/stands/s1").find(|line| line.payload["state"] == "silent").unwrap();
    assert_eq!(silent.payload["weight_g"], 2570.0);
    let mut carried = played.on("tarewell/flats/leek-1").filter(|line| line.time.format("%H").to_string() == "13");
    let last = &carried.next_back().unwrap().payload;
    assert_eq!(last["weight_g"], 2570.0, "the last one weighed");
    let fraction = last["fraction"].as_f64().unwrap();
    assert!((0.53..0.56).contains(&fraction), "carried on by its drying: {fraction}");
    assert!(last["fraction_error"].as_f64().unwrap() > 0.002);
    assert_eq!(played.kinds(), ["stand-silent/s1"]);
}

#[test]
fn a_stand_that_says_it_is_gone_is_silent_at_once() {
    let mut tape = Tape::at(DAY);
    tape.weigh(0.1, 10.0, S1, |_| 2600.0).pause(60.0).say("house/s1/status", "offline").pause(60.0);
    tape.say("house/s1/status", "online").weigh(0.1, 10.0, S1, |_| 2600.0);
    let body = one(", available: {topic: house/s1/status, online: online, offline: offline}", "");
    let played = tape.play(&House::own_broker(), &body).good();
    assert_once(&played, "stand-silent", "s1");
    assert!(played.on("tarewell/stands/s1").any(|line| line.payload["state"] == "silent"));
    assert_eq!(played.last("tarewell/stands/s1")["state"], "ok");
}

#[test]
fn a_storm_of_failures_is_a_fault() {
    let mut tape = Tape::at(DAY);
    tape.weigh(1.0, 10.0, S1, |_| 2600.0);
    for _ in 0..30 {
        tape.say(S1, "nan").pause(10.0);
    }
    tape.weigh(2.0, 10.0, S1, |_| 2600.0);
    let played = tape.play(&House::own_broker(), &one("", "")).good();
    assert_once(&played, "stand-fault", "s1");
    let fault = played.on("tarewell/stands/s1").find(|line| line.payload["state"] == "fault").unwrap();
    assert!(fault.payload["fault"].is_string(), "{}", fault.payload);
    assert!(alert(&played, "tarewell/alerts/stand-fault/s1")["text"].as_str().unwrap().contains("s1"));
}

#[test]
fn an_overload_is_a_fault_not_a_weight() {
    let mut tape = Tape::at(DAY);
    tape.weigh(1.0, 10.0, S1, |_| 2600.0).weigh(0.1, 10.0, S1, |_| 12_345.0).weigh(2.0, 10.0, S1, |_| 2600.0);
    let played = tape.play(&House::own_broker(), &one(", max_load: 10 kg", "")).good();
    assert_once(&played, "stand-fault", "s1");
    let weights = played.on("tarewell/stands/s1").filter_map(|line| line.payload["weight_g"].as_f64());
    assert_eq!(weights.fold(0.0, f64::max), 2600.0);
    assert!(played.events("returned").is_empty());
}

#[test]
fn frozen_readings_are_a_fault() {
    let mut tape = Tape::at(DAY);
    tape.weigh(30.0, 60.0, S1, |h| 2900.0 - 10.0 * h).weigh(4.0, 60.0, S1, |_| 2600.0);
    tape.weigh(3.0, 60.0, S1, |h| 2570.0 - 10.0 * h);
    let played = tape.play(&House::own_broker(), &one("", "")).good();
    assert_once(&played, "stand-fault", "s1");
}

#[test]
fn corners_that_do_not_share_the_load_are_uneven() {
    let corners: Vec<String> = (1..=4).map(|cell| format!("{{topic: house/s1/{cell}}}")).collect();
    let body = format!(
        "
stands: {{s1: {{corners: [{}]}}}}
flats: {{leek-1: {{label: Leeks, stand: s1, dry_weight: 2000 g, capacity_weight: 3000 g}}}}
",
        corners.join(", ")
    );
    let mut tape = Tape::at(DAY);
    let topics = ["house/s1/1", "house/s1/2", "house/s1/3", "house/s1/4"];
    let mut weigh = |hours: f64, cells: [f64; 4]| {
        let [a, b, c, d] = cells;
        let (a, b, c, d) = (move |_| a, move |_| b, move |_| c, move |_| d);
        let scales: [(&str, &dyn Fn(f64) -> f64); 4] =
            [(topics[0], &a), (topics[1], &b), (topics[2], &c), (topics[3], &d)];
        tape.weigh_all(hours, 5.0, &scales);
    };
    weigh(0.5, [650.0, 650.0, 650.0, 650.0]);
    weigh(0.5, [1280.0, 20.0, 20.0, 1280.0]);
    weigh(0.5, [650.0, 650.0, 650.0, 650.0]);
    let played = tape.play(&House::own_broker(), &body).good();
    assert_once(&played, "uneven", "s1");
    assert_eq!(played.last("tarewell/stands/s1")["corners_g"], json!([650.0, 650.0, 650.0, 650.0]));
    assert_eq!(played.last("tarewell/stands/s1")["weight_g"], 2600.0);
    assert_eq!(played.kinds(), ["uneven/s1"]);
}

#[test]
fn what_is_raised_stays_raised_over_a_restart_and_is_told_once() {
    let house = House::own_broker();
    house.write(TWO);
    let store = house.path("replay.db");
    let store = ["--store", store.to_str().unwrap()];
    let mut tape = Tape::at(DAY);
    // One dry, the other off its stand for two hours, and then nothing of that stand.
    tape.weigh_all(0.5, 10.0, &[(S1, &|_| 2200.0), ("house/s2", &|_| 2600.0)]);
    tape.weigh_all(2.0, 10.0, &[(S1, &|_| 2200.0), ("house/s2", &|_| 0.0)]);
    tape.weigh(0.5, 10.0, S1, |_| 2200.0);
    let first = tape.play_with(&house, &store).good();
    assert_eq!(first.kinds(), ["dry/leek-1", "flat-absent/leek-2", "stand-silent/s2"]);
    let since = |played: &Played, topic: &str| alert(played, topic)["since"].clone();

    let mut tape = Tape::at("2026-03-02T11:30:00Z");
    tape.weigh_all(1.0, 10.0, &[(S1, &|_| 2195.0), ("house/s2", &|_| 0.0)]);
    let second = tape.play_with(&house, &store).good();
    assert_eq!(second.events("alert-raised"), Vec::<&Value>::new(), "nothing rises twice");
    for topic in ["tarewell/alerts/dry/leek-1", "tarewell/alerts/flat-absent/leek-2", "tarewell/alerts/stand-silent/s2"]
    {
        assert_eq!(since(&first, topic), since(&second, topic), "{topic} keeps its beginning, and is published again");
    }
    assert_eq!(second.turns("stand-silent"), ["cleared"]);

    let mut tape = Tape::at("2026-03-02T13:00:00Z");
    tape.weigh_all(1.0, 10.0, &[(S1, &|_| 2700.0), ("house/s2", &|_| 2600.0)]);
    let third = tape.play_with(&house, &store).good();
    assert_eq!(
        (third.turns("dry"), third.turns("flat-absent")),
        (vec!["cleared".to_owned()], vec!["cleared".to_owned()])
    );
    let last_seq = |played: &Played| played.on("tarewell/events").last().unwrap().payload["seq"].as_u64().unwrap();
    assert!(last_seq(&first) < last_seq(&second) && last_seq(&second) < last_seq(&third));
}

#[test]
fn a_flat_that_empties_within_a_day_is_outgrown() {
    let mut tape = Tape::at(DAY);
    // From full to a fifth in a day, four times.
    for _ in 0..4 {
        tape.weigh(24.0, 300.0, S1, |h| 2980.0 - 32.0 * h);
    }
    let played = tape.play(&House::own_broker(), &one("", "")).good();
    assert!(played.turns("outgrown").contains(&"raised".to_owned()), "{:?}", played.kinds());
    assert_eq!(alert(&played, "tarewell/alerts/outgrown/leek-1")["severity"], "notice");
}

#[test]
fn stages_change_at_local_midnight_and_bring_their_limits() {
    // New York is four hours behind in summer.
    let house = House::with("");
    let stages = ", sown: 2026-06-01, stages: [{name: first, low: 20%, water_at: 25%, target: 30%}, {name: second, from_day: 2}]";
    let body = one("", stages);
    let mut tape = Tape::at("2026-06-02T20:00:00Z");
    tape.weigh(12.0, 60.0, S1, |_| 2280.0);
    house.write(&body);
    let config = house.path("tarewell.yaml");
    let text = std::fs::read_to_string(&config).unwrap().replace("Europe/Dublin", "America/New_York");
    std::fs::write(&config, text).unwrap();
    let played = tape.play_with(&house, &[]).good();
    let changed: Vec<_> =
        played.on("tarewell/events").filter(|line| line.payload["event"] == "stage-changed").collect();
    assert_eq!(changed.len(), 1);
    assert_eq!((&changed[0].payload["from"], &changed[0].payload["to"]), (&json!("first"), &json!("second")));
    let minute = changed[0].time.format("%dT%H:%M").to_string();
    assert!(minute.starts_with("03T04:0"), "midnight in New York, and at most a look later: {minute}");
    assert_eq!(played.turns("dry"), ["raised"], "28 % is above 20 and below 30");
    assert_eq!(played.last("tarewell/flats/leek-1")["stage"], "second");
    let before = played.on("tarewell/flats/leek-1").rfind(|line| line.payload["stage"] == "first").unwrap();
    assert_eq!((&before.payload["low"], &before.payload["condition"]), (&json!(0.2), &json!("moist")));
}
