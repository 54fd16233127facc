//! What somebody tells of a flat: a weight typed, water poured where no scale saw it; whether that can be; and taking it back.

use super::bases::{Basis, Between, SURE};
use super::flats::Weighed;
use super::life::Seen;
use super::orders::Done;
use super::readings::QUIET_AFTER_WATER;
use super::{By, Happening, Site, Subject};
use crate::flat::{BandFrom, Derived, FULL, Taken, carried_over, later};
use crate::moment::{Moment, Span, Wall};
use crate::stand::can_weigh;
use crate::units::{Grams, Millilitres};
use serde::{Deserialize, Serialize};
use serde_json::{Map, json};

/// What a flat may have lost beyond its fastest drying, as a share of the band.
const BEYOND_FASTEST: f64 = 0.10;
/// A loss beyond what can have dried by so much of the band is another flat.
const LOST_TOO_MUCH: f64 = 0.15;
/// Soaked through and dripping, with some water in its tray, a flat weighs no more than so much of its band above capacity (a
/// judgement: who weighs one with a full tray can say that it is right).
const OVERFULL: f64 = 0.25;
/// A dome whose weight nobody knows weighs no more (a judgement: a hood of thin plastic over a whole tray weighs 100 to 400 g).
const HEAVY_DOME: Grams = Grams::new(500.0);
/// Who pours so many bands on a flat at once has written a number too many, or means all flats together.
const MOST_BANDS: f64 = 3.0;
/// And so many millilitres where its band is not known.
const MOST_POURED: Millilitres = Millilitres::new(10_000.0);
/// A typed weight or pour may lie so far back.
const LONGEST_AGO: Span = Span::days(14);
/// The last weighing is the present weight for so long.
const JUST_WEIGHED: Span = Span::minutes(30);
/// So many can be taken back, one after the other.
const TAKEN_BACK: usize = 4;

/// A weight or a pour that somebody told, with what was known before it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct Told {
    /// The number of the first event that told of it, and of the one that is it.
    first: u64,
    seq: u64,
    /// The word of that event.
    pours: bool,
    weighed: Option<Weighed>,
    between: Option<Box<Between>>,
    off_since: Option<Moment>,
    misfit: Option<String>,
    before: Box<Derived>,
    after: Box<Derived>,
}

/// What `undo` takes back next.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Newest {
    /// A record of the band, or of its plants.
    Record,
    /// The correction of this event.
    Correction(u64),
    /// A weight or a pour that was told.
    Told,
    /// Something that cannot be taken back: why. Nothing older is, over it.
    TooOld(String),
}

/// A weight or a pour that was told, and cannot be taken back any more.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct OutOfReach {
    /// The number of its first event.
    first: u64,
    /// For people.
    why: String,
}

impl Site {
    // ---- whether it can be

    /// Why a weight cannot be this flat's; `None` where it can.
    pub(super) fn misfit(&self, index: usize, weight: Grams, at: Moment) -> Option<String> {
        let flat = &self.flats[index];
        let words = self.plan.words;
        let label = &self.plan.flats[index].1.label;
        if weight <= Grams::ZERO {
            return Some(format!("a weight of {:.0} g is no flat", weight.get()));
        }
        let (band, from) = flat.band?;
        let (least, _) = can_weigh(band.dry(), band.capacity(), Grams::ZERO);
        if weight < least {
            let (weight, dry) = (words.weight(weight), words.weight(band.dry()));
            let whose = if from == BandFrom::Fill { "flats of its fill weigh" } else { "it weighs" };
            return Some(format!("{weight} cannot be {label}: dry as filled {whose} {dry}"));
        }
        let full = band.capacity() + flat.plants() + flat.dome;
        let unknown_dome = if self.waits_for_a_dome(index, true) { HEAVY_DOME } else { Grams::ZERO };
        let most = full + unknown_dome + flat.grown.error * SURE + band.width() * OVERFULL;
        if weight > most {
            let (weight, full) = (words.weight(weight), words.weight(full));
            let whose = if from == BandFrom::Fill { "flats of its fill weigh" } else { "it weighs" };
            return Some(format!("{weight} cannot be {label}: soaked through {whose} {full}"));
        }
        self.has_lost_too_much(index, weight, at)
    }

