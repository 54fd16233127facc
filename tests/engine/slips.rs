//! What people do wrong, or late: an id given twice, water told of after a day, a weight that nothing can have.

use crate::bases::{CHARD, House, START, moment};
use serde_json::json;
use tarewell::moment::{Moment, Span};
use tarewell::site::{Answer, Command, Event, Happening, Input, Order, Output, Subject, Ticket};
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

/// Found by the storm (seed 901003): the wall clock was set forward by more than a day, and the repeat was a command of its own.
#[test]
fn a_repeat_is_a_repeat_though_the_clock_was_set_meanwhile() {
    for hours in [30, -30] {
        let mut house = House::new();
        let first = says(&mut house, "k1", pour(300.0)).unwrap();
        house.wait(60.0);
        let now = Moment { wall: moment(house.seconds).wall + Span::hours(hours), ..moment(house.seconds) };
        house.site.handle(Input::Tick, now);
        let order = Order {
            to: Subject::Flat(CHARD),
            word: "test".to_owned(),
            command: Ok(pour(300.0)),
            id: Some("k1".to_owned()),
            time: None,
            retained: false,
            ticket: Some(Ticket(2)),
        };
        house.site.handle(Input::Order(order), now);
        let outputs: Vec<Output> = std::iter::from_fn(|| house.site.poll()).collect();
        assert!(outputs.contains(&Output::Answer(Ticket(2), Ok(first))), "{hours} h: {outputs:?}");
        let watered = |output: &Output| matches!(output, Output::Event(Event { what: Happening::Watered { .. }, .. }));
        assert!(!outputs.iter().any(watered), "{hours} h: {outputs:?}");
    }
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

#[test]
fn a_weight_that_nothing_explains_is_refused_however_sure() {
    // Found by a new user.
    let mut house = House::new();
    house.typed(CHARD, 2300.0).unwrap();
    let sure = |grams: f64| Command::Weigh { weight: Grams::new(grams), at: None, sure: true };
    let before = house.events.len();
    let error = house.flat(CHARD, sure(99_999.0)).unwrap_err();
    assert!(error.contains("20 times its band") && error.contains("forget-band"), "{error}");
    let watered = |event: &tarewell::site::Event| matches!(event.what, Happening::Watered { .. });
    assert!(!house.events[before..].iter().any(watered));
    assert_eq!(house.fraction(CHARD), 0.3);
    house.flat(CHARD, sure(6000.0)).unwrap();

    // Without a band only what no flat weighs is known to be wrong.
    let mut plan = crate::bases::plan();
    (plan.flats[CHARD].1.dry_weight, plan.flats[CHARD].1.capacity_weight) = (None, None);
    let mut house = House::of(plan);
    assert!(house.flat(CHARD, sure(2e7)).unwrap_err().contains("no flat"));
    house.flat(CHARD, sure(99_999.0)).unwrap();
}

#[test]
fn a_record_after_a_pour_is_told_that_it_was_watered_since() {
    // Found by a new user.
    let mut house = House::new();
    house.typed(CHARD, 2020.0).unwrap();
    house.flat(CHARD, pour(500.0)).unwrap();
    for record in [Command::RecordDry, Command::RecordCapacity { now: true }] {
        let error = house.flat(CHARD, record).unwrap_err();
        assert!(error.contains("has been watered since it was last weighed (500 mL)"), "{error}");
    }
    house.typed(CHARD, 2520.0).unwrap();
    house.flat(CHARD, Command::RecordCapacity { now: true }).unwrap();
}

#[test]
fn a_band_too_narrow_to_tell_anything_is_not_blamed_on_the_weighing() {
    let mut plan = crate::bases::plan();
    plan.flats[CHARD].1.capacity_weight = Some(Grams::new(2001.0));
    let mut house = House::of(plan);
    house.flat(CHARD, Command::Weigh { weight: Grams::new(2000.5), at: None, sure: true }).unwrap();
    let advice = house.of_flat(CHARD, "advice");
    assert_eq!(house.of_flat(CHARD, "condition"), "unknown");
    assert!(advice.as_str().unwrap().starts_with("Weighed just now"), "{advice}");
}
