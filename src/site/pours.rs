//! Water that no scale saw, until the flat is weighed: what of it the flat holds, and what of it a weight shows later.

use super::Site;
use super::bases::Between;
use crate::moment::Moment;
use crate::stand::Handling;
use crate::units::Grams;
use serde::{Deserialize, Serialize};

/// Who pours reads a jug to a tenth.
pub(super) const BY_THE_JUG: f64 = 0.1;
/// What a full flat holds is known so well, as a share of its band.
const WHEN_FULL: f64 = 0.03;
/// A gain that differs from what was told of it by less than this is that.
const SAME_WATER: Grams = Grams::new(20.0);

/// Water that no scale saw.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(super) struct Pour {
    /// The number of its event.
    seq: u64,
    at: Moment,
    amount: Grams,
    /// What the flat had lost by then, since it was weighed: room for so much more. Older stores do not know.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    lost: Option<Grams>,
    /// It has been corrected: it was none.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    is_none: bool,
}

/// What became of the water that was poured since a flat was weighed.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Held {
    /// It holds so much of it.
    pub kept: Grams,
    /// And so much ran out of a full flat, or stands in its tray.
    pub ran_off: Grams,
}

impl Held {
    /// How unsure it is what the flat holds of it: a flat that ran over is full.
    pub fn error(self, width: Grams) -> Grams {
        if self.ran_off > Grams::ZERO { width * WHEN_FULL } else { self.kept * BY_THE_JUG }
    }

    fn pour(&mut self, amount: Grams, room: Grams) {
        let kept = amount.min(room.max(Grams::ZERO));
        self.kept += kept;
        self.ran_off += amount - kept;
    }
}

impl Between {
    /// Water poured since it was weighed, where no scale saw it.
    pub fn poured(&self) -> Grams {
        self.poured_by(None)
    }

    /// The same until a moment.
    pub fn poured_by(&self, at: Option<Moment>) -> Grams {
        self.counted(at).fold(self.poured, |sum, pour| sum + pour.amount)
    }

    fn counted(&self, at: Option<Moment>) -> impl Iterator<Item = &Pour> {
        self.pours.iter().filter(move |pour| !pour.is_none && at.is_none_or(|at| pour.at.mono <= at.mono))
    }

    /// What a flat holds of it that has weighed `weighed`, and `full` when it is full.
    fn held(&self, weighed: Grams, full: Grams, at: Option<Moment>) -> Held {
        let mut held = Held::default();
        held.pour(self.poured, full - weighed);
        for pour in self.counted(at) {
            held.pour(pour.amount, full - weighed - held.kept + pour.lost.unwrap_or(Grams::ZERO));
        }
        held
    }

    /// Was poured at that moment, by the event of this number, when it had lost so much since it was weighed.
    fn pour(&mut self, seq: u64, at: Moment, amount: Grams, lost: Option<Grams>) {
        let pour = Pour { seq, at, amount, lost, is_none: false };
        let place = self.pours.partition_point(|earlier| earlier.at.mono <= at.mono);
        self.pours.insert(place, pour);
    }

    /// Told of while it was not on its own stand, which will show it once more.
    fn tell_away(&mut self, seq: u64, at: Moment, amount: Grams) {
        self.told_away.push(Pour { seq, at, amount, lost: None, is_none: false });
    }

    /// The water of this event was poured, or was none.
    pub fn was_poured(&mut self, seq: u64, is_water: bool) {
        for pour in self.pours.iter_mut().chain(&mut self.told_away).filter(|pour| pour.seq == seq) {
            pour.is_none = !is_water;
        }
    }

    /// Cells were taken out, with their share of what was poured.
    pub fn shrink(&mut self, left: f64) {
        self.poured = self.poured * left;
        for pour in &mut self.pours {
            pour.amount = pour.amount * left;
            pour.lost = pour.lost.map(|lost| lost * left);
        }
    }

    /// What was poured before this moment is in a weight now.
    pub fn weighed(&mut self, at: Moment) {
        self.poured = Grams::ZERO;
        self.pours.retain(|pour| pour.at.mono > at.mono);
    }
}

