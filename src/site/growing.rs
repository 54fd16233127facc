//! What a soak of a flat tells: a capacity, what its plants have grown, or that something is odd.

use super::{Happening, Site};
use crate::flat::{OddSoak, Seedtime, Weighing, tolerance};
use crate::units::Grams;

/// A fraction below this cannot be: a flat does not dry far below what it was filled with.
const LEAST_LEFT: f64 = -0.15;

impl Site {
    pub(super) fn band_has_settled(&self, index: usize) -> bool {
        let flat = &self.flats[index];
        flat.band.is_some() && flat.kept.season.band_has_settled(flat.kept.first_weighed, self.now.wall)
    }

    /// A flat soaked and drained, as a watch has seen it. One that does not fit records nothing and is doubted: the watch may
    /// have been forgotten, and an ordinary watering taken for the soak.
    pub(super) fn soak_seen(&mut self, index: usize, weight: Grams) {
        let flat = &self.flats[index];
        let above = flat.band.map(|(band, _)| (weight - flat.plants() - band.capacity(), band.width()));
        let corrects = above.and_then(|(above, width)| OddSoak::check_correction(above, width));
        if let Err(odd) = corrects.map_or_else(|| self.record_soak(index, weight), Err) {
            self.flats[index].kept.odd_soak = Some(odd);
            self.setting_changed(index);
        }
    }

    /// Of a band that is new, this is the capacity; later, container capacity being what it was, what came on top has grown.
    /// An error says why nothing was recorded.
    pub(super) fn record_soak(&mut self, index: usize, weight: Grams) -> Result<(), OddSoak> {
        if self.band_has_settled(index) {
            return self.record_plants(index, weight);
        }
        self.record_capacity(index, weight);
        Ok(())
    }

    fn record_plants(&mut self, index: usize, weight: Grams) -> Result<(), OddSoak> {
        let Some((band, _)) = self.flats[index].band else { return Ok(()) };
        let seed = self.seedtime(index);
        let tolerance = tolerance(band.width(), self.weight_error(index));
        let now = self.now.wall;
        let above = weight - band.capacity();
        let flat = &mut self.flats[index];
        flat.grow(now);
        let expected = flat.plants();
        let (known, last) = flat.plants_known().unwrap_or((seed.zero, Grams::ZERO));
        let odd = OddSoak::check(above, last.max(expected), now.since(known), band.width(), tolerance);
        if let Some(odd) = odd {
            return Err(odd);
        }
        flat.kept.odd_soak = None;
        flat.kept.asks_soak = None;
        let mass = above.max(Grams::ZERO);
        let weighing = Weighing { at: now, mass, told: false, tolerance };
        flat.kept.season.record_plants(weighing, seed, expected);
        self.recorded_now(index);
        self.band_event(index, Happening::PlantsRecorded { from: expected, to: mass });
        self.is_itself(index);
        self.band_changed(index);
        Ok(())
    }

    pub(super) fn seedtime(&self, index: usize) -> Seedtime {
        let kept = &self.flats[index].kept;
        let sown = super::flats::sown_at(&self.plan.flats[index].1, self.plan.zone);
        kept.season.seedtime(sown, kept.first_weighed.unwrap_or(self.now.wall))
    }

    pub(super) fn told_plants(&self, index: usize, mass: Grams) -> Result<Weighing, String> {
        if mass < Grams::ZERO {
            return Err("plant_mass_g cannot be below 0".to_owned());
        }
        let flat = &self.flats[index];
        let Some((band, _)) = flat.band else {
            return Err(
                "it has no band yet, and plants are counted from the band on: record-dry and record-capacity first"
                    .to_owned(),
            );
        };
        let (width, grams) = (band.width(), mass.get());
        if mass > width {
            return Err(format!(
                "plants of {grams:.0} g would weigh more than all the water that the flat can hold ({:.0} g). If they really do, pot \
                 them on, or record the band anew with them in it",
                width.get()
            ));
        }
        let left = flat.present.map(|weight| band.fraction(weight, mass).get());
        if let Some(left) = left.filter(|left| *left < LEAST_LEFT) {
            return Err(format!(
                "with plants of {grams:.0} g less than nothing of its water would be left ({:.0} %). Is the number right?",
                100.0 * left
            ));
        }
        Ok(Weighing { at: self.now.wall, mass, told: true, tolerance: tolerance(width, self.weight_error(index)) })
    }
}
