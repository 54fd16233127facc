//! What happens to a flat while the program ends and begins again.

use crate::bases::{CHARD, House, LEEKS, OWN, SCALE, is_watered, moment, plan};
use std::sync::Arc;
use tarewell::site::{Command, Happening, Output, Plan, Saved, Site, Subject, Was};
use tarewell::stand::StandSettings;

fn watered(house: &House) -> Vec<f64> {
    let amount = |what: &Happening| match what {
        Happening::Watered { kept, .. } => Some(kept.get()),
        _ => None,
    };
    house.events.iter().filter_map(|event| amount(&event.what)).collect()
}

/// Ends without warning `after` seconds after the water came, with what was written down until then, and is away for `away`.
fn water_and_end(after: u32, away: f64, dried_for: u32) -> House {
    let mut house = House::new();
    house.reads(OWN, 2900.0, 20);
    let weight = house.dries(OWN, 2900.0, 10.0, dried_for);
    house.reads(OWN, weight, 30);
    if after > 0 {
        house.reads(OWN, weight + 300.0, after);
    }
    house.crash(away);
    house.reads(OWN, weight + 300.0 - 10.0 * away / 3600.0, 900);
    house
}

#[test]
fn water_that_came_just_before_a_restart_or_meanwhile_is_told_once() {
    // Seconds before it ended (0: after), seconds that it was away.
    let cases =
        [(3, 5.0), (30, 30.0), (60, 600.0), (120, 5.0), (200, 60.0), (0, 120.0), (0, 3600.0), (0, 6.0 * 3600.0)];
    for (after, away) in cases {
        for dried_for in [2, 40] {
            let mut house = water_and_end(after, away, dried_for);
            let told = watered(&house);
            let case = format!("{after} s before, away {away} s: {told:?}");
            assert!(told.len() == 1 && (told[0] - 300.0).abs() < 4.0, "{case}");
            let seq = house.seq(LEEKS, is_watered);
            house.crash(10.0);
            let weight = house.of_flat(LEEKS, "weight_g").as_f64().unwrap();
            house.reads(OWN, weight, 600);
            assert_eq!(watered(&house).len(), 1, "{case}");
            house.flat(LEEKS, Command::Correct { seq, was: Was::Nothing, cells: None }).unwrap();
            assert_eq!(house.of_flat(LEEKS, "since_watered_h"), serde_json::Value::Null, "{case}");
        }
    }
}

const OTHER: usize = 2;

/// Leeks and chard, each on a stand of its own.
fn two_stands(leeks: usize, chard: usize) -> Plan {
    let mut plan = plan();
    plan.stands.push(("other".to_owned(), StandSettings::default()));
    plan.flats[LEEKS].1.stand = Some(leeks);
    plan.flats[CHARD].1.stand = Some(chard);
    plan
}

/// What the weights were taken for since the event of this number, in words.
fn read_from_weights(house: &House, since: u64) -> Vec<String> {
    let is_of_weights = |what: &&Happening| {
        !matches!(what, Happening::Moved { .. } | Happening::AlertRaised { .. } | Happening::AlertCleared { .. })
    };
    let later = house.events.iter().filter(|event| event.seq > since).map(|event| &event.what);
    later.filter(is_of_weights).map(|what| format!("{what:?}")).collect()
}

#[test]
fn flats_that_the_file_swaps_bring_their_weights_along() {
    // Found by a new user. They are swapped while it is away, or only a while after it has begun.
    for carried_later in [false, true] {
        let mut house = House::of(two_stands(OWN, OTHER));
        for _ in 0..6 {
            house.reads(OWN, 2590.0, 120);
            house.reads(OTHER, 2500.0, 120);
        }
        let last = house.events.last().map_or(0, |event| event.seq);
        house.edited(two_stands(OTHER, OWN), 60.0);
        let moved = house.events.iter().filter(|event| matches!(event.what, Happening::Moved { .. })).count();
        assert_eq!(moved, 2);
        if carried_later {
            house.reads(OWN, 2590.0, 60);
            house.reads(OTHER, 2500.0, 60);
        }
        for _ in 0..6 {
            house.reads(OWN, 2500.0, 120);
            house.reads(OTHER, 2590.0, 120);
        }
        let told = read_from_weights(&house, last);
        let is_touch = |told: &String| told.starts_with("Bumped");
        assert!(told.iter().all(|told| carried_later && is_touch(told)), "carried later {carried_later}: {told:?}");
        assert_eq!((house.fraction(LEEKS), house.fraction(CHARD)), (0.59, 0.5), "carried later {carried_later}");
    }
}

#[test]
fn what_a_stand_weighed_is_not_that_of_a_flat_the_file_begins_on_it() {
    let day = |day: &str| Some(day.parse().unwrap());
    let sown = |on: &str| {
        let mut plan = two_stands(OWN, OTHER);
        plan.flats[LEEKS].1.sown = day(on);
        plan
    };
    let mut renamed = sown("2026-02-01");
    renamed.flats[LEEKS].0 = "new-leeks".to_owned();
    for (case, edited) in [("sown anew", sown("2026-03-01")), ("another flat", renamed)] {
        let mut house = House::of(sown("2026-02-01"));
        house.reads(OWN, 2300.0, 600);
        let last = house.events.last().map_or(0, |event| event.seq);
        house.edited(edited, 60.0);
        house.reads(OWN, 2900.0, 900);
        let told: Vec<_> = read_from_weights(&house, last);
        assert!(!told.iter().any(|told| told.starts_with("Watered")), "{case}: {told:?}");
        assert_eq!(house.fraction(LEEKS), 0.9, "{case}");
    }
}

#[test]
fn a_flat_on_the_stand_it_had_goes_on_from_its_weight_whatever_else_the_file_says() {
    let mut house = House::of(two_stands(OWN, OTHER));
    house.reads(OWN, 2300.0, 600);
    let mut edited = two_stands(OWN, OTHER);
    edited.flats[LEEKS].0 = "new-leeks".to_owned();
    edited.flats[LEEKS].1.formerly = Some("leeks".to_owned());
    edited.flats.swap(LEEKS, CHARD);
    edited.flats[4].1.like = Some(CHARD);
    house.edited(edited, 60.0);
    house.reads(OWN, 2600.0, 900);
    assert_eq!(watered(&house).len(), 1, "water that came meanwhile is told");
}

#[test]
fn a_flat_that_takes_turns_on_a_scale_is_carried_nowhere_by_a_restart() {
    let mut plan = plan();
    plan.flats[CHARD].1.stand = Some(SCALE);
    let mut house = House::of(plan.clone());
    house.reads(SCALE, 0.0, 10);
    house.scale(Command::WeighOn { flat: CHARD, sure: false }).unwrap();
    house.reads(SCALE, 2500.0, 10);
    house.reads(SCALE, 0.0, 10);
    let subjects = [Subject::Flat(CHARD), Subject::Stand(SCALE), Subject::Site];
    let facts = subjects.into_iter().map(|subject| house.site.fact(subject).unwrap()).collect();
    let mut site = Site::new(Arc::new(plan), &Saved { facts, ..Saved::default() }, moment(house.seconds));
    let touched = std::iter::from_fn(|| site.poll()).any(|output| output == Output::Keep(Subject::Flat(CHARD)));
    assert!(!touched, "nothing of it has changed");
}
