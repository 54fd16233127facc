//! Properties of the whole engine, whatever happens to it.

use crate::bench::order;
use proptest::prelude::*;
use serde_json::Value;
use std::sync::Arc;
use tarewell::flat::FlatSettings;
use tarewell::moment::{Moment, Mono, Span, Wall, Zone};
use tarewell::site::{Command, Input, Output, Part, Plan, Saved, Set, Site, Subject, Unreadable};
use tarewell::stand::StandSettings;
use tarewell::units::{Celsius, Flow, Fraction, Grams, Millilitres, Words};
use tarewell::watering::{Feed, ValveSettings};

fn plan() -> Plan {
    let flat = |stand, label: &str| FlatSettings {
        label: label.to_owned(),
        stand: Some(stand),
        dry_weight: Some(Grams::new(2000.0)),
        capacity_weight: Some(Grams::new(3200.0)),
        ..FlatSettings::default()
    };
    let valve = ValveSettings {
        id: "drip".to_owned(),
        feeds: vec![Feed { flat: 0, flow: Flow::per_minute(30.0) }, Feed { flat: 1, flow: Flow::per_minute(45.0) }],
        max_run: Some(Span::minutes(20)),
        max_per_day: Some(Millilitres::new(2000.0)),
        has_timer: true,
        ..ValveSettings::default()
    };
    Plan {
        name: "Test".to_owned(),
        zone: Zone::named("Europe/Berlin").unwrap(),
        words: Words::Us,
        base_topic: "t".to_owned(),
        fills: Vec::new(),
        stands: vec![("a".to_owned(), StandSettings::default()), ("b".to_owned(), StandSettings::default())],
        flats: vec![("x".to_owned(), flat(0, "Chard")), ("y".to_owned(), flat(1, "Fennel"))],
        valves: vec![valve],
        supplies: Vec::new(),
    }
}

/// The last Sunday of March, an hour before the clocks change.
const START: Wall = Wall::from_millis(1_774_742_400_000);

fn at(millis: i64) -> Moment {
    Moment::recorded(START + Span::from_millis(millis))
}

fn weight() -> impl Strategy<Value = f64> {
    prop_oneof![
        8 => 1900.0..3400.0_f64,
        2 => 0.0..50.0_f64,
        1 => -1e6..1e7_f64,
        1 => Just(f64::NAN),
        1 => Just(f64::INFINITY),
        1 => any::<f64>(),
    ]
}

fn command() -> impl Strategy<Value = Command> {
    let limit = || prop::option::of(prop::option::of((0.0..1.5_f64).prop_map(Fraction::new)));
    prop_oneof![
        Just(Command::RecordDry),
        any::<bool>().prop_map(|now| Command::RecordCapacity { now }),
        Just(Command::ForgetBand),
        Just(Command::Undo),
        (limit(), limit(), limit(), limit()).prop_map(|(low, water_at, target, high)| {
            Command::Set(Set { low, water_at, target, high, plant_mass: None, place: None })
        }),
        (0.0..900.0_f64)
            .prop_map(|mass| { Command::Set(Set { plant_mass: Some(Some(Grams::new(mass))), ..Set::default() }) }),
        prop::option::of(0..2_usize).prop_map(|stand| Command::Move { stand }),
        (1..100_i64).prop_map(|hours| Command::Shelve { time: Span::hours(hours) }),
        prop::option::of(0..2_usize).prop_map(|flat| Command::Holds { flat }),
        any::<bool>().prop_map(|force| Command::Zero { force }),
        (1.0..5000.0_f64, any::<bool>()).prop_map(|(mass, force)| Command::Span { mass: Grams::new(mass), force }),
        Just(Command::ForgetCalibration),
        Just(Command::NotYet),
    ]
}

fn subject() -> impl Strategy<Value = Subject> {
    prop_oneof![
        (0..3_usize).prop_map(Subject::Flat),
        (0..3_usize).prop_map(Subject::Stand),
        (0..2_usize).prop_map(Subject::Valve),
        Just(Subject::Site),
    ]
}

