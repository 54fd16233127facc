//! The ends of a band by command: recorded, forgotten, and taken back.

use super::orders::Done;
use super::told::Newest;
use super::{Happening, Site, Subject};
use crate::flat::Soak;
use crate::units::{Fraction, Grams};
use serde_json::{Map, Value, json};

const NOTHING_TO_UNDO: &str = "there is no record, correction, weight or pour to undo";

impl Site {
    pub(super) fn record_dry(&mut self, index: usize, dry: Grams) -> Done {
        self.check_dome_is_known(index)?;
        let dry = dry - self.flats[index].dome;
        self.check_new_end(index, Some(dry), None)?;
        let file = self.file_dry(index);
        let from = self.settled_dry(index);
        let now = self.now.wall;
        let kept = &mut self.flats[index].kept;
        kept.season.record_dry(dry, file, now);
        kept.odd_soak = None;
        self.recorded_now(index);
        self.band_event(index, Happening::DryRecorded { from, to: Some(dry) });
        self.is_itself(index);
        self.band_changed(index);
        Ok(self.band_answer(index))
    }

    pub(super) fn record_capacity_now(&mut self, index: usize, weight: Grams) -> Done {
        self.check_dome_is_known(index)?;
        let weight = weight - self.flats[index].dome;
        if !self.band_has_settled(index) {
            let capacity = weight - self.flats[index].plants();
            self.check_new_end(index, None, Some(capacity))?;
        }
        let words = self.plan.words;
        self.record_soak(index, weight).map_err(|odd| odd.text(words))?;
        self.end_soak(index);
        Ok(self.band_answer(index))
    }

    /// `weight` is of the flat at capacity, with its plants.
    pub(super) fn record_capacity(&mut self, index: usize, weight: Grams) {
        let capacity = weight - self.flats[index].plants();
        let file = self.file_capacity(index);
        let from = self.settled_capacity(index);
        let now = self.now.wall;
        let kept = &mut self.flats[index].kept;
        kept.season.record_capacity(capacity, file, now);
        kept.odd_soak = None;
        kept.asks_soak = None;
        self.recorded_now(index);
        self.band_event(index, Happening::CapacityRecorded { from, to: Some(capacity) });
        self.is_itself(index);
        self.band_changed(index);
    }

    /// A dry weight not below a capacity that stands, nor the other way round.
    fn check_new_end(&self, index: usize, dry: Option<Grams>, capacity: Option<Grams>) -> Result<(), String> {
        let old_dry = self.settled_dry(index);
        let old_capacity = self.settled_capacity(index);
        let (Some(low), Some(high)) = (dry.or(old_dry), capacity.or(old_capacity)) else {
            return positive(dry.or(capacity));
        };
        positive(Some(low))?;
        if high > low {
            return Ok(());
        }
        Err(format!(
            "the dry weight ({:.0} g) would not be below the capacity weight ({:.0} g). If the flat was set up anew, \
             `forget-band` first, then record both",
            low.get(),
            high.get()
        ))
    }

    pub(super) fn begin_soak(&mut self, index: usize) -> Done {
        let now = self.now;
        if self.flats[index].stand.is_none() {
            return Err(format!("{} has no stand to be watched on", self.id(Subject::Flat(index))));
        }
        self.check_dome_is_known(index)?;
        let weight =
            self.flats[index].kept.weighed.filter(|_| self.flats[index].on_stand).map(|weighed| weighed.weight);
        self.flats[index].kept.soak = Some(Box::new(Soak::begin(now, weight)));
        self.setting_changed(index);
        Ok(Map::from_iter([("watching".to_owned(), json!(true))]))
    }

    pub(super) fn forget_band(&mut self, index: usize) -> Done {
        let was_soaking = self.is_soaking(index);
        self.end_soak(index);
        let now = self.now.wall;
        let kept = &mut self.flats[index].kept;
        let was_odd = kept.odd_soak.take().is_some();
        if kept.season.forget_band(now) {
            self.recorded_now(index);
        } else {
            if !was_soaking && !was_odd {
                return Err("nothing was recorded; the band is the file's already".to_owned());
            }
            // The same band, but it begins anew: the next soak records its capacity.
            kept.season.ends.since = Some(now);
        }
        self.band_event(index, Happening::BandForgotten);
        self.band_changed(index);
        Ok(self.band_answer(index))
    }

