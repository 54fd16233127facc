//! What a valve would pour: the contract's example, its limits, and what holds for any flats at all.

use proptest::prelude::*;
use tarewell::moment::Span;
use tarewell::units::{Flow, Fraction, Grams, Millilitres, parse_flow};
use tarewell::watering::{Fed, LimitedBy, Method, ValveSettings, max_per_day, plan};

fn valve() -> ValveSettings {
    ValveSettings { id: "south-drip".to_owned(), has_timer: true, ..ValveSettings::default() }
}

fn fed(flat: usize, water: f64) -> Fed {
    Fed {
        flat,
        flow: parse_flow("2 L/h").unwrap(),
        water: Grams::new(water),
        band: Grams::new(1600.0),
        target: Fraction::new(0.5),
        high: Fraction::new(0.75),
        due: water < 640.0,
    }
}

fn seconds(spans: impl IntoIterator<Item = Span>) -> Vec<i64> {
    spans.into_iter().map(|span| span.millis() / 1000).collect()
}

/// One decimal for volumes and three for fractions, as they are published.
fn tenth(volume: Millilitres) -> f64 {
    (volume.get() * 10.0).round() / 10.0
}

#[test]
fn the_example_of_the_contract() {
    let valve = ValveSettings {
        pulse_volume: Some(Millilitres::new(180.0)),
        rest: Some(Span::seconds(60)),
        max_run: Some(Span::minutes(15)),
        max_per_day: Some(Millilitres::new(3000.0)),
        ..valve()
    };
    let second = fed(1, 800.0 - Millilitres::new(450.0).mass().get());
    let plan = plan(&[fed(0, 400.0), second], &valve, None).unwrap();

    assert!((tenth(plan.volume) - 801.4).abs() < 1e-9);
    assert_eq!(plan.run, Span::seconds(722));
    assert_eq!(plan.limited_by, LimitedBy::Target);
    assert!(plan.due);
    assert_eq!(seconds(plan.pulses.iter().map(|pulse| pulse.run)), [324, 324, 74]);
    assert_eq!(seconds(plan.pulses.iter().map(|pulse| pulse.rest)), [60, 60, 0]);
    let shares: Vec<_> = plan
        .flats
        .iter()
        .map(|share| (share.flat, tenth(share.to_target), tenth(share.gets), share.after.rounded().get()))
        .collect();
    assert_eq!(shares, [(0, 400.7, 400.7, 0.5), (1, 450.0, 400.7, 0.469)]);
}

#[test]
fn nothing_is_planned_within_two_hundredths_of_the_target() {
    assert!(plan(&[fed(0, 0.480 * 1600.0), fed(1, 0.6 * 1600.0)], &valve(), None).is_none());
    assert!(plan(&[fed(0, 0.479 * 1600.0)], &valve(), None).is_some());
    assert!(plan(&[], &valve(), None).is_none());
}

#[test]
fn one_at_its_target_outweighs_one_that_is_dry() {
    // Three times as bad: with equal flows the volume that one lacks would cost more than it brings.
    assert!(plan(&[fed(0, 800.0), fed(1, 0.0)], &valve(), None).is_none());
    // Of four dry ones and one at its target, the four win.
    let many = [fed(0, 800.0), fed(1, 0.0), fed(2, 0.0), fed(3, 0.0), fed(4, 0.0)];
    let plan = plan(&many, &valve(), None).unwrap();
    assert_eq!(plan.limited_by, LimitedBy::High);
    assert!(plan.flats.iter().all(|share| share.after.get() <= 0.75 + 1e-9));
}

/// Seed 2 of the storm: a second of 0.0 mL.
#[test]
fn a_plan_of_nothing_is_no_plan() {
    assert!(plan(&[fed(0, 799.99), fed(1, 600.0)], &valve(), None).is_none());
    assert!(plan(&[fed(0, 799.0), fed(1, 600.0)], &valve(), None).is_some());
}

#[test]
fn a_flat_above_its_high_keeps_the_valve_closed() {
    let wet = Fed { flow: Flow::new(0.001), ..fed(1, 1300.0) };
    assert!(plan(&[fed(0, 100.0), wet], &valve(), None).is_none());
}

#[test]
fn the_longest_run_and_the_day_limit_what_is_poured() {
    let short = ValveSettings { max_run: Some(Span::seconds(300)), ..valve() };
    let cut = plan(&[fed(0, 100.0)], &short, None).unwrap();
    assert_eq!((cut.run, cut.limited_by), (Span::seconds(300), LimitedBy::MaxRun));

    let late = plan(&[fed(0, 100.0)], &valve(), Some(Millilitres::new(100.2))).unwrap();
    assert_eq!((late.run, late.limited_by), (Span::seconds(180), LimitedBy::MaxPerDay));
    assert!((late.volume.get() - 100.2).abs() < 1e-9);
    assert!(plan(&[fed(0, 100.0)], &valve(), Some(Millilitres::new(-5.0))).is_none());
}

