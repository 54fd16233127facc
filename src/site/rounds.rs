//! What a shared scale reads: whose turn it is gets the weight, and is the scale's guest until it is lifted off.

use super::bases::{Basis, LEAST_GAIN, SURE};
use super::flats::Weighed;
use super::turn::{Stage, Turn};
use super::{Site, Subject};
use crate::moment::Span;
use crate::stand::can_weigh;
use crate::units::Grams;
use serde::{Deserialize, Serialize};

/// The scale was empty in between when it showed less than this share of what lay there.
const EMPTY: f64 = 0.25;
/// Readings this near to each other agree.
const AGREE: Grams = Grams::new(4.0);
/// A gain of less than this is none that anybody poured.
pub(super) const POURED: Grams = Grams::new(20.0);
/// Judgements, by which a weight that nothing told explains is held against a mix-up. A flat in a round is put on in the place of
/// another so often.
const MIXED_UP: f64 = 0.02;
/// Who weighs a flat has poured on it before, without a word, so often: on one that is due, and on one that is not; in the hours since it
/// was weighed last, most of it within so many of them; and such a share of that at once.
const POURED_ON_THIRSTY: f64 = 0.3;
const POURED_ON_MOIST: f64 = 0.01;
const POURED_WITHIN: f64 = 1.0;
const POURED_AT_ONCE: f64 = 0.03;
/// Something that weighs has been taken away, without a word.
const TAKEN_AWAY: f64 = 0.01;
/// Two scales differ by so much: what is expected may have been weighed on another.
const OTHER_SCALE: Grams = Grams::new(8.0);
/// It is asked where a mix-up is so many times as likely.
const MUCH_LIKELIER: f64 = 4.0;
/// Less than this is no flat.
pub(super) const SOMETHING: Grams = Grams::new(30.0);

/// What lies on a shared scale, for a restart.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct GuestKept {
    flat: String,
    /// The weight by which it was taken, or what it has weighed since its last watering was told.
    taken: Grams,
    /// What it weighed last.
    rested: Grams,
}

impl Site {
    /// A shared scale was read.
    pub(super) fn shared_read(&mut self, stand: usize, steady: Option<Grams>) {
        self.see_empty(stand);
        self.see_rest(stand);
        let bench = &self.stands[stand];
        let free = !bench.waits_for_empty;
        let awaited = bench.turn.as_ref().is_some_and(|turn| turn.stage == Stage::Awaited);
        if let Some(weight) = steady.filter(|&weight| free && awaited && weight > SOMETHING) {
            self.offer(stand, weight);
        }
    }

    /// Two readings that agree are what lies there, whether that counts as steady yet or not.
    fn see_rest(&mut self, stand: usize) {
        let bench = &mut self.stands[stand];
        let Some(shown) = bench.shown else { return };
        let near = AGREE.max(bench.stand.noise().unwrap_or(Grams::ZERO) * 4.0);
        let agree = bench.shown_last.is_some_and(|last| (shown - last).abs() <= near);
        bench.shown_last = Some(shown);
        if agree && bench.is_recalled {
            self.meet_guest(stand, shown);
        } else if agree {
            let poured = bench.rested.is_some_and(|rested| bench.flat.is_some() && shown - rested > POURED);
            bench.rested = Some(shown);
            if poured {
                // Nothing may come of it before it is lifted, and a crash must not lose it.
                self.keep(Subject::Stand(stand));
            }
        }
    }

    // ---- over a restart

    pub(super) fn guest_kept(&self, stand: usize) -> Option<GuestKept> {
        let bench = self.stands.get(stand)?;
        let flat = bench.flat.filter(|_| self.plan.stands[stand].1.shared)?;
        let taken = bench.last_taken?;
        Some(GuestKept { flat: self.id(Subject::Flat(flat)).to_owned(), taken, rested: bench.rested.unwrap_or(taken) })
    }

    /// What lay there when the program ended is its guest again, until a weight tells otherwise.
    pub(super) fn take_up_guest(&mut self, stand: usize, kept: GuestKept) {
        let is_free = self.plan.stands[stand].1.shared && self.stands[stand].flat.is_none();
        let flat = self.guest_by_id(stand, &kept.flat).filter(|&flat| is_free && self.flats[flat].stand.is_none());
        let Some(flat) = flat.filter(|&flat| self.flats[flat].kept.weighed.is_some()) else { return };
        let bench = &mut self.stands[stand];
        (bench.flat, bench.is_recalled) = (Some(flat), true);
        (bench.last_taken, bench.rested) = (Some(kept.taken), Some(kept.rested));
        let guest = &mut self.flats[flat];
        (guest.stand, guest.on_stand) = (Some(stand), true);
    }

