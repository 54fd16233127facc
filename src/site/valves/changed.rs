//! What a watering was planned by, and whether that still holds.

use super::super::Site;
use crate::flat::Limits;
use crate::units::Grams;

/// So much more water than was known, in g or as a share of the band, changes what a watering has to pour.
const MUCH: Grams = Grams::new(15.0);
const MUCH_OF_A_BAND: f64 = 0.02;

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
        let now = self.water_on_the_stands(index);
        let Some(run) = &mut self.valves[index].run else { return };
        for (place, (planned, now)) in run.planned_by.iter_mut().zip(now).enumerate() {
            if let (Some(before), Some(after)) = (planned.water, now) {
                run.pour.holds_more(place, (after - before).of_water());
                planned.water = now;
            }
        }
    }

    /// Whether something has come, before the first opening, that this does not know of yet: what it opens for would be too much.
    pub(super) fn has_come_meanwhile(&self, index: usize) -> bool {
        let Some(run) = self.valves[index].run.as_ref().filter(|run| run.pour.pulses().0 == 0) else { return false };
        let has_come = |(planned, now): (&PlannedBy, Option<Grams>)| {
            let much = planned.band.map_or(MUCH, |(dry, capacity)| MUCH.max((capacity - dry) * MUCH_OF_A_BAND));
            planned.water.zip(now).is_some_and(|(before, after)| after - before > much)
        };
        run.planned_by.iter().zip(self.water_on_the_stands(index)).any(has_come)
    }

    /// The water of each fed flat by what its stand shows at this moment, which is ahead of what is believed of the flat while a step of its
    /// weight is not over; else what is believed.
    fn water_on_the_stands(&self, index: usize) -> Vec<Option<Grams>> {
        let feeds = self.plan.valves[index].feeds.iter();
        let of = |(feed, weight): (&crate::watering::Feed, Option<Grams>)| {
            let flat = &self.flats[feed.flat];
            let shown = weight.zip(flat.band).map(|(weight, (band, _))| band.water(weight - flat.dome, flat.plants()));
            shown.or_else(|| flat.water())
        };
        feeds.zip(self.weights_now(index)).map(of).collect()
    }
}
