//! A watering in a house where nothing goes wrong.

use crate::taps::{Setup, Taps};
use tarewell::moment::Span;
use tarewell::site::Happening;
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