    /// Something lies on the scale whose guest is known from before a restart.
    fn meet_guest(&mut self, stand: usize, weight: Grams) {
        let Some(flat) = self.stands[stand].flat else { return };
        if self.can_still_be(stand, flat, weight) {
            let bench = &mut self.stands[stand];
            (bench.is_recalled, bench.rested) = (false, Some(weight));
            self.keep(Subject::Stand(stand));
        } else {
            self.is_not_there(stand);
        }
    }

    /// What lies there is not its guest, nor what is to be weighed next.
    fn is_not_there(&mut self, stand: usize) {
        self.release(stand);
        let bench = &mut self.stands[stand];
        bench.waits_for_empty = bench.turn.is_some();
        self.turn_changed(stand);
    }

    /// Whether a guest from before a restart can weigh this: what has dried off it is gone, and somebody may have poured; but not where
    /// another of the round that is still to come should weigh just that.
    fn can_still_be(&self, stand: usize, flat: usize, weight: Grams) -> bool {
        let (bench, guest) = (&self.stands[stand], &self.flats[flat]);
        let (Some(rested), Some(weighed)) = (bench.rested, guest.kept.weighed) else { return false };
        let hours = self.now.mono.since(weighed.at.mono).as_hours().max(0.0);
        let off = weight - rested;
        if off < -(self.can_have_dried(flat, hours) + POURED) {
            return false;
        }
        let on_top = guest.plants() + guest.dome;
        let most = guest.band.map(|(band, _)| can_weigh(band.dry(), band.capacity(), on_top).1);
        let to_come = |turn: &Turn| turn.missing().any(|other| self.off_by(other, weight).is_some());
        off <= POURED || most.is_none_or(|most| weight <= most) && !bench.turn.as_deref().is_some_and(to_come)
    }

    /// Whether it has been empty since something was last taken for a flat.
    fn see_empty(&mut self, stand: usize) {
        let bench = &mut self.stands[stand];
        let Some(shown) = bench.shown else { return };
        let lay_there = bench.last_taken.unwrap_or(Grams::ZERO);
        if shown > SOMETHING.max(lay_there * EMPTY) {
            return;
        }
        let was_taken = bench.last_taken.is_some() || bench.waits_for_empty;
        bench.waits_for_empty = false;
        self.release(stand);
        self.stands[stand].last_taken = None;
        if was_taken {
            self.go_on(stand);
        }
    }

    /// The flat that was weighed has gone: the next one's turn.
    fn go_on(&mut self, stand: usize) {
        let Some(turn) = self.stands[stand].turn.as_deref_mut() else { return };
        match turn.stage {
            Stage::Awaited => return,
            Stage::Questioned(_) => turn.stage = Stage::Awaited,
            Stage::Weighed => turn.step_to(turn.at + 1),
        }
        if turn.flat().is_none() {
            self.end_turn(stand);
        } else {
            self.turn_changed(stand);
        }
    }

    /// A steady weight, offered to the flat whose turn it is.
    pub(super) fn offer(&mut self, stand: usize, weight: Grams) {
        let now = self.now;
        let Some(turn) = self.stands[stand].turn.as_deref() else { return };
        let (Some(flat), sure) = (turn.flat(), turn.sure) else { return };
        self.stands[stand].last_taken = Some(weight);
        let misfit = if sure { None } else { self.in_question(stand, flat, weight) };
        let Some(turn) = self.stands[stand].turn.as_deref_mut() else { return };
        turn.touch(now);
        if let Some(why) = misfit {
            turn.stage = Stage::Questioned(why.clone());
            self.stands[stand].waits_for_empty = true;
            self.refuse_event(Subject::Stand(stand), "weigh", why);
        } else {
            turn.is_weighed();
            self.take_guest(stand, flat, weight);
        }
        self.turn_changed(stand);
    }

    /// Why what lies there may be another flat than the one whose turn it is.
    fn in_question(&mut self, stand: usize, flat: usize, weight: Grams) -> Option<String> {
        if let Some(why) = self.cannot_tell_its_dome(flat, weight, self.now) {
            return Some(format!("{why}, `weigh` it with \"sure\":true"));
        }
        let misfit = self
            .mixed_up(stand, flat, weight)
            .or_else(|| self.misfit(flat, weight, self.now).map(|why| self.with_a_guess(stand, flat, weight, why)))
            .or_else(|| self.is_likelier_another(stand, flat, weight));
        misfit.map(|why| {
            let (id, label) = (self.id(Subject::Flat(flat)), &self.plan.flats[flat].1.label);
            let stop = if why.ends_with('?') { "" } else { "." };
            format!("{why}{stop} If it is {label}, say so: `holds` {id}, or `weigh` it with \"sure\":true")
        })
    }