    pub(super) fn undo(&mut self, index: usize) -> Done {
        // A watch that has begun is what was commanded last.
        if self.is_soaking(index) {
            self.end_soak(index);
            self.undone(index, "record-capacity", None);
            self.setting_changed(index);
            return Ok(self.band_answer(index));
        }
        // So is a soak that recorded nothing: there is nothing to go back from.
        if self.flats[index].kept.odd_soak.take().is_some() {
            self.undone(index, "soak", None);
            self.setting_changed(index);
            return Ok(self.band_answer(index));
        }
        let potted = self.flats[index].kept.potted.as_ref().and_then(|potted| potted.told_by());
        if let Some(done) = self.undo_potting(index) {
            self.undone(index, "pot-on", potted);
            return done;
        }
        match self.newest(index) {
            Some(Newest::Record) => Ok(self.undo_record(index)),
            Some(Newest::Correction(seq)) => {
                self.undo_correction(index, seq);
                Ok(self.band_answer(index))
            }
            Some(Newest::Told) => self.undo_told(index).unwrap_or_else(|| Err(NOTHING_TO_UNDO.to_owned())),
            Some(Newest::TooOld(why)) => Err(format!("{why}; nothing was undone")),
            None => Err(NOTHING_TO_UNDO.to_owned()),
        }
    }

    fn undo_record(&mut self, index: usize) -> Map<String, Value> {
        let kept = &mut self.flats[index].kept;
        let told_by = kept.season.ends.told_by;
        kept.season.undo();
        kept.odd_soak = None;
        self.undone(index, "band", told_by);
        self.band_changed(index);
        self.band_answer(index)
    }

    /// What of the band is in force now is what this event has told of.
    pub(super) fn band_event(&mut self, index: usize, what: Happening) {
        self.event(Subject::Flat(index), what);
        self.flats[index].kept.season.ends.told_by = Some(self.seq);
    }

    fn undone(&mut self, index: usize, what: &'static str, undoes: Option<u64>) {
        self.event(Subject::Flat(index), Happening::Undone { what, undoes });
    }

    pub(super) fn band_answer(&self, index: usize) -> Map<String, Value> {
        let flat = &self.flats[index];
        let weight = |weight: Option<Grams>| json!(weight.map(|weight| super::decimals(weight.get(), 1)));
        Map::from_iter([
            ("dry_weight_g".to_owned(), weight(self.settled_dry(index))),
            ("capacity_weight_g".to_owned(), weight(self.settled_capacity(index))),
            ("plant_mass_g".to_owned(), weight(Some(flat.plants()))),
            ("fraction".to_owned(), json!(flat.fraction.map(Fraction::get))),
        ])
    }

    pub(super) fn band_changed(&mut self, index: usize) {
        self.follow_fill(index);
        self.interrupt_forecast(index);
        self.setting_changed(index);
    }

    pub(super) fn file_dry(&self, index: usize) -> Option<Grams> {
        let settings = &self.plan.flats[index].1;
        settings.dry_weight.or_else(|| self.fill(index).and_then(|fill| fill.dry_weight))
    }

    pub(super) fn file_capacity(&self, index: usize) -> Option<Grams> {
        let settings = &self.plan.flats[index].1;
        settings.capacity_weight.or_else(|| self.fill(index).and_then(|fill| fill.capacity_weight))
    }

    fn settled_dry(&self, index: usize) -> Option<Grams> {
        let recipe = self.recipe(index);
        self.flats[index].kept.season.dry(&self.plan.flats[index].1, recipe.as_ref().map(|(fill, _)| fill))
    }

    fn settled_capacity(&self, index: usize) -> Option<Grams> {
        let recipe = self.recipe(index);
        self.flats[index].kept.season.capacity(&self.plan.flats[index].1, recipe.as_ref().map(|(fill, _)| fill))
    }
}

fn positive(weight: Option<Grams>) -> Result<(), String> {
    match weight {
        Some(weight) if weight <= Grams::ZERO => {
            Err(format!("a weight of {:.0} g is no flat; is the stand empty, or its zero wrong?", weight.get()))
        }
        _ => Ok(()),
    }
}
