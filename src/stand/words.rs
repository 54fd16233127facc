//! The vocabulary of a stand: what it is told, what it says.

use crate::moment::{Mono, Span, Wall};
use crate::units::{Grams, GramsPerHour};
use std::fmt;

/// Which part of a stand a value is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Part {
    /// The stand as a whole.
    Whole,
    /// One of its four cells, 0 to 3.
    Corner(u8),
}

/// Why a payload is no value.
#[derive(Debug, Clone, PartialEq)]
pub enum Unreadable {
    /// It says itself that it has none: `nan`, `null`, an empty payload, `unavailable`. Missing, not zero.
    Missing,
    /// It cannot be read; the text says why, for a person.
    Garbled(String),
}

/// What came of a reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Heard {
    /// Nothing to go by: retained, unreadable, an outlier, a cell of four, or no calibration yet.
    Ignored,
    /// A weight, but the stand is not at rest.
    Moving(Grams),
    /// The weight to believe now: exact where readings carry no noise, smoothed where they do.
    Steady(Grams),
}

/// What a stand has to say beyond its weight.
#[derive(Debug, Clone, PartialEq)]
pub enum Said {
    /// Somebody did something to what is on it.
    Handled(Handling),
    /// It cannot be believed from now on.
    FaultRaised(Fault),
    /// It can again; in plain words, why.
    FaultCleared(String),
    /// No reading for `stale_after`, or it says itself that it is gone.
    Silent,
    /// A fresh reading after a silence.
    HeardAgain,
    /// It has lain empty for a while, and what is known of its zero has changed: see `Stand::moved_zero`.
    SeenEmpty,
}

/// What was done to what is on a stand, read from its plateaus.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Handling {
    /// Taken off; `from` is the weight before.
    Lifted {
        /// The last weight believed.
        from: Grams,
    },
    /// Put back, or put on for the first time.
    Returned {
        /// Against the weight before it was lifted; 0 if none is known.
        change: Grams,
        /// How long it was away; 0 if unknown.
        away: Span,
        /// What was added meanwhile, drying added back, when it came back heavier.
        watered_away: Option<Grams>,
    },
    /// What lies there cannot be the flat that belongs there.
    Misfit {
        /// The weight.
        weight: Grams,
        /// Why it cannot be.
        why: Misfit,
    },
    /// The weight is again one that the flat can have.
    FitsAgain,
    /// Watered on the stand; said once it has settled.
    Watered {
        /// All that was poured, what drained away added back.
        gross: Grams,
        /// What stayed.
        kept: Grams,
    },
    /// After a rise, water is running off the stand.
    Draining {
        /// The weight now.
        weight: Grams,
    },
    /// It has stopped.
    Drained {
        /// Where the weight stands, the rest of the tail taken off.
        weight: Grams,
    },
    /// A dome was put on or taken off.
    Dome {
        /// On.
        on: bool,
        /// By how much the weight changed.
        change: Grams,
    },
    /// Something was taken off at once, and it was neither drying nor a dome.
    Removed {
        /// By how much the weight changed; negative.
        change: Grams,
    },
    /// Touched; the weight is what it was.
    Bumped {
        /// By how much the weight changed; within a few grams of 0.
        change: Grams,
    },
    /// Touched; the weight changed by less than a watering.
    Visited {
        /// By how much the weight changed.
        change: Grams,
    },
}

/// Why a weight cannot be the flat's.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Misfit {
    /// Lighter than dry by more than a tenth of the band.
    LighterThanDry {
        /// The least it could weigh.
        least: Grams,
    },
    /// Heavier than capacity and a full tray.
    HeavierThanFull {
        /// The most it could weigh.
        most: Grams,
    },
}

impl fmt::Display for Misfit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::LighterThanDry { least } => {
                write!(
                    f,
                    "lighter than this flat can be ({:.0} g: its dry weight less a tenth of the band)",
                    least.get()
                )
            }
            Self::HeavierThanFull { most } => {
                write!(f, "heavier than this flat can be ({:.0} g: soaked through, with a full tray)", most.get())
            }
        }
    }
}

