//! Drying and its forecast: on simulated flats whose truth is known, and on pots that were really weighed.

use crate::pots::{Case, Fed, coverage, house, measure, median, quantile, read, skill};
use proptest::prelude::*;
use tarewell::flat::{Drying, Water};
use tarewell::moment::{Moment, Span, Wall};
use tarewell::units::Grams;

/// Grams from dry weight to capacity of the simulated flat, and its dry weight.
const BAND: f64 = 1500.0;
const DRY: f64 = 3000.0;
const MINUTE: f64 = 1.0 / 60.0;

/// Noise without a dependency: xorshift64*, and a sum of twelve for the normal distribution.
struct Noise(u64);

impl Noise {
    fn uniform(&mut self) -> f64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 11) as f64 / (1u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }
}

/// A flat under lamps that are on from 06:00 to 22:00: lit it loses `lit` g/h, dark a third of that, all growing by
/// `growth` a day and scattering by `weather` from day to day; below `knee` in proportion to what is left.
struct Flat {
    hour: f64,
    water: f64,
    lit: f64,
    growth: f64,
    weather: f64,
    knee: Option<f64>,
    noise: Noise,
    today: f64,
}

impl Flat {
    fn new(lit: f64, growth: f64, seed: u64) -> Self {
        let noise = Noise(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1);
        Self { hour: 9.0, water: 0.9 * BAND, lit, growth, weather: 0.0, knee: None, noise, today: 1.0 }
    }

    fn rate(&self) -> f64 {
        let of_day = self.hour.rem_euclid(24.0);
        let light = if (6.0..22.0).contains(&of_day) { 1.0 } else { 1.0 / 3.0 };
        let short = self.knee.map_or(1.0, |knee| (self.water / BAND / knee).min(1.0));
        self.lit * light * (1.0 + self.growth).powf((self.hour - 9.0) / 24.0) * self.today * short
    }

    fn minute(&mut self) {
        self.water = (self.water - self.rate() * MINUTE).max(0.0);
        let before = (self.hour / 24.0).floor();
        self.hour += MINUTE;
        if (self.hour / 24.0).floor() > before {
            self.today = (self.weather * self.noise.normal()).exp();
        }
    }

    /// What a stand shows: 1.5 g of noise, and 4 g from coldest to warmest in a day.
    fn shown(&mut self) -> Grams {
        let swing = 2.0 * (std::f64::consts::TAU * (self.hour - 15.0) / 24.0).cos();
        Grams::new(DRY + self.water + swing + 1.5 * self.noise.normal())
    }

    fn now(&self) -> Moment {
        moment(self.hour)
    }

    fn fraction(&self) -> f64 {
        self.water / BAND
    }

    fn water_to(&mut self, fraction: f64, drying: &mut Drying) {
        self.water = fraction * BAND;
        drying.interrupted(self.now(), Span::minutes(45));
    }

    /// One minute of the flat's life, weighed.
    fn live(&mut self, drying: &mut Drying) {
        self.minute();
        let weight = self.shown();
        drying.weighed(weight, self.now(), self.hour.rem_euclid(24.0));
    }
}

fn moment(hour: f64) -> Moment {
    Moment::recorded(Wall::from_millis((hour * 3_600_000.0).round() as i64))
}

fn banded() -> Drying {
    let mut drying = Drying::new();
    drying.set_band(Some((Grams::new(DRY), Grams::new(BAND))));
    drying
}

fn of_day(hour: f64) -> f64 {
    hour.rem_euclid(24.0)
}

/// Weights by the minute of a flat that is let dry; every 3 h from the second day the loss of the next `hours`.
fn forecasts(mut flat: Flat, days: f64, hours: f64) -> Vec<Case> {
    let mut drying = Drying::new();
    let mut open: Vec<(f64, f64, f64, f64)> = Vec::new();
    let mut lost = vec![0.0];
    let (mut total, mut cases) = (0.0, Vec::new());
    let per_day = 24 * 60;
    while lost.len() < (days * 24.0 * 60.0) as usize {
        let before = flat.water;
        flat.live(&mut drying);
        total += before - flat.water;
        lost.push(total);
        if flat.fraction() < 0.45 {
            flat.water_to(0.9, &mut drying);
        }
        let minute = lost.len() - 1;
        if minute >= 2 * per_day && minute % 180 == 0 {
            let span = Span::from_seconds(hours * 3600.0);
            let loss = drying.loss(flat.now(), of_day(flat.hour), span, None).expect("two days are known");
            open.push((minute as f64, loss.expected.get(), loss.error.get(), 0.0));
        }
    }
    let ahead = (hours * 60.0) as usize;
    for (minute, ours, error, _) in open {
        let minute = minute as usize;
        let Some(end) = lost.get(minute + ahead) else { continue };
        let used = |from: usize, to: usize| lost[to] - lost[from];
        let yesterday = minute - per_day;
        cases.push(Case {
            actual: end - lost[minute],
            ours,
            error,
            yesterday: used(yesterday, yesterday + ahead.min(per_day)) * (ahead as f64 / per_day as f64).max(1.0),
            mean: used(yesterday, minute) * hours / 24.0,
            well_weighed: true,
        });
    }
    cases
}

