//! Each way of failing that water-safety names, by itself, in a house where nothing else goes wrong; every invariant of the storm is
//! checked on the way.
//!
//! Those that need a valve that is driven come with it: killed mid-watering at every step; Wi-Fi loss, power cut and a state unknown at
//! start, of the valve; an order to open duplicated, late, or retained and found at start; stuck open; stuck closed or empty tank;
//! another automation opens the valve; journal unwritable; emitter clogged to 40 %; stale, frozen or saturated readings, a flat lifted
//! and a reading rate that falls mid-watering.

use crate::storm::{BEGINS, Happens, Scenario, World};
use tarewell::alert::Kind;
use tarewell::moment::Span;
use tarewell::sim::{Act, Doing, Drains, FlatPlan, Glitch, Mix, Shows, SimTime, Trouble};
use tarewell::site::{Happening, Subject};
use tarewell::stand::StandSettings;
use tarewell::units::WeightUnit;

const FLAT: Subject = Subject::Flat(0);
const STAND: Subject = Subject::Stand(0);

fn quiet(change: impl FnOnce(&mut Scenario)) -> World {
    let mut scenario = Scenario::quiet(1);
    change(&mut scenario);
    let mut world = World::new(scenario);
    world.events = Some(Vec::new());
    world
}

fn at_fraction(fraction: f64) -> impl FnOnce(&mut Scenario) {
    move |scenario| scenario.house.flats[0] = scenario.house.flats[0].at_fraction(fraction)
}

fn flat(doing: Doing) -> Happens {
    Happens::Act(Act::Flat(0, doing))
}

fn stand(trouble: Trouble) -> Happens {
    Happens::Act(Act::Stand(0, trouble))
}

fn command(topic: &str, payload: &str) -> Happens {
    Happens::Command { topic: format!("tarewell/{topic}/command"), payload: payload.to_owned(), retained: false }
}

fn pour(grams: f64) -> Happens {
    flat(Doing::Pour { grams, over: Span::from_seconds(grams / 40.0), below: false })
}

fn is_raised(world: &World, kind: Kind, of: Subject) -> bool {
    world.site.as_ref().is_some_and(|site| site.alert_state(kind, of).is_some())
}

fn fraction(world: &World) -> f64 {
    world.site.as_ref().and_then(|site| site.flat_state(0)).and_then(|state| state.fraction).unwrap()
}

/// When an alert rose, in order.
fn rises(world: &World, kind: Kind) -> Vec<SimTime> {
    let events = world.events.as_ref().unwrap().iter();
    let rises =
        events.filter(|(.., what)| matches!(what, Happening::AlertRaised { kind: raised, .. } if *raised == kind));
    rises.map(|(at, ..)| *at).collect()
}

fn waterings(world: &World) -> Vec<(f64, f64)> {
    let events = world.events.as_ref().unwrap().iter();
    events
        .filter_map(|(.., what)| match what {
            Happening::Watered { added, kept, .. } => Some((added.get(), kept.get())),
            _ => None,
        })
        .collect()
}

fn clean(world: &World) {
    let told: Vec<String> = world.checks.violations.iter().map(ToString::to_string).collect();
    assert!(told.is_empty(), "{}", told.join("\n"));
}

#[test]
fn broker_down_while_the_flat_falls_dry() {
    let mut world = quiet(at_fraction(0.31));
    world.live_until(BEGINS + Span::minutes(20));
    world.happen(Happens::Act(Act::BrokerGone(Span::hours(5))));
    world.live_until(BEGINS + Span::hours(5));
    assert!(is_raised(&world, Kind::StandSilent, STAND));
    world.live_until(BEGINS + Span::minutes(20 + 300 + 3));
    assert!(is_raised(&world, Kind::Dry, FLAT), "{}", fraction(&world));
    assert!(!is_raised(&world, Kind::StandSilent, STAND));
    clean(&world);
}

