//! The invariants by name, how often each was checked, and what broke one.
//!
//! Another invariant is a variant of [`Check`] and a line in `NAMES`; the safety invariants of valves go in here too.

use std::fmt;
use tarewell::sim::SimTime;

macro_rules! checks {
    ($($(#[$doc:meta])* $check:ident = $name:literal,)*) => {
        /// An invariant.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum Check {
            $($(#[$doc])* $check,)*
        }

        /// All of them by name, in order.
        pub const NAMES: &[(Check, &str)] = &[$((Check::$check, $name),)*];
    };
}

checks! {
    /// A published fraction is finite, rounded to 0.001, and water/band.
    Fraction = "fraction is water over band, to 0.001",
    /// Water is weight − dry − plants wherever the flat was weighed just now.
    Water = "water is weight less dry less plants",
    /// What is not known is null, all of it.
    Unknown = "unknown is null throughout",
    /// Condition by the limits, with hysteresis.
    Condition = "condition follows limits and hysteresis",
    /// `…_between` in order and not past; due not after low.
    Forecast = "forecasts in order, none past",
    /// 0 at or above target, what is missing below.
    ToTarget = "to_target_ml is what is missing, 0 at target",
    /// A state is published at least every ten minutes.
    SignOfLife = "a state at least every 10 min",
    /// Volumes and run times add up.
    PlanAddsUp = "plan adds up",
    /// Limits of a plan.
    PlanLimits = "plan keeps max_run, max_per_day, high; none near target",
    /// A reason to lock locks, and nothing else does.
    Locked = "a flat absent, unknown or faulty blocks its valve",
    /// Alerts rise and clear by turns.
    AlertsAlternate = "alerts rise and clear by turns",
    /// An alert's time is no time to come.
    AlertSince = "since is not to come",
    /// An alert says something.
    AlertWords = "alerts have words",
    /// Numbers of events grow.
    Seq = "seq grows, over restarts too",
    /// A retained reading is not fresh.
    Retained = "a retained reading makes nothing fresh",
    /// Refused: nothing changes.
    Refused = "a refused command changes nothing",
    /// Repeated: the first answer, and nothing changes.
    Repeated = "a repeated command changes nothing",
    /// Each command is answered once.
    Answered = "a command is answered once, within 31 s",
    /// No livelock.
    Wakes = "next_wake lies ahead",
    /// No livelock of another kind.
    Ticks = "ticks are few",
    /// S8.
    DryTold = "S8: dry is told in time",
    /// A silent stand is told of.
    SilenceTold = "a silent stand is told of in time",
    /// No valve in advise opens.
    NothingOpens = "nothing opens a valve in advise",
    /// Nor says that it waters.
    NothingWaters = "no valve waters in advise",
    /// S1, by order and in truth.
    OpenEnds = "S1: no opening longer than max_run",
    /// S2, by the journal on the disk and in truth.
    TheDay = "S2: no day above max_per_day",
    /// S2, the entry on the disk before the order.
    Journal = "S2: in the journal before it opens",
    /// S3.
    OpensFor = "S3: opens only for what is known, in its hours, over a connection",
    /// S3, supplies.
    OneOfASupply = "S3: one valve of a supply at a time",
    /// S4.
    NotAboveHigh = "S4: no flat lifted above high",
    /// S5.
    OpensForNobody = "S5: what is late, retained, refused or repeated opens nothing",
    /// S6.
    CloseFirst = "S6: after a start closed first, then still for 30 s",
    /// S7.
    Locks = "S7: a fault locks until a person unlocks",
    /// S9.
    Apart = "S9: by itself at most every 4 h",
    /// What was kept is what was.
    Kept = "a restart finds what was kept",
}

impl Check {
    pub fn name(self) -> &'static str {
        NAMES.iter().find(|(check, _)| *check == self).map_or("", |(_, name)| name)
    }
}

/// A broken invariant.
#[derive(Debug, Clone)]
pub struct Violation {
    pub check: Check,
    pub seed: u64,
    pub at: SimTime,
    pub text: String,
}

impl fmt::Display for Violation {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (day, hour) = (self.at.day(), self.at.hour());
        write!(f, "seed {}, day {day} {hour:.3} h: {}: {}", self.seed, self.check.name(), self.text)
    }
}

/// More than this many of one run tell nothing new.
const TOLD_AT_MOST: usize = 12;

/// What was checked, and what was broken.
#[derive(Debug, Default)]
pub struct Checks {
    counts: Vec<u64>,
    pub violations: Vec<Violation>,
    seed: u64,
    pub now: SimTime,
}

impl Checks {
    pub fn new(seed: u64) -> Self {
        Self { counts: vec![0; NAMES.len()], violations: Vec::new(), seed, now: SimTime::default() }
    }

    /// One invariant; the text is asked for only when it is broken.
    pub fn that(&mut self, check: Check, holds: bool, text: impl FnOnce() -> String) {
        self.counts[check as usize] += 1;
        if !holds && self.violations.len() < TOLD_AT_MOST {
            self.violations.push(Violation { check, seed: self.seed, at: self.now, text: text() });
        }
    }

    pub fn counts(&self) -> impl Iterator<Item = (&'static str, u64)> + '_ {
        NAMES.iter().map(|(check, name)| (*name, self.counts[*check as usize]))
    }
}
