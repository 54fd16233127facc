//! Fills by what their flats have shown: worked out when a band changes, not for each reading.

use super::Site;
use crate::flat::{Band, Measured, out_of_line};
use crate::units::Grams;

/// Two flats filled alike hold the same to about this share of the band (a judgement).
const ALIKE: f64 = 0.05;

impl Site {
    /// A band of a fill has changed: the recipe that its other flats go by may have moved, which is what it tells, and one may be
    /// out of line.
    fn refresh_fill(&mut self, of: usize) -> bool {
        let Some(fill) = self.plan.flats.get(of).and_then(|(_, settings)| settings.fill) else { return false };
        let flats: Vec<usize> =
            (0..self.flats.len()).filter(|&flat| self.plan.flats[flat].1.fill == Some(fill)).collect();
        let measured: Vec<(usize, Band)> =
            flats.iter().filter_map(|&flat| Some((flat, self.measured_band(flat)?))).collect();
        let bands: Vec<Band> = measured.iter().map(|(_, band)| *band).collect();
        let common = Measured::of(&bands);
        let words = self.plan.words;
        for (flat, band) in &measured {
            let sown = self.plan.flats[*flat].1.sown;
            let others = |same_day: bool| -> Vec<Band> {
                let alike =
                    |other: &&(usize, Band)| other.0 != *flat && (!same_day || self.plan.flats[other.0].1.sown == sown);
                measured.iter().filter(alike).map(|(_, band)| *band).collect()
            };
            let batch = others(true);
            let others = if batch.len() >= 3 { batch } else { others(false) };
            let doubt = out_of_line(*band, &others, words);
            self.flats[*flat].out_of_line = doubt.map(String::into_boxed_str);
        }
        for &flat in flats.iter().filter(|flat| !measured.iter().any(|(known, _)| known == *flat)) {
            self.flats[flat].out_of_line = None;
        }
        let Some(known) = self.measured.get_mut(fill) else { return false };
        std::mem::replace(known, common) != common
    }

    /// The flats that go by their fill's band, or by that of the flat that speaks for them, follow it.
    pub(super) fn follow_fill(&mut self, of: usize) {
        let fill = self.plan.flats[of].1.fill.filter(|_| self.refresh_fill(of));
        for flat in 0..self.flats.len() {
            let settings = &self.plan.flats[flat].1;
            let follows = settings.like == Some(of) || (fill.is_some() && settings.fill == fill);
            if flat == of || !follows || self.measured_band(flat).is_some() {
                continue;
            }
            let before = self.flats[flat].band;
            self.settle(flat);
            if self.flats[flat].band != before {
                self.interrupt_forecast(flat);
                self.setting_changed(flat);
            }
        }
    }

    /// At start: what all fills have shown.
    pub(super) fn recall_fills(&mut self) {
        for flat in 0..self.flats.len() {
            let fill = self.plan.flats[flat].1.fill;
            let is_first = fill.is_some() && !self.plan.flats[..flat].iter().any(|(_, other)| other.fill == fill);
            if is_first {
                self.refresh_fill(flat);
            }
        }
    }

    /// The band of a flat that was measured itself: both ends recorded by command.
    fn measured_band(&self, flat: usize) -> Option<Band> {
        let ends = &self.flats.get(flat)?.kept.season.ends;
        Band::new(ends.dry.as_ref()?.value, ends.capacity.as_ref()?.value)
    }

    /// What a flat without numbers of its own goes by: the file's recipe; where that has none, what three measured flats of
    /// its fill have shown, on top of its own dry weight if that is known. With the spread of that.
    pub(super) fn by_recipe(&self, flat: usize) -> (Option<Grams>, Option<Grams>, Grams) {
        let (dry, capacity) = self.own_ends(flat);
        let recipe = self.fill(flat);
        let file_dry = recipe.and_then(|fill| fill.dry_weight);
        let file_capacity = recipe.and_then(|fill| fill.capacity_weight);
        let fill = self.plan.flats[flat].1.fill;
        let shown = fill.and_then(|fill| self.measured.get(fill).copied().flatten());
        let missing = file_dry.is_none() || file_capacity.is_none();
        let Some(shown) = shown.or_else(|| self.as_the_speaker(flat)).filter(|_| missing) else {
            return (file_dry, file_capacity, Grams::ZERO);
        };
        let by_dry = dry.or(file_dry);
        let by_capacity = capacity.or(file_capacity);
        let low = by_dry.or_else(|| Some(by_capacity? - shown.width)).unwrap_or(shown.dry);
        let high = by_capacity.unwrap_or(low + shown.width);
        let is_all_own = by_dry.is_some() && by_capacity.is_some();
        (Some(low), Some(high), if is_all_own { Grams::ZERO } else { shown.spread })
    }

    /// The band of the flat that speaks for this one: filled alike, it is about this one's.
    fn as_the_speaker(&self, flat: usize) -> Option<Measured> {
        let speaker = self.plan.flats[flat].1.like?;
        let (band, _) = self.flats.get(speaker)?.band?;
        Some(Measured { dry: band.dry(), width: band.width(), spread: band.width() * ALIKE })
    }

    /// The ends that a flat has by record or in the file itself.
    fn own_ends(&self, flat: usize) -> (Option<Grams>, Option<Grams>) {
        let settings = &self.plan.flats[flat].1;
        let ends = &self.flats[flat].kept.season.ends;
        let recorded = |over: &crate::flat::Commanded<Grams>| over.as_ref().map(|over| over.value);
        (recorded(&ends.dry).or(settings.dry_weight), recorded(&ends.capacity).or(settings.capacity_weight))
    }
}