    fn has_lost_too_much(&self, index: usize, weight: Grams, at: Moment) -> Option<String> {
        let flat = &self.flats[index];
        let (band, _) = flat.band?;
        let weighed = flat.kept.weighed.filter(|weighed| weighed.at.mono < at.mono)?;
        let hours = at.mono.since(weighed.at.mono).as_hours();
        let fastest = self.plan.flats[index].1.fastest_drying.get() * hours;
        let (expected, error) = self.expected(index, at)?;
        let allowed =
            (error * SURE).max(band.width() * LOST_TOO_MUCH).min(Grams::new(fastest) + band.width() * BEYOND_FASTEST);
        let allowed = if self.waits_for_a_dome(index, false) { allowed + HEAVY_DOME } else { allowed };
        (expected - weight > allowed).then(|| {
            let words = self.plan.words;
            let label = &self.plan.flats[index].1.label;
            let with_dome =
                if flat.dome > Grams::ZERO { " with its dome on (if that is off, say so first: `dome`)" } else { "" };
            let (weight, expected) = (words.weight(weight), words.weight(expected));
            format!("{weight} is lighter than {label} can have become: about {expected} was expected{with_dome}")
        })
    }

    /// Why so much cannot have been poured on this flat alone.
    fn too_much_poured(&self, index: usize, volume: Millilitres) -> Option<String> {
        let flat = &self.flats[index];
        let words = self.plan.words;
        let label = &self.plan.flats[index].1.label;
        let poured = words.volume(volume);
        match flat.band {
            Some((band, _)) if volume.mass() > band.width() * MOST_BANDS => {
                let holds = words.volume(band.width().of_water());
                Some(format!("{poured} is more than {label} can take: it holds {holds} between dry and full"))
            }
            None if volume > MOST_POURED => Some(format!("{poured} is more than one flat can take")),
            _ => None,
        }
    }

    // ---- a weight

    /// `weigh`, typed.
    pub(super) fn weigh_typed(&mut self, index: usize, weight: Grams, at: Option<Wall>, sure: bool) -> Done {
        let at = self.said_at(at)?;
        let flat = &self.flats[index];
        if self.is_weighed(index) {
            let stand = flat.stand.map_or("", |stand| self.id(Subject::Stand(stand)));
            return Err(format!(
                "{} is being weighed on {stand}; nothing has to be typed",
                self.id(Subject::Flat(index))
            ));
        }
        if let Some(weighed) = flat.kept.weighed.filter(|weighed| weighed.at.mono > at.mono) {
            let then = self.stamp(weighed.at.wall);
            return Err(format!(
                "it was weighed later than that, at {then}; the newer weight stays. If that one is wrong, `undo` takes it back"
            ));
        }
        if let Some(why) = self.cannot_tell_its_dome(index, weight, at).filter(|_| !sure) {
            return Err(format!("{why}, add \"sure\":true"));
        }
        if let Some(why) = self.misfit(index, weight, at).filter(|_| !sure || weight <= Grams::ZERO) {
            let before = if flat.kept.told.is_empty() { "" } else { "; if what was told before is wrong, `undo` it" };
            return Err(format!(
                "{why}. Is it another flat, or a slip of the pen? If it is right, add \"sure\":true{before}"
            ));
        }
        self.take_weight(index, weight, at, Basis::Typed);
        self.setting_changed(index);
        Ok(self.weighed_answer(index))
    }

    pub(super) fn weighed_answer(&self, index: usize) -> Map<String, serde_json::Value> {
        let flat = &self.flats[index];
        let tenths = |grams: Grams| super::decimals(grams.get(), 1);
        let weight = flat.kept.weighed.map(|weighed| tenths(weighed.weight - flat.dome));
        let to_target = flat.water().zip(flat.band).map(|(water, (band, _))| {
            super::decimals(crate::watering::to_target(water, band.width(), flat.limits.target).get(), 1)
        });
        Map::from_iter([
            ("weight_g".to_owned(), json!(weight)),
            ("fraction".to_owned(), json!(flat.fraction.map(crate::units::Fraction::get))),
            ("condition".to_owned(), json!(flat.kept.condition.name())),
            ("to_target_ml".to_owned(), json!(to_target)),
            ("target_weight_g".to_owned(), json!(flat.target_weight().map(tenths))),
        ])
    }

