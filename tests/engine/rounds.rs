//! Rounds on a shared scale where not all goes by the list: what people say of it, two of them at once, restarts.

use crate::bases::{BEET, CHARD, FENNEL, House, LEEKS_TOO, OWN, SCALE, moment, plan};
use serde_json::{Value, json};
use std::sync::Arc;
use tarewell::flat::FlatSettings;
use tarewell::site::{By, Command, Event, Happening, Input, Part, Plan, RoundStep, Saved, Site, Subject};

impl House {
    /// A round of these, with an empty scale that is heard.
    fn in_round(flats: &[usize]) -> Self {
        let mut house = Self::new();
        house.reads(SCALE, 0.0, 10);
        house.scale(Command::Round { flats: Some(flats.to_vec()) }).unwrap();
        house
    }

    fn turn(&self) -> (Value, Value) {
        let round = self.round();
        (round["flat"].clone(), round["state"].clone())
    }

    fn of_the_scale(&self, is_it: impl Fn(&Happening) -> bool) -> Option<&Happening> {
        let events = self.events.iter().rev().filter(|event| event.subject == Subject::Stand(SCALE));
        events.map(|event| &event.what).find(|what| is_it(what))
    }

    /// Killed, and started again so many seconds later by this plan.
    fn again(&self, plan: Plan, after: f64) -> Self {
        let subjects = (0..5).map(Subject::Flat).chain((0..2).map(Subject::Stand)).chain([Subject::Site]);
        let facts = subjects.filter_map(|subject| self.site.fact(subject)).collect();
        let saved = Saved { facts, ..Saved::default() };
        let mut again = Self::of(plan.clone());
        again.seconds = self.seconds + after;
        again.site = Site::new(Arc::new(plan), &saved, moment(again.seconds));
        again.handle(Input::Tick);
        again
    }
}

fn at_turn_of(flat: usize, then: Command) -> Command {
    Command::AtTurnOf { flat, then: Box::new(then) }
}

fn weigh(flat: usize) -> Command {
    Command::WeighOn { flat, sure: false }
}

fn awaited(flat: &str) -> (Value, Value) {
    (json!(flat), json!("awaited"))
}

#[test]
fn a_band_is_recorded_from_what_the_shared_scale_shows() {
    let mut plan = plan();
    plan.flats[CHARD].1.dry_weight = None;
    plan.flats[CHARD].1.capacity_weight = None;
    let mut house = House::of(plan);
    house.reads(SCALE, 0.0, 10);
    house.scale(weigh(CHARD)).unwrap();
    house.reads(SCALE, 1980.0, 20);
    house.asks(CHARD, Command::RecordDry);
    house.reads(SCALE, 1980.0, 10);
    house.answered().unwrap();
    house.reads(SCALE, 0.0, 4);
    house.wait(3600.0);
    house.reads(SCALE, 0.0, 4);
    house.scale(weigh(CHARD)).unwrap();
    house.reads(SCALE, 3060.0, 20);
    house.asks(CHARD, Command::RecordCapacity { now: false });
    house.reads(SCALE, 3060.0, 10);
    let answer = house.answered().unwrap();
    assert_eq!(answer.get("watching"), None, "there is nothing to watch on a scale that is needed for the next one");
    let (dry, capacity) = (answer["dry_weight_g"].as_f64().unwrap(), answer["capacity_weight_g"].as_f64().unwrap());
    assert!((dry - 1980.0).abs() < 0.2 && (capacity - 3060.0).abs() < 0.2, "{dry} to {capacity}");
    assert_eq!(house.fraction(CHARD), 1.0);
}