    /// The question, with another flat of the round that would weigh just this.
    fn with_a_guess(&mut self, stand: usize, flat: usize, weight: Grams, why: String) -> String {
        let Some(turn) = self.stands[stand].turn.as_deref() else { return why };
        let near = |&other: &usize| self.off_by(other, weight).filter(|_| other != flat).map(|off| (other, off));
        let best = turn.flats.iter().filter_map(near).min_by(|a, b| a.1.get().total_cmp(&b.1.get()));
        let Some((other, _)) = best else {
            return format!("{why}. Is it another flat? Then lift it off and put the right one on, or `skip`");
        };
        if let Some(turn) = self.stands[stand].turn.as_deref_mut() {
            turn.mistaken.push((flat, other));
        }
        format!("{why}. Is it {}, which should weigh about that?", self.plan.flats[other].1.label)
    }

    /// A weight that could be this flat's, if this flat had not lain here in the turn of one that should weigh just that.
    fn mixed_up(&self, stand: usize, flat: usize, weight: Grams) -> Option<String> {
        let turn = self.stands[stand].turn.as_deref()?;
        // The right one: nothing is mixed up any more.
        if self.off_by(flat, weight).is_some() {
            return None;
        }
        let seemed_this = turn.mistaken.iter().rev().filter(|(_, seemed)| *seemed == flat);
        let (other, _) = seemed_this.copied().find(|(other, _)| self.off_by(*other, weight).is_some())?;
        let (this, that) = (&self.plan.flats[flat].1.label, &self.plan.flats[other].1.label);
        let weight = self.plan.words.weight(weight);
        Some(format!(
            "{weight} is what {that} should weigh, and {this} seems to have lain here in its turn: the two are mixed up. Lift it off \
             and put {this} on; {that} is weighed again with `weigh`"
        ))
    }

    /// A weight that could be this flat's by itself only if somebody has poured or taken something away without a word, while another
    /// flat of the round should weigh just that: whichever is likelier.
    fn is_likelier_another(&mut self, stand: usize, flat: usize, weight: Grams) -> Option<String> {
        let alone = self.by_itself(stand, flat, weight)?;
        let others = self.as_another(stand, flat, weight);
        let chance = others.iter().map(|(_, chance)| chance).sum::<f64>();
        if chance < alone * MUCH_LIKELIER {
            return None;
        }
        let (other, _) = others.into_iter().max_by(|a, b| a.1.total_cmp(&b.1))?;
        let (expected, _) = self.expected(flat, self.now)?;
        if let Some(turn) = self.stands[stand].turn.as_deref_mut() {
            turn.mistaken.push((flat, other));
        }
        let words = self.plan.words;
        let (this, that) = (&self.plan.flats[flat].1.label, &self.plan.flats[other].1.label);
        let than = if weight > expected { "more" } else { "less" };
        let why = if weight > expected && !self.needs_water(flat) { ", and it needed no water" } else { "" };
        let (weight, expected) = (words.weight(weight), words.weight(expected));
        Some(format!(
            "{weight} is {than} than {this} should weigh: about {expected} was expected{why}. Is it {that}, which should weigh about \
             that? Then lift it off and put {this} on"
        ))
    }

    fn needs_water(&self, flat: usize) -> bool {
        let flat = &self.flats[flat];
        flat.fraction.is_some_and(|fraction| fraction < flat.limits.water_at)
    }

    /// How likely the flat whose turn it is weighs just this, by what nobody told of; for each gram. `None` where nothing has to be
    /// explained.
    fn by_itself(&self, stand: usize, flat: usize, weight: Grams) -> Option<f64> {
        let turn = self.stands[stand].turn.as_deref().filter(|turn| !turn.has_weighed(flat))?;
        let this = &self.flats[flat];
        this.fraction?;
        let (band, _) = this.band?;
        let (expected, error) = self.expected(flat, self.now)?;
        let hours = self.now.mono.since(this.kept.weighed?.at.mono).as_hours();
        let change = weight - expected;
        let is_dome = self.waits_for_a_dome(flat, true) || self.waits_for_a_dome(flat, false);
        if is_dome || !turn.is_round || change.abs() <= (error * SURE).max(band.width() * LEAST_GAIN) {
            return None;
        }
        let chance = if change > Grams::ZERO {
            let poured = if self.needs_water(flat) { POURED_ON_THIRSTY } else { POURED_ON_MOIST };
            poured * (POURED_AT_ONCE + 1.0 - (-hours / POURED_WITHIN).exp())
        } else if expected - weight > self.can_have_dried(flat, hours) + band.width() * LEAST_GAIN {
            TAKEN_AWAY
        } else {
            return None;
        };
        Some(chance / band.width().get())
    }

    fn can_have_dried(&self, flat: usize, hours: f64) -> Grams {
        Grams::new(self.plan.flats[flat].1.fastest_drying.get() * hours)
    }

