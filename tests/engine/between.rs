//! Between two weighings: by the clock, by the best leader there is, and by a flat that speaks for another.

use crate::bases::{BEET, CHARD, FENNEL, House, LEEKS, LEEKS_TOO, OWN, SCALE};
use tarewell::moment::Span;
use tarewell::site::{Command, Input, Part, Plan, Subject};
use tarewell::stand::StandSettings;

impl House {
    fn error(&self, flat: usize) -> f64 {
        self.of_flat(flat, "fraction_error").as_f64().unwrap_or(f64::NAN)
    }

    fn is_asked_for(&self, flat: usize) -> bool {
        self.site.alerts().any(|(kind, of)| kind.name() == "weigh-due" && of == Subject::Flat(flat))
    }
}

/// Nothing is on a stand: a kitchen scale alone.
#[test]
fn a_flat_weighed_by_hand_stays_known_for_two_days_and_a_half() {
    for (weight, known_for) in [(2950.0, 26.0), (2600.0, 60.0), (2500.0, 60.0)] {
        let mut house = House::new();
        house.typed(CHARD, weight).unwrap();
        let (mut before, mut hours) = (0.0, 0.0);
        while house.of_flat(CHARD, "condition") != "unknown" {
            let error = house.error(CHARD);
            assert!(error <= 0.15, "{error}");
            assert!(hours < 20.0 || error > 0.02, "{hours} h: ±{error}");
            before = error;
            house.wait(1800.0);
            hours += 0.5;
        }
        assert!(hours >= known_for && hours <= 60.5, "{weight} g: {hours} h, ±{before}");
    }
}

#[test]
fn once_one_interval_was_seen_even_a_full_flat_stays_known_until_it_has_to_be_weighed() {
    // Half and one and a half times as fast as usual: of a band of 1,000 g, about 0.9 % an hour.
    for per_hour in [5.0, 9.0, 13.0] {
        let mut house = House::new();
        house.typed(CHARD, 2990.0).unwrap();
        house.wait(30.0 * 3600.0);
        house.typed(CHARD, 2990.0 - per_hour * 30.0).unwrap();
        house
            .flat(CHARD, Command::Watered { volume: tarewell::units::Millilitres::new(50.0), at: None, sure: false })
            .unwrap();
        house.typed(CHARD, 2950.0).unwrap();
        let mut truth = 2950.0;
        for hour in 1..=59 {
            house.wait(3600.0);
            truth -= per_hour * ((truth - 2000.0) / 350.0_f64).min(1.0);
            let (known, off) = (house.fraction(CHARD), (truth - 2000.0) / 1000.0);
            if hour < 55 || per_hour < 13.0 {
                assert!(
                    (known - off).abs() <= 2.0 * house.error(CHARD) + 0.01,
                    "{per_hour} g/h, {hour} h: {known} for {off}"
                );
            }
            let is_listed = house.site.digest().text.contains("To weigh by tomorrow: Chard.");
            assert!(is_listed == (hour > 36) || hour > 1 && is_listed, "{hour} h: {}", house.site.digest().text);
            assert!(!house.is_asked_for(CHARD), "{hour} h");
        }
    }
}

#[test]
fn who_weighs_every_other_day_without_any_stand_knows_the_flat_after_the_first_rounds() {
    let mut house = House::new();
    let mut truth = 2800.0;
    house.typed(CHARD, truth).unwrap();
    let mut worst: f64 = 0.0;
    for day in 0..16 {
        for _ in 0..24 {
            house.wait(3600.0);
            truth -= 12.0 * ((truth - 2000.0) / 350.0_f64).min(1.0);
            if day >= 4 {
                worst = worst.max((house.fraction(CHARD) - (truth - 2000.0) / 1000.0).abs());
            }
        }
        if day % 2 == 1 {
            house.typed(CHARD, truth).unwrap();
            house.wait(60.0);
            truth = 2850.0;
            house.typed(CHARD, truth).unwrap();
        }
    }
    assert!(worst < 0.10, "{worst}");
}

