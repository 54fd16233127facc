//! Domes: put on and taken off, seen by their weight, said by somebody, or both, in any order.

use super::flats::Weighed;
use super::life::Seen;
use super::orders::Done;
use super::readings::QUIET_AFTER_HANDLING;
use super::{Happening, Site, Subject};
use crate::flat::{Entry, Taken, usual};
use crate::moment::{Moment, Mono, Span};
use crate::stand::{Handling, Shift};
use crate::units::{Grams, GramsPerHour};
use serde::{Deserialize, Serialize};
use serde_json::{Map, json};

/// A dome goes on or off so soon before or after somebody says so.
const DOME_SAID_WITHIN: Span = Span::minutes(15);
/// A dome that was said to be on, and was not seen coming, counts as having lain there before; if a step as heavy as it comes
/// within so long all the same, that was it.
const STILL_COMES_WITHIN: Span = Span::hours(12);
/// What a dome weighs.
const DOMES: std::ops::RangeInclusive<f64> = 15.0..=1500.0;
/// A change this near to the dome's weight is the dome (a judgement).
const SAME_DOME: Grams = Grams::new(15.0);
/// Where somebody says so as well, one about as heavy is (a judgement: a dome is wet inside, and weighed once).
const ABOUT: f64 = 0.3;
/// A difference to what was expected tells what a dome weighs only while the expectation is as sure as this (a judgement).
const TELLS_A_DOME: Grams = Grams::new(30.0);
/// So much of what came ran off again: it was water.
const RAN_OFF: f64 = 0.1;

/// Somebody said that the dome goes on or off; the step is still to come.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(super) struct DomeSaid {
    on: bool,
    at: Moment,
    /// No step has come for so long that it counts as what was there all the time.
    #[serde(default)]
    presumed: bool,
    /// It was known to be off, so it cannot have been there all the time: the step is waited for.
    #[serde(default)]
    was_off: bool,
    /// Whether it was known to be on before.
    #[serde(default)]
    was_on: bool,
}

impl DomeSaid {
    /// Whether what lies on the stand is taken to have it, or not to have it, as was said.
    pub const fn counts(self) -> bool {
        self.presumed
    }
}

/// A step as heavy as its dome was taken for it; water can weigh as much.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(super) struct DomeGuess {
    seq: u64,
    at: Moment,
    /// How fast it dried before.
    rate: GramsPerHour,
    /// Its drying has said that it is one. That is no word of a person's: while nobody has said so it may be water all the same, and a valve
    /// goes by that.
    #[serde(default)]
    judged: bool,
}

/// A dome that was only guessed is judged by the drying of so long a time, in which day and night cancel.
const GUESS_JUDGED: Span = Span::hours(24);
/// Under a dome a flat loses a fifth at most (common practice, no source); one that goes on with more than this share of what it
/// lost before has none on.
const NO_DOME: f64 = 0.6;

/// What the last steps of a flat say of a dome that somebody has just named.
enum Step {
    /// It was taken for the dome already.
    Known,
    /// So much of a shift of the weight on a scale, in what is not over yet, was it.
    InHand(Shift, Grams),
    /// It was not there any more when the flat was weighed.
    Missed,
    /// It was there already when the flat was weighed.
    Weighed,
    /// This event was it.
    Was(u64, Grams),
    /// It is still to come.
    ToCome,
}

impl Site {
    /// `dome`: it is on, or off. Its weight is learned from the step, just before or just after.
    pub(super) fn dome(&mut self, index: usize, on: bool) -> Done {
        self.flats[index].kept.dome_guess = None;
        // It moves what was weighed last: there is no going back behind it.
        self.no_way_back(index, "its dome was said to be on or off since");
        if let Some(said) = self.flats[index].kept.dome_said.filter(|said| said.on != on && !said.presumed) {
            // What was said before, and has come meanwhile, has been.
            self.dome_in_hand(index, said.on).into_iter().for_each(|step| self.saw_the_dome(index, said.on, step));
        }
        let is_first = self.flats[index].kept.weighed.is_none();
        match self.step_of_dome(index, on) {
            Step::Known => {}
            Step::InHand(shift, change) => self.saw_the_dome(index, on, (shift, change)),
            Step::Missed => self.dome_was_missed(index),
            Step::Weighed => self.dome_was_weighed(index),
            Step::Was(seq, change) => self.was_the_dome(index, seq, on, change),
            Step::ToCome => self.dome_unseen(index, on),
        }
        (self.flats[index].kept.dome_missed, self.flats[index].kept.dome_weighed) = (None, None);
        self.setting_changed(index);
        let weight = self.dome_weight(index).map(|weight| super::decimals(weight.get(), 1));
        let mut answer = Map::from_iter([("dome".to_owned(), json!(on)), ("dome_weight_g".to_owned(), json!(weight))]);
        if is_first && on && weight.is_none() {
            let hint = "nobody knows what its dome weighs, and it has not been weighed without it: its weight counts the dome as \
                        water. Take the dome off, say so, and weigh it; or give its `dome_weight` in the file";
            answer.insert("hint".to_owned(), json!(hint));
        }
        Ok(answer)
    }

