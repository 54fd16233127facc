//! Commands, by the contract's table, section 3.

use crate::shed::router;
use proptest::prelude::*;
use serde_json::{Value, json};
use tarewell::moment::{Span, Wall};
use tarewell::site::{Command, Input, Order, Set, Subject, Ticket, Was};
use tarewell::units::{Fraction, Grams, Millilitres};
use tarewell::wire::{COMMANDS, Heard};

fn heard(topic: &str, payload: &str, retained: bool) -> (Heard, Vec<Input>) {
    let mut inputs = Vec::new();
    let heard = router().message(topic, payload.as_bytes(), retained, Some(Ticket(1)), |input| inputs.push(input));
    (heard, inputs)
}

fn order(topic: &str, payload: &str) -> Order {
    match heard(topic, payload, false).1.as_slice() {
        [Input::Order(order)] => order.clone(),
        other => panic!("{payload} gave {other:?}"),
    }
}

fn to_flat(payload: &str) -> Result<Command, String> {
    order("tarewell/flats/leek-1/command", payload).command
}

fn to_stand(payload: &str) -> Result<Command, String> {
    order("tarewell/stands/north/command", payload).command
}

fn to_valve(payload: &str) -> Result<Command, String> {
    order("tarewell/valves/drip/command", payload).command
}

fn to_site(payload: &str) -> Result<Command, String> {
    order("tarewell/command", payload).command
}

#[test]
fn every_command_of_the_table_is_read() {
    for row in COMMANDS {
        let topic = match row.to {
            "flat" => "tarewell/flats/leek-1/command",
            "stand" => "tarewell/stands/north/command",
            "valve" => "tarewell/valves/drip/command",
            _ => "tarewell/command",
        };
        assert_ne!(order(topic, row.word).command, Ok(Command::NotYet), "{row:?}");
    }
}

