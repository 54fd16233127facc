//! Fills by what their flats have shown: worked out when a band changes, not for each reading.

use super::Site;
use crate::flat::{Band, Commanded, KnownEnds, Measured, Recipe, out_of_line};
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
        for &flat in &flats {
            let doubt = self.out_of_batch(flat, &measured);
            self.flats[flat].out_of_line = doubt.map(String::into_boxed_str);
        }
        let Some(known) = self.measured.get_mut(fill) else { return false };
        std::mem::replace(known, common) != common
    }

    /// Why the recorded band of a flat is out of line with those of its batch, or where fewer than three of that are known, of its
    /// fill. It is held against them as it was filled, whatever was taken out of it since.
    fn out_of_batch(&self, flat: usize, measured: &[(usize, Band)]) -> Option<String> {
        let own = measured.iter().find(|(other, _)| *other == flat)?.1;
        let sown = |flat: usize| self.plan.flats[flat].1.sown;
        let (batch, rest): (Vec<_>, Vec<_>) =
            measured.iter().filter(|(other, _)| *other != flat).partition(|(other, _)| sown(*other) == sown(flat));
        let bands = |some: &[&(usize, Band)]| some.iter().map(|(_, band)| *band).collect::<Vec<_>>();
        let words = self.plan.words;
        if batch.len() >= Measured::ENOUGH {
            return out_of_line(own, &bands(&batch), words);
        }
        out_of_line(own, &bands(&[batch, rest].concat()), words)
    }

    /// The flats that go by their fill's band, or by that of the flat that speaks for them, follow it.
    pub(super) fn follow_fill(&mut self, of: usize) {
        let fill = self.plan.flats[of].1.fill.filter(|_| self.refresh_fill(of));
        for flat in 0..self.flats.len() {
            let settings = &self.plan.flats[flat].1;
            let follows = settings.like == Some(of) || (fill.is_some() && settings.fill == fill);
            if flat == of || !follows || self.has_a_band_of_its_own(flat) {
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

    /// The band of a flat that was measured itself, as it was filled.
    fn measured_band(&self, flat: usize) -> Option<Band> {
        self.flats.get(flat)?.kept.season.ends.as_filled()
    }

    /// Whether a flat needs nothing of its fill: both ends are recorded, or in the file.
    fn has_a_band_of_its_own(&self, flat: usize) -> bool {
        let (dry, capacity) = self.own_ends(flat);
        dry.is_some() && capacity.is_some()
    }

    /// What the fill of a flat says of its band: the file's numbers, and what measured flats have shown.
    pub(super) fn says_the_fill(&self, flat: usize) -> Recipe {
        let file = self.fill(flat);
        let fill = self.plan.flats.get(flat).and_then(|(_, settings)| settings.fill);
        let measured = fill.and_then(|fill| self.measured.get(fill).copied().flatten());
        Recipe {
            dry: file.and_then(|fill| fill.dry_weight),
            capacity: file.and_then(|fill| fill.capacity_weight),
            shown: measured.or_else(|| self.as_the_speaker(flat)),
        }
    }

    /// The band of the flat that speaks for this one: filled alike, it is about this one's.
    fn as_the_speaker(&self, flat: usize) -> Option<Measured> {
        let speaker = self.plan.flats.get(flat)?.1.like?;
        let (band, _) = self.flats.get(speaker)?.band?;
        Some(Measured { dry: band.dry(), width: band.width(), spread: band.width() * ALIKE })
    }

    /// The ends that a flat goes by: its own, and where they are missing its fill's.
    pub(super) fn known_ends(&self, flat: usize) -> KnownEnds {
        let (dry, capacity) = self.own_ends(flat);
        self.says_the_fill(flat).ends(dry, capacity)
    }

    /// The ends that a flat has by record, or in the file itself.
    fn own_ends(&self, flat: usize) -> (Option<Grams>, Option<Grams>) {
        let settings = &self.plan.flats[flat].1;
        let ends = &self.flats[flat].kept.season.ends;
        let recorded = |over: &Commanded<Grams>| over.as_ref().map(|over| over.value);
        (recorded(&ends.dry).or(settings.dry_weight), recorded(&ends.capacity).or(settings.capacity_weight))
    }
}