#[test]
fn what_is_said_to_lie_there_counts_and_the_round_goes_on_with_whom_it_interrupted() {
    let mut house = House::in_round(&[CHARD, BEET, FENNEL]);
    house.typed(CHARD, 2900.0).unwrap();
    house.wait(600.0);
    house.reads(SCALE, 2100.0, 8);
    assert_eq!(house.turn(), (json!("chard"), json!("questioned")));
    house.scale(Command::Holds { flat: Some(FENNEL) }).unwrap();
    assert_eq!((house.turn(), house.round()["weighed"].clone()), ((json!("fennel"), json!("weighed")), json!(1)));
    assert!((house.of_flat(FENNEL, "weight_g").as_f64().unwrap() - 2100.0).abs() < 0.2);
    house.reads(SCALE, 0.0, 4);
    assert_eq!(house.turn(), awaited("chard"), "its turn was interrupted, not used up");
    house.reads(SCALE, 2890.0, 8);
    house.reads(SCALE, 0.0, 4);
    house.reads(SCALE, 2500.0, 8);
    house.reads(SCALE, 0.0, 4);
    assert_eq!(house.round(), Value::Null);
    let ended = house.of_the_scale(|what| matches!(what, Happening::Round { step: RoundStep::Ended, .. })).unwrap();
    assert!(matches!(ended, Happening::Round { weighed: 3, of: 3, missing, .. } if missing.is_empty()), "{ended:?}");
}

#[test]
fn what_was_taken_for_one_flat_and_is_another_is_asked_for_again() {
    let mut house = House::in_round(&[CHARD, BEET]);
    house.reads(SCALE, 2500.0, 8);
    assert_eq!(house.turn(), (json!("chard"), json!("weighed")));
    house.scale(Command::Holds { flat: Some(BEET) }).unwrap();
    assert_eq!((house.turn().0, house.round()["weighed"].clone()), (json!("beet"), json!(1)));
    house.reads(SCALE, 0.0, 4);
    assert_eq!(house.turn(), awaited("chard"));
    // Nobody's: what is there is not weighed, and neither is it taken for the flat whose turn it is.
    house.reads(SCALE, 2700.0, 8);
    house.scale(Command::Holds { flat: None }).unwrap();
    assert_eq!((house.turn(), house.round()["weighed"].clone()), (awaited("chard"), json!(1)));
    house.reads(SCALE, 2700.0, 8);
    assert_eq!(house.turn(), awaited("chard"));
}

#[test]
fn a_flat_that_is_not_in_the_round_may_lie_there_and_the_round_waits() {
    let mut house = House::in_round(&[CHARD, BEET]);
    house.reads(SCALE, 2500.0, 8);
    house.reads(SCALE, 0.0, 4);
    let error = house.scale(Command::Holds { flat: Some(FENNEL) }).unwrap_err();
    assert!(error.contains("nothing lies on"), "{error}");
    assert_eq!(house.turn(), awaited("beet"));
    // Beet is put on, and is Fennel.
    house.reads(SCALE, 2600.0, 8);
    house.scale(Command::Holds { flat: Some(FENNEL) }).unwrap();
    assert_eq!((house.turn(), house.round()["weighed"].clone()), (awaited("beet"), json!(1)));
    house.reads(SCALE, 2600.0, 8);
    assert_eq!(house.turn(), awaited("beet"), "Fennel lies there");
    house.reads(SCALE, 0.0, 4);
    assert_eq!(house.of_flat(BEET, "weight_g"), Value::Null, "what was weighed for it is taken back");
    house.reads(SCALE, 2300.0, 8);
    assert_eq!(house.turn(), (json!("beet"), json!("weighed")));
}

#[test]
fn who_is_sure_is_believed() {
    let mut house = House::in_round(&[CHARD, BEET]);
    house.typed(CHARD, 2900.0).unwrap();
    house.wait(3600.0 - 600.0);
    house.reads(SCALE, 2200.0, 8);
    let text = house.round()["text"].as_str().unwrap().to_owned();
    assert!(text.contains("`holds` chard, or `weigh` it with \"sure\":true"), "{text}");
    house.scale(Command::WeighOn { flat: CHARD, sure: true }).unwrap();
    assert_eq!(house.turn(), (json!("chard"), json!("weighed")));
    assert!((house.fraction(CHARD) - 0.2).abs() < 0.001, "{}", house.fraction(CHARD));
    house.reads(SCALE, 0.0, 4);
    // Said while somebody's hand is still on it.
    house.scale(Command::Back).unwrap();
    house.reads(SCALE, 1700.0, 8);
    assert_eq!(house.turn(), (json!("chard"), json!("questioned")));
    for grams in [1800.0, 1750.0, 1820.0] {
        house.reads(SCALE, grams, 1);
    }
    house.scale(Command::WeighOn { flat: CHARD, sure: true }).unwrap();
    house.reads(SCALE, 1700.0, 8);
    assert_eq!((house.turn().1, house.round()["weighed"].clone()), (json!("weighed"), json!(1)));
    house.reads(SCALE, 0.0, 4);
    // Said beforehand: it holds for that flat alone.
    house.scale(Command::WeighOn { flat: BEET, sure: true }).unwrap();
    house.reads(SCALE, 1700.0, 8);
    assert_eq!(house.turn(), (json!("beet"), json!("weighed")));
}

