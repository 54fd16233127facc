//! What somebody tells of a flat without a stand: whether it can be, what it was, and taking it back.

use crate::bases::{BEET, CHARD, House, LEEKS, OWN, SCALE, START, is_watered};
use serde_json::{Value, json};
use tarewell::moment::Span;
use tarewell::site::{Answer, Command, Happening, Set, Subject, Was};
use tarewell::units::{Fraction, Grams, Millilitres};

impl House {
    fn pours(&mut self, flat: usize, volume: f64, sure: bool) -> Answer {
        self.flat(flat, Command::Watered { volume: Millilitres::new(volume), at: None, sure })
    }

    fn sure(&mut self, flat: usize, grams: f64) -> Answer {
        self.flat(flat, Command::Weigh { weight: Grams::new(grams), at: None, sure: true })
    }

    fn corrects(&mut self, flat: usize, was: Was) -> Answer {
        let seq = self.seq(flat, is_watered);
        self.flat(flat, Command::Correct { seq, was, cells: None })
    }
}

#[test]
fn a_pour_that_was_none_counts_no_more() {
    let mut house = House::new();
    house.typed(CHARD, 2300.0).unwrap();
    house.pours(CHARD, 300.0, false).unwrap();
    assert!((house.fraction(CHARD) - 0.6).abs() < 0.002);
    house.corrects(CHARD, Was::Nothing).unwrap();
    assert_eq!((house.fraction(CHARD), house.of_flat(CHARD, "since_watered_h")), (0.3, Value::Null));
    let error = house.corrects(CHARD, Was::DomeOn).unwrap_err();
    assert!(error.contains("corrected already"), "{error}");
    house.flat(CHARD, Command::Undo).unwrap();
    assert!((house.fraction(CHARD) - 0.6).abs() < 0.002, "{}", house.fraction(CHARD));
    let error = house.corrects(CHARD, Was::DomeOn).unwrap_err();
    assert!(error.contains("no scale saw"), "{error}");
}

#[test]
fn a_gain_between_two_weighings_that_was_the_dome_is_no_water() {
    for on_the_scale in [false, true] {
        let mut house = House::new();
        house.typed(CHARD, 2500.0).unwrap();
        house.wait(600.0);
        if on_the_scale {
            house.reads(SCALE, 0.0, 10);
            house.scale(Command::WeighOn { flat: CHARD, sure: false }).unwrap();
            house.reads(SCALE, 2680.0, 6);
            house.reads(SCALE, 0.0, 6);
        } else {
            house.typed(CHARD, 2680.0).unwrap();
        }
        assert!((house.fraction(CHARD) - 0.68).abs() < 0.002);
        house.corrects(CHARD, Was::DomeOn).unwrap();
        assert_eq!((house.of_flat(CHARD, "dome"), house.of_flat(CHARD, "since_watered_h")), (json!(true), Value::Null));
        assert!((house.fraction(CHARD) - 0.5).abs() < 0.003, "{}", house.fraction(CHARD));
    }
}

#[test]
fn what_was_poured_on_the_scale_just_before_it_was_lifted_can_be_corrected() {
    let mut house = House::new();
    house.reads(SCALE, 0.0, 10);
    house.scale(Command::WeighOn { flat: CHARD, sure: false }).unwrap();
    house.reads(SCALE, 2300.0, 10);
    house.reads(SCALE, 2600.0, 10);
    house.reads(SCALE, 0.0, 10);
    house.corrects(CHARD, Was::Nothing).unwrap();
    assert_eq!(house.of_flat(CHARD, "since_watered_h"), Value::Null);
}

#[test]
fn a_soak_at_the_sink_that_a_weighing_shows_is_a_soak() {
    let mut house = House::new();
    house.typed(CHARD, 2300.0).unwrap();
    house.wait(600.0);
    house.typed(CHARD, 2990.0).unwrap();
    assert!(house.of_flat(CHARD, "since_soak_d").is_number());
    house.corrects(CHARD, Was::Nothing).unwrap();
    assert_eq!(house.of_flat(CHARD, "since_soak_d"), Value::Null);
}

