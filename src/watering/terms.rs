//! The words of one watering: what it is to reach, by which rules, where it stands, what it has taught.

use super::ended::Ended;
use crate::moment::{Mono, Span};
use crate::units::Millilitres;

/// What a watering is to reach.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Goal {
    /// Each flat its target, as well as one valve can.
    Target,
    /// This volume, all flats together.
    Volume(Millilitres),
    /// So many seconds into a bucket: nobody weighs.
    Bucket(Span),
}

/// What holds for the whole watering.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rules {
    /// Open time, all pulses together.
    pub max_run: Span,
    /// What may be poured at most.
    pub most: Millilitres,
    /// The longest pulse.
    pub pulse: Span,
    /// From closing to the next opening.
    pub rest: Span,
}

/// An opening that is to be made.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Opening {
    /// How long it should take.
    pub expected: f64,
    /// How long it may take: for the device's own timer.
    pub cap: u32,
    /// What the valve gives at most in that time, as far as its flow is known.
    pub most: Millilitres,
}

/// Where a watering stands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Phase {
    /// It wants to open, not before this.
    Waiting {
        /// When.
        from: Mono,
    },
    /// The valve is ordered open.
    Open {
        /// Since.
        since: Mono,
        /// As planned.
        opening: Opening,
    },
    /// Ordered closed; water may still arrive.
    Settling {
        /// Since.
        closed: Mono,
        /// How long it was open, s.
        open_for: f64,
        /// What the first bed was closed at, if by its weight.
        aimed: Option<f64>,
    },
    /// Over.
    Over(Ended),
}

/// Why the valve is to be closed now.
#[derive(Debug, Clone, PartialEq)]
pub enum WhyClose {
    /// The flats have, or will have, what they should.
    Reached,
    /// This pulse is over.
    Pulse,
    /// It takes longer than it should.
    Cap,
    /// Hardly any water arrives.
    NoGain,
    /// Something happens to a flat that no valve does: in words.
    Disturbed(String),
    /// The connection was lost: its broker, or its own timer, closes it some time.
    CutOff,
    /// A quick stand has become slow.
    Slow,
    /// The mix takes up less and less: water runs past it.
    RunsThrough,
}

/// What an opening has taught of one bed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lesson {
    /// Its place among the beds.
    pub bed: usize,
    /// How long the valve was open, s.
    pub open_for: f64,
    /// What was gained.
    pub gain: Millilitres,
    /// By how much the settled weight was above what was aimed at, if the valve was closed by it.
    pub above: Option<f64>,
}

/// What is known once an opening has settled.
#[derive(Debug, Clone, PartialEq)]
pub struct Settled {
    /// What it gave, all flats together.
    pub delivered: Millilitres,
    /// What it must have given beside that, and no weight has seen.
    pub unseen: Millilitres,
    /// For learning.
    pub lessons: Vec<Lesson>,
    /// Of what each flat gained, what the valve can have given.
    pub own: Vec<Millilitres>,
    /// It gave hardly anything, twice.
    pub no_gain: bool,
}
