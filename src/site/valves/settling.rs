//! What an opening has given, once it has settled: counted, learned from, and told apart from what a hand gave meanwhile.

use super::super::{By, Site, Subject};
use super::kept::{Entry, Owed, Poured};
use crate::alert::Kind;
use crate::moment::{Moment, Span};
use crate::units::{Grams, Millilitres};
use crate::watering::{Bed, Lesson, Settled};

/// What a valve has given is told of a flat within this, or is part of nothing that is told.
const TOLD_WITHIN: Span = Span::hours(6);
/// So much more than a valve can have given may be what weights and drainage are off by: a share, and g.
const OFF_BY: f64 = 0.15;
const OFF_BY_AT_LEAST: f64 = 30.0;
/// Less than this share of what should have come is hardly any.
const HARDLY_ARRIVED: f64 = 0.3;
/// A flat that gets less than this in one opening may well show nothing of it, mL.
const MISSED_AT_LEAST: f64 = 30.0;

impl Site {
    pub(super) fn is_settling(&mut self, index: usize) -> bool {
        let now = self.now.mono;
        let Some(run) = &mut self.valves[index].run else { return false };
        let excess = run.pour.excess();
        if excess >= 1.0 && self.valves[index].kept.fault.is_none() {
            let text =
                format!("the flats go on gaining though it was ordered closed: {excess:.0} g more than they may");
            self.stays_open(index, text);
        }
        if self.may_still_run(index) {
            return false;
        }
        let Some(run) = &mut self.valves[index].run else { return false };
        let before: Vec<Millilitres> = run.pour.beds().iter().map(Bed::gained).collect();
        let Some(settled) = run.pour.settle(now) else { return false };
        let after: Vec<Millilitres> = run.pour.beds().iter().map(Bed::gained).collect();
        self.take_in(index, &settled, &before, &after);
        true
    }

    /// What it gave is not weighed before its report says closed, or its own timer has closed it.
    fn may_still_run(&self, index: usize) -> bool {
        if !self.plan.valves[index].reports || self.not_closed(index).is_none() {
            return false;
        }
        let over =
            self.valves[index].kept.entry.as_ref().map(|entry| entry.at.mono + Span::seconds(i64::from(entry.seconds)));
        over.is_none_or(|over| self.now.mono < over + super::account::CUT_OFF_SETTLES)
    }

    /// Counts, learns, and tells of what an opening gave.
    pub(super) fn take_in(&mut self, index: usize, settled: &Settled, before: &[Millilitres], after: &[Millilitres]) {
        let at = self.now;
        let flats: Vec<Millilitres> =
            after.iter().zip(before).map(|(after, before)| (*after - *before).max(Millilitres::ZERO)).collect();
        self.owe(index, &settled.own);
        let valve = &mut self.valves[index];
        let bucket = valve.run.as_ref().is_some_and(|run| run.pour.beds().is_empty());
        // What went into a bucket is known by its time alone, until somebody has said what it caught.
        let volume = match (&valve.kept.entry, bucket) {
            (Some(entry), true) => {
                let ran = valve.run.as_ref().map_or(f64::INFINITY, |run| run.pour.open_time().as_seconds());
                entry.most.min(Millilitres::new(valve.kept.flow().get() * ran))
            }
            // What has gone onto the floor counts too, so that whoever unlocks the valve time and again floods nothing.
            _ => settled.delivered + settled.unseen,
        };
        valve.kept.entry = None;
        valve.kept.write_down(Poured { at, volume, flats: flats.clone() });
        self.look_for_one_that_misses(index, &settled.lessons);
        // What a valve gave that did not close when it was told to says nothing of its flow.
        if self.valves[index].kept.fault.is_none() {
            for lesson in &settled.lessons {
                self.learn(index, lesson);
            }
        }
        self.take_from_supply(index, volume);
        let feeds = self.plan.valves[index].feeds.clone();
        for (feed, got) in feeds.iter().zip(&flats).filter(|(_, got)| **got >= Millilitres::new(1.0)) {
            let told = self.told_by_its_speaker(index, feed.flat, &flats);
            self.got_water(feed.flat, *got, got.mass() - told);
        }
        if settled.no_gain {
            let text = "it was open twice, and hardly any water arrived. Is the tank empty, the tap shut, a hose off or an emitter \
                        blocked?";
            self.lock(index, Kind::NoGain, text.to_owned());
        }
        self.keep(Subject::Valve(index));
        self.publish_valve(index);
    }