#[test]
fn a_flat_that_lies_there_already_when_its_turn_comes_is_weighed_at_once() {
    let mut house = House::in_round(&[CHARD, BEET]);
    house.typed(CHARD, 2900.0).unwrap();
    house.typed(BEET, 2300.0).unwrap();
    house.reads(SCALE, 2299.0, 8);
    assert_eq!(house.turn(), (json!("chard"), json!("questioned")));
    house.scale(Command::Skip).unwrap();
    assert_eq!(house.turn(), (json!("beet"), json!("weighed")));
    assert!((house.of_flat(BEET, "weight_g").as_f64().unwrap() - 2299.0).abs() < 0.2);
}

#[test]
fn what_is_in_question_is_not_taken_for_the_next_one_unseen() {
    let mut house = House::in_round(&[CHARD, BEET]);
    house.typed(CHARD, 2900.0).unwrap();
    house.typed(BEET, 2600.0).unwrap();
    // Half of Chard's mix has gone: it weighs what neither should.
    house.reads(SCALE, 2100.0, 8);
    assert_eq!(house.scale(Command::Skip).unwrap()["skipped"], "chard");
    house.reads(SCALE, 2100.0, 8);
    assert_eq!(house.turn(), awaited("beet"));
    assert_eq!(house.of_flat(BEET, "weight_g"), 2600.0);
    // Unless the grower says that it is.
    house.scale(Command::Back).unwrap();
    house.reads(SCALE, 0.0, 4);
    house.reads(SCALE, 2100.0, 8);
    assert_eq!(house.turn(), (json!("chard"), json!("questioned")));
    house.scale(weigh(BEET)).unwrap();
    assert_eq!(
        house.turn(),
        (json!("beet"), json!("questioned")),
        "offered to it, and held against what it should weigh"
    );
}

#[test]
fn who_is_weighed_twice_counts_once_and_who_is_weighed_out_of_turn_pushes_nobody_out() {
    let mut house = House::in_round(&[CHARD, BEET, FENNEL]);
    house.reads(SCALE, 2500.0, 8);
    house.reads(SCALE, 0.0, 4);
    house.scale(Command::Back).unwrap();
    assert_eq!(house.turn(), awaited("chard"));
    house.reads(SCALE, 2500.0, 8);
    assert_eq!(house.round()["weighed"], 1);
    house.reads(SCALE, 0.0, 4);
    let answer = house.scale(weigh(FENNEL)).unwrap();
    assert_eq!(answer["round"]["flat"], "fennel");
    house.reads(SCALE, 2600.0, 8);
    house.reads(SCALE, 0.0, 4);
    assert_eq!(house.turn(), awaited("beet"));
    house.scale(Command::Back).unwrap();
    house.scale(Command::Next).unwrap();
    assert_eq!(house.turn(), awaited("beet"), "who has been weighed may be passed");
    let ended = house.scale(Command::End).unwrap();
    assert_eq!((&ended["weighed"], &ended["of"], &ended["not_weighed"]), (&json!(2), &json!(3), &json!(["beet"])));
}

