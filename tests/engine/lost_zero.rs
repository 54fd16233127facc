//! Stands that lie far below zero, and how they are brought back.

use crate::bases::{CHARD, House, LEEKS, OWN, SCALE};
use serde_json::{Value, json};
use tarewell::alert::Kind;
use tarewell::site::{Answer, Command, Happening, Input, Order, Subject, Ticket};

impl House {
    /// Sends a `zero`, with what the stand reads while it is carried out.
    fn zeroed(&mut self, stand: usize, force: bool, grams: f64) -> Answer {
        self.handle(Input::Order(Order {
            to: Subject::Stand(stand),
            word: "zero".to_owned(),
            command: Ok(Command::Zero { force }),
            id: None,
            time: None,
            retained: false,
            ticket: Some(Ticket(7)),
        }));
        self.reads(stand, grams, 40);
        self.answered()
    }

    fn of_stand(&self, stand: usize, key: &str) -> Value {
        self.state(Subject::Stand(stand))[key].clone()
    }
}

/// The leeks' stand began anew with them on it, and calls that zero.
fn tared(dried_for: u32) -> House {
    let mut house = House::new();
    house.reads(OWN, 2600.0, 900);
    house.wait(300.0);
    house.reads(OWN, 0.0, 30);
    if dried_for > 0 {
        house.dries(OWN, 0.0, 20.0, dried_for);
    }
    house
}

#[test]
fn a_stand_that_tared_itself_is_zeroed_once_its_flat_is_off() {
    for dried_for in [0, 3] {
        let mut house = tared(dried_for);
        house.reads(OWN, -2599.0, 60);
        assert_eq!(house.of_stand(OWN, "state"), "fault");
        let refused = house.zeroed(OWN, false, -2599.0).unwrap_err();
        assert!(refused.contains("\"force\":true"), "{refused}");
        let answer = house.zeroed(OWN, true, -2599.0).unwrap();
        assert!((answer["moved_g"].as_f64().unwrap() + 2599.0).abs() < 1.0, "{answer:?}");
        house.reads(OWN, -2599.0, 30);
        assert_eq!((house.of_stand(OWN, "state"), house.of_stand(OWN, "fault")), (json!("ok"), Value::Null));
        assert!(house.of_stand(OWN, "weight_g").as_f64().unwrap().abs() < 1.0);
        house.reads(OWN, -60.0, 900);
        assert!(house.site.alert_state(Kind::StandFault, Subject::Stand(OWN)).is_none());
        let weight = house.of_flat(LEEKS, "weight_g").as_f64().unwrap();
        assert!((weight - 2539.0).abs() < 1.0, "{weight}");
        let water = |what: &Happening| matches!(what, Happening::Watered { .. });
        assert!(house.last(LEEKS, water).is_none());
    }
}

#[test]
fn it_is_zeroed_after_a_restart_too() {
    let mut house = tared(0);
    house.reads(OWN, -2599.0, 60);
    house.restart(20.0);
    house.reads(OWN, -2599.0, 20);
    assert_eq!(house.of_stand(OWN, "state"), "fault");
    house.zeroed(OWN, true, -2599.0).unwrap();
    house.reads(OWN, -2599.0, 20);
    assert_eq!(house.of_stand(OWN, "state"), "ok");
    house.reads(OWN, -10.0, 600);
    let weight = house.of_flat(LEEKS, "weight_g").as_f64().unwrap();
    assert!((weight - 2589.0).abs() < 1.0, "{weight}");
}

#[test]
fn while_the_flat_lies_on_it_nobody_zeroes_it_unawares() {
    let mut house = tared(3);
    assert_eq!(house.of_stand(OWN, "state"), "fault");
    let refused = house.zeroed(OWN, false, -60.0).unwrap_err();
    assert!(refused.contains("with something on it"), "{refused}");
    assert_eq!(house.of_stand(OWN, "state"), "fault");
}

#[test]
fn a_shared_scale_that_reads_less_than_nothing_is_zeroed_and_says_so_in_words_that_fit() {
    for grams in [-1491.0, -150.0] {
        let mut house = House::new();
        house.reads(SCALE, 0.0, 60);
        house.reads(SCALE, grams, 90);
        let fault = house.of_stand(SCALE, "fault").as_str().unwrap().to_owned();
        assert!(fault.contains("\"force\":true") && !fault.contains("it has set itself"), "{fault}");
        let refused = house.scale(Command::Restore { flat: CHARD }).unwrap_err();
        assert!(refused.contains("`zero`"), "{refused}");
        house.zeroed(SCALE, true, grams).unwrap();
        house.reads(SCALE, grams, 60);
        assert_eq!(house.of_stand(SCALE, "state"), "ok", "{grams}");
    }
}

#[test]
fn what_swings_far_below_nothing_is_no_zero() {
    let mut house = House::new();
    house.reads(SCALE, 0.0, 60);
    house.reads(SCALE, -1491.0, 60);
    // It swings: nothing stands still that could be nothing.
    house.handle(Input::Order(Order {
        to: Subject::Stand(SCALE),
        word: "zero".to_owned(),
        command: Ok(Command::Zero { force: true }),
        id: None,
        time: None,
        retained: false,
        ticket: Some(Ticket(7)),
    }));
    for swing in 0..35 {
        house.reads(SCALE, -1491.0 + f64::from(swing % 5) * 60.0, 1);
    }
    assert!(house.answered().unwrap_err().contains("did not stand still"));
}
