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