#[test]
fn a_second_client_does_not_push_the_first_one_aside_unseen() {
    let mut house = House::new();
    house.reads(SCALE, 0.0, 10);
    house.scale(weigh(CHARD)).unwrap();
    let refused = |house: &mut House, command: Command, why: &str| {
        let before = house.round();
        let error = house.scale(command).unwrap_err();
        assert!(error.contains(why), "{error}");
        assert_eq!(house.round(), before, "nothing was changed");
    };
    refused(&mut house, weigh(BEET), "Chard is waited for on scale. Nothing was changed: `end` it first");
    refused(&mut house, Command::Round { flats: None }, "\"instead_of\":\"chard\"");
    refused(&mut house, at_turn_of(FENNEL, weigh(BEET)), "not the turn of Fennel: Chard is waited for");
    house.scale(weigh(CHARD)).unwrap();
    let answer = house.scale(at_turn_of(CHARD, Command::Round { flats: Some(vec![BEET, CHARD]) })).unwrap();
    assert_eq!((&answer["ended"]["not_weighed"], &answer["round"]["flat"]), (&json!(["chard"]), &json!("beet")));

    refused(&mut house, Command::Round { flats: None }, "a round is under way there, at 1 of 2: Beet is next");
    refused(&mut house, weigh(FENNEL), "and this flat is not in it");
    house.scale(at_turn_of(BEET, Command::Skip)).unwrap();
    // The second tap, or the second person's.
    refused(
        &mut house,
        at_turn_of(BEET, Command::Skip),
        "not the turn of Beet: a round is under way there, at 2 of 2: Chard",
    );
    refused(&mut house, at_turn_of(BEET, Command::End), "Chard is next");
    let ended = house.scale(at_turn_of(CHARD, Command::End)).unwrap();
    assert_eq!(ended["not_weighed"], json!(["beet", "chard"]));
    refused(&mut house, at_turn_of(CHARD, Command::End), "nothing is under way");
}

#[test]
fn a_round_goes_on_after_a_restart_and_says_so() {
    let mut house = House::in_round(&[CHARD, BEET, FENNEL]);
    house.reads(SCALE, 2500.0, 8);
    house.reads(SCALE, 0.0, 4);
    let mut again = house.again(plan(), 120.0);
    assert_eq!((again.turn(), again.round()["weighed"].clone()), (awaited("beet"), json!(1)));
    let resumed = again.of_the_scale(|what| matches!(what, Happening::Round { step: RoundStep::Resumed, .. })).unwrap();
    let Happening::Round { next, missing, .. } = resumed else { unreachable!() };
    assert_eq!(
        (next.as_deref(), missing.as_slice()),
        (Some("beet"), ["beet".to_owned(), "fennel".to_owned()].as_slice())
    );
    again.reads(SCALE, 2300.0, 10);
    assert_eq!(again.turn(), (json!("beet"), json!("weighed")));
    // Killed while Beet lies there: it is not weighed for Fennel, and when it is lifted off the round goes on.
    let mut again = again.again(plan(), 60.0);
    let resumed = again.of_the_scale(|what| matches!(what, Happening::Round { step: RoundStep::Resumed, .. }));
    assert!(matches!(resumed, Some(Happening::Round { next: Some(next), .. }) if next == "fennel"), "{resumed:?}");
    assert_eq!(again.turn(), (json!("beet"), json!("weighed")));
    again.reads(SCALE, 2300.0, 10);
    again.scale(Command::Next).unwrap();
    again.reads(SCALE, 2300.0, 10);
    assert_eq!(again.turn(), awaited("fennel"));
    again.reads(SCALE, 0.0, 4);
    again.reads(SCALE, 2600.0, 8);
    assert_eq!(again.turn(), (json!("fennel"), json!("weighed")));
    // Left alone for longer than a round waits, or without the flat it waits for.
    let late = again.again(plan(), 2.0 * 3600.0);
    assert_eq!(late.round(), Value::Null);
    let mut other = plan();
    other.flats[FENNEL] = ("squash".to_owned(), FlatSettings { label: "Squash".to_owned(), ..FlatSettings::default() });
    let gone = again.again(other, 60.0);
    assert_eq!(gone.round(), Value::Null, "the last of the round is gone from the file");
}

