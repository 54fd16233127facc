//! Two flats put back on each other's stands, and what their weights were taken for meanwhile.

use crate::bases::{BEET, CHARD, House, LEEKS, OWN, plan};
use serde_json::{Value, json};
use tarewell::alert::Kind;
use tarewell::site::{Command, Happening, Input, Part, Subject};
use tarewell::stand::StandSettings;

const OTHER: usize = 2;

/// Leeks and chard on stands of their own, each read every second.
struct Pair(House);

impl Pair {
    fn new() -> Self {
        let mut plan = plan();
        plan.stands.push(("other".to_owned(), StandSettings::default()));
        plan.flats[CHARD].1.stand = Some(OTHER);
        Self(House::of(plan))
    }

    fn read(&mut self, own: f64, other: f64, seconds: u32) {
        for second in 0..seconds {
            for (stand, grams) in [(OWN, own), (OTHER, other)] {
                let value = Ok(grams + f64::from(second % 3) * 0.01);
                self.0.handle(Input::Reading { stand, part: Part::Whole, value, retained: false });
            }
            self.0.wait(1.0);
        }
    }

    /// Both are lifted, and each comes back onto the other's stand, one a while before the other.
    fn swapped() -> Self {
        let mut pair = Self::new();
        pair.read(2200.0, 2600.0, 300);
        pair.read(0.0, 0.0, 60);
        pair.read(0.0, 2200.0, 20);
        pair.read(2600.0, 2200.0, 300);
        pair
    }

    /// The waterings that still stand.
    fn waterings(&self) -> Vec<u64> {
        let events = &self.0.events;
        let corrected = |seq: u64| {
            let is_it = |what: &Happening| matches!(what, Happening::Corrected { seq: of, from: "watered", to: "nothing" } if *of == seq);
            events.iter().any(|event| is_it(&event.what))
        };
        let poured = events.iter().filter(|event| matches!(event.what, Happening::Watered { .. }));
        poured.map(|event| event.seq).filter(|seq| !corrected(*seq)).collect()
    }

    fn told(&self, flat: usize) -> Value {
        self.0.of_flat(flat, "since_watered_h")
    }
}

#[test]
fn water_that_was_a_swap_is_taken_back() {
    let mut pair = Pair::swapped();
    assert!(pair.0.of_flat(LEEKS, "advice").as_str().unwrap().contains("swapped"));
    assert_eq!(pair.waterings(), [0; 0]);
    assert_eq!((pair.told(LEEKS), pair.told(CHARD)), (Value::Null, Value::Null));
    let near = |fraction: f64, truth: f64| (fraction - truth).abs() < 0.0015;
    assert!(near(pair.0.fraction(LEEKS), 0.2) && near(pair.0.fraction(CHARD), 0.6), "each has its own weight");
    let chard: Vec<f64> = pair.0.samples.iter().filter(|of| of.flat == CHARD).map(|of| of.weight.get()).collect();
    assert!(chard.iter().all(|weight| (weight - 2600.0).abs() < 10.0), "{chard:?}");
    pair.0.flat(LEEKS, Command::Move { stand: Some(OTHER) }).unwrap();
    pair.read(2600.0, 2200.0, 300);
    assert_eq!((pair.0.fraction(LEEKS), pair.0.fraction(CHARD)), (0.2, 0.6));
    assert_eq!(pair.waterings(), [0; 0]);
}

#[test]
fn flats_that_were_swapped_and_are_put_back_weigh_what_they_did() {
    let mut pair = Pair::swapped();
    pair.read(0.0, 0.0, 60);
    pair.read(2199.0, 2650.0, 300);
    assert_eq!((pair.0.fraction(LEEKS), pair.0.fraction(CHARD)), (0.199, 0.65));
    // Chard was watered by the way.
    assert_eq!(pair.waterings().len(), 1);
    assert_eq!(pair.told(LEEKS), Value::Null);
    assert_ne!(pair.told(CHARD), Value::Null);
}

#[test]
fn who_is_dry_and_in_question_is_not_to_be_poured_on() {
    let mut pair = Pair::new();
    pair.read(2200.0, 2600.0, 300);
    let text = |pair: &Pair| {
        let alert = pair.0.site.alert_state(Kind::Dry, Subject::Flat(LEEKS)).unwrap();
        alert.text.to_owned()
    };
    assert!(text(&pair).contains("Pour"), "{}", text(&pair));
    pair.read(0.0, 0.0, 60);
    pair.read(2600.0, 2200.0, 300);
    assert!(!text(&pair).contains("Pour") && text(&pair).contains("(holds)"), "{}", text(&pair));
    pair.0.flat(LEEKS, Command::Move { stand: Some(OTHER) }).unwrap();
    pair.read(2600.0, 2200.0, 120);
    assert!(text(&pair).contains("Pour"), "{}", text(&pair));
}

#[test]
fn who_is_put_off_its_stand_by_a_move_is_named() {
    let mut pair = Pair::new();
    pair.read(2200.0, 2600.0, 60);
    let answer = pair.0.flat(BEET, Command::Move { stand: Some(OWN) }).unwrap();
    assert_eq!((&answer["stand"], &answer["off"]), (&json!("own"), &json!("leeks")));
    let answer = pair.0.flat(BEET, Command::Move { stand: Some(OTHER) }).unwrap();
    assert_eq!((&answer["stand"], answer.get("off")), (&json!("other"), None), "they swap");
    assert_eq!(pair.0.of_flat(CHARD, "stand"), "own");
    let answer = pair.0.flat(BEET, Command::Move { stand: None }).unwrap();
    assert_eq!(answer.get("off"), None);
}
