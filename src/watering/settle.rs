//! The end of an opening: where the flats settle, what that says of the valve, and whether water goes on that should not.

use super::bed::Bed;
use super::ended::Ended;
use super::pour::{LEARNED, NO_GAIN, Pour};
use super::terms::{Goal, Lesson, Phase, Settled};
use crate::moment::{Mono, Span};
use crate::units::Millilitres;

/// A settled weight is waited for so long, and at least this many periods.
const SETTLES_WITHIN: Span = Span::seconds(90);
const SETTLES_PERIODS: i64 = 4;
/// What a hose may still give, or a slow valve keep back, before that is learned, mL (a judgement).
const UNKNOWN_OFFSET: f64 = 20.0;
/// Where somebody has poured, or touched a flat, its weights count again from so long after closing, s.
const AFTER_A_HAND: f64 = 10.0;
/// A valve can have given so many times what it should: as known, and while its flow is only what somebody wrote down.
const MAY_GIVE: f64 = 1.3;
const MAY_GIVE_UNLEARNED: f64 = 2.0;
/// Where less than this share of what should have come was weighed, the rest has gone somewhere else: as known, and while its flow is
/// only what somebody wrote down.
const HARDLY: f64 = 0.7;
const HARDLY_UNLEARNED: f64 = 0.5;

impl Pour {
    pub(super) fn settles_within(&self) -> Span {
        let period = self.beds.iter().filter_map(|bed| Some(bed.scale?.period)).max().unwrap_or(Span::ZERO);
        SETTLES_WITHIN.max(Span::from_millis(period.millis() * SETTLES_PERIODS + 20_000))
    }

    /// What the last opening gave, once that can be said; then it waits for the next one, or is over.
    pub fn settle(&mut self, now: Mono) -> Option<Settled> {
        let Phase::Settling { closed, open_for, aimed } = self.phase else { return None };
        let late = now.since(closed) >= self.settles_within();
        let weighed: Option<Vec<Option<f64>>> = self
            .beds
            .iter()
            .map(|bed| match bed.scale {
                None => Some(None),
                Some(_) => bed.settled(late).map(Some).or(late.then_some(None)),
            })
            .collect();
        let weighed = weighed?;
        let lost_sight = self.beds.iter().zip(&weighed).any(|(bed, gain)| bed.scale.is_some() && gain.is_none());
        let settled = self.take_in(&weighed, open_for, aimed);
        let (got, should) = self.gain_and_should(&weighed, open_for, &settled);
        let doubt: f64 = self.beds.iter().filter_map(|bed| Some(bed.scale?.doubt())).sum();
        let barren = self.barren || (should > doubt.max(8.0) && got < NO_GAIN * should);
        let no_gain = barren && self.retried;
        if barren {
            self.retried = true;
        }
        if lost_sight || no_gain {
            self.ends = Some(Ended::Fault);
        }
        self.delivered += settled.delivered.get();
        self.phase = Phase::Waiting { from: closed + self.rules.rest };
        if let Some(ended) = self.over() {
            self.phase = Phase::Over(ended);
        }
        Some(Settled { no_gain, ..settled })
    }

    /// Ends an opening that has been closed and that nobody will see settle: what it gave as far as can be said, with what is on its way.
    /// `None` when none has just been closed, or nobody knows when it was.
    pub fn break_off(&mut self) -> Option<Settled> {
        let Phase::Settling { open_for, .. } = self.phase else { return None };
        if self.cut_off {
            return None;
        }
        let gains: Vec<f64> = self.beds.iter().map(|bed| bed.will_have_gained(open_for)).collect();
        let own =
            self.beds.iter().zip(&gains).map(|(bed, gain)| gain.min(can_have_given(bed, open_for, self.disturbed)));
        let own = own.map(Millilitres::new).collect();
        for (bed, gain) in self.beds.iter_mut().zip(&gains) {
            bed.gained += gain;
        }
        let delivered: f64 = gains.iter().sum();
        self.delivered += delivered;
        self.phase = Phase::Over(self.ends.unwrap_or(Ended::Stopped));
        let (delivered, unseen) = (Millilitres::new(delivered), Millilitres::ZERO);
        Some(Settled { delivered, unseen, lessons: Vec::new(), own, no_gain: false })
    }

