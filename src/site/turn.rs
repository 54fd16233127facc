//! Whose turn it is on a shared scale: the flats in their order, how far the one whose turn it is has come, and what of that
//! survives a restart.

use crate::moment::{Moment, Mono, Span};
use serde::{Deserialize, Serialize};

/// A single flat is waited for so long.
const WAIT: Span = Span::minutes(5);
/// A round in which nothing happens for so long has been left.
const LEFT: Span = Span::hours(1);

/// How far the flat whose turn it is has come.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub(super) enum Stage {
    Awaited,
    Weighed,
    /// What lies there cannot be it: why.
    Questioned(String),
}

/// Flats to be weighed on a shared scale, in turn.
#[derive(Debug, Clone)]
pub(super) struct Turn {
    pub flats: Vec<usize>,
    pub at: usize,
    pub stage: Stage,
    pub is_round: bool,
    /// Those that have been weighed, each once.
    done: Vec<usize>,
    /// Flats whose weight was questioned, and which other of the round each seemed to be.
    pub mistaken: Vec<(usize, usize)>,
    /// The grower has said that what lies there, or comes next, is it, whatever it weighs.
    pub sure: bool,
    pub until: Mono,
    /// When it began, by which the answer to `end` tells how long it took.
    pub begun: Moment,
}

impl Turn {
    pub fn new(flats: Vec<usize>, is_round: bool, now: Moment) -> Self {
        Self {
            flats,
            at: 0,
            stage: Stage::Awaited,
            is_round,
            done: Vec::new(),
            mistaken: Vec::new(),
            sure: false,
            until: now.mono + if is_round { LEFT } else { WAIT },
            begun: now,
        }
    }

    pub fn flat(&self) -> Option<usize> {
        self.flats.get(self.at).copied()
    }

    pub fn next_wake(&self) -> Mono {
        self.until
    }

    pub fn touch(&mut self, now: Moment) {
        self.until = now.mono + if self.is_round { LEFT } else { WAIT };
    }

    pub fn has_weighed(&self, flat: usize) -> bool {
        self.done.contains(&flat)
    }

    /// So many flats have been weighed: one that was weighed twice counts once.
    pub fn weighed(&self) -> usize {
        self.done.len()
    }

    /// Those that have not been weighed, in their order.
    pub fn missing(&self) -> impl Iterator<Item = usize> {
        self.flats.iter().copied().filter(|flat| !self.has_weighed(*flat))
    }

    /// The flat whose turn it is has been weighed.
    pub fn is_weighed(&mut self) {
        self.stage = Stage::Weighed;
        self.sure = false;
        if let Some(flat) = self.flat().filter(|flat| !self.done.contains(flat)) {
            self.done.push(flat);
        }
    }

    /// What was taken for the flat whose turn it is was not that flat.
    pub fn was_not_it(&mut self) {
        let flat = self.flat();
        self.stage = Stage::Awaited;
        self.done.retain(|done| Some(*done) != flat);
    }

    /// The weight of a flat has been taken back: its turn comes again, after all others. Whether it had had it.
    pub fn comes_again(&mut self, flat: usize) -> bool {
        let weighed = self.done.len();
        self.done.retain(|&done| done != flat);
        let Some(from) = self.flats.iter().position(|&listed| listed == flat).filter(|_| self.done.len() < weighed)
        else {
            return false;
        };
        if from == self.at {
            self.stage = Stage::Awaited;
        } else if from < self.at {
            self.flats.remove(from);
            self.flats.push(flat);
            self.at -= 1;
        }
        true
    }

    pub fn step_to(&mut self, at: usize) {
        self.at = at;
        self.stage = Stage::Awaited;
        self.sure = false;
    }

    /// It is this flat's turn now. Those that are still to come, the one whose turn it was first, come after it.
    pub fn bring_forward(&mut self, flat: usize) {
        let Some(from) = self.flats.iter().position(|&listed| listed == flat) else { return };
        let mut to = self.at + usize::from(self.stage == Stage::Weighed);
        self.flats.remove(from);
        if from < to {
            to -= 1;
        }
        self.flats.insert(to.min(self.flats.len()), flat);
        self.step_to(to);
    }

    /// Leaves a flat out; whether it was its turn.
    pub fn leave_out(&mut self, flat: usize) -> bool {
        let Some(from) = self.flats.iter().position(|&listed| listed == flat) else { return false };
        let was_its_turn = from == self.at;
        self.flats.remove(from);
        self.done.retain(|&done| done != flat);
        if from < self.at {
            self.at -= 1;
        }
        if was_its_turn {
            self.step_to(self.at);
        }
        was_its_turn
    }
}

