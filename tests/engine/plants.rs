//! Plants that grow unseen: how far the fraction is off over sixty days, with what soaks tell of them and without.
//!
//! The crop here is a small model of its own (mass balance and constants of the project's notes on simulator physics,
//! section 6): 92 % of what plants gain comes out of the mix, and the true fraction is (mix water − residual) /
//! (capacity − residual). The site sees readings alone; a person waters when it says that a watering is due, and soaks
//! the flat every ten days.

use crate::bench::order;
use crate::recording::Random;
use proptest::prelude::*;
use std::sync::Arc;
use tarewell::alert::Kind;
use tarewell::flat::{FlatSettings, SomeLimits};
use tarewell::moment::{Moment, Span, Wall, Zone};
use tarewell::site::{Command, Happening, Input, Output, Part, Plan, Saved, Set, Site, Subject};
use tarewell::stand::StandSettings;
use tarewell::units::{Fraction, Grams, Words};

/// A Monday in March, midnight UTC.
const START: Wall = Wall::from_millis(1_773_014_400_000);
const DAY: f64 = 86_400.0;
/// A 1020 tray, m².
const AREA: f64 = 0.143;

fn at(seconds: f64) -> Moment {
    Moment::recorded(START + Span::from_seconds(seconds))
}

fn plan(dry: f64, band: f64) -> Arc<Plan> {
    let flat = FlatSettings {
        label: "Leeks".to_owned(),
        stand: Some(0),
        dry_weight: Some(Grams::new(dry)),
        capacity_weight: Some(Grams::new(dry + band)),
        ..FlatSettings::default()
    };
    let limits = SomeLimits { target: Some(Fraction::new(0.7)), ..SomeLimits::default() };
    Arc::new(Plan {
        name: "Test".to_owned(),
        zone: Zone::named("Etc/UTC").unwrap(),
        words: Words::Metric,
        base_topic: "t".to_owned(),
        fills: Vec::new(),
        stands: vec![("a".to_owned(), StandSettings::default())],
        flats: vec![("x".to_owned(), FlatSettings { limits: flat.limits.with(&limits), ..flat })],
        valves: Vec::new(),
        supplies: Vec::new(),
    })
}

/// Fresh mass by day.
#[derive(Debug, Clone, Copy)]
enum Curve {
    /// Goudriaan & Monteith 1990 (from memory): g/m² and day, per day, day.
    Expolinear { cm: f64, rm: f64, tb: f64 },
    /// dF/dt = r F (1 − F/most), from 1 g.
    Logistic { r: f64, most: f64 },
    /// most · exp(−exp(−k (t − t0))), no form that the engine knows.
    Gompertz { most: f64, k: f64, t0: f64 },
    /// Nothing came up.
    Bare,
}

impl Curve {
    fn mass(self, day: f64) -> f64 {
        match self {
            Self::Expolinear { cm, rm, tb } => AREA * cm / rm * (rm * (day - tb)).exp().ln_1p(),
            Self::Logistic { r, most } => most / (1.0 + (most - 1.0) * (-r * day).exp()),
            Self::Gompertz { most, k, t0 } => most * (-(-k * (day - t0)).exp()).exp(),
            Self::Bare => 0.0,
        }
    }
}

/// The crop and its tray; grams.
#[derive(Debug)]
struct Tray {
    curve: Curve,
    random: Random,
    dry: f64,
    band: f64,
    /// Above the residual.
    water: f64,
    /// What this soak holds; soaks differ a little.
    holds: f64,
    plants: f64,
    seconds: f64,
}

impl Tray {
    fn weight(&self) -> f64 {
        // What the plants took up of the mix's water is in them now, with 8 % out of the air.
        self.dry + self.water + self.plants
    }