    /// A time that was typed, or now.
    fn said_at(&self, at: Option<Wall>) -> Result<Moment, String> {
        let Some(wall) = at else { return Ok(self.now) };
        let ago = self.now.wall.since(wall);
        if ago < Span::ZERO - Span::minutes(1) {
            return Err(format!("`at` is {} in the future", crate::alert::spell(Span::ZERO - ago)));
        }
        if ago > LONGEST_AGO {
            return Err("`at` is more than 14 days ago: too long to carry on from".to_owned());
        }
        let wall = wall.min(self.now.wall);
        Ok(Moment { mono: self.now.mono_at(wall), wall })
    }

    /// The weight of a flat without a stand of its own, if it was weighed a moment ago.
    pub(super) fn just_weighed(&self, index: usize) -> Result<Grams, String> {
        let flat = &self.flats[index];
        let id = self.id(Subject::Flat(index));
        let poured = flat.kept.between.as_ref().is_some_and(|between| between.poured() > Grams::ZERO);
        let fresh = flat.kept.weighed.filter(|weighed| self.now.mono.since(weighed.at.mono) <= JUST_WEIGHED && !poured);
        fresh.map(|weighed| weighed.weight).ok_or_else(|| {
            format!("{id} has no stand, and was not weighed in the last 30 min: `weigh` it first, then say this again")
        })
    }

    // ---- water

    /// `watered`, where no scale saw it.
    pub(super) fn watered_typed(&mut self, index: usize, volume: Millilitres, at: Option<Wall>, sure: bool) -> Done {
        let at = self.said_at(at)?;
        if self.is_weighed(index) {
            return Err("its scale sees by itself what is poured there; this is for water that no scale saw".to_owned());
        }
        if self.flats[index].kept.weighed.is_some_and(|weighed| weighed.at.mono > at.mono) {
            return Err("it has been weighed since then: that weight has the water in it already".to_owned());
        }
        if let Some(why) = self.too_much_poured(index, volume).filter(|_| !sure) {
            return Err(format!("{why}. Is it a slip of the pen? If it is right, add \"sure\":true"));
        }
        let told = self.before_it_is_told(index, true);
        self.poured_where_no_scale_saw(index, volume, volume.mass(), at, By::Hand);
        self.was_told(index, told);
        Ok(self.weighed_answer(index))
    }

    /// Water that came to a flat without a stand counts until it is weighed: `more` of it beyond what another flat tells of.
    pub(super) fn poured_where_no_scale_saw(
        &mut self,
        index: usize,
        volume: Millilitres,
        more: Grams,
        at: Moment,
        by: By,
    ) {
        let now = self.now;
        let (before, first) = (self.derived(index), self.seq + 1);
        let told_at = (at.wall != now.wall).then_some(at.wall);
        let kept = volume - self.pour_unseen(index, more, at).of_water();
        let what = Happening::Watered { added: volume, kept, by, away: by == By::Hand, told_at };
        self.event(Subject::Flat(index), what);
        // What a valve pours nobody takes back, nor what was told before it.
        if by == By::Valve {
            self.no_way_back(index, "a valve has poured since");
        }
        let flat = &mut self.flats[index];
        flat.kept.watered = later(flat.kept.watered, at);
        flat.kept.drying.interrupted(now, Span::ZERO);
        self.carry_on(index);
        self.may_be_soaked(index, at);
        let told = Seen { told: true, ..Seen::on_a_scale(more, Taken::Watered) };
        self.write_down(index, told, at, first, before);
        self.setting_changed(index);
    }

