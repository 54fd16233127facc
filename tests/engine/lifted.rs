//! Off its stand a flat goes on drying.

use crate::bases::{House, LEEKS, OWN};
use tarewell::site::Happening;

#[test]
fn what_is_lifted_dries_on_from_that_moment_as_it_did_before() {
    // Hours on its stand before.
    for hours in [3, 9, 30] {
        let mut house = House::new();
        house.reads(OWN, 2900.0, 20);
        let weight = house.dries(OWN, 2900.0, 20.0, hours);
        house.reads(OWN, 0.0, 10);
        let mut before = house.fraction(LEEKS);
        let mut due = house.of_flat(LEEKS, "due_at");
        for minutes in [10.0, 20.0, 30.0, 60.0, 120.0] {
            house.wait(minutes * 60.0);
            let away = (house.seconds - f64::from(hours) * 3600.0 - 30.0) / 3600.0;
            let (fraction, truth) = (house.fraction(LEEKS), (weight - 20.0 * away - 2000.0) / 1000.0);
            let allowed = if away < 1.1 { 0.004 } else { 0.01 };
            assert!((fraction - truth).abs() <= allowed, "{hours} h, off for {away:.2} h: {fraction}, is {truth}");
            assert!(fraction < before, "{hours} h, off for {away:.2} h: {fraction}");
            before = fraction;
            let now = house.of_flat(LEEKS, "due_at");
            if let (Some(then), Some(now)) = (due.as_str(), now.as_str()) {
                // Not later and later: by stamps of the same day and zone.
                let minutes = |stamp: &str| {
                    let time = chrono::DateTime::parse_from_rfc3339(stamp).unwrap();
                    time.timestamp() / 60
                };
                assert!((minutes(now) - minutes(then)).abs() < 60, "{then} {now}");
            }
            due = now;
        }
    }
}

#[test]
fn who_is_lifted_to_be_watered_is_not_called_dry_meanwhile() {
    let mut house = House::new();
    house.reads(OWN, 2500.0, 20);
    let weight = house.dries(OWN, 2500.0, 40.0, 5);
    assert!(weight > 2300.0);
    house.reads(OWN, 2301.0, 30);
    house.reads(OWN, 0.0, 10);
    let dry = |what: &Happening| matches!(what, Happening::AlertRaised { kind, .. } if kind.name() == "dry");
    house.wait(3000.0);
    assert!(house.fraction(LEEKS) < 0.28, "{}", house.fraction(LEEKS));
    assert!(house.last(LEEKS, dry).is_none());
    house.wait(900.0);
    assert!(house.last(LEEKS, dry).is_some(), "after an hour it is");
}