    /// Whether its dome is on, and nobody knows what that weighs.
    pub(super) fn has_unknown_dome(&self, index: usize) -> bool {
        self.flats[index].kept.dome_on == Some(true) && self.dome_weight(index).is_none()
    }

    /// An end of the band is not recorded with a dome in it.
    pub(super) fn check_dome_is_known(&self, index: usize) -> Result<(), String> {
        let flat = &self.flats[index];
        // Said since it was weighed, where no scale stands under it: that weight is without it.
        let is_to_come = flat.stand.is_none() && flat.kept.dome_said.is_some();
        if is_to_come || !self.has_unknown_dome(index) {
            return Ok(());
        }
        Err("its dome is on, and nobody knows what that weighs: it would be recorded as part of the flat. Take the dome off, say so \
             (`dome`), weigh it without, and say this again; or give its `dome_weight` in the file"
            .to_owned())
    }

    /// What its dome weighs, as learned or by the file.
    pub(super) fn dome_weight(&self, index: usize) -> Option<Grams> {
        self.flats[index].kept.dome_weight.or(self.plan.flats[index].1.dome_weight)
    }

    /// Looks for the dome among the steps of the last minutes, the latest first. One that was explained since is left alone, and so
    /// is all that came before the dome was last seen going the other way.
    fn step_of_dome(&self, index: usize, on: bool) -> Step {
        let known = self.dome_weight(index);
        let kept = &self.flats[index].kept;
        if kept.dome_on == Some(on) && kept.dome_said.is_none() {
            return Step::Known;
        }
        if let Some((shift, change)) = self.dome_in_hand(index, on) {
            return Step::InHand(shift, change);
        }
        if !on && kept.dome_missed.is_some_and(|at| self.now.mono.since(at.mono) <= DOME_SAID_WITHIN) {
            return Step::Missed;
        }
        if on && kept.dome_weighed.is_some_and(|at| self.now.mono.since(at.mono) <= DOME_SAID_WITHIN) {
            return Step::Weighed;
        }
        if let Some((shift, change)) = self.dome_within(index, on) {
            return Step::InHand(shift, change);
        }
        let Some(ledger) = kept.ledger.as_deref() else { return Step::ToCome };
        let is_recent = |entry: &&Entry| self.now.mono.since(entry.at.mono) <= DOME_SAID_WITHIN;
        for entry in ledger.entries().rev().take_while(is_recent) {
            // It has gone the other way since, or that has been said.
            if is_dome(entry, !on) || is_dome(entry, on) && kept.dome_on != Some(on) {
                break;
            }
            if is_dome(entry, on) {
                return Step::Known;
            }
            let is_it = entry.corrected.is_none() && !entry.told && is_about(entry.change, on, known);
            if is_it {
                return Step::Was(entry.seq, entry.change);
            }
            // Of a dome whose weight nobody knows only the last step can be told from water poured before.
            if known.is_none() && is_dome_step(entry.change, on) {
                break;
            }
        }
        Step::ToCome
    }

    /// The dome among the shifts of the weight in what is not over yet on the scale: the latest that is as heavy, else the one
    /// nearest to it; the latest where nobody knows what it weighs.
    fn dome_in_hand(&self, index: usize, on: bool) -> Option<(Shift, Grams)> {
        let known = self.dome_weight(index);
        let shifts = self.shifts_in_hand(index);
        let latest_first = || shifts.iter().rev().filter(|shift| is_about(shift.change, on, known));
        let off = |shift: &Shift| known.map_or(Grams::ZERO, |dome| (shift.change.abs() - dome).abs());
        let found = latest_first()
            .find(|shift| off(shift) <= SAME_DOME)
            .or_else(|| latest_first().min_by(|a, b| off(a).get().total_cmp(&off(b).get())))?;
        Some((*found, found.change))
    }

