//! Flats that change places in a round.

use crate::bases::{BEET, CHARD, House, SCALE};
use serde_json::{Value, json};
use tarewell::site::{Command, Subject};

fn begun(chard: f64, beet: f64) -> House {
    let mut house = House::new();
    house.typed(CHARD, chard).unwrap();
    house.typed(BEET, beet).unwrap();
    house.wait(3600.0);
    house.reads(SCALE, 0.0, 10);
    house.scale(Command::Round { flats: Some(vec![CHARD, BEET]) }).unwrap();
    house
}

fn question(house: &House) -> String {
    let round = house.round();
    assert_eq!(round["state"], "questioned", "{round}");
    round["text"].as_str().unwrap().to_owned()
}

#[test]
fn the_heavier_of_two_flats_that_changed_places_is_no_watering() {
    // Chard is lighter, and needs no water.
    let mut house = begun(2500.0, 2850.0);
    house.reads(SCALE, 2842.0, 8);
    let text = question(&house);
    assert!(text.contains("Is it Beet") && text.contains("`holds`"), "{text}");
    assert_eq!(
        (house.of_flat(CHARD, "weight_g"), house.of_flat(CHARD, "since_watered_h")),
        (json!(2500.0), Value::Null)
    );
    house.reads(SCALE, 0.0, 4);
    house.reads(SCALE, 2492.0, 8);
    assert_eq!(house.round()["state"], "weighed");
    house.reads(SCALE, 0.0, 4);
    house.reads(SCALE, 2842.0, 8);
    assert_eq!((house.of_flat(BEET, "weight_g"), house.of_flat(CHARD, "weight_g")), (json!(2842.0), json!(2492.0)));
}

#[test]
fn a_weight_far_above_capacity_is_questioned_and_taken_when_somebody_says_so() {
    let mut house = begun(2500.0, 2600.0);
    house.reads(SCALE, 3790.0, 8);
    assert!(question(&house).contains("soaked through it weighs"), "179 % of its band");
    house.say(Subject::Stand(SCALE), Command::Holds { flat: Some(CHARD) }).unwrap();
    assert_eq!(house.of_flat(CHARD, "weight_g"), 3790.0);
}

#[test]
fn a_flat_that_was_due_and_is_heavier_was_watered() {
    let mut house = begun(2300.0, 2650.0);
    house.reads(SCALE, 2642.0, 8);
    assert_eq!((house.round()["state"].clone(), house.of_flat(CHARD, "weight_g")), (json!("weighed"), json!(2642.0)));
}

/// Weighed by hand, and put on the scale so many seconds later, in a round of these two: whether it was questioned.
fn is_questioned(chard: f64, beet: f64, seconds: f64, shown: f64) -> bool {
    let mut house = House::new();
    house.typed(CHARD, chard).unwrap();
    house.typed(BEET, beet).unwrap();
    house.wait(seconds);
    house.reads(SCALE, 0.0, 10);
    house.scale(Command::Round { flats: Some(vec![CHARD, BEET]) }).unwrap();
    house.reads(SCALE, shown, 8);
    let is_asked = house.round()["state"] == "questioned";
    assert_eq!(house.of_flat(CHARD, "weight_g") == json!(chard), is_asked, "{}", house.round());
    is_asked
}

/// Found by a new user: a flat that was due and had just been weighed was taken to have been watered.
#[test]
fn a_flat_that_was_weighed_a_moment_ago_has_hardly_been_watered_to_the_weight_of_another() {
    for beet in [2700.0, 2500.0, 2440.0] {
        assert!(is_questioned(2360.0, beet, 20.0, beet), "{beet}");
        // Half a day later it may well have been.
        assert!(!is_questioned(2360.0, beet, 12.0 * 3600.0, beet), "{beet}");
        // And what no other weighs, it weighs itself.
        assert!(!is_questioned(2360.0, beet, 20.0, beet + 60.0), "{beet}");
    }
    // The lighter one of two, where nothing can have dried so fast.
    assert!(is_questioned(2460.0, 2390.0, 20.0, 2390.0));
    assert!(!is_questioned(2460.0, 2390.0, 3600.0, 2390.0));
    // Two that weigh nearly the same no scale tells apart.
    assert!(!is_questioned(2360.0, 2400.0, 20.0, 2400.0));
}

/// At the sink in the midst of a round, and back: of many flats that all weigh what it weighs then, it is none.
#[test]
fn a_flat_that_is_weighed_once_more_in_its_round_has_been_watered() {
    let mut house = begun(2360.0, 2550.0);
    house.reads(SCALE, 2352.0, 8);
    house.reads(SCALE, 0.0, 4);
    house.scale(Command::Back).unwrap();
    house.reads(SCALE, 2548.0, 8);
    assert_eq!((house.round()["state"].clone(), house.of_flat(CHARD, "weight_g")), (json!("weighed"), json!(2548.0)));
}