/// Something that happens, and how long after the last thing.
fn happening() -> impl Strategy<Value = (i64, Input, u8)> {
    let input = prop_oneof![
        12 => (0..3_usize, weight(), any::<bool>()).prop_map(|(stand, value, odd)| Input::Reading {
            stand,
            part: Part::Whole,
            value: Ok(value),
            retained: odd && value > 3300.0,
        }),
        1 => (0..3_usize).prop_map(|stand| Input::Reading {
            stand,
            part: Part::Corner(7),
            value: Err(Unreadable::Missing),
            retained: false,
        }),
        1 => (0..3_usize, -60.0..90.0_f64).prop_map(|(stand, value)| Input::Temperature {
            stand,
            value: Celsius::new(value),
        }),
        1 => (0..3_usize, any::<bool>()).prop_map(|(stand, online)| Input::Availability { stand, online }),
        1 => Just(Input::Connected),
        1 => Just(Input::Disconnected),
        1 => Just(Input::Tick),
        3 => (subject(), command()).prop_map(|(to, command)| order(to, command)),
    ];
    let pause = prop_oneof![4 => 0..30_000_i64, 2 => 0..1_000_i64, 1 => 0..7_200_000_i64, 1 => 0..30_000_000_i64];
    // The same reading some times over, so that stands come to rest.
    (pause, input, 1..8_u8)
}

/// Plays what happens, with every wish to be called in between; gives every state that was published.
fn play(site: &mut Site, happenings: &[(i64, Input, u8)]) -> Vec<Value> {
    let mut states = Vec::new();
    let mut now = 0;
    for (pause, input, times) in happenings {
        for _ in 0..*times {
            now += pause;
            let mut turns = 0;
            while let Some(wake) = site.next_wake().filter(|wake| wake.at <= at(now).mono) {
                site.handle(Input::Tick, moment(wake.at));
                drain(site, &mut states);
                turns += 1;
                assert!(turns < 200_000, "it wants to be called again and again: {wake:?}");
            }
            site.handle(input.clone(), at(now));
            drain(site, &mut states);
            assert!(site.next_wake().is_none_or(|wake| wake.at > at(now).mono), "a wish that is due was left");
        }
    }
    states
}

fn moment(mono: Mono) -> Moment {
    Moment::recorded(Wall::from_millis(mono.millis()))
}

fn drain(site: &mut Site, states: &mut Vec<Value>) {
    let mut count = 0;
    while let Some(output) = site.poll() {
        count += 1;
        assert!(count < 1000, "it never has enough: {output:?}");
        let mut json = Vec::new();
        match output {
            Output::State(subject) => site.write_state(subject, &mut json),
            Output::AlertRaised(kind, subject) => site.write_alert(kind, subject, &mut json),
            Output::Keep(subject) => json.extend(site.fact(subject).map_or_else(Vec::new, |fact| fact.json.into())),
            _ => continue,
        }
        if !json.is_empty() {
            states.push(serde_json::from_slice(&json).unwrap());
        }
    }
}

fn number(state: &Value, key: &str) -> Option<f64> {
    state.get(key).and_then(Value::as_f64)
}

/// NaN and infinity are written as null: what must be a number is one.
fn check_flat(state: &Value) {
    let condition = state["condition"].as_str().unwrap();
    let known = condition != "unknown";
    for key in ["fraction", "water_g", "to_target_ml", "target_weight_g", "fraction_error"] {
        assert_eq!(number(state, key).is_some(), known, "{key} in {state}");
    }
    for key in ["plant_mass_g", "low", "water_at", "target", "high"] {
        assert!(number(state, key).is_some_and(f64::is_finite), "{key} in {state}");
    }
    let [low, water_at, target, high] = ["low", "water_at", "target", "high"].map(|key| number(state, key).unwrap());
    assert!(low < water_at && water_at < target && target <= high, "{state}");
    if let Some(fraction) = number(state, "fraction") {
        let is_right = match condition {
            "dry" => fraction < low + 0.02,
            "due" => fraction < water_at + 0.02,
            "moist" => fraction >= water_at && fraction <= high,
            _ => fraction > high - 0.02,
        };
        assert!(is_right, "{state}");
        assert!(number(state, "to_target_ml").unwrap() >= 0.0);
    }
    for key in ["due", "low"] {
        let between = &state[format!("{key}_between")];
        assert_eq!(between.is_null(), state[format!("{key}_at")].is_null(), "{state}");
        if let (Some(early), Some(late)) = (between[0].as_str(), between[1].as_str()) {
            let time = |text: &str| chrono::DateTime::parse_from_rfc3339(text).unwrap();
            let middle = time(state[format!("{key}_at")].as_str().unwrap());
            assert!(time(early) <= middle && middle <= time(late), "{state}");
        }
    }
}

