//! Orders to valves, and what devices say: by the contract, section 2 (`valves:`, `supplies:`), and `water-safety`, S3.

use crate::shed::{self, pointer};
use tarewell::site::{Input, ValveOrder};
use tarewell::units::Millilitres;
use tarewell::watering::ValveSettings;
use tarewell::wire::{Heard, OrderMessage, Router, ValveWiring, Wiring, foreign_order};

fn drip() -> ValveWiring {
    ValveWiring {
        topic: "shed/valve-1/set".into(),
        open: r#"{"state":"ON","on_time":{seconds}}"#.into(),
        close: r#"{"state":"OFF"}"#.into(),
        before_open: None,
        report: Some(("shed/valve-1".into(), Some(pointer("/state")), "ON".into(), "OFF".into())),
        never_while: vec![("shed/floor".into(), Some(pointer("/leak")), "true".into())],
    }
}

/// The second outlet of the same device: the same topic, other payloads.
fn second() -> ValveWiring {
    ValveWiring {
        open: r#"{"state_2":"ON","on_time":{seconds}}"#.into(),
        close: r#"{"state_2":"OFF"}"#.into(),
        report: Some(("shed/valve-1".into(), Some(pointer("/state_2")), "1".into(), "0".into())),
        never_while: vec![("shed/frost".into(), None, "yes".into()), ("shed/floor".into(), None, "wet".into())],
        ..drip()
    }
}

/// A relay with a timer that is set beforehand.
fn relay() -> ValveWiring {
    ValveWiring {
        topic: "relay/cmnd/power".into(),
        open: "ON".into(),
        close: "OFF".into(),
        before_open: Some(("relay/cmnd/pulse".into(), "{seconds+100}".into())),
        report: Some(("relay/stat/power".into(), None, "ON".into(), "OFF".into())),
        never_while: Vec::new(),
    }
}

fn router() -> Router {
    let mut plan = shed::plan();
    let valve = |id: &str| ValveSettings { id: id.into(), ..ValveSettings::default() };
    plan.valves = vec![valve("drip"), valve("second"), valve("relay")];
    let wiring = Wiring {
        bindings: Vec::new(),
        valves: vec![drip(), second(), relay()],
        levels: vec![Some(("shed/butt".into(), Some(pointer("/depth")), Millilitres::new(1000.0)))],
    };
    Router::new(&plan, &wiring)
}

fn said(topic: &str, payload: &str) -> Vec<Input> {
    let mut inputs = Vec::new();
    for retained in [false, true] {
        inputs.clear();
        router().message(topic, payload.as_bytes(), retained, None, |input| inputs.push(input));
    }
    inputs
}