    /// It cannot be seen by itself, and somebody has just said so: it came at once with water, or went while water came.
    fn dome_within(&self, index: usize, on: bool) -> Option<(Shift, Grams)> {
        let dome = self.dome_weight(index)?;
        let shifts = self.shifts_in_hand(index);
        let flat = &self.flats[index];
        if on {
            return shifts.iter().rev().find(|shift| shift.change > dome + nearly(dome)).map(|shift| (*shift, dome));
        }
        shifts.last().filter(|_| flat.dome > Grams::ZERO).map(|shift| (*shift, Grams::ZERO - dome))
    }

    /// What the weight has done within the last minutes, of a flat that lies on a scale.
    fn shifts_in_hand(&self, index: usize) -> Vec<Shift> {
        let flat = &self.flats[index];
        let bench = flat.stand.filter(|_| flat.on_stand).and_then(|stand| self.stands.get(stand));
        let by_hand = |bench: &&super::stands::Bench| !bench.scene.valve_open && !bench.scene.soaking;
        let Some(bench) = bench.filter(by_hand).filter(|bench| bench.believed().is_some()) else { return Vec::new() };
        let mut shifts = bench.stand.shifts();
        shifts.retain(|shift| self.now.mono.since(shift.at) <= DOME_SAID_WITHIN);
        shifts
    }

    /// So much of a shift that is not over yet was the dome; the rest of what goes on is judged without it.
    fn saw_the_dome(&mut self, index: usize, on: bool, (shift, change): (Shift, Grams)) {
        let (now, before, first) = (self.now, self.derived(index), self.seq + 1);
        let Some(stand) = self.flats[index].stand else { return };
        let Some(bench) = self.stands.get_mut(stand) else { return };
        bench.stand.take_out(&shift, change);
        bench.last_taken = bench.last_taken.map(|taken| taken + change);
        let shown = bench.believed();
        let kept = &mut self.flats[index].kept;
        (kept.dome_said, kept.dome_guess) = (None, None);
        (kept.dome_on, kept.dome_weight) = (Some(on), Some(change.abs()));
        kept.weighed = shown.map(|weight| Weighed { weight, at: now }).or(kept.weighed);
        self.interrupt(index, QUIET_AFTER_HANDLING);
        self.event(Subject::Flat(index), Happening::Dome { on, change });
        let read = if on { Taken::DomeOn } else { Taken::DomeOff };
        self.write_down(index, Seen { learned: true, ..Seen::on_a_scale(change, read) }, now, first, before);
        self.weighs_what_is_shown(stand, index);
        // Else a restart would see the step once more.
        self.keep(Subject::Stand(stand));
    }

    /// Somebody has said that a dome of known weight goes on or off: when it does, it is seen at once, whatever is poured after it.
    pub(super) fn see_the_dome_said(&mut self, index: usize) {
        let Some(said) = self.flats[index].kept.dome_said.filter(|said| !said.presumed) else { return };
        let Some(dome) = self.dome_weight(index) else { return };
        let is_near = |(_, change): &(Shift, Grams)| (change.abs() - dome).abs() <= SAME_DOME;
        if let Some(step) = self.dome_in_hand(index, said.on).filter(is_near) {
            self.saw_the_dome(index, said.on, step);
            self.setting_changed(index);
        }
    }

    /// It has left a shared scale, where what was said of its dome has not been seen: it comes or goes elsewhere. `moved`: what lay
    /// there became lighter or heavier meanwhile.
    pub(super) fn dome_elsewhere(&mut self, index: usize, moved: bool) {
        let Some(dome) = self.dome_weight(index) else { return };
        let flat = &mut self.flats[index];
        let Some(said) = flat.kept.dome_said.take().filter(|said| !said.presumed) else { return };
        // A dome that was on went off among what was poured.
        let is_off_already = !said.on && moved;
        if is_off_already || said.on == (flat.dome > Grams::ZERO) {
            return;
        }
        let change = if said.on { dome } else { Grams::ZERO - dome };
        if let Some(weighed) = flat.kept.weighed.as_mut() {
            weighed.weight += change;
            flat.present = flat.present.map(|present| present + change);
        }
    }

