//! What comes out of storms.

use super::checks::Violation;
use std::collections::BTreeMap;
use std::fmt;

/// How an alert was judged.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Verdict {
    /// It is so in truth.
    True,
    /// Not so, but something that was done explains it.
    Explained,
    /// Nothing explains it.
    False,
}

/// Of alerts of one kind.
#[derive(Debug, Clone, Copy, Default)]
pub struct Alerts {
    pub right: u64,
    pub explained: u64,
    pub wrong: u64,
    /// What should have been told, was and was not.
    pub told: u64,
    pub missed: u64,
}

/// How the crop fared, and the figures of a run.
#[derive(Debug, Clone, Default)]
pub struct Tally {
    pub runs: u64,
    pub flat_days: f64,
    pub readings: u64,
    pub states: u64,
    pub injected: BTreeMap<&'static str, u64>,
    pub checks: BTreeMap<&'static str, u64>,
    pub violations: Vec<Violation>,
    pub alerts: BTreeMap<&'static str, Alerts>,
    /// Samples of the true fraction: all, within low to high, below, above.
    pub samples: [u64; 4],
    /// g: arrived, evaporated and taken up, run off, and how much more the flats hold than at first.
    pub water: [f64; 4],
    pub waterings: u64,
    /// Of flats on a valve of their own in auto, from when they have first been inside: samples, and those within low to high.
    pub own: [u64; 2],
    /// Orders to open.
    pub opens: u64,
    /// Waterings begun by a valve in auto, and their sizes as a share of what lies between `water_at` and the target.
    pub valve_waterings: u64,
    pub valve_sizes: f64,
    /// Flat-days behind a valve in auto.
    pub auto_days: f64,
    /// Of the fraction against weight in truth, and against water in truth: sum of absolute errors, squares, worst; how many.
    pub weighing: Errors,
    pub watering: Errors,
    /// False alerts and missed ones, with seed and time, to be looked at.
    pub notes: Vec<String>,
}

/// Errors of a number.
#[derive(Debug, Clone, Copy, Default)]
pub struct Errors {
    pub count: u64,
    sum: f64,
    worst: f64,
    /// Above 0.02, above 0.05.
    large: [u64; 2],
}

impl Errors {
    pub fn add(&mut self, error: f64) {
        let error = error.abs();
        self.count += 1;
        self.sum += error;
        self.worst = self.worst.max(error);
        self.large[0] += u64::from(error > 0.02);
        self.large[1] += u64::from(error > 0.05);
    }

    fn merge(&mut self, other: &Self) {
        self.count += other.count;
        self.sum += other.sum;
        self.worst = self.worst.max(other.worst);
        self.large[0] += other.large[0];
        self.large[1] += other.large[1];
    }

    pub fn mean(&self) -> f64 {
        self.sum / self.count.max(1) as f64
    }
}

impl fmt::Display for Errors {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let share = |large: u64| 100.0 * large as f64 / self.count.max(1) as f64;
        let (mean, worst) = (self.mean(), self.worst);
        let (two, five) = (share(self.large[0]), share(self.large[1]));
        write!(f, "mean {mean:.4}, above 0.02 {two:.2} %, above 0.05 {five:.3} %, worst {worst:.3}")
    }
}

impl Tally {
    pub fn merge(&mut self, other: Self) {
        self.runs += other.runs;
        self.flat_days += other.flat_days;
        self.readings += other.readings;
        self.states += other.states;
        self.waterings += other.waterings;
        self.own[0] += other.own[0];
        self.own[1] += other.own[1];
        self.opens += other.opens;
        self.valve_waterings += other.valve_waterings;
        self.valve_sizes += other.valve_sizes;
        self.auto_days += other.auto_days;
        for (name, count) in other.injected {
            *self.injected.entry(name).or_default() += count;
        }
        for (name, count) in other.checks {
            *self.checks.entry(name).or_default() += count;
        }
        for (name, more) in other.alerts {
            let alerts = self.alerts.entry(name).or_default();
            alerts.right += more.right;
            alerts.explained += more.explained;
            alerts.wrong += more.wrong;
            alerts.told += more.told;
            alerts.missed += more.missed;
        }
        for (mine, more) in self.samples.iter_mut().zip(other.samples) {
            *mine += more;
        }
        for (mine, more) in self.water.iter_mut().zip(other.water) {
            *mine += more;
        }
        self.weighing.merge(&other.weighing);
        self.watering.merge(&other.watering);
        self.violations.extend(other.violations);
        self.notes.extend(other.notes);
    }

