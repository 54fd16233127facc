//! Commands about what is on a stand, and how it is calibrated.

use super::flats::{Flat, Weighed};
use super::orders::Done;
use super::rounds::POURED;
use super::{Happening, Site, Subject};
use crate::flat::{Over, Taken};
use crate::moment::Span;
use crate::stand::Handling;
use crate::units::Grams;
use serde_json::{Map, json};

/// Flats that were lifted and put back within so long of each other may have been swapped …
const TOGETHER: Span = Span::hours(2);
/// … if each weighs what the other one did, to so much, or this share; and they differ by clearly more.
const ALIKE: Grams = Grams::new(8.0);
const ALIKE_SHARE: f64 = 0.005;

/// Who puts a jug in the place of a flat has lifted the flat no longer ago.
const JUST_LIFTED: Span = Span::hours(1);

fn is_alike(one: Grams, other: Grams) -> bool {
    (one - other).abs() <= ALIKE.max(one * ALIKE_SHARE)
}

/// Whether two flats weigh so different things that one is not taken for the other.
fn differ(one: Grams, other: Grams) -> bool {
    (one - other).abs() > ALIKE.max(one * ALIKE_SHARE) * 4.0
}

impl Site {
    pub(super) fn move_flat(&mut self, index: usize, to: Option<usize>) -> Done {
        let from = self.flats[index].stand;
        if from == to {
            return Err(match to {
                Some(stand) => format!("it is on {} already", self.id(Subject::Stand(stand))),
                None => "it is on no stand already".to_owned(),
            });
        }
        if let Some(shared) = to.filter(|&stand| self.plan.stands[stand].1.shared) {
            let stand = self.id(Subject::Stand(shared));
            return Err(format!(
                "{stand} is shared: flats take turns on it. `weigh` this one there; null takes it off its stand"
            ));
        }
        let other = to.and_then(|stand| self.stands[stand].flat);
        self.assign(index, to);
        if let Some(other) = other {
            self.assign(other, from);
        }
        // Where this one came from no stand, the other is on none now.
        let off = other.filter(|_| from.is_none()).map(|off| ("off".to_owned(), json!(self.id(Subject::Flat(off)))));
        let stand = ("stand".to_owned(), json!(to.map(|stand| self.id(Subject::Stand(stand)))));
        Ok(std::iter::once(stand).chain(off).collect())
    }

    /// Puts a flat on a stand, or on none; what was there is off it.
    pub(super) fn assign(&mut self, index: usize, to: Option<usize>) {
        let from = self.flats[index].stand;
        let id = |site: &Self, stand: Option<usize>| stand.map(|stand| site.id(Subject::Stand(stand)).to_owned());
        let (from_id, to_id) = (id(self, from), id(self, to));
        let file = self.plan.flats[index].1.stand;
        let file_id = id(self, file);
        if let Some(from) = from.filter(|&from| self.stands[from].flat == Some(index)) {
            self.stands[from].flat = None;
        }
        let flat = &mut self.flats[index];
        flat.kept.season.stand = (to != file).then(|| Box::new(Over { value: to_id.clone(), file: Some(file_id) }));
        flat.stand = to;
        self.is_carried(index);
        if let Some(to) = to {
            self.stands[to].flat = Some(index);
        }
        self.event(Subject::Flat(index), Happening::Moved { from: from_id, to: to_id });
        for stand in [from, to].into_iter().flatten() {
            self.reload(stand);
        }
        if to.is_some() {
            self.leave_out_of_turns(index);
        }
        self.setting_changed(index);
    }

    /// The flat belongs on another stand from now on: it may be there already, or be carried there soon.
    pub(super) fn is_carried(&mut self, index: usize) {
        self.interrupt(index, Span::minutes(30));
        self.tell_away_since_weighed(index);
        let flat = &mut self.flats[index];
        let to = flat.stand;
        flat.carried = to.and(flat.kept.weighed).map(|weighed| (weighed.weight, self.now.mono));
        flat.kept.misfit = None;
        let there = to
            .and_then(|stand| self.stands.get(stand))
            .is_none_or(|bench| bench.shown.is_none() || bench.stand.is_loaded());
        // Said to be there, but not weighed there yet: the next steady weight counts.
        flat.on_stand = to.is_some() && there;
        flat.kept.off_since = (to.is_some() && !there).then_some(self.now);
    }

    /// What is on a stand has been settled by a person: whatever it weighs now is right.
    fn reload(&mut self, stand: usize) {
        self.refresh_scene(stand);
        let bench = &mut self.stands[stand];
        bench.stand.accept_load();
        self.publish_stand(stand);
        self.keep(Subject::Stand(stand));
    }