/// What of it survives: the file may have been rearranged since, so ids hold, not places.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct TurnKept {
    flats: Vec<String>,
    at: usize,
    stage: Stage,
    is_round: bool,
    done: Vec<String>,
    mistaken: Vec<(String, String)>,
    until: Mono,
    begun: Moment,
}

impl Turn {
    pub fn kept(&self, id: impl Fn(usize) -> String) -> TurnKept {
        TurnKept {
            flats: self.flats.iter().map(|&flat| id(flat)).collect(),
            at: self.at,
            stage: self.stage.clone(),
            is_round: self.is_round,
            done: self.done.iter().map(|&flat| id(flat)).collect(),
            mistaken: self.mistaken.iter().map(|&(flat, other)| (id(flat), id(other))).collect(),
            until: self.until,
            begun: self.begun,
        }
    }

    /// Goes on with what was kept. `place` gives the place of a flat that may still be weighed there; the others are left out.
    /// `None` where nobody is left whose turn it could be.
    pub fn taken_up(kept: TurnKept, place: impl Fn(&str) -> Option<usize>) -> Option<Self> {
        let all = |ids: &[String]| ids.iter().filter_map(|id| place(id)).collect::<Vec<usize>>();
        let is_there = kept.flats.get(kept.at).and_then(|id| place(id)).is_some();
        let before = kept.flats.get(..kept.at).unwrap_or_default();
        let turn = Self {
            flats: all(&kept.flats),
            at: all(before).len(),
            stage: if is_there { kept.stage } else { Stage::Awaited },
            is_round: kept.is_round,
            done: all(&kept.done),
            mistaken: kept.mistaken.iter().filter_map(|(flat, other)| Some((place(flat)?, place(other)?))).collect(),
            sure: false,
            until: kept.until,
            begun: kept.begun,
        };
        turn.flat().is_some().then_some(turn)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::moment::Wall;

    fn turn(flats: usize, at: usize, stage: Stage) -> Turn {
        let now = Moment::recorded(Wall::from_millis(1_772_000_000_000));
        Turn { at, stage, ..Turn::new((0..flats).collect(), true, now) }
    }

    #[test]
    fn who_is_brought_forward_pushes_nobody_out() {
        let mut later = turn(4, 1, Stage::Awaited);
        later.bring_forward(3);
        assert_eq!((later.flats.as_slice(), later.flat()), ([0, 3, 1, 2].as_slice(), Some(3)));
        let mut earlier = turn(4, 2, Stage::Awaited);
        earlier.bring_forward(0);
        assert_eq!((earlier.flats.as_slice(), earlier.flat()), ([1, 0, 2, 3].as_slice(), Some(0)));
        let mut weighed = turn(4, 1, Stage::Weighed);
        weighed.bring_forward(3);
        assert_eq!((weighed.flats.as_slice(), weighed.flat()), ([0, 1, 3, 2].as_slice(), Some(3)));
        let mut again = turn(4, 3, Stage::Weighed);
        again.bring_forward(3);
        assert_eq!((again.flats.as_slice(), again.flat()), ([0, 1, 2, 3].as_slice(), Some(3)));
    }

    #[test]
    fn who_is_left_out_is_not_asked_for() {
        let mut turn = turn(3, 1, Stage::Awaited);
        assert!(turn.leave_out(1));
        assert_eq!(turn.flat(), Some(2));
        assert!(!turn.leave_out(0));
        assert_eq!(turn.flat(), Some(2));
        assert!(turn.leave_out(2));
        assert_eq!(turn.flat(), None);
    }

    #[test]
    fn what_was_kept_goes_on_without_those_that_are_gone() {
        let mut turn = turn(4, 2, Stage::Weighed);
        turn.is_weighed();
        let kept = turn.kept(|flat| flat.to_string());
        let without = |gone: &'static str| move |id: &str| id.parse().ok().filter(|_| id != gone);
        let whole = Turn::taken_up(kept.clone(), without("")).unwrap();
        assert_eq!((whole.flat(), whole.weighed(), whole.stage), (Some(2), 1, Stage::Weighed));
        let before = Turn::taken_up(kept.clone(), without("0")).unwrap();
        assert_eq!((before.flat(), before.at), (Some(2), 1));
        let itself = Turn::taken_up(kept.clone(), without("2")).unwrap();
        assert_eq!((itself.flat(), itself.stage), (Some(3), Stage::Awaited));
        assert!(Turn::taken_up(kept, |_| None).is_none());
    }
}
