//! What a soak of a flat tells: a capacity, what its plants have grown, or that something is odd.

use super::{Happening, Site, Subject};
use crate::flat::{OddSoak, Seedtime, Weighing, tolerance};
use crate::units::Grams;

impl Site {
    pub(super) fn band_has_settled(&self, index: usize) -> bool {
        let flat = &self.flats[index];
        flat.band.is_some() && flat.kept.season.band_has_settled(flat.kept.first_weighed, self.now.wall)
    }

    /// A flat soaked and drained: of a band that is new, that is the capacity; later, container capacity being what it was,
    /// what came on top has grown. An error says why nothing was recorded.
    pub(super) fn record_soak(&mut self, index: usize, weight: Grams) -> Result<(), String> {
        if self.band_has_settled(index) {
            return self.record_plants(index, weight);
        }
        self.record_capacity(index, weight);
        Ok(())
    }

    fn record_plants(&mut self, index: usize, weight: Grams) -> Result<(), String> {
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
        flat.kept.odd_soak = odd;
        if let Some(odd) = odd {
            self.setting_changed(index);
            return Err(odd.text(self.plan.words));
        }
        let mass = above.max(Grams::ZERO);
        let weighing = Weighing { at: now, mass, told: false, tolerance };
        flat.kept.season.record_plants(weighing, seed, expected);
        self.event(Subject::Flat(index), Happening::PlantsRecorded { from: expected, to: mass });
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
        let width = self.flats[index].band.map(|(band, _)| band.width());
        match width.filter(|width| mass > *width) {
            Some(width) => Err(format!(
                "plants of {:.0} g would weigh more than all the water that the flat can hold ({:.0} g). If they really do, pot \
                 them on, or record the band anew with them in it",
                mass.get(),
                width.get()
            )),
            None => {
                let tolerance = tolerance(width.unwrap_or(Grams::ZERO), self.weight_error(index));
                Ok(Weighing { at: self.now.wall, mass, told: true, tolerance })
            }
        }
    }
}
