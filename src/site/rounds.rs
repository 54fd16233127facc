//! A shared scale: one flat is weighed on it, or many in a round. What lies there is its guest until it is lifted off.

use super::bases::Basis;
use super::flats::Weighed;
use super::orders::Done;
use super::{RoundState, Site, Subject};
use crate::moment::{Moment, Mono, Span};
use crate::units::Grams;
use serde_json::{Map, json};

/// A single flat is waited for so long.
const WAIT: Span = Span::minutes(5);
/// A round in which nothing happens for so long has been left.
const LEFT: Span = Span::hours(1);
/// The scale was empty in between when it showed less than this share of what lay there.
const EMPTY: f64 = 0.25;
/// Readings this near to each other agree.
const AGREE: Grams = Grams::new(4.0);
/// A gain of less than this is none that anybody poured.
const POURED: Grams = Grams::new(20.0);
/// Two flats side by side in a round were mixed up if the weight of the one comes so near to that of the other, as a share of its
/// band, and is so far from its own (judgements).
const NEIGHBOUR: f64 = 0.03;
const NEIGHBOURS_DIFFER: f64 = 0.10;
/// Less than this is no flat.
const SOMETHING: Grams = Grams::new(30.0);

/// How far the flat whose turn it is has come.
#[derive(Debug, Clone, PartialEq)]
enum Stage {
    Awaited,
    Weighed,
    /// What lies there cannot be it: why.
    Questioned(String),
}

/// Flats to be weighed on a shared scale, in turn.
#[derive(Debug, Clone)]
pub(super) struct Turn {
    flats: Vec<usize>,
    at: usize,
    stage: Stage,
    is_round: bool,
    weighed: usize,
    /// Flats whose weight was questioned, and which other of the round each seemed to be.
    mistaken: Vec<(usize, usize)>,
    until: Mono,
    /// When it began, by which the answer to `end` tells how long it took.
    begun: Moment,
}

impl Turn {
    fn new(flats: Vec<usize>, is_round: bool, now: Moment) -> Self {
        let until = now.mono + if is_round { LEFT } else { WAIT };
        Self { flats, at: 0, stage: Stage::Awaited, is_round, weighed: 0, mistaken: Vec::new(), until, begun: now }
    }

    fn flat(&self) -> Option<usize> {
        self.flats.get(self.at).copied()
    }

    pub fn next_wake(&self) -> Mono {
        self.until
    }

    fn touch(&mut self, now: Moment) {
        self.until = now.mono + if self.is_round { LEFT } else { WAIT };
    }
}

impl Site {
    /// `weigh` for a shared scale: the next steady weight is this flat's.
    pub(super) fn weigh_on(&mut self, stand: usize, flat: usize) -> Done {
        self.takes_turns(stand)?;
        self.may_be_guest(stand, flat)?;
        let now = self.now;
        if let Some(turn) = self.stands[stand].turn.as_deref_mut().filter(|turn| turn.is_round) {
            let Some(at) = turn.flats.iter().position(|&listed| listed == flat) else {
                let (at, of) = (turn.at + 1, turn.flats.len());
                return Err(format!(
                    "a round is under way there, at {at} of {of}, and this flat is not in it; `end` the round first"
                ));
            };
            turn.at = at;
            turn.stage = Stage::Awaited;
            turn.touch(now);
        } else {
            self.stands[stand].turn = Some(Box::new(Turn::new(vec![flat], false, now)));
        }
        self.make_room(stand, flat);
        Ok(self.turn_answer(stand))
    }