    fn pass(&mut self, seconds: f64) {
        let hour = (self.seconds / 3600.0) % 24.0;
        let evaporation = if (6.0..22.0).contains(&hour) { 0.17 } else { 0.035 };
        let share = self.water / self.band;
        let cover = 1.0 - (-self.plants / AREA / 150.0).exp();
        let of_mix = (share / 0.6).clamp(0.0, 1.0).powf(1.5);
        let of_plants = (share / 0.35).clamp(0.0, 1.0);
        let lost = evaporation * AREA / 3.6 * ((1.0 - cover) * of_mix + 1.1 * cover * of_plants);
        self.water -= lost * seconds;
        self.seconds += seconds;
        let grown = self.curve.mass(self.seconds / DAY) - self.plants;
        self.plants += grown;
        self.water -= 0.92 * grown;
        // What is above capacity drips off and away, with a time constant of 180 s.
        self.water -= (self.water - self.holds).max(0.0) * (1.0 - (-seconds / 180.0).exp());
    }
}

/// A season of one crop.
struct Season {
    site: Site,
    tray: Tray,
    every: f64,
    alerts: Vec<(f64, Kind)>,
    recorded: Vec<(f64, f64)>,
}

#[derive(Debug)]
struct Errors {
    with: f64,
    worst: f64,
    without: f64,
    waterings: u32,
    /// Share of hours in which the truth lay within two standard errors.
    covered: f64,
    alerts: Vec<(f64, Kind)>,
}

impl Season {
    fn new(curve: Curve, dry: f64, band: f64, seed: u64) -> Self {
        let mut random = Random::new(seed);
        let holds = band * (1.0 + 0.004 * random.normal());
        let tray = Tray { curve, random, dry, band, water: 0.6 * band, holds, plants: curve.mass(0.0), seconds: 0.0 };
        // What stood there at the start counts as part of the dry weight.
        let tray = Tray { dry: tray.dry - tray.plants, ..tray };
        let site = Site::new(plan(dry, band), &Saved::default(), at(0.0));
        Self { site, tray, every: 300.0, alerts: Vec::new(), recorded: Vec::new() }
    }

    fn step(&mut self) {
        let mut left = self.every;
        while left > 0.0 {
            let step = left.min(60.0);
            self.tray.pass(step);
            left -= step;
        }
        let noise = 0.5 * self.tray.random.normal();
        let value = ((self.tray.weight() + noise) * 10.0).round() / 10.0;
        let reading = Input::Reading { stand: 0, part: Part::Whole, value: Ok(value), retained: false };
        self.handle(reading);
    }

    fn handle(&mut self, input: Input) {
        let now = at(self.tray.seconds);
        while let Some(wake) = self.site.next_wake().filter(|wake| wake.at < now.mono) {
            self.site.handle(Input::Tick, Moment::recorded(Wall::from_millis(wake.at.millis())));
            self.poll();
        }
        self.site.handle(input, now);
        self.poll();
    }

    fn poll(&mut self) {
        while let Some(output) = self.site.poll() {
            if let Output::Event(event) = output {
                let day = self.tray.seconds / DAY;
                match event.what {
                    Happening::AlertRaised { kind, .. } => self.alerts.push((day, kind)),
                    Happening::PlantsRecorded { to, .. } => self.recorded.push((day, to.get())),
                    _ => {}
                }
            }
        }
    }

    fn go_on(&mut self, seconds: f64) {
        let end = self.tray.seconds + seconds;
        while self.tray.seconds < end - 1.0 {
            self.step();
        }
    }

    /// Poured in one go, over twenty seconds.
    fn pour(&mut self, grams: f64) {
        self.every = 10.0;
        for _ in 0..2 {
            self.tray.water += grams / 2.0;
            self.step();
        }
        self.go_on(300.0);
        self.every = 60.0;
        self.go_on(1200.0);
        self.every = 300.0;
    }

