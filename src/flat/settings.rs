//! What is settled about a flat before its first reading.

use crate::moment::Span;
use crate::units::{Fraction, Grams, GramsPerHour};
use chrono::NaiveDate;

/// The four limits of a flat, in order: 0 ≤ low < water at < target ≤ high.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// Below it the flat is dry.
    pub low: Fraction,
    /// Below it a watering is due.
    pub water_at: Fraction,
    /// What a watering lifts the flat to.
    pub target: Fraction,
    /// Above it the flat is wet and nothing may water it.
    pub high: Fraction,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            low: Fraction::new(0.30),
            water_at: Fraction::new(0.40),
            target: Fraction::new(0.50),
            high: Fraction::new(0.75),
        }
    }
}

impl Limits {
    /// The first pair that is out of order, by the names of the keys; `None` when all is well.
    #[must_use]
    pub fn out_of_order(&self) -> Option<(&'static str, &'static str)> {
        if self.low < Fraction::ZERO {
            Some(("0", "low"))
        } else if self.low >= self.water_at {
            Some(("low", "water_at"))
        } else if self.water_at >= self.target {
            Some(("water_at", "target"))
        } else if self.target > self.high {
            Some(("target", "high"))
        } else {
            None
        }
    }

    /// These limits, with those of `over` in their place where it has any.
    #[must_use]
    pub fn with(self, over: &SomeLimits) -> Self {
        Self {
            low: over.low.unwrap_or(self.low),
            water_at: over.water_at.unwrap_or(self.water_at),
            target: over.target.unwrap_or(self.target),
            high: over.high.unwrap_or(self.high),
        }
    }
}

/// Limits of which any may be missing, as a flat, a fill's mix or a stage gives them.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct SomeLimits {
    /// See [`Limits::low`].
    pub low: Option<Fraction>,
    /// See [`Limits::water_at`].
    pub water_at: Option<Fraction>,
    /// See [`Limits::target`].
    pub target: Option<Fraction>,
    /// See [`Limits::high`].
    pub high: Option<Fraction>,
}

/// What the mix was like when the flat was filled; it moves the defaults.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum MixWhenFilled {
    /// Bale-dry: holds unavailable water inside its band, and sheds water below it.
    Dry,
    /// As it comes out of the bag.
    #[default]
    Bagged,
    /// Moistened before filling.
    Moistened,
}

impl MixWhenFilled {
    /// The limits that such a mix moves.
    #[must_use]
    pub fn limits(self) -> SomeLimits {
        let some = |low, water_at, target| SomeLimits {
            low: Some(Fraction::new(low)),
            water_at: Some(Fraction::new(water_at)),
            target: Some(Fraction::new(target)),
            high: None,
        };
        match self {
            Self::Dry => some(0.45, 0.50, 0.60),
            Self::Moistened => some(0.20, 0.35, 0.50),
            Self::Bagged => SomeLimits::default(),
        }
    }
}

/// How a stage of the crop begins.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Begins {
    /// By command only.
    Commanded,
    /// At local midnight, so many days after `sown`; or by command before.
    OnDay(u32),
}

/// One stage of a crop.
#[derive(Debug, Clone, PartialEq)]
pub struct StageSettings {
    /// Its name, such as `growing-on`.
    pub name: String,
    /// When it begins.
    pub begins: Begins,
    /// Limits that hold in it.
    pub limits: SomeLimits,
    /// Whether too-wet and not-drying keep silent in it.
    pub wet_is_meant: bool,
}

/// A recipe that many flats share.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct FillSettings {
    /// Its id in the configuration.
    pub id: String,
    /// Weight of the empty tray and insert.
    pub tare: Option<Grams>,
    /// How many cells the insert has.
    pub cells: Option<u32>,
    /// What the mix was like when filled, if the file says so.
    pub mix_when_filled: Option<MixWhenFilled>,
    /// The recipe's dry weight.
    pub dry_weight: Option<Grams>,
    /// The recipe's capacity weight.
    pub capacity_weight: Option<Grams>,
}

/// A flat as configured.
#[derive(Debug, Clone, PartialEq)]
pub struct FlatSettings {
    /// What people call it.
    pub label: String,
    /// Its place in the list of fills.
    pub fill: Option<usize>,
    /// The stand it sits on by the file, as its place in the list of stands.
    pub stand: Option<usize>,
    /// Dry weight in the file itself, not by its fill; a `band:` with a capacity weight alone ends up here too.
    pub dry_weight: Option<Grams>,
    /// Capacity weight in the file itself, not by its fill.
    pub capacity_weight: Option<Grams>,
    /// The local date it was sown.
    pub sown: Option<NaiveDate>,
    /// Where it stands, in words.
    pub place: Option<String>,
    /// Stages of its crop, in order; empty: none.
    pub stages: Vec<StageSettings>,
    /// Limits that hold without a stage, settled from flat, mix and defaults.
    pub limits: Limits,
    /// What the flat's own keys say, to notice a change in the file.
    pub own_limits: SomeLimits,
    /// Above high for longer than this it is too wet.
    pub wet_for: Span,
    /// Off its stand for so long it is absent.
    pub absent_for: Span,
    /// Faster loss than this is a leak, not drying.
    pub fastest_drying: GramsPerHour,
    /// The weight of its dome.
    pub dome_weight: Option<Grams>,
    /// The flat that speaks for it, as its place in the list of flats.
    pub like: Option<usize>,
    /// How often it should be weighed itself.
    pub check_every: Option<Span>,
    /// The id it had before.
    pub formerly: Option<String>,
}

impl Default for FlatSettings {
    fn default() -> Self {
        Self {
            label: String::new(),
            fill: None,
            stand: None,
            dry_weight: None,
            capacity_weight: None,
            sown: None,
            place: None,
            stages: Vec::new(),
            limits: Limits::default(),
            own_limits: SomeLimits::default(),
            wet_for: Span::hours(72),
            absent_for: Span::minutes(90),
            fastest_drying: GramsPerHour::new(180.0),
            dome_weight: None,
            like: None,
            check_every: None,
            formerly: None,
        }
    }
}