#[test]
fn check_every_is_asked_for_at_its_time_and_not_before() {
    let mut plan = crate::bases::plan();
    plan.flats[CHARD].1.check_every = Some(Span::hours(20));
    let mut house = House::of(plan);
    house.typed(CHARD, 2600.0).unwrap();
    house.wait(19.9 * 3600.0);
    assert!(!house.is_asked_for(CHARD) && house.of_flat(CHARD, "condition") == "moist");
    house.wait(0.2 * 3600.0);
    assert!(house.is_asked_for(CHARD) && house.of_flat(CHARD, "condition") == "unknown");
}

#[test]
fn a_flat_on_a_stand_leads_another_as_soon_as_it_is_there() {
    let mut house = House::new();
    house.typed(CHARD, 2800.0).unwrap();
    house.wait(6.0 * 3600.0);
    let (by_clock, unsure) = (house.fraction(CHARD), house.error(CHARD));
    house.reads(OWN, 2900.0, 20);
    house.dries(OWN, 2900.0, 2.0, 1);
    assert!((house.fraction(CHARD) - by_clock).abs() < 0.01, "what it has lost stays lost: {}", house.fraction(CHARD));
    let before = house.fraction(CHARD);
    // It dries hardly at all; the clock would have lost about 0.1 in half a day.
    house.dries(OWN, 2898.0, 1.0, 12);
    assert!((before - house.fraction(CHARD) - 0.012).abs() < 0.006, "{before} {}", house.fraction(CHARD));
    assert!(house.error(CHARD) < unsure + 0.02, "±{}", house.error(CHARD));
    house.restart(60.0);
    house.wait(60.0);
    assert!((before - house.fraction(CHARD) - 0.012).abs() < 0.008, "{before} {}", house.fraction(CHARD));
    // The leader goes: by the clock again, from there.
    let before = house.fraction(CHARD);
    house.flat(LEEKS, Command::Move { stand: None }).unwrap();
    house.wait(6.0 * 3600.0);
    assert!((before - house.fraction(CHARD) - 0.052).abs() < 0.02, "{before} {}", house.fraction(CHARD));
}

#[test]
fn what_a_flat_weighed_itself_goes_before_what_another_says_of_it() {
    let mut house = House::new();
    // Nothing is known of the one that speaks for it yet.
    house.typed(LEEKS_TOO, 2450.0).unwrap();
    house.wait(120.0);
    assert!((house.fraction(LEEKS_TOO) - 0.45).abs() < 0.002);
    house.reads(OWN, 2700.0, 20);
    house.wait(61.0);
    assert!((house.fraction(LEEKS_TOO) - 0.45).abs() < 0.002, "{}", house.fraction(LEEKS_TOO));
    assert_eq!(house.of_flat(LEEKS_TOO, "basis"), "typed");
    assert!(house.error(LEEKS_TOO) < 0.02, "±{}", house.error(LEEKS_TOO));
    // From there on it follows the other's course.
    let leeks = house.dries(OWN, 2700.0, 10.0, 10);
    assert_eq!(house.of_flat(LEEKS_TOO, "basis"), "sample");
    house.wait(61.0);
    let expected = 0.45 - (2700.0 - leeks) / 1000.0;
    assert!((house.fraction(LEEKS_TOO) - expected).abs() < 0.01, "{} for {expected}", house.fraction(LEEKS_TOO));
    // Also when that is watered.
    house.reads(OWN, leeks + 200.0, 600);
    assert!((house.fraction(LEEKS_TOO) - expected - 0.2).abs() < 0.01, "{}", house.fraction(LEEKS_TOO));
}

#[test]
fn a_flat_that_another_speaks_for_is_spoken_for_at_once() {
    let mut house = House::new();
    house.reads(OWN, 2600.0, 8);
    assert!((house.fraction(LEEKS) - 0.6).abs() < 0.001);
    assert!((house.fraction(LEEKS_TOO) - 0.6).abs() < 0.001, "{}", house.state(Subject::Flat(LEEKS_TOO)));
    assert!(!house.of_flat(LEEKS_TOO, "advice").as_str().unwrap().contains("No weight yet"));
    house.reads(OWN, 2700.0, 10);
    assert!((house.fraction(LEEKS_TOO) - house.fraction(LEEKS)).abs() < 0.02, "{}", house.fraction(LEEKS_TOO));
}

/// Leeks and beet on stands, drying by 10 g/h; what is watered by hand there is told by its weight.
struct Bench {
    house: House,
    stands: Vec<(usize, f64)>,
}

