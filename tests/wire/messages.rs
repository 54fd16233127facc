//! What comes in over MQTT, and where: by the contract, section 3.

use crate::shed::{pointer, router};
use proptest::prelude::*;
use serde_json::Value;
use tarewell::alert::Kind;
use tarewell::site::{Input, Part, Subject, Ticket, Unreadable};
use tarewell::units::{Celsius, WeightUnit};
use tarewell::wire::{Heard, Ownership, Pointer, Unit, availability, number};

const GRAMS: Unit = Unit::Weight(WeightUnit::Gram);

// ---------------------------------------------------------------- readings

#[test]
fn reads_what_firmwares_publish() {
    // Shapes as general-purpose firmwares document them: ESPHome's sensor state topic (bare text), Tasmota's
    // tele/…/SENSOR (docs/MQTT.md), radio bridges' one object a device; the numbers are our own.
    let read = |payload: &str, at: Option<&str>| number(payload.as_bytes(), at.map(pointer).as_ref(), GRAMS);
    assert_eq!(read("612.5", None), Ok(612.5));
    assert_eq!(read(" 612.5\r\n", None), Ok(612.5));
    assert_eq!(read("-3", None), Ok(-3.0));
    assert_eq!(read("6.125e2", None), Ok(612.5));
    assert_eq!(
        read(r#"{"Time":"2025-01-31T12:00:00","SCALE":{"Weight":3413,"Raw":[1,2]}}"#, Some("/SCALE/Weight")),
        Ok(3413.0)
    );
    assert_eq!(read(r#"{"weight":612.5,"battery":87,"last_seen":null}"#, Some("/weight")), Ok(612.5));
    assert_eq!(read(r#"{"w":"612.5"}"#, Some("/w")), Ok(612.5));
    assert_eq!(read(r#"{"w":" 612.5 g "}"#, Some("/w")), Ok(612.5));
    assert_eq!(read("[1, 2.5, 3]", Some("/1")), Ok(2.5));
    assert_eq!(read(r#""612.5""#, None), Ok(612.5));
    assert_eq!(read("612.5 g", None), Ok(612.5));
    assert_eq!(read("612.5g", None), Ok(612.5));
}

#[test]
fn a_pointer_is_that_of_rfc_6901() {
    // The document and the answers of RFC 6901, section 5 (those whose answer is a number).
    let document = r#"{"foo":["bar","baz"],"":0,"a/b":1,"c%d":2,"e^f":3,"g|h":4,"i\\j":5,"k\"l":6," ":7,"m~n":8}"#;
    for (at, expected) in [
        ("/", 0.0),
        ("/a~1b", 1.0),
        ("/c%d", 2.0),
        ("/e^f", 3.0),
        ("/g|h", 4.0),
        ("/i\\j", 5.0),
        ("/k\"l", 6.0),
        ("/ ", 7.0),
        ("/m~0n", 8.0),
    ] {
        assert_eq!(number(document.as_bytes(), Some(&pointer(at)), GRAMS), Ok(expected), "{at}");
    }
}

#[test]
fn missing_is_not_zero_and_not_garbled() {
    for payload in ["", "  ", "nan", "NaN", "-nan", "null", "None", "unavailable", "Unknown", r#""nan""#] {
        assert_eq!(number(payload.as_bytes(), None, GRAMS), Err(Unreadable::Missing), "{payload}");
        assert!(number(payload.as_bytes(), Some(&pointer("/w")), GRAMS).is_err(), "{payload}");
    }
    for payload in [r#"{"w":null}"#, r#"{"w":"nan"}"#, r#"{"w":""}"#, r#"{"w":NaN}"#, r#"{"w":-nan,"t":1}"#, "nan", ""]
    {
        assert_eq!(number(payload.as_bytes(), Some(&pointer("/w")), GRAMS), Err(Unreadable::Missing), "{payload}");
    }
}

#[test]
fn a_bare_nan_beside_the_value_does_not_hide_it() {
    let read = |payload: &str| number(payload.as_bytes(), Some(&pointer("/w")), GRAMS);
    assert_eq!(read(r#"{"t":NaN,"w":5.5}"#), Ok(5.5));
    assert_eq!(read(r#"{"t":"NaN \" nan","x":nan,"w":5.5}"#), Ok(5.5));
    assert!(matches!(read(r#"{"t":NaN,"w":5.5"#), Err(Unreadable::Garbled(_))));
}

#[test]
fn garbled_payloads_say_what_would_do() {
    let why = |payload: &[u8], at: Option<&str>| match number(payload, at.map(pointer).as_ref(), GRAMS) {
        Err(Unreadable::Garbled(why)) => why,
        other => panic!("{} gave {other:?}", String::from_utf8_lossy(payload)),
    };
    for (payload, at, part) in [
        ("612,5", None, "written `612.5`"),
        ("1,612.5", None, "written `1612.5`"),
        ("0.61 kg", None, "set `unit: kg`"),
        ("612.5 furlongs", None, "something behind it"),
        ("7 lb 3 oz", None, "number alone, in g"),
        ("inf", None, "infinite"),
        ("-Infinity", None, "infinite"),
        ("1e999", None, "infinite"),
        ("ON", None, "not a number"),
        ("0x1F", None, "something behind it"),
        ("1.2.3", None, "not a number"),
        (r#"{"battery":87,"weight":612.5}"#, None, "`value: /weight`"),
        (r#"{"a":[{"b":3}]}"#, None, "`value: /a/0/b`"),
        (r#"{"weight_g":612.5}"#, Some("/weigth_g"), "did you mean `weight_g`"),
        ("{}", Some("/weight"), "empty"),
        ("[1,2]", Some("/2"), "a list of 2"),
        ("[1,2]", Some("/01"), "a list of 2"),
        ("612.5", Some("/weight"), "leave out `value:`"),
        (r#"{"w":true}"#, Some("/w"), "there is true"),
        (r#"{"w":{"g":1}}"#, Some("/w"), "there is an object"),
        (r#"{"w":[1]}"#, Some("/w"), "there is a list"),
        (r#"{"w":"612,5"}"#, Some("/w"), "written `612.5`"),
        (r#"{"w":612.5"#, Some("/w"), "not JSON"),
        (r#"{"w":612.5}}"#, Some("/w"), "not JSON"),
        (r#"{"w":1e999}"#, Some("/w"), "not JSON"),
        ("\u{feff}612.5", None, "byte order mark"),
        ("612.5\0", None, "NUL"),
    ] {
        let why = why(payload.as_bytes(), at);
        assert!(why.contains(part), "{payload}: {why}");
    }
    assert!(why(&[0xff, b'1'], None).contains("UTF-8"));
    assert!(why(&[b'1'; 4097], None).contains("4097 bytes"));
}

#[test]
fn units_are_the_stands() {
    let read = |payload: &str, unit| number(payload.as_bytes(), None, Unit::Weight(unit));
    assert_eq!(read("0.6125 kg", WeightUnit::Kilogram), Ok(0.6125));
    assert_eq!(read("1.35lbs", WeightUnit::Pound), Ok(1.35));
    assert_eq!(read("21.6 OZ", WeightUnit::Ounce), Ok(21.6));
    assert_eq!(read("84213", WeightUnit::Counts), Ok(84213.0));
    assert!(read("84213 g", WeightUnit::Counts).is_err());
    assert_eq!(number(b"20.5 \xc2\xb0C", None, Unit::Celsius), Ok(20.5));
    assert!(number(b"68 F", None, Unit::Celsius).is_err());
}

#[test]
fn availability_comes_in_different_dress() {
    let read = |payload: &str, at: Option<&str>| {
        availability(payload.as_bytes(), at.map(pointer).as_ref(), "online", "offline").ok()
    };
    assert_eq!(read("online", None), Some(true));
    assert_eq!(read("Offline", None), Some(false));
    assert_eq!(read(r#"{"state":"online"}"#, None), Some(true));
    assert_eq!(read(r#"{"a":{"b":"offline"}}"#, Some("/a/b")), Some(false));
    assert_eq!(read("maybe", None), None);
    assert_eq!(availability(br#"{"up":true}"#, Some(&pointer("/up")), "true", "false"), Ok(true));
    assert_eq!(availability(b"0", None, "1", "0"), Ok(false));
    // Two words that differ in case alone stay two words.
    assert_eq!(availability(b"On", None, "on", "On"), Ok(false));
}

// ---------------------------------------------------------------- routing

fn heard(topic: &str, payload: &str, retained: bool) -> (Heard, Vec<Input>) {
    let mut inputs = Vec::new();
    let heard = router().message(topic, payload.as_bytes(), retained, Some(Ticket(1)), |input| inputs.push(input));
    (heard, inputs)
}

#[test]
fn one_topic_may_say_several_things() {
    let (heard, inputs) = heard("shed/north", r#"{"weight":3300.5,"t":21}"#, false);
    assert_eq!(heard, Heard::Taken);
    assert_eq!(
        inputs,
        vec![
            Input::Reading { stand: 0, part: Part::Whole, value: Ok(3300.5), retained: false },
            Input::Temperature { stand: 0, value: Celsius::new(21.0) },
        ]
    );
}

#[test]
fn what_the_broker_kept_is_marked_and_an_old_temperature_is_dropped() {
    let (_, inputs) = heard("shed/north", r#"{"weight":3300.5,"t":21}"#, true);
    assert_eq!(inputs, vec![Input::Reading { stand: 0, part: Part::Whole, value: Ok(3300.5), retained: true }]);
    let (_, inputs) = heard("shed/north/lwt", "Offline", true);
    assert_eq!(inputs, vec![Input::Availability { stand: 0, online: false }]);
}

#[test]
fn topics_of_others_are_strangers() {
    for topic in ["shed", "shed/north/weight", "tarewell/flats/leek-1", "tarewell/events", "tarewellx/command", "", "/"]
    {
        assert_eq!(heard(topic, "1", false), (Heard::Stranger, vec![]), "{topic}");
    }
    assert!(matches!(heard("shed/north/lwt", "maybe", false).0, Heard::Unreadable(_)));
}

#[test]
fn subscribes_to_commands_as_published_and_to_readings_not() {
    let subscriptions = router().subscriptions();
    let as_published: Vec<&str> =
        subscriptions.iter().filter(|one| one.retain_as_published).map(|one| one.filter.as_str()).collect();
    assert_eq!(
        as_published,
        ["tarewell/flats/+/command", "tarewell/stands/+/command", "tarewell/valves/+/command", "tarewell/command"]
    );
    let readings: Vec<&str> =
        subscriptions.iter().filter(|one| !one.retain_as_published).map(|one| one.filter.as_str()).collect();
    assert_eq!(readings, ["shed/bench", "shed/north", "shed/north/lwt"]);
}

#[test]
fn knows_which_retained_topics_to_clear() {
    let router = router();
    let of = |topic: &str| router.ownership(topic);
    assert_eq!(of("tarewell/flats/leek-1"), Ownership::Current);
    assert_eq!(of("tarewell/flats/leek-9"), Ownership::Gone);
    assert_eq!(of("tarewell/stands/north"), Ownership::Current);
    assert_eq!(of("tarewell/valves/gone"), Ownership::Gone);
    assert_eq!(of("tarewell/alerts/dry/leek-1"), Ownership::Alert(Kind::Dry, Subject::Flat(0)));
    assert_eq!(of("tarewell/alerts/stand-silent/bench"), Ownership::Alert(Kind::StandSilent, Subject::Stand(1)));
    assert_eq!(of("tarewell/alerts/supply-low/butt"), Ownership::Alert(Kind::SupplyLow, Subject::Supply(0)));
    assert_eq!(of("tarewell/alerts/dry/bench"), Ownership::Gone);
    assert_eq!(of("tarewell/alerts/soggy/leek-1"), Ownership::Gone);
    for foreign in ["tarewell/status", "tarewell/flats/leek-1/command", "tarewell/notes", "other/flats/leek-1"] {
        assert_eq!(of(foreign), Ownership::Foreign, "{foreign}");
    }
    assert!(Kind::ALL.iter().all(|kind| of(&format!("tarewell/alerts/{}/nobody", kind.name())) == Ownership::Gone));
}

// ---------------------------------------------------------------- properties

fn json_value() -> impl Strategy<Value = Value> {
    let leaf = prop_oneof![
        Just(Value::Null),
        any::<bool>().prop_map(Value::from),
        any::<i64>().prop_map(Value::from),
        any::<f64>().prop_map(Value::from),
        "[0-9.,kgNan -]{0,8}".prop_map(Value::from),
        any::<String>().prop_map(Value::from),
    ];
    leaf.prop_recursive(4, 24, 4, |inner| {
        prop_oneof![
            prop::collection::vec(inner.clone(), 0..4).prop_map(Value::from),
            prop::collection::vec(("[wt/~]{0,2}", inner), 0..4)
                .prop_map(|entries| Value::Object(entries.into_iter().collect())),
        ]
    })
}

/// JSON with blanks strewn in, cut or garbled now and then.
fn nearly_json() -> impl Strategy<Value = String> {
    (json_value(), any::<bool>(), 0..6_usize, any::<prop::sample::Index>(), "[ \\[\\]{}:,\"0-9eE+.-]").prop_map(
        |(value, pretty, harm, at, other)| {
            let mut text = if pretty {
                serde_json::to_string_pretty(&value).unwrap()
            } else {
                serde_json::to_string(&value).unwrap()
            };
            let place = text.char_indices().map(|(place, _)| place).nth(at.index(text.chars().count())).unwrap();
            match harm {
                0 => text.truncate(place),
                1 => text.insert_str(place, &other),
                2 => drop(text.remove(place)),
                _ => {}
            }
            text
        },
    )
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 2000, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn no_payload_panics_or_gives_what_is_not_finite(payload in prop::collection::vec(any::<u8>(), 0..60)) {
        for at in [None, Some(pointer("/w"))] {
            if let Ok(value) = number(&payload, at.as_ref(), GRAMS) {
                prop_assert!(value.is_finite());
            }
        }
        let router = router();
        for topic in ["shed/north", "shed/bench", "shed/north/lwt", "tarewell/flats/leek-1/command", "tarewell/command"] {
            router.message(topic, &payload, false, None, |_| ());
        }
    }

    #[test]
    fn agrees_with_serde_json(text in nearly_json(), path in prop::collection::vec("[wt/~01]{0,2}", 1..3)) {
        let at = Pointer(path);
        let ours = number(text.as_bytes(), Some(&at), GRAMS);
        let theirs = serde_json::from_str::<Value>(&text);
        match &theirs {
            Ok(document) => {
                let escaped: String =
                    at.0.iter().map(|token| format!("/{}", token.replace('~', "~0").replace('/', "~1"))).collect();
                match document.pointer(&escaped) {
                    Some(Value::Number(number)) => prop_assert_eq!(ours, Ok(number.as_f64().unwrap() + 0.0)),
                    Some(Value::Null) => prop_assert_eq!(ours, Err(Unreadable::Missing)),
                    Some(Value::String(_)) => {}
                    _ if text.trim() == "null" => prop_assert_eq!(ours, Err(Unreadable::Missing)),
                    _ => prop_assert!(matches!(ours, Err(Unreadable::Garbled(_))) || !text.starts_with(['{', '[']), "{ours:?}"),
                }
            }
            // Beside the path a number may be too large to hold; all else that serde_json refuses is refused.
            Err(error) => prop_assert!(ours.is_err() || error.to_string().contains("out of range"), "{text}: {ours:?}, {error}"),
        }
    }

    #[test]
    fn a_short_decimal_is_the_nearest_number_to_it(text in "-?[0-9]{0,9}(\\.[0-9]{0,9})?") {
        if let Ok(value) = text.parse::<f64>() {
            prop_assert_eq!(number(text.as_bytes(), None, GRAMS), Ok(value + 0.0), "{}", text);
        }
    }

    #[test]
    fn a_printed_number_reads_back(value in any::<f64>().prop_filter("finite", |value| value.is_finite())) {
        prop_assert_eq!(number(value.to_string().as_bytes(), None, GRAMS), Ok(value));
        prop_assert_eq!(number(format!("{value:e} ").as_bytes(), None, GRAMS), Ok(value));
    }
}
