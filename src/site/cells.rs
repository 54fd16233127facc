//! Cells taken out of a flat where no scale saw it: sold, planted out, given away.

use super::life::Seen;
use super::orders::Done;
use super::{Happening, Site, Subject};
use crate::flat::Taken;
use crate::units::Grams;

impl Site {
    /// `correct` without an event: so many cells are gone, and the flat is lighter by their share of mix, plants and water. What is left
    /// holds the same share of its water as before.
    pub(super) fn cells_taken(&mut self, index: usize, cells: u32) -> Done {
        let id = self.id(Subject::Flat(index)).to_owned();
        if self.is_weighed(index) {
            return Err(format!(
                "a scale sees {id}: take them out there, and `correct` the event that tells of it, by its `seq`"
            ));
        }
        if let Some(stand) = self.lies_unheard(index) {
            return Err(format!(
                "{id} lies on {stand}, which sees it as soon as it is heard again: `correct` the event that tells of it then, by its \
                 `seq`"
            ));
        }
        let left = self.share_left(index, cells, self.cells_gone(index))?;
        let now = self.now;
        let (before, first) = (self.derived(index), self.seq + 1);
        let change = self.scale_what_is_there(index, left);
        self.event(Subject::Flat(index), Happening::Removed { change });
        let seq = self.seq;
        let seen = Seen { told: true, ..Seen::on_a_scale(change, Taken::Nothing) };
        self.write_down(index, seen, now, first, before);
        self.take_for(index, seq, Some((Taken::MixLost, Some(cells))));
        let (from, to) = (Taken::Nothing.name(), Taken::MixLost.name());
        self.event(Subject::Flat(index), Happening::Corrected { seq, from, to });
        self.band_changed(index);
        Ok(self.band_answer(index))
    }

    /// The stand of its own that a flat was weighed on last and still lies on, while nothing is heard of that.
    fn lies_unheard(&self, index: usize) -> Option<&str> {
        let flat = &self.flats[index];
        let stand = flat.stand.filter(|&stand| !self.plan.stands[stand].1.shared)?;
        let kept = &flat.kept;
        let is_there = kept.weighed.is_some() && kept.off_since.is_none() && kept.misfit.is_none();
        (is_there && !self.is_between(index)).then(|| self.id(Subject::Stand(stand)))
    }

    /// What of a flat is left, where so many of its cells are taken after others had gone.
    pub(super) fn share_left(&self, index: usize, cells: u32, gone: u32) -> Result<f64, String> {
        let Some(of) = self.fill(index).and_then(|fill| fill.cells) else {
            return Err("its fill does not say how many cells it has: add `cells:` there".to_owned());
        };
        let there = of.saturating_sub(gone);
        if cells >= there {
            let earlier = match gone {
                0 => String::new(),
                gone => format!(", {gone} had gone since it was filled (`record-dry` counts from {of} again)"),
            };
            return Err(format!("{cells} cells were taken of {of}{earlier}: none would be left"));
        }
        Ok(1.0 - f64::from(cells) / f64::from(there))
    }

    /// How many of its cells have been taken out.
    fn cells_gone(&self, index: usize) -> u32 {
        self.flats[index].kept.season.ends.cells_gone
    }

    /// The last weight, and what was poured since, less what was taken out; by how much that weight changed.
    fn scale_what_is_there(&mut self, index: usize, left: f64) -> Grams {
        let tare = self.fill(index).and_then(|fill| fill.tare).unwrap_or(Grams::ZERO);
        let flat = &mut self.flats[index];
        let empty = tare + flat.dome;
        if let Some(between) = flat.kept.between.as_deref_mut() {
            between.shrink(left);
        }
        let Some(weighed) = flat.kept.weighed.as_mut() else { return Grams::ZERO };
        let change = (weighed.weight - empty) * (left - 1.0);
        weighed.weight += change;
        flat.present = flat.present.map(|present| empty + (present - empty) * left);
        change
    }

    /// Before the correction of this event is taken back: if cells were taken by it where no scale saw it, they are back.
    pub(super) fn cells_are_back(&mut self, index: usize, seq: u64) {
        let entry = self.flats[index].kept.ledger.as_deref().and_then(|ledger| ledger.get(seq));
        let Some(entry) = entry.filter(|entry| entry.told) else { return };
        let (Some((Taken::MixLost, Some(cells))), at) = (entry.corrected, entry.at) else { return };
        let gone = entry.before.ends.cells_gone;
        // A weight of later on is without them.
        let is_before = self.flats[index].kept.weighed.is_none_or(|weighed| weighed.at.mono <= at.mono);
        if let (Ok(left), true) = (self.share_left(index, cells, gone), is_before) {
            self.scale_what_is_there(index, 1.0 / left);
        }
    }
}