    /// Three passes, then it drains away until the site has recorded it.
    fn soak(&mut self, share: f64) {
        let full = self.tray.band * (1.0 + 0.004 * self.tray.random.normal());
        self.tray.holds = full * share;
        self.handle(order(Subject::Flat(0), Command::RecordCapacity { now: false }));
        let lacks = (self.tray.holds - self.tray.water).max(0.0) + 300.0;
        self.every = 10.0;
        for _ in 0..3 {
            for _ in 0..3 {
                self.tray.water += lacks / 6.0;
                self.step();
            }
            self.go_on(90.0);
        }
        self.go_on(1800.0);
        self.every = 60.0;
        self.go_on(3600.0);
        self.every = 300.0;
        // More than that drips off by itself; what a watering does not wet it does not hold.
        self.tray.holds = full;
    }

    fn state(&self) -> (f64, f64, f64) {
        let state = self.site.flat_state(0).unwrap();
        (state.fraction.unwrap(), state.fraction_error.unwrap(), state.plant_mass_g)
    }

    fn is_due(&self) -> Option<f64> {
        let state = self.site.flat_state(0).unwrap();
        matches!(state.condition, "due" | "dry").then_some(state.to_target_ml).flatten()
    }

    fn run(&mut self, days: u32) -> Errors {
        let (mut with, mut without, mut worst, mut covered, mut hours, mut waterings) = (0.0, 0.0, 0.0_f64, 0, 0, 0);
        for hour in 0..days * 24 {
            let end = f64::from(hour + 1) * 3600.0;
            if hour % 240 == 10 {
                self.soak(1.0);
            }
            while self.tray.seconds < end - 1.0 {
                self.step();
            }
            let (fraction, error, _) = self.state();
            let truth = self.tray.water / self.tray.band;
            let off = fraction - truth;
            let uncorrected = (self.tray.weight() - self.tray.dry) / self.tray.band - truth;
            if hour > 12 {
                with += off.abs();
                without += uncorrected.abs();
                worst = worst.max(off.abs());
                covered += u32::from(off.abs() <= 2.0 * error);
                hours += 1;
            }
            if let Some(volume) = self.is_due().filter(|volume| *volume > 0.0) {
                self.pour(volume);
                waterings += 1;
            }
        }
        let mean = |sum: f64| sum / f64::from(hours);
        let covered = f64::from(covered) / f64::from(hours);
        Errors { with: mean(with), worst, without: mean(without), waterings, covered, alerts: self.alerts.clone() }
    }
}

const EXPOLINEAR: Curve = Curve::Expolinear { cm: 60.0, rm: 0.25, tb: 18.0 };

/// What an alert may say of a well-kept crop.
fn is_false(kind: Kind) -> bool {
    kind != Kind::DryOvernight
}

fn follows(name: &str, curve: Curve, dry: f64, band: f64) {
    for seed in 1..=2 {
        let mut season = Season::new(curve, dry, band, seed);
        let errors = season.run(60);
        let Errors { with, worst, without, waterings, covered, alerts } = &errors;
        println!(
            "{name}, seed {seed}: mean error {with:.4} (worst {worst:.3}) with, {without:.4} without; within 2 u {:.0} %; \
             {waterings} waterings; alerts {alerts:?}; recorded {:.0?}",
            covered * 100.0,
            season.recorded
        );
        assert!(errors.with <= 0.03, "{name}: {errors:?}");
        assert!(errors.without >= 3.0 * errors.with, "{name}: {errors:?}");
        // The error of the first capacity, 0.4 % of the band here, is in neither.
        assert!(errors.covered >= 0.7, "{name}: {errors:?}");
        assert_eq!(season.recorded.len(), 5, "{name}: {:?}", season.recorded);
        assert!(!errors.alerts.iter().any(|(_, kind)| is_false(*kind)), "{name}: {errors:?}");
    }
}

#[test]
fn the_fraction_follows_the_plants_of_a_tray() {
    // Tray and crop of the notes, section 6.
    follows("tray, 3000 g", EXPOLINEAR, 1300.0, 3000.0);
}

