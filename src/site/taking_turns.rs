//! Commands to a shared scale: one flat, or many in a round; and how a round goes on after a restart.

use super::command::{Command, Subject};
use super::flats::Weighed;
use super::orders::Done;
use super::rounds::{POURED, SOMETHING};
use super::turn::{Stage, Turn, TurnKept};
use super::{Happening, RoundState, RoundStep, Site};
use crate::moment::Span;
use crate::units::Grams;
use serde_json::{Map, Value, json};

/// A scale that is read so often has been seen empty if a flat was lifted off.
const WATCHED: Span = Span::seconds(3);

/// A step in a round.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Step {
    Next,
    Back,
    Skip,
    End,
}

impl Step {
    fn of(command: &Command) -> Option<Self> {
        Some(match command {
            Command::Next => Self::Next,
            Command::Back => Self::Back,
            Command::Skip => Self::Skip,
            Command::End => Self::End,
            _ => return None,
        })
    }
}

impl Site {
    /// A command about turns on a shared scale; `None`: it is of another kind. `named` is the flat whose turn the sender takes it to
    /// be: two people at one scale must not push each other's flats aside unseen.
    pub(super) fn command_turns(&mut self, stand: usize, command: &Command, named: Option<usize>) -> Option<Done> {
        Some(match command {
            Command::AtTurnOf { flat, then } => return self.command_turns(stand, then, Some(*flat)),
            Command::WeighOn { flat, sure } => self.weigh_on(stand, *flat, *sure, named),
            Command::Round { flats } => self.round(stand, flats.clone(), named),
            other => self.step_round(stand, Step::of(other)?, named),
        })
    }

    /// `weigh` for a shared scale: the next steady weight is this flat's.
    fn weigh_on(&mut self, stand: usize, flat: usize, sure: bool, named: Option<usize>) -> Done {
        self.takes_turns(stand)?;
        self.may_be_guest(stand, flat)?;
        let now = self.now;
        let turn = self.stands[stand].turn.as_deref();
        let is_listed = turn.is_some_and(|turn| turn.is_round && turn.flats.contains(&flat));
        let was_questioned = turn.is_some_and(|turn| matches!(turn.stage, Stage::Questioned(_)));
        // Taken for another, it lies there already.
        let is_relabelled =
            sure && self.stands[stand].flat.is_some_and(|guest| guest != flat) && self.lies_on(stand).is_ok();
        let ended = if is_listed {
            self.is_turn_of(stand, named)?;
            if is_relabelled {
                self.holds_guest(stand, Some(flat))?;
                return Ok(self.turn_answer(stand, None));
            }
            if let Some(turn) = self.stands[stand].turn.as_deref_mut() {
                turn.bring_forward(flat);
            }
            None
        } else {
            let ended = self.make_way(stand, Some(flat), named)?;
            self.stands[stand].turn = Some(Box::new(Turn::new(vec![flat], false, now)));
            ended
        };
        if is_relabelled {
            self.holds_guest(stand, Some(flat))?;
            return Ok(self.turn_answer(stand, ended));
        }
        if let Some(turn) = self.stands[stand].turn.as_deref_mut() {
            turn.sure = sure;
            turn.touch(now);
        }
        self.make_room(stand, flat, was_questioned);
        Ok(self.turn_answer(stand, ended))
    }