    /// `round`: these flats one after the other; by default all that have no other stand, in walking order.
    pub(super) fn round(&mut self, stand: usize, flats: Option<Vec<usize>>) -> Done {
        self.takes_turns(stand)?;
        if let Some(turn) = self.stands[stand].turn.as_ref().filter(|turn| turn.is_round) {
            let (at, of) = (turn.at + 1, turn.flats.len());
            return Err(format!("a round is under way there, at {at} of {of}; `end` it first"));
        }
        let flats = flats.unwrap_or_else(|| self.walking_order(stand));
        if flats.is_empty() {
            return Err("there is no flat to weigh here: all have stands of their own".to_owned());
        }
        for (at, &flat) in flats.iter().enumerate() {
            self.may_be_guest(stand, flat)?;
            if flats[..at].contains(&flat) {
                return Err(format!("{} is in the list twice", self.id(Subject::Flat(flat))));
            }
        }
        let first = flats[0];
        self.stands[stand].turn = Some(Box::new(Turn::new(flats, true, self.now)));
        self.make_room(stand, first);
        Ok(self.turn_answer(stand))
    }

    /// The flats that take turns on this scale: those that name it in the file; if none does, all without a stand.
    fn walking_order(&self, stand: usize) -> Vec<usize> {
        let free = |flat: &usize| self.flats[*flat].stand.is_none_or(|on| on == stand) && !self.is_retired(*flat);
        let all = || (0..self.flats.len()).filter(free);
        let named: Vec<usize> = all().filter(|&flat| self.plan.flats[flat].1.stand == Some(stand)).collect();
        if named.is_empty() { all().collect() } else { named }
    }

    fn takes_turns(&self, stand: usize) -> Result<(), String> {
        let (id, settings) = &self.plan.stands[stand];
        if settings.shared {
            return Ok(());
        }
        Err(format!("{id} belongs to one flat; only a stand with `shared: true` is weighed on in turns"))
    }

    pub(super) fn may_be_guest(&self, stand: usize, flat: usize) -> Result<(), String> {
        let id = self.id(Subject::Flat(flat));
        if self.is_retired(flat) {
            return Err(format!("{id} is retired: its plants have been potted on"));
        }
        match self.flats[flat].stand {
            Some(own) if own != stand && !self.plan.stands[own].1.shared => {
                let own = self.id(Subject::Stand(own));
                Err(format!("{id} has a stand of its own, {own}, which weighs it; `move` it off there first"))
            }
            _ => Ok(()),
        }
    }

    /// What lies there as somebody else goes; if it is this flat, or nobody has said what it is, it may be weighed.
    fn make_room(&mut self, stand: usize, flat: usize) {
        let guest = self.stands[stand].flat;
        if guest.is_some_and(|guest| guest != flat) {
            self.stands[stand].waits_for_empty = true;
        }
        self.publish_stand(stand);
        self.wish_stand(stand);
        if guest == Some(flat) {
            let weight = self.stands[stand].stand.steady().filter(|_| self.stands[stand].stand.is_still());
            if let Some(weight) = weight {
                self.offer(stand, weight);
            }
        }
    }

    /// `next`, `back`, `skip`, `end` of a round.
    pub(super) fn step_round(&mut self, stand: usize, step: Step) -> Done {
        let now = self.now;
        let id = self.id(Subject::Stand(stand)).to_owned();
        let Some(turn) = self.stands[stand].turn.as_deref_mut() else {
            return Err(format!("no round is under way on {id}; `round` begins one"));
        };
        turn.touch(now);
        match step {
            Step::End => return Ok(self.end_turn(stand)),
            Step::Next if turn.stage == Stage::Awaited => {
                let flat = turn.flat();
                let label = flat.map_or("", |flat| self.plan.flats[flat].1.label.as_str());
                return Err(format!("{label} has not been weighed yet; `skip` leaves it out"));
            }
            Step::Back if turn.at == 0 => return Err("this is the first of the round".to_owned()),
            Step::Back => {
                turn.at -= 1;
                turn.stage = Stage::Awaited;
            }
            Step::Next | Step::Skip => {
                turn.at += 1;
                turn.stage = Stage::Awaited;
            }
        }
        match turn.flat() {
            Some(flat) => {
                self.make_room(stand, flat);
                Ok(self.turn_answer(stand))
            }
            None => Ok(self.end_turn(stand)),
        }
    }

