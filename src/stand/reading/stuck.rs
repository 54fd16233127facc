//! Readings that stand still as no cell does.

use super::Stand;
use crate::moment::{Moment, Mono, Span};
use crate::stand::handling::Place;
use crate::stand::words::{Fault, Said, Scene};
use crate::units::GramsPerHour;

/// Not a digit changed for so long is frozen, if it should have: in counts, and in anything else.
const FROZEN_COUNTS: Span = Span::minutes(10);
const FROZEN: Span = Span::hours(2);
/// A stand whose noise is a division repeats itself once in three or four; so many times, and for so long, it does not (a judgement).
const SAME_READINGS: f64 = 12.0;
const SAME_AT_LEAST: Span = Span::minutes(2);

impl Stand {
    pub(super) fn is_frozen(&mut self, bits: u64, at: Moment, scene: &Scene, said: &mut Vec<Said>) -> bool {
        let rate = scene.flat.as_ref().and_then(|flat| flat.drying);
        if bits != self.bits || self.same_since > at.mono {
            self.bits = bits;
            self.same_since = at.mono;
            self.rate_before = rate.or(self.rate_before);
            return false;
        }
        let held = at.mono.since(self.same_since);
        let least = if self.gate.is_of_counts() { FROZEN_COUNTS } else { FROZEN };
        if held < least || self.handler.place != Place::Loaded {
            return false;
        }
        // A rate is forgotten after some hours without a loss, which is what a frozen stand shows.
        let drying = rate.or(self.rate_before).map_or(0.0, GramsPerHour::get);
        if drying * held.as_hours() < 3.0 * self.division {
            return false;
        }
        self.raise(Fault::Frozen(held), at, said);
        true
    }

    /// Whether it may be frozen: then its readings say nothing of its noise.
    pub(super) fn repeats_itself(&self, at: Mono) -> bool {
        at.since(self.same_since).as_seconds() > 8.0 * self.pace.seconds()
    }

    /// For how long it has sent the very same number, where its noise makes that all but impossible: long before it is called frozen, no
    /// water goes by it.
    #[must_use]
    pub fn same_for(&self, at: Mono) -> Option<Span> {
        let held = at.since(self.same_since);
        let is_noisy = self.noise.grams().is_some_and(|noise| noise >= self.division);
        let repeats = held.as_seconds() > SAME_READINGS * self.pace.seconds();
        (is_noisy && repeats && held >= SAME_AT_LEAST).then_some(held)
    }
}
