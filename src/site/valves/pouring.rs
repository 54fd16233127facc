//! A watering from its beginning to its end: guard, journal, orders, weights, and what is learned of it.

use super::super::{Happening, Site, Subject};
use super::changed::PlannedBy;
use super::device::Device;
use super::kept::{Bucket, Entry};
use crate::moment::{Mono, Span};
use crate::units::{Grams, Millilitres};
use crate::watering::{
    Bed, Ended, Goal, LimitedBy, Objection, Opening, Passing, Phase, Plan as Watering, Pour, Rules, Scale, WhyClose,
    objection,
};

/// A moment that is bad for opening is waited out for so long, and so many periods of the slowest stand.
const PATIENCE: Span = Span::minutes(3);
const PATIENCE_PERIODS: i64 = 6;
/// While it waits for a better moment it looks so often.
const LOOKS_EVERY: Span = Span::seconds(1);
/// The store is asked for no longer.
const FLUSHED_WITHIN: Span = Span::seconds(5);
/// A master opens so long before.
const MASTER_FIRST: Span = Span::seconds(2);

/// A watering under way.
#[derive(Debug)]
pub(super) struct Run {
    pub pour: Pour,
    /// Nobody asked for it.
    pub by_itself: bool,
    pub limited_by: LimitedBy,
    step: Step,
    /// Since when it waits for a better moment.
    waits: Option<Mono>,
    /// Why it was broken off, for people.
    why: Option<String>,
    pub planned_by: Vec<PlannedBy>,
}

/// What stands between wanting to open and the order.
#[derive(Debug, Clone, Copy)]
enum Step {
    None,
    /// The journal is being written.
    Journal {
        mark: u64,
        since: Mono,
        opening: Opening,
    },
    /// The supply's master was ordered open.
    Master {
        since: Mono,
        opening: Opening,
    },
}

impl Run {
    /// It is open, or about to be.
    pub fn needs_its_master(&self) -> bool {
        matches!(self.step, Step::Master { .. }) || matches!(self.pour.phase(), Phase::Open { .. })
    }

    pub fn next_wake(&self, now: Mono) -> Option<Mono> {
        match self.step {
            Step::Journal { since, .. } => Some(since + FLUSHED_WITHIN),
            Step::Master { since, .. } if now < since + MASTER_FIRST => Some(since + MASTER_FIRST),
            Step::Master { .. } => Some(now + LOOKS_EVERY),
            Step::None if self.waits.is_some() => Some(now + LOOKS_EVERY),
            // It would have settled, but nobody knows yet that it is closed.
            Step::None if matches!(self.pour.phase(), Phase::Settling { .. }) => {
                self.pour.next_wake(now).map(|at| if at > now { at } else { now + LOOKS_EVERY })
            }
            Step::None => self.pour.next_wake(now),
        }
    }
}

impl Site {
    // ---- begin

    /// Begins a watering that the guard has nothing lasting against. Its answer names it.
    pub(super) fn begin(&mut self, index: usize, goal: Goal, plan: &Watering, by_itself: bool) -> Result<u64, String> {
        self.may_begin(index, by_itself, matches!(goal, Goal::Bucket(_)))?;
        let beds = if matches!(goal, Goal::Bucket(_)) { Vec::new() } else { self.beds(index, goal, plan) };
        let settings = &self.plan.valves[index];
        let longest = plan.pulses.iter().map(|pulse| pulse.run).max().unwrap_or(plan.run);
        let rest = plan.pulses.first().map_or(Span::ZERO, |pulse| pulse.rest);
        let rules = Rules {
            max_run: settings.max_run.unwrap_or(plan.run),
            most: self.left_today(index).unwrap_or(Millilitres::ZERO),
            pulse: longest.max(self.usual_pulse(index, plan)),
            rest,
        };
        self.plans_made += 1;
        let (id, now) = (self.plans_made, self.now.mono);
        let pour = Pour::new(id, goal, plan.volume, rules, beds, now);
        let (limited_by, planned_by) = (plan.limited_by, self.planned_by(index));
        let valve = &mut self.valves[index];
        valve.run = Some(Run { pour, by_itself, limited_by, step: Step::None, waits: None, why: None, planned_by });
        valve.due_since = None;
        if by_itself {
            valve.kept.by_itself = Some(self.now);
        }
        self.keep(Subject::Valve(index));
        self.keep(Subject::Site);
        self.event(Subject::Valve(index), Happening::WateringStarted { volume: plan.volume });
        self.replan_valve(index);
        self.publish_valve(index);
        self.wish_valve(index);
        Ok(id)
    }