#[test]
fn a_flat_that_was_potted_on_is_not_asked_for() {
    let mut house = House::in_round(&[CHARD, BEET, FENNEL]);
    house.flat(BEET, Command::PotOn { into: vec![LEEKS_TOO] }).unwrap();
    assert_eq!(house.round()["of"], 2);
    house.flat(CHARD, Command::PotOn { into: vec![LEEKS_TOO] }).unwrap();
    assert_eq!((house.turn(), house.round()["number"].clone()), (awaited("fennel"), json!(1)));
    house.flat(FENNEL, Command::PotOn { into: vec![LEEKS_TOO] }).unwrap();
    assert_eq!(house.round(), Value::Null);
}

#[test]
fn a_shared_scale_that_sleeps_is_missed_only_while_something_is_to_be_weighed_on_it() {
    let mut house = House::new();
    house.reads(SCALE, 0.0, 10);
    let rose = |house: &House| house.of_the_scale(|what| matches!(what, Happening::AlertRaised { .. })).is_some();
    house.wait(12.0 * 3600.0);
    assert_eq!(house.state(Subject::Stand(SCALE))["state"], "silent");
    assert!(!rose(&house), "nobody waits for it");
    house.scale(Command::Round { flats: Some(vec![CHARD, BEET]) }).unwrap();
    assert!(!rose(&house), "it is only being switched on");
    house.wait(9.0 * 60.0);
    assert!(!rose(&house));
    house.wait(2.0 * 60.0);
    assert!(rose(&house), "a round waits on it");
    house.scale(Command::End).unwrap();
    let cleared = house.of_the_scale(|what| matches!(what, Happening::AlertCleared { .. })).unwrap();
    assert!(
        matches!(cleared, Happening::AlertCleared { reason, .. } if reason.contains("nothing is to be weighed")),
        "{cleared:?}"
    );
    // It goes to sleep with a flat on it.
    house.events.clear();
    house.scale(weigh(CHARD)).unwrap();
    house.reads(SCALE, 2500.0, 10);
    house.wait(11.0 * 60.0);
    assert!(rose(&house));
}

#[test]
fn a_single_flat_that_was_waited_for_is_waited_for_after_a_restart() {
    let mut house = House::new();
    house.reads(SCALE, 0.0, 10);
    house.scale(weigh(CHARD)).unwrap();
    let mut again = house.again(plan(), 30.0);
    again.handle(Input::Reading { stand: SCALE, part: Part::Whole, value: Ok(0.0), retained: false });
    again.reads(SCALE, 2400.0, 10);
    assert!((again.of_flat(CHARD, "weight_g").as_f64().unwrap() - 2400.0).abs() < 0.2);
}

#[test]
fn a_weight_that_is_taken_back_is_asked_for_again_in_the_same_round() {
    let mut house = House::in_round(&[CHARD, BEET, FENNEL]);
    house.typed(CHARD, 2900.0).unwrap();
    house.wait(600.0);
    house.reads(SCALE, 2890.0, 8);
    house.reads(SCALE, 0.0, 4);
    assert_eq!((house.turn(), house.round()["weighed"].clone()), (awaited("beet"), json!(1)));
    house.flat(CHARD, Command::Undo).unwrap();
    assert_eq!((house.turn(), house.round()["weighed"].clone()), (awaited("beet"), json!(1)), "one is from this round");
    house.flat(CHARD, Command::Undo).unwrap();
    let round = house.round();
    assert_eq!(
        (house.turn(), &round["weighed"], &round["number"], &round["of"]),
        (awaited("beet"), &json!(0), &json!(1), &json!(3))
    );
    for (flat, weight) in [("beet", 2500.0), ("fennel", 2400.0), ("chard", 2890.0)] {
        assert_eq!(house.turn(), awaited(flat));
        house.reads(SCALE, weight, 8);
        house.reads(SCALE, 0.0, 4);
    }
    let ended = house.of_the_scale(|what| matches!(what, Happening::Round { step: RoundStep::Ended, .. })).unwrap();
    assert!(matches!(ended, Happening::Round { weighed: 3, of: 3, missing, .. } if missing.is_empty()), "{ended:?}");
}