    fn end_turn(&mut self, stand: usize) -> Map<String, serde_json::Value> {
        let Some(turn) = self.stands[stand].turn.take() else { return Map::new() };
        self.publish_stand(stand);
        let took = self.now.mono.since(turn.begun.mono).as_seconds();
        Map::from_iter([
            ("weighed".to_owned(), json!(turn.weighed)),
            ("of".to_owned(), json!(turn.flats.len())),
            ("took_s".to_owned(), json!(super::decimals(took, 0))),
        ])
    }

    fn turn_answer(&self, stand: usize) -> Map<String, serde_json::Value> {
        Map::from_iter([("round".to_owned(), json!(self.round_state(stand)))])
    }

    /// As published in the stand's state.
    pub(super) fn round_state(&self, stand: usize) -> Option<RoundState<'_>> {
        let turn = self.stands.get(stand)?.turn.as_deref()?;
        let flat = turn.flat()?;
        let settings = &self.plan.flats[flat].1;
        let (state, text) = match &turn.stage {
            Stage::Awaited => ("awaited", None),
            Stage::Weighed => ("weighed", None),
            Stage::Questioned(why) => ("questioned", Some(why.as_str())),
        };
        Some(RoundState {
            flat: self.id(Subject::Flat(flat)),
            label: &settings.label,
            place: self.flats[flat].place(settings),
            number: turn.at + 1,
            of: turn.flats.len(),
            weighed: turn.weighed,
            state,
            text,
        })
    }

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
        if bench.shown_last.is_some_and(|last| (shown - last).abs() <= near) {
            bench.rested = Some(shown);
        }
        bench.shown_last = Some(shown);
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
            Stage::Weighed => {
                turn.at += 1;
                turn.stage = Stage::Awaited;
            }
        }
        if turn.flat().is_none() {
            self.end_turn(stand);
        }
        self.publish_stand(stand);
    }

    /// A steady weight, offered to the flat whose turn it is.
    fn offer(&mut self, stand: usize, weight: Grams) {
        let now = self.now;
        let Some(flat) = self.stands[stand].turn.as_ref().and_then(|turn| turn.flat()) else { return };
        self.stands[stand].last_taken = Some(weight);
        let misfit = self.mixed_up(stand, flat, weight);
        let misfit = misfit
            .or_else(|| self.misfit(flat, weight, now).map(|why| self.with_a_guess(stand, flat, weight, why)))
            .or_else(|| self.is_its_neighbour(stand, flat, weight));
        let Some(turn) = self.stands[stand].turn.as_deref_mut() else { return };
        turn.touch(now);
        if let Some(why) = misfit {
            turn.stage = Stage::Questioned(why.clone());
            self.stands[stand].waits_for_empty = true;
            self.refuse_event(Subject::Stand(stand), "weigh", why);
        } else {
            turn.stage = Stage::Weighed;
            turn.weighed += 1;
            self.take_guest(stand, flat, weight);
        }
        self.publish_stand(stand);
    }

    /// The question, with another flat of the round that would weigh just this.
    fn with_a_guess(&mut self, stand: usize, flat: usize, weight: Grams, why: String) -> String {
        let Some(turn) = self.stands[stand].turn.as_deref() else { return why };
        let near = |&other: &usize| self.off_by(other, weight).filter(|_| other != flat).map(|off| (other, off));
        let best = turn.flats.iter().filter_map(near).min_by(|a, b| a.1.get().total_cmp(&b.1.get()));
        let Some((other, _)) = best else {
            return format!(
                "{why}. Is it another flat? Then lift it off and put the right one on, or `skip`; if it is right, `holds`"
            );
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

    /// A gain that might be water, on a flat that nobody had reason to water, while the flat before or after it in the round should
    /// weigh just that: the two may have changed places.
    fn is_its_neighbour(&mut self, stand: usize, flat: usize, weight: Grams) -> Option<String> {
        let expected = self.flats[flat].present?;
        let (band, _) = self.flats[flat].band?;
        let is_thirsty = self.flats[flat].fraction? < self.flats[flat].limits.water_at;
        if is_thirsty || weight - expected < band.width() * NEIGHBOURS_DIFFER {
            return None;
        }
        let turn = self.stands[stand].turn.as_deref()?;
        let beside = [turn.at.checked_sub(1), turn.at.checked_add(1)].into_iter().flatten();
        let near = |other: &usize| self.off_by(*other, weight).is_some_and(|off| off < band.width() * NEIGHBOUR);
        let other = beside.filter_map(|at| turn.flats.get(at).copied()).find(near)?;
        let words = self.plan.words;
        let (this, that) = (self.plan.flats[flat].1.label.clone(), self.plan.flats[other].1.label.clone());
        if let Some(turn) = self.stands[stand].turn.as_deref_mut() {
            turn.mistaken.push((flat, other));
        }
        let (weight, expected) = (words.weight(weight), words.weight(expected));
        Some(format!(
            "{weight} is more than {this} should weigh: about {expected} was expected, and it needed no water. Is it {that}, which should \
             weigh about that? Then lift it off and put {this} on; if it is right, `holds`"
        ))
    }

    /// By how much a weight is off what a flat should weigh now; `None` where that is too much.
    fn off_by(&self, flat: usize, weight: Grams) -> Option<Grams> {
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
        self.take_weight(flat, weight, now, Basis::Scale);
        let guest = &mut self.flats[flat];
        guest.stand = Some(stand);
        guest.on_stand = true;
        guest.kept.weighed = Some(Weighed { weight, at: now });
        self.stands[stand].flat = Some(flat);
        self.stands[stand].rested = Some(weight);
        self.stands[stand].last_taken = Some(weight);
        self.refresh_scene(stand);
        self.stands[stand].stand.accept_load();
        self.interrupt(flat, Span::ZERO);
        self.setting_changed(flat);
        self.publish_stand(stand);
    }

    /// What lay there has been lifted off, and goes its own way.
    pub(super) fn release(&mut self, stand: usize) {
        let Some(flat) = self.stands[stand].flat.filter(|_| self.plan.stands[stand].1.shared) else { return };
        let rested = self.stands[stand].rested.take();
        if let (Some(weighed), Some(rested)) = (&mut self.flats[flat].kept.weighed, rested) {
            *weighed = Weighed { weight: rested, at: self.now };
            self.flats[flat].goes_by(rested, None);
        }
        let gained = self.flats[flat].kept.weighed.zip(self.stands[stand].last_taken);
        if let Some(gain) = gained.map(|(weighed, taken)| weighed.weight - taken).filter(|gain| *gain > POURED) {
            // Lifted off before what was poured had come to rest.
            self.gained_before_it_was_lifted(flat, gain);
        }
        self.stands[stand].flat = None;
        self.stands[stand].last_taken = None;
        self.interrupt(flat, Span::ZERO);
        let guest = &mut self.flats[flat];
        guest.stand = None;
        guest.on_stand = false;
        guest.kept.off_since = None;
        guest.kept.misfit = None;
        self.led_from_here(flat);
        self.refresh_scene(stand);
        self.stands[stand].stand.accept_load();
        self.setting_changed(flat);
        self.publish_stand(stand);
    }

    /// A turn that nobody takes ends.
    pub(super) fn turn_ends(&mut self, stand: usize) {
        let now = self.now.mono;
        let Some(turn) = self.stands[stand].turn.as_ref().filter(|turn| now >= turn.until) else { return };
        if turn.stage == Stage::Awaited {
            let label = turn.flat().map_or("", |flat| self.plan.flats[flat].1.label.as_str());
            let error = format!("{label} was not put on the scale in time; say it again when it stands there");
            self.refuse_event(Subject::Stand(stand), if turn.is_round { "round" } else { "weigh" }, error);
        }
        self.end_turn(stand);
    }
}

/// A step in a round.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Step {
    Next,
    Back,
    Skip,
    End,
}
