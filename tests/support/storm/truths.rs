//! What is known in truth of each stand and each flat.

use std::collections::VecDeque;
use tarewell::moment::Span;
use tarewell::sim::{CellPlan, Glitch, Shows, SimTime, Trouble, Value};

/// A stand in truth: what it was made to suffer.
#[derive(Debug, Clone)]
pub struct Post {
    pub own_period: Span,
    pub period: Span,
    pub noise: f64,
    pub counts: bool,
    tares: bool,
    pub is_bad_cell: bool,
    /// Its last reading that reached the program.
    pub last_heard: SimTime,
    /// The last two values.
    last: [f64; 2],
    pub online: bool,
    pub gone: bool,
    /// What it shows is what lies on it, noise and drift apart, from this time on.
    pub honest_from: SimTime,
    pub handled_at: SimTime,
    /// Until then, whatever is told may come of what was done to it.
    pub troubled_until: SimTime,
    /// Readings are not to be believed until then.
    pub bad_until: SimTime,
    /// It shows what it showed last until then, whatever else befalls it.
    pub frozen_until: SimTime,
    pub watered_until: SimTime,
    pub dome_until: SimTime,
    pub shift: f64,
    pub load: f64,
    pub tared: bool,
    /// A command said what may not be so.
    pub bent: bool,
}

const LONG_AGO: SimTime = SimTime::at(-9, 0, 0);

impl Post {
    pub fn new(cell: &CellPlan) -> Self {
        Self {
            own_period: cell.period,
            period: cell.period,
            noise: cell.noise + cell.wander,
            counts: cell.shows == Shows::Counts,
            tares: cell.tares,
            is_bad_cell: cell.glitches > 0.02,
            last_heard: super::scenario::BEGINS,
            last: [0.0; 2],
            online: true,
            gone: false,
            honest_from: super::scenario::BEGINS,
            handled_at: LONG_AGO,
            troubled_until: LONG_AGO,
            bad_until: LONG_AGO,
            frozen_until: LONG_AGO,
            watered_until: LONG_AGO,
            dome_until: LONG_AGO,
            shift: 0.0,
            load: 0.0,
            tared: false,
            bent: false,
        }
    }

    /// What it shows beside what is on it by right.
    pub fn offset(&self) -> f64 {
        self.shift + self.load
    }

    pub fn handled(&mut self, at: SimTime) {
        self.honest_from = self.honest_from.max(at);
        self.handled_at = at;
    }

    pub fn domed(&mut self, at: SimTime) {
        self.handled(at);
        self.dome_until = at;
    }

    pub fn troubled(&mut self, at: SimTime, lasts: Span) {
        self.troubled_until = self.troubled_until.max(at + lasts);
        self.honest_from = self.honest_from.max(at + lasts);
    }

    /// Whether something that was done explains what is told.
    pub fn is_explained(&self, now: SimTime, grace: Span) -> bool {
        let of_late = |until: SimTime| now.since(until) < grace;
        let shifted = self.offset().abs() > 3.0;
        of_late(self.troubled_until) || of_late(self.dome_until) || shifted || self.tared || self.bent
    }

    /// Two readings that fail alike are a weight to whoever hears one a minute: the third tells.
    pub fn hears(&mut self, value: Value, at: SimTime) {
        self.last_heard = at;
        let Ok(value) = value else { return };
        let [before, last] = self.last;
        let jumped = (last - before).abs() > 0.1 * before.abs();
        if value.to_bits() == last.to_bits() && jumped {
            self.troubled(at, Span::from_millis(self.period.millis() * 4));
        }
        self.last = [last, value];
    }

    /// Suffers a trouble; how long it may take until it is told, if it is one of those that must be.
    pub fn suffer(&mut self, trouble: Trouble, at: SimTime) -> Option<Span> {
        let few = Span::from_millis(self.period.millis() * 10) + Span::minutes(3);
        match trouble {
            Trouble::Bump { lasts, .. } | Trouble::Shake { lasts, .. } => self.troubled(at, lasts),
            Trouble::Silence { lasts } => self.troubled(at, lasts),
            Trouble::Shift { grams } => {
                self.shift += grams;
                self.troubled(at, Span::ZERO);
            }
            Trouble::Load { grams } => {
                self.load = grams;
                self.troubled(at, Span::ZERO);
            }
            Trouble::Freeze { lasts } => {
                self.troubled(at, lasts);
                self.bad_until = self.bad_until.max(at + lasts + Span::minutes(20));
                self.frozen_until = self.frozen_until.max(at + lasts);
            }
            Trouble::Restart { lasts } => {
                self.troubled(at, lasts);
                if self.tares {
                    self.tared = true;
                    // One whose gap was short is known by what dries below nothing, which takes an hour or two at night.
                    return Some(lasts + few + Span::hours(2));
                }
            }
            Trouble::Garble { glitch, lasts } => {
                self.troubled(at, lasts);
                self.bad_until = self.bad_until.max(at + lasts + Span::minutes(20));
                let nothing = matches!(glitch, Glitch::NotANumber | Glitch::Null | Glitch::Empty | Glitch::Unavailable);
                let is_code = self.counts && glitch != Glitch::Overload;
                // What is frozen repeats its last weight, whatever else befalls it.
                let seen = (at + lasts).since(self.frozen_until.max(at));
                if (nothing || is_code) && seen > few {
                    return Some(lasts);
                }
            }
        }
        None
    }
}

/// A flat in truth.
#[derive(Debug, Clone, Default)]
pub struct Pot {
    pub off_since: Option<SimTime>,
    /// By what its stand would show without noise.
    pub dry_since: Option<SimTime>,
    pub clearly_wet_since: Option<SimTime>,
    pub wet_since: Option<SimTime>,
    pub fraction: Option<f64>,
    /// When that was noted.
    pub noted: Option<SimTime>,
    pub low: f64,
    pub absence_judged: bool,
    pub wetness_judged: bool,
    /// It has been within its limits.
    pub inside: bool,
    /// What had evaporated, every ten minutes of a day.
    evaporated: VecDeque<(SimTime, f64)>,
    /// Share of the band that it loses an hour, over the last day.
    pub per_hour: f64,
}

impl Pot {
    pub fn remember(&mut self, now: SimTime, evaporated: f64, band: f64) {
        self.evaporated.push_back((now, evaporated));
        while self.evaporated.front().is_some_and(|(at, _)| now.since(*at) > Span::hours(24)) {
            self.evaporated.pop_front();
        }
        if let Some((at, before)) = self.evaporated.front() {
            let hours = now.since(*at).as_hours();
            self.per_hour = if hours > 0.1 { (evaporated - before) / hours / band } else { 0.0 };
        }
    }

    /// What it lost in the last 24 h, if that is known.
    pub fn lost_24h(&self, evaporated: f64) -> Option<f64> {
        let (first, last) = (self.evaporated.front()?, self.evaporated.back()?);
        (last.0.since(first.0) > Span::hours(18)).then_some(evaporated - first.1)
    }
}