const OTHER: usize = SCALE + 1;

impl Bench {
    fn new(stands: &[usize]) -> Self {
        let mut plan: Plan = crate::bases::plan();
        plan.stands.push(("other".to_owned(), StandSettings::default()));
        plan.flats[BEET].1.stand = stands.contains(&OTHER).then_some(OTHER);
        Self { house: House::of(plan), stands: stands.iter().map(|stand| (*stand, 2950.0)).collect() }
    }

    /// The site is told a weight of flats that dry half as fast again as those on stands, before and after half a day.
    fn half_a_day(&mut self, faster: &[usize]) {
        faster.iter().for_each(|flat| drop(self.house.typed(*flat, 2900.0).unwrap()));
        self.hours(12);
        faster.iter().for_each(|flat| drop(self.house.typed(*flat, 2900.0 - 12.0 * 15.0).unwrap()));
    }

    fn hours(&mut self, hours: u32) {
        for _ in 0..hours * 60 {
            for (stand, weight) in &mut self.stands {
                *weight -= 10.0 / 60.0;
                let value = Ok(*weight);
                self.house.handle(Input::Reading { stand: *stand, part: Part::Whole, value, retained: false });
            }
            self.house.wait(60.0);
        }
    }
}

#[test]
fn what_others_of_its_fill_have_shown_is_expected_of_a_flat_that_was_weighed_once() {
    for has_kin in [false, true] {
        let mut bench = Bench::new(&[OWN]);
        bench.hours(1);
        let others: &[usize] = if has_kin { &[CHARD, BEET] } else { &[] };
        (0..3).for_each(|_| bench.half_a_day(others));
        bench.house.typed(FENNEL, 2900.0).unwrap();
        let fennel = |bench: &Bench| (bench.house.fraction(FENNEL), bench.house.error(FENNEL));
        bench.hours(12);
        let (known, error) = fennel(&bench);
        if !has_kin {
            assert!((known - 0.78).abs() < 0.01 && error > 0.05, "as its leader: {known} ±{error}");
            continue;
        }
        assert!((known - 0.72).abs() < 0.015 && error < 0.045, "as its kin: {known} ±{error}");
        bench.house.restart(0.0);
        assert_eq!(fennel(&bench), (known, error), "over a restart, too");
        // What it shows itself counts more.
        bench.house.typed(FENNEL, 2780.0).unwrap();
        bench.hours(12);
        let lost = 0.78 - bench.house.fraction(FENNEL);
        assert!(lost > 0.12 && lost < 0.15, "{lost}");
    }
}

#[test]
fn what_a_flat_has_shown_counts_against_its_next_leader() {
    let mut bench = Bench::new(&[OWN, OTHER]);
    bench.hours(1);
    (0..3).for_each(|_| bench.half_a_day(&[CHARD]));
    bench.house.typed(CHARD, 2900.0).unwrap();
    // Beet is of its fill; the leeks are what is left.
    bench.house.flat(BEET, Command::Move { stand: None }).unwrap();
    bench.stands.pop();
    bench.hours(12);
    let known = bench.house.fraction(CHARD);
    assert!(known > 0.72 && known < 0.75, "as its leader it were at 0.78: {known}");
    bench.house.restart(0.0);
    assert_eq!(bench.house.fraction(CHARD), known, "over a restart, too");
}

#[test]
fn what_a_leader_lost_while_nothing_was_heard_is_lost_by_the_flats_it_leads() {
    for silent in [true, false] {
        let mut house = House::new();
        house.reads(OWN, 2900.0, 60);
        house.typed(FENNEL, 2900.0).unwrap();
        // By night it loses less; the program, or its stand, is gone over the day.
        let weight = house.dries(OWN, 2900.0, 5.0, 12);
        if silent {
            house.wait(10.0 * 3600.0);
        } else {
            house.crash(10.0 * 3600.0);
        }
        let after = weight - 200.0;
        house.reads(OWN, after, 1200);
        let lost = (2900.0 - after) / 1000.0;
        let is = house.fraction(FENNEL);
        assert!((is - (0.9 - lost)).abs() < 0.01, "silent {silent}: {is}, {}", 0.9 - lost);
    }
}
