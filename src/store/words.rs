//! What goes into the store and what comes out of it.

use crate::alert::Kind;
use crate::moment::Wall;
use crate::site::Subject;
use crate::units::{Fraction, Grams};

/// What a fact, an alert or an event is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Of {
    /// A flat.
    Flat,
    /// A stand.
    Stand,
    /// A valve.
    Valve,
    /// A supply.
    Supply,
    /// The site itself.
    Site,
}

impl Of {
    /// All of them.
    pub const ALL: &[Self] = &[Self::Flat, Self::Stand, Self::Valve, Self::Supply, Self::Site];

    /// The word of the contract, which is also the word in the file.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Flat => "flat",
            Self::Stand => "stand",
            Self::Valve => "valve",
            Self::Supply => "supply",
            Self::Site => "site",
        }
    }

    /// By its word.
    #[must_use]
    pub fn named(name: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|of| of.name() == name)
    }
}

impl From<Subject> for Of {
    fn from(subject: Subject) -> Self {
        match subject {
            Subject::Flat(_) => Self::Flat,
            Subject::Stand(_) => Self::Stand,
            Subject::Valve(_) => Self::Valve,
            Subject::Supply(_) => Self::Supply,
            Subject::Site => Self::Site,
        }
    }
}

/// What must be known again after the process was killed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fact {
    /// What it is of.
    pub of: Of,
    /// Its id in the configuration.
    pub id: String,
    /// The engine's own words.
    pub json: String,
    /// When it was written.
    pub wall: Wall,
    /// Since when the configuration no longer knows it; it is kept for 400 days, and counts again when it comes back.
    pub retired: Option<Wall>,
}

/// The record of an alert that was raised when the process ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RaisedAlert {
    /// Which.
    pub kind: Kind,
    /// What it is about.
    pub of: Of,
    /// The id of that.
    pub id: String,
    /// The engine's own words.
    pub json: String,
}

/// One event as it was kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KeptEvent {
    /// Its number.
    pub seq: u64,
    /// When.
    pub wall: Wall,
    /// To what.
    pub of: Of,
    /// The id of that.
    pub id: String,
    /// The word of the contract.
    pub name: String,
    /// As published.
    pub json: String,
}

/// One weight of a flat's history.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// When it was weighed.
    pub at: Wall,
    /// The weight.
    pub weight: Grams,
    /// Its share of the band, if there was one.
    pub fraction: Option<Fraction>,
}

/// Everything a service needs again when it starts.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Saved {
    /// Facts, by kind and id.
    pub facts: Vec<Fact>,
    /// Alerts that were raised.
    pub alerts: Vec<RaisedAlert>,
    /// The number of the last event; 0 if there was none.
    pub last_seq: u64,
    /// Ids of commands with the answers they got, at least those of the last 24 h before the newest.
    pub commands: Vec<(String, Wall, String)>,
    /// The latest time that anything was ever written for: a clock that reads much earlier is not set.
    pub newest_wall: Option<Wall>,
    /// What could not be understood and was left out, in words for the log.
    pub notes: Vec<String>,
}

/// One change to the store.
#[derive(Debug, Clone, PartialEq)]
pub enum Write {
    /// Keep this of that, in place of what was kept before; no longer retired.
    Fact {
        /// What it is of.
        of: Of,
        /// Its id.
        id: String,
        /// The engine's own words.
        json: String,
        /// Now.
        wall: Wall,
    },
    /// Know nothing of it any more.
    ForgetFact {
        /// What it is of.
        of: Of,
        /// Its id.
        id: String,
    },
    /// The configuration no longer knows it: its alerts are forgotten, the rest is kept for 400 days.
    Retire {
        /// What it is of.
        of: Of,
        /// Its id.
        id: String,
        /// Now.
        wall: Wall,
    },
    /// This alert is raised.
    Alert {
        /// Which.
        kind: Kind,
        /// What it is about.
        of: Of,
        /// The id of that.
        id: String,
        /// The engine's own words.
        json: String,
    },
    /// This alert is over.
    ForgetAlert {
        /// Which.
        kind: Kind,
        /// What it was about.
        of: Of,
        /// The id of that.
        id: String,
    },
    /// This happened.
    Event {
        /// Its number; the same number again replaces it.
        seq: u64,
        /// When.
        wall: Wall,
        /// To what.
        of: Of,
        /// The id of that.
        id: String,
        /// The word of the contract.
        name: &'static str,
        /// As published.
        json: String,
    },
    /// One weight for history and plots.
    Weight {
        /// The flat's id.
        flat: String,
        /// When it was weighed.
        wall: Wall,
        /// The weight.
        weight: Grams,
        /// Its share of the band.
        fraction: Option<Fraction>,
    },
    /// A command that carried an id was answered so.
    Command {
        /// Its id.
        id: String,
        /// When.
        wall: Wall,
        /// The answer, as sent.
        answer: String,
    },
}

impl Write {
    /// Whether it must be on the disk itself, not only with the operating system, when it is acknowledged. A weight
    /// lost with the power is a gap of a plot; anything else would be missed.
    #[must_use]
    pub const fn grave(&self) -> bool {
        !matches!(self, Self::Weight { .. })
    }
}