    /// Waterings that go on longer than planned go on in pulses of the same length.
    fn usual_pulse(&self, index: usize, plan: &Watering) -> Span {
        if plan.pulses.len() > 1 {
            return Span::ZERO;
        }
        let fed = self.fed(index).unwrap_or_default();
        crate::watering::longest_pulse(&fed, &self.plan.valves[index])
    }

    pub(super) fn may_begin(&self, index: usize, by_itself: bool, bucket: bool) -> Result<(), String> {
        if self.valves[index].run.is_some() {
            return Err(format!("{} is watering already; `stop` ends that", self.id(Subject::Valve(index))));
        }
        if let Some(other) = self.waters_from_the_supply(index) {
            return Err(format!("{other} draws on the same supply and waters now; when it has ended, this may begin"));
        }
        match objection(&self.situation(index, by_itself, bucket)) {
            // It is waited for: one reading in a thousand lies out of line.
            Some(Objection { reason: "unsteady", .. }) | None => Ok(()),
            Some(Objection { text, .. }) => Err(text),
        }
    }

    fn beds(&self, index: usize, goal: Goal, plan: &Watering) -> Vec<Bed> {
        let valve = &self.valves[index];
        let flow = valve.kept.flow();
        let fed = self.fed(index).unwrap_or_default();
        let of = |(place, (fed, way)): (usize, (&crate::watering::Fed, &super::kept::Way))| {
            let wants = match goal {
                Goal::Volume(volume) => Millilitres::new(volume.get() * (way.fit.flow() / flow)),
                // What one that feeds one flat is to give, even where a plan was cut.
                _ if plan.limited_by == LimitedBy::Target => (fed.band * fed.target.get() - fed.water).of_water(),
                _ => plan.flats.get(place).map_or(Millilitres::ZERO, |share| share.gets),
            };
            let room = if self.is_weighed_all_the_time(fed.flat) {
                fed.room()
            } else {
                let day = fed.band.of_water() * super::situation::UNWEIGHED - valve.kept.of_the_day_to(place, self.now);
                fed.room().min(day.max(Millilitres::ZERO))
            };
            Bed::new(fed.flat, wants, room, way.fit, way.in_flight, self.scale_under(fed.flat))
        };
        fed.iter().zip(&valve.kept.ways).enumerate().map(of).collect()
    }

    fn scale_under(&self, flat: usize) -> Option<Scale> {
        let stand = &self.stands.get(self.flats.get(flat)?.stand?)?.stand;
        Some(Scale {
            period: stand.period().unwrap_or(Span::minutes(1)),
            noise: stand.noise().unwrap_or(Grams::new(1.5)),
            division: stand.division(),
        })
    }

    // ---- go on

    /// Does what a watering asks for now.
    pub(in crate::site) fn drive(&mut self, index: usize) {
        // Each turn moves it one phase on; a watering has few at one moment.
        for _ in 0..8 {
            let Some(phase) = self.valves.get(index).and_then(|valve| valve.run.as_ref()).map(|run| run.pour.phase())
            else {
                self.settle_cut_off(index);
                return;
            };
            let moved = match phase {
                Phase::Waiting { .. } => self.wants_to_open(index),
                Phase::Open { .. } => self.is_pouring(index),
                Phase::Settling { .. } => self.is_settling(index),
                Phase::Over(ended) => {
                    self.ends(index, ended);
                    return;
                }
            };
            if !moved {
                self.wish_valve(index);
                return;
            }
        }
    }