#[test]
fn killed_at_every_step_of_a_watering_by_hand() {
    for step in 0..60 {
        let mut world = quiet(at_fraction(0.35));
        world.live_until(BEGINS + Span::minutes(30));
        world.happen(pour(400.0));
        world.live_until(BEGINS + Span::minutes(30) + Span::seconds(4 * step));
        world.happen(Happens::Killed { down: Span::seconds(3), lossy: step % 2 == 0 });
        world.live_until(BEGINS + Span::hours(3));
        let found = waterings(&world);
        assert!(found.len() <= 1, "killed {} s after: {found:?}", 4 * step);
        assert!(found.iter().all(|(added, _)| *added < 450.0), "killed {} s after: {found:?}", 4 * step);
        let truth = world.house.truth(0).unwrap();
        assert!((fraction(&world) - truth.fraction).abs() < 0.02, "{} and {}", fraction(&world), truth.fraction);
        clean(&world);
    }
}

#[test]
fn killed_each_minute_for_half_a_day() {
    let mut world = quiet(at_fraction(0.33));
    for minute in 1..720 {
        world.live_until(BEGINS + Span::minutes(minute));
        world.happen(Happens::Killed { down: Span::from_millis(700), lossy: minute % 3 == 0 });
    }
    world.live_until(BEGINS + Span::minutes(725));
    assert!(is_raised(&world, Kind::Dry, FLAT));
    assert_eq!(rises(&world, Kind::Dry).len(), 1);
    clean(&world);
}

#[test]
fn a_retained_command_found_at_start_is_refused() {
    let mut world = quiet(at_fraction(0.6));
    let payload = r#"{"command":"forget-band"}"#.to_owned();
    world.happen(Happens::Command { topic: "tarewell/flats/f0/command".to_owned(), payload, retained: true });
    world.live_until(BEGINS + Span::minutes(1));
    let events = world.events.as_ref().unwrap();
    assert!(events.iter().any(|(.., what)| matches!(what, Happening::CommandRefused { .. })), "{events:?}");
    clean(&world);
}

#[test]
fn a_retained_reading_found_at_start_is_not_fresh() {
    let mut world = quiet(|scenario| scenario.house.stands[0].period = Span::minutes(5));
    world.happen(Happens::Retained { stand: 0, share: 0.5 });
    world.live_until(BEGINS + Span::seconds(1));
    let state = world.site.as_ref().unwrap().flat_state(0).unwrap();
    assert_eq!((state.weight_g, state.fraction, state.condition), (None, None, "unknown"));
    clean(&world);
}

#[test]
fn the_wall_clock_jumps_and_durations_go_on() {
    for hours in [-30, -5, 5, 30] {
        let mut world = quiet(at_fraction(0.6));
        world.live_until(BEGINS + Span::minutes(30));
        world.happen(flat(Doing::Lift));
        world.live_until(BEGINS + Span::minutes(60));
        world.happen(Happens::Jump(Span::hours(hours)));
        world.live_until(BEGINS + Span::minutes(118));
        assert!(!is_raised(&world, Kind::FlatAbsent, FLAT), "jump of {hours} h");
        world.live_until(BEGINS + Span::minutes(123));
        assert!(is_raised(&world, Kind::FlatAbsent, FLAT), "jump of {hours} h");
        clean(&world);
    }
}

#[test]
fn summer_time_begins_and_ends_without_a_word() {
    use chrono::{NaiveDate, NaiveTime};
    for (month, day) in [(3, 28), (10, 24)] {
        let mut world = quiet(|scenario| {
            let first = NaiveDate::from_ymd_opt(2026, month, day).unwrap();
            scenario.midnight = scenario.plan.zone.instant(first, NaiveTime::MIN);
        });
        world.live_until(BEGINS + Span::hours(40));
        let told = rises(&world, Kind::StandSilent).len() + rises(&world, Kind::NotDrying).len();
        assert_eq!(told, 0);
        clean(&world);
    }
}

#[test]
fn stale_readings_are_told_and_the_fraction_is_carried_on() {
    let mut world = quiet(at_fraction(0.6));
    world.live_until(BEGINS + Span::hours(8));
    world.happen(stand(Trouble::Silence { lasts: Span::hours(4) }));
    world.live_until(BEGINS + Span::hours(8) + Span::minutes(11));
    assert!(is_raised(&world, Kind::StandSilent, STAND));
    world.live_until(BEGINS + Span::hours(11));
    let truth = world.house.truth(0).unwrap();
    assert!((fraction(&world) - truth.fraction).abs() < 0.03);
    world.live_until(BEGINS + Span::hours(13));
    assert!(!is_raised(&world, Kind::StandSilent, STAND));
    clean(&world);
}

