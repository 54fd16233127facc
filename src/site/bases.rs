//! Flats that are not weighed all the time: weighed on a shared scale or by hand, or spoken for by another. Between two
//! weighings their fraction is carried on by what dries elsewhere, ever less sure.

use super::flats::Weighed;
use super::life::Seen;
use super::pours::{BY_THE_JUG, Pour};
use super::{Happening, Output, Sample, Site, Subject};
use crate::flat::{Pace, Taken, usual};
use crate::moment::{Moment, Span};
use crate::units::Grams;
use serde::{Deserialize, Serialize};

/// How a flat was last weighed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub(super) enum Basis {
    /// On a stand of its own.
    #[default]
    Stand,
    /// On a shared scale.
    Scale,
    /// Typed.
    Typed,
}

impl Basis {
    pub const fn name(self) -> &'static str {
        match self {
            Self::Stand => "stand",
            Self::Scale => "scale",
            Self::Typed => "typed",
        }
    }
}

/// What is known of a flat between weighings.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct Between {
    /// How it was last weighed.
    pub basis: Basis,
    /// The flat that its drying is held against; `None`: the clock.
    pub leader: Option<String>,
    /// What had dried off that flat when this one was weighed, as a share of its band.
    pub led_to: f64,
    /// How much faster than its leader it dries.
    pub pace: Pace,
    /// The same by the clock: what counts where nothing leads it.
    #[serde(skip_serializing_if = "is_new")]
    pub by_clock: Pace,
    /// Since when its leader leads it, if not since it was weighed; what it had lost by then as a share of its band, and how unsure
    /// that was.
    #[serde(skip_serializing_if = "Option::is_none")]
    handed_over: Option<(Moment, f64, f64)>,
    /// Water poured since it was weighed, where no scale saw it, as older stores have it: without a time.
    pub poured: Grams,
    /// What was poured since, one by one, by its time.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub pours: Vec<Pour>,
    /// What was told while its own stand did not see it: that will show it once more.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub told_away: Vec<Pour>,
    /// By how much its fraction differs from that of the flat that speaks for it, by its last weighing.
    pub apart: f64,
    /// Since when another speaks for it.
    pub spoken_since: Option<Moment>,
}

fn is_new(pace: &Pace) -> bool {
    *pace == Pace::default()
}

impl Between {
    /// Another leads from here on, or from the last weighing (`None`); until then `led_to` had dried off it.
    pub fn led_from(&mut self, handed_over: Option<(Moment, f64, f64)>, led_to: f64) {
        (self.handed_over, self.led_to) = (handed_over, led_to);
    }

    pub fn is_led_from_the_weighing(&self) -> bool {
        self.handed_over.is_none()
    }

    /// Since when its leader leads it; what it had lost by then, and how unsure that is.
    pub fn lost_before(&self, weighed: Moment) -> (Moment, f64, f64) {
        self.handed_over.unwrap_or((weighed, 0.0, 0.0))
    }
}

/// What is carried on is never surer than this (a scale's reading and a hand).
const LEAST_ERROR: Grams = Grams::new(2.0);
/// A gain beyond so many standard errors, and this share of the band, is water that nobody has told of.
pub(super) const SURE: f64 = 3.0;
pub(super) const LEAST_GAIN: f64 = 0.05;
/// For so long a flat dries about as it did a moment ago, to such a share: day and night differ twofold and more (judgements).
const LIKE_OF_LATE: Span = Span::hours(6);
const DAY_AND_NIGHT: f64 = 0.5;

impl Site {
    // ---- carrying on

    /// Whether this flat goes by weighings now and then, not by its own stand.
    pub(super) fn is_between(&self, index: usize) -> bool {
        let flat = &self.flats[index];
        flat.kept.between.as_ref().is_some_and(|between| between.basis != Basis::Stand)
    }

