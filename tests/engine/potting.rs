//! Plants that go on in other flats, and come back.

use crate::bases::{BEET, CHARD, FENNEL, House, LEEKS, OWN};
use chrono::NaiveDate;
use serde_json::{Value, json};
use tarewell::site::{Command, Happening, Subject};
use tarewell::stand::StandSettings;

fn is_doubted(house: &House, flat: usize) -> bool {
    house.site.alerts().any(|(kind, of)| kind.name() == "band-doubtful" && of == Subject::Flat(flat))
}

/// As in the usual house, with a second stand, and nobody that leeks speak for.
fn house() -> House {
    let mut plan = crate::bases::plan();
    plan.stands.push(("other".to_owned(), StandSettings::default()));
    plan.flats.truncate(4);
    House::of(plan)
}

#[test]
fn a_potting_on_that_is_taken_back_leaves_nothing_behind() {
    let mut house = house();
    house.reads(OWN, 2600.0, 300);
    house.typed(BEET, 2950.0).unwrap();
    house.flat(LEEKS, Command::PotOn { into: vec![BEET, FENNEL] }).unwrap();
    house.wait(120.0);
    assert!(is_doubted(&house, BEET) && is_doubted(&house, FENNEL), "they ask for a soak");
    assert_eq!(house.of_flat(LEEKS, "stand"), Value::Null);
    let answer = house.flat(LEEKS, Command::Undo).unwrap();
    assert_eq!((&answer["stand"], house.of_flat(LEEKS, "stand")), (&json!("own"), json!("own")));
    assert!(!is_doubted(&house, BEET) && !is_doubted(&house, FENNEL), "nothing is asked of them");
    house.reads(OWN, 2600.0, 60);
    assert_eq!(house.fraction(LEEKS), 0.6);
    let potted = house.seq(LEEKS, |what| matches!(what, Happening::PottedOn { .. }));
    let undone = |what: &Happening| *what == Happening::Undone { what: "pot-on", undoes: Some(potted) };
    assert!(house.last(LEEKS, undone).is_some(), "what is taken back has a number");
    house.wait(1200.0);
    let asked =
        |what: &Happening| matches!(what, Happening::AlertRaised { kind, .. } if kind.name() == "band-doubtful");
    let raised = house.seq(BEET, asked);
    let cleared =
        |what: &Happening| matches!(what, Happening::AlertCleared { kind, .. } if kind.name() == "band-doubtful");
    assert!(house.seq(BEET, cleared) > raised);
}

#[test]
fn it_is_taken_back_after_a_restart_too_and_says_who_is_on_its_stand() {
    let mut house = house();
    house.reads(OWN, 2600.0, 300);
    house.flat(LEEKS, Command::PotOn { into: vec![BEET] }).unwrap();
    house.flat(BEET, Command::Move { stand: Some(OWN) }).unwrap();
    house.restart(60.0);
    let answer = house.flat(LEEKS, Command::Undo).unwrap();
    assert_eq!(answer["stand"], Value::Null);
    assert!(answer["text"].as_str().unwrap().contains("beet is on own now"), "{answer:?}");
}

#[test]
fn a_flat_that_speaks_for_others_is_not_potted_on_before_them() {
    let mut house = House::new();
    house.reads(OWN, 2600.0, 20);
    let error = house.flat(LEEKS, Command::PotOn { into: vec![BEET] }).unwrap_err();
    assert!(error.contains("leeks-too is `like` leeks") && error.contains("Pot on those first"), "{error}");
    let follower = house.site.plan().flats.iter().position(|(id, _)| id == "leeks-too").unwrap();
    house.flat(follower, Command::PotOn { into: vec![CHARD] }).unwrap();
    house.flat(LEEKS, Command::PotOn { into: vec![BEET] }).unwrap();
}

fn sown(house: &mut House, flat: usize, day: u32) {
    let mut plan = (**house.site.plan()).clone();
    plan.flats[flat].1.sown = NaiveDate::from_ymd_opt(2026, 3, day);
    house.edited(plan, 60.0);
}

#[test]
fn a_day_of_sowing_that_a_retired_flat_has_not_had_starts_it_anew() {
    // Found by a new user: that was what the refusal advised, and nothing came of it.
    let mut house = house();
    house.typed(CHARD, 2600.0).unwrap();
    house.flat(CHARD, Command::PotOn { into: vec![FENNEL] }).unwrap();
    let error = house.typed(CHARD, 2500.0).unwrap_err();
    assert!(error.contains("A `sown` in the file starts it anew"), "{error}");
    sown(&mut house, CHARD, 1);
    house.typed(CHARD, 2500.0).unwrap();
    let told = |what: &Happening| matches!(what, Happening::SettingReplaced { what, from, .. } if what == "sown" && from.is_null());
    assert!(house.last(CHARD, told).is_some());

    house.flat(CHARD, Command::PotOn { into: vec![BEET] }).unwrap();
    sown(&mut house, CHARD, 1);
    let error = house.typed(CHARD, 2500.0).unwrap_err();
    assert!(error.contains("Another `sown` than 2026-03-01 in the file"), "{error}");
    sown(&mut house, CHARD, 2);
    house.typed(CHARD, 2500.0).unwrap();
}

#[test]
fn a_day_of_sowing_written_after_the_potting_on_is_no_new_season() {
    let mut house = house();
    sown(&mut house, CHARD, 1);
    house.typed(CHARD, 2600.0).unwrap();
    house.typed(BEET, 2950.0).unwrap();
    house.flat(CHARD, Command::PotOn { into: vec![BEET] }).unwrap();
    sown(&mut house, BEET, 5);
    assert_eq!(house.of_flat(BEET, "weight_g"), 2950.0, "the file had none before");
    house.flat(CHARD, Command::Undo).unwrap();
    sown(&mut house, BEET, 6);
    assert_eq!(house.of_flat(BEET, "weight_g"), Value::Null, "and now it has another");
}

#[test]
fn it_is_taken_back_by_the_id_that_the_file_has_by_then() {
    // Found by a new user: what was asked of the other stayed.
    let mut house = house();
    house.typed(BEET, 2950.0).unwrap();
    house.flat(CHARD, Command::PotOn { into: vec![BEET, FENNEL] }).unwrap();
    house.wait(120.0);
    assert!(is_doubted(&house, BEET) && is_doubted(&house, FENNEL));
    let mut plan = (**house.site.plan()).clone();
    for (flat, id) in [(CHARD, "mangold"), (BEET, "beetroot")] {
        let former = std::mem::replace(&mut plan.flats[flat].0, id.to_owned());
        plan.flats[flat].1.formerly = Some(former);
    }
    // The store has carried over what it kept, and its alerts.
    house.renamed(plan.clone(), 60.0);
    house.wait(120.0);
    assert!(is_doubted(&house, BEET) && is_doubted(&house, FENNEL), "they still ask for a soak");
    // And once more, when the file has forgotten the ids of before.
    plan.flats.iter_mut().for_each(|(_, settings)| settings.formerly = None);
    house.edited(plan, 60.0);
    house.flat(CHARD, Command::Undo).unwrap();
    house.wait(1200.0);
    assert!(!is_doubted(&house, BEET) && !is_doubted(&house, FENNEL), "nothing is asked of them");
}