#[test]
fn frozen_readings_are_a_fault() {
    let mut world = quiet(at_fraction(0.6));
    world.live_until(BEGINS + Span::hours(8));
    world.happen(stand(Trouble::Freeze { lasts: Span::hours(5) }));
    world.live_until(BEGINS + Span::hours(11));
    assert!(is_raised(&world, Kind::StandFault, STAND));
    world.live_until(BEGINS + Span::hours(14));
    assert!(!is_raised(&world, Kind::StandFault, STAND));
    clean(&world);
}

#[test]
fn saturated_readings_are_a_fault_and_no_weight() {
    let mut world = quiet(|scenario| {
        let cell = &mut scenario.house.stands[0];
        cell.shows = Shows::Counts;
        let counts = StandSettings {
            unit: WeightUnit::Counts,
            zero: Some(cell.counts.0),
            counts_per_gram: Some(cell.counts.1),
            ..StandSettings::default()
        };
        std::sync::Arc::make_mut(&mut scenario.plan).stands[0].1 = counts;
    });
    world.live_until(BEGINS + Span::hours(1));
    let before = fraction(&world);
    world.happen(stand(Trouble::Garble { glitch: Glitch::Ones(23), lasts: Span::minutes(30) }));
    world.live_until(BEGINS + Span::minutes(80));
    assert!(is_raised(&world, Kind::StandFault, STAND));
    assert!((fraction(&world) - before).abs() < 0.02);
    world.live_until(BEGINS + Span::minutes(95));
    assert!(!is_raised(&world, Kind::StandFault, STAND));
    clean(&world);
}

/// Two of a kind push each other off the broker.
#[test]
fn two_instances_with_one_client_id() {
    let mut world = quiet(at_fraction(0.6));
    world.live_until(BEGINS + Span::hours(1));
    let told = world.events.as_ref().unwrap().len();
    for second in 0..300 {
        world.happen(Happens::Act(Act::BrokerGone(Span::from_millis(500))));
        world.live_until(BEGINS + Span::hours(1) + Span::seconds(second + 1));
    }
    world.live_until(BEGINS + Span::hours(2));
    assert_eq!(world.events.as_ref().unwrap().len(), told, "{:?}", world.events);
    clean(&world);
}

#[test]
fn a_flat_that_is_lifted_is_carried_on_missed_and_back() {
    let mut world = quiet(at_fraction(0.6));
    world.live_until(BEGINS + Span::hours(8));
    world.happen(flat(Doing::Lift));
    world.live_until(BEGINS + Span::hours(9) + Span::minutes(31));
    assert!(is_raised(&world, Kind::FlatAbsent, FLAT));
    let truth = world.house.truth(0).unwrap();
    assert!((fraction(&world) - truth.fraction).abs() < 0.03);
    world.happen(flat(Doing::PutBack { stand: None }));
    world.live_until(BEGINS + Span::hours(9) + Span::minutes(40));
    assert!(!is_raised(&world, Kind::FlatAbsent, FLAT) && waterings(&world).is_empty());
    clean(&world);
}

#[test]
fn the_wrong_flat_returned_is_not_believed() {
    let mut scenario = Scenario::quiet(2);
    // The neighbour is far heavier than the first can be.
    scenario.house.flats[1] = FlatPlan { hardware: 5000.0, ..scenario.house.flats[1] };
    let heavy = scenario.house.flats[1];
    let plan = std::sync::Arc::make_mut(&mut scenario.plan);
    plan.flats[1].1.dry_weight = Some(heavy.dry_weight());
    plan.flats[1].1.capacity_weight = Some(heavy.capacity_weight());
    let mut world = World::new(scenario);
    world.live_until(BEGINS + Span::hours(1));
    let before = fraction(&world);
    world.happen(flat(Doing::Swap { with: 1 }));
    world.live_until(BEGINS + Span::minutes(75));
    assert!(is_raised(&world, Kind::FlatChanged, FLAT));
    assert!((fraction(&world) - before).abs() < 0.02);
    // To the heavy one's stand the light one is as good as nothing.
    let neighbour = world.site.as_ref().unwrap().flat_state(1).unwrap();
    assert!(neighbour.condition == "moist" && !is_raised(&world, Kind::Dry, Subject::Flat(1)));
    world.happen(flat(Doing::Swap { with: 1 }));
    world.live_until(BEGINS + Span::minutes(100));
    assert!(!is_raised(&world, Kind::FlatChanged, FLAT));
    clean(&world);
}