    fn wants_to_open(&mut self, index: usize) -> bool {
        let now = self.now.mono;
        let (by_itself, bucket, step) = {
            let Some(run) = &self.valves[index].run else { return false };
            (run.by_itself, matches!(run.pour.goal, Goal::Bucket(_)), run.step)
        };
        match step {
            Step::Journal { since, .. } if now.since(since) >= FLUSHED_WITHIN => {
                self.journal_written(index, false);
                return true;
            }
            Step::Master { .. } if self.fault_of_master(index).is_some() => return !self.still_may_open(index),
            Step::Master { since, opening } if now.since(since) >= MASTER_FIRST && self.is_master_open(index) => {
                return !self.still_may_open(index) || self.open_now(index, opening);
            }
            Step::Journal { .. } | Step::Master { .. } => return false,
            Step::None => {}
        }
        if self.ends_for_another_plan(index) {
            return true;
        }
        let against = objection(&self.situation(index, by_itself, bucket));
        let patience = self.patience(index);
        let Some(run) = &mut self.valves[index].run else { return false };
        match against {
            Some(objection) if objection.passing != Passing::Soon => {
                let ended = if objection.reason == "hours" { Ended::Limit } else { Ended::Fault };
                run.why = Some(objection.text);
                run.pour.stop(ended);
                true
            }
            Some(objection) => {
                if matches!(run.pour.phase(), Phase::Waiting { from } if now < from) {
                    return false;
                }
                let since = *run.waits.get_or_insert(now);
                if now.since(since) < patience {
                    return false;
                }
                run.why = Some(objection.text);
                run.pour.stop(Ended::Fault);
                true
            }
            None => {
                run.waits = None;
                self.count_what_came_meanwhile(index);
                let left = self.left_today(index).unwrap_or(Millilitres::ZERO);
                let Some(run) = &mut self.valves[index].run else { return false };
                if !bucket {
                    run.pour.may_still_pour(left);
                }
                let Some(opening) = run.pour.next_opening(now) else {
                    return matches!(run.pour.phase(), Phase::Over(_));
                };
                self.write_journal(index, opening);
                false
            }
        }
    }

    fn patience(&self, index: usize) -> Span {
        let feeds = &self.plan.valves[index].feeds;
        let periods = feeds.iter().filter_map(|feed| Some(self.scale_under(feed.flat)?.period));
        let slowest = periods.max().unwrap_or(Span::ZERO);
        PATIENCE.max(Span::from_millis(slowest.millis() * PATIENCE_PERIODS))
    }

    /// The planned opening goes to the disk before the order goes out.
    fn write_journal(&mut self, index: usize, opening: Opening) {
        let weights = self.weights_now(index);
        let now = self.now;
        self.marks += 1;
        let mark = self.marks;
        let flow = self.valves[index].kept.flow();
        let valve = &mut self.valves[index];
        let Some(run) = &mut valve.run else { return };
        let most = if run.pour.beds().is_empty() {
            Millilitres::new(flow.get() * f64::from(opening.cap))
        } else {
            opening.most
        };
        run.step = Step::Journal { mark, since: now.mono, opening };
        valve.kept.entry = Some(Entry {
            watering: run.pour.id,
            at: now,
            volume: Some(run.pour.volume),
            seconds: opening.cap,
            most,
            weights: weights.iter().map(|weight| weight.map(|weight| weight.of_water().get())).collect(),
        });
        self.keep(Subject::Valve(index));
        self.out.push_back(super::super::Output::Flush(mark));
    }

    /// The weights that the fed flats stand at. The level that is believed may still be on its way up after a pulse.
    pub(super) fn weights_now(&self, index: usize) -> Vec<Option<Grams>> {
        let of = |feed: &crate::watering::Feed| {
            let flat = self.flats.get(feed.flat).filter(|flat| flat.on_stand)?;
            let stand = &self.stands.get(flat.stand?)?.stand;
            let (steady, latest) = (stand.steady()?, stand.latest()?);
            let noise = stand.noise().unwrap_or(Grams::new(1.5));
            let apart = (noise * 4.0).max(stand.division() * 2.0);
            Some(if (latest - steady).abs() > apart { latest } else { steady })
        };
        self.plan.valves[index].feeds.iter().map(of).collect()
    }

    pub(in crate::site) fn flushed(&mut self, mark: u64, ok: bool) {
        let waits = |valve: &super::Valve| {
            valve.run.as_ref().is_some_and(|run| matches!(run.step, Step::Journal { mark: of, .. } if of == mark))
        };
        let Some(index) = self.valves.iter().position(waits) else { return };
        self.journal_written(index, ok);
        self.replan_valve(index);
        self.wish_valve(index);
    }

