//! `undo` takes back what came last, whatever it was, and never jumps over something newer.

use crate::bases::{CHARD, House, LEEKS, OWN, SCALE, is_watered, plan};
use serde_json::json;
use tarewell::site::{Answer, Command, Happening, Was};
use tarewell::units::{Grams, Millilitres};

impl House {
    fn undo(&mut self) -> Answer {
        self.flat(CHARD, Command::Undo)
    }

    fn ends(&self, flat: usize) -> (f64, f64) {
        let end = |key| self.of_flat(flat, key).as_f64().unwrap();
        (end("dry_weight_g"), end("capacity_weight_g"))
    }
}

/// Weighed dry and full, a record made of each.
fn recorded() -> House {
    let mut house = House::new();
    house.typed(CHARD, 2100.0).unwrap();
    house.flat(CHARD, Command::RecordDry).unwrap();
    house.wait(60.0);
    house.flat(CHARD, Command::Weigh { weight: Grams::new(3100.0), at: None, sure: true }).unwrap();
    house.flat(CHARD, Command::RecordCapacity { now: true }).unwrap();
    house
}

#[test]
fn two_losses_of_cells_are_both_taken_back_before_anything_older() {
    let mut house = recorded();
    for cells in [6, 6] {
        house.flat(CHARD, Command::CellsTaken { cells }).unwrap();
    }
    house.undo().unwrap();
    assert_eq!(house.ends(CHARD), (300.0 + 1800.0 * 0.9, 300.0 + 2800.0 * 0.9), "six are still gone");
    house.undo().unwrap();
    assert_eq!((house.ends(CHARD), house.fraction(CHARD)), ((2100.0, 3100.0), 1.0));
    house.undo().unwrap();
    assert_eq!(house.ends(CHARD), (2100.0, 3000.0), "then the capacity");
    house.undo().unwrap();
    assert_eq!(house.of_flat(CHARD, "weight_g"), 2100.0, "then the weight it was made of");
    house.undo().unwrap();
    assert_eq!(house.ends(CHARD), (2000.0, 3000.0), "then the dry weight");
    house.undo().unwrap();
    assert_eq!(house.of_flat(CHARD, "condition"), "unknown");
    let error = house.undo().unwrap_err();
    assert!(error.contains("there is no record, correction, weight or pour"), "{error}");
}

#[test]
fn two_corrections_on_a_stand_are_both_taken_back_before_a_record() {
    let mut house = House::new();
    house.reads(OWN, 2900.0, 100);
    house.asks(LEEKS, Command::RecordCapacity { now: true });
    house.reads(OWN, 2900.0, 10);
    house.answered().unwrap();
    let recorded = house.ends(LEEKS);
    assert_eq!(recorded, (2000.0, 2900.0));
    for weight in [2860.0, 2820.0] {
        house.reads(OWN, weight, 900);
        let seq = house.seq(LEEKS, |what| matches!(what, Happening::Removed { .. }));
        house.flat(LEEKS, Command::Correct { seq, was: Was::Thinned, cells: None }).unwrap();
    }
    let both = house.ends(LEEKS);
    house.flat(LEEKS, Command::Undo).unwrap();
    let one = house.ends(LEEKS);
    house.flat(LEEKS, Command::Undo).unwrap();
    assert!(both < one && one < recorded, "{both:?} {one:?}");
    assert_eq!(house.ends(LEEKS), recorded);
    house.flat(LEEKS, Command::Undo).unwrap();
    assert_eq!(house.ends(LEEKS), (2000.0, 3000.0));
}

#[test]
fn no_record_is_undone_over_weights_that_are_too_old_to_be_taken_back() {
    let mut house = recorded();
    for (at, weight) in [3090.0, 3080.0, 3070.0, 3060.0, 3050.0].into_iter().enumerate() {
        house.wait(60.0);
        house.typed(CHARD, weight).unwrap_or_else(|error| panic!("{at}: {error}"));
    }
    for weight in [3060.0, 3070.0, 3080.0, 3090.0] {
        house.undo().unwrap();
        assert_eq!(house.of_flat(CHARD, "weight_g"), weight);
    }
    for _ in 0..2 {
        let error = house.undo().unwrap_err();
        assert!(error.contains("the weight of event") && error.contains("only the last four"), "{error}");
        assert_eq!((house.ends(CHARD), house.of_flat(CHARD, "weight_g")), ((2100.0, 3100.0), json!(3090.0)));
        house.restart(60.0);
    }
    // What is recorded from here on can be taken back.
    house.typed(CHARD, 3080.0).unwrap();
    house.flat(CHARD, Command::RecordCapacity { now: true }).unwrap();
    house.undo().unwrap();
    assert_eq!(house.ends(CHARD), (2100.0, 3100.0));
    house.undo().unwrap();
    assert_eq!(house.of_flat(CHARD, "weight_g"), 3090.0);
    assert!(house.undo().is_err());
}

#[test]
fn a_pour_after_a_correction_goes_first_and_the_order_outlives_a_restart() {
    let mut house = recorded();
    house.flat(CHARD, Command::CellsTaken { cells: 12 }).unwrap();
    let without = house.ends(CHARD);
    house.flat(CHARD, Command::Watered { volume: Millilitres::new(50.0), at: None, sure: true }).unwrap();
    house.restart(60.0);
    house.undo().unwrap();
    assert_eq!((house.ends(CHARD), &house.of_flat(CHARD, "since_watered_h").is_null()), (without, &false));
    house.undo().unwrap();
    assert_eq!(house.ends(CHARD), (2100.0, 3100.0));
    house.undo().unwrap();
    assert_eq!(house.ends(CHARD), (2100.0, 3000.0));
}

