//! Waterings in a house where nothing goes wrong.

use crate::taps::{Setup, Taps};
use tarewell::moment::Span;

#[test]
fn a_run_lifts_a_flat_to_its_target() {
    let mut taps = Taps::new(Setup::default());
    taps.pass(Span::minutes(3));
    let answer = taps.run();
    assert!(answer.is_ok(), "{answer:?} {:?}", taps.valve());
    taps.pass(Span::seconds(20));
    println!("{}", taps.valve());
    let ended = taps.finish();
    println!("{ended:?} {:?}", taps.ordered);
    for event in &taps.events {
        println!("{event:?}");
    }
    taps.pass(Span::minutes(30));
    println!("fraction {}", taps.fraction(0));
    assert!((taps.fraction(0) - 0.5).abs() < 0.02, "{}", taps.fraction(0));
}
