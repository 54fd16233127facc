//! A scale that flats take turns on, and the person who makes a round with it.
//!
//! Such a scale is a stand of the plan that no flat begins on. A flat is put on it and taken off again by [`Doing::Weigh`]; what the
//! scale publishes meanwhile follows from its cell. A flat that lives on a stand is back there afterwards, any other on the bench.
//!
//! [`Doing::Weigh`]: super::Doing::Weigh

use super::act::{Act, Deed, Doing};
use super::cell::Until;
use super::flat::Place;
use super::house::{Event, House};
use super::random::Random;
use super::time::SimTime;
use crate::moment::Span;

/// So long the scale still trembles when the hand has let go, with so many times its noise (*plausible, not measured*).
const TREMBLES: (Span, f64) = (Span::from_millis(700), 6.0);

/// Somebody lifts flats onto a scale, one after the other.
#[derive(Debug, Clone, PartialEq)]
pub struct WeighRound {
    /// The scale's place among the stands.
    pub scale: usize,
    /// The flats that are meant, in this order.
    pub flats: Vec<usize>,
    /// When the first is put down.
    pub begins: SimTime,
    /// How long each lies there.
    pub lasts: Span,
    /// From taking one off to putting the next down.
    pub gap: Span,
    /// Places in `flats` at which the person takes the flat and the one after it for each other.
    pub mixed_up: Vec<usize>,
}

/// One flat's turn on the scale.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Turn {
    /// The flat that whoever weighs believes to be there.
    pub meant: usize,
    /// The flat that is.
    pub lies: usize,
    /// When it is put down.
    pub from: SimTime,
    /// When it is taken off.
    pub until: SimTime,
}

impl WeighRound {
    /// A round in which each flat takes ten seconds, three of them from one to the next, and nothing is mixed up.
    #[must_use]
    pub fn of(scale: usize, flats: impl IntoIterator<Item = usize>, begins: SimTime) -> Self {
        Self {
            scale,
            flats: flats.into_iter().collect(),
            begins,
            lasts: Span::seconds(7),
            gap: Span::seconds(3),
            mixed_up: Vec::new(),
        }
    }

    /// The turns, in order.
    #[must_use]
    pub fn turns(&self) -> Vec<Turn> {
        let mut lie = self.flats.clone();
        for &place in &self.mixed_up {
            if place + 1 < lie.len() {
                lie.swap(place, place + 1);
            }
        }
        let mut from = self.begins;
        let mut turn = |(&meant, lies): (&usize, usize)| {
            let until = from + self.lasts;
            let turn = Turn { meant, lies, from, until };
            from = until + self.gap;
            turn
        };
        self.flats.iter().zip(lie).map(&mut turn).collect()
    }
}

/// A flat on the scale, and where it goes from there.
#[derive(Debug, Clone, Copy)]
pub(super) struct OnScale {
    pub flat: usize,
    pub scale: usize,
    /// Which of the scale's turns this is: whoever took it off and put it on again has another.
    pub turn: u32,
    /// The stand it came from.
    pub back: Option<usize>,
    /// The stand it was on last.
    pub home: Option<usize>,
}

impl House {
    /// Somebody goes round with a scale, from `begins` or now on, whichever is later. What is not there when its turn has come is
    /// skipped, and so is a flat while the scale is taken.
    pub fn weigh_round(&mut self, round: &WeighRound) -> Vec<Turn> {
        let round = WeighRound { begins: round.begins.max(self.now), ..round.clone() };
        let turns = round.turns();
        for pair in round.mixed_up.iter().filter_map(|&place| turns.get(place..place + 2)) {
            let [first, second] = pair else { continue };
            self.plan(first.from, Event::MixedUp { flat: first.meant, with: second.meant });
        }
        for turn in &turns {
            let weigh = Doing::Weigh { scale: round.scale, lasts: round.lasts };
            self.plan(turn.from, Event::Act(Act::Flat(turn.lies, weigh)));
        }
        self.do_what_is_due();
        turns
    }

    /// Onto the scale, and off again after a while.
    pub(super) fn weigh(&mut self, flat: usize, scale: usize, lasts: Span) -> bool {
        let back = self.is_on_a_stand(flat);
        let is_free = self.stands.get(scale).is_some_and(|stand| stand.flat.is_none());
        if !is_free || back == Some(scale) {
            return false;
        }
        if back.is_some() {
            self.lift(flat, Place::Bench);
        }
        let home = self.flats.get(flat).and_then(|flat| flat.home);
        if !self.put_back(flat, Some(scale)) {
            return false;
        }
        self.goes_home_to(flat, home);
        let now = self.now;
        let Some(stand) = self.stands.get_mut(scale) else { return false };
        stand.turn = stand.turn.wrapping_add(1);
        let turn = stand.turn;
        let (press, held) = hand(&mut stand.hands);
        let cell = &mut stand.cell;
        // A bump or a shake that goes on anyway hides the hand.
        if cell.bump.is_none_or(|bump| bump.until <= now + held) {
            cell.bump = Some(Until { what: press, until: now + held });
        }
        let (trembles, factor) = TREMBLES;
        if cell.shaken.is_none_or(|shaken| shaken.until <= now + held + trembles) {
            cell.shaken = Some(Until { what: factor, until: now + held + trembles });
        }
        self.plan(now + lasts, Event::WeighEnds(OnScale { flat, scale, turn, back, home }));
        true
    }

    pub(super) fn weigh_ends(&mut self, on: OnScale) {
        self.bring(on.flat);
        let is_there =
            self.stands.get(on.scale).is_some_and(|stand| stand.flat == Some(on.flat) && stand.turn == on.turn);
        if !is_there {
            return;
        }
        self.lift(on.flat, Place::Bench);
        self.goes_home_to(on.flat, on.home);
        if on.back.is_some() {
            self.put_back(on.flat, on.back);
        }
    }

    pub(super) fn mixed_up(&mut self, flat: usize, with: usize) {
        self.note(Deed::MixedUp { flat, with });
    }

    /// A scale is nobody's home.
    fn goes_home_to(&mut self, flat: usize, home: Option<usize>) {
        if let Some(flat) = self.flats.get_mut(flat) {
            flat.home = home;
        }
    }
}

/// The hand that puts a flat down leans on it for a moment: how hard, g, and how long (*plausible, not measured*).
fn hand(random: &mut Random) -> (f64, Span) {
    (random.between(30.0, 300.0), Span::from_seconds(random.between(0.4, 1.4)))
}