#[test]
fn a_growing_flat_under_lamps_is_forecast_better_than_by_either_simple_rule() {
    for (hours, bound) in [(6.0, 0.06), (24.0, 0.05), (48.0, 0.08)] {
        let cases: Vec<Case> = (1..=6).flat_map(|seed| forecasts(Flat::new(24.0, 0.03, seed), 16.0, hours)).collect();
        let ours = skill(&cases, |case| case.ours);
        let yesterday = skill(&cases, |case| case.yesterday);
        let mean = skill(&cases, |case| case.mean);
        println!("{hours} h: {ours:?}\n  yesterday {yesterday:?}\n  mean {mean:?}\n  in range {}", coverage(&cases));
        assert!(ours.median <= bound, "{hours} h: {ours:?}");
        assert!(ours.median < yesterday.median, "{hours} h: {ours:?} against {yesterday:?}");
        assert!(ours.median < mean.median, "{hours} h: {ours:?} against {mean:?}");
    }
}

#[test]
fn when_days_differ_by_chance_the_range_holds_and_the_forecast_is_not_much_worse_than_yesterday() {
    let flat = |seed| Flat { weather: 0.06, ..Flat::new(24.0, 0.02, seed) };
    let cases: Vec<Case> = (1..=12).flat_map(|seed| forecasts(flat(seed), 30.0, 24.0)).collect();
    let (ours, yesterday) = (skill(&cases, |case| case.ours), skill(&cases, |case| case.yesterday));
    let inside = coverage(&cases);
    println!("ours {ours:?}\nyesterday {yesterday:?}\nin range {inside}");
    assert!(ours.median < 1.25 * yesterday.median, "{ours:?} against {yesterday:?}");
    assert!(ours.bias_mean.abs() < 0.03, "{ours:?}");
    assert!((0.70..=0.90).contains(&inside), "{inside}");
}

#[test]
fn after_thinning_the_forecast_finds_the_new_level_within_half_a_day() {
    let (mut flat, mut drying) = fed_days(3.0, 0.0);
    drying.interrupted(flat.now(), Span::minutes(5));
    flat.lit *= 0.6;
    flat.water = 0.9 * BAND;
    for _ in 0..12 * 60 {
        flat.live(&mut drying);
    }
    let loss = drying.loss(flat.now(), of_day(flat.hour), Span::hours(24), None).expect("known").expected.get();
    let truth = 0.6 * (16.0 * 15.0 + 8.0 * 5.0);
    assert!((loss - truth).abs() < 0.15 * truth, "{loss} against {truth}");
}

#[test]
fn a_flat_that_never_slows_gets_no_knee_in_sixty_days() {
    for (seed, weather) in [(1, 0.0), (2, 0.03), (3, 0.05), (4, 0.05), (5, 0.08)] {
        let mut flat = Flat { weather, ..Flat::new(18.0, 0.0, seed) };
        let mut drying = banded();
        for minute in 0..60 * 24 * 60 {
            flat.live(&mut drying);
            if flat.fraction() < 0.12 {
                flat.water_to(0.9, &mut drying);
            }
            if minute % 360 == 0 {
                assert_eq!(drying.knee(), None, "seed {seed}, day {}", minute / 1440);
            }
        }
    }
}