    /// It is lifted off a shared scale before all that was done to it there had come to rest. A dome that was on, and was seen to go and
    /// not to come back, is off, whether somebody says so or not.
    pub(super) fn dome_as_it_left(&mut self, stand: usize, index: usize) {
        let (now, before, first) = (self.now, self.derived(index), self.seq + 1);
        let dome = self.flats[index].dome;
        let is_near = |shift: &Shift| (shift.change.abs() - dome).abs() <= SAME_DOME;
        let Some(bench) = self.stands.get_mut(stand).filter(|_| dome > Grams::ZERO) else { return };
        let last = bench.stand.shifts().into_iter().rev().find(is_near).map(|shift| shift.change);
        let Some(change) = last.filter(|change| *change < Grams::ZERO) else { return };
        bench.last_taken = bench.last_taken.map(|taken| taken + change);
        let kept = &mut self.flats[index].kept;
        (kept.dome_said, kept.dome_guess, kept.dome_on) = (None, None, Some(false));
        self.event(Subject::Flat(index), Happening::Dome { on: false, change });
        self.write_down(index, Seen::on_a_scale(change, Taken::DomeOff), now, first, before);
    }

    /// So much of what it gained before it was lifted off a shared scale came by itself, and may be the dome: somebody may be about to say
    /// so. Nothing where no dome is known of.
    pub(super) fn may_be_the_dome(&self, stand: usize, index: usize, gain: Grams) -> Grams {
        let (known, kept) = (self.dome_weight(index), &self.flats[index].kept);
        let Some(bench) = self.stands.get(stand).filter(|_| known.is_some() || kept.dome_on.is_some()) else {
            return Grams::ZERO;
        };
        let can_be = |change: &Grams| {
            let is_near = known.is_none_or(|dome| (change.abs() - dome).abs() <= SAME_DOME);
            is_dome_step(*change, true) && is_near && kept.dome_on != Some(true) && gain - *change > SAME_DOME
        };
        let shifts = bench.stand.shifts().into_iter().rev();
        shifts.map(|shift| shift.change).find(can_be).unwrap_or(Grams::ZERO)
    }

    /// What is heavier than the dome, and was read since a moment, may have it in it.
    fn may_have_come_with_water(&self, index: usize, since: Mono) -> bool {
        let Some(dome) = self.dome_weight(index) else { return false };
        let entries = self.flats[index].kept.ledger.as_deref().into_iter().flat_map(|ledger| ledger.entries().rev());
        let recent = entries.take_while(|entry| entry.at.mono >= since);
        let mut water = recent.take_while(|entry| !is_dome(entry, true) && !is_dome(entry, false));
        water.any(|entry| !entry.told && entry.taken() == Taken::Watered && entry.change > dome + nearly(dome))
    }

    /// An event of a moment ago was the dome: what was read from it is corrected, and the dome told.
    fn was_the_dome(&mut self, index: usize, seq: u64, on: bool, change: Grams) {
        let was = if on { Taken::DomeOn } else { Taken::DomeOff };
        let entry = self.flats[index].kept.ledger.as_deref().and_then(|ledger| ledger.get(seq));
        let from = entry.map_or(Taken::Nothing, Entry::taken).name();
        self.flats[index].kept.dome_said = None;
        self.take_for(index, seq, Some((was, None)));
        self.event(Subject::Flat(index), Happening::Corrected { seq, from, to: was.name() });
        self.event(Subject::Flat(index), Happening::Dome { on, change });
        let also = self.seq;
        if let Some(ledger) = self.flats[index].kept.ledger.as_deref_mut() {
            ledger.told_again(seq, also);
        }
    }

