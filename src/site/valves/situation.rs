//! What speaks for and against opening a valve at this moment, as the guard asks for it.

use super::super::Site;
use crate::alert::Kind;
use crate::moment::{Mono, Span};
use crate::units::Millilitres;
use crate::watering::Situation;

/// A weight is fresh up to two periods, and at least so long.
const FRESH: Span = Span::seconds(3);
/// Of an unweighed flat's band, so much a day.
pub(super) const UNWEIGHED: f64 = 0.25;
/// The store is tried again so long after it could not be written.
const JOURNAL_AGAIN: Span = Span::seconds(60);

impl Site {
    /// Everything that speaks for or against opening a valve now.
    pub(super) fn situation(&self, index: usize, by_itself: bool, bucket: bool) -> Situation {
        let settings = &self.plan.valves[index];
        let valve = &self.valves[index];
        let fault = valve.kept.fault.as_ref().map(|fault| (fault.kind.name(), fault.text.clone()));
        Situation {
            valve: settings.id.clone(),
            mode: settings.mode,
            by_itself,
            bucket,
            fault: fault.or_else(|| self.fault_of_master(index)),
            flat: self.reason_against_any(index).or_else(|| self.unweighed(index, by_itself)),
            held: settings.never_while.iter().zip(&valve.held).find(|(_, held)| **held).map(|(topic, _)| topic.clone()),
            paused: self.is_paused(),
            clock_wrong: self.is_clock_wrong(),
            out_of_hours: !self.is_in_hours(index),
            empty: self.empty_supply(index),
            uptake: self.uptake(index),
            connected: valve.link && self.broker.is_some() && self.is_master_linked(index),
            store_works: self.store_works,
            journal: valve.journal_failed.is_none_or(|at| self.now.mono.since(at) > JOURNAL_AGAIN),
            other: self.other_on_the_supply(index),
            not_closed: self.not_closed(index).or_else(|| self.cut_off(index)),
            not_fresh: self.not_fresh(index),
            unsteady: self.unsteady(index),
        }
    }

    /// A watering that was cut off, by a crash or a power cut, is settled first.
    fn cut_off(&self, index: usize) -> Option<String> {
        let valve = &self.valves[index];
        let text = "its last watering was cut off, and what that gave is still being weighed";
        (valve.kept.entry.is_some() && valve.run.is_none()).then(|| text.to_owned())
    }

    /// What was given from below is drawn up before more is given. The rests of one watering are its own.
    fn uptake(&self, index: usize) -> Option<String> {
        let until = self.uptake_until(index).filter(|_| self.valves[index].run.is_none())?;
        let last = self.valves[index].kept.last_to_a_flat()?;
        let hour = |wall| self.stamp(wall).get(11..16).unwrap_or_default().to_owned();
        let (gave, over) = (hour(last.wall), hour(self.now.wall_at(until)));
        let valve = &self.plan.valves[index].id;
        Some(format!("the mix still draws up what {valve} gave from below at {gave}; it waters again from {over} on"))
    }

    /// When uptake from the tray is over, while it is not.
    pub(super) fn uptake_until(&self, index: usize) -> Option<Mono> {
        let lasts = crate::watering::uptake(self.plan.valves.get(index)?)?;
        let until = self.valves.get(index)?.kept.last_to_a_flat()?.mono + lasts;
        (until > self.now.mono).then_some(until)
    }

    /// Flats that only a `like` speaks for need their owner's word, and are not watered by themselves while a check is overdue. What is
    /// weighed now and then, on a shared scale or in the kitchen, has no fresh weight but while it lies there, and nobody speaks for it.
    fn unweighed(&self, index: usize, by_itself: bool) -> Option<(&'static str, String)> {
        let settings = &self.plan.valves[index];
        settings.feeds.iter().filter(|feed| !self.is_weighed_all_the_time(feed.flat)).find_map(|feed| {
            let (_, flat) = self.plan.flats.get(feed.flat)?;
            let label = &flat.label;
            if flat.like.is_none() {
                let text = format!(
                    "{label} is weighed only now and then, and no `like` speaks for it, so nobody would see how much water it gets"
                );
                return Some(("unweighed", text));
            }
            if !settings.unweighed_accepted {
                let text = format!(
                    "{label} is on no stand, so nobody would see how much water it gets; `unweighed: accepted` in the file lets it open"
                );
                return Some(("unweighed", text));
            }
            let is_due = self.board.is_raised(Kind::WeighDue, crate::alert::Of::Flat(feed.flat));
            (by_itself && is_due).then(|| ("weigh-due", format!("{label} has to be weighed first")))
        })
    }

    /// What the valve may give so that no flat that is not weighed gets more than its share of a day; `None` where all are weighed.
    pub(super) fn left_for_unweighed(&self, index: usize) -> Option<Millilitres> {
        let (settings, kept) = (self.plan.valves.get(index)?, &self.valves.get(index)?.kept);
        let of = |(place, feed): (usize, &crate::watering::Feed)| {
            if self.is_weighed_all_the_time(feed.flat) {
                return None;
            }
            let (band, _) = self.flats.get(feed.flat)?.band?;
            let left = band.width().of_water() * UNWEIGHED - kept.of_the_day_to(place, self.now);
            let share = kept.ways.get(place)?.fit.flow() / kept.flow();
            Some(Millilitres::new(left.get().max(0.0) / share.max(1e-6)))
        };
        settings.feeds.iter().enumerate().filter_map(of).min_by(|a, b| a.get().total_cmp(&b.get()))
    }

    pub(super) fn is_weighed_all_the_time(&self, flat: usize) -> bool {
        self.flats.get(flat).is_some_and(|flat| flat.stand.is_some())
    }

    /// Why the weight of a fed flat cannot be gone by at this moment.
    pub(super) fn not_fresh(&self, index: usize) -> Option<String> {
        self.plan.valves[index].feeds.iter().find_map(|feed| {
            let flat = self.flats.get(feed.flat)?;
            let bench = self.stands.get(flat.stand?)?;
            let label = &self.plan.flats.get(feed.flat)?.1.label;
            let age = bench.stand.reading_at().map(|read| self.now.mono.since(read.mono));
            let period = bench.stand.period().unwrap_or(Span::ZERO);
            let fresh = FRESH.max(period + period);
            let Some(age) = age.filter(|_| flat.on_stand) else {
                return Some(format!("{label} has not been weighed since the start"));
            };
            if age > fresh {
                return Some(format!("the last weight of {label} is {:.0} s old", age.as_seconds()));
            }
            let same = bench.stand.same_for(self.now.mono)?;
            let same = crate::alert::spell(same);
            Some(format!("the stand of {label} has sent the very same number for {same}; is it stuck?"))
        })
    }

    pub(super) fn unsteady(&self, index: usize) -> Option<String> {
        self.plan.valves[index].feeds.iter().find_map(|feed| {
            let stand = &self.stands.get(self.flats.get(feed.flat)?.stand?)?.stand;
            let label = &self.plan.flats.get(feed.flat)?.1.label;
            (!stand.is_stable()).then(|| format!("{label} does not stand still"))
        })
    }
}
