//! The shifts within a disturbance: from one rest to the next. A pour and a dome may come in one visit.

use super::{Episode, Half, Yardstick};
use crate::moment::{Mono, Span};
use crate::units::Grams;

/// Where readings come faster than this, a lone weight between two others is on its way, s.
const ON_ITS_WAY: f64 = 10.0;

/// The weight went from one rest to the next.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shift {
    /// By how much.
    pub change: Grams,
    /// When it had come to rest.
    pub at: Mono,
    /// Where it begins among the weights that were seen, and where it has come to rest.
    first: usize,
    rest: usize,
}

impl Episode {
    /// What happened so far, the oldest first.
    pub(in crate::stand) fn shifts(&self, by: &Yardstick) -> Vec<Shift> {
        let mut shifts: Vec<Shift> = Vec::new();
        for (place, pair) in self.bins.windows(2).enumerate() {
            let [from, to] = pair else { continue };
            let grams = f64::from(to.grams) - f64::from(from.grams);
            if grams.abs() <= by.change() {
                continue;
            }
            let rest = place + 1;
            let at = self.begun + Span::from_seconds(f64::from(to.from));
            let goes_on = from.count < 1.5 && by.period < ON_ITS_WAY;
            match shifts.last_mut() {
                Some(last) if goes_on && last.rest == place && last.change.get() * grams > 0.0 => {
                    *last = Shift { change: last.change + Grams::new(grams), at, rest, ..*last };
                }
                _ => shifts.push(Shift { change: Grams::new(grams), at, first: rest, rest }),
            }
        }
        shifts
    }

    /// So much of a shift is known for what it was, and tells of nothing else: as if it had been so before.
    #[expect(clippy::cast_possible_truncation, reason = "grams within what a stand admits")]
    pub(in crate::stand) fn take_out(&mut self, shift: &Shift, change: f64) {
        let before = self.bins.get(shift.first.wrapping_sub(1)).map_or(0.0, |bin| bin.grams);
        for (place, bin) in self.bins.iter_mut().enumerate().skip(shift.first) {
            bin.grams = if place < shift.rest { before } else { bin.grams - change as f32 };
        }
        self.before += change;
        self.grams -= change;
        self.smooth -= change;
        self.low = self.smooth;
        self.peak = self.bins.iter().skip(1).map(|bin| f64::from(bin.grams)).fold(self.smooth, f64::max);
        // Of its halves only those that lie behind the shift are of the rest that it came to.
        let shifted = shift.at.since(self.begun).as_seconds() - 1.0;
        if self.half.from < shifted {
            self.half = Half { from: self.seconds, ..Half::default() };
            self.earlier = None;
            return;
        }
        self.half.sum -= change * self.half.count;
        self.earlier = match self.earlier {
            Some(half) if half.from < shifted => None,
            earlier => earlier.map(|half| Half { sum: half.sum - change * half.count, ..half }),
        };
    }
}
