//! Payloads of stands: no panic, finite numbers, and what is read from JSON is what `serde_json` reads.
#![no_main]

mod site;

use libfuzzer_sys::fuzz_target;
use serde_json::Value;
use tarewell::site::{Input, Part};
use tarewell::units::WeightUnit;
use tarewell::wire::{Heard, Pointer, Unit, availability, number};

fuzz_target!(|payload: &[u8]| {
    let unit = Unit::Weight(WeightUnit::Gram);
    let at = Pointer(vec!["weight".to_owned()]);
    if let Ok(value) = number(payload, None, unit) {
        assert!(value.is_finite());
    }
    if let Ok(value) = number(payload, Some(&at), unit) {
        assert!(value.is_finite());
        agrees(payload, value);
    }
    let _ = availability(payload, None, "online", "offline");
    let (_, router) = &*site::SITE;
    for topic in ["shed/south-1", "shed/bench", "shed/lwt"] {
        let heard = router.message(topic, payload, false, None, |input| match input {
            Input::Reading { stand: 0 | 1, part: Part::Whole, value, .. } => {
                assert!(value.map_or(true, f64::is_finite))
            }
            Input::Temperature { stand: 0, value } => assert!(value.get().is_finite()),
            Input::Availability { stand: 0, .. } => {}
            other => panic!("{other:?} from {topic}"),
        });
        assert!(heard != Heard::Stranger && heard != Heard::Stray);
    }
});

/// Where the document is whole JSON, the number is the one in it.
fn agrees(payload: &[u8], value: f64) {
    let Ok(document) = serde_json::from_slice::<Value>(payload.trim_ascii()) else { return };
    match document.get("weight").expect("it was found") {
        Value::Number(number) => assert_eq!(number.as_f64().expect("a number"), value),
        Value::String(_) => {}
        other => panic!("{value} from {other}"),
    }
}