#[test]
fn a_knee_is_learned_within_two_dry_downs_and_makes_the_forecast_of_low_better() {
    for seed in 1..=4 {
        let mut flat = Flat { knee: Some(0.35), weather: 0.03, ..Flat::new(18.0, 0.01, seed) };
        let (mut drying, mut plain) = (banded(), Drying::new());
        for _ in 0..2 {
            while flat.fraction() > 0.10 {
                flat.live(&mut drying);
                plain.weighed(Grams::new(DRY + flat.water), flat.now(), of_day(flat.hour));
            }
            flat.water_to(0.9, &mut drying);
            plain.interrupted(flat.now(), Span::minutes(45));
        }
        let knee = drying.knee().expect("it was seen twice").get();
        assert!((knee - 0.35).abs() <= 0.08, "seed {seed}: {knee}");
        while flat.fraction() > 0.40 {
            flat.live(&mut drying);
            plain.weighed(Grams::new(DRY + flat.water), flat.now(), of_day(flat.hour));
        }
        let ask = |drying: &Drying| {
            let (water, low) = (Grams::new(flat.water), Grams::new(0.15 * BAND));
            let found = drying.reaches(flat.now(), of_day(flat.hour), water, low, Grams::new(BAND));
            found.expect("within days").at.wall.millis() as f64 / 3.6e6 - flat.hour
        };
        let (with, without) = (ask(&drying), ask(&plain));
        let start = flat.hour;
        let mut unused = Drying::new();
        while flat.fraction() > 0.15 {
            flat.live(&mut unused);
        }
        let truth = flat.hour - start;
        println!("seed {seed}: knee {knee:.2}, low in {truth:.1} h, with knee {with:.1}, without {without:.1}");
        assert!((with - truth).abs() < (without - truth).abs(), "{truth}: {with} against {without}");
        assert!((with - truth).abs() < 0.15 * truth, "{truth}: {with}");
    }
}

fn fed_days(days: f64, growth: f64) -> (Flat, Drying) {
    let mut flat = Flat::new(15.0, growth, 7);
    let mut drying = banded();
    while flat.hour < 9.0 + 24.0 * days {
        flat.live(&mut drying);
    }
    (flat, drying)
}

#[test]
fn the_rate_of_a_day_comes_through_noise_and_swing() {
    let (flat, drying) = fed_days(3.0, 0.0);
    let rate = drying.rate(flat.now(), of_day(flat.hour)).expect("three days are known");
    // 16 h at 15 g/h and 8 h at a third of that.
    let truth = (16.0 * 15.0 + 8.0 * 5.0) / 24.0;
    assert!((rate.per_hour.get() - truth).abs() < 0.15, "{rate:?} against {truth}");
    assert!(rate.error.get() < 0.2, "{rate:?}");
    let lost = drying.lost_in_last(Span::hours(24), flat.now()).expect("wholly seen").get();
    assert!((lost - 24.0 * truth).abs() < 4.0, "{lost}");
}

#[test]
fn two_flats_are_held_side_by_side_over_the_hours_that_both_know() {
    let ((flat, drying), (_, stopped), (_, long_ago)) = (fed_days(3.0, 0.0), fed_days(2.0, 0.0), fed_days(0.5, 0.0));
    let (own, other, hours) = drying.beside(&stopped, flat.now());
    let truth = (16.0 * 15.0 + 8.0 * 5.0) / 24.0;
    assert!((21..=25).contains(&hours), "the first of its last two days: {hours}");
    for lost in [own.get(), other.get()] {
        assert!((lost - f64::from(hours) * truth).abs() < 15.0, "{lost} in {hours} h");
    }
    assert!((44..=48).contains(&drying.beside(&drying, flat.now()).2));
    assert_eq!(drying.beside(&long_ago, flat.now()).2, 0);
}

#[test]
fn a_flat_under_a_dome_loses_next_to_nothing() {
    let mut flat = Flat::new(0.0, 0.0, 3);
    let mut drying = Drying::new();
    while flat.hour < 9.0 + 60.0 {
        flat.live(&mut drying);
    }
    let lost = drying.lost_in_last(Span::hours(24), flat.now()).expect("wholly seen").get();
    assert!(lost.abs() < 3.0, "{lost}");
    assert!(drying.rate(flat.now(), of_day(flat.hour)).expect("known").per_hour.get() < 0.25);
}

#[test]
fn little_is_said_of_a_flat_that_is_new_and_with_a_wide_range() {
    let (flat, drying) = fed_days(0.15, 0.0);
    assert!(drying.rate(flat.now(), of_day(flat.hour)).is_none());
    assert!(drying.loss(flat.now(), of_day(flat.hour), Span::hours(24), None).is_none());
    let (flat, drying) = fed_days(0.5, 0.0);
    let half = drying.loss(flat.now(), of_day(flat.hour), Span::hours(24), None).expect("12 h are known");
    let (flat, drying) = fed_days(3.0, 0.0);
    let full = drying.loss(flat.now(), of_day(flat.hour), Span::hours(24), None).expect("3 days are known");
    assert!(half.error.get() / half.expected.get() > 2.0 * full.error.get() / full.expected.get());
}

