//! The dialects of `config/valves`, each by the messages it comes to.

use crate::good;
use tarewell::site::ValveOrder;

/// What is published to open for 95 s, and to close: topic and payload.
type Messages = Vec<(String, String)>;

fn orders(text: &str) -> (Messages, Messages) {
    let checked = good(text);
    let valve = &checked.wiring.valves[0];
    let of =
        |order| valve.messages(order).into_iter().map(|message| (message.topic, message.payload)).collect::<Vec<_>>();
    (of(ValveOrder::Open { seconds: 95 }), of(ValveOrder::Close))
}

fn one(topic: &str, payload: &str) -> (String, String) {
    (topic.to_owned(), payload.to_owned())
}

#[test]
fn a_relay_that_knows_on_and_off() {
    let (open, close) = orders(include_str!("../../config/valves/plain.yaml"));
    assert_eq!(open, [one("porch/relay/set", "ON")]);
    assert_eq!(close, [one("porch/relay/set", "OFF")]);
}

#[test]
fn json_with_an_on_time() {
    let (open, close) = orders(include_str!("../../config/valves/json-on-time.yaml"));
    assert_eq!(open, [one("porch/valve/set", r#"{"state":"ON","on_time":95}"#)]);
    assert_eq!(close, [one("porch/valve/set", r#"{"state":"OFF"}"#)]);
}

#[test]
fn a_pulse_time_that_is_set_first_and_counts_from_a_hundred() {
    let (open, close) = orders(include_str!("../../config/valves/pulse-time.yaml"));
    assert_eq!(open, [one("cmnd/porch/PulseTime", "195"), one("cmnd/porch/POWER", "ON")]);
    assert_eq!(close, [one("cmnd/porch/POWER", "OFF")]);
}

#[test]
fn a_procedure_call_that_goes_back_by_itself() {
    let (open, close) = orders(include_str!("../../config/valves/rpc.yaml"));
    let [(topic, payload)] = &open[..] else { panic!("{open:?}") };
    let call: serde_json::Value = serde_json::from_str(payload).unwrap();
    assert_eq!(topic, "porch-switch/rpc");
    assert_eq!((&call["params"]["on"], &call["params"]["toggle_after"]), (&true.into(), &95.into()));
    assert_eq!(close.len(), 1);
}

#[test]
fn a_flat_that_is_weighed_now_and_then_is_told_of_before_anything_waits_for_its_valve() {
    let text = |flat: &str, more: &str| {
        format!(
            "version: 1
stands: {{s1: {{topic: a}}, bench: {{topic: b, shared: true}}}}
flats:
  red: {{label: Red, stand: s1}}
  blue: {{label: Blue{flat}}}
valves:
  tap: {{topic: t, open: 'ON {{seconds}}', close: 'OFF', mode: ask, max_run: 5 min, max_per_day: 1 L,
    feeds: {{red: 2 L/h, blue: 2 L/h}}{more}}}
"
        )
    };
    let told = |flat: &str, more: &str| good(&text(flat, more)).notes.join("; ");
    for flat in ["", ", stand: bench"] {
        for more in ["", ", unweighed: accepted"] {
            assert!(told(flat, more).contains("`blue`, which is weighed only now and then"), "{flat}{more}");
        }
    }
    assert!(told(", like: red", "").contains("only a `like` speaks for"));
    let accepted = told(", like: red", ", unweighed: accepted");
    assert!(!accepted.contains("blue"), "{accepted}");
}

#[test]
fn what_can_run_and_is_probably_not_meant_is_said() {
    let text = |topic: &str, more: &str, blue: &str| {
        format!(
            "version: 1
broker: {{url: 'mqtt://localhost'}}
stands: {{s1: {{topic: a}}, s2: {{topic: b}}}}
flats: {{red: {{label: Red, stand: s1}}, blue: {{label: Blue, stand: s2}}}}
valves:
  tap: {{topic: {topic}, open: 'ON {{seconds}}', close: 'OFF', report: {{topic: t/is, value: /one, open: 1, closed: 0}}, mode: ask,
    feeds: {{red: 2 L/h}}, {more}}}
  drip: {{topic: u, open: 'ON {{seconds}}', close: 'OFF', {blue}, feeds: {{blue: 2 L/h}}}}
"
        )
    };
    let usual = "max_run: 5 min, max_per_day: 1 L";
    let other = "report: {topic: t/is, value: /two, open: 1, closed: 0}";
    let told = |topic, more, blue| good(&text(topic, more, blue)).notes.join("; ");
    assert_eq!(told("t", usual, other), "");
    assert_eq!(told("t", usual, "mode: advise"), "", "nobody opens it, so nobody need see it open");
    for (topic, more, blue, note) in [
        ("b", usual, other, "`tap` is commanded on `b`, which a stand is read from"),
        ("t", "max_run: 10 h, max_per_day: 1 L", other, "`max_run` of `tap` is 10 h"),
        ("t", "max_run: 5 min, max_per_day: 6 L", other, "`max_per_day` of `tap` is 6 L: more than 5 L"),
        (
            "t",
            usual,
            "report: {topic: t/is, value: /one, open: 1, closed: 0}",
            "`tap` and `drip` read their state from the same place",
        ),
        ("t", usual, "mode: ask, max_run: 5 min, max_per_day: 1 L", "`drip` has no `report`"),
    ] {
        let notes = told(topic, more, blue);
        assert!(notes.starts_with(note) && !notes.contains("; "), "{notes}");
    }
}

#[test]
fn a_master_goes_by_the_valves_behind_it_and_a_tank_holds_no_more_than_it_holds() {
    let checked = good(
        "version: 1
broker: {url: 'mqtt://localhost'}
stands: {s1: {topic: a}}
flats: {red: {label: Red, stand: s1}}
supplies: {butt: {master: main, holds: 300 mL}}
valves:
  main: {topic: m, open: 'ON {seconds}', close: 'OFF', report: {topic: m/is, open: 1, closed: 0}, max_run: 10 s}
  tap: {topic: t, open: 'ON {seconds}', close: 'OFF', report: {topic: t/is, open: 1, closed: 0}, mode: ask,
    feeds: {red: 12 L/h}, max_run: 60 s, max_per_day: 1 L, supply: butt}
",
    );
    assert_eq!(checked.notes.len(), 1, "{:?}", checked.notes);
    assert!(
        checked.notes[0].contains("the master of supply `butt`: its `max_run` says nothing"),
        "{:?}",
        checked.notes
    );
    let told = tarewell::command::check::report("f", &checked, tarewell::moment::Wall::from_millis(0));
    assert!(told.contains("`main`: stuck open it would pour 235 mL before its own timer closes it (70 s)"), "{told}");
}

#[test]
fn valves_that_hang_on_the_embedded_broker_are_told_once() {
    // Found by a new user.
    let text = |broker: &str, mode: &str, open: &str| {
        format!(
            "version: 1
broker: {broker}
stands: {{s1: {{topic: a}}, s2: {{topic: b}}}}
flats: {{red: {{label: Red, stand: s1}}, blue: {{label: Blue, stand: s2}}}}
valves:
  tap: {{topic: t, open: '{open}', close: 'OFF', report: {{topic: t/is, open: 1, closed: 0}}, mode: {mode}, max_run: 5 min, max_per_day: 1 L, feeds: {{red: 2 L/h}}}}
  drip: {{topic: u, open: 'ON {{seconds}}', close: 'OFF', report: {{topic: u/is, open: 1, closed: 0}}, mode: {mode}, max_run: 5 min, max_per_day: 1 L, feeds: {{blue: 2 L/h}}}}
"
        )
    };
    let told = |broker, mode, open| {
        let notes = good(&text(broker, mode, open)).notes;
        notes.into_iter().filter(|note| note.contains("embedded")).collect::<Vec<_>>()
    };
    for mode in ["ask", "auto"] {
        let notes = told("embedded", mode, "ON {seconds}");
        assert!(notes.len() == 1 && notes[0].contains("only their own timers close `tap`, `drip`"), "{notes:?}");
        assert!(told("{url: 'mqtt://localhost'}", mode, "ON {seconds}").is_empty());
    }
    assert!(told("embedded", "advise", "ON {seconds}").is_empty());
}