#[test]
fn the_last_weight_or_pour_is_taken_back_by_undo_one_after_the_other() {
    let mut house = House::new();
    let error = house.flat(CHARD, Command::Undo).unwrap_err();
    assert!(error.contains("nothing") || error.contains("no record, correction, weight or pour"), "{error}");
    house.typed(CHARD, 2500.0).unwrap();
    house.pours(CHARD, 100.0, false).unwrap();
    let before = house.fraction(CHARD);
    house.pours(CHARD, 100.0, false).unwrap();
    house.flat(CHARD, Command::Undo).unwrap();
    assert_eq!(house.fraction(CHARD), before, "the second pour");
    house.sure(CHARD, 2900.0).unwrap();
    assert_eq!(house.fraction(CHARD), 0.9);
    let seq = house.seq(CHARD, |what| matches!(what, Happening::Weighed { .. }));
    let answer = house.flat(CHARD, Command::Undo).unwrap();
    assert_eq!((&answer["weight_g"], house.fraction(CHARD)), (&json!(2500.0), before), "the pour counts again");
    let told = |what: &Happening| matches!(what, Happening::Corrected { seq: of, from: "weighed", to: "nothing" } if *of == seq);
    assert!(house.last(CHARD, told).is_some());
    house.flat(CHARD, Command::Undo).unwrap();
    house.flat(CHARD, Command::Undo).unwrap();
    assert_eq!((house.of_flat(CHARD, "condition"), house.of_flat(CHARD, "weight_g")), (json!("unknown"), Value::Null));
    assert!(house.flat(CHARD, Command::Undo).is_err());
}

#[test]
fn a_record_is_undone_before_the_weight_it_was_made_from() {
    let mut house = House::new();
    house.typed(CHARD, 2050.0).unwrap();
    house.flat(CHARD, Command::RecordDry).unwrap();
    house.flat(CHARD, Command::Undo).unwrap();
    assert_eq!(
        (house.of_flat(CHARD, "dry_weight_g"), house.of_flat(CHARD, "weight_g")),
        (json!(2000.0), json!(2050.0))
    );
}

#[test]
fn a_weight_from_the_shared_scale_is_taken_back_once_it_is_lifted_off() {
    let mut house = House::new();
    house.typed(CHARD, 2500.0).unwrap();
    house.reads(SCALE, 0.0, 10);
    house.scale(Command::WeighOn { flat: CHARD, sure: false }).unwrap();
    house.reads(SCALE, 2800.0, 10);
    let error = house.flat(CHARD, Command::Undo).unwrap_err();
    assert!(error.contains("lift it off"), "{error}");
    house.reads(SCALE, 0.0, 10);
    house.flat(CHARD, Command::Undo).unwrap();
    assert_eq!((house.of_flat(CHARD, "weight_g"), house.of_flat(CHARD, "basis")), (json!(2500.0), json!("typed")));
    assert_eq!(house.of_flat(CHARD, "since_watered_h"), Value::Null, "nor was it watered");
}

#[test]
fn what_was_told_can_be_taken_back_after_a_restart() {
    let mut house = House::new();
    house.typed(CHARD, 2500.0).unwrap();
    house.sure(CHARD, 2900.0).unwrap();
    house.restart(60.0);
    house.flat(CHARD, Command::Undo).unwrap();
    assert_eq!(house.of_flat(CHARD, "weight_g"), 2500.0);
}

#[test]
fn a_weight_that_no_water_explains_is_questioned_and_the_right_one_taken_after_it() {
    let mut house = House::new();
    house.typed(CHARD, 2500.0).unwrap();
    house.wait(600.0);
    let error = house.typed(CHARD, 3400.0).unwrap_err();
    assert!(error.contains("soaked through it weighs 3.00 kg") && error.contains("\"sure\":true"), "{error}");
    house.typed(CHARD, 3150.0).unwrap();
    house.flat(CHARD, Command::Undo).unwrap();
    house.sure(CHARD, 3400.0).unwrap();
    house.wait(600.0);
    let error = house.typed(CHARD, 2495.0).unwrap_err();
    assert!(error.contains("lighter than Chard") && error.contains("`undo`"), "{error}");
    house.flat(CHARD, Command::Undo).unwrap();
    house.typed(CHARD, 2495.0).unwrap();
    assert_eq!((house.fraction(CHARD), house.of_flat(CHARD, "since_watered_h")), (0.495, Value::Null));
}

#[test]
fn a_pour_that_no_flat_can_take_is_questioned() {
    let mut house = House::new();
    house.typed(CHARD, 2300.0).unwrap();
    let error = house.pours(CHARD, 30_000.0, false).unwrap_err();
    assert!(error.contains("30.00 L is more than Chard can take") && error.contains("sure"), "{error}");
    assert_eq!(house.fraction(CHARD), 0.3);
    house.pours(CHARD, 2500.0, false).unwrap();
    house.pours(CHARD, 3500.0, true).unwrap();
}

