//! What a stand reads with nothing on it, against what it read so when it was last in order: a stiff hose or a cable that leans on
//! the platform, or something that was left lying there. While a flat is on it no weight can tell that from water.

use super::calibration::Line;
use super::gate::MAX_LOAD;
use super::handling::Look;
use super::reading::Stand;
use super::settings::StandSettings;
use super::words::Said;
use crate::moment::{Mono, Span};
use crate::units::Grams;
use serde::{Deserialize, Serialize};

/// For so long after a load was taken off, the cells creep back, and a hand may put something down there.
const RESTED: Span = Span::minutes(2);
/// A can or a jug that is only put down for a moment is gone after this.
const LEFT_THERE: Span = Span::minutes(10);
/// So far cheap cells wander by themselves, as a share of the greatest load: data sheets give a creep of 0.1 %, a hysteresis
/// of up to 0.2 % and 0.05 % in 10 °C.
const WANDERS: f64 = 0.0025;
/// No flat is the worse for so little, g (a judgement).
const LEAST: f64 = 25.0;
/// What is more than this share of the greatest load was rather put down there.
const PUT_DOWN: f64 = 0.02;

/// An empty stand reads something else than it did.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MovedZero {
    /// What it read when it was last in order.
    pub was: Grams,
    /// What it has read since.
    pub reads: Grams,
}

/// What counts as nothing on a stand.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
enum Nothing {
    /// Zero: somebody has set it, by command or in the file.
    Set,
    /// What it read when it was first seen empty, g: its own platform, where nobody has zeroed it.
    Seen(f64),
}

impl Nothing {
    const fn level(self) -> f64 {
        match self {
            Self::Set => 0.0,
            Self::Seen(level) => level,
        }
    }
}

/// How far an empty stand may be off.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Allowed {
    /// By its drift and its noise, g.
    by_itself: f64,
    /// More than this was put down there, g.
    put_down: f64,
}

impl Allowed {
    /// For a stand with these settings and so much noise (a variance, g²).
    pub(super) fn of(settings: &StandSettings, variance: f64) -> Self {
        let load = settings.max_load.map_or(MAX_LOAD, Grams::get);
        let seen = (5.0 * settings.division.get()).max((36.0 * variance).sqrt());
        Self { by_itself: LEAST.max(WANDERS * load).max(seen), put_down: PUT_DOWN * load }
    }
}

/// Follows what a stand reads while it is empty.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct EmptyReads {
    nothing: Option<Nothing>,
    /// What it read when it last lay empty, if that was too much, g.
    instead: Option<f64>,
    /// Since when it has lain empty at one level, and at which.
    #[serde(skip)]
    resting: Option<(Mono, f64)>,
}

impl EmptyReads {
    /// Of a stand of which no empty reading was seen yet.
    pub(super) fn of(settings: &StandSettings) -> Self {
        let is_set = settings.unit.grams().is_none() && Line::of(settings).zero.is_some();
        Self { nothing: is_set.then_some(Nothing::Set), ..Self::default() }
    }

    /// Somebody has set its zero with nothing on it.
    pub(super) const fn zeroed() -> Self {
        Self { nothing: Some(Nothing::Set), instead: None, resting: None }
    }

    /// In another scale: w → w · `factor`.
    pub(super) fn stretched(self, factor: f64) -> Self {
        let nothing = self.nothing.map(|nothing| match nothing {
            Nothing::Set => Nothing::Set,
            Nothing::Seen(level) => Nothing::Seen(level * factor),
        });
        Self { nothing, instead: self.instead.map(|level| level * factor), resting: None }
    }

    /// Something lies on it, or nobody knows.
    pub(super) const fn is_loaded(&mut self) {
        self.resting = None;
    }

    /// It stands still with nothing on it, at `level`. Whether what is known of it has changed.
    pub(super) fn look(&mut self, at: Mono, level: f64, allowed: Allowed) -> bool {
        let (since, first) = *self.resting.get_or_insert((at, level));
        if (level - first).abs() > allowed.by_itself {
            self.resting = Some((at, level));
            return false;
        }
        let rested = at.since(since);
        if rested < RESTED && !self.is_well_at(level, allowed) {
            return false;
        }
        let before = (self.nothing, self.instead);
        self.hold_against(level, rested, allowed);
        before != (self.nothing, self.instead)
    }

    /// Whether a zero that had moved has come back: that is seen at once.
    fn is_well_at(&self, level: f64, allowed: Allowed) -> bool {
        let off = self.nothing.map(|nothing| level - nothing.level());
        self.instead.is_some() && off.is_some_and(|off| off.abs() <= allowed.by_itself / 2.0)
    }

    fn hold_against(&mut self, level: f64, rested: Span, allowed: Allowed) {
        let Some(nothing) = self.nothing else {
            self.nothing = Some(Nothing::Seen(level));
            return;
        };
        let off = level - nothing.level();
        if off > allowed.by_itself {
            let is_news = self.instead.is_none_or(|told| (level - told).abs() > allowed.by_itself);
            if is_news && (off <= allowed.put_down || rested >= LEFT_THERE) {
                self.instead = Some(level);
            }
        } else if off <= allowed.by_itself / 2.0 {
            self.instead = None;
        }
        // Nothing weighs less than nothing: what was seen first was not empty.
        if matches!(nothing, Nothing::Seen(_)) && off < -allowed.by_itself {
            self.nothing = Some(Nothing::Seen(level));
        }
    }

    /// How its zero has moved, as it lay empty last.
    pub(super) fn moved(&self) -> Option<MovedZero> {
        let (nothing, reads) = self.nothing.zip(self.instead)?;
        // To a gram: no minus before nothing.
        let grams = |level: f64| Grams::checked(level.round() + 0.0);
        Some(MovedZero { was: grams(nothing.level())?, reads: grams(reads)? })
    }
}

impl Stand {
    /// To be called for each look at an empty stand, and for the first at one that is no more.
    pub(super) fn look_at_it_empty(&mut self, look: &Look, said: &mut Vec<Said>) {
        let Some(level) = self.handler.empty_level(look) else { return self.cold.empty.is_loaded() };
        let allowed = Allowed::of(&self.cold.settings, look.by.variance);
        if self.cold.empty.look(look.at.mono, level, allowed) {
            said.push(Said::SeenEmpty);
        }
    }

    /// How its zero has moved, as far as its empty readings tell; `None`: it has not, or was not seen empty.
    #[must_use]
    pub fn moved_zero(&self) -> Option<MovedZero> {
        self.cold.empty.moved()
    }
}
