//! A watering in a house where nothing goes wrong.

use crate::taps::{Setup, Taps};
use tarewell::moment::Span;
use tarewell::sim::{Act, Doing, Mishap};
use tarewell::site::{By, Happening};
use tarewell::watering::Ended;

#[test]
fn a_run_lifts_a_flat_to_its_target() {
    let mut taps = Taps::new(Setup::default());
    taps.pass(Span::minutes(3));
    let answer = taps.run().unwrap();
    taps.pass(Span::seconds(20));
    let state = taps.valve();
    assert_eq!((&state["state"], &state["watering"]["phase"]), (&"open".into(), &"pulse".into()), "{state}");
    let Happening::WateringEnded { reason, delivered, .. } = taps.finish() else { panic!("it ended otherwise") };
    assert_eq!(reason, Ended::Target);
    assert!((delivered.get() - answer["volume_ml"].as_f64().unwrap()).abs() < 15.0, "{delivered:?} of {answer:?}");
    taps.pass(Span::minutes(30));
    assert!((taps.fraction(0) - 0.5).abs() < 0.02, "{}", taps.fraction(0));
    let watered = |what: &Happening| matches!(what, Happening::Watered { by: tarewell::site::By::Valve, .. });
    assert_eq!(taps.happened(watered), 1);
}

#[test]
fn what_has_been_poured_is_told_while_water_runs() {
    let mut taps = Taps::new(Setup::default());
    taps.pass(Span::minutes(3));
    taps.run().unwrap();
    let told: Vec<f64> = (0..8)
        .map(|_| {
            taps.pass(Span::seconds(10));
            taps.told_valve().expect("told")["watering"]["delivered_ml"].as_f64().unwrap()
        })
        .collect();
    // 6 g/s; the first seconds are the valve's and the hose's.
    assert!(told.windows(2).all(|pair| (40.0..80.0).contains(&(pair[1] - pair[0]))), "{told:?}");
}

/// Who gave how much, as told, in order.
fn told(taps: &Taps) -> Vec<(By, f64)> {
    let of = |what: &Happening| match what {
        Happening::Watered { by, added, .. } => Some((*by, added.get())),
        _ => None,
    };
    taps.events.iter().filter_map(|(_, _, what)| of(what)).collect()
}

fn near(told: &[(By, f64)], wanted: &[(By, f64)]) {
    let fits = told.len() == wanted.len()
        && told.iter().zip(wanted).all(|(told, wanted)| told.0 == wanted.0 && (told.1 - wanted.1).abs() < 40.0);
    assert!(fits, "{told:?}, and not {wanted:?}");
}

fn by_hand(grams: f64) -> Act {
    Act::Flat(0, Doing::Pour { grams, over: Span::seconds(10), below: false })
}

#[test]
fn what_a_hand_pours_soon_after_is_not_taken_for_the_valves() {
    let mut taps = Taps::new(Setup::default());
    taps.pass(Span::minutes(3));
    taps.run_ml(300.0).unwrap();
    taps.finish();
    taps.pass(Span::minutes(12));
    near(&told(&taps), &[(By::Valve, 300.0)]);
    taps.house.act(by_hand(250.0));
    taps.pass(Span::minutes(15));
    near(&told(&taps), &[(By::Valve, 300.0), (By::Hand, 250.0)]);
}

#[test]
fn what_a_hand_pours_at_the_same_time_is_told_apart() {
    for after in [20, 100, 130] {
        let mut taps = Taps::new(Setup::default());
        taps.pass(Span::minutes(3));
        taps.run_ml(300.0).unwrap();
        taps.pass(Span::seconds(after));
        taps.house.act(by_hand(200.0));
        taps.pass(Span::minutes(30));
        let gave = taps.house.valve(0).unwrap().poured;
        near(&told(&taps), &[(By::Valve, gave), (By::Hand, 200.0)]);
    }
}

#[test]
fn what_somebody_else_lets_through_the_valve_is_the_valves() {
    let mut taps = Taps::new(Setup::default());
    taps.pass(Span::minutes(3));
    taps.house.act(Act::Valve(0, Mishap::OpenedByOther { timer: Some(Span::seconds(40)) }));
    taps.pass(Span::minutes(20));
    near(&told(&taps), &[(By::Valve, 240.0)]);
}

#[test]
fn what_was_poured_before_a_crash_is_the_valves_after_it() {
    let mut taps = Taps::new(Setup::default());
    taps.pass(Span::minutes(3));
    taps.run_ml(300.0).unwrap();
    taps.pass(Span::seconds(40));
    taps.kill();
    taps.pass(Span::seconds(15));
    taps.start();
    taps.pass(Span::minutes(30));
    let gave = taps.house.valve(0).unwrap().poured;
    let told = told(&taps);
    assert!(told.iter().all(|(by, _)| *by == By::Valve), "{told:?}, of {gave}");
}

/// Whoever has measured nothing writes down what the box said. It is learned, and no hand is suspected.
#[test]
fn a_flow_in_the_file_that_is_a_quarter_of_the_true_one_is_no_hand() {
    for period in [1, 4] {
        let (mut settings, line) = crate::taps::tap(&[(0, 6.0)]);
        settings.feeds[0].flow = tarewell::units::Flow::new(1.5);
        let cell =
            tarewell::sim::CellPlan { period: Span::seconds(period), noise: 1.5, ..tarewell::sim::CellPlan::default() };
        let mut taps = Taps::new(Setup { valves: vec![(settings, line)], cell, ..Setup::default() });
        taps.pass(Span::minutes(3));
        taps.run_ml(400.0).unwrap();
        let Happening::WateringEnded { reason, .. } = taps.finish() else { panic!("it ended otherwise") };
        assert_eq!(reason, Ended::Volume, "period {period}");
        taps.pass(Span::minutes(15));
        near(&told(&taps), &[(By::Valve, taps.house.valve(0).unwrap().poured)]);
    }
}