impl House {
    /// Readings once a minute: what happens between two of them is not seen.
    fn reads_slowly(&mut self, grams: f64, times: u32) {
        for time in 0..times {
            let value = Ok(grams + f64::from(time % 3) * 0.01);
            self.handle(Input::Reading { stand: SCALE, part: Part::Whole, value, retained: false });
            self.wait(60.0);
        }
    }

    /// The waterings of a flat that still count: how much, and whether a hand poured it before the eyes of the scale.
    fn waterings(&self, flat: usize) -> Vec<(f64, bool)> {
        let of_flat = |event: &&Event| event.subject == Subject::Flat(flat);
        let none = |seq: u64| {
            let is_it =
                |event: &Event| matches!(event.what, Happening::Corrected { seq: of, to: "nothing", .. } if of == seq);
            self.events.iter().any(is_it)
        };
        let water = |event: &Event| match event.what {
            Happening::Watered { added, by, away, .. } => {
                (!none(event.seq)).then_some(((added.get() / 10.0).round() * 10.0, by == By::Hand && !away))
            }
            _ => None,
        };
        self.events.iter().filter(of_flat).filter_map(water).collect()
    }
}

/// Found by a new user: both flats had the water.
#[test]
fn a_pour_on_the_flat_that_was_put_on_by_mistake_is_taken_back_with_its_weight() {
    // Before the pour has been told, and after.
    for seconds in [8, 900] {
        let mut house = House::new();
        house.typed(CHARD, 2260.0).unwrap();
        house.typed(BEET, 2300.0).unwrap();
        house.reads(SCALE, 0.0, 10);
        house.scale(Command::Round { flats: Some(vec![CHARD, BEET]) }).unwrap();
        house.reads(SCALE, 2300.0, 8);
        assert_eq!(house.turn(), (json!("chard"), json!("weighed")));
        house.reads(SCALE, 2500.0, seconds);
        assert_eq!(house.of_flat(CHARD, "condition"), "moist", "so it seems");
        house.scale(Command::Holds { flat: Some(BEET) }).unwrap();
        assert_eq!((house.turn(), house.round()["weighed"].clone()), ((json!("beet"), json!("weighed")), json!(1)));
        assert_eq!((house.waterings(CHARD), house.waterings(BEET)), (vec![], vec![(200.0, true)]), "after {seconds} s");
        assert_eq!(
            (house.of_flat(CHARD, "weight_g"), house.of_flat(CHARD, "condition")),
            (json!(2260.0), json!("dry")),
            "after {seconds} s"
        );
        assert_eq!(house.of_flat(CHARD, "since_watered_h"), Value::Null);
        house.reads(SCALE, 2500.0, 900);
        assert_eq!(house.waterings(BEET).len(), 1, "it is not told once more");
        house.reads(SCALE, 0.0, 4);
        assert_eq!(house.turn(), awaited("chard"));
        house.reads(SCALE, 2258.0, 8);
        house.reads(SCALE, 0.0, 4);
        let ended = house.of_the_scale(|what| matches!(what, Happening::Round { step: RoundStep::Ended, .. })).unwrap();
        assert!(matches!(ended, Happening::Round { weighed: 2, missing, .. } if missing.is_empty()), "{ended:?}");
        assert_eq!((house.waterings(CHARD).len(), house.waterings(BEET).len()), (0, 1));
    }
}

#[test]
fn on_a_slow_scale_a_flat_may_have_taken_the_place_of_another_unseen() {
    let begun = |beet: f64| {
        let mut house = House::new();
        house.typed(CHARD, 2460.0).unwrap();
        house.typed(BEET, beet).unwrap();
        house.reads_slowly(0.0, 5);
        house.scale(Command::Round { flats: Some(vec![CHARD, BEET]) }).unwrap();
        house.reads_slowly(2480.0, 3);
        assert_eq!(house.turn(), (json!("chard"), json!("weighed")));
        house.reads_slowly(2700.0, 3);
        house.scale(Command::Holds { flat: Some(BEET) }).unwrap();
        house
    };
    let house = begun(2700.0);
    assert_eq!((house.of_flat(CHARD, "weight_g"), house.waterings(BEET)), (json!(2480.0), vec![]), "Chard has gone");
    assert_eq!(house.round()["weighed"], 2);
    let house = begun(2482.0);
    assert_eq!((house.of_flat(CHARD, "weight_g"), house.waterings(CHARD)), (json!(2460.0), vec![]), "it was Beet");
    assert_eq!((house.waterings(BEET), house.round()["weighed"].clone()), (vec![(220.0, true)], json!(1)));
}