/// A week in which the flat on the stand, which leads the others, dries and is watered again and again.
fn a_week_later(weighed: f64) -> House {
    let mut house = House::new();
    house.reads(OWN, 2900.0, 20);
    house.typed(CHARD, weighed).unwrap();
    for _ in 0..7 {
        house.dries(OWN, 2900.0, 25.0, 24);
    }
    house
}

#[test]
fn no_watering_is_invented_for_a_flat_that_nobody_weighed_for_a_week() {
    let watered = |house: &House| {
        let event = house.last(CHARD, is_watered);
        event.map(|event| match event.what {
            Happening::Watered { added, .. } => added.get(),
            _ => unreachable!(),
        })
    };
    let mut house = a_week_later(2750.0);
    assert_eq!(house.of_flat(CHARD, "condition"), "unknown");
    house.typed(CHARD, 2680.0).unwrap();
    assert_eq!((watered(&house), house.fraction(CHARD)), (None, 0.68));

    // Heavier than it was: so much has come for sure.
    let mut house = a_week_later(2500.0);
    house.typed(CHARD, 2680.0).unwrap();
    assert!((watered(&house).unwrap() - 180.0).abs() < 1.0, "{:?}", watered(&house));
}

#[test]
fn a_flat_is_not_expected_to_weigh_less_than_dry() {
    let mut house = House::new();
    house.reads(OWN, 2900.0, 20);
    house.typed(CHARD, 2050.0).unwrap();
    house.dries(OWN, 2900.0, 35.0, 5);
    assert!(house.fraction(CHARD) >= -0.005 && house.fraction(CHARD) < 0.0, "{}", house.fraction(CHARD));
}

#[test]
fn an_alert_of_a_flat_ends_with_the_knowledge_behind_it() {
    let ended = |house: &House| {
        let event =
            house.last(CHARD, |what| matches!(what, Happening::AlertCleared { kind, .. } if kind.name() == "dry"));
        event.map(|event| match &event.what {
            Happening::AlertCleared { reason, .. } => reason.clone(),
            _ => unreachable!(),
        })
    };
    let mut plan = plan();
    plan.flats[CHARD].1.dry_weight = None;
    plan.flats[CHARD].1.capacity_weight = None;
    let mut house = House::of(plan);
    house.typed(CHARD, 2000.0).unwrap();
    house.flat(CHARD, Command::RecordDry).unwrap();
    house.wait(60.0);
    house.typed(CHARD, 3000.0).unwrap();
    house.flat(CHARD, Command::RecordCapacity { now: true }).unwrap();
    house.wait(60.0);
    house.flat(CHARD, Command::Weigh { weight: Grams::new(2150.0), at: None, sure: true }).unwrap();
    assert_eq!((house.of_flat(CHARD, "condition"), ended(&house)), (json!("dry"), None));
    house.flat(CHARD, Command::ForgetBand).unwrap();
    assert!(ended(&house).unwrap().contains("it has no band"), "{:?}", ended(&house));

    let mut house = House::new();
    house.typed(CHARD, 2150.0).unwrap();
    house.wait(10.0 * 24.0 * 3600.0);
    assert!(ended(&house).unwrap().contains("weigh it"), "{:?}", ended(&house));

    let mut house = House::new();
    house.typed(CHARD, 2150.0).unwrap();
    house.undo().unwrap();
    assert!(ended(&house).is_some(), "the weight has been taken back");
}

/// Found by a new user: the pour stayed told.
#[test]
fn what_was_poured_while_a_flat_was_weighed_is_taken_back_with_the_weight() {
    for (seconds, is_corrected) in [(8, false), (900, false), (900, true)] {
        let mut house = House::new();
        house.typed(CHARD, 2350.0).unwrap();
        let dry = house.of_flat(CHARD, "condition");
        house.reads(SCALE, 0.0, 10);
        house.scale(Command::WeighOn { flat: CHARD, sure: false }).unwrap();
        house.reads(SCALE, 2348.0, 8);
        house.reads(SCALE, 2600.0, seconds);
        house.reads(SCALE, 0.0, 10);
        let pour = house.seq(CHARD, is_watered);
        if is_corrected {
            house.flat(CHARD, Command::Correct { seq: pour, was: Was::DomeOn, cells: None }).unwrap();
            house.undo().unwrap();
            assert!((house.fraction(CHARD) - 0.6).abs() < 0.002, "water again: {}", house.fraction(CHARD));
        }
        house.undo().unwrap();
        let none = |what: &Happening| matches!(what, Happening::Corrected { seq, from: "watered", to: "nothing" } if *seq == pour);
        assert!(house.last(CHARD, none).is_some(), "after {seconds} s");
        assert_eq!(
            (
                house.of_flat(CHARD, "weight_g"),
                house.of_flat(CHARD, "since_watered_h"),
                house.of_flat(CHARD, "condition")
            ),
            (json!(2350.0), json!(null), dry)
        );
        house.undo().unwrap();
        assert_eq!(house.of_flat(CHARD, "weight_g"), json!(null));
    }
}