    /// The weight and its error of a flat that was weighed on a shared scale, or by hand.
    pub(super) fn carry_between(&mut self, index: usize, weighed: Weighed) -> Option<Grams> {
        let (band, _) = self.flats[index].band?;
        let (lost, error) = self.lost_by_leader(index, band.width(), self.now);
        let held = self.held(index, None);
        let error = Grams::new(error.get().hypot(held.error(band.width()).get())).max(LEAST_ERROR);
        let flat = &mut self.flats[index];
        flat.goes_by(weighed.weight + held.kept - lost, Some(error), self.heard);
        Some(error)
    }

    /// What a flat of which too few hours are known has lost off its stand in `span`, and the error of that: at first as it dried there
    /// last, then as flats usually do.
    pub(super) fn lost_as_of_late(&self, index: usize, width: Grams, span: Span) -> (Grams, Grams) {
        let stand = self.flats[index].stand.and_then(|stand| self.stands.get(stand));
        let (hours, usual) = (span.as_hours().max(0.0), width * usual::PER_HOUR);
        let Some(rate) = stand.and_then(|bench| bench.stand.drying()) else { return (usual * hours, usual * hours) };
        let as_of_late = hours.min(LIKE_OF_LATE.as_hours());
        let lost = Grams::new(rate.get() * as_of_late) + usual * (hours - as_of_late);
        (lost, lost.max(usual * hours) * DAY_AND_NIGHT)
    }

    // ---- weighing

    /// What a flat should weigh at a moment, and the standard error; `None` where nothing tells.
    pub(super) fn expected(&self, index: usize, at: Moment) -> Option<(Grams, Grams)> {
        let flat = &self.flats[index];
        let (band, _) = flat.band?;
        let weighed = flat.kept.weighed?;
        if !self.is_between(index) {
            // Off its own stand, or while that is silent, it is carried on by its own drying.
            let carried = flat.present.zip(flat.error).filter(|_| !self.is_weighed(index));
            return carried.map(|(present, error)| (present, Grams::new(error.get().hypot(5.0))));
        }
        let (lost, error) = self.lost_by_leader(index, band.width(), at);
        Some((weighed.weight + self.held(index, Some(at)).kept - lost, Grams::new(error.get().hypot(5.0))))
    }

    /// Takes a weight of a flat: what it tells of its drying, of its dome, and of water that nobody has told of.
    pub(super) fn take_weight(&mut self, index: usize, weight: Grams, at: Moment, basis: Basis) {
        let told = self.before_it_is_told(index, false);
        let (before, first) = (self.derived(index), self.seq + 1);
        let expected = self.expected(index, at);
        let Some(flat) = self.flats.get(index) else { return };
        let (from, width) = (flat.kept.weighed.map(|weighed| weighed.weight), flat.band.map(|(band, _)| band.width()));
        let poured = flat.kept.between.as_deref().map_or(Grams::ZERO, |between| between.poured_by(Some(at)));
        // What a full flat could not hold may stand in its tray all the same.
        let ran_off = self.held(index, Some(at)).ran_off;
        let weighed_with_water = from.unwrap_or(weight) + poured;
        let is_unknown = flat.fraction.is_none();
        let gained = expected.zip(width).map(|((expected, error), width)| {
            // Over a time in which nothing was known of it, only what it has gained since it was weighed is sure to have been poured.
            if is_unknown {
                let gain = weight - weighed_with_water;
                return (gain, gain > poured * BY_THE_JUG + width * LEAST_GAIN);
            }
            let expected = expected + ran_off;
            let gain = weight - expected;
            let by_its_drying = (error * SURE).max(width * LEAST_GAIN);
            // However it dries, it does not become heavier by that.
            (gain, gain > by_its_drying.min(weighed_with_water - expected + poured * BY_THE_JUG + width * LEAST_GAIN))
        });
        let dome = expected.and_then(|(expected, error)| self.dome_in_a_weight(index, weight - expected, error));
        let lacks =
            dome.is_none() && expected.is_some_and(|(expected, _)| self.lacks_its_dome(index, weight - expected));
        self.flats[index].kept.dome_missed = lacks.then_some(at);
        let is_water = matches!(gained, Some((_, true)));
        let has = dome.is_none()
            && !is_water
            && expected.is_some_and(|(expected, _)| self.has_its_dome_in_it(index, weight - expected));
        self.flats[index].kept.dome_weighed = has.then_some(at);
        let seen = match (dome, gained, width) {
            (Some(seen), ..) => Some(seen),
            // Of its drying it tells only if its dome is on after all.
            _ if lacks => None,
            (None, Some((gain, true)), _) => {
                self.watered_unseen(index, gain, at);
                Some(Seen::on_a_scale(gain, Taken::Watered))
            }
            (None, Some(_), Some(width)) => {
                self.compare_pace(index, weight, at, width);
                None
            }
            _ => None,
        };
        self.settle_weight(index, weight, at, basis);
        if let Some(seen) = seen {
            if seen.read == Taken::Watered {
                self.may_be_soaked(index, at);
            }
            self.write_down(index, seen, at, first, before);
        }
        self.event(Subject::Flat(index), Happening::Weighed { from, to: weight, basis: basis.name(), at: at.wall });
        self.was_told(index, told);
        let flat = &mut self.flats[index];
        if basis == Basis::Scale {
            // What the scale shows of it next is the same weight.
            flat.last_sample = Some(at.mono);
        }
        let sample = Sample { flat: index, at: at.wall, weight: weight - flat.dome, fraction: flat.fraction };
        self.out.push_back(Output::Weight(sample));
    }