#[test]
fn an_order_is_the_template_with_whole_numbers() {
    let message = |topic: &str, payload: &str| OrderMessage { topic: topic.into(), payload: payload.into() };
    let open = ValveOrder::Open { seconds: 324 };
    assert_eq!(drip().messages(open), [message("shed/valve-1/set", r#"{"state":"ON","on_time":324}"#)]);
    assert_eq!(drip().messages(ValveOrder::Close), [message("shed/valve-1/set", r#"{"state":"OFF"}"#)]);
    assert_eq!(relay().messages(open), [message("relay/cmnd/pulse", "424"), message("relay/cmnd/power", "ON")]);
    assert_eq!(relay().messages(ValveOrder::Close), [message("relay/cmnd/power", "OFF")]);
    let tenths = ValveWiring { open: "on {seconds*10} {seconds}".into(), ..relay() };
    assert_eq!(tenths.messages(ValveOrder::Open { seconds: 7 })[1].payload, "on 70 7");
}

#[test]
fn a_valves_report_is_read_word_by_word() {
    let report = |valve, open| Input::ValveReport { valve, open };
    assert_eq!(said("shed/valve-1", r#"{"state":"ON","state_2":0}"#), [report(0, true), report(1, false)]);
    assert_eq!(said("shed/valve-1", r#"{"state":"OFF","state_2":"1"}"#), [report(0, false), report(1, true)]);
    assert_eq!(said("relay/stat/power", "ON"), [report(2, true)]);
    assert_eq!(said("relay/stat/power", " OFF\n"), [report(2, false)]);
    assert_eq!(said("relay/stat/power", r#""OFF""#), [report(2, false)]);
    for payload in ["on", "1", "", "null", "ON OFF", r#"{"state":"ON"}"#, "[\"ON\"]", "\u{0}"] {
        assert_eq!(said("relay/stat/power", payload), [], "{payload}");
    }
    for payload in [r#"{"state":"on"}"#, r#"{"state":true}"#, r#"{"state":null}"#, "ON", r#"{"state":["ON"]}"#, "{"] {
        assert_eq!(said("shed/valve-1", payload), [], "{payload}");
    }
    let heard = router().message("relay/stat/power", b"ajar", false, None, |_| {});
    assert_eq!(heard, Heard::Unreadable("`ajar` is neither `ON` nor `OFF`".into()));
}

#[test]
fn what_holds_a_valve_holds_it_and_anything_else_does_not() {
    let hold = |valve, which, holds| Input::Hold { valve, which, holds };
    assert_eq!(said("shed/floor", r#"{"leak":true}"#), [hold(0, 0, true)]);
    assert_eq!(said("shed/floor", r#"{"leak":"true"}"#), [hold(0, 0, true)]);
    assert_eq!(said("shed/floor", r#"{"leak":false}"#), [hold(0, 0, false)]);
    assert_eq!(said("shed/floor", r#"{"leak":0}"#), [hold(0, 0, false)]);
    assert_eq!(said("shed/floor", r#"{"battery":80}"#), []);
    assert_eq!(said("shed/floor", r#"{"leak":null}"#), []);
    assert_eq!(said("shed/floor", "wet"), [hold(1, 1, true)]);
    assert_eq!(said("shed/frost", "yes"), [hold(1, 0, true)]);
    assert_eq!(said("shed/frost", "Yes"), [hold(1, 0, false)]);
}

#[test]
fn a_level_is_its_number_in_its_unit() {
    let left = |millilitres| Input::Level { supply: 0, left: Millilitres::new(millilitres) };
    assert_eq!(said("shed/butt", r#"{"depth":12.5}"#), [left(12_500.0)]);
    assert_eq!(said("shed/butt", r#"{"depth":"12.5"}"#), [left(12_500.0)]);
    assert_eq!(said("shed/butt", r#"{"depth":-0.02}"#), [left(0.0)]);
    for payload in [r#"{"depth":"12 L"}"#, r#"{"depth":null}"#, r#"{"depth":1e306}"#, "12.5", ""] {
        assert_eq!(said("shed/butt", payload), [], "{payload}");
    }
}

#[test]
fn all_of_it_is_subscribed_to_once() {
    let filters: Vec<String> = router().subscriptions().into_iter().map(|one| one.filter).collect();
    for topic in ["shed/valve-1", "shed/floor", "shed/frost", "relay/stat/power", "shed/butt"] {
        assert_eq!(filters.iter().filter(|filter| *filter == topic).count(), 1, "{topic}");
        assert!(!router().may_answer(topic), "{topic}");
    }
    for topic in ["shed/valve-1/set", "relay/cmnd/pulse"] {
        assert!(!filters.iter().any(|filter| filter == topic) && !router().may_answer(topic), "{topic}");
    }
}

#[test]
fn an_order_that_nobody_here_gave_is_seen() {
    let valves = [drip(), second(), relay()];
    let seen = |valve, payload: &str, retained| foreign_order(&valves, valve, payload.as_bytes(), retained);
    let foreign = |valve, closes, retained| Some(Input::ForeignOrder { valve, closes, retained });
    assert_eq!(seen(0, r#"{"state":"OFF"}"#, false), foreign(0, true, false));
    assert_eq!(seen(0, r#"{"state":"ON","on_time":600}"#, true), foreign(0, false, true));
    assert_eq!(seen(0, r#"{"state":"TOGGLE"}"#, false), foreign(0, false, false));
    assert_eq!(seen(1, r#"{"state":"TOGGLE"}"#, false), foreign(1, false, false));
    assert_eq!(seen(2, "OFF ", false), foreign(2, false, false));
    assert_eq!(foreign_order(&valves, 2, &[0xff], true), foreign(2, false, true));
    // Empty clears what was kept.
    assert_eq!(seen(0, "", true), None);
    // An order to the other outlet is that one's; it comes back here, where its sender is another connection.
    assert_eq!(seen(0, r#"{"state_2":"ON","on_time":72}"#, false), None);
    assert_eq!(seen(1, r#"{"state":"ON","on_time":72}"#, false), None);
    assert_eq!(seen(0, r#"{"state_2":"OFF"}"#, false), None);
    assert_eq!(seen(0, r#"{"state_2":"ON","on_time":}"#, false), foreign(0, false, false));
    assert_eq!(seen(9, "ON", false), None);
}