#[test]
fn reads_every_command_of_flats_and_stands() {
    assert_eq!(to_flat("record-dry"), Ok(Command::RecordDry));
    assert_eq!(to_flat(" record-dry\n"), Ok(Command::RecordDry));
    assert_eq!(to_flat(r#""record-dry""#), Ok(Command::RecordDry));
    assert_eq!(to_flat("record-capacity"), Ok(Command::RecordCapacity { now: false }));
    assert_eq!(to_flat(r#"{"command":"record-capacity","now":true}"#), Ok(Command::RecordCapacity { now: true }));
    assert_eq!(to_flat("forget-band"), Ok(Command::ForgetBand));
    assert_eq!(to_flat("undo"), Ok(Command::Undo));
    assert_eq!(to_flat(r#"{"command":"move","stand":"bench"}"#), Ok(Command::Move { stand: Some(1) }));
    assert_eq!(to_flat(r#"{"command":"move","stand":null}"#), Ok(Command::Move { stand: None }));
    assert_eq!(to_flat(r#"{"command":"shelve","for_h":12}"#), Ok(Command::Shelve { time: Span::hours(12) }));
    assert_eq!(to_stand(r#"{"command":"holds","flat":"leek-2"}"#), Ok(Command::Holds { flat: Some(1) }));
    assert_eq!(to_stand(r#"{"command":"holds","flat":null}"#), Ok(Command::Holds { flat: None }));
    assert_eq!(to_stand("zero"), Ok(Command::Zero { force: false }));
    assert_eq!(to_stand(r#"{"force":true,"command":"zero"}"#), Ok(Command::Zero { force: true }));
    assert_eq!(
        to_stand(r#"{"command":"span","mass_g":2000}"#),
        Ok(Command::Span { mass: Grams::new(2000.0), force: false })
    );
    assert_eq!(to_stand("forget-calibration"), Ok(Command::ForgetCalibration));
    let set = Set {
        target: Some(Some(Fraction::new(0.6))),
        high: Some(Some(Fraction::new(0.8))),
        low: Some(None),
        plant_mass: Some(Some(Grams::new(12.5))),
        place: Some(Some("south bench".to_owned())),
        ..Set::default()
    };
    let payload =
        r#"{"command":"set","target":0.6,"high":"80%","low":null,"plant_mass_g":12.5,"place":" south bench "}"#;
    assert_eq!(to_flat(payload), Ok(Command::Set(set)));
}

#[test]
fn commands_that_water_are_read() {
    let volume = |volume| Some(Millilitres::new(volume));
    assert_eq!(to_flat("water"), Ok(Command::Water { volume: None }));
    assert_eq!(to_flat(r#"{"command":"water","volume_ml":300}"#), Ok(Command::Water { volume: volume(300.0) }));
    assert_eq!(to_flat(r#"{"command":"water","volume_ml":"0.5 L"}"#), Ok(Command::Water { volume: volume(500.0) }));
    assert_eq!(to_flat("stop"), Ok(Command::Stop));
    assert_eq!(to_valve("run"), Ok(Command::Run { volume: None, plan: None }));
    assert_eq!(
        to_valve(r#"{"command":"run","volume_ml":500}"#),
        Ok(Command::Run { volume: volume(500.0), plan: None })
    );
    assert_eq!(to_valve(r#"{"command":"run","plan":"p-1041"}"#), Ok(Command::Run { volume: None, plan: Some(1041) }));
    assert_eq!(
        to_valve(r#"{"command":"run","plan":null,"volume_ml":null}"#),
        Ok(Command::Run { volume: None, plan: None })
    );
    assert_eq!(to_valve("stop"), Ok(Command::Stop));
    assert_eq!(
        to_valve(r#"{"command":"measure-flow","run_s":60}"#),
        Ok(Command::MeasureFlow { run: Span::seconds(60) })
    );
    assert_eq!(
        to_valve(r#"{"command":"measure-flow","caught_ml":1010}"#),
        Ok(Command::Caught { volume: Millilitres::new(1010.0) })
    );
    assert_eq!(to_valve("unlock"), Ok(Command::Unlock));
    assert_eq!(to_site("stop"), Ok(Command::Stop));
    assert_eq!(to_site(r#"{"command":"pause","for_h":4}"#), Ok(Command::Pause { time: Span::hours(4) }));
    assert_eq!(to_site("resume"), Ok(Command::Resume));
    let full = Command::Refilled { supply: 0, volume: None };
    assert_eq!(to_site(r#"{"command":"refilled","supply":"butt"}"#), Ok(full));
    let some = Command::Refilled { supply: 0, volume: volume(9000.0) };
    assert_eq!(to_site(r#"{"command":"refilled","supply":"butt","volume_ml":9000}"#), Ok(some));
}

#[test]
fn commands_that_water_say_what_is_wrong_with_them() {
    for (said, part) in [
        (to_flat(r#"{"command":"water","volume_ml":0}"#), "above 0"),
        (to_flat(r#"{"command":"water","volume_ml":-300}"#), "above 0"),
        (to_flat(r#"{"command":"water","volume_ml":"nan"}"#), "not a finite number"),
        (to_flat(r#"{"command":"water","volume_ml":NaN}"#), "neither"),
        (to_flat(r#"{"command":"water","volume_ml":1e9}"#), "thousand litres"),
        (to_flat(r#"{"command":"water","volume_ml":true}"#), "a number of millilitres"),
        (to_flat(r#"{"command":"water","volume_ml":"a lot"}"#), "`volume_ml`"),
        (to_flat(r#"{"command":"water","volume":300}"#), "it takes volume_ml"),
        (to_flat(r#"{"command":"stop","now":true}"#), "no key `now`"),
        (to_flat("run"), "a command for a valve, not for a flat"),
        (to_valve("water"), "a command for a flat, not for a valve"),
        (to_valve(r#"{"command":"run","volume_ml":500,"plan":"p-7"}"#), "not both"),
        (to_valve(r#"{"command":"run","volume_ml":0}"#), "above 0"),
        (to_valve(r#"{"command":"run","plan":1041}"#), "such as \"p-1041\""),
        (to_valve(r#"{"command":"run","plan":"1041"}"#), "the id of a plan"),
        (to_valve(r#"{"command":"run","plan":"p-"}"#), "the id of a plan"),
        (to_valve(r#"{"command":"run","plan":"p-+7"}"#), "the id of a plan"),
        (to_valve(r#"{"command":"run","plan":"p-99999999999999999999999"}"#), "the id of a plan"),
        (to_valve("measure-flow"), "needs `run_s`"),
        (to_valve(r#"{"command":"measure-flow","run_s":60,"caught_ml":1000}"#), "not both"),
        (to_valve(r#"{"command":"measure-flow","run_s":0}"#), "from 1 to 86400"),
        (to_valve(r#"{"command":"measure-flow","run_s":-60}"#), "from 1 to 86400"),
        (to_valve(r#"{"command":"measure-flow","run_s":"60"}"#), "a number of seconds"),
        (to_valve(r#"{"command":"measure-flow","run_s":null}"#), "a number of seconds"),
        (to_valve(r#"{"command":"measure-flow","caught_ml":0}"#), "above 0"),
        (to_valve(r#"{"command":"measure-flow","caught_ml":-5}"#), "above 0"),
        (to_valve("unlok"), "did you mean `unlock`"),
        (to_site("pause"), "needs `for_h`"),
        (to_site(r#"{"command":"pause","for_h":-4}"#), "from 0.01 to 8784"),
        (to_site("refilled"), "needs `supply`"),
        (to_site(r#"{"command":"refilled","supply":"but"}"#), "did you mean `butt`"),
        (to_site(r#"{"command":"refilled","supply":7}"#), "the id of a supply"),
        (to_site(r#"{"command":"refilled","supply":"butt","volume_ml":0}"#), "above 0"),
        (to_site("unlock"), "a command for a valve, not for a site"),
    ] {
        let why = said.unwrap_err();
        assert!(why.contains(part), "wanted {part}: {why}");
    }
}

#[test]
fn commands_for_the_whole_bench_are_read() {
    // 7 lb 3 oz: 7 × 453.59237 g + 3 × 28.349523125 g (international pound, exact).
    let weight = Grams::new(7.0 * 453.592_37 + 3.0 * 28.349_523_125);
    let weigh = to_flat(r#"{"command":"weigh","weight_g":"7 lb 3 oz"}"#);
    let Ok(Command::Weigh { weight: read, at: None, sure: false }) = weigh else { panic!("{weigh:?}") };
    assert!((read - weight).abs() < Grams::new(1e-9));
    let watered = to_flat(r#"{"command":"watered","volume_ml":300,"at":"2026-03-04T08:15:00+00:00"}"#);
    let at = Some(Wall::from_millis(1_772_612_100_000));
    assert_eq!(watered, Ok(Command::Watered { volume: Millilitres::new(300.0), at, sure: false }));
    let sure = to_flat(r#"{"command":"watered","volume_ml":9000,"sure":true}"#);
    assert_eq!(sure, Ok(Command::Watered { volume: Millilitres::new(9000.0), at: None, sure: true }));
    assert_eq!(to_flat("emerged"), Ok(Command::Emerged));
    assert_eq!(
        to_flat(r#"{"command":"stage","stage":"hardening-off"}"#),
        Ok(Command::Stage { name: "hardening-off".into() })
    );
    assert_eq!(to_flat(r#"{"command":"dome","on":true}"#), Ok(Command::Dome { on: true }));
    let correct = Command::Correct { seq: 1234, was: Was::MixLost, cells: Some(12) };
    assert_eq!(to_flat(r#"{"command":"correct","seq":1234,"was":"mix-lost","cells":12}"#), Ok(correct));
    let taken = to_flat(r#"{"command":"correct","was":"mix-lost","cells":12}"#);
    assert_eq!(taken, Ok(Command::CellsTaken { cells: 12 }));
    let note = Command::Note { kind: "fed".into(), text: "quarter strength".into() };
    assert_eq!(to_flat(r#"{"command":"note","kind":"fed","text":"quarter strength"}"#), Ok(note));
    for (word, command) in
        [("next", Command::Next), ("back", Command::Back), ("skip", Command::Skip), ("end", Command::End)]
    {
        assert_eq!(to_stand(word), Ok(command));
    }
    assert_eq!(to_stand("round"), Ok(Command::Round { flats: None }));
    let at_turn_of = |then: Command| Ok(Command::AtTurnOf { flat: 1, then: Box::new(then) });
    assert_eq!(to_stand(r#"{"command":"skip","flat":"leek-2"}"#), at_turn_of(Command::Skip));
    assert_eq!(to_stand(r#"{"command":"round","instead_of":"leek-2"}"#), at_turn_of(Command::Round { flats: None }));
    let weigh = |sure| Command::WeighOn { flat: 0, sure };
    assert_eq!(to_stand(r#"{"command":"weigh","flat":"leek-1","sure":true}"#), Ok(weigh(true)));
    let instead = to_stand(r#"{"command":"weigh","flat":"leek-1","instead_of":"leek-2"}"#);
    assert_eq!(instead, at_turn_of(weigh(false)));
    assert!(to_stand(r#"{"command":"end","flat":"leak-2"}"#).unwrap_err().contains("did you mean `leek-2`"));
    let spaced = to_flat(r#"{"command":"watered","volume_ml":300,"at":"2026-03-04 08:15:00+00:00"}"#);
    assert_eq!(spaced, Ok(Command::Watered { volume: Millilitres::new(300.0), at, sure: false }));
    // As somebody types it, by the clock of the site; that the command itself is in time must be plain.
    let typed = to_flat(r#"{"command":"watered","volume_ml":300,"at":"2026-03-04T09:15"}"#);
    assert_eq!(typed, Ok(Command::Watered { volume: Millilitres::new(300.0), at, sure: false }));
    let late = to_flat(r#"{"command":"watered","volume_ml":300,"time":"2026-03-04T09:15:00"}"#).unwrap_err();
    assert!(late.contains("the offset from UTC is missing"), "{late}");
    for (payload, words) in [
        (r#"{"command":"weigh","weight_g":0}"#, "above 0"),
        (r#"{"command":"watered","volume_ml":-3}"#, "above 0"),
        (r#"{"command":"watered","volume_ml":1e9}"#, "thousand litres"),
        (r#"{"command":"weigh","weight_g":3000,"at":"yesterday"}"#, "`at`"),
        (r#"{"command":"weigh","weight_g":3000,"at":"2026-03-29T02:30"}"#, "that time twice or never: add the offset"),
        (r#"{"command":"weigh","weight_g":3000,"at":"2026-03-04 8:15"}"#, "Write it as \"2026-03-04T08:15:00+00:00\""),
        (r#"{"command":"stage","stage":null}"#, "it should be the name of a stage"),
        (r#"{"command":"note","kind":"fed","text":5}"#, "it should be words"),
        (r#"{"command":"set","place":7}"#, "or null for the file's"),
        (r#"{"command":"dome","on":"yes"}"#, "true or false"),
        (r#"{"command":"correct","seq":-1,"was":"watered"}"#, "seq"),
        (r#"{"command":"correct","seq":1,"was":"watred"}"#, "watered"),
        (r#"{"command":"correct","was":"watered"}"#, "needs `seq`"),
        (r#"{"command":"correct","was":"mix-lost"}"#, "Only cells taken where no scale saw it"),
        (r#"{"command":"pot-on","into":[]}"#, "empty"),
        (r#"{"command":"pot-on","into":["nobody"]}"#, "nobody"),
    ] {
        let error = to_flat(payload).unwrap_err();
        assert!(error.contains(words), "{payload}: {error}");
    }
}

#[test]
fn wrong_commands_say_what_was_meant() {
    let flat = |payload: &str| to_flat(payload).unwrap_err();
    let stand = |payload: &str| to_stand(payload).unwrap_err();
    for (why, part) in [
        (flat("record_dry"), "did you mean `record-dry`"),
        (flat("RECORD-DRY"), "did you mean `record-dry`"),
        (flat("zero"), "a command for a stand, not for a flat"),
        (flat("sing"), "no command `sing`"),
        (flat(r#"{"command":"move"}"#), "needs `stand`"),
        (flat("move"), "needs `stand`"),
        (flat(r#"{"command":"move","stand":"benhc"}"#), "did you mean `bench`"),
        (flat(r#"{"command":"move","stand":7}"#), "an id or null"),
        (flat(r#"{"command":"set"}"#), "at least one of"),
        (flat(r#"{"command":"set","targt":0.5}"#), "did you mean `target`"),
        (flat(r#"{"command":"set","target":60}"#), "0.6 or \"60%\""),
        (flat(r#"{"command":"set","target":-0.1}"#), "0 or more"),
        (flat(r#"{"command":"set","target":"half"}"#), "does not begin with a number"),
        (flat(r#"{"command":"set","target":"nan"}"#), "not a finite number"),
        (flat(r#"{"command":"set","target":true}"#), "a fraction such as"),
        (flat(r#"{"command":"set","plant_mass_g":-1}"#), "0 or more"),
        (flat(r#"{"command":"set","place":""}"#), "empty"),
        (flat(r#"{"command":"record-dry","now":true}"#), "no key `now`"),
        (flat(r#"{"command":"record-capacity","now":"yes"}"#), "true or false"),
        (flat(r#"{"command":"shelve"}"#), "needs `for_h`"),
        (flat(r#"{"command":"shelve","for_h":0}"#), "from 0.01 to 8784"),
        (flat(r#"{"command":"shelve","for_h":1e300}"#), "from 0.01 to 8784"),
        (flat(r#"{"command":"shelve","for_h":"12"}"#), "a number of hours"),
        (flat(r#"{"command":"undo","command":"record-dry"}"#), "given twice"),
        (flat(r#"{"word":"undo"}"#), "no `command` in it"),
        (flat(r#"{"command":7}"#), "should be a word"),
        (flat(r#"{"command":"undo""#), "neither"),
        (flat("[]"), "a word, or an object"),
        (stand(r#"{"command":"span"}"#), "needs `mass_g`"),
        (stand(r#"{"command":"span","mass_g":0}"#), "above 0"),
        (stand(r#"{"command":"span","mass_g":-2000}"#), "above 0"),
        (stand(r#"{"command":"span","mass_g":1e308}"#), "ten tonnes"),
        (stand(r#"{"command":"span","mass_g":1e999}"#), "neither"),
        (stand(r#"{"command":"span","mass_g":"2"}"#), "no unit"),
        (stand(r#"{"command":"holds","flat":"leek-3"}"#), "did you mean `leek-1`"),
        (stand(r#"{"command":"zero","id":7}"#), "`id` is 7"),
        (stand(r#"{"command":"zero","time":"noon"}"#), "`time`"),
    ] {
        assert!(why.contains(part), "wanted {part}: {why}");
    }
    let (heard, inputs) = heard("tarewell/flats/leak-1/command", "undo", true);
    assert_eq!(heard, Heard::Stray);
    let [Input::Order(order)] = inputs.as_slice() else { panic!("{inputs:?}") };
    assert_eq!((order.to, order.retained, order.word.as_str()), (Subject::Site, true, "undo"));
    assert!(order.command.as_ref().unwrap_err().contains("no flat `leak-1`; did you mean `leek-1`"));
}

#[test]
fn an_order_keeps_what_came_along_even_when_it_cannot_be_read() {
    let payload = r#"{"command":"sing","id":"k-17","time":"2026-03-04T08:15:00.5+01:00"}"#;
    let order = order("tarewell/flats/leek-2/command", payload);
    assert_eq!((order.to, order.word.as_str()), (Subject::Flat(1), "sing"));
    assert_eq!(order.id.as_deref(), Some("k-17"));
    assert_eq!(order.time, Some(Wall::from_millis(1_772_608_500_500)));
    assert_eq!(order.ticket, Some(Ticket(1)));
    assert!(order.command.is_err());
    let long = format!(r#"{{"command":"undo","id":"{}"}}"#, "x".repeat(129));
    assert!(to_flat(&long).unwrap_err().contains("longer than 128"));
    assert!(to_flat(&format!(r#"{{"command":"undo","id":"{}"}}"#, "x".repeat(128))).is_ok());
}

#[test]
fn a_word_is_told_short_and_on_one_line() {
    let told = order("tarewell/flats/leek-1/command", "\u{1}é\u{2}ü\nx").word;
    assert_eq!(told, "\u{fffd}é\u{fffd}ü\u{fffd}x");
    let told = order("tarewell/flats/leek-1/command", &"ü".repeat(60)).word;
    assert_eq!(told, format!("{}…", "ü".repeat(40)));
}

#[test]
fn an_empty_command_says_nothing() {
    for payload in ["", " ", "\n"] {
        assert_eq!(heard("tarewell/flats/leek-1/command", payload, true), (Heard::Ignored, vec![]));
    }
}

fn value() -> impl Strategy<Value = Value> {
    prop_oneof![
        Just(Value::Null),
        any::<bool>().prop_map(Value::from),
        any::<i64>().prop_map(Value::from),
        any::<f64>().prop_map(Value::from),
        (-1.0..3.0).prop_map(|number: f64| Value::from(number)),
        "[0-9.]{1,4} ?(g|kg|lb|oz|%)?".prop_map(Value::from),
        "north|bench|leek-1|leek-2".prop_map(Value::from),
        any::<String>().prop_map(Value::from),
        Just(json!({"a": [1]})),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 2000, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn no_command_panics(text in any::<String>(), bytes in prop::collection::vec(any::<u8>(), 0..60)) {
        for payload in [text.as_bytes(), &bytes] {
            for topic in ["tarewell/flats/leek-1/command", "tarewell/stands/x/command", "tarewell/command"] {
                router().message(topic, payload, false, None, |input| {
                    let Input::Order(order) = input else { panic!("{input:?}") };
                    assert!(order.word.chars().count() <= 41);
                });
            }
        }
    }

    #[test]
    fn commands_stay_within_bounds(
        word in "set|span|shelve|move|holds|zero|record-capacity|water|run|measure-flow|pause|refilled",
        key in "low|target|high|plant_mass_g|mass_g|for_h|stand|flat|force|now|place|volume_ml|plan|run_s|caught_ml|supply",
        value in value(),
    ) {
        let payload = json!({"command": word, key: value}).to_string();
        let places = ["flats/leek-1/", "stands/north/", "valves/drip/", ""];
        for topic in places.map(|place| format!("tarewell/{place}command")) {
            match order(&topic, &payload).command {
                Ok(Command::Span { mass, .. }) => prop_assert!(mass.get() > 0.0 && mass.get() <= 1e7),
                Ok(
                    Command::Water { volume: Some(volume) }
                    | Command::Run { volume: Some(volume), .. }
                    | Command::Caught { volume }
                    | Command::Refilled { volume: Some(volume), .. },
                ) => prop_assert!(volume.get() > 0.0 && volume.get() <= 1e6),
                Ok(Command::MeasureFlow { run }) => {
                    prop_assert!(run >= Span::seconds(1) && run <= Span::hours(24));
                }
                Ok(Command::Shelve { time } | Command::Pause { time }) => prop_assert!(time > Span::ZERO && time <= Span::days(366)),
                Ok(Command::Set(set)) => {
                    for limit in [set.low, set.water_at, set.target, set.high].into_iter().flatten().flatten() {
                        prop_assert!((0.0..=2.0).contains(&limit.get()));
                    }
                }
                Ok(_) => {}
                Err(why) => prop_assert!(!why.is_empty()),
            }
        }
    }
}
