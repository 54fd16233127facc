//! When each part of the site wants to be looked at again.

use super::Subject;
use crate::moment::Mono;
use std::cmp::Reverse;
use std::collections::{BinaryHeap, HashMap};

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
    wished: HashMap<Subject, Mono>,
}

impl Agenda {
    /// `subject` wants to be looked at no later than `at`.
    pub fn wish(&mut self, subject: Subject, at: Mono) {
        let earlier = self.wished.get(&subject).is_some_and(|&wished| wished <= at);
        if !earlier {
            self.wished.insert(subject, at);
            self.heap.push(Reverse(Wake { at, why: subject }));
        }
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
            if self.wished.get(&wake.why) == Some(&wake.at) {
                self.wished.remove(&wake.why);
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