#[test]
fn readings_fall_from_one_a_second_to_one_a_minute() {
    let mut world = quiet(|scenario| {
        scenario.house.stands[0].period = Span::seconds(1);
        scenario.house.flats[0] = scenario.house.flats[0].at_fraction(0.31);
    });
    world.live_until(BEGINS + Span::minutes(10));
    world.happen(Happens::Thinned { stand: 0, to_one_in: 60 });
    world.live_until(BEGINS + Span::hours(8));
    let dry = rises(&world, Kind::Dry);
    assert_eq!(dry.len(), 1);
    let truth = world.house.truth(0).unwrap();
    assert!((fraction(&world) - truth.fraction).abs() < 0.01);
    assert!(!is_raised(&world, Kind::StandSilent, STAND));
    clean(&world);
}

#[test]
fn water_that_peat_sheds_is_not_counted_as_kept() {
    let mut world = quiet(|scenario| {
        let peat = FlatPlan { drains: Drains::Away, ..FlatPlan::cells(72).mix(Mix::Peat).on(0) };
        scenario.house.flats[0] = peat.at_fraction(0.05);
    });
    world.live_until(BEGINS + Span::hours(1));
    world.happen(flat(Doing::Pour { grams: 600.0, over: Span::seconds(120), below: false }));
    world.live_until(BEGINS + Span::hours(5));
    let truth = world.house.truth(0).unwrap();
    assert!(truth.ran_off > 100.0, "the mix must shed: {truth:?}");
    let found = waterings(&world);
    assert_eq!(found.len(), 1, "{found:?}");
    let kept = (truth.arrived - truth.ran_off) / tarewell::units::WATER_20;
    assert!((found[0].1 - kept).abs() < 30.0, "{found:?}, {truth:?}");
    assert!((fraction(&world) - truth.fraction).abs() < 0.02);
    clean(&world);
}

#[test]
fn a_command_repeated_or_late_does_nothing() {
    let mut world = quiet(at_fraction(0.6));
    world.live_until(BEGINS + Span::minutes(5));
    world.happen(command("flats/f0", r#"{"command":"set","target":0.6,"id":"a"}"#));
    world.happen(Happens::Repeat);
    world.happen(command("flats/f0", r#"{"command":"set","target":0.7,"time":"2020-01-01T00:00:00Z"}"#));
    world.live_until(BEGINS + Span::minutes(6));
    assert_eq!(world.site.as_ref().unwrap().flat_state(0).unwrap().target, 0.6);
    clean(&world);
}

#[test]
fn a_device_that_tares_under_its_flat_is_no_dry_flat() {
    let mut world = quiet(|scenario| scenario.house.stands[0].tares = true);
    world.live_until(BEGINS + Span::hours(8));
    let before = fraction(&world);
    world.happen(stand(Trouble::Restart { lasts: Span::minutes(3) }));
    world.live_until(BEGINS + Span::hours(10));
    assert!(!is_raised(&world, Kind::Dry, FLAT));
    assert!((fraction(&world) - before).abs() < 0.05);
    assert!(is_raised(&world, Kind::StandFault, STAND) || is_raised(&world, Kind::FlatAbsent, FLAT));
    clean(&world);
}

#[test]
fn garbage_changes_nothing() {
    let mut world = quiet(at_fraction(0.6));
    world.live_until(BEGINS + Span::minutes(5));
    let before = world.site.as_ref().unwrap().fact(FLAT).unwrap().json;
    for payload in ["{", "[]", "null", "\u{0}", "{\"command\":7}", "{\"command\":\"set\",\"low\":1e999}", "set"] {
        world.happen(command("flats/f0", payload));
    }
    world.happen(command("flats/nobody", "undo"));
    assert_eq!(world.site.as_ref().unwrap().fact(FLAT).unwrap().json, before);
    clean(&world);
}