    pub(super) fn holds(&mut self, stand: usize, flat: Option<usize>) -> Done {
        if self.plan.stands[stand].1.shared {
            return self.holds_guest(stand, flat);
        }
        match flat {
            Some(flat) if self.stands[stand].flat == Some(flat) => {
                self.lies_here(stand, flat);
                self.setting_changed(flat);
            }
            Some(flat) => {
                if let Some(other) = self.stands[stand].flat {
                    self.assign(other, None);
                }
                self.assign(flat, Some(stand));
            }
            None => {
                if let Some(flat) = self.stands[stand].flat {
                    self.assign(flat, None);
                }
            }
        }
        Ok(Map::from_iter([("flat".to_owned(), json!(flat.map(|flat| self.id(Subject::Flat(flat)))))]))
    }

    /// Two flats came back, each with the weight of the other: nobody can say which is which but who carried them. Until that is said
    /// by `move`, what the stands weigh is neither's.
    pub(super) fn look_for_a_swap(&mut self, index: usize) {
        let Some(other) = (0..self.flats.len()).find(|&other| other != index && self.are_swapped(index, other)) else {
            return;
        };
        for flat in [other, index] {
            self.never_came_back(flat);
        }
        for (flat, instead) in [(index, other), (other, index)] {
            let (label, stand) = (&self.plan.flats[instead].1.label, self.flats[flat].stand);
            let Some(stand) = stand.map(|stand| self.id(Subject::Stand(stand)).to_owned()) else { continue };
            let id = self.id(Subject::Flat(flat)).to_owned();
            let to = self.flats[instead].stand.map_or("", |stand| self.id(Subject::Stand(stand)));
            let why = format!(
                "what stands on {stand} weighs what {label} weighed before both were lifted: they have been swapped. Put them back, or `move` {id} to {to}"
            );
            let flat = &mut self.flats[flat];
            flat.on_stand = false;
            flat.kept.misfit = Some(why);
        }
        for flat in [other, index] {
            self.interrupt(flat, Span::minutes(30));
            self.look(flat);
            self.publish_flat(flat);
            self.keep(Subject::Flat(flat));
        }
    }

    /// What came back in its place was the other: what its weight was read as is taken back, and the flat weighs what it did.
    fn never_came_back(&mut self, index: usize) {
        let Some((weighed, lifted)) = self.flats[index].lifted else { return };
        let ledger = self.flats[index].kept.ledger.as_deref();
        let last = ledger.and_then(|ledger| ledger.entries().next_back()).filter(|entry| entry.at.mono >= lifted);
        let read = last.filter(|entry| entry.taken() != Taken::Nothing).map(|entry| (entry.seq, entry.taken()));
        if let Some((seq, read)) = read {
            self.take_for(index, seq, Some((Taken::Nothing, None)));
            let (from, to) = (read.name(), Taken::Nothing.name());
            self.event(Subject::Flat(index), Happening::Corrected { seq, from, to });
            self.band_changed(index);
        }
        self.flats[index].kept.weighed = Some(weighed);
    }

    /// Whether it came back with the weight of another that is still off its stand: until that is back, nobody knows which is which.
    pub(super) fn waits_for_its_fellow(&mut self, index: usize) -> bool {
        let flat = &self.flats[index];
        let shown = flat.stand.and_then(|stand| self.stands.get(stand)?.shown);
        let (Some((before, _)), Some(shown)) = (flat.lifted, shown) else { return false };
        let is_its = |other: &Flat| {
            let lifted = other.lifted.filter(|(_, at)| !other.on_stand && self.now.mono.since(*at) <= TOGETHER);
            lifted.is_some_and(|(weighed, _)| is_alike(shown, weighed.weight) && differ(before.weight, weighed.weight))
        };
        let waits = self.flats.iter().any(is_its);
        if waits {
            // No weight for the history by the way either.
            self.flats[index].last_sample = Some(self.now.mono);
        }
        waits
    }

    /// While another stood in its place, its own last weight is that from before: by that it is seen what came back.
    pub(super) fn against_its_own_weight(&self, stand: usize, index: usize, handling: Handling) -> Handling {
        let shown = self.stands.get(stand).and_then(|bench| bench.shown);
        let flat = self.flats.get(index).filter(|flat| flat.kept.misfit.is_some());
        let known = flat.and_then(|flat| Some((flat.kept.weighed?.weight, flat.present))).zip(shown);
        let (Handling::Returned { away, .. }, Some(((weighed, present), shown))) = (handling, known) else {
            return handling;
        };
        let change = shown - weighed;
        let watered_away = (change > POURED).then(|| shown - present.unwrap_or(weighed));
        Handling::Returned { change, away, watered_away }
    }