    fn journal_written(&mut self, index: usize, ok: bool) {
        let now = self.now.mono;
        let valve = &mut self.valves[index];
        let Some(run) = &mut valve.run else { return };
        let Step::Journal { opening, .. } = run.step else { return };
        run.step = Step::None;
        if !ok {
            valve.journal_failed = Some(now);
            valve.kept.entry = None;
            let more = if run.pour.pulses().0 > 0 { "nothing more" } else { "nothing" };
            run.why = Some(format!("the store could not be written, so {more} was opened"));
            run.pour.stop(Ended::Fault);
            return;
        }
        valve.journal_failed = None;
        if !self.still_may_open(index) {
            return;
        }
        if self.open_master_for(index, opening.cap) {
            if let Some(run) = &mut self.valves[index].run {
                run.step = Step::Master { since: now, opening };
            }
            return;
        }
        self.open_now(index, opening);
    }

    /// The world may have changed while the disk was busy, or the master opened. If so, what was to be opened is not.
    fn still_may_open(&mut self, index: usize) -> bool {
        let Some(run) = &self.valves[index].run else { return false };
        let (by_itself, bucket) = (run.by_itself, matches!(run.pour.goal, Goal::Bucket(_)));
        let is_otherwise = self.ends_for_another_plan(index);
        // The entry in the journal is of this very opening.
        let objection = objection(&self.situation(index, by_itself, bucket));
        if objection.is_none() && !is_otherwise && !self.has_come_meanwhile(index) {
            return true;
        }
        let valve = &mut self.valves[index];
        valve.kept.entry = None;
        if let Some(run) = &mut valve.run {
            run.step = Step::None;
            if let Some(objection) = objection.filter(|objection| objection.passing != Passing::Soon) {
                run.why = Some(objection.text);
                run.pour.stop(Ended::Fault);
            }
        }
        self.close_master_of(index);
        self.keep(Subject::Valve(index));
        false
    }

    fn open_now(&mut self, index: usize, opening: Opening) -> bool {
        let now = self.now.mono;
        let weights = self.weights_now(index);
        for feed in self.plan.clone().valves[index].feeds.iter() {
            self.interrupt(feed.flat, super::super::readings::QUIET_AFTER_WATER);
        }
        let Some(run) = &mut self.valves[index].run else { return false };
        run.step = Step::None;
        // Stopped meanwhile.
        if !matches!(run.pour.phase(), Phase::Waiting { .. }) {
            return true;
        }
        run.pour.opens(opening, &weights, now);
        self.order_open(index, opening.cap);
        true
    }

    /// Whether it was closed.
    fn is_pouring(&mut self, index: usize) -> bool {
        let now = self.now.mono;
        let bucket = {
            let Some(run) = &self.valves[index].run else { return false };
            matches!(run.pour.goal, Goal::Bucket(_))
        };
        let trouble = self.trouble_while_open(index, bucket);
        if trouble.is_none() && self.ends_for_another_plan(index) {
            self.close_for(index, &WhyClose::Pulse);
            return true;
        }
        let Some(run) = &mut self.valves[index].run else { return false };
        let why = match trouble {
            Some(text) => {
                run.pour.stop(Ended::Fault);
                Some(WhyClose::Disturbed(text))
            }
            None => run.pour.should_close(now),
        };
        let Some(why) = why else { return false };
        self.close_for(index, &why);
        true
    }

    /// Ends a watering whose flats are to be watered otherwise now.
    fn ends_for_another_plan(&mut self, index: usize) -> bool {
        let Some(run) = &self.valves[index].run else { return false };
        if matches!(run.pour.goal, Goal::Bucket(_)) {
            return false;
        }
        let Some(why) = self.no_longer_planned(index, &run.planned_by) else { return false };
        if let Some(run) = &mut self.valves[index].run {
            run.why = Some(why);
            run.pour.stop(Ended::Limit);
        }
        true
    }

    fn trouble_while_open(&self, index: usize, bucket: bool) -> Option<String> {
        let situation = self.situation(index, false, bucket);
        let standing = situation.fault.or(situation.flat.filter(|_| !bucket)).map(|(_, text)| text);
        let text = standing.or(situation.held.map(|topic| format!("`{topic}` of its `never_while` holds it")));
        text.or_else(|| situation.paused.then(|| "all valves were paused".to_owned()))
            .or_else(|| (!situation.connected).then(|| "the connection was lost".to_owned()))
    }

    fn close_for(&mut self, index: usize, why: &WhyClose) {
        let now = self.now.mono;
        if let Some(run) = &mut self.valves[index].run {
            if let WhyClose::Disturbed(text) = why {
                run.why = Some(text.clone());
            }
            run.pour.closes(why, now);
        }
        self.order_close(index);
        self.publish_valve(index);
    }

