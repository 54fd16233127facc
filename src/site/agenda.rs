//! When each part of the site wants to be looked at again.

use super::Subject;
use crate::moment::Mono;
use std::cmp::Reverse;
use std::collections::BinaryHeap;

/// A time at which the site wants to be called, and whose.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Wake {
    /// When.
    pub at: Mono,
    /// For whom.
    pub why: Subject,
}

/// The earliest wish of each subject. A wish that moves later is not moved in the heap: it is found out of date when its
/// time comes, and wished anew. So a reading, which moves most deadlines later, costs nothing here.
#[derive(Debug, Default)]
pub(super) struct Agenda {
    heap: BinaryHeap<Reverse<Wake>>,
    flats: Vec<Mono>,
    stands: Vec<Mono>,
    valves: Vec<Mono>,
}

/// No wish.
const NEVER: Mono = Mono::from_millis(i64::MAX);

impl Agenda {
    /// `subject` wants to be looked at no later than `at`.
    pub fn wish(&mut self, subject: Subject, at: Mono) {
        let Some(wished) = self.wished(subject) else { return };
        if at < *wished {
            *wished = at;
            self.heap.push(Reverse(Wake { at, why: subject }));
        }
    }

    fn wished(&mut self, subject: Subject) -> Option<&mut Mono> {
        let (wished, place) = match subject {
            Subject::Flat(place) => (&mut self.flats, place),
            Subject::Stand(place) => (&mut self.stands, place),
            Subject::Valve(place) => (&mut self.valves, place),
            Subject::Supply(_) | Subject::Site => return None,
        };
        if place >= wished.len() {
            wished.resize(place + 1, NEVER);
        }
        wished.get_mut(place)
    }

    /// The earliest wish.
    pub fn next(&self) -> Option<Wake> {
        self.heap.peek().map(|&Reverse(wake)| wake)
    }

    /// The subject whose wish is due, if any; its wish is then gone.
    pub fn due(&mut self, now: Mono) -> Option<Subject> {
        while let Some(&Reverse(wake)) = self.heap.peek() {
            if wake.at > now {
                return None;
            }
            self.heap.pop();
            if let Some(wished) = self.wished(wake.why).filter(|wished| **wished == wake.at) {
                *wished = NEVER;
                return Some(wake.why);
            }
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_earliest_wish_of_each_comes_first_and_once() {
        let at = Mono::from_millis;
        let mut agenda = Agenda::default();
        agenda.wish(Subject::Flat(0), at(50));
        agenda.wish(Subject::Flat(1), at(20));
        agenda.wish(Subject::Flat(0), at(10));
        agenda.wish(Subject::Flat(0), at(90));
        assert_eq!(agenda.next().map(|wake| wake.at), Some(at(10)));
        assert_eq!(agenda.due(at(9)), None);
        assert_eq!(agenda.due(at(20)), Some(Subject::Flat(0)));
        assert_eq!(agenda.due(at(20)), Some(Subject::Flat(1)));
        assert_eq!(agenda.due(at(100)), None, "the wish for 50 had been moved to 10, and is done");
    }
}