    pub fn judged(&mut self, kind: &'static str, verdict: Verdict) {
        let alerts = self.alerts.entry(kind).or_default();
        match verdict {
            Verdict::True => alerts.right += 1,
            Verdict::Explained => alerts.explained += 1,
            Verdict::False => alerts.wrong += 1,
        }
    }

    pub fn owed(&mut self, kind: &'static str, told: bool) {
        let alerts = self.alerts.entry(kind).or_default();
        if told {
            alerts.told += 1;
        } else {
            alerts.missed += 1;
        }
    }

    /// False alerts per flat and 30 days.
    pub fn false_per_month(&self) -> f64 {
        let wrong: u64 = self.alerts.values().map(|alerts| alerts.wrong).sum();
        wrong as f64 * 30.0 / self.flat_days
    }

    /// Share of the time that the true fraction was within its limits.
    pub fn in_limits(&self) -> f64 {
        self.samples[1] as f64 / self.samples[0].max(1) as f64
    }
}

impl fmt::Display for Tally {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let month = 30.0 / self.flat_days.max(1e-9);
        writeln!(
            f,
            "{:.0} flat-days in {} runs, {} readings, {} states",
            self.flat_days, self.runs, self.readings, self.states
        )?;
        writeln!(f, "\ninjected")?;
        for (name, count) in &self.injected {
            writeln!(f, "  {count:>10}  {name}")?;
        }
        let made: u64 = self.checks.values().sum();
        writeln!(f, "\nchecks: {made}")?;
        for (name, count) in &self.checks {
            writeln!(f, "  {count:>10}  {name}")?;
        }
        writeln!(f, "\nalerts, per flat and 30 days     true  explained     false   told  missed (in all)")?;
        for (name, alerts) in &self.alerts {
            let [right, explained, wrong] = [alerts.right, alerts.explained, alerts.wrong].map(|n| n as f64 * month);
            writeln!(
                f,
                "  {name:<28} {right:>8.3}  {explained:>9.3}  {wrong:>8.3} {:>6}  {:>6}",
                alerts.told, alerts.missed
            )?;
        }
        writeln!(f, "  false in all: {:.3}", self.false_per_month())?;
        let share = |at: usize| 100.0 * self.samples[at] as f64 / self.samples[0].max(1) as f64;
        writeln!(
            f,
            "\ncrop: {:.2} % of the time within low to high, {:.2} % below, {:.2} % above",
            share(1),
            share(2),
            share(3)
        )?;
        let [arrived, used, ran_off, held] = self.water.map(|grams| grams / 1000.0);
        writeln!(
            f,
            "water: {arrived:.0} kg poured in {} waterings, {used:.0} kg taken by plants and surface, {ran_off:.0} kg run off, \
             {held:.0} kg more held at the end than at first; poured less that/taken {:.3}; {:.2} waterings per flat and week",
            self.waterings,
            (arrived - held) / used.max(1e-9),
            self.waterings as f64 * 7.0 / self.flat_days.max(1e-9)
        )?;
        if self.auto_days > 0.0 {
            writeln!(
                f,
                "auto: {:.0} flat-days behind a valve in auto; {} orders to open, {} waterings by such a valve, on average {:.2} of what lies \
                 between water_at and target; on a valve of their own {:.2} % of the time within low to high",
                self.auto_days,
                self.opens,
                self.valve_waterings,
                self.valve_sizes / self.valve_waterings.max(1) as f64,
                100.0 * self.own[1] as f64 / self.own[0].max(1) as f64
            )?;
        }
        writeln!(f, "fraction against true weight: {}", self.weighing)?;
        writeln!(f, "fraction against true water (plants not set count as water): {}", self.watering)
    }
}