#[test]
fn the_fraction_follows_the_plants_of_72_cells() {
    follows("72 cells, 1600 g", EXPOLINEAR, 2900.0, 1600.0);
}

#[test]
fn the_fraction_follows_a_logistic_crop() {
    // The other crop of the notes, section 6.
    follows("logistic, 250 g", Curve::Logistic { r: 0.2, most: 250.0 }, 2900.0, 1600.0);
}

#[test]
fn the_fraction_follows_a_crop_of_no_form_it_knows() {
    follows("Gompertz, 300 g", Curve::Gompertz { most: 300.0, k: 0.08, t0: 25.0 }, 2900.0, 1600.0);
}

#[test]
fn a_bare_tray_gets_no_plants() {
    let mut season = Season::new(Curve::Bare, 2900.0, 1600.0, 3);
    let errors = season.run(40);
    println!("bare: mean error {:.4} (worst {:.3}); {:?}", errors.with, errors.worst, season.recorded);
    assert!(errors.with <= 0.01 && errors.worst <= 0.03, "{errors:?}");
    assert!(!errors.alerts.iter().any(|(_, kind)| is_false(*kind)), "{errors:?}");
}

#[test]
fn a_soak_that_ends_short_is_said_and_moves_nothing() {
    let mut season = Season::new(Curve::Bare, 2900.0, 1600.0, 4);
    season.go_on(10.0 * 3600.0);
    season.soak(1.0);
    season.go_on(1.5 * DAY);
    season.pour(600.0);
    season.go_on(2.0 * DAY);
    let band = |season: &Season| {
        let state = season.site.flat_state(0).unwrap();
        (state.dry_weight_g, state.capacity_weight_g, state.plant_mass_g)
    };
    let before = band(&season);
    season.soak(0.9);
    assert_eq!(band(&season), before);
    let raised: Vec<Kind> = season.alerts.iter().map(|(_, kind)| *kind).collect();
    assert_eq!(raised, [Kind::BandDoubtful]);
    let alert = season.site.alert_state(Kind::BandDoubtful, Subject::Flat(0)).unwrap();
    assert!(
        alert.text.contains("below the recorded capacity") && alert.text.contains("Soak it again"),
        "{}",
        alert.text
    );
    assert_eq!(alert.severity, "notice");
    // A soak that fits ends it.
    season.soak(1.0);
    season.go_on(1800.0);
    assert!(season.site.alert_state(Kind::BandDoubtful, Subject::Flat(0)).is_none());
    assert_eq!(season.recorded.len(), 1);
}

#[test]
fn a_soak_within_three_days_records_a_capacity_and_a_later_one_the_plants() {
    let mut season = Season::new(Curve::Bare, 2900.0, 1600.0, 5);
    season.go_on(3600.0);
    season.soak(0.9);
    let capacity = |season: &Season| season.site.flat_state(0).unwrap().capacity_weight_g.unwrap();
    assert!((capacity(&season) - (2900.0 + 0.9 * 1600.0)).abs() < 25.0, "{}", capacity(&season));
    season.go_on(2.0 * DAY);
    season.soak(1.0);
    let corrected = capacity(&season);
    assert!((corrected - 4500.0).abs() < 25.0, "{corrected}");
    season.go_on(3.1 * DAY);
    season.tray.plants += 100.0;
    season.tray.curve = Curve::Gompertz { most: 100.0, k: 1.0, t0: -100.0 };
    season.soak(1.0);
    assert!((capacity(&season) - corrected).abs() < 1e-9);
    let (_, _, plants) = season.state();
    assert!((plants - 100.0).abs() < 25.0, "{plants}");
    // Undone, and begun anew.
    season.handle(order(Subject::Flat(0), Command::Undo));
    assert!(season.state().2.abs() < 1e-9);
    assert!((capacity(&season) - corrected).abs() < 1e-9);
    season.handle(order(Subject::Flat(0), Command::ForgetBand));
    assert!((capacity(&season) - 4500.0).abs() < 1e-9);
}

