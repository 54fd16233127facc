//! What a watering was planned by, and whether that still holds.

use super::super::Site;
use crate::flat::Limits;
use crate::units::Grams;

/// What is known of a fed flat when its watering begins.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct PlannedBy {
    limits: Limits,
    band: Option<(Grams, Grams)>,
}

impl Site {
    /// What is planned by now, flat by flat.
    pub(super) fn planned_by(&self, index: usize) -> Vec<PlannedBy> {
        let of = |feed: &crate::watering::Feed| {
            let flat = &self.flats[feed.flat];
            PlannedBy { limits: flat.limits, band: flat.band.map(|(band, _)| (band.dry(), band.capacity())) }
        };
        self.plan.valves[index].feeds.iter().map(of).collect()
    }

    /// Why what a watering was planned by no longer holds: at midnight a stage may begin that wants less, or somebody sets another
    /// target or records another band. What is planned then is another watering.
    pub(super) fn no_longer_planned(&self, index: usize, by: &[PlannedBy]) -> Option<String> {
        let now = self.planned_by(index);
        let place = by.iter().zip(&now).position(|(planned, now)| planned != now)?;
        let feed = self.plan.valves[index].feeds.get(place)?;
        let label = &self.plan.flats[feed.flat].1.label;
        Some(format!("the limits or the band of {label} were changed meanwhile"))
    }
}
