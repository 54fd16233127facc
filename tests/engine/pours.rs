//! Water that no scale saw: how much of it a flat can hold, and that it is told once.

use crate::bases::{CHARD, House, LEEKS, LEEKS_TOO, OWN, SCALE};
use serde_json::json;
use tarewell::site::{Answer, Command, Happening, Subject, Was};
use tarewell::units::Millilitres;

fn pours(house: &mut House, flat: usize, volume: f64) -> Answer {
    house.flat(flat, Command::Watered { volume: Millilitres::new(volume), at: None, sure: false })
}

/// What was told to be poured and to have stayed, mL.
fn told(house: &House, flat: usize) -> Vec<(f64, f64)> {
    let of = |what: &Happening| match what {
        Happening::Watered { added, kept, .. } => Some((added.get().round(), kept.get().round())),
        _ => None,
    };
    let own = house.events.iter().filter(|event| event.subject == Subject::Flat(flat));
    own.filter_map(|event| of(&event.what)).collect()
}

#[test]
fn a_pour_fills_what_has_dried_since_the_flat_was_weighed() {
    let mut house = House::new();
    house.typed(CHARD, 2880.0).unwrap();
    house.wait(16.0 * 3600.0);
    let left = house.fraction(CHARD);
    assert!(left < 0.87, "{left}");
    pours(&mut house, CHARD, 100.0).unwrap();
    assert!((house.fraction(CHARD) - left - 0.1).abs() < 0.003, "{left}: {}", house.fraction(CHARD));
    // More than it can hold fills it, and the rest runs off.
    pours(&mut house, CHARD, 900.0).unwrap();
    assert!((house.fraction(CHARD) - 1.0).abs() < 0.002, "{}", house.fraction(CHARD));
    let [(100.0, 100.0), (900.0, kept)] = told(&house, CHARD)[..] else { panic!("{:?}", told(&house, CHARD)) };
    assert!((kept - 1000.0 * (1.0 - left) + 100.0).abs() < 4.0, "{kept}");
    // From full it dries on.
    house.wait(6.0 * 3600.0);
    let dried = house.fraction(CHARD);
    assert!((0.85..0.99).contains(&dried), "{dried}");
    // That is what it is expected to weigh, and a little more still stands in its tray.
    for (extra, count) in [(0.0, 2), (150.0, 2)] {
        let mut house = House::new();
        house.typed(CHARD, 2880.0).unwrap();
        house.wait(16.0 * 3600.0);
        pours(&mut house, CHARD, 100.0).unwrap();
        pours(&mut house, CHARD, 900.0).unwrap();
        house.wait(6.0 * 3600.0);
        house.typed(CHARD, 2000.0 + 1000.0 * dried + extra).unwrap();
        assert_eq!(told(&house, CHARD).len(), count, "{extra}: {:?}", told(&house, CHARD));
    }
    // A pour that was none makes room for the one after it.
    let seq = house.seq(CHARD, |what| matches!(what, Happening::Watered { added, .. } if added.get() < 200.0));
    house.flat(CHARD, Command::Correct { seq, was: Was::Nothing, cells: None }).unwrap();
    assert!((house.fraction(CHARD) - dried).abs() < 0.002, "{} {dried}", house.fraction(CHARD));
    let before = house.fraction(CHARD);
    house.crash(60.0);
    assert!((house.fraction(CHARD) - before).abs() < 0.002);
}

