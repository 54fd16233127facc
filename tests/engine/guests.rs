//! What lies on a shared scale: over a restart, and where it lies on another one meanwhile.

use crate::bases::{BEET, CHARD, FENNEL, House, SCALE, plan};
use serde_json::{Value, json};
use tarewell::site::{Command, Happening, Subject};
use tarewell::stand::StandSettings;

impl House {
    fn with_a_guest(in_round: bool, grams: f64) -> Self {
        let mut house = Self::new();
        house.typed(CHARD, 2500.0).unwrap();
        house.typed(BEET, 2300.0).unwrap();
        house.wait(3600.0);
        house.reads(SCALE, 0.0, 10);
        let command = match in_round {
            true => Command::Round { flats: Some(vec![CHARD, BEET]) },
            false => Command::WeighOn { flat: CHARD, sure: false },
        };
        house.scale(command).unwrap();
        house.reads(SCALE, grams, 8);
        assert_eq!(house.guest(SCALE), "chard");
        house
    }

    fn guest(&self, stand: usize) -> Value {
        self.state(Subject::Stand(stand))["flat"].clone()
    }

    /// What was poured on it, by the events.
    fn poured(&self, flat: usize) -> Vec<f64> {
        let of_it = self.events.iter().filter(|event| event.subject == Subject::Flat(flat));
        let amount = |what: &Happening| match what {
            Happening::Watered { added, .. } => Some((added.get() / 5.0).round() * 5.0),
            _ => None,
        };
        of_it.filter_map(|event| amount(&event.what)).collect()
    }

    fn weighs(&self, flat: usize) -> f64 {
        self.of_flat(flat, "weight_g").as_f64().unwrap()
    }
}

#[test]
fn water_poured_on_the_scale_counts_once_whenever_the_program_begins_anew() {
    for in_round in [true, false] {
        for clean in [true, false] {
            // Poured before, after; lifted before the program is back, or later.
            for (before, after, seen) in [(true, false, true), (true, false, false), (false, true, true)] {
                let case = format!("round {in_round}, clean {clean}, before {before}, after {after}, seen {seen}");
                let mut house = House::with_a_guest(in_round, 2490.0);
                if before {
                    house.reads(SCALE, 2610.0, 20);
                }
                if clean {
                    house.restart(5.0)
                } else {
                    house.crash(5.0)
                }
                assert_eq!(house.guest(SCALE), "chard", "{case}");
                if seen {
                    house.reads(SCALE, if before { 2610.0 } else { 2490.0 }, 8);
                    assert_eq!(house.guest(SCALE), "chard", "{case}");
                }
                if after {
                    house.reads(SCALE, 2610.0, 20);
                }
                house.reads(SCALE, 0.0, 6);
                assert_eq!(house.guest(SCALE), Value::Null, "{case}");
                assert_eq!(house.poured(CHARD), [120.0], "{case}");
                assert!((house.weighs(CHARD) - 2610.0).abs() < 2.0, "{case}: {}", house.weighs(CHARD));
                assert_eq!(house.of_flat(CHARD, "stand"), Value::Null, "{case}");
                if in_round {
                    assert_eq!(house.round()["flat"], json!("beet"), "{case}");
                }
            }
        }
    }
}

#[test]
fn a_pour_that_rests_on_the_scale_over_a_restart_is_told_once() {
    let mut house = House::with_a_guest(true, 2490.0);
    house.reads(SCALE, 2610.0, 20);
    house.restart(5.0);
    house.reads(SCALE, 2610.0, 900);
    assert_eq!(house.poured(CHARD), [120.0]);
    house.restart(5.0);
    house.reads(SCALE, 2609.0, 8);
    house.reads(SCALE, 0.0, 6);
    assert_eq!(house.poured(CHARD), [120.0]);
}

#[test]
fn what_lies_there_after_a_restart_is_the_guest_only_if_it_can_be() {
    // Beet's last weight; then what lies there: dried, poured on, what beet should weigh, too heavy, lighter than it can have dried.
    let cases = [(2300.0, 2485.0, true), (2300.0, 2700.0, true), (2720.0, 2700.0, false), (2300.0, 6000.0, false)];
    for (beet, grams, is_it) in cases.into_iter().chain([(2300.0, 1200.0, false)]) {
        let mut house = House::with_a_guest(true, 2490.0);
        house.typed(BEET, beet).unwrap();
        let before = house.weighs(CHARD);
        house.restart(1800.0);
        house.reads(SCALE, grams, 20);
        let expected = if is_it { json!("chard") } else { Value::Null };
        assert_eq!(house.guest(SCALE), expected, "{grams}");
        if !is_it {
            assert_eq!(house.weighs(CHARD), before, "{grams}");
            assert_eq!(house.poured(CHARD), [0.0; 0], "{grams}");
            assert_eq!(house.of_flat(BEET, "basis"), "typed", "it is lifted off before the next one is weighed");
        }
        house.reads(SCALE, 0.0, 4);
        assert_eq!(house.round()["flat"], json!("beet"), "{grams}");
    }
}

#[test]
fn a_flat_lies_on_one_scale_at_a_time() {
    let mut plan = plan();
    plan.stands.push(("scale-too".to_owned(), StandSettings { shared: true, ..StandSettings::default() }));
    let mut house = House::of(plan);
    let too = 2;
    house.reads(SCALE, 0.0, 10);
    house.reads(too, 0.0, 10);
    house.say(Subject::Stand(too), Command::Round { flats: Some(vec![CHARD, BEET]) }).unwrap();
    house.reads(too, 2500.0, 8);
    assert_eq!(house.guest(too), "chard");
    house.scale(Command::Round { flats: Some(vec![CHARD, FENNEL]) }).unwrap();
    house.reads(SCALE, 2503.0, 8);
    assert_eq!((house.guest(SCALE), house.guest(too)), (json!("chard"), Value::Null));
    house.reads(too, 2500.0, 8);
    assert_eq!(house.guest(too), Value::Null, "what lies there is not weighed as the next one");
    house.reads(SCALE, 0.0, 6);
    assert!((house.weighs(CHARD) - 2503.0).abs() < 1.0);
    house.reads(too, 0.0, 6);
    house.reads(too, 2200.0, 8);
    assert_eq!(house.guest(too), "beet");
    assert!((house.weighs(CHARD) - 2503.0).abs() < 1.0);
}
