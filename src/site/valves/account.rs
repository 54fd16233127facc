//! What a watering has come to: one that was cut off, and one under way as it is published.

use super::super::{Happening, Site, Subject, WateringState, decimals};
use super::device::Device;
use super::kept::Poured;
use crate::moment::Span;
use crate::units::Millilitres;
use crate::watering::{Bed, Ended, Phase};

/// Water still on its way after a cut-off watering has arrived after this.
pub(super) const CUT_OFF_SETTLES: Span = Span::seconds(30);

impl Site {
    /// An opening of an earlier run, or of a lost connection, whose end nobody has seen: settled by weighing, once the valve is
    /// known closed and the flats have stood still; until then it counts as its most.
    pub(super) fn settle_cut_off(&mut self, index: usize) {
        let Some(entry) = self.valves.get(index).and_then(|valve| valve.kept.entry.clone()) else { return };
        let over = entry.at.mono + Span::seconds(i64::from(entry.seconds));
        let timer_is_over = self.plan.valves[index].has_timer && self.now.mono.since(over) > CUT_OFF_SETTLES;
        let is_closed = self.not_closed(index).is_none();
        let waited = self.now.mono.since(self.begun.max(entry.at.mono)) >= CUT_OFF_SETTLES;
        if !(waited && (is_closed || timer_is_over)) || self.not_fresh(index).or_else(|| self.unsteady(index)).is_some()
        {
            self.agenda.wish(Subject::Valve(index), self.now.mono + Span::seconds(5));
            return;
        }
        let flow = self.valves[index].kept.flow();
        let gains: Vec<Millilitres> = self
            .weights_now(index)
            .iter()
            .zip(&entry.weights)
            .enumerate()
            .map(|(place, (now, before))| match (now, before) {
                (Some(now), Some(before)) => Millilitres::new((now.of_water().get() - before).max(0.0)),
                _ => self.valves[index]
                    .kept
                    .ways
                    .get(place)
                    .map_or(Millilitres::ZERO, |way| Millilitres::new(entry.most.get() * (way.fit.flow() / flow))),
            })
            .collect();
        let delivered: Millilitres = gains.iter().copied().sum();
        let kept = &mut self.valves[index].kept;
        kept.entry = None;
        kept.write_down(Poured { at: entry.at, volume: delivered, flats: gains.clone() });
        self.owe_cut_off(index, &entry, &gains);
        self.take_from_supply(index, delivered);
        let plan = self.plan.clone();
        let flats: Vec<(String, Millilitres)> = plan.valves[index]
            .feeds
            .iter()
            .zip(&gains)
            .map(|(feed, got)| (self.id(Subject::Flat(feed.flat)).to_owned(), *got))
            .collect();
        let why = Some("it was cut off; this is what the weights say it gave".to_owned());
        let volume = entry.volume.unwrap_or(entry.most);
        let what = Happening::WateringEnded { volume, delivered, reason: Ended::Fault, why, flats };
        self.event(Subject::Valve(index), what);
        self.keep(Subject::Valve(index));
        self.publish_valve(index);
    }

    /// Everything that waters is closed, and what it gave is written down as far as it is known: there will be nobody to weigh it. An
    /// opening whose end nobody has seen stays in the journal, and is settled at the next start.
    pub(in crate::site) fn stop_valves_for_good(&mut self) {
        // Nothing opens any more.
        self.broker = None;
        for index in 0..self.valves.len() {
            if self.valves[index].run.is_none() {
                continue;
            }
            let may_be_seen = self.valves[index].link;
            self.close_if_open(index);
            let Some(run) = &mut self.valves[index].run else { continue };
            let before: Vec<Millilitres> = run.pour.beds().iter().map(Bed::gained).collect();
            let settled = run.pour.break_off().filter(|_| may_be_seen);
            let after: Vec<Millilitres> = run.pour.beds().iter().map(Bed::gained).collect();
            if let Some(settled) = settled {
                self.take_in(index, &settled, &before, &after);
            }
            self.ends(index, Ended::Stopped);
        }
    }

    /// As [`Self::of_the_day`], but with what has come of an opening instead of what may.
    pub(super) fn of_the_day_so_far(&self, index: usize) -> Millilitres {
        let Some(valve) = self.valves.get(index) else { return Millilitres::ZERO };
        let settled = valve.kept.of_the_day(self.now) + self.foreign_so_far(index);
        match (&valve.run, &valve.kept.entry) {
            (Some(run), _) => settled + run.pour.delivered_since_settled(self.now.mono),
            (None, Some(entry)) => settled + entry.most,
            (None, None) => settled,
        }
    }

    pub(super) fn watering_state(&self, index: usize) -> Option<WateringState> {
        let run = self.valves.get(index)?.run.as_ref()?;
        let (pulse, pulses) = run.pour.pulses();
        let phase = match (run.pour.phase(), &self.valves[index].device) {
            (Phase::Open { .. }, _) => "pulse",
            (Phase::Settling { .. }, Device::Closing(_)) => "closing",
            (Phase::Settling { .. }, _) | (Phase::Over(_), _) => "settling",
            (Phase::Waiting { .. }, _) => "rest",
        };
        let until = match run.pour.phase() {
            Phase::Open { since, opening } => Some(since + Span::seconds(i64::from(opening.cap))),
            Phase::Waiting { from } => Some(from),
            _ => run.pour.next_wake(self.now.mono),
        };
        Some(WateringState {
            id: format!("w-{}", run.pour.id),
            volume_ml: decimals(run.pour.volume.get(), 1),
            delivered_ml: decimals(run.pour.delivered(self.now.mono).get(), 1),
            pulse: pulse.max(1),
            pulses: pulses.max(1),
            phase,
            // Before the first pulse it waits for the journal, a master, a better moment: nobody knows for how long.
            until: until.filter(|at| *at > self.now.mono).map(|at| self.stamp(self.now.wall_at(at))),
        })
    }
}