    /// `round`: these flats one after the other; by default all that have no other stand, in walking order.
    fn round(&mut self, stand: usize, flats: Option<Vec<usize>>, named: Option<usize>) -> Done {
        self.takes_turns(stand)?;
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
        let ended = self.make_way(stand, None, named)?;
        let first = flats[0];
        self.stands[stand].turn = Some(Box::new(Turn::new(flats, true, self.now)));
        self.round_event(stand, RoundStep::Started);
        self.make_room(stand, first, false);
        Ok(self.turn_answer(stand, ended))
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

    // ---- who is there already

    /// Ends what is under way, where that is named, or nothing is waited for any more; else says in words what would be pushed aside.
    /// `flat` is the one that is to be weighed alone: asked for twice, it is waited for anew.
    fn make_way(
        &mut self,
        stand: usize,
        flat: Option<usize>,
        named: Option<usize>,
    ) -> Result<Option<Map<String, Value>>, String> {
        self.is_turn_of(stand, named)?;
        let Some(turn) = self.stands[stand].turn.as_deref() else { return Ok(None) };
        let is_over = !turn.is_round && (turn.stage != Stage::Awaited || turn.flat() == flat);
        if !is_over && named.is_none() {
            let waited = turn.flat().map_or("", |flat| self.id(Subject::Flat(flat)));
            let not_in_it = flat.filter(|_| turn.is_round).map_or("", |_| ", and this flat is not in it");
            return Err(format!(
                "{}{not_in_it}. Nothing was changed: `end` it first, or say that it is to end: \"instead_of\":\"{waited}\"",
                self.under_way(stand, turn)
            ));
        }
        Ok(Some(self.end_turn(stand)).filter(|_| !is_over))
    }

    /// Whether it is the turn of the flat that was named, if one was.
    fn is_turn_of(&self, stand: usize, named: Option<usize>) -> Result<(), String> {
        let Some(named) = named else { return Ok(()) };
        let label = &self.plan.flats[named].1.label;
        let Some(turn) = self.stands[stand].turn.as_deref() else {
            let id = self.id(Subject::Stand(stand));
            return Err(format!("it is not the turn of {label}: nothing is under way on {id} any more"));
        };
        if turn.flat() == Some(named) {
            return Ok(());
        }
        Err(format!("it is not the turn of {label}: {}. Nothing was changed", self.under_way(stand, turn)))
    }

    /// `a round is under way there, at 2 of 4: Beet (north shelf) is next`
    fn under_way(&self, stand: usize, turn: &Turn) -> String {
        let next = turn.flat().map_or_else(String::new, |flat| self.label_and_place(flat));
        if !turn.is_round {
            return format!("{next} is waited for on {}", self.id(Subject::Stand(stand)));
        }
        let state = match turn.stage {
            Stage::Awaited => "is next",
            Stage::Weighed => "has just been weighed",
            Stage::Questioned(_) => "is next, and what lies there is in question",
        };
        format!("a round is under way there, at {} of {}: {next} {state}", turn.at + 1, turn.flats.len())
    }

    fn label_and_place(&self, flat: usize) -> String {
        let settings = &self.plan.flats[flat].1;
        let place = self.flats[flat].place(settings).map(|place| format!(" ({place})")).unwrap_or_default();
        format!("{}{place}", settings.label)
    }

    /// What lies there as somebody else goes. It may be weighed if it is this flat, or if it was in question and weighs what this
    /// flat should; `is_asked_for` where the grower has just said of what was in question that it is this one.
    fn make_room(&mut self, stand: usize, flat: usize, is_asked_for: bool) {
        let bench = &self.stands[stand];
        let weight = bench.stand.steady().filter(|&weight| bench.stand.is_still() && weight > SOMETHING);
        let is_it = match bench.flat {
            Some(guest) if guest != flat => {
                self.stands[stand].waits_for_empty = true;
                false
            }
            Some(_) => true,
            None => bench.waits_for_empty && is_asked_for,
        };
        self.turn_changed(stand);
        self.wish_stand(stand);
        if is_it {
            // If it does not stand still yet, it is weighed as soon as it does.
            self.stands[stand].waits_for_empty = false;
            if let Some(weight) = weight {
                self.offer(stand, weight);
            }
        }
    }

    /// Whether what is in question weighs what this flat should.
    fn weighs_as(&self, stand: usize, flat: usize) -> bool {
        self.stands[stand].stand.steady().is_some_and(|weight| self.off_by(flat, weight).is_some())
    }

    // ---- steps

    /// `next`, `back`, `skip`, `end` of a round.
    fn step_round(&mut self, stand: usize, step: Step, named: Option<usize>) -> Done {
        let now = self.now;
        self.is_turn_of(stand, named)?;
        let id = self.id(Subject::Stand(stand)).to_owned();
        let Some(turn) = self.stands[stand].turn.as_deref_mut() else {
            return Err(format!("no round is under way on {id}; `round` begins one"));
        };
        let (left, was_questioned) = (turn.flat(), matches!(turn.stage, Stage::Questioned(_)));
        let is_weighed = left.is_some_and(|flat| turn.has_weighed(flat));
        match step {
            Step::End => return Ok(self.end_turn(stand)),
            Step::Next if !is_weighed => {
                let label = left.map_or("", |flat| self.plan.flats[flat].1.label.as_str());
                return Err(format!("{label} has not been weighed yet; `skip` leaves it out"));
            }
            Step::Back if turn.at == 0 => return Err("this is the first of the round".to_owned()),
            Step::Back => turn.step_to(turn.at - 1),
            Step::Next | Step::Skip => turn.step_to(turn.at + 1),
        }
        turn.touch(now);
        let next = turn.flat();
        let skipped = left.filter(|_| step == Step::Skip && !is_weighed);
        let mut answer = match next {
            Some(flat) => {
                let is_asked_for = was_questioned && self.weighs_as(stand, flat);
                self.make_room(stand, flat, is_asked_for);
                self.turn_answer(stand, None)
            }
            None => self.end_turn(stand),
        };
        if let Some(skipped) = skipped {
            answer.insert("skipped".to_owned(), json!(self.id(Subject::Flat(skipped))));
        }
        Ok(answer)
    }

    /// It is over; how it went.
    pub(super) fn end_turn(&mut self, stand: usize) -> Map<String, Value> {
        self.round_event(stand, RoundStep::Ended);
        let Some(turn) = self.stands[stand].turn.take() else { return Map::new() };
        self.turn_changed(stand);
        let took = self.now.mono.since(turn.begun.mono).as_seconds();
        let missing: Vec<&str> = turn.missing().map(|flat| self.id(Subject::Flat(flat))).collect();
        Map::from_iter([
            ("weighed".to_owned(), json!(turn.weighed())),
            ("of".to_owned(), json!(turn.flats.len())),
            ("not_weighed".to_owned(), json!(missing)),
            ("took_s".to_owned(), json!(super::decimals(took, 0))),
        ])
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

    /// Whose turn it is, or how far that one has come, is another now: told, and kept.
    pub(super) fn turn_changed(&mut self, stand: usize) {
        self.publish_stand(stand);
        self.keep(Subject::Stand(stand));
        self.judge_stand(stand);
    }

    fn round_event(&mut self, stand: usize, step: RoundStep) {
        let Some(turn) = self.stands[stand].turn.as_deref().filter(|turn| turn.is_round) else { return };
        let id = |flat: usize| self.id(Subject::Flat(flat)).to_owned();
        // One that lies there, weighed, has had its turn when the round goes on.
        let had_it = step == RoundStep::Resumed && turn.stage == Stage::Weighed;
        let next = if had_it { turn.flats.get(turn.at + 1).copied() } else { turn.flat() };
        let what = Happening::Round {
            step,
            next: next.map(id),
            weighed: turn.weighed(),
            of: turn.flats.len(),
            missing: turn.missing().map(id).collect(),
        };
        self.event(Subject::Stand(stand), what);
    }

    fn turn_answer(&self, stand: usize, ended: Option<Map<String, Value>>) -> Map<String, Value> {
        let round = ("round".to_owned(), json!(self.round_state(stand)));
        std::iter::once(round).chain(ended.map(|ended| ("ended".to_owned(), Value::Object(ended)))).collect()
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
            weighed: turn.weighed(),
            state,
            text,
        })
    }

