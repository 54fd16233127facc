//! Outputs that wait for the connection to keep up.

use crate::site::{Output, Subject};
use std::collections::{HashSet, VecDeque};

/// What is to be published, in order. A state is read when it is published, so it waits once, and is all the newer for it.
#[derive(Debug, Default)]
pub(super) struct Backlog {
    waiting: VecDeque<Output>,
    states: HashSet<Subject>,
}

impl Backlog {
    /// Whether this kind of output may wait; anything else is carried out at once.
    pub const fn may_wait(output: &Output) -> bool {
        matches!(
            output,
            Output::State(_) | Output::AlertRaised(..) | Output::AlertCleared(..) | Output::ClearCommand(_)
        )
    }

    pub fn put(&mut self, output: Output) {
        if let Output::State(subject) = output
            && !self.states.insert(subject)
        {
            return;
        }
        self.waiting.push_back(output);
    }

    pub fn take(&mut self) -> Option<Output> {
        let output = self.waiting.pop_front()?;
        if let Output::State(subject) = output {
            self.states.remove(&subject);
        }
        Some(output)
    }

    pub fn is_empty(&self) -> bool {
        self.waiting.is_empty()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_state_waits_once_and_keeps_its_place() {
        let mut backlog = Backlog::default();
        let flat = |place| Output::State(Subject::Flat(place));
        for output in [flat(1), Output::ClearCommand(Subject::Site), flat(1), flat(2)] {
            assert!(Backlog::may_wait(&output));
            backlog.put(output);
        }
        assert_eq!(backlog.take(), Some(flat(1)));
        backlog.put(flat(1));
        let rest: Vec<Output> = std::iter::from_fn(|| backlog.take()).collect();
        assert_eq!(rest, [Output::ClearCommand(Subject::Site), flat(2), flat(1)]);
        assert!(backlog.is_empty());
    }
}