    /// It has closed before it was told to: by its own timer, or by somebody.
    pub(super) fn closed_early(&mut self, index: usize) {
        let now = self.now.mono;
        if let Some(run) = &mut self.valves[index].run
            && matches!(run.pour.phase(), Phase::Open { .. })
        {
            run.pour.closes(&WhyClose::Cap, now);
        }
    }

    pub(super) fn connection_lost(&mut self, index: usize) {
        let now = self.now.mono;
        if let Some(run) = &mut self.valves[index].run {
            run.why = Some("the connection to it was lost".to_owned());
            run.pour.closes(&WhyClose::CutOff, now);
            run.pour.stop(Ended::Fault);
        }
        if !self.valves[index].device.is_closed() {
            self.order_close(index);
        }
    }

    pub(in crate::site) fn is_under_valve(&self, flat: usize) -> bool {
        self.valve_of(flat).and_then(|valve| self.valves.get(valve)).is_some_and(|valve| valve.run.is_some())
    }

    /// A weight of a flat, steady or not, while its valve waters.
    pub(in crate::site) fn weighed_under_valve(&mut self, flat: usize, weight: Grams) {
        let Some(index) = self.valve_of(flat) else { return };
        let now = self.now.mono;
        let Some(run) = self.valves.get_mut(index).and_then(|valve| valve.run.as_mut()) else { return };
        if let Some(why) = run.pour.weighed(flat, weight, now) {
            self.close_for(index, &why);
        }
        self.drive(index);
        if self.valves[index].has_moved(now) {
            self.publish_valve(index);
        }
        self.wish_valve(index);
    }

    // ---- end

    pub(super) fn stop_run(&mut self, index: usize, ended: Ended) {
        let Some(run) = self.valves.get_mut(index).and_then(|valve| valve.run.as_mut()) else { return };
        run.pour.stop(ended);
        self.close_if_open(index);
        self.drive(index);
    }

    pub(super) fn close_if_open(&mut self, index: usize) {
        let run = self.valves[index].run.as_ref();
        if run.is_some_and(|run| matches!(run.pour.phase(), Phase::Open { .. })) {
            self.close_for(index, &WhyClose::Pulse);
        }
    }

    pub(super) fn ends(&mut self, index: usize, ended: Ended) {
        let Some(run) = self.valves.get_mut(index).and_then(|valve| valve.run.take()) else { return };
        if !matches!(run.step, Step::None) {
            // What the journal has of it was never ordered.
            self.valves[index].kept.entry = None;
        }
        let flats: Vec<(String, Millilitres)> = run
            .pour
            .beds()
            .iter()
            .map(|bed| (self.id(Subject::Flat(bed.flat)).to_owned(), bed.gained().max(Millilitres::ZERO)))
            .collect();
        let (volume, delivered) = (run.pour.volume, run.pour.delivered(self.now.mono));
        if run.pour.beds().is_empty() {
            let seconds = run.pour.open_time().as_seconds();
            let ran = ended != Ended::Fault && seconds > 0.0;
            self.valves[index].kept.bucket = ran.then_some(Bucket { seconds, at: self.now });
        }
        let fault = || self.valves[index].kept.fault.as_ref().map(|fault| fault.text.clone());
        let why = match ended {
            Ended::Fault => run.why.or_else(fault),
            Ended::Limit => run.why,
            Ended::Target | Ended::Volume | Ended::Stopped => None,
        };
        self.event(Subject::Valve(index), Happening::WateringEnded { volume, delivered, reason: ended, why, flats });
        if run.limited_by == LimitedBy::MaxPerDay {
            self.cut_short_by_the_day(index);
        }
        self.close_master_of(index);
        self.hand_on_the_supply(index);
        if !self.valves[index].device.is_closed() && !matches!(self.valves[index].device, Device::Closing(_)) {
            self.order_close(index);
        }
        for feed in self.plan.clone().valves[index].feeds.iter() {
            if let Some(stand) = self.flats.get(feed.flat).and_then(|flat| flat.stand) {
                self.refresh_scene(stand);
            }
        }
        self.keep(Subject::Valve(index));
        self.publish_valve(index);
        self.agenda.wish(Subject::Valve(index), self.now.mono + Span::seconds(1));
    }
}