#[test]
fn a_watering_taken_for_a_first_soak_does_not_halve_the_band() {
    let mut season = Season::new(Curve::Bare, 2900.0, 1600.0, 7);
    season.go_on(3600.0);
    season.soak(0.7);
    let state = season.site.flat_state(0).unwrap();
    assert_eq!(state.capacity_weight_g, Some(4500.0));
    let alert = season.site.alert_state(Kind::BandDoubtful, Subject::Flat(0)).unwrap();
    assert!(alert.text.contains("below the recorded capacity"), "{}", alert.text);
}

#[test]
fn undo_takes_back_what_was_done_last() {
    let told = |mass: Option<f64>| Command::Set(Set { plant_mass: Some(mass.map(Grams::new)), ..Set::default() });
    let mut season = Season::new(Curve::Bare, 2900.0, 1600.0, 8);
    season.go_on(3600.0);
    season.soak(1.0);
    season.go_on(4.0 * DAY);
    season.tray.plants += 100.0;
    season.tray.curve = Curve::Gompertz { most: 100.0, k: 1.0, t0: -100.0 };
    season.soak(1.0);
    let capacity = |season: &Season| season.site.flat_state(0).unwrap().capacity_weight_g.unwrap();
    let (recorded, (_, _, plants)) = (capacity(&season), season.state());
    assert!((plants - 100.0).abs() < 25.0, "{plants}");
    // A number by the grower, lower than what was known: undone, or taken out again.
    for back in [Command::Undo, told(None)] {
        season.handle(order(Subject::Flat(0), told(Some(30.0))));
        assert!((season.state().2 - 30.0).abs() < 1.0);
        season.handle(order(Subject::Flat(0), back));
        assert!((season.state().2 - plants).abs() < 5.0, "{} after {plants}", season.state().2);
    }
    // A soak that recorded nothing: its doubt goes, and no more.
    season.go_on(3.0 * DAY);
    season.soak(0.8);
    assert!(season.site.alert_state(Kind::BandDoubtful, Subject::Flat(0)).is_some());
    season.handle(order(Subject::Flat(0), Command::Undo));
    season.go_on(1800.0);
    assert!(season.site.alert_state(Kind::BandDoubtful, Subject::Flat(0)).is_none());
    assert!((capacity(&season) - recorded).abs() < 1e-9);
    let grown_on = season.state().2 - plants;
    assert!((0.0..150.0).contains(&grown_on), "for three days: {grown_on}");
}

#[test]
fn a_number_for_plants_that_cannot_be_is_refused() {
    let mut season = Season::new(Curve::Bare, 2900.0, 1600.0, 9);
    season.go_on(3600.0);
    let (fraction, _, _) = season.state();
    for mass in [-1.0, 1500.0, 5000.0] {
        let told = Set { plant_mass: Some(Some(Grams::new(mass))), ..Set::default() };
        season.handle(order(Subject::Flat(0), Command::Set(told)));
        assert_eq!(season.state().2, 0.0, "{mass}");
    }
    assert!((season.state().0 - fraction).abs() < 0.01);
}

#[test]
fn what_is_due_comes_sooner_with_plants_that_grow() {
    let due = |grows: bool| {
        let mut season = Season::new(EXPOLINEAR, 2900.0, 1600.0, 6);
        season.run(32);
        if !grows {
            season.handle(order(Subject::Flat(0), Command::ForgetBand));
        }
        let state = season.site.flat_state(0).unwrap();
        (state.due_at.clone(), state.fraction.unwrap(), state.target_weight_g.unwrap(), state.plant_mass_g)
    };
    let (with, without) = (due(true), due(false));
    assert!(with.1 < without.1 - 0.05, "{with:?} {without:?}");
    // The file's own band is within 0.4 % of the recorded one.
    assert!((with.2 - without.2 - with.3).abs() < 25.0, "{with:?} {without:?}");
    if let (Some(with), Some(without)) = (with.0, without.0) {
        assert!(with < without, "{with} {without}");
    }
}

