//! Flats that are not weighed all the time: weighed on a shared scale or by hand, or spoken for by another. Between two
//! weighings their fraction is carried on by what dries elsewhere, ever less sure.

use super::flats::Weighed;
use super::life::Seen;
use super::look::TOO_UNSURE;
use super::{Happening, Output, Sample, Site, Subject};
use crate::flat::{Leader, Pace, Taken};
use crate::moment::{Moment, Span};
use crate::units::{Fraction, Grams};
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
    /// Water poured since it was weighed, where no scale saw it, as older stores have it: without a time.
    poured: Grams,
    /// What was poured since, one by one.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pours: Vec<Pour>,
    /// By how much its fraction differs from that of the flat that speaks for it, by its last weighing.
    pub apart: f64,
    /// Since when another speaks for it.
    pub spoken_since: Option<Moment>,
}

/// Water that no scale saw.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Pour {
    /// The number of its event.
    seq: u64,
    at: Moment,
    amount: Grams,
    /// It has been corrected: it was none.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    is_none: bool,
}

impl Between {
    /// Water poured since it was weighed, where no scale saw it.
    pub fn poured(&self) -> Grams {
        self.poured_by(None)
    }

    /// The same until a moment.
    fn poured_by(&self, at: Option<Moment>) -> Grams {
        let counts = |pour: &&Pour| !pour.is_none && at.is_none_or(|at| pour.at.mono <= at.mono);
        self.pours.iter().filter(counts).fold(self.poured, |sum, pour| sum + pour.amount)
    }

    pub fn pour(&mut self, seq: u64, at: Moment, amount: Grams) {
        self.pours.push(Pour { seq, at, amount, is_none: false });
    }

    /// The water of this event was poured, or was none.
    pub fn was_poured(&mut self, seq: u64, is_water: bool) {
        if let Some(pour) = self.pours.iter_mut().find(|pour| pour.seq == seq) {
            pour.is_none = !is_water;
        }
    }

    /// Cells were taken out, with their share of what was poured.
    pub fn scale_pours(&mut self, left: f64) {
        self.poured = self.poured * left;
        for pour in &mut self.pours {
            pour.amount = pour.amount * left;
        }
    }

    /// What was poured before this moment is in a weight now.
    fn weighed(&mut self, at: Moment) {
        self.poured = Grams::ZERO;
        self.pours.retain(|pour| pour.at.mono > at.mono);
    }
}

/// As long as nothing is known of how a flat dries, it is taken to lose so much of its band an hour, give or take as much: a flat
/// of 0.14 m² that loses 1 to 5 mm a day out of a band of 1 to 2 kg lies within.
pub(super) const BY_THE_CLOCK: f64 = 0.01;
/// What is carried on is never surer than this (a scale's reading and a hand).
const LEAST_ERROR: Grams = Grams::new(2.0);
/// A flat that another speaks for is at best so sure, as a share of its band; by the time it has to be checked again its error
/// has reached what is worth nothing.
const SPOKEN_FOR: f64 = 0.04;
/// A gain beyond so many standard errors, and this share of the band, is water that nobody has told of.
pub(super) const SURE: f64 = 3.0;
const LEAST_GAIN: f64 = 0.05;

impl Site {
    // ---- what leads a flat that is not weighed all the time

    /// Counts what has dried off a flat on its stand.
    pub(super) fn count_dried(&mut self, index: usize, weight: Grams, left_alone: bool) {
        let now = self.now;
        let gap = self.dried_since_counted(index);
        let Some(flat) = self.flats.get_mut(index) else { return };
        let Some((band, _)) = flat.band else { return };
        let lost = match flat.dry_run {
            Some(before) if left_alone => (before - weight) / band.width(),
            _ => gap,
        };
        flat.kept.dried += lost;
        flat.kept.dried_at = Some(now);
        flat.dry_run = left_alone.then_some(weight);
    }

    /// What will have dried off since it was counted last, by its rate.
    fn dried_since_counted(&self, index: usize) -> f64 {
        let flat = &self.flats[index];
        let (Some(at), Some((band, _))) = (flat.kept.dried_at, flat.band) else { return 0.0 };
        let hours = self.now.mono.since(at.mono).as_hours().max(0.0);
        let per_hour = flat.outlook.rate.map_or(BY_THE_CLOCK, |rate| rate.get() / band.width().get());
        per_hour * hours
    }

    /// What had dried off a leader at a moment, as a share of its band; without one, by the clock.
    fn dried_at(&self, leader: Option<usize>, at: Moment) -> f64 {
        let Some((index, flat)) = leader.and_then(|leader| Some((leader, self.flats.get(leader)?))) else {
            return BY_THE_CLOCK * Span::from_millis(at.wall.millis()).as_hours();
        };
        let ago = self.now.mono.since(at.mono);
        let now = flat.kept.dried + self.dried_since_counted(index);
        let Some((band, _)) = flat.band.filter(|_| ago > Span::ZERO) else { return now };
        let lost = flat.kept.drying.lost_in_last(ago, self.now);
        let by_rate = flat.outlook.rate.map_or(band.width() * BY_THE_CLOCK, |rate| Grams::new(rate.get()));
        now - lost.unwrap_or(by_rate * ago.as_hours()) / band.width()
    }