#[test]
fn who_is_sure_of_what_lies_there_takes_it_from_the_flat_it_was_taken_for() {
    let mut house = House::in_round(&[CHARD, BEET]);
    house.typed(CHARD, 2460.0).unwrap();
    house.reads(SCALE, 2450.0, 8);
    assert_eq!(house.turn(), (json!("chard"), json!("weighed")));
    let answer = house.scale(Command::WeighOn { flat: BEET, sure: true }).unwrap();
    assert_eq!((&answer["round"]["flat"], &answer["round"]["state"]), (&json!("beet"), &json!("weighed")));
    assert_eq!(house.round()["weighed"], 1);
    assert_eq!((house.of_flat(CHARD, "weight_g"), house.of_flat(CHARD, "basis")), (json!(2460.0), json!("typed")));
    house.reads(SCALE, 0.0, 4);
    assert_eq!(house.turn(), awaited("chard"));
    // The same outside a round.
    house.scale(Command::End).unwrap();
    house.scale(weigh(CHARD)).unwrap();
    house.reads(SCALE, 2455.0, 8);
    house.scale(Command::WeighOn { flat: FENNEL, sure: true }).unwrap();
    assert_eq!((house.of_flat(CHARD, "weight_g"), house.of_flat(FENNEL, "basis")), (json!(2460.0), json!("scale")));
}

#[test]
fn what_is_said_to_be_none_of_the_flats_leaves_no_weight() {
    let mut house = House::in_round(&[CHARD, BEET]);
    house.reads(SCALE, 2500.0, 8);
    assert_eq!(house.turn(), (json!("chard"), json!("weighed")));
    house.scale(Command::Holds { flat: None }).unwrap();
    assert_eq!((house.turn(), house.round()["weighed"].clone()), (awaited("chard"), json!(0)));
    assert_eq!((house.of_flat(CHARD, "weight_g"), house.of_flat(CHARD, "condition")), (Value::Null, json!("unknown")));
    house.reads(SCALE, 0.0, 4);
    house.reads(SCALE, 2600.0, 8);
    assert_eq!(house.turn(), (json!("chard"), json!("weighed")));
}

#[test]
fn a_flat_that_is_moved_to_a_stand_of_its_own_is_not_waited_for() {
    let mut house = House::in_round(&[CHARD, BEET]);
    house.flat(CHARD, Command::Move { stand: Some(OWN) }).unwrap();
    assert_eq!((house.turn(), house.round()["of"].clone()), (awaited("beet"), json!(1)));
    house.reads(SCALE, 2500.0, 8);
    assert_eq!((house.of_flat(CHARD, "weight_g"), house.turn().1), (Value::Null, json!("weighed")));
}

#[test]
fn a_weight_from_the_shared_scale_goes_to_the_history_once() {
    let mut house = House::in_round(&[CHARD, BEET]);
    house.reads(SCALE, 2500.0, 60);
    house.reads(SCALE, 0.0, 4);
    let weights: Vec<f64> = house.samples.iter().map(|sample| sample.weight.get().round()).collect();
    assert_eq!(weights, [2500.0]);
    // One that was poured on it and had not come to rest is there too.
    house.reads(SCALE, 2400.0, 8);
    house.reads(SCALE, 2600.0, 8);
    house.reads(SCALE, 0.0, 4);
    let weights: Vec<f64> = house.samples.iter().map(|sample| sample.weight.get().round()).collect();
    assert_eq!(weights, [2500.0, 2400.0, 2600.0]);
}