fn check_valve(state: &Value) {
    let Some(plan) = state.get("plan").filter(|plan| !plan.is_null()) else { return };
    let sum = |list: &str, key: &str| -> f64 {
        plan[list].as_array().unwrap().iter().map(|item| item[key].as_f64().unwrap()).sum()
    };
    let volume = plan["volume_ml"].as_f64().unwrap();
    assert!(volume > 0.0, "{plan}");
    assert!((sum("flats", "gets_ml") - volume).abs() < 0.3, "{plan}");
    assert!((sum("pulses", "run_s") - plan["run_time_s"].as_f64().unwrap()).abs() < 0.5, "{plan}");
    assert!(plan["run_time_s"].as_i64().unwrap() <= 20 * 60, "{plan}");
    assert!(volume <= 2000.05, "{plan}");
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, ..ProptestConfig::default() })]

    #[test]
    fn no_panic_no_nan_no_circle(happenings in prop::collection::vec(happening(), 1..60)) {
        let mut site = Site::new(Arc::new(plan()), &Saved::default(), at(0));
        for state in play(&mut site, &happenings) {
            if state.get("condition").is_some_and(|_| state.get("flat").is_some()) {
                check_flat(&state);
            }
            if state.get("valve").is_some() {
                check_valve(&state);
            }
        }
    }

    #[test]
    fn what_is_kept_is_all_there_is(happenings in prop::collection::vec(happening(), 1..40)) {
        let mut site = Site::new(Arc::new(plan()), &Saved::default(), at(0));
        play(&mut site, &happenings);
        let subjects = [Subject::Flat(0), Subject::Flat(1), Subject::Stand(0), Subject::Stand(1), Subject::Site];
        let facts: Vec<_> = subjects.iter().filter_map(|subject| site.fact(*subject)).collect();
        let saved = Saved { facts: facts.clone(), ..Saved::default() };
        let now = happenings.iter().map(|(pause, _, times)| pause * i64::from(*times)).sum();
        let again = Site::new(Arc::new(plan()), &saved, at(now));
        for (subject, fact) in subjects.iter().zip(&facts) {
            let kept = again.fact(*subject).unwrap();
            if matches!(subject, Subject::Flat(_) | Subject::Site) {
                // Its condition alone follows from what is left, which is carried on to the present.
                let parsed = |json: &str| {
                    let mut value = serde_json::from_str::<Value>(json).unwrap();
                    value["condition"] = Value::Null;
                    value
                };
                prop_assert_eq!(parsed(&kept.json), parsed(&fact.json));
            }
        }
    }

    #[test]
    fn the_fraction_rises_with_the_weight(low in 1500.0..4000.0_f64, more in 3.0..500.0_f64) {
        let fraction = |weight: f64| {
            let mut site = Site::new(Arc::new(plan()), &Saved::default(), at(0));
            let reading = Input::Reading { stand: 0, part: Part::Whole, value: Ok(weight), retained: false };
            play(&mut site, &[(10_000, reading, 8)]);
            site.flat_state(0).and_then(|state| state.fraction)
        };
        if let (Some(less), Some(greater)) = (fraction(low), fraction(low + more)) {
            prop_assert!(less < greater);
        }
    }
}