    // ---- what lies there is said by a person

    /// `holds` of a shared scale: this is what lies there, whatever it weighs, until it is lifted off. A round goes on with it.
    pub(super) fn holds_guest(&mut self, stand: usize, flat: Option<usize>) -> Done {
        match flat {
            Some(flat) => {
                self.may_be_guest(stand, flat)?;
                let weight = self.lies_on(stand)?;
                let is_same = self.is_what_was_taken(stand, Some(flat), weight);
                let mistaken = self.stands[stand].flat.filter(|&guest| is_same && guest != flat);
                self.turn_is_of(stand, flat, is_same);
                if mistaken.is_none() {
                    self.went_as_it_was_taken(stand, flat);
                }
                let poured = mistaken.map_or(Grams::ZERO, |mistaken| self.never_lay_there(stand, mistaken));
                self.take_guest(stand, flat, weight - poured);
                if poured > Grams::ZERO {
                    self.was_poured_on(stand, flat, weight, poured);
                }
            }
            None => {
                let guest = self.stands[stand].flat;
                let weight = self.stands[stand].stand.steady();
                let is_same = weight.is_some_and(|weight| self.is_what_was_taken(stand, None, weight));
                self.turn_is_of_nobody(stand, guest);
                match guest.filter(|_| is_same) {
                    Some(mistaken) => {
                        self.never_lay_there(stand, mistaken);
                    }
                    None => self.release(stand),
                }
            }
        }
        self.turn_changed(stand);
        Ok(Map::from_iter([("flat".to_owned(), json!(flat.map(|flat| self.id(Subject::Flat(flat)))))]))
    }