/// Of a flat without a stand whose dome nobody has weighed.
#[test]
fn a_dome_that_is_told_is_weighed_by_the_next_weighing() {
    let mut house = House::new();
    house.typed(CHARD, 2500.0).unwrap();
    house.flat(CHARD, Command::Dome { on: true }).unwrap();
    assert_eq!((house.fraction(CHARD), house.of_flat(CHARD, "dome")), (0.5, json!(true)));
    house.wait(600.0);
    house.typed(CHARD, 2680.0).unwrap();
    assert!((house.fraction(CHARD) - 0.5).abs() < 0.004, "{}", house.fraction(CHARD));
    assert_eq!(house.of_flat(CHARD, "since_watered_h"), Value::Null);
    let dome = |on: bool| move |what: &Happening| matches!(what, Happening::Dome { on: is, .. } if *is == on);
    assert!(house.last(CHARD, dome(true)).is_some());
    // Now it is known, and goes off by its weight.
    house.flat(CHARD, Command::Dome { on: false }).unwrap();
    house.typed(CHARD, 2500.0).unwrap();
    assert!((house.fraction(CHARD) - 0.5).abs() < 0.004, "{}", house.fraction(CHARD));

    // It was there from the first weight on, and comes off.
    house.typed(BEET, 2680.0).unwrap();
    house.flat(BEET, Command::Dome { on: true }).unwrap();
    house.flat(BEET, Command::Dome { on: false }).unwrap();
    house.wait(60.0);
    assert!(house.typed(BEET, 2400.0).is_err(), "said and taken back: nothing explains it");

    // And what it was taken for can be set right.
    let mut house = House::new();
    house.typed(CHARD, 2500.0).unwrap();
    house.flat(CHARD, Command::Dome { on: true }).unwrap();
    house.wait(60.0);
    house.typed(CHARD, 2680.0).unwrap();
    let seq = house.seq(CHARD, dome(true));
    house.flat(CHARD, Command::Correct { seq, was: Was::Watered, cells: None }).unwrap();
    assert_eq!(house.fraction(CHARD), 0.68, "it was water, and the dome weighs nothing that anybody knows");
}

#[test]
fn a_dome_of_unknown_weight_is_not_guessed_from_what_may_have_dried() {
    let dome = |house: &mut House, on| house.flat(CHARD, Command::Dome { on }).unwrap();
    let weighs = |house: &mut House, on| dome(house, on)["dome_weight_g"].as_f64();
    let mut house = House::new();
    house.typed(CHARD, 2700.0).unwrap();
    dome(&mut house, true);
    house.wait(30.0 * 3600.0);
    let refused = house.typed(CHARD, 2780.0).unwrap_err();
    assert!(refused.contains("nobody knows what the dome of Chard weighs"), "{refused}");
    // As it says: without it, then with it.
    dome(&mut house, false);
    house.typed(CHARD, 2600.0).unwrap();
    dome(&mut house, true);
    house.wait(60.0);
    house.typed(CHARD, 2780.0).unwrap();
    assert!((house.fraction(CHARD) - 0.6).abs() < 0.004, "{}", house.fraction(CHARD));
    assert!(weighs(&mut house, true).is_some_and(|weight| (weight - 180.0).abs() < 1.0));

    // Who is sure has the difference for it.
    let mut house = House::new();
    house.typed(CHARD, 2700.0).unwrap();
    dome(&mut house, true);
    house.wait(30.0 * 3600.0);
    house.flat(CHARD, Command::Weigh { weight: Grams::new(2780.0), at: None, sure: true }).unwrap();
    assert!(weighs(&mut house, true).is_some());

    // One that is gone weighs nothing; what it weighed stays unknown.
    let mut house = House::new();
    house.flat(CHARD, Command::Dome { on: true }).unwrap();
    house.typed(CHARD, 2700.0).unwrap();
    dome(&mut house, false);
    house.wait(30.0 * 3600.0);
    house.typed(CHARD, 2450.0).unwrap();
    assert!((house.fraction(CHARD) - 0.45).abs() < 0.004, "{}", house.fraction(CHARD));
    assert_eq!(weighs(&mut house, false), None);
}

#[test]
fn what_is_told_changes_the_forecast_at_once() {
    let mut house = House::new();
    house.reads(OWN, 2900.0, 20);
    house.dries(OWN, 2900.0, 10.0, 30);
    let due = |house: &House, flat| house.of_flat(flat, "due_at").as_str().map(str::to_owned);
    house.typed(CHARD, 2500.0).unwrap();
    let first = due(&house, CHARD).unwrap();
    house.wait(30.0);
    house.typed(CHARD, 2700.0).unwrap();
    let second = due(&house, CHARD).unwrap();
    assert!(second > first, "{second} {first}");
    house.wait(30.0);
    house.pours(CHARD, 150.0, false).unwrap();
    assert!(due(&house, CHARD).unwrap() > second);
    let advice = house.of_flat(CHARD, "advice");
    assert!(advice.as_str().unwrap().contains("85"), "{advice}");
}