    /// No weight has shown it yet. On its own stand the step is waited for, and until then what is weighed counts as it did; else what
    /// was weighed last counts as if its dome had been as it is now.
    fn dome_unseen(&mut self, index: usize, on: bool) {
        let weight = self.dome_weight(index);
        let is_within = on && self.may_have_come_with_water(index, self.now.mono - DOME_SAID_WITHIN);
        let is_guest = self.flats[index].stand.is_some_and(|stand| self.plan.stands[stand].1.shared);
        let flat = &mut self.flats[index];
        let was = flat.kept.dome_on.replace(on);
        let was_on = was == Some(true);
        if flat.kept.weighed.is_none() {
            // It will be weighed as it is now.
            flat.kept.dome_said = None;
            return;
        }
        // What was said and taken back before it was seen has never been.
        let is_taken_back =
            flat.kept.dome_said.is_some_and(|said| said.on != on && !said.presumed && said.was_on == on);
        let was_off = on && was == Some(false) && !is_within;
        let said = DomeSaid { on, at: self.now, presumed: is_within && is_guest, was_off, was_on };
        let said = (!is_taken_back).then_some(said);
        if flat.stand.is_some() {
            flat.kept.dome_said = said;
            return;
        }
        let Some(weight) = weight else {
            // The next weight will show what it weighs.
            flat.kept.dome_said = said.filter(|_| was_on != on);
            return;
        };
        flat.kept.dome_said = None;
        if let (Some(weighed), true) = (flat.kept.weighed.as_mut(), was_on != on) {
            let change = if on { weight } else { Grams::ZERO - weight };
            weighed.weight += change;
            flat.present = flat.present.map(|present| present + change);
        }
    }

    /// A step has been taken for the dome by its weight alone.
    pub(super) fn guess_dome(&mut self, index: usize, on: bool) {
        let (seq, at) = (self.seq, self.now);
        let flat = &mut self.flats[index];
        // Before its own rate is known, that of flats of which nothing is known.
        let by_the_clock = flat.band.map(|(band, _)| GramsPerHour::new(band.width().get() * usual::PER_HOUR));
        let usual = flat.outlook.rate.or(by_the_clock);
        flat.kept.dome_guess = usual.filter(|_| on).map(|rate| DomeGuess { seq, at, rate, judged: false });
    }

    /// Somebody has said so long ago that the dome goes on or off that it must have been before: what lies there has it, or has not.
    /// While nothing is weighed, nothing can show it, and it is waited for on.
    pub(super) fn dome_never_seen(&mut self, index: usize) {
        let Some(said) = self.flats[index].kept.dome_said else { return };
        let (now, is_weighed) = (self.now, self.is_weighed(index));
        let is_within = said.on && self.may_have_come_with_water(index, said.at.mono);
        let flat = &mut self.flats[index];
        let Some(said) = flat.kept.dome_said.as_mut().filter(|_| flat.stand.is_some()) else { return };
        if !is_weighed && !said.presumed {
            said.at = now;
        }
        let since = now.mono.since(said.at.mono);
        // One that was off is waited for, but where something heavier has come: that was it, and water.
        said.presumed |= since > DOME_SAID_WITHIN && (!said.was_off || is_within);
        self.has_not_come(index);
    }

    /// What was said so long ago, and has not been seen since, is what the weights say.
    fn has_not_come(&mut self, index: usize) {
        let now = self.now.mono;
        let kept = &mut self.flats[index].kept;
        let late = kept.dome_said.take_if(|said| now.since(said.at.mono) > STILL_COMES_WITHIN);
        if let Some(said) = late.filter(|said| !said.presumed) {
            kept.dome_on = Some(!said.on);
        }
    }

    /// A flat that dries on as before has no dome on: it was water.
    pub(super) fn judge_dome(&mut self, index: usize) {
        let Some(guess) = self.flats[index].kept.dome_guess.filter(|guess| !guess.judged) else { return };
        let since = self.now.mono.since(guess.at.mono);
        if since < GUESS_JUDGED {
            return;
        }
        self.flats[index].kept.dome_guess = Some(DomeGuess { judged: true, ..guess });
        let rate = self.ahead(index).rate();
        let is_still_on = self.flats[index].kept.dome_on == Some(true);
        if is_still_on && rate.is_some_and(|rate| rate.get() > NO_DOME * guess.rate.get()) {
            self.take_for(index, guess.seq, Some((Taken::Watered, None)));
            let (from, to) = (Taken::DomeOn.name(), Taken::Watered.name());
            self.event(Subject::Flat(index), Happening::Corrected { seq: guess.seq, from, to });
            self.flats[index].kept.dome_guess = None;
            self.flats[index].kept.dome_on = None;
            self.band_changed(index);
        }
    }