    /// How likely each other one of the round weighs just this, and was put on by mistake; for each gram. Those that have been weighed
    /// lie in their places again, but for the last.
    fn as_another(&self, stand: usize, flat: usize, weight: Grams) -> Vec<(usize, f64)> {
        let Some(turn) = self.stands[stand].turn.as_deref() else { return Vec::new() };
        let beside = |at: usize| at.abs_diff(turn.at) == 1;
        let still_to_come = |&(at, other): &(usize, usize)| other != flat && (beside(at) || !turn.has_weighed(other));
        let others: Vec<(usize, usize)> = turn.flats.iter().copied().enumerate().filter(still_to_come).collect();
        let all: f64 = others.iter().map(|_| 1.0).sum();
        others
            .into_iter()
            .filter_map(|(at, other)| {
                let (expected, error) = self.expected(other, self.now)?;
                let error = error.get().hypot(OTHER_SCALE.get());
                let off = (weight - expected).get() / error;
                // Half of them from beside it, before and after, the other half from anywhere.
                let to_near = if beside(at) { 0.25 } else { 0.0 };
                let share = MIXED_UP * (to_near + 0.5 / all);
                let density = (-0.5 * off * off).exp() / (error * std::f64::consts::TAU.sqrt());
                Some((other, share * density))
            })
            .collect()
    }

    /// By how much a weight is off what a flat should weigh now; `None` where that is too much.
    pub(super) fn off_by(&self, flat: usize, weight: Grams) -> Option<Grams> {
        let expected = self.flats[flat].present?;
        let (band, _) = self.flats[flat].band?;
        let off = (expected - weight).abs();
        (off < band.width() * 0.05).then_some(off)
    }

    /// The flat lies on the scale: from now on what the scale says is its weight, until it is lifted off.
    pub(super) fn take_guest(&mut self, stand: usize, flat: usize, weight: Grams) {
        let now = self.now;
        if self.stands[stand].flat != Some(flat) {
            self.release(stand);
        }
        // It cannot lie on two scales: what the other bears is something else, or it has been carried over unseen.
        let elsewhere = self.flats[flat].stand.filter(|&other| other != stand);
        if let Some(other) = elsewhere.filter(|&other| self.stands[other].flat == Some(flat)) {
            self.is_not_there(other);
        }
        self.take_weight(flat, weight, now, Basis::Scale);
        let guest = &mut self.flats[flat];
        guest.stand = Some(stand);
        guest.on_stand = true;
        guest.kept.weighed = Some(Weighed { weight, at: now });
        self.stands[stand].flat = Some(flat);
        self.stands[stand].rested = Some(weight);
        self.stands[stand].last_taken = Some(weight);
        self.refresh_scene(stand);
        self.stands[stand].stand.accept_load_at(weight);
        self.interrupt(flat, Span::ZERO);
        self.setting_changed(flat);
        self.publish_stand(stand);
    }

    /// What lay there has been lifted off, and goes its own way.
    pub(super) fn release(&mut self, stand: usize) {
        let Some(flat) = self.stands[stand].flat.filter(|_| self.plan.stands[stand].1.shared) else { return };
        let rested = self.stands[stand].rested.take();
        // Lifted while nobody looked: what it weighed last is as old as that.
        let was_recalled = std::mem::take(&mut self.stands[stand].is_recalled);
        if let (Some(weighed), Some(rested)) = (&mut self.flats[flat].kept.weighed, rested) {
            *weighed = Weighed { weight: rested, at: if was_recalled { weighed.at } else { self.now } };
            self.flats[flat].goes_by(rested, None, self.heard);
        }
        self.dome_as_it_left(stand, flat);
        let gained = self.flats[flat].kept.weighed.zip(self.stands[stand].last_taken);
        if let Some(gain) = gained.map(|(weighed, taken)| weighed.weight - taken).filter(|gain| *gain > POURED) {
            // Lifted off before what was poured had come to rest.
            let apart = self.may_be_the_dome(stand, flat, gain);
            for gain in [gain - apart, apart].into_iter().filter(|gain| *gain > Grams::ZERO) {
                self.gained_while_it_lay_there(flat, gain);
            }
            self.sample(flat);
        }
        let moved = gained.is_some_and(|(weighed, taken)| (weighed.weight - taken).abs() > POURED);
        self.stands[stand].flat = None;
        self.stands[stand].last_taken = None;
        self.interrupt(flat, Span::ZERO);
        let guest = &mut self.flats[flat];
        guest.stand = None;
        guest.on_stand = false;
        guest.kept.off_since = None;
        guest.kept.misfit = None;
        self.dome_elsewhere(flat, moved);
        self.led_from_here(flat);
        self.refresh_scene(stand);
        self.stands[stand].stand.accept_load();
        self.setting_changed(flat);
        self.publish_stand(stand);
    }
}