    /// A gain that a weighing shows, and nobody has told of.
    pub(super) fn watered_unseen(&mut self, index: usize, gain: Grams, at: Moment) {
        self.flats[index].kept.watered = Some(at);
        let added = gain.of_water();
        let what = Happening::Watered { added, kept: added, by: By::Unknown, away: true, told_at: None };
        self.event(Subject::Flat(index), what);
        self.tell_away(index, self.seq, at, gain);
    }

    /// After a watering: as good as full is soaked.
    pub(super) fn may_be_soaked(&mut self, index: usize, at: Moment) {
        let flat = &mut self.flats[index];
        if flat.fraction.is_some_and(|fraction| fraction >= FULL) {
            flat.kept.soaked = later(flat.kept.soaked, at);
        }
    }

    /// It became heavier on a shared scale, and was lifted off before that had come to rest, or is another than was thought: the dome,
    /// if somebody has said so, else water.
    pub(super) fn gained_while_it_lay_there(&mut self, index: usize, gain: Grams) {
        let (now, before, first) = (self.now, self.derived(index), self.seq + 1);
        let seen = match self.is_the_dome_said(index, gain, Grams::ZERO) {
            Some(on) => {
                self.event(Subject::Flat(index), Happening::Dome { on, change: gain });
                Seen { learned: true, ..Seen::on_a_scale(gain, Taken::DomeOn) }
            }
            None => {
                self.watered(index, gain, gain, By::Hand, false);
                Seen::on_a_scale(gain, Taken::Watered)
            }
        };
        self.write_down(index, seen, now, first, before);
        self.interrupt(index, QUIET_AFTER_WATER);
    }

    // ---- taking it back

    /// What is known before a weight or a pour is taken.
    pub(super) fn before_it_is_told(&self, index: usize, pours: bool) -> Told {
        let kept = &self.flats[index].kept;
        Told {
            first: self.seq + 1,
            seq: 0,
            pours,
            weighed: kept.weighed,
            between: kept.between.clone(),
            off_since: kept.off_since,
            misfit: kept.misfit.clone(),
            before: Box::new(self.derived(index)),
            after: Box::default(),
        }
    }

    /// It has been taken: the last event is it.
    pub(super) fn was_told(&mut self, index: usize, told: Told) {
        let told = Told { seq: self.seq_of(&told), after: Box::new(self.derived(index)), ..told };
        let kept = &mut self.flats[index].kept;
        if kept.told.len() >= TAKEN_BACK {
            let oldest = kept.told.remove(0);
            kept.out_of_reach = Some(oldest.out_of_reach("only the last four weights and pours can be taken back"));
        }
        kept.told.push(told);
        self.keep(Subject::Flat(index));
    }

    /// Alerts may have been told after it.
    fn seq_of(&self, told: &Told) -> u64 {
        if told.pours { told.first } else { self.seq }
    }

    /// What was told so far cannot be taken back any more, nor what came before it.
    pub(super) fn no_way_back(&mut self, index: usize, why: &str) {
        let kept = &mut self.flats[index].kept;
        if let Some(last) = kept.told.pop() {
            kept.out_of_reach = Some(last.out_of_reach(why));
        }
        kept.told.clear();
    }

    /// What was recorded, corrected or told last.
    pub(super) fn newest(&self, index: usize) -> Option<Newest> {
        let kept = &self.flats[index].kept;
        let ledger = kept.ledger.as_deref();
        let record = kept.season.latest().map(|(after, can_be_undone)| {
            let too_old = || Newest::TooOld("the record before it is too old: only the last eight are kept".to_owned());
            // It was made after that event, which may have told of something else.
            (after, true, if can_be_undone { Newest::Record } else { too_old() })
        });
        let correction = ledger.and_then(crate::flat::Ledger::latest);
        let dropped = ledger.and_then(crate::flat::Ledger::dropped).map(|by| {
            let why = format!("the correction of event {by} is too old: what it was about is not kept any more");
            (by, false, Newest::TooOld(why))
        });
        let too_old = kept.out_of_reach.as_ref().map(|gone| (gone.first, false, Newest::TooOld(gone.why.clone())));
        let told = kept.told.last().map(|told| (told.first, false, Newest::Told));
        let correction = correction.map(|(by, of)| (by, false, Newest::Correction(of)));
        let all = [record, correction, dropped, too_old, told].into_iter().flatten();
        all.max_by_key(|(at, is_record, _)| (*at, *is_record)).map(|(.., newest)| newest)
    }