#[test]
fn what_was_told_while_a_stand_did_not_see_is_not_told_again() {
    for lifted in [true, false] {
        for typed in [true, false] {
            let mut house = House::new();
            house.reads(OWN, 2700.0, 120);
            let weight = house.dries(OWN, 2700.0, 10.0, 10);
            if lifted {
                house.reads(OWN, 0.0, 120);
            }
            house.wait(2400.0);
            if typed {
                house.typed(LEEKS, weight + 240.0).unwrap();
            } else {
                pours(&mut house, LEEKS, 250.0).unwrap();
            }
            assert_eq!(told(&house, LEEKS).len(), 1, "{lifted} {typed}");
            house.wait(3600.0);
            house.reads(OWN, weight + 235.0, 900);
            assert_eq!(told(&house, LEEKS).len(), 1, "{lifted} {typed}: {:?}", told(&house, LEEKS));
            assert!((house.fraction(LEEKS) - (weight + 235.0 - 2000.0) / 1000.0).abs() < 0.003);
            // The next water is told as ever.
            house.dries(OWN, weight + 235.0, 10.0, 2);
            house.reads(OWN, weight + 400.0, 900);
            assert_eq!(told(&house, LEEKS).len(), 2, "{lifted} {typed}: {:?}", told(&house, LEEKS));
        }
    }
}

#[test]
fn more_than_was_told_is_told_when_the_stand_sees_it() {
    let mut house = House::new();
    house.reads(OWN, 2500.0, 120);
    let weight = house.dries(OWN, 2500.0, 10.0, 10);
    house.reads(OWN, 0.0, 120);
    pours(&mut house, LEEKS, 100.0).unwrap();
    house.reads(OWN, weight + 300.0, 900);
    let [(100.0, 100.0), (more, _)] = told(&house, LEEKS)[..] else { panic!("{:?}", told(&house, LEEKS)) };
    assert!((more - 200.0).abs() < 5.0, "{more}");
}

#[test]
fn who_waters_one_after_the_other_waters_each_once() {
    for speaker_first in [true, false] {
        let mut house = House::new();
        house.reads(OWN, 2400.0, 120);
        let mut weight = house.dries(OWN, 2400.0, 10.0, 10);
        let speaker = |house: &mut House, weight: &mut f64| {
            *weight += 300.0;
            house.reads(OWN, *weight, 600);
        };
        if speaker_first {
            speaker(&mut house, &mut weight);
        }
        house.handle(crate::bench::order(Subject::Stand(SCALE), Command::WeighOn { flat: LEEKS_TOO, sure: false }));
        house.reads(SCALE, 2350.0, 20);
        house.reads(SCALE, 2650.0, 60);
        house.reads(SCALE, 0.0, 20);
        if !speaker_first {
            speaker(&mut house, &mut weight);
        }
        let near = |house: &House, expected: f64| {
            let is = house.fraction(LEEKS_TOO);
            assert!((is - expected).abs() < 0.03, "{speaker_first}: {is} for {expected}");
        };
        near(&house, 0.65);
        let later = house.dries(OWN, weight, 10.0, 4);
        assert_eq!(house.of_flat(LEEKS_TOO, "basis"), json!("sample"), "{speaker_first}");
        near(&house, 0.65 - (weight - later) / 1000.0);
        // Whoever waters the speaker later, and says nothing of the other, has watered both.
        house.reads(OWN, later + 200.0, 600);
        near(&house, 0.85 - (weight - later) / 1000.0);
    }
}

#[test]
fn what_was_told_while_a_flat_had_no_stand_is_told_once_and_hides_no_water() {
    for weighed_between in [true, false] {
        let mut house = House::new();
        house.reads(OWN, 2500.0, 120);
        house.reads(OWN, 0.0, 60);
        house.flat(LEEKS, Command::Move { stand: None }).unwrap();
        for _ in 0..2 {
            pours(&mut house, LEEKS, 100.0).unwrap();
            house.wait(600.0);
        }
        if weighed_between {
            house.typed(LEEKS, 2700.0).unwrap();
        }
        pours(&mut house, LEEKS, 100.0).unwrap();
        house.flat(LEEKS, Command::Move { stand: Some(OWN) }).unwrap();
        house.reads(OWN, 0.0, 60);
        let before = told(&house, LEEKS).len();
        // Two hundred more than anybody has told of.
        house.reads(OWN, 3000.0, 900);
        let all = told(&house, LEEKS);
        assert!(all.len() == before + 1 && (all[before].0 - 200.0).abs() < 10.0, "{weighed_between}: {all:?}");
    }
}