#[test]
fn a_watering_is_no_gain_and_what_drains_is_no_drying() {
    let (mut flat, mut drying) = fed_days(2.0, 0.0);
    let before = drying.rate(flat.now(), of_day(flat.hour)).expect("known").per_hour.get();
    flat.water_to(0.9, &mut drying);
    let mut draining = 60.0;
    for _ in 0..240 {
        flat.minute();
        draining *= 0.9;
        let weight = flat.shown() + Grams::new(draining);
        drying.weighed(weight, flat.now(), of_day(flat.hour));
    }
    let after = drying.rate(flat.now(), of_day(flat.hour)).expect("known").per_hour.get();
    assert!((after - before).abs() < 0.03 * before, "{before} then {after}");
    assert!(drying.lost_in_last(Span::hours(6), flat.now()).is_none(), "45 min of it were not seen");
}

#[test]
fn when_clocks_change_the_forecast_stays() {
    let (mut flat, mut drying) = fed_days(3.0, 0.0);
    let mut moved = drying.clone();
    for _ in 0..300 {
        flat.minute();
        let weight = flat.shown();
        drying.weighed(weight, flat.now(), of_day(flat.hour));
        moved.weighed(weight, flat.now(), of_day(flat.hour + 1.0));
    }
    let loss = |drying: &Drying, hour: f64| {
        drying.loss(flat.now(), of_day(hour), Span::hours(24), None).expect("known").expected.get()
    };
    let (same, changed) = (loss(&drying, flat.hour), loss(&moved, flat.hour + 1.0));
    assert!((same - changed).abs() < 0.02 * same, "{same} and {changed}");
}

#[test]
fn what_is_kept_survives_a_restart_with_another_monotonic_clock() {
    let (mut flat, mut drying) = fed_days(2.5, 0.02);
    let text = serde_json::to_string(&drying).expect("it can be written");
    let mut again: Drying = serde_json::from_str(&text).expect("it can be read");
    for _ in 0..600 {
        flat.minute();
        let weight = flat.shown();
        drying.weighed(weight, flat.now(), of_day(flat.hour));
        let mut other = flat.now();
        other.mono = tarewell::moment::Mono::from_millis(other.mono.millis() - 1_000_000_007);
        again.weighed(weight, other, of_day(flat.hour));
    }
    let span = Span::hours(30);
    let (one, two) = (drying.lost_in_last(span, flat.now()), {
        let mut other = flat.now();
        other.mono = tarewell::moment::Mono::from_millis(other.mono.millis() - 1_000_000_007);
        again.lost_in_last(span, other)
    });
    let (one, two) = (one.expect("seen").get(), two.expect("seen").get());
    assert!((one - two).abs() < 0.5, "{one} and {two}");
    assert!(text.len() < 2500, "{} bytes of text", text.len());
    assert!(std::mem::size_of::<Drying>() <= 720, "{} bytes", std::mem::size_of::<Drying>());
}

#[test]
fn a_silent_stand_leaves_hours_unknown_that_come_back_from_what_is_usual() {
    let (mut flat, mut drying) = fed_days(4.0, 0.0);
    drying.interrupted(flat.now(), Span::ZERO);
    for _ in 0..60 * 60 {
        flat.minute();
    }
    flat.water = 0.9 * BAND;
    for _ in 0..7 * 60 {
        flat.live(&mut drying);
    }
    assert_eq!(drying.known_hours(), 7);
    let loss = drying.loss(flat.now(), of_day(flat.hour), Span::hours(24), None).expect("usual hours are known");
    let truth = 16.0 * 15.0 + 8.0 * 5.0;
    assert!((loss.expected.get() - truth).abs() < 0.15 * truth, "{loss:?} against {truth}");
    assert!(loss.error.get() > 0.2 * truth, "{loss:?}");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    #[test]
    fn early_at_and_late_are_in_order_and_lower_levels_come_later(
        weights in prop::collection::vec((0.0f64..4000.0, 1i64..5_000), 1..120),
        gaps in prop::collection::vec(0usize..120, 0..6),
        water in -200.0f64..3000.0,
        levels in (-500.0f64..2000.0, -500.0f64..2000.0),
        local in -30.0f64..30.0,
    ) {
        let mut drying = banded();
        let mut seconds = 0;
        for (place, (weight, wait)) in weights.iter().enumerate() {
            seconds += wait;
            let at = Moment::recorded(Wall::from_millis(seconds * 1000));
            if gaps.contains(&place) {
                drying.interrupted(at, Span::minutes(30));
            }
            drying.weighed(Grams::new(*weight), at, local + seconds as f64 / 3600.0);
        }
        let at = Moment::recorded(Wall::from_millis(seconds * 1000));
        let ask = |until: f64| drying.reaches(at, local, Grams::new(water), Grams::new(until), Grams::new(BAND));
        let (high, low) = (levels.0.max(levels.1), levels.0.min(levels.1));
        for found in [ask(high), ask(low)].into_iter().flatten() {
            prop_assert!(found.early.wall <= found.at.wall && found.at.wall <= found.late.wall);
            prop_assert!(found.early.wall >= at.wall);
        }
        if let (Some(high), Some(low)) = (ask(high), ask(low)) {
            prop_assert!(high.at.wall <= low.at.wall && high.early.wall <= low.early.wall);
            prop_assert!(high.late.wall <= low.late.wall);
        }
        let held = Some(Water { above_dry: Grams::new(water), band: Grams::new(BAND) });
        for span in [0, 5, 24, 200] {
            if let Some(loss) = drying.loss(at, local, Span::hours(span), held) {
                prop_assert!(loss.expected.get().is_finite() && loss.expected.get() >= 0.0);
                prop_assert!(loss.error.get().is_finite() && loss.error.get() >= 0.0);
            }
        }
        if let Some(rate) = drying.rate(at, local) {
            prop_assert!(rate.per_hour.get().is_finite() && rate.per_hour.get() >= 0.0);
        }
    }
}