    /// `undo` of the last weight or pour that was told; `None` where there is none.
    pub(super) fn undo_told(&mut self, index: usize) -> Option<Done> {
        self.flats[index].kept.told.last()?;
        if self.is_weighed(index) {
            let stand = self.flats[index].stand.map_or("", |stand| self.id(Subject::Stand(stand)));
            return Some(Err(format!("it still lies on {stand}: lift it off, then `undo` takes its weight back")));
        }
        let told = self.flats[index].kept.told.pop()?;
        self.never_seen_with(index, &told);
        let known = carried_over(&told.before, &told.after, &self.derived(index));
        let kept = &mut self.flats[index].kept;
        kept.weighed = told.weighed;
        kept.between = told.between;
        kept.off_since = told.off_since;
        kept.misfit = told.misfit;
        kept.watered = known.watered;
        kept.soaked = known.soaked;
        kept.dome_on = known.dome_on;
        kept.dome_weight = known.dome_weight;
        (kept.dome_missed, kept.dome_weighed) = (None, None);
        if let Some(ledger) = &mut kept.ledger {
            ledger.drop_from(told.first);
        }
        self.recall_leader(index);
        if !told.pours {
            self.is_to_be_weighed_again(index);
        }
        let from = if told.pours { Taken::Watered.name() } else { "weighed" };
        self.event(Subject::Flat(index), Happening::Corrected { seq: told.seq, from, to: Taken::Nothing.name() });
        self.flats[index].present = self.flats[index].kept.weighed.map(|weighed| weighed.weight);
        self.setting_changed(index);
        Some(Ok(self.weighed_answer(index)))
    }

    /// What a scale saw of this flat while it lay there to be weighed goes with the weight: the newest first.
    fn never_seen_with(&mut self, index: usize, weight: &Told) {
        if weight.pours {
            return;
        }
        let ledger = self.flats[index].kept.ledger.as_deref();
        let seen = ledger.into_iter().flat_map(crate::flat::Ledger::entries).rev();
        let counts = seen.filter(|entry| entry.seq > weight.seq && !entry.told && entry.taken() != Taken::Nothing);
        let counts: Vec<(u64, Taken)> = counts.map(|entry| (entry.seq, entry.taken())).collect();
        for (seq, taken) in counts {
            self.take_for(index, seq, Some((Taken::Nothing, None)));
            let what = Happening::Corrected { seq, from: taken.name(), to: Taken::Nothing.name() };
            self.event(Subject::Flat(index), what);
        }
    }

    /// What was weighed for this flat was another: it is taken back, with what was corrected of it since. How much was poured on what
    /// lay there.
    pub(super) fn was_another(&mut self, index: usize) -> Grams {
        let Some(weight) = self.flats[index].kept.told.last().filter(|told| !told.pours).map(|told| told.seq) else {
            return Grams::ZERO;
        };
        let is_of_it = |seq: u64| seq > weight;
        while let Some(Newest::Correction(seq)) = self.newest(index)
            && is_of_it(seq)
        {
            self.undo_correction(index, seq);
        }
        if self.newest(index) != Some(Newest::Told) {
            return Grams::ZERO;
        }
        let ledger = self.flats[index].kept.ledger.as_deref();
        let seen = ledger.into_iter().flat_map(crate::flat::Ledger::entries);
        let pours = seen.filter(|entry| is_of_it(entry.seq) && !entry.told && entry.taken() == Taken::Watered);
        let poured = pours.fold(Grams::ZERO, |sum, entry| sum + entry.change);
        let _ = self.undo_told(index);
        poured
    }
}

impl Told {
    fn out_of_reach(&self, why: &str) -> OutOfReach {
        let what = if self.pours { "pour" } else { "weight" };
        OutOfReach {
            first: self.first,
            why: format!("what came before is the {what} of event {}, and {why}", self.seq),
        }
    }
}
