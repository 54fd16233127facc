//! What a stand reads with nothing on it: a zero that has moved while its flat was on it, and what only looks like that.

use crate::bases::{House, LEEKS, OWN, SCALE, is_watered};
use crate::bench::{Bench, order};
use serde_json::Value;
use tarewell::alert::Kind;
use tarewell::site::{Command, Subject};
use tarewell::stand::{Said, StandSettings};
use tarewell::units::{Grams, WeightUnit};

const STAND: Subject = Subject::Stand(OWN);

fn told(house: &House, stand: Subject) -> Option<String> {
    let state = house.site.alert_state(Kind::Uneven, stand)?;
    serde_json::to_value(&state).ok()?["text"].as_str().map(str::to_owned)
}

/// Its flat has lived on the stand, and was lifted once while the stand was in order.
fn lived_in() -> House {
    let mut house = House::new();
    house.reads(OWN, 2600.0, 600);
    house.reads(OWN, 0.0, 200);
    house.reads(OWN, 2600.0, 600);
    house
}

#[test]
fn a_hose_that_leans_on_the_stand_is_told_when_the_flat_is_lifted() {
    let mut house = lived_in();
    // It presses harder from hour to hour, about as fast as the flat dries: no weight tells.
    for step in 0..6 {
        house.reads(OWN, 2600.0 + f64::from(step), 600);
    }
    assert_eq!(told(&house, STAND), None);
    house.reads(OWN, 60.0, 100);
    assert_eq!(told(&house, STAND), None, "its cells may still creep back");
    house.reads(OWN, 60.0, 60);
    let text = told(&house, STAND).unwrap();
    assert!(
        text.contains("With nothing on it own reads 60 g; it should read 0 g. Leeks will seem 60 g heavier"),
        "{text}"
    );
    assert!(text.contains("zero the stand while it is empty"), "{text}");
    // The flat comes back, and the program starts anew: the stand is no better for that.
    house.reads(OWN, 2600.0, 600);
    house.crash(30.0);
    house.reads(OWN, 2600.0, 600);
    assert_eq!(told(&house, STAND).as_ref(), Some(&text));
    assert_ne!(house.of_flat(LEEKS, "fraction"), Value::Null, "it is told, no more: its weights are believed");
    house.reads(OWN, 60.0, 200);
    house.handle(order(STAND, Command::Zero { force: false }));
    house.reads(OWN, 60.0, 30);
    assert_eq!(told(&house, STAND), None);
    // From now on that is nothing.
    house.reads(OWN, 60.0, 300);
    house.reads(OWN, 2600.0, 600);
    assert_eq!(told(&house, STAND), None);
}

#[test]
fn who_takes_the_hose_away_need_not_zero() {
    let mut house = lived_in();
    house.reads(OWN, 60.0, 200);
    assert!(told(&house, STAND).is_some());
    house.reads(OWN, 4.0, 20);
    assert_eq!(told(&house, STAND), None);
}

#[test]
fn what_the_empty_stand_was_seen_to_read_is_no_water_when_the_flat_is_back() {
    let watered = |house: &House| house.last(LEEKS, is_watered).is_some();
    let mut house = lived_in();
    house.reads(OWN, 45.0, 300);
    assert!(told(&house, STAND).is_some());
    house.reads(OWN, 2645.0, 900);
    assert!(!watered(&house), "{:?}", house.events);
    // Who pours while it is away has poured.
    house.reads(OWN, 45.0, 300);
    house.reads(OWN, 2945.0, 900);
    assert!(watered(&house));
}

#[test]
fn the_number_that_is_told_follows_the_hose() {
    let mut house = lived_in();
    house.reads(OWN, 40.0, 200);
    assert!(told(&house, STAND).unwrap().contains("reads 40 g"));
    house.reads(OWN, 2640.0, 600);
    house.reads(OWN, 90.0, 200);
    house.wait(600.0);
    house.reads(OWN, 90.0, 30);
    let text = told(&house, STAND).unwrap();
    assert!(text.contains("reads 90 g"), "{text}");
}

#[test]
fn what_is_put_down_for_a_moment_is_no_moved_zero() {
    let mut house = lived_in();
    house.reads(OWN, 0.0, 100);
    // A can, for five minutes; it weighs less than half of what the flat weighs dry.
    house.reads(OWN, 800.0, 300);
    house.reads(OWN, 0.0, 100);
    assert_eq!(told(&house, STAND), None);
    // Left there for longer, the flat would stand beside it.
    house.reads(OWN, 800.0, 700);
    assert!(told(&house, STAND).unwrap().contains("something lies there"));
}

#[test]
fn a_shared_scale_is_looked_at_between_its_flats() {
    let mut house = House::new();
    house.reads(SCALE, 0.0, 200);
    house.reads(SCALE, 2600.0, 60);
    house.reads(SCALE, 45.0, 150);
    let text = told(&house, Subject::Stand(SCALE)).unwrap();
    assert!(text.contains("What it bears will seem 45 g heavier"), "{text}");
}

#[test]
fn a_stand_that_was_never_zeroed_is_held_against_its_own_platform() {
    let read = |levels: &[f64], settings: StandSettings| {
        let mut bench = Bench::new(settings, None);
        for (place, level) in levels.iter().enumerate() {
            for step in 0..30_u32 {
                let at = f64::from(u32::try_from(place).unwrap() * 30 + step) * 10.0;
                bench.read(at, *level);
            }
        }
        bench
    };
    let off = |bench: &Bench| bench.stand.moved_zero().map(|moved| (moved.was.get(), moved.reads.get()));
    let grams = StandSettings::default();
    assert_eq!(off(&read(&[420.0, 3600.0, 421.0], grams.clone())), None);
    let bench = read(&[3600.0, 420.0, 3600.0, 470.0], grams.clone());
    assert_eq!(off(&bench), Some((420.0, 470.0)));
    assert_eq!(bench.said.iter().filter(|(_, said)| *said == Said::SeenEmpty).count(), 2, "{:?}", bench.said);
    // What lay there when it was seen first is gone: that was not empty.
    let bench = read(&[3600.0, 420.0, 3600.0, 300.0, 3600.0, 340.0], grams);
    assert_eq!(off(&bench), Some((300.0, 340.0)));
    // Who writes the zero into the file has seen it empty.
    let counts = StandSettings {
        unit: WeightUnit::Counts,
        zero: Some(1000.0),
        counts_per_gram: Some(10.0),
        ..StandSettings::default()
    };
    assert_eq!(off(&read(&[37_000.0, 1600.0], counts)), Some((0.0, 60.0)));
}

#[test]
fn large_cells_may_wander_farther() {
    for (max_load, is_told) in [(10.0, true), (40.0, false)] {
        let settings = StandSettings { max_load: Some(Grams::new(max_load * 1000.0)), ..StandSettings::default() };
        let mut bench = Bench::new(settings, None);
        for step in 0..100_u32 {
            let weight = if step < 30 {
                0.0
            } else if step < 60 {
                3600.0
            } else {
                60.0
            };
            bench.read(f64::from(step) * 10.0, weight);
        }
        assert_eq!(bench.stand.moved_zero().is_some(), is_told, "{max_load} kg");
    }
}
