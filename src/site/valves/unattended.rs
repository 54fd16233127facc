//! What a valve in `auto` does when nobody is there.

use super::super::Site;
use crate::moment::{Mono, Span, Wall};
use crate::watering::{Goal, Mode, objection};

/// A plan has to be due for so long.
pub(super) const DUE_FOR: Span = Span::minutes(10);
/// From one watering by itself to the next.
const APART: Span = Span::hours(4);
/// The wall clock may lie so far before the newest thing in the journal.
const CLOCK_BACK: Span = Span::hours(24);

impl Site {
    /// Since when the plan is due.
    pub(super) fn note_due(&mut self, index: usize, due: bool) {
        let now = self.now.mono;
        let Some(valve) = self.valves.get_mut(index) else { return };
        match (due, valve.due_since) {
            (true, None) => {
                valve.due_since = Some(now);
                self.agenda.wish(super::Subject::Valve(index), now + DUE_FOR);
            }
            (false, Some(_)) => valve.due_since = None,
            _ => {}
        }
    }

    /// Carries out a plan that has been due for long enough, in its hours, when the guard has nothing against it.
    pub(super) fn water_by_itself(&mut self, index: usize) {
        if self.plan.valves[index].mode != Mode::Auto || !self.is_time(index) || !self.is_worth_it(index) {
            return;
        }
        if objection(&self.situation(index, true, false)).is_some_and(|objection| objection.reason != "unsteady") {
            return;
        }
        let Some((_, plan)) = self.valves[index].plan.clone() else { return };
        // What speaks against it was asked a moment ago.
        let _ = self.begin(index, Goal::Target, &plan, true);
    }

    /// Whether nobody has to think of a flat at night, since its valve does.
    pub(in crate::site) fn waters_itself(&self, flat: usize) -> bool {
        let valve = self.valve_of(flat).and_then(|index| Some((self.plan.valves.get(index)?, self.valves.get(index)?)));
        valve.is_some_and(|(settings, valve)| {
            settings.mode == Mode::Auto
                && settings.hours.is_none()
                && valve.locked.is_none()
                && valve.kept.fault.is_none()
        })
    }

    fn is_time(&self, index: usize) -> bool {
        let valve = &self.valves[index];
        let now = self.now.mono;
        let long_due = valve.due_since.is_some_and(|since| now.since(since) >= DUE_FOR);
        let is_rested = valve.kept.by_itself.is_none_or(|last| now.since(last.mono) >= APART || now < last.mono);
        long_due && is_rested && valve.run.is_none()
    }

    /// The smallest watering by itself gives the flat most in need half of what lies between its `water_at` and its target.
    fn is_worth_it(&self, index: usize) -> bool {
        let Some((_, plan)) = &self.valves[index].plan else { return false };
        let neediest = plan.flats.iter().max_by(|a, b| a.to_target.get().total_cmp(&b.to_target.get()));
        neediest.is_some_and(|share| {
            let Some(flat) = self.flats.get(share.flat) else { return false };
            let Some((band, _)) = flat.band else { return false };
            let between = band.width().of_water() * (flat.limits.target.get() - flat.limits.water_at.get());
            plan.due && share.gets >= between * 0.5
        })
    }

    /// When a valve whose plan is due may water by itself again, if its hours are what it waits for.
    pub(super) fn hours_begin(&self, index: usize) -> Option<Mono> {
        let (from, _) = self.plan.valves[index].hours?;
        let waits = self.plan.valves[index].mode == Mode::Auto && self.valves.get(index)?.due_since.is_some();
        (waits && !self.is_in_hours(index)).then(|| self.now.mono_at(self.plan.zone.next(self.now.wall, from)))
    }

    pub(super) fn is_in_hours(&self, index: usize) -> bool {
        let Some((from, to)) = self.plan.valves[index].hours else { return true };
        // In them, if they began later than they ended.
        let (zone, now) = (self.plan.zone, self.now.wall);
        from == to || zone.last(now, from) > zone.last(now, to)
    }

    /// Without a store no valve opens, and each says so.
    pub(in crate::site) fn store_works(&mut self, works: bool) {
        if std::mem::replace(&mut self.store_works, works) != works {
            for valve in 0..self.valves.len() {
                self.replan_valve(valve);
            }
        }
    }

    pub(super) fn is_paused(&self) -> bool {
        self.paused_until.is_some_and(|until| self.now.mono < until)
    }

    /// The wall clock reads earlier than the program was built, or a day earlier than the newest thing kept.
    pub(super) fn is_clock_wrong(&self) -> bool {
        let wall = self.now.wall;
        let newest = self.valves.iter().flat_map(|valve| &valve.kept.poured).map(|poured| poured.at.wall).max();
        self.built.is_some_and(|built| wall < built)
            || newest.is_some_and(|newest: Wall| newest.since(wall) > CLOCK_BACK)
    }

    /// No clock is believed that reads earlier than this, when the program was built; `auto` waters nothing by it.
    pub fn built_at(&mut self, built: Wall) {
        self.built = Some(built);
    }

    pub(super) fn pause_until(&mut self, until: Option<Mono>) {
        self.paused_until = until;
    }
}