/// What is done to a flat, and how many hours later.
#[derive(Debug, Clone)]
enum Doing {
    Weight(f64),
    Do(Command),
}

fn doing() -> impl Strategy<Value = (i64, Doing)> {
    let command = prop_oneof![
        2 => Just(Command::RecordCapacity { now: true }),
        1 => Just(Command::RecordDry),
        1 => Just(Command::ForgetBand),
        2 => Just(Command::Undo),
        2 => prop::option::of(0.0..1500.0_f64)
            .prop_map(|mass| Command::Set(Set { plant_mass: Some(mass.map(Grams::new)), ..Set::default() })),
    ];
    let doing = prop_oneof![
        3 => (2500.0..5200.0_f64).prop_map(Doing::Weight),
        2 => command.prop_map(Doing::Do),
    ];
    (0..200_i64, doing)
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(40) })]

    #[test]
    fn plants_stay_sound_whatever_is_done(doings in prop::collection::vec(doing(), 1..25)) {
        let mut site = Site::new(plan(2900.0, 1600.0), &Saved::default(), at(0.0));
        let mut seconds = 0.0;
        let mut weight = 3500.0;
        for (hours, doing) in doings {
            let mut before: Option<f64> = None;
            for step in 0..hours.max(1) {
                seconds += 3600.0;
                for reading in 0..4 {
                    let value = Input::Reading { stand: 0, part: Part::Whole, value: Ok(weight), retained: false };
                    site.handle(value, at(seconds + 30.0 * f64::from(reading)));
                    while site.poll().is_some() {}
                }
                let state = site.flat_state(0).unwrap();
                let (plants, band) = (state.plant_mass_g, state.capacity_weight_g.zip(state.dry_weight_g));
                let width = band.map_or(f64::INFINITY, |(capacity, dry)| capacity - dry);
                prop_assert!(plants >= 0.0 && plants.is_finite(), "{plants}");
                prop_assert!(state.fraction_error.is_none_or(f64::is_finite));
                // What is told may be more than a band that is recorded later.
                prop_assert!(step == 0 || before.is_none_or(|before| plants >= before), "{before:?} {plants} {width}");
                before = Some(plants);
            }
            match doing {
                Doing::Weight(to) => weight = to,
                Doing::Do(command) => {
                    let then = ends(&site);
                    let records =
                        matches!(command, Command::RecordCapacity { .. } | Command::RecordDry | Command::ForgetBand);
                    let depth = undoable(&site);
                    order_and_poll(&mut site, command, seconds + 200.0);
                    if records && undoable(&site) > depth {
                        order_and_poll(&mut site, Command::Undo, seconds + 201.0);
                        prop_assert_eq!(ends(&site), then);
                    }
                }
            }
        }
        // Taken up again from the store, it is the same.
        let fact = site.fact(Subject::Flat(0)).unwrap();
        let saved = Saved { facts: vec![fact.clone()], ..Saved::default() };
        let again = Site::new(plan(2900.0, 1600.0), &saved, at(seconds + 210.0));
        prop_assert_eq!(ends(&again), ends(&site));
    }
}

fn season(site: &Site) -> serde_json::Value {
    let fact = site.fact(Subject::Flat(0)).unwrap();
    serde_json::from_str::<serde_json::Value>(&fact.json).unwrap()["season"].clone()
}

fn undoable(site: &Site) -> usize {
    season(site)["before"].as_array().map_or(0, Vec::len)
}

fn ends(site: &Site) -> serde_json::Value {
    season(site)["ends"].clone()
}

fn order_and_poll(site: &mut Site, command: Command, seconds: f64) {
    site.handle(order(Subject::Flat(0), command), at(seconds));
    while site.poll().is_some() {}
}