    /// Whether what lies there has lain there since its weight was taken. Where it is heavier, somebody has poured, unless one flat was
    /// lifted off and another put on between two readings.
    fn is_what_was_taken(&self, stand: usize, flat: Option<usize>, weight: Grams) -> bool {
        let bench = &self.stands[stand];
        let Some(taken) = bench.last_taken else { return false };
        let is_watched = bench.stand.period().is_some_and(|period| period <= WATCHED);
        let was_it = |flat: usize| self.off_by(flat, taken).is_some() && self.off_by(flat, weight).is_none();
        (taken - weight).abs() <= POURED || is_watched || (weight > taken && flat.is_some_and(was_it))
    }

    /// Who lay there before this flat has gone: what the scale has shown since its weight was taken is not its own.
    fn went_as_it_was_taken(&mut self, stand: usize, flat: usize) {
        let bench = &mut self.stands[stand];
        if bench.flat.is_some_and(|guest| guest != flat) {
            bench.rested = bench.last_taken;
        }
    }

    /// What lies there is not this flat: what was weighed for it, and what was poured meanwhile, is taken back. How much that was.
    fn never_lay_there(&mut self, stand: usize, mistaken: usize) -> Grams {
        self.release(stand);
        self.was_another(mistaken)
    }

    /// So much of its weight was poured on the guest since it lies there.
    fn was_poured_on(&mut self, stand: usize, flat: usize, weight: Grams, poured: Grams) {
        let bench = &mut self.stands[stand];
        (bench.rested, bench.last_taken) = (Some(weight), Some(weight));
        let guest = &mut self.flats[flat];
        guest.kept.weighed = Some(Weighed { weight, at: self.now });
        guest.goes_by(weight, None, self.heard);
        self.gained_while_it_lay_there(flat, poured);
        self.refresh_scene(stand);
        self.stands[stand].stand.accept_load_at(weight);
        self.sample(flat);
        self.setting_changed(flat);
    }

