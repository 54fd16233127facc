//! What people do wrong, or late: an id given twice, water told of after a day, a weight that nothing can have.

use crate::bases::{CHARD, House, START};
use serde_json::json;
use tarewell::moment::Span;
use tarewell::site::{Answer, Command, Happening, Subject};
use tarewell::units::{Grams, Millilitres};

fn weigh(grams: f64) -> Command {
    Command::Weigh { weight: Grams::new(grams), at: None, sure: false }
}

fn pour(volume: f64) -> Command {
    Command::Watered { volume: Millilitres::new(volume), at: None, sure: false }
}

fn says(house: &mut House, id: &str, command: Command) -> Answer {
    house.say_as(Subject::Flat(CHARD), Some(id), command)
}

#[test]
fn an_id_that_was_given_to_another_command_is_no_repeat() {
    // Found by a new user.
    let mut house = House::new();
    let first = says(&mut house, "k1", weigh(2300.0)).unwrap();
    let error = says(&mut house, "k1", pour(300.0)).unwrap_err();
    assert!(
        error.contains("\"k1\" has been given to another command") && error.contains("nothing was done"),
        "{error}"
    );
    assert_eq!(house.fraction(CHARD), 0.3);
    let error = says(&mut house, "k1", weigh(2310.0)).unwrap_err();
    assert!(error.contains("another command"), "{error}");
    assert!(house.last(CHARD, |what| matches!(what, Happening::CommandRefused { .. })).is_some(), "it is told");
    assert_eq!(
        says(&mut house, "k1", weigh(2300.0)).unwrap(),
        first,
        "the answer that belongs to the id is still there"
    );
    house.crash(60.0);
    assert_eq!(says(&mut house, "k1", weigh(2300.0)).unwrap(), first);
    assert!(says(&mut house, "k1", pour(300.0)).is_err(), "over a restart, too");
    let other = house.say_as(Subject::Flat(CHARD + 1), Some("k1"), pour(300.0));
    assert!(other.is_ok(), "ids are the addressee's own");
    says(&mut house, "k2", pour(300.0)).unwrap();
    assert_ne!(house.fraction(CHARD), 0.3);
}

#[test]
fn an_id_of_an_older_store_is_a_repeat_whatever_it_says() {
    let mut house = House::new();
    let first = says(&mut house, "k1", weigh(2300.0)).unwrap();
    house.crash_as(60.0, |json| {
        let mut kept: serde_json::Value = serde_json::from_str(json).unwrap();
        if let Some(answered) = kept["answered"].as_object_mut() {
            answered.values_mut().for_each(|answered| drop(answered.as_object_mut().unwrap().remove("says")));
        }
        kept.to_string()
    });
    assert_eq!(says(&mut house, "k1", pour(300.0)).unwrap(), first);
    assert!((house.fraction(CHARD) - 0.3).abs() < 0.002);
}

#[test]
fn a_pour_is_told_with_the_time_it_was_told_for_and_the_latest_counts() {
    // Found by a new user.
    let mut house = House::new();
    house.typed(CHARD, 2300.0).unwrap();
    house.wait(24.0 * 3600.0);
    let now = START + Span::hours(24);
    let at = |hours: i64| Command::Watered {
        volume: Millilitres::new(100.0),
        at: Some(now - Span::hours(hours)),
        sure: false,
    };
    let told = |house: &House| match house.last(CHARD, |what| matches!(what, Happening::Watered { .. })).unwrap().what {
        Happening::Watered { told_at, .. } => told_at,
        _ => None,
    };
    house.flat(CHARD, at(2)).unwrap();
    assert_eq!((told(&house), house.of_flat(CHARD, "since_watered_h")), (Some(now - Span::hours(2)), json!(2.0)));
    house.flat(CHARD, at(20)).unwrap();
    assert_eq!((told(&house), house.of_flat(CHARD, "since_watered_h")), (Some(now - Span::hours(20)), json!(2.0)));
    house.flat(CHARD, Command::Undo).unwrap();
    assert_eq!(house.of_flat(CHARD, "since_watered_h"), json!(2.0));
    house.flat(CHARD, Command::Undo).unwrap();
    assert_eq!(house.of_flat(CHARD, "since_watered_h"), json!(null));
    house.flat(CHARD, pour(100.0)).unwrap();
    assert_eq!((told(&house), house.of_flat(CHARD, "since_watered_h")), (None, json!(0.0)));
}