#[test]
fn what_is_poured_on_a_stand_and_a_stage_that_begins_change_the_forecast_at_once() {
    let mut house = House::new();
    house.reads(OWN, 2900.0, 20);
    let weight = house.dries(OWN, 2900.0, 10.0, 30);
    let due = |house: &House| house.of_flat(LEEKS, "due_at").as_str().map(str::to_owned);
    let before = due(&house).unwrap();
    house.reads(OWN, weight + 150.0, 10);
    let after = due(&house).unwrap();
    // 150 g at 10 g/h.
    assert!(after > before, "{before} {after}");
    house.wait(20.0);
    house.flat(LEEKS, Command::Set(Set { water_at: Some(Some(Fraction::new(0.45))), ..Set::default() })).unwrap();
    assert!(due(&house).unwrap() < after, "{after} {:?}", due(&house));
}

/// Gains that a kitchen scale shows one after the other, each corrected at once, or all in this order at the end.
fn after(gains: &[(f64, Was)], late: Option<&[usize]>) -> Value {
    let mut house = House::new();
    // Above the knee, below which it dries the less, the less is left: what a gain comes to must not rest on the corrections.
    let mut weight = 2600.0;
    house.typed(CHARD, weight).unwrap();
    let mut seqs = Vec::new();
    for (gain, was) in gains {
        house.wait(60.0);
        weight += gain;
        house.sure(CHARD, weight).unwrap();
        seqs.push(house.seq(CHARD, is_watered));
        if late.is_none() {
            house.flat(CHARD, Command::Correct { seq: *seqs.last().unwrap(), was: *was, cells: None }).unwrap();
        }
    }
    for &at in late.unwrap_or_default() {
        house.flat(CHARD, Command::Correct { seq: seqs[at], was: gains[at].1, cells: None }).unwrap();
    }
    let kept: Value = serde_json::from_str(&house.site.fact(Subject::Flat(CHARD)).unwrap().json).unwrap();
    let of = |key: &str| house.of_flat(CHARD, key);
    json!({
        "watered": kept["watered"], "soaked": kept["soaked"], "dome_on": kept["dome_on"],
        "dome_weight": kept["dome_weight"], "ends": kept["season"]["ends"], "fraction": of("fraction"),
        "dry": of("dry_weight_g"), "capacity": of("capacity_weight_g"),
    })
}

proptest::proptest! {
    #![proptest_config(proptest::prelude::ProptestConfig { cases: 60, failure_persistence: None, ..Default::default() })]

    /// As of a flat on a stand: whenever it is set right, it comes to the same.
    #[test]
    fn a_late_correction_of_what_a_weighing_showed_comes_to_the_same(
        gains in proptest::collection::vec((60.0..300.0, 0_usize..4), 1..4),
        order in proptest::prelude::any::<u64>(),
    ) {
        let was = [Was::Watered, Was::DomeOn, Was::TraySwapped, Was::Nothing];
        let gains: Vec<(f64, Was)> = gains.into_iter().map(|(gain, at)| (f64::round(gain), was[at])).collect();
        let mut late: Vec<usize> = (0..gains.len()).collect();
        late.rotate_left(usize::try_from(order % 7).unwrap() % gains.len());
        if order % 2 == 0 {
            late.reverse();
        }
        proptest::prop_assert_eq!(after(&gains, None), after(&gains, Some(&late)));
    }
}

#[test]
fn a_weight_from_before_a_pour_leaves_the_pour_counted() {
    let mut house = House::new();
    house.typed(CHARD, 2500.0).unwrap();
    house.wait(1200.0);
    house.pours(CHARD, 100.0, false).unwrap();
    house.wait(600.0);
    let at = Some(START + Span::minutes(5));
    house.flat(CHARD, Command::Weigh { weight: Grams::new(2480.0), at, sure: false }).unwrap();
    assert!((house.fraction(CHARD) - 0.576).abs() < 0.003, "{}", house.fraction(CHARD));
    house.flat(CHARD, Command::Undo).unwrap();
    assert!((house.fraction(CHARD) - 0.595).abs() < 0.003, "{}", house.fraction(CHARD));
}