    /// The flat goes by this weight from now on.
    fn settle_weight(&mut self, index: usize, weight: Grams, at: Moment, basis: Basis) {
        let flat = &mut self.flats[index];
        flat.kept.weighed = Some(Weighed { weight, at });
        flat.kept.first_weighed.get_or_insert(at.wall);
        flat.kept.misfit = None;
        flat.kept.off_since = None;
        let between = flat.kept.between.get_or_insert_default();
        between.basis = basis;
        between.weighed(at);
        flat.grow(at.wall);
        self.lead_from(index, at);
        self.count_lost_anew(index);
        self.settle(index);
        self.flats[index].goes_by(weight, None, self.heard);
        self.set_apart(index);
    }

    /// What the flat's state says it goes by.
    pub(super) fn basis(&self, index: usize) -> Option<&'static str> {
        let flat = &self.flats[index];
        if self.plan.flats[index].1.like.is_some_and(|like| !self.goes_by_its_own(index, like))
            && !self.is_weighed(index)
        {
            return (flat.fraction.is_some() || flat.kept.weighed.is_some()).then_some("sample");
        }
        let own = flat.kept.between.as_ref().map_or(Basis::Stand, |between| between.basis);
        flat.kept.weighed.map(|_| own.name())
    }

    /// Weighed all the time again: what was typed meanwhile, and what was poured where no scale saw it, is in the weight.
    pub(super) fn is_on_its_own_stand(&mut self, index: usize) {
        let stand = self.flats[index].stand.and_then(|stand| self.plan.stands.get(stand));
        if stand.is_some_and(|(_, settings)| settings.shared) {
            return;
        }
        let now = self.now;
        if let Some(between) = self.flats[index].kept.between.as_deref_mut() {
            between.basis = Basis::Stand;
            between.weighed(now);
        }
        self.has_seen_what_was_told(index);
        self.flats[index].kept.told.clear();
        self.flats[index].kept.out_of_reach = None;
    }

    /// Lifted off a shared scale: what dries from here on is its leader's to tell.
    pub(super) fn led_from_here(&mut self, index: usize) {
        let Some(weighed) = self.flats[index].kept.weighed else { return };
        let (now, led_to) = (self.now, self.dried_at(self.flats[index].leader.1, weighed.at));
        if let Some(between) = self.flats[index].kept.between.as_deref_mut() {
            between.led_from(None, led_to);
            between.weighed(now);
        }
        self.set_apart(index);
    }
}
