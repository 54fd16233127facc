//! Watering from below: the tray stands on the stand too, so the weight knows at once what came, but not when it has been drawn up.

use crate::taps::{Setup, Taps, tap};
use tarewell::moment::Span;
use tarewell::sim::{Act, Doing, FlatPlan, Mix};
use tarewell::site::{Command, Happening, Subject};
use tarewell::watering::{Ended, Method, Mode};

fn flood(mode: Mode) -> Setup {
    let (mut settings, mut line) = tap(&[(0, 6.0)]);
    (settings.mode, settings.method, settings.rest) = (mode, Method::Bottom, None);
    line.feeds.iter_mut().for_each(|feed| feed.below = true);
    let flat = FlatPlan::litres(4.0).mix(Mix::Coir).at_fraction(0.2).on(0);
    Setup { flats: vec![flat], valves: vec![(settings, line)], ..Setup::default() }
}

fn ready(setup: Setup) -> Taps {
    let mut taps = Taps::new(setup);
    taps.pass(Span::minutes(3));
    taps
}

#[test]
fn it_is_closed_by_the_weight_and_waters_again_only_after_uptake() {
    let mut taps = ready(flood(Mode::Ask));
    taps.run().unwrap();
    let Happening::WateringEnded { reason, .. } = taps.finish() else { panic!("it ended otherwise") };
    assert_eq!(reason, Ended::Target);
    let ended = taps.now;
    assert!((taps.fraction(0) - 0.5).abs() < 0.02, "{}", taps.fraction(0));
    assert!(taps.house.truth(0).unwrap().tray > 50.0, "much of it stands in the tray still");
    // A person wants more, and more would be right by the weight.
    taps.set_target(0, 0.65).unwrap();
    taps.pass(Span::minutes(20));
    let refused = taps.run().unwrap_err();
    assert!(refused.contains("draws up") && refused.contains("waters again from"), "{refused}");
    assert!(taps.run_ml(100.0).is_err(), "not by volume either");
    assert_eq!(taps.locked().as_deref(), Some("uptake"));
    assert_eq!(taps.valve()["locked"]["needs_unlock"], false);
    // A restart forgets nothing of it.
    taps.disk = taps.facts.clone();
    taps.kill();
    taps.start();
    taps.pass(Span::minutes(3));
    assert!(taps.run().is_err());
    while taps.locked().is_some() {
        taps.pass(Span::seconds(10));
        assert!(taps.now < ended + Span::hours(2), "it never ended: {}", taps.valve());
    }
    assert!(taps.now.since(ended) >= Span::minutes(58), "{:?}", taps.now.since(ended));
    assert!(taps.house.truth(0).unwrap().tray < 30.0, "drawn up: {}", taps.house.truth(0).unwrap().tray);
    taps.run().unwrap();
}

#[test]
fn the_rests_between_the_pulses_of_one_watering_are_its_own() {
    let mut setup = flood(Mode::Ask);
    setup.valves[0].0.pulse_volume = Some(tarewell::units::Millilitres::new(300.0));
    let mut taps = ready(setup);
    taps.run().unwrap();
    let Happening::WateringEnded { reason, .. } = taps.finish() else { panic!("it ended otherwise") };
    assert_eq!((reason, taps.opens() >= 2), (Ended::Target, true));
}

#[test]
fn auto_never_waters_from_below_before_uptake() {
    let mut taps = Taps::new(flood(Mode::Auto));
    taps.pass(Span::minutes(20));
    assert_eq!(taps.opens(), 1);
    taps.set_target(0, 0.7).unwrap();
    taps.command(
        Subject::Flat(0),
        Command::Set(tarewell::site::Set {
            water_at: Some(Some(tarewell::units::Fraction::new(0.65))),
            ..tarewell::site::Set::default()
        }),
    )
    .unwrap();
    taps.pass(Span::minutes(50));
    assert_eq!(taps.opens(), 1, "it is due, and by its weight it could");
}

#[test]
fn water_left_standing_in_the_tray_is_noticed() {
    let mut taps = ready(flood(Mode::Advise));
    let full = taps.band(0).get() * 1.12 - (taps.weight(0) - taps.plan.flats[0].1.dry_weight.unwrap().get());
    taps.house.act(Act::Flat(0, Doing::Pour { grams: full, over: Span::minutes(60), below: true }));
    let advice = |taps: &Taps| taps.state(Subject::Flat(0))["advice"].as_str().unwrap().to_owned();
    taps.pass(Span::minutes(90));
    assert!(!advice(&taps).contains("tray"), "it may still be drawn up: {}", advice(&taps));
    taps.pass(Span::minutes(70));
    let stands = taps.house.truth(0).unwrap().tray;
    let said = advice(&taps);
    let volume = said.split("About ").nth(1).and_then(|rest| rest.split(' ').next()).map(str::parse::<f64>);
    let volume = volume.expect(&said).unwrap();
    assert!(said.contains("stand in its tray: pour it off"), "{said}");
    assert!((volume - stands).abs() < 30.0, "{volume} of {stands}");
    taps.house.act(Act::Flat(0, Doing::EmptyTray));
    taps.pass(Span::minutes(15));
    assert!(!advice(&taps).contains("tray"), "{}", advice(&taps));
}
