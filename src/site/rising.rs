//! A flat that gets heavier bit by bit while nobody waters it: a valve that leaks. If its weight never stands still, what is left has to
//! follow it all the same, or it would drown unseen.

use super::Site;
use super::readings::QUIET_AFTER_WATER;
use crate::moment::{Mono, Span};
use crate::units::Grams;
use crate::watering::Mode;

/// A pour by hand has drained and stands still well before.
const RISES_FOR: Span = Span::minutes(15);
/// So much heavier at least (a judgement: a hand, a drip, a cable are less).
const AT_LEAST: Grams = Grams::new(20.0);
/// Of the whole rise, so much falls into either half of the time: a step is none.
const IN_EITHER_HALF: f64 = 0.25;
/// Once it is known to rise, its weight counts so often.
const COUNTS_EVERY: Span = Span::minutes(1);

/// How heavy it has become, since when.
#[derive(Debug, Clone, Copy)]
pub(super) struct Rise {
    since: Mono,
    from: Grams,
    /// Half of the time later.
    halfway: Option<Grams>,
    counted: Option<Mono>,
    /// The last two weights.
    last: [Grams; 2],
}

impl Rise {
    fn begin(now: Mono, weight: Grams) -> Self {
        Self { since: now, from: weight, halfway: None, counted: None, last: [weight; 2] }
    }

    /// What is to be believed of a weight that never stands still: of the last three the middle one, for any one may be a glitch.
    fn middle(&mut self, weight: Grams) -> Grams {
        let [older, old] = self.last;
        self.last = [old, weight];
        older.min(old).max(older.max(old).min(weight))
    }
}

impl Site {
    /// A weight of a flat on its stand, that stands still or does not.
    pub(super) fn may_rise(&mut self, index: usize, weight: Grams, stands_still: bool) {
        let now = self.now.mono;
        if self.flats[index].rise.is_none() && self.has_water_coming(index) {
            return;
        }
        let rise = self.flats[index].rise.get_or_insert(Rise::begin(now, weight));
        let weight = rise.middle(weight);
        if weight < rise.from {
            *rise = Rise::begin(now, weight);
        }
        let lasts = now.since(rise.since);
        if rise.halfway.is_none() && lasts.as_seconds() >= RISES_FOR.as_seconds() / 2.0 {
            rise.halfway = Some(weight);
        }
        let is_new = rise.counted.is_none_or(|counted| now.since(counted) >= COUNTS_EVERY);
        if lasts >= RISES_FOR && is_new {
            let rise = *rise;
            self.rises(index, rise, weight, stands_still);
        }
    }

    fn rises(&mut self, index: usize, rise: Rise, weight: Grams, stands_still: bool) {
        let flat = &self.flats[index];
        if !flat.on_stand || flat.kept.soak.is_some() || self.has_had_water(index, rise.since) {
            self.flats[index].rise = None;
            return;
        }
        let stand = flat.stand.and_then(|stand| self.stands.get(stand));
        let Some(stand) = stand.map(|bench| &bench.stand) else { return };
        let noise = stand.noise().unwrap_or(Grams::new(1.5));
        let gained = weight - rise.from;
        let first_half = rise.halfway.map_or(Grams::ZERO, |halfway| halfway - rise.from);
        let is_gradual = first_half > gained * IN_EITHER_HALF && first_half < gained * (1.0 - IN_EITHER_HALF);
        let is_rising = gained >= (noise * 8.0).max(stand.division() * 3.0).max(AT_LEAST) && is_gradual;
        if !is_rising && rise.counted.is_none() {
            // Looked at anew from here.
            self.flats[index].rise = None;
            return;
        }
        if let Some(rise) = self.flats[index].rise.as_mut() {
            rise.counted = Some(self.now.mono);
        }
        self.interrupt(index, QUIET_AFTER_WATER);
        if !stands_still {
            self.weighed(index, weight);
        }
        if rise.counted.is_none() {
            self.blame_its_valve(index, gained);
        }
    }

    fn blame_its_valve(&mut self, index: usize, gained: Grams) {
        let Some(valve) = self.valve_of(index) else { return };
        if self.plan.valves[valve].mode == Mode::Advise {
            return;
        }
        let label = &self.plan.flats[index].1.label;
        let minutes = RISES_FOR.as_seconds() / 60.0;
        let more = self.plan.words.weight(gained);
        let text =
            format!("{label} has got heavier by {more}, bit by bit, in {minutes:.0} min, though nothing waters it");
        self.stays_open(valve, text);
    }
}
