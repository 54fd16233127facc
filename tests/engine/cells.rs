//! Cells taken out where no scale saw it; and what `undo` and `forget-band` say of what they did.

use crate::bases::{CHARD, House, LEEKS, OWN, SCALE};
use serde_json::json;
use tarewell::site::{Command, Happening, Subject, Was};
use tarewell::units::{Grams, Millilitres};

fn taken(cells: u32) -> Command {
    Command::CellsTaken { cells }
}

fn band(house: &House) -> (f64, f64) {
    let end = |key| house.of_flat(CHARD, key).as_f64().unwrap();
    (end("dry_weight_g"), end("capacity_weight_g"))
}

#[test]
fn cells_taken_from_a_flat_without_a_stand_take_their_share_of_its_band_and_water() {
    let mut house = House::new();
    house.typed(CHARD, 2600.0).unwrap();
    house.flat(CHARD, taken(12)).unwrap();
    // A fifth of 60 cells, of what is in the tray of 300 g.
    assert_eq!(band(&house), (300.0 + 1700.0 * 0.8, 300.0 + 2700.0 * 0.8));
    assert_eq!((house.fraction(CHARD), house.of_flat(CHARD, "weight_g")), (0.6, json!(300.0 + 2300.0 * 0.8)));
    // Another twelve of the 48 that were left, with a share of what was poured meanwhile.
    house.flat(CHARD, Command::Watered { volume: Millilitres::new(80.0), at: None, sure: false }).unwrap();
    let before = house.fraction(CHARD);
    house.flat(CHARD, taken(12)).unwrap();
    let (dry, capacity) = band(&house);
    assert!((dry - (300.0 + 1700.0 * 0.6)).abs() < 0.06 && (capacity - (300.0 + 2700.0 * 0.6)).abs() < 0.06);
    assert!((house.fraction(CHARD) - before).abs() <= 0.001, "{} for {before}", house.fraction(CHARD));
    // Weighed as it should weigh now, nothing is in question.
    house.typed(CHARD, 300.0 + (2300.0 * 0.8 + 80.0) * 0.75).unwrap();

    let error = house.flat(CHARD, taken(36)).unwrap_err();
    assert!(error.contains("36 cells were taken of 60, 24 had gone since it was filled (`record-dry` counts from 60 again): none would be left"), "{error}");
    house.reads(OWN, 2500.0, 20);
    let error = house.flat(LEEKS, taken(12)).unwrap_err();
    assert!(error.contains("a scale sees leeks"), "{error}");
    // Nor where its stand is silent for a while, or has not been heard since a restart: it will see it.
    let before = house.of_flat(LEEKS, "dry_weight_g");
    house.wait(3600.0);
    assert_eq!(house.state(Subject::Stand(OWN))["state"], "silent");
    for _ in 0..2 {
        let error = house.flat(LEEKS, taken(12)).unwrap_err();
        assert!(error.contains("leeks lies on own") && error.contains("`seq`"), "{error}");
        assert_eq!(house.of_flat(LEEKS, "dry_weight_g"), before);
        house.restart(10.0);
    }
    // Off its stand no scale sees it.
    house.reads(OWN, 2500.0, 20);
    house.reads(OWN, 0.0, 60);
    house.flat(LEEKS, taken(12)).unwrap();
}

#[test]
fn cells_taken_by_mistake_are_put_back_with_their_water() {
    let mut house = House::new();
    house.typed(CHARD, 2600.0).unwrap();
    house.flat(CHARD, taken(12)).unwrap();
    house.flat(CHARD, Command::Undo).unwrap();
    assert_eq!((band(&house), house.fraction(CHARD)), ((2000.0, 3000.0), 0.6));
    assert!((house.of_flat(CHARD, "weight_g").as_f64().unwrap() - 2600.0).abs() < 0.06);
    let back = house.last(CHARD, |what| matches!(what, Happening::Corrected { from: "mix-lost", to: "nothing", .. }));
    assert!(back.is_some());
    // Weighed since, it is the band alone that goes back.
    house.flat(CHARD, taken(12)).unwrap();
    house.wait(60.0);
    house.typed(CHARD, 2100.0).unwrap();
    let cells = house.seq(CHARD, |what| matches!(what, Happening::Removed { .. }));
    let correct = Command::Correct { seq: cells, was: Was::Nothing, cells: None };
    assert!(house.flat(CHARD, correct).unwrap_err().contains("corrected already"));
    assert_eq!(house.of_flat(CHARD, "weight_g"), 2100.0);
}