    /// What this flat's drying is best held against.
    fn choose_leader(&self, index: usize) -> (Leader, Option<usize>) {
        let (_, own) = &self.plan.flats[index];
        let rank = |(other, flat): (usize, &super::flats::Flat)| {
            let (_, settings) = self.plan.flats.get(other)?;
            let is_led_by_itself = other != index && flat.kept.dried_at.is_some() && flat.band.is_some();
            if !is_led_by_itself || flat.stand.is_none() {
                return None;
            }
            let same_fill = own.fill.is_some() && settings.fill == own.fill;
            let leader = match own.like {
                Some(like) if like == other => Leader::Batch,
                _ if same_fill && settings.sown == own.sown => Leader::Batch,
                _ if same_fill => Leader::Fill,
                _ => Leader::Room,
            };
            Some((own.like != Some(other), leader as u8, other, leader))
        };
        let best =
            self.flats.iter().enumerate().filter_map(rank).min_by_key(|(no_like, rank, at, _)| (*no_like, *rank, *at));
        best.map_or((Leader::Clock, None), |(_, _, at, leader)| (leader, Some(at)))
    }

    /// After a restart: the leader by its id.
    pub(super) fn recall_leader(&mut self, index: usize) {
        let Some(between) = &self.flats[index].kept.between else { return };
        let id = between.leader.clone();
        let was_led = id.is_some();
        let known = id.and_then(|id| self.plan.flats.iter().position(|(flat, _)| *flat == id));
        let best = self.choose_leader(index);
        self.flats[index].leader = match known {
            Some(at) if best.1 == Some(at) => best,
            Some(at) => (Leader::Room, Some(at)),
            None if was_led => return self.follow_another(index, best),
            None => (Leader::Clock, None),
        };
    }

    /// Its leader has left the file: from its last weighing on it is held against another, whose count is another too.
    fn follow_another(&mut self, index: usize, leader: (Leader, Option<usize>)) {
        let weighed = self.flats[index].kept.weighed.map_or(self.now, |weighed| weighed.at);
        let led_to = self.dried_at(leader.1, weighed);
        let id = leader.1.and_then(|leader| self.plan.flats.get(leader)).map(|(id, _)| id.clone());
        let flat = &mut self.flats[index];
        flat.leader = leader;
        if let Some(between) = flat.kept.between.as_deref_mut() {
            (between.leader, between.led_to, between.pace) = (id, led_to, Pace::default());
        }
        self.keep(Subject::Flat(index));
    }

