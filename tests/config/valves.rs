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