    /// What was taken for one flat was another all along, if it is what was taken; else the one was weighed and has gone.
    fn turn_is_of(&mut self, stand: usize, flat: usize, is_same: bool) {
        let now = self.now;
        let bench = &mut self.stands[stand];
        let Some(turn) = bench.turn.as_deref_mut() else { return };
        turn.touch(now);
        if turn.flat() != Some(flat) && (turn.stage != Stage::Weighed || is_same) {
            turn.was_not_it();
        }
        bench.waits_for_empty = !turn.flats.contains(&flat);
        if !bench.waits_for_empty {
            if turn.flat() != Some(flat) {
                turn.bring_forward(flat);
            }
            turn.is_weighed();
        } else if turn.stage == Stage::Weighed {
            turn.step_to(turn.at + 1);
            if turn.flat().is_none() {
                self.end_turn(stand);
            }
        }
    }

    /// What lies there is none of the flats: whose turn it is, is still to come.
    fn turn_is_of_nobody(&mut self, stand: usize, guest: Option<usize>) {
        let now = self.now;
        let lies_there = self.stands[stand].shown.is_some_and(|shown| shown > SOMETHING);
        let bench = &mut self.stands[stand];
        let Some(turn) = bench.turn.as_deref_mut() else { return };
        turn.touch(now);
        if guest == turn.flat() || matches!(turn.stage, Stage::Questioned(_)) {
            turn.was_not_it();
        }
        bench.waits_for_empty = lies_there;
    }

    /// A flat that is done with is not asked for any more.
    pub(super) fn leave_out_of_turns(&mut self, flat: usize) {
        for stand in 0..self.stands.len() {
            let bench = &mut self.stands[stand];
            let Some(turn) = bench.turn.as_deref_mut().filter(|turn| turn.flats.contains(&flat)) else { continue };
            let lies_there = bench.shown.is_some_and(|shown| shown > SOMETHING);
            if turn.leave_out(flat) {
                bench.waits_for_empty |= lies_there;
            }
            if turn.flat().is_none() {
                self.end_turn(stand);
            } else {
                self.turn_changed(stand);
            }
        }
    }

    /// A weight has been taken back: a round that had it asks for it again.
    pub(super) fn is_to_be_weighed_again(&mut self, flat: usize) {
        let weighed = self.flats[flat].kept.weighed.map(|weighed| weighed.at.mono);
        for stand in 0..self.stands.len() {
            let Some(turn) = self.stands[stand].turn.as_deref_mut() else { continue };
            let still_has_one = weighed.is_some_and(|at| at >= turn.begun.mono);
            if !still_has_one && turn.comes_again(flat) {
                self.turn_changed(stand);
            }
        }
    }

    // ---- over a restart

    pub(super) fn turn_kept(&self, stand: usize) -> Option<TurnKept> {
        let turn = self.stands.get(stand)?.turn.as_deref()?;
        Some(turn.kept(|flat| self.id(Subject::Flat(flat)).to_owned()))
    }

    /// A flat by the id it had before a restart, if it may still be weighed there.
    pub(super) fn guest_by_id(&self, stand: usize, id: &str) -> Option<usize> {
        let is_it = |(flat, settings): &(String, crate::flat::FlatSettings)| {
            flat == id || settings.formerly.as_deref() == Some(id)
        };
        self.plan.flats.iter().position(is_it).filter(|&flat| self.may_be_guest(stand, flat).is_ok())
    }

    /// Goes on with what was under way. What lies there was put there before: it is lifted off before another is weighed.
    pub(super) fn take_up_turn(&mut self, stand: usize, kept: TurnKept) {
        let place = |id: &str| self.guest_by_id(stand, id);
        let is_shared = self.plan.stands[stand].1.shared;
        let turn = Turn::taken_up(kept, place).filter(|turn| is_shared && turn.until > self.now.mono);
        let bench = &mut self.stands[stand];
        bench.waits_for_empty |= turn.as_ref().is_some_and(|turn| turn.stage != Stage::Awaited);
        bench.turn = turn.map(Box::new);
        self.round_event(stand, RoundStep::Resumed);
        self.keep(Subject::Stand(stand));
    }
}