    /// Whether a change of the weight is the dome that somebody has said to go on or off; if so, it has been seen now.
    pub(super) fn is_the_dome_said(&mut self, index: usize, change: Grams, ran_off: Grams) -> Option<bool> {
        let known = self.dome_weight(index);
        let now = self.now.mono;
        let flat = self.flats.get_mut(index)?;
        let (has_stand, kept) = (flat.stand.is_some(), &mut flat.kept);
        let said = kept.dome_said?;
        let is_near = known.is_some_and(|dome| (change.abs() - dome).abs() <= SAME_DOME);
        let is_it = is_about(change, said.on, known) && (is_near || !said.presumed);
        let is_water = ran_off > SAME_DOME.max(change * RAN_OFF);
        let is_late = now.since(said.at.mono) > STILL_COMES_WITHIN && has_stand;
        if !is_it || is_water || is_late {
            return None;
        }
        kept.dome_said = None;
        kept.dome_guess = None;
        kept.dome_on = Some(said.on);
        kept.dome_weight = Some(change.abs());
        Some(said.on)
    }

    /// What a flat on its stand goes by while a step of its weight is not over yet. If that is as heavy as the dome that is on, or as the
    /// one that somebody has said to come or go, it is the dome in somebody's hand, and what is left is what it was: else a flat whose
    /// dome is taken off would be drier by it for some minutes, and somebody called to water it.
    pub(super) fn without_the_dome_in_hand(&self, index: usize, weight: Grams) -> Grams {
        let flat = &self.flats[index];
        let stand = flat.stand.and_then(|stand| self.stands.get(stand));
        let Some(before) = stand.filter(|bench| !bench.scene.valve_open).and_then(|bench| bench.stand.stood_at())
        else {
            return weight;
        };
        let (change, known) = (weight - before, self.dome_weight(index));
        let is_taken_off = flat.dome > Grams::ZERO && (change + flat.dome).abs() <= SAME_DOME;
        let is_said = flat.kept.dome_said.is_some_and(|said| !said.presumed && is_about(change, said.on, known));
        if is_taken_off || is_said { before } else { weight }
    }

    /// Whether somebody has said that the dome goes on, or off, and its weight is to be learned from the next weighing.
    pub(super) fn waits_for_a_dome(&self, index: usize, on: bool) -> bool {
        let said = self.flats[index].kept.dome_said;
        said.is_some_and(|said| said.on == on) && self.dome_weight(index).is_none()
    }

    /// Why a weight of a flat that is weighed now and then does not tell what its new dome weighs: too much may have dried meanwhile.
    pub(super) fn cannot_tell_its_dome(&self, index: usize, weight: Grams, at: Moment) -> Option<String> {
        let (expected, error) = self.expected(index, at).filter(|_| self.waits_for_a_dome(index, true))?;
        let is_vague = error > TELLS_A_DOME && is_about(weight - expected, true, None);
        is_vague.then(|| {
            let (words, label) = (self.plan.words, &self.plan.flats[index].1.label);
            let (expected, error) = (words.weight(expected), words.weight(error));
            format!(
                "nobody knows what the dome of {label} weighs, and by now what it weighs itself is known to {error} only. Take the dome \
                 off, say so (`dome`), and weigh {label} without it, then with it; or give its `dome_weight` in the file. If the \
                 difference to {expected} is to count as the dome all the same"
            )
        })
    }

    /// Whether a weight is less than expected by about the dome that is on: somebody may be about to say that it is off.
    pub(super) fn lacks_its_dome(&self, index: usize, change: Grams) -> bool {
        let dome = self.flats[index].dome;
        dome > Grams::ZERO && is_about(change, false, Some(dome))
    }

    /// Whether a weight is more than expected by about the dome, which is not known to be on: somebody may be about to say that it is.
    pub(super) fn has_its_dome_in_it(&self, index: usize, change: Grams) -> bool {
        let is_off = self.flats[index].dome <= Grams::ZERO && self.flats[index].kept.dome_said.is_none();
        is_off && self.dome_weight(index).is_some_and(|dome| is_about(change, true, Some(dome)))
    }

    /// The weight of a moment ago was with it.
    fn dome_was_weighed(&mut self, index: usize) {
        let Some(change) = self.dome_weight(index) else { return };
        let (now, before, first) = (self.now, self.derived(index), self.seq + 1);
        let kept = &mut self.flats[index].kept;
        (kept.dome_said, kept.dome_on) = (None, Some(true));
        self.event(Subject::Flat(index), Happening::Dome { on: true, change });
        self.write_down(index, Seen::on_a_scale(change, Taken::DomeOn), now, first, before);
    }

