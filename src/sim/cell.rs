//! What a load cell makes of a weight, and its device of that.

use super::plan::{CellPlan, Glitch, Shows};
use super::random::{For, Random};
use super::sent::{Failure, Value};
use super::time::SimTime;

/// How often a device's readings went wrong by themselves.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Tally {
    /// Readings published, glitches among them.
    pub published: u64,
    /// Readings that were not a weight.
    pub glitches: u64,
    /// Readings that were not published.
    pub missing: u64,
}

/// A disturbance until some time.
#[derive(Debug, Clone, Copy)]
pub(super) struct Until<T> {
    pub what: T,
    pub until: SimTime,
}

impl<T: Copy> Until<T> {
    /// What it is at that time, if it still is.
    fn at(this: Option<&Self>, time: SimTime) -> Option<T> {
        this.filter(|spell| time < spell.until).map(|spell| spell.what)
    }
}

#[derive(Debug, Clone)]
pub(super) struct Cell {
    pub plan: CellPlan,
    pub temperature: f64,
    creep: [f64; 3],
    /// Without noise, g.
    pub shown: f64,
    wander: f64,
    random: Random,
    pub shift: f64,
    /// What stands on it beside a flat.
    pub other_load: f64,
    pub bump: Option<Until<f64>>,
    pub frozen: Option<Until<()>>,
    pub silent: Option<Until<()>>,
    pub shaken: Option<Until<f64>>,
    pub garbled: Option<Until<Glitch>>,
    last: Option<Value>,
    pub tally: Tally,
    ar_gain: f64,
    /// Inverse time constants of temperature and creep, and digits in a gram (0: every digit).
    follows: f64,
    creeps: [f64; 3],
    per_gram: f64,
}

impl Cell {
    pub fn new(plan: CellPlan, seed: u64, place: usize, air: f64, load: f64) -> Self {
        let ar_gain = plan.wander * (1.0 - plan.wander_stays * plan.wander_stays).max(0.0).sqrt();
        let mut cell = Self {
            temperature: air,
            creep: [0.0; 3],
            shown: 0.0,
            wander: 0.0,
            random: Random::stream(seed, For::Cell, place),
            shift: 0.0,
            other_load: 0.0,
            bump: None,
            frozen: None,
            silent: None,
            shaken: None,
            garbled: None,
            last: None,
            tally: Tally::default(),
            ar_gain,
            follows: 1.0 / plan.follows_in,
            creeps: plan.creep.map(|(_, slow)| 1.0 / slow),
            per_gram: digits_in_a_gram(plan.shows),
            plan,
        };
        cell.show(load);
        cell
    }

    /// One step under a load and an air temperature.
    pub fn step(&mut self, load: f64, air: f64, seconds: f64) {
        let load = load + self.other_load;
        self.temperature += (air - self.temperature) * seconds * self.follows;
        for ((creep, (share, _)), speed) in self.creep.iter_mut().zip(self.plan.creep).zip(self.creeps) {
            *creep += (share * load - *creep) * seconds * speed;
        }
        self.show(load);
    }

    fn show(&mut self, load: f64) {
        let warmer = self.temperature - self.plan.reference;
        self.shown = load * (1.0 + self.plan.span_drift * warmer) + self.plan.zero_drift * warmer + self.creep();
    }

    pub fn creep(&self) -> f64 {
        self.creep.iter().sum()
    }

    pub fn is_silent(&self, time: SimTime) -> bool {
        Until::at(self.silent.as_ref(), time).is_some()
    }

    /// Takes what it shows now for zero.
    pub fn tare(&mut self) {
        self.shift = -self.shown;
    }

    /// What is published at that time; `None`: nothing.
    ///
    /// As many random numbers are drawn whatever is done to the cell, so that the noise stays when an act is added.
    pub fn read(&mut self, time: SimTime) -> Option<Value> {
        let (white, next) = (self.random.normal(), self.random.normal());
        self.wander = self.wander * self.plan.wander_stays + self.ar_gain * next;
        let luck = self.random.unit();
        if self.is_silent(time) {
            return None;
        }
        if luck < self.plan.missing {
            self.tally.missing += 1;
            return None;
        }
        let value = if Until::at(self.frozen.as_ref(), time).is_some() && self.last.is_some() {
            self.last?
        } else if let Some(glitch) = self.glitch(time, luck) {
            self.tally.glitches += 1;
            self.bad(glitch)
        } else {
            let value = Ok(self.weigh(time, white));
            self.last = Some(value);
            value
        };
        self.tally.published += 1;
        Some(value)
    }

    fn weigh(&self, time: SimTime, white: f64) -> f64 {
        let mut shaken = Until::at(self.shaken.as_ref(), time).unwrap_or(1.0);
        if let Some((from, to, factor)) = self.plan.fan
            && (from..to).contains(&time.hour())
        {
            shaken *= factor;
        }
        let bump = Until::at(self.bump.as_ref(), time).unwrap_or(0.0);
        let grams = self.shown + self.shift + bump + shaken * (self.plan.noise * white + self.wander);
        match self.plan.shows {
            Shows::Counts => self.code(grams),
            Shows::Grams { .. } if self.per_gram > 0.0 => (grams * self.per_gram).round() / self.per_gram,
            Shows::Grams { .. } => grams,
        }
    }

    fn code(&self, grams: f64) -> f64 {
        let (zero, per_gram) = self.plan.counts;
        (zero + per_gram * grams).round().clamp(-8_388_608.0, 8_388_607.0)
    }

    /// Which glitch, if any. A share of the luck that a reading is a glitch says which one, so nothing more need be drawn.
    fn glitch(&self, time: SimTime, luck: f64) -> Option<Glitch> {
        if let Some(glitch) = Until::at(self.garbled.as_ref(), time) {
            return Some(glitch);
        }
        let within = luck - self.plan.missing;
        if within >= self.plan.glitches {
            return None;
        }
        let count = f64::from(u16::try_from(self.plan.kinds.len()).unwrap_or(u16::MAX));
        self.plan
            .kinds
            .iter()
            .zip(1_u16..)
            .find(|(_, n)| within / self.plan.glitches * count < f64::from(*n))
            .map(|kind| *kind.0)
    }

    fn bad(&self, glitch: Glitch) -> Value {
        let code = match glitch {
            Glitch::Ones(bits) => f64::from((1_u32 << bits.min(24)) - 1),
            Glitch::Zero => 0.0,
            Glitch::MinusOne => -1.0,
            Glitch::Overload => self.code(3.0 * self.plan.capacity),
            Glitch::NotANumber => return Err(Failure::NotANumber),
            Glitch::Null => return Err(Failure::Null),
            Glitch::Empty => return Err(Failure::Empty),
            Glitch::Unavailable => return Err(Failure::Unavailable),
        };
        Ok(match self.plan.shows {
            Shows::Counts => code,
            Shows::Grams { .. } => ((code - self.plan.counts.0) / self.plan.counts.1 * 10.0).round() / 10.0,
        })
    }
}

/// A whole number where there is one: dividing by it gives the number that the text would be read as.
fn digits_in_a_gram(shows: Shows) -> f64 {
    match shows {
        Shows::Grams { digit } if digit > 0.0 => {
            let whole = (1.0 / digit).round();
            if (whole * digit - 1.0).abs() < 1e-9 { whole } else { 1.0 / digit }
        }
        _ => 0.0,
    }
}
