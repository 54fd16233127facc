//! What a watering was planned by, and whether that still holds.

use super::super::Site;
use crate::flat::Limits;
use crate::units::Grams;

/// What is known of a fed flat when its watering begins.
#[derive(Debug, Clone, Copy)]
pub(super) struct PlannedBy {
    limits: Limits,
    band: Option<(Grams, Grams)>,
    water: Option<Grams>,
}

impl Site {
    /// What is planned by now, flat by flat.
    pub(super) fn planned_by(&self, index: usize) -> Vec<PlannedBy> {
        let of = |feed: &crate::watering::Feed| {
            let flat = &self.flats[feed.flat];
            let band = flat.band.map(|(band, _)| (band.dry(), band.capacity()));
            PlannedBy { limits: flat.limits, band, water: flat.water() }
        };
        self.plan.valves[index].feeds.iter().map(of).collect()
    }

    /// Why what a watering was planned by no longer holds: at midnight a stage may begin that wants less, or somebody sets another
    /// target or records another band. What is planned then is another watering.
    pub(super) fn no_longer_planned(&self, index: usize, by: &[PlannedBy]) -> Option<String> {
        let now = self.planned_by(index);
        let is_changed =
            |(planned, now): (&PlannedBy, &PlannedBy)| (planned.limits, planned.band) != (now.limits, now.band);
        let place = by.iter().zip(&now).position(is_changed)?;
        let feed = self.plan.valves[index].feeds.get(place)?;
        let label = &self.plan.flats[feed.flat].1.label;
        Some(format!("the limits or the band of {label} were changed meanwhile"))
    }

    /// Until the first opening a watering may wait, for a weight that stands still above all: what a hand or somebody else's opening has poured
    /// by then was not known when it was planned.
    pub(super) fn count_what_came_meanwhile(&mut self, index: usize) {
        let now = self.planned_by(index);
        let Some(run) = &mut self.valves[index].run else { return };
        for (place, (planned, now)) in run.planned_by.iter_mut().zip(now).enumerate() {
            if let (Some(before), Some(after)) = (planned.water, now.water) {
                run.pour.holds_more(place, (after - before).of_water());
                planned.water = now.water;
            }
        }
    }
}