    /// The weight of a moment ago was without it.
    fn dome_was_missed(&mut self, index: usize) {
        let (now, before, first) = (self.now, self.derived(index), self.seq + 1);
        let flat = &mut self.flats[index];
        let change = Grams::ZERO - flat.dome;
        (flat.kept.dome_said, flat.kept.dome_on) = (None, Some(false));
        self.event(Subject::Flat(index), Happening::Dome { on: false, change });
        self.write_down(index, Seen::on_a_scale(change, Taken::DomeOff), now, first, before);
    }

    /// A flat that is weighed now and then differs by so much from what was expected, which was as unsure as that. If somebody has said
    /// since that its dome goes on or off, and nobody knows what that weighs, the difference is the dome; one that shows no difference
    /// was weighed without it.
    pub(super) fn dome_in_a_weight(&mut self, index: usize, change: Grams, unsure: Grams) -> Option<Seen> {
        let known = self.dome_weight(index);
        let Some(on) = self.is_the_dome_said(index, change, Grams::ZERO) else {
            self.has_not_come(index);
            return None;
        };
        if !on && unsure > TELLS_A_DOME {
            // That it is gone is known, what it weighed is not.
            self.flats[index].kept.dome_weight = known;
        }
        self.event(Subject::Flat(index), Happening::Dome { on, change });
        let read = if on { Taken::DomeOn } else { Taken::DomeOff };
        Some(Seen { learned: true, ..Seen::on_a_scale(change, read) })
    }

    /// A step that comes after somebody has said that the dome goes on or off is the dome.
    pub(super) fn with_the_dome_said(&mut self, index: usize, handling: Handling) -> Handling {
        let (change, ran_off) = match handling {
            Handling::Watered { gross, kept } => (kept, gross - kept),
            Handling::Removed { change } | Handling::Visited { change } | Handling::Bumped { change } => {
                (change, Grams::ZERO)
            }
            Handling::Dome { on, .. } => {
                self.flats[index].kept.dome_said.take_if(|said| said.on == on);
                return handling;
            }
            _ => return handling,
        };
        match self.is_the_dome_said(index, change, ran_off) {
            Some(on) => Handling::Dome { on, change },
            None => handling,
        }
    }

    /// Whether a flat that was lifted came back with its dome on, or without it; and whether somebody had said so.
    pub(super) fn dome_by_the_way(&mut self, index: usize, change: Grams) -> Option<(bool, bool)> {
        // What it has dried meanwhile is no dome, as far as that is known.
        let flat = self.flats.get(index)?;
        let dried = flat.lifted.zip(flat.present).map(|((before, _), present)| before.weight - present);
        let dried = dried.filter(|_| flat.error.is_some_and(|error| error <= SAME_DOME));
        let step = change + dried.unwrap_or(Grams::ZERO).max(Grams::ZERO);
        if let Some(on) = self.is_the_dome_said(index, step, Grams::ZERO) {
            return Some((on, true));
        }
        let dome = self.dome_weight(index)?;
        let flat = self.flats.get_mut(index)?;
        let on = step > Grams::ZERO;
        let was_due = on && flat.lifted.zip(flat.due_below()).is_some_and(|((before, _), due)| before.weight < due);
        // One that was not known to be on cannot be missed, nor can it where as much may have dried.
        let can_be =
            if on { flat.kept.dome_on != Some(true) } else { flat.kept.dome_on == Some(true) && dried.is_some() };
        let is_dome = !was_due && (step.abs() - dome).abs() <= SAME_DOME && can_be;
        if is_dome {
            flat.kept.dome_said = None;
            flat.kept.dome_on = Some(on);
        }
        is_dome.then_some((on, false))
    }
}

fn is_dome_step(change: Grams, on: bool) -> bool {
    (change > Grams::ZERO) == on && DOMES.contains(&change.abs().get())
}

/// Whether a change that somebody calls the dome can be it: about as heavy as it is known to be, or as any dome.
fn is_about(change: Grams, on: bool, known: Option<Grams>) -> bool {
    let is_as_heavy = known.is_none_or(|dome| (change.abs() - dome).abs() <= nearly(dome));
    is_dome_step(change, on) && is_as_heavy
}

fn nearly(dome: Grams) -> Grams {
    SAME_DOME.max(dome * ABOUT)
}

fn is_dome(entry: &Entry, on: bool) -> bool {
    entry.taken() == if on { Taken::DomeOn } else { Taken::DomeOff }
}