impl Site {
    /// What a flat holds of the water that was poured since it was weighed, until a moment.
    pub(super) fn held(&self, index: usize, at: Option<Moment>) -> Held {
        let flat = &self.flats[index];
        let Some(between) = flat.kept.between.as_deref() else { return Held::default() };
        match (flat.band, flat.kept.weighed) {
            (Some((band, _)), Some(weighed)) => {
                between.held(weighed.weight - flat.dome, band.capacity() + flat.plants(), at)
            }
            _ => Held { kept: between.poured_by(at), ran_off: Grams::ZERO },
        }
    }

    /// Takes down a pour that the next event tells of; how much of it ran off.
    pub(super) fn pour_unseen(&mut self, index: usize, amount: Grams, at: Moment) -> Grams {
        let lost = self.lost_until(index, at);
        let seq = self.seq + 1;
        let before = self.held(index, None);
        let between = self.flats[index].kept.between.get_or_insert_default();
        between.pour(seq, at, amount, lost);
        self.tell_away(index, seq, at, amount);
        self.held(index, None).ran_off - before.ran_off
    }

    /// What it has lost since it was weighed, until a moment.
    fn lost_until(&self, index: usize, at: Moment) -> Option<Grams> {
        let flat = &self.flats[index];
        let (band, _) = flat.band?;
        let weighed = flat.kept.weighed?;
        if self.is_between(index) {
            return Some(self.lost_by_leader(index, band.width(), at).0);
        }
        Some(weighed.weight + self.held(index, None).kept - flat.present?)
    }

    /// Of what was poured after a weight that is only told of now: what it had lost by then counts from that weight.
    pub(super) fn count_lost_anew(&mut self, index: usize) {
        let lost = |pour: &Pour| self.lost_until(index, pour.at);
        let pours = self.flats[index].kept.between.as_deref().map(|between| between.pours.iter().map(lost));
        let Some(lost) = pours.map(Iterator::collect::<Vec<_>>) else { return };
        if let Some(between) = self.flats[index].kept.between.as_deref_mut() {
            between.pours.iter_mut().zip(lost).for_each(|(pour, lost)| pour.lost = lost);
        }
    }

    // ---- what its own stand shows of it later

    /// Of a flat with a stand of its own, which does not see it now.
    pub(super) fn tell_away(&mut self, index: usize, seq: u64, at: Moment, amount: Grams) {
        if self.has_own_stand(index) {
            self.flats[index].kept.between.get_or_insert_default().tell_away(seq, at, amount);
        }
    }

    /// What a stand sees when it sees its flat again, less the water that somebody has told of meanwhile.
    pub(super) fn without_what_was_told(&mut self, index: usize, handling: Handling) -> Handling {
        let Some(between) = self.flats.get_mut(index).and_then(|flat| flat.kept.between.as_deref_mut()) else {
            return handling;
        };
        let counted = between.told_away.iter().filter(|pour| !pour.is_none);
        let told = counted.fold(Grams::ZERO, |sum, pour| sum + pour.amount);
        if told <= Grams::ZERO || !matches!(handling, Handling::Returned { .. } | Handling::Watered { .. }) {
            return handling;
        }
        between.told_away.clear();
        let beyond = |gain: Grams| Some(gain - told).filter(|left| *left > SAME_WATER.max(told * (2.0 * BY_THE_JUG)));
        match handling {
            Handling::Returned { change, away, watered_away } => {
                Handling::Returned { change, away, watered_away: watered_away.and_then(beyond) }
            }
            Handling::Watered { gross, kept } => match beyond(gross) {
                Some(gross) => Handling::Watered { gross, kept: (kept - told).max(Grams::ZERO) },
                None => Handling::Visited { change: kept - told },
            },
            other => other,
        }
    }

    /// Its own stand has seen it, and nothing is going on there: what was told before that has been seen.
    pub(super) fn has_seen_what_was_told(&mut self, index: usize) {
        let bench = self.flats[index].stand.and_then(|stand| self.stands.get(stand));
        let is_quiet = bench.is_some_and(|bench| bench.stand.is_left_alone());
        if let Some(between) = self.flats[index].kept.between.as_deref_mut().filter(|_| is_quiet) {
            between.told_away.clear();
        }
    }

    /// It is carried to another stand, which will hold it against its last weight: only what was poured since is not in that.
    pub(super) fn tell_away_since_weighed(&mut self, index: usize) {
        if let Some(between) = self.flats[index].kept.between.as_deref_mut() {
            between.told_away.clone_from(&between.pours);
        }
    }
}
