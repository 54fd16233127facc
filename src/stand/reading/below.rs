//! Readings far below zero, which no weight can be: what an empty stand reads that was set to zero with something on it, and the only
//! thing by which it can be zeroed again.

use super::{Stand, State};
use crate::moment::{Mono, Span};
use crate::stand::gate::Doubt;
use crate::stand::words::Fault;

/// So many readings in a row that agree, over so long, stand still.
const ENOUGH: u16 = 4;
const LONG_ENOUGH: Span = Span::seconds(2);
/// They agree within so many grams, or four times the noise.
const AGREE: f64 = 3.0;

/// Readings below zero in a row, each near the mean of those before.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Below {
    mean: f64,
    count: u16,
    since: Mono,
    until: Mono,
}

impl Stand {
    /// A reading so far below zero that it was turned away.
    pub(super) fn hear_below(&mut self, grams: f64, at: Mono) {
        let near = AGREE.max(2.0 * self.division).max((16.0 * self.noise.cautious(self.division)).sqrt());
        let before = self.cold.below.filter(|below| (grams - below.mean).abs() <= near);
        let mut below = before.unwrap_or(Below { mean: grams, count: 0, since: at, until: at });
        below.count = below.count.saturating_add(1);
        below.mean += (grams - below.mean) / f64::from(below.count);
        below.until = at;
        self.cold.below = Some(below);
    }

    /// What it reads below what it may, standing still there.
    fn standing_below(&self) -> Option<f64> {
        let below = self.cold.below?;
        (below.count >= ENOUGH && below.until.since(below.since) >= LONG_ENOUGH).then_some(below.mean)
    }

    /// Whether it has lost its zero: it reads less than nothing.
    #[must_use]
    pub fn has_lost_its_zero(&self) -> bool {
        let fault = self.cold.fault.as_ref().filter(|_| self.state == State::Faulty);
        matches!(fault, Some((_, Fault::Tared | Fault::BelowZero(_))))
    }

    /// Whether it stands still as far as a zero asks for: also where it has lost its own.
    #[must_use]
    pub fn may_be_zeroed(&self) -> bool {
        self.is_still() || self.has_lost_its_zero() && self.reads_now().is_some()
    }

    /// What it reads, standing still, be it far below zero.
    pub(in crate::stand) fn reads_now(&self) -> Option<f64> {
        if self.cold.below.is_some() { self.standing_below() } else { self.standing() }
    }

    /// It has a zero again.
    pub(in crate::stand) fn has_a_zero_again(&mut self, at: Mono) {
        self.cold.below = None;
        if self.has_lost_its_zero() {
            (self.state, self.cold.fault) = (State::Well, None);
            (self.doubt, self.run) = (Doubt::default(), 0);
            self.wake = Some(at + self.stale_after());
        }
    }
}