    fn are_swapped(&self, one: usize, other: usize) -> bool {
        let of = |flat: usize| {
            let flat = self.flats.get(flat)?;
            let bench = flat.stand.and_then(|stand| self.stands.get(stand))?;
            let (before, lifted) = flat.lifted.filter(|_| flat.on_stand && bench.stand.is_loaded())?;
            let is_recent = self.now.mono.since(lifted) <= TOGETHER;
            is_recent.then_some((before.weight, bench.shown?))
        };
        let (Some((before, now)), Some((other_before, other_now))) = (of(one), of(other)) else { return false };
        differ(before, other_before) && is_alike(now, other_before) && is_alike(other_now, before)
    }

    /// A person says that what lies on this stand is its flat, whatever it weighs.
    pub(super) fn lies_here(&mut self, stand: usize, index: usize) {
        let weight = self.stands[stand].stand.steady();
        let now = self.now;
        let flat = &mut self.flats[index];
        flat.on_stand = true;
        flat.kept.misfit = None;
        flat.kept.off_since = None;
        if let Some(weight) = weight {
            flat.kept.weighed = Some(Weighed { weight, at: now });
            flat.goes_by(weight, None, self.heard);
        }
        self.interrupt(index, Span::minutes(30));
        self.reload(stand);
    }

    /// Who records an end of a flat's band says that it is that flat.
    pub(super) fn is_itself(&mut self, index: usize) {
        let flat = &self.flats[index];
        if let (Some(stand), Some(_)) = (flat.stand, &flat.kept.misfit) {
            self.lies_here(stand, index);
        }
    }

    pub(super) fn zero(&mut self, stand: usize, force: bool) -> Done {
        let holds = self.stands[stand].flat.filter(|&flat| self.flats[flat].on_stand);
        let loaded = holds.is_some_and(|flat| self.flats[flat].kept.weighed.is_some());
        let was_calibrated = self.stands[stand].stand.is_calibrated();
        let change = self.stands[stand].stand.zero(self.now, force, loaded)?;
        self.calibration_changed(stand, None);
        let moved = was_calibrated.then(|| super::decimals(change.was.get(), 1));
        Ok(Map::from_iter([("moved_g".to_owned(), json!(moved)), ("zero".to_owned(), json!(change.zero))]))
    }

    pub(super) fn span(&mut self, stand: usize, mass: Grams, force: bool) -> Done {
        let change = self.stands[stand].stand.span(mass, force, self.now)?;
        self.calibration_changed(stand, Some(change.factor));
        self.is_not_the_flat(stand);
        Ok(Map::from_iter([
            ("counts_per_gram".to_owned(), json!(super::decimals(change.counts_per_gram, 4))),
            ("factor".to_owned(), json!(super::decimals(change.factor, 6))),
        ]))
    }

    /// What lies on the stand is a known mass. Unless it is the flat itself, which nobody has lifted for a while, the flat is off
    /// its stand, and what the scale says of the mass is not the flat's.
    fn is_not_the_flat(&mut self, stand: usize) {
        let now = self.now;
        let Some(flat) = self.stands[stand].flat.and_then(|flat| self.flats.get_mut(flat)) else { return };
        let is_band_known = flat.band.is_some();
        let lifted = flat.lifted.filter(|(_, lifted)| now.mono.since(*lifted) <= JUST_LIFTED);
        if lifted.is_none() && is_band_known && flat.kept.off_since.is_none() {
            return;
        }
        flat.on_stand = false;
        flat.kept.misfit = None;
        flat.kept.off_since.get_or_insert(now);
        flat.kept.weighed = lifted.map(|(weighed, _)| weighed);
        flat.stood_in_for = true;
    }

    pub(super) fn forget_calibration(&mut self, stand: usize) -> Done {
        let factor = self.stands[stand].stand.forget_calibration();
        self.calibration_changed(stand, factor);
        Ok(Map::new())
    }

    /// Weights recorded with the old span follow the new one.
    fn calibration_changed(&mut self, stand: usize, factor: Option<f64>) {
        if let Some(flat) = self.stands[stand].flat {
            if let Some(factor) = factor {
                let flat = &mut self.flats[flat];
                flat.kept.season.rescale(factor);
                // What its events changed is in the old grams.
                flat.kept.ledger = None;
                let lifted = flat.lifted.as_mut().map(|(weighed, _)| weighed);
                for weighed in flat.kept.weighed.as_mut().into_iter().chain(lifted) {
                    weighed.weight = weighed.weight * factor;
                }
                flat.present = flat.present.map(|present| present * factor);
            }
            self.interrupt(flat, Span::minutes(30));
            self.band_changed(flat);
        }
        self.judge_stand(stand);
        self.wish_stand(stand);
        self.reload(stand);
    }
}