#[test]
fn real_pots_are_forecast_within_the_bounds() {
    // Whole pots of a public recording, all of them of the half that nothing was fitted on; see tests/data/README.md.
    let pots = read(include_str!("../data/pots_excerpt.csv")).expect("the excerpt can be read");
    let cases: Vec<Case> = pots.values().flat_map(|pot| measure(pot, 24.0, Fed::Believed)).collect();
    let ours = skill(&cases, |case| case.ours);
    let yesterday = skill(&cases, |case| case.yesterday);
    println!("{} origins, ours {ours:?}, in range {}\nyesterday {yesterday:?}", cases.len(), coverage(&cases));
    assert!(cases.len() >= 60, "{}", cases.len());
    assert!(ours.median <= 0.07 && ours.ninth_tenth <= 0.18, "{ours:?}");
    assert!(ours.bias_mean.abs() <= 0.04 && ours.bias_median.abs() <= 0.04, "{ours:?}");
    assert!(ours.median < yesterday.median, "{ours:?} against {yesterday:?}");
    let well: Vec<Case> = cases.iter().filter(|case| case.well_weighed).copied().collect();
    assert!(well.len() >= 50 && skill(&well, |case| case.ours).median <= 0.06);
    let raw: Vec<Case> = pots.values().flat_map(|pot| measure(pot, 24.0, Fed::RawFiltered)).collect();
    assert!(skill(&raw, |case| case.ours).median <= 0.07, "{:?}", skill(&raw, |case| case.ours));
}

#[test]
fn under_weather_that_changes_the_ranges_hold_and_the_forecast_keeps_up_with_yesterday() {
    let of = |weather| house::pots(weather, 1).iter().flat_map(|pot| measure(pot, 24.0, Fed::Believed)).collect();
    let mut all: Vec<Case> = Vec::new();
    for weather in house::Weather::ALL {
        let cases: Vec<Case> = of(weather);
        let (ours, yesterday) = (skill(&cases, |case| case.ours), skill(&cases, |case| case.yesterday));
        println!(
            "{}: {} origins, {ours:?}, in range {}; yesterday {yesterday:?}",
            weather.words(),
            cases.len(),
            coverage(&cases)
        );
        assert!(ours.bias_mean.abs() < 0.10, "{}: {ours:?}", weather.words());
        all.extend(cases);
    }
    let (ours, yesterday) = (skill(&all, |case| case.ours), skill(&all, |case| case.yesterday));
    let inside = coverage(&all);
    assert!((0.70..=0.88).contains(&inside), "{inside}");
    assert!(ours.ninth_tenth < 1.1 * yesterday.ninth_tenth, "{ours:?} against {yesterday:?}");
    assert!(ours.median < 1.4 * yesterday.median, "{ours:?} against {yesterday:?}");
}

#[test]
fn the_measure_itself_is_right() {
    assert!((median(&[3.0, 1.0, 2.0]) - 2.0).abs() < 1e-12);
    assert!((quantile(&[0.0, 10.0], 0.9) - 9.0).abs() < 1e-12);
    let case = Case { actual: 2.0, ours: 3.0, error: 1.0, yesterday: 1.0, mean: 2.0, well_weighed: true };
    assert!((skill(&[case], |case| case.ours).bias_mean - 0.5).abs() < 1e-12);
    assert!((coverage(&[case]) - 1.0).abs() < 1e-12);
}