    fn take_in(&mut self, weighed: &[Option<f64>], open_for: f64, aimed: Option<f64>) -> Settled {
        let (mut delivered, mut unseen, mut lessons, mut own) = (0.0, 0.0, Vec::new(), Vec::new());
        let worth = self.worth(Some(open_for));
        for (place, (bed, gain)) in self.beds.iter_mut().zip(weighed).enumerate() {
            let most = can_have_given(bed, open_for, self.disturbed);
            let got = match gain {
                Some(gain) => gain - bed.gained,
                None => bed.fit.gives(open_for).get() * worth,
            };
            unseen += gone_elsewhere(bed, open_for, got);
            bed.gained += got;
            delivered += got.max(0.0);
            own.push(Millilitres::new(got.clamp(0.0, most)));
            if gain.is_some() && !self.disturbed {
                let above = aimed.filter(|_| place == 0).map(|aimed| bed.gained - aimed);
                lessons.push(Lesson { bed: place, open_for, gain: Millilitres::new(got), above });
            }
        }
        if let Goal::Bucket(_) = self.goal {
            (delivered, unseen) = (0.0, 0.0);
        }
        let (delivered, unseen) = (Millilitres::new(delivered), Millilitres::new(unseen));
        Settled { delivered, unseen, lessons, own, no_gain: false }
    }

    fn gain_and_should(&self, weighed: &[Option<f64>], open_for: f64, settled: &Settled) -> (f64, f64) {
        let got = settled.lessons.iter().map(|lesson| lesson.gain.get()).sum();
        let known = self.beds.iter().zip(weighed).filter(|(_, gain)| gain.is_some());
        let should = known.map(|(bed, _)| bed.fit.gives(open_for).get()).sum();
        if self.disturbed { (0.0, 0.0) } else { (got, should) }
    }

    /// What has come since it was ordered closed beyond what was on its way, mL; 0 while nothing speaks for it.
    #[must_use]
    pub fn excess(&self) -> f64 {
        let Phase::Settling { open_for, aimed, .. } = self.phase else { return 0.0 };
        if self.cut_off {
            return 0.0;
        }
        let of = |(place, bed): (usize, &Bed)| {
            let scale = bed.scale?;
            // A short opening of a valve that is slow to open is learned to give next to nothing; it may well give what it lets through.
            let gives = bed.fit.gives(open_for).get().max(bed.rate() * open_for);
            let quick = bed.is_quick(self.tolerance);
            let seen = aimed.filter(|_| place == 0).or_else(|| bed.now(open_for).map(|now| now + bed.in_flight.get()));
            // Between slow readings nobody has seen what flowed: a good deal more than was learned may have.
            let (at_close, more) = match seen.filter(|_| quick) {
                Some(seen) => (seen, 0.0),
                None if bed.fit.learned() < LEARNED => (bed.gained + gives, gives + UNKNOWN_OFFSET),
                None => (bed.gained + gives, 0.5 * gives),
            };
            // Something was done to it: what counts is what comes from then on.
            let (at_close, more) = if self.disturbed || bed.was_lifted() {
                (bed.stood_at(AFTER_A_HAND)?, 0.5 * gives)
            } else {
                (at_close, more)
            };
            Some(bed.excess(at_close)? - more - scale.doubt().max(20.0))
        };
        self.beds.iter().enumerate().filter_map(of).fold(0.0, f64::max)
    }
}

/// What no weight has seen of what the valve must have given, mL: onto the floor beside a hose that is off, out of a mix that sheds it, or onto a
/// flat whose stand has stopped.
fn gone_elsewhere(bed: &Bed, open_for: f64, got: f64) -> f64 {
    let share = if bed.fit.learned() >= LEARNED { HARDLY } else { HARDLY_UNLEARNED };
    let missing = |share: f64, should: f64| if got < share * should { should - got.max(0.0) } else { 0.0 };
    let by_what_it_gave = missing(share, bed.fit.gave_at_best(open_for).get());
    // Who unlocks a valve without having found anything has taught it a flow that is too small.
    let by_what_was_told = missing(HARDLY_UNLEARNED, bed.fit.told().get() * open_for);
    by_what_it_gave.max(by_what_was_told)
}

/// The most that a flat can have got from the valve in that time, mL. A hand that poured meanwhile has given the rest.
fn can_have_given(bed: &Bed, open_for: f64, disturbed: bool) -> f64 {
    if let Some(gave) = bed.gave_undisturbed(open_for) {
        return gave;
    }
    let is_known = disturbed || bed.fit.learned() >= LEARNED;
    let factor = if is_known { MAY_GIVE } else { MAY_GIVE_UNLEARNED };
    let seen = if disturbed { 0.0 } else { MAY_GIVE * bed.flow_seen() * open_for };
    (factor * bed.fit.gives(open_for).get()).max(seen) + UNKNOWN_OFFSET
}