    /// What the weight of the flat that speaks for this one tells of its water, if the valve feeds both.
    fn told_by_its_speaker(&self, index: usize, flat: usize, flats: &[Millilitres]) -> Grams {
        let of = || {
            let speaker = self.plan.flats.get(flat)?.1.like?;
            let place = self.plan.valves[index].feeds.iter().position(|feed| feed.flat == speaker)?;
            let band = |flat: usize| Some(self.flats.get(flat)?.band?.0.width());
            Some(flats.get(place)?.mass() * (band(flat)? / band(speaker)?))
        };
        of().unwrap_or(Grams::ZERO)
    }

    fn got_water(&mut self, flat: usize, got: Millilitres, more: Grams) {
        self.interrupt(flat, super::super::readings::QUIET_AFTER_WATER);
        if self.is_weighed_all_the_time(flat) {
            // Its stand tells of it when the weight has come to rest.
            if let Some(flat) = self.flats.get_mut(flat) {
                flat.kept.watered = Some(self.now);
            }
        } else {
            self.poured_where_no_scale_saw(flat, got, more, self.now, By::Valve);
            self.own_of(flat);
        }
        self.keep(Subject::Flat(flat));
    }

    fn learn(&mut self, index: usize, lesson: &Lesson) {
        let valve = &mut self.valves[index];
        let Some(way) = valve.kept.ways.get_mut(lesson.bed) else { return };
        // What hardly arrived says nothing of a flow; the fault says it.
        let should = way.fit.gives(lesson.open_for);
        if lesson.gain < should * HARDLY_ARRIVED || lesson.open_for < 1.0 {
            return;
        }
        let share = way.fit.share(lesson.open_for, lesson.gain).filter(|_| should > Millilitres::new(30.0));
        way.fit.learn(lesson.open_for, lesson.gain);
        if let Some(above) = lesson.above {
            way.in_flight.learn(above);
        }
        let (fit, in_flight) = (way.fit, way.in_flight);
        if let Some(run) = &mut valve.run {
            run.pour.learned(lesson.bed, fit, in_flight);
        }
        self.judge_flow(index, share);
    }

    /// Where others on the valve have gained, one that has not is told of by its name: its water has gone somewhere else.
    fn look_for_one_that_misses(&mut self, index: usize, lessons: &[Lesson]) {
        let ways = &self.valves[index].kept.ways;
        let should = |lesson: &Lesson| ways.get(lesson.bed).map(|way| way.fit.gives(lesson.open_for));
        let arrives = |lesson: &Lesson| should(lesson).is_some_and(|should| lesson.gain >= should * HARDLY_ARRIVED);
        if !lessons.iter().any(arrives) {
            return;
        }
        let misses = |lesson: &&Lesson| {
            let beds = self.valves[index].run.as_ref().map(|run| run.pour.beds());
            let scale = beds.and_then(|beds| beds.get(lesson.bed)?.scale);
            let doubt = scale.map_or(f64::INFINITY, |scale| scale.doubt()).max(MISSED_AT_LEAST);
            !arrives(lesson) && should(lesson).is_some_and(|should| should.get() >= doubt)
        };
        let Some(lesson) = lessons.iter().find(misses) else { return };
        let Some(feed) = self.plan.valves[index].feeds.get(lesson.bed) else { return };
        let label = &self.plan.flats[feed.flat].1.label;
        let percent = should(lesson).map_or(0.0, |should| 100.0 * (lesson.gain / should).max(0.0));
        let text = format!(
            "only {percent:.0} % of its water arrives at {label}. Is an emitter blocked, a hose off, or does its stand show the same all the \
             time?"
        );
        self.lock(index, Kind::Clogged, text);
    }