#[test]
fn a_day_holds_one_band_for_each_flat_unless_it_is_said() {
    let day = max_per_day(&[fed(0, 0.0), fed(1, 0.0)], &valve());
    assert!((day.mass().get() - 3200.0).abs() < 1e-9);
    let said = ValveSettings { max_per_day: Some(Millilitres::new(500.0)), ..valve() };
    assert_eq!(max_per_day(&[fed(0, 0.0)], &said), Millilitres::new(500.0));
}

#[test]
fn the_flat_that_takes_least_sets_the_pulse() {
    // A tenth of 400 g at 2 L/h: 40.07 mL, 72.1 s.
    let small = Fed { band: Grams::new(400.0), ..fed(1, 0.0) };
    let plan = plan(&[fed(0, 100.0), small], &valve(), None).unwrap();
    assert_eq!(plan.pulses[0].run, Span::seconds(72));
}

#[test]
fn water_from_below_rests_half_an_hour() {
    let bottom = ValveSettings { method: Method::Bottom, ..valve() };
    assert_eq!(plan(&[fed(0, 0.0)], &bottom, None).unwrap().pulses[0].rest, Span::minutes(30));
}

fn any_fed() -> impl Strategy<Value = Fed> {
    let limits = (0.3..0.7f64, 0.0..0.4f64);
    (0.01..20.0f64, -0.3..1.2f64, 100.0..6000.0f64, limits, any::<bool>()).prop_map(
        |(flow, fraction, band, (target, above), due)| Fed {
            flat: 0,
            flow: Flow::new(flow),
            water: Grams::new(fraction * band),
            band: Grams::new(band),
            target: Fraction::new(target),
            high: Fraction::new(target + above),
            due,
        },
    )
}

fn any_valve() -> impl Strategy<Value = ValveSettings> {
    let pulse = proptest::option::of(1.0..1000.0f64);
    let run = proptest::option::of(1000i64..4_000_000);
    let day = proptest::option::of(1.0..9000.0f64);
    (pulse, run, day).prop_map(|(pulse, run, day)| ValveSettings {
        pulse_volume: pulse.map(Millilitres::new),
        max_run: run.map(Span::from_millis),
        max_per_day: day.map(Millilitres::new),
        ..valve()
    })
}

proptest! {
    #[test]
    fn volumes_add_up_and_nobody_is_lifted_above_high(
        fed in proptest::collection::vec(any_fed(), 1..6),
        valve in any_valve(),
    ) {
        let Some(plan) = plan(&fed, &valve, None) else { return Ok(()) };
        let flow: f64 = fed.iter().map(|flat| flat.flow.get()).sum();
        let sum: f64 = plan.flats.iter().map(|share| share.gets.get()).sum();
        prop_assert!((sum - plan.volume.get()).abs() < 1e-6 * sum.max(1.0));
        let runs = plan.pulses.iter().fold(Span::ZERO, |sum, pulse| sum + pulse.run);
        prop_assert_eq!(runs, plan.run);
        prop_assert!((plan.run.as_seconds() * flow - plan.volume.get()).abs() <= flow * 1.001);
        prop_assert!(valve.max_run.is_none_or(|most| plan.run <= most));
        prop_assert!(plan.run.as_seconds() * flow <= max_per_day(&fed, &valve).get() + flow * 1e-5);
        prop_assert!(plan.volume.get() <= max_per_day(&fed, &valve).get() * (1.0 + 1e-9));
        for (flat, share) in fed.iter().zip(&plan.flats) {
            prop_assert!(share.after.get().is_finite() && share.to_target >= Millilitres::ZERO);
            prop_assert!(share.after.get() <= flat.high.get() + 1e-9);
            prop_assert!(share.after.get() >= flat.water / flat.band);
        }
    }

    #[test]
    fn who_holds_less_gets_no_less(mut fed in proptest::collection::vec(any_fed(), 1..6), less in 0.0..500.0f64) {
        let volume = |fed: &[Fed]| plan(fed, &valve(), Some(Millilitres::new(1e6))).map_or(0.0, |plan| plan.volume.get());
        let before = volume(&fed);
        fed[0].water -= Grams::new(less);
        prop_assert!(volume(&fed) >= before - 1e-9);
    }
}