#[test]
fn record_dry_is_of_a_flat_as_filled_and_counts_its_cells_from_the_file_again() {
    let mut house = House::new();
    house.typed(CHARD, 2600.0).unwrap();
    house.flat(CHARD, taken(12)).unwrap();
    house.wait(60.0);
    house.flat(CHARD, Command::Weigh { weight: Grams::new(1660.0), at: None, sure: true }).unwrap();
    house.flat(CHARD, Command::RecordDry).unwrap();
    let error = house.flat(CHARD, taken(60)).unwrap_err();
    assert!(error.contains("60 cells were taken of 60: none"), "{error}");
    house.flat(CHARD, taken(12)).unwrap();
    assert_eq!(house.of_flat(CHARD, "dry_weight_g"), 300.0 + 1360.0 * 0.8);
    let error = house.flat(CHARD, taken(48)).unwrap_err();
    assert!(error.contains("of 60, 12 had gone since it was filled (`record-dry` counts from 60 again)"), "{error}");
}

#[test]
fn cells_taken_on_the_shared_scale_are_seen_there() {
    let mut house = House::new();
    house.reads(SCALE, 0.0, 10);
    house.scale(Command::WeighOn { flat: CHARD, sure: false }).unwrap();
    house.reads(SCALE, 2600.0, 200);
    house.reads(SCALE, 2600.0 - 460.0, 900);
    let seq = house.seq(CHARD, |what| matches!(what, Happening::Removed { .. }));
    house.flat(CHARD, Command::Correct { seq, was: Was::MixLost, cells: Some(12) }).unwrap();
    assert_eq!(band(&house), (300.0 + 1700.0 * 0.8, 300.0 + 2700.0 * 0.8));
    assert!((house.fraction(CHARD) - 0.6).abs() < 0.002, "{}", house.fraction(CHARD));
}

#[test]
fn what_is_undone_or_forgotten_is_told_with_the_event_that_told_of_it() {
    let mut house = House::new();
    house.typed(CHARD, 1990.0).unwrap();
    house.flat(CHARD, Command::RecordDry).unwrap();
    let dry = house.seq(CHARD, |what| matches!(what, Happening::DryRecorded { .. }));
    house.wait(3600.0);
    house.typed(CHARD, 3050.0).unwrap();
    house.flat(CHARD, Command::RecordCapacity { now: true }).unwrap();
    let capacity = house.seq(CHARD, |what| matches!(what, Happening::CapacityRecorded { .. }));
    house.flat(CHARD, Command::ForgetBand).unwrap();
    let forgotten = house.seq(CHARD, |what| matches!(what, Happening::BandForgotten));
    for undone in [forgotten, capacity, dry] {
        house.flat(CHARD, Command::Undo).unwrap();
        if undone == dry {
            // The weight that was typed between the two came before.
            house.flat(CHARD, Command::Undo).unwrap();
        }
        let last = house.last(CHARD, |what| matches!(what, Happening::Undone { .. })).unwrap();
        assert_eq!(last.what, Happening::Undone { what: "band", undoes: Some(undone) });
    }
    house.reads(OWN, 2500.0, 20);
    house.flat(LEEKS, Command::RecordCapacity { now: false }).unwrap();
    house.flat(LEEKS, Command::Undo).unwrap();
    let last = house.last(LEEKS, |what| matches!(what, Happening::Undone { .. })).unwrap();
    assert_eq!(last.what, Happening::Undone { what: "record-capacity", undoes: None });
    house.flat(CHARD, Command::PotOn { into: vec![LEEKS] }).unwrap();
    let potted = house.seq(CHARD, |what| matches!(what, Happening::PottedOn { .. }));
    house.flat(CHARD, Command::Undo).unwrap();
    let last = house.last(CHARD, |what| matches!(what, Happening::Undone { .. })).unwrap();
    assert_eq!(last.what, Happening::Undone { what: "pot-on", undoes: Some(potted) });
}