/// What a stand must know of its surroundings to read them right.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Scene {
    /// The flat assigned to it; `None`: a free stand.
    pub flat: Option<FlatScene>,
    /// A valve that feeds it is open.
    pub valve_open: bool,
    /// A `record-capacity` watch runs: nothing can misfit, and only plateaus are told.
    pub soaking: bool,
}

/// What is known of the flat assigned to a stand.
#[derive(Debug, Clone, PartialEq)]
pub struct FlatScene {
    /// Its dry weight.
    pub dry: Option<Grams>,
    /// Its capacity weight.
    pub capacity: Option<Grams>,
    /// Fresh mass grown since the band was recorded.
    pub plant: Grams,
    /// Faster loss than this is not drying.
    pub fastest_drying: GramsPerHour,
    /// How fast it dries now, if known.
    pub drying: Option<GramsPerHour>,
    /// What its dome weighs.
    pub dome_weight: Option<Grams>,
    /// Whether the dome is on.
    pub dome_on: Option<bool>,
    /// Lighter than this it is due to be watered: what makes it heavier then is water, whatever its dome weighs.
    pub due_below: Option<Grams>,
    /// The weight before it was lifted, also from before a restart, and when.
    pub last_weight: Option<(Grams, Mono)>,
}

impl Default for FlatScene {
    fn default() -> Self {
        Self {
            dry: None,
            capacity: None,
            plant: Grams::ZERO,
            fastest_drying: GramsPerHour::new(180.0),
            drying: None,
            dome_weight: None,
            dome_on: None,
            due_below: None,
            last_weight: None,
        }
    }
}

/// Whether a stand can be believed.
#[derive(Debug, Clone, PartialEq)]
pub enum Health {
    /// It can.
    Ok,
    /// Nothing is heard of it.
    Silent {
        /// Since when.
        since: Wall,
    },
    /// What is heard cannot be a weight.
    Fault {
        /// Since when.
        since: Wall,
        /// What is wrong.
        fault: Fault,
    },
}

impl Health {
    /// Whether it can be believed.
    #[must_use]
    pub const fn is_ok(&self) -> bool {
        matches!(self, Self::Ok)
    }
}

/// What is wrong with a stand. Displayed in plain words.
#[derive(Debug, Clone, PartialEq)]
pub enum Fault {
    /// Nothing readable for a minute and five payloads; the text is about the last.
    Unreadable(String),
    /// A value that such converters give when they have none.
    FailureCode(f64),
    /// More than its cells may bear.
    Overload(Grams),
    /// Far below an empty stand.
    BelowZero(Grams),
    /// Not a digit has changed, though the flat must have dried meanwhile.
    Frozen(Span),
    /// It set itself to zero with a flat on it.
    Tared,
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Unreadable(why) => write!(f, "nothing it sends can be read as a weight: {why}"),
            Self::FailureCode(code) => write!(
                f,
                "it sends {code}, which converters give when a wire is off or they have no supply; look at the cell's wires"
            ),
            Self::Overload(weight) => {
                write!(f, "{:.0} g is more than its max_load; take the load off, then check its zero", weight.get())
            }
            Self::BelowZero(weight) => {
                write!(
                    f,
                    "it reads {:.0} g, far below an empty stand: look at its wires; if they are sound and nothing lies on it, `zero` \
                     it with \"force\":true",
                    weight.get()
                )
            }
            Self::Frozen(span) if *span >= Span::hours(1) => {
                write!(f, "not a digit has changed for {:.1} h, though the flat is drying", span.as_hours())
            }
            Self::Frozen(span) => {
                write!(f, "not a digit has changed for {:.0} min, though the flat is drying", span.as_seconds() / 60.0)
            }
            Self::Tared => f.write_str(
                "it has been set to zero with something on it, as by a device that began anew: take that off and `zero` it with \
                 \"force\":true; or, with its flat on it, `restore`",
            ),
        }
    }
}