    // ---- whose water it was

    /// What a valve has given its flats is its own when they are told to have been watered.
    pub(super) fn owe(&mut self, index: usize, own: &[Millilitres]) {
        let at = self.now;
        let Some(valve) = self.valves.get_mut(index) else { return };
        for (way, own) in valve.kept.ways.iter_mut().zip(own).filter(|(_, own)| **own > Millilitres::ZERO) {
            let before = way.owed.filter(|owed| is_recent(owed, at)).map_or(Millilitres::ZERO, |owed| owed.volume);
            way.owed = Some(Owed { at, volume: before + *own });
        }
    }

    /// As [`Self::owe`], of an opening that was cut off: a flat may have been told of it before anybody knew what it was.
    pub(super) fn owe_cut_off(&mut self, index: usize, entry: &Entry, gains: &[Millilitres]) {
        let flow = self.valves[index].kept.flow();
        let of = |(place, gain): (usize, &Millilitres)| {
            let valve = &self.valves[index];
            let share = valve.kept.ways.get(place).map_or(0.0, |way| way.fit.flow() / flow);
            let most = Millilitres::new(entry.most.get() * share + OFF_BY_AT_LEAST);
            let told =
                self.plan.valves[index].feeds.get(place).and_then(|feed| self.flats.get(feed.flat)?.kept.watered);
            let is_told = told.is_some_and(|told| told.mono > entry.at.mono);
            if is_told { Millilitres::ZERO } else { gain.min(most) }
        };
        let own: Vec<Millilitres> = gains.iter().enumerate().map(of).collect();
        self.owe(index, &own);
    }

    /// What of the water that a flat is about to be told of its valve can have given; it is told once.
    fn own_of(&mut self, flat: usize) -> Millilitres {
        let Some(index) = self.valve_of(flat) else { return Millilitres::ZERO };
        let now = self.now;
        let Some(place) = self.plan.valves[index].feeds.iter().position(|feed| feed.flat == flat) else {
            return Millilitres::ZERO;
        };
        let unsettled = self.may_have_come(index, place);
        let Some(valve) = self.valves.get_mut(index) else { return Millilitres::ZERO };
        let owed = valve.kept.ways.get_mut(place).and_then(|way| way.owed.take());
        let owed = owed.filter(|owed| is_recent(owed, now)).map_or(Millilitres::ZERO, |owed| owed.volume);
        self.keep(Subject::Valve(index));
        owed + unsettled
    }

    /// What an opening may have given that flat that has not settled yet: ours, one that was cut off, or somebody else's.
    fn may_have_come(&self, index: usize, place: usize) -> Millilitres {
        let valve = &self.valves[index];
        let share = valve.kept.ways.get(place).map_or(0.0, |way| way.fit.flow() / valve.kept.flow());
        let ours = match (&valve.run, &valve.kept.entry) {
            (Some(run), _) => run.pour.delivered_since_settled(self.now.mono),
            (None, Some(entry)) => entry.most,
            (None, None) => Millilitres::ZERO,
        };
        Millilitres::new((ours + self.foreign_so_far(index)).get() * share)
    }

    /// Who gave what a flat is told to have got: gross, kept, and by whom. What its valve cannot have given a hand has.
    pub(in crate::site) fn givers(&mut self, flat: usize, gross: Grams, kept: Grams) -> Vec<(Grams, Grams, By)> {
        let own = self.own_of(flat).mass();
        if own <= Grams::ZERO {
            return vec![(gross, kept, By::Hand)];
        }
        let rest = gross - own;
        if rest.get() <= OFF_BY_AT_LEAST.max(OFF_BY * own.get()) {
            return vec![(gross, kept, By::Valve)];
        }
        let kept_of_own = kept * (own / gross);
        vec![(own, kept_of_own, By::Valve), (rest, kept - kept_of_own, By::Hand)]
    }
}

fn is_recent(owed: &Owed, now: Moment) -> bool {
    now.mono.since(owed.at.mono) <= TOLD_WITHIN
}