    /// What a flat has lost from its last weighing to a moment, by its leader, and the standard error of that.
    fn lost_by_leader(&self, index: usize, band: Grams, at: Moment) -> (Grams, Grams) {
        let flat = &self.flats[index];
        let Some(between) = &flat.kept.between else { return (Grams::ZERO, Grams::ZERO) };
        let (leader, by) = flat.leader;
        let share = (self.dried_at(by, at) - between.led_to).max(0.0);
        between.pace.lost(band, Fraction::new(share), leader)
    }

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
        let flat = &mut self.flats[index];
        let poured = flat.kept.between.as_ref().map_or(Grams::ZERO, |between| between.poured());
        // What is poured on a full flat runs out of it again.
        let full = band.capacity() + flat.plants();
        let wet = weighed.weight + poured;
        let held = if poured > Grams::ZERO && wet > full { full.max(weighed.weight) } else { wet };
        // Who pours reads a jug to a tenth; what ran out of a full flat leaves it full.
        let by_the_jug = if held < wet { band.width() * 0.03 } else { poured * 0.1 };
        let error = Grams::new(error.get().hypot(by_the_jug.get())).max(LEAST_ERROR);
        flat.goes_by(held - lost, Some(error));
        Some(error)
    }

    /// The fraction of a flat that another speaks for.
    pub(super) fn speak_for(&mut self, index: usize, speaker: usize) {
        let now = self.now;
        let spoken = self.flats.get(speaker).and_then(|speaker| speaker.fraction);
        let speaker_error = self.flats.get(speaker).map_or(0.0, |_| self.fraction_error(speaker));
        let check_every = self.weigh_after(index);
        let flat = &mut self.flats[index];
        flat.grow(now.wall);
        let Some((band, _)) = flat.band else { return };
        let between = flat.kept.between.get_or_insert_default();
        let spoken_since = *between.spoken_since.get_or_insert(now);
        let checked = flat.kept.weighed.map_or(spoken_since, |weighed| weighed.at);
        let age = now.mono.since(checked.mono);
        let Some(spoken) = spoken else {
            flat.unknown();
            return;
        };
        let poured = between.poured() / band.width();
        let fraction = (spoken.get() + between.apart + poured).min(spoken.get().max(1.0));
        let aging = (TOO_UNSURE - SPOKEN_FOR) * (age.as_hours() / check_every.as_hours().max(1.0 / 60.0));
        let error = speaker_error.hypot(SPOKEN_FOR + aging.max(0.0));
        flat.goes_by(band.weight_at(Fraction::new(fraction), flat.plants()), Some(band.width() * error));
        if age > check_every {
            flat.unknown();
        }
    }

    // ---- weighing

    /// What a flat should weigh at a moment, and the standard error; `None` where nothing tells.
    pub(super) fn expected(&self, index: usize, at: Moment) -> Option<(Grams, Grams)> {
        let flat = &self.flats[index];
        let (band, _) = flat.band?;
        let weighed = flat.kept.weighed?;
        let between = flat.kept.between.as_deref().filter(|between| between.basis != Basis::Stand)?;
        let (lost, error) = self.lost_by_leader(index, band.width(), at);
        Some((weighed.weight + between.poured_by(Some(at)) - lost, Grams::new(error.get().hypot(5.0))))
    }

    /// Takes a weight of a flat: what it tells of its drying, of its dome, and of water that nobody has told of.
    pub(super) fn take_weight(&mut self, index: usize, weight: Grams, at: Moment, basis: Basis) {
        let told = self.before_it_is_told(index, false);
        let (before, first) = (self.derived(index), self.seq + 1);
        let expected = self.expected(index, at);
        let Some(flat) = self.flats.get(index) else { return };
        let (from, width) = (flat.kept.weighed.map(|weighed| weighed.weight), flat.band.map(|(band, _)| band.width()));
        let gained = expected.zip(width).map(|((expected, error), width)| {
            let gain = weight - expected;
            (gain, gain > (error * SURE).max(width * LEAST_GAIN))
        });
        let dome = expected.and_then(|(expected, _)| self.dome_in_a_weight(index, weight - expected));
        let seen = match (dome, gained, width) {
            (Some(seen), ..) => Some(seen),
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
        let flat = &self.flats[index];
        let sample = Sample { flat: index, at: at.wall, weight: weight - flat.dome, fraction: flat.fraction };
        self.out.push_back(Output::Weight(sample));
    }

    fn compare_pace(&mut self, index: usize, weight: Grams, at: Moment, width: Grams) {
        let (_, by) = self.flats[index].leader;
        let led_to = self.dried_at(by, at);
        let flat = &mut self.flats[index];
        let (Some(weighed), Some(between)) = (flat.kept.weighed, flat.kept.between.as_deref_mut()) else { return };
        // What was poured by hand is known to a tenth; a comparison through it would teach the jug.
        if between.poured() > width * LEAST_GAIN {
            return;
        }
        let own = (weighed.weight + between.poured() - weight) / width;
        between.pace.compare(Fraction::new(own), Fraction::new(led_to - between.led_to));
    }

    /// The flat goes by this weight from now on.
    fn settle_weight(&mut self, index: usize, weight: Grams, at: Moment, basis: Basis) {
        let leader = self.choose_leader(index);
        let led_to = self.dried_at(leader.1, at);
        let leader_id = leader.1.and_then(|leader| self.plan.flats.get(leader)).map(|(id, _)| id.clone());
        let flat = &mut self.flats[index];
        flat.kept.weighed = Some(Weighed { weight, at });
        flat.kept.first_weighed.get_or_insert(at.wall);
        flat.kept.misfit = None;
        flat.kept.off_since = None;
        let between = flat.kept.between.get_or_insert_default();
        if between.leader != leader_id {
            between.pace = Pace::default();
        }
        between.basis = basis;
        between.leader = leader_id;
        between.led_to = led_to;
        between.weighed(at);
        flat.leader = leader;
        flat.grow(at.wall);
        self.settle(index);
        self.flats[index].goes_by(weight, None);
        self.set_apart(index);
    }

    /// By how much a flat differs from the one that speaks for it.
    fn set_apart(&mut self, index: usize) {
        let Some(speaker) = self.plan.flats[index].1.like else { return };
        let spoken = self.flats.get(speaker).and_then(|speaker| speaker.fraction);
        let flat = &mut self.flats[index];
        if let (Some(own), Some(spoken), Some(between)) = (flat.fraction, spoken, flat.kept.between.as_deref_mut()) {
            between.apart = own.get() - spoken.get();
        }
    }

    /// What the flat's state says it goes by.
    pub(super) fn basis(&self, index: usize) -> Option<&'static str> {
        let flat = &self.flats[index];
        if self.plan.flats[index].1.like.is_some() && !self.is_weighed(index) {
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
        self.flats[index].kept.told.clear();
    }

    /// Lifted off a shared scale: what dries from here on is its leader's to tell.
    pub(super) fn led_from_here(&mut self, index: usize) {
        let Some(weighed) = self.flats[index].kept.weighed else { return };
        let (now, led_to) = (self.now, self.dried_at(self.flats[index].leader.1, weighed.at));
        if let Some(between) = self.flats[index].kept.between.as_deref_mut() {
            between.led_to = led_to;
            between.weighed(now);
        }
        self.set_apart(index);
    }
}
