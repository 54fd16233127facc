//! Flats under a valve that are on no stand: what another speaks for, and what is weighed now and then.

use crate::taps::{Setup, Taps, tap};
use tarewell::moment::Span;
use tarewell::sim::{FlatPlan, Mix};
use tarewell::site::{Command, Happening, Subject};
use tarewell::units::Grams;
use tarewell::watering::{Ended, LimitedBy, Mode};

/// Two flats alike under one valve; the second is on no stand.
fn pair(mode: Mode, accepted: bool, like: Option<usize>) -> Setup {
    let (mut settings, line) = tap(&[(0, 6.0), (1, 6.0)]);
    (settings.mode, settings.unweighed_accepted) = (mode, accepted);
    let flat = |stand| FlatPlan::litres(4.0).mix(Mix::Coir).at_fraction(0.2).on(stand);
    Setup {
        flats: vec![flat(0), flat(1)],
        valves: vec![(settings, line)],
        unweighed: vec![(1, like)],
        ..Setup::default()
    }
}

fn ready(setup: Setup) -> Taps {
    let mut taps = Taps::new(setup);
    taps.pass(Span::minutes(3));
    taps
}

fn weigh(taps: &mut Taps, flat: usize) {
    let weight = Grams::new(taps.weight(flat));
    taps.command(Subject::Flat(flat), Command::Weigh { weight, at: None, sure: false }).unwrap();
}

#[test]
fn a_flat_that_another_speaks_for_needs_the_word_of_its_owner() {
    let mut taps = ready(pair(Mode::Ask, false, Some(0)));
    assert!(taps.run().unwrap_err().contains("unweighed: accepted"));
    assert_eq!((taps.locked().as_deref(), taps.opens()), (Some("unweighed"), 0));
}

#[test]
fn a_flat_that_another_speaks_for_gets_a_quarter_of_its_band_a_day() {
    let mut taps = ready(pair(Mode::Ask, true, Some(0)));
    let quarter = taps.band(1).of_water().get() * 0.25;
    let before = taps.house.truth(1).unwrap().arrived;
    // Its target is farther off than that; the plan says so, and why.
    let answer = taps.run().unwrap();
    assert_eq!(answer["limited_by"], LimitedBy::MaxPerDay.name(), "{answer:?}");
    assert!((answer["volume_ml"].as_f64().unwrap() - 2.0 * quarter).abs() < 2.0, "{answer:?}, {quarter}");
    taps.finish();
    let got = taps.house.truth(1).unwrap().arrived - before;
    assert!(got <= quarter + 25.0 && got > quarter * 0.8, "{got} of {quarter}");
    // Nothing more of that day, by no command; a day later there is.
    assert!(taps.run_ml(100.0).unwrap_err().contains("24 hours"));
    let rest = taps.run().map_or(0.0, |answer| answer["volume_ml"].as_f64().unwrap());
    assert!(rest < 60.0, "what the last opening was short of: {rest}");
    taps.pass(Span::minutes(10));
    let got = taps.house.truth(1).unwrap().arrived - before;
    assert!(got <= quarter + 30.0, "{got} of {quarter}");
    taps.pass(Span::hours(24));
    assert!(taps.run().is_ok(), "{}", taps.valve());
}

#[test]
fn auto_rests_while_the_check_of_an_unweighed_flat_is_overdue() {
    let mut setup = pair(Mode::Auto, true, Some(0));
    setup.limits.target = tarewell::units::Fraction::new(0.42);
    let mut taps = Taps::new(setup);
    taps.pass(Span::minutes(20));
    assert!(taps.opens() > 0, "{}", taps.valve());
    taps.pass(Span::days(8));
    assert!(taps.raised("weigh-due"));
    let opens = taps.opens();
    assert!(taps.locked().is_some(), "{}", taps.valve());
    taps.pass(Span::days(1));
    assert_eq!(taps.opens(), opens);
    // Weighed, it goes on.
    weigh(&mut taps, 1);
    taps.pass(Span::minutes(2));
    assert_eq!(taps.locked(), None, "{}", taps.valve());
}

#[test]
fn a_flat_that_is_weighed_now_and_then_is_watered_by_nobody() {
    for accepted in [false, true] {
        let mut taps = ready(pair(Mode::Auto, accepted, None));
        weigh(&mut taps, 1);
        taps.pass(Span::minutes(30));
        assert_eq!(taps.opens(), 0, "{}", taps.valve());
        assert_eq!(taps.locked().as_deref(), Some("unweighed"));
        assert!(taps.run().unwrap_err().contains("now and then"));
        assert!(taps.run_ml(50.0).is_err());
    }
}

/// The one that is weighed closes the valve, and the other has then got as much.
#[test]
fn the_one_that_is_weighed_speaks_for_both() {
    let mut setup = pair(Mode::Ask, true, Some(0));
    setup.limits.target = tarewell::units::Fraction::new(0.41);
    let mut taps = ready(setup);
    taps.run().unwrap();
    let Happening::WateringEnded { reason, .. } = taps.finish() else { panic!("it ended otherwise") };
    assert_eq!(reason, Ended::Target);
    let (one, other) = (taps.fraction(0), taps.fraction(1));
    assert!((one - 0.41).abs() < 0.02 && (other - one).abs() < 0.02, "{one} {other}");
    let told = taps.state(Subject::Flat(1))["fraction"].as_f64().unwrap();
    assert!((told - other).abs() < 0.03, "told {told} of {other}");
}
