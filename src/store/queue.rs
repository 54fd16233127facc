//! What waits to be written: bounded, in order, and shrunk only where nothing that counts is lost.

use super::words::{Of, Write};
use crate::alert::Kind;
use std::collections::HashSet;

/// More than this is shrunk; the half of it is kept.
const MOST: usize = 20_000;

/// Writes in the order they came.
#[derive(Debug, Default)]
pub struct Queue {
    waiting: Vec<Write>,
    /// Number of the last batch put in.
    pub put: u64,
    /// How many weights and events were dropped since the last look.
    pub lost: Lost,
}

/// What had to be dropped because too much was waiting.
#[derive(Debug, Default, Clone, Copy, PartialEq, Eq)]
pub struct Lost {
    /// Weights for plots.
    pub weights: usize,
    /// Events.
    pub events: usize,
}

impl Queue {
    /// Adds a batch at the end and says its number.
    pub fn put(&mut self, batch: Vec<Write>) -> u64 {
        self.waiting.extend(batch);
        self.put += 1;
        self.shrink();
        self.put
    }

    /// Takes everything that waits.
    pub fn take(&mut self) -> Vec<Write> {
        std::mem::take(&mut self.waiting)
    }

    /// Puts back what could not be written, before what has come since.
    pub fn put_back(&mut self, mut batch: Vec<Write>) {
        batch.append(&mut self.waiting);
        self.waiting = batch;
        self.shrink();
    }

    /// How many writes wait.
    pub fn len(&self) -> usize {
        self.waiting.len()
    }

    /// Whether something waits that must not wait long.
    pub fn is_grave(&self) -> bool {
        self.waiting.iter().any(Write::grave)
    }

    /// Everything that waits is written in one transaction, so only the last word about a thing counts.
    fn shrink(&mut self) {
        if self.waiting.len() <= MOST {
            return;
        }
        let mut seen = HashSet::new();
        let last: Vec<bool> =
            self.waiting.iter().rev().map(|item| about(item).is_none_or(|key| seen.insert(key))).collect();
        let mut last = last.into_iter().rev();
        self.waiting.retain(|_| last.next().unwrap_or(true));
        let spare = self.waiting.len().saturating_sub(MOST / 2);
        self.lost.weights += drop_oldest(&mut self.waiting, spare, |item| matches!(item, Write::Weight { .. }));
        let spare = self.waiting.len().saturating_sub(MOST / 2);
        self.lost.events += drop_oldest(&mut self.waiting, spare, |item| matches!(item, Write::Event { .. }));
    }
}

fn drop_oldest(waiting: &mut Vec<Write>, spare: usize, is: impl Fn(&Write) -> bool) -> usize {
    let mut dropped = 0;
    waiting.retain(|item| {
        let drop = dropped < spare && is(item);
        dropped += usize::from(drop);
        !drop
    });
    dropped
}

#[derive(PartialEq, Eq, Hash)]
enum About {
    Fact(Of, String),
    Alert(Kind, Of, String),
}

/// What a write has the last word about; `None` where each one counts. A retirement forgets alerts and keeps a fact,
/// so it replaces neither.
fn about(item: &Write) -> Option<About> {
    match item {
        Write::Fact { of, id, .. } | Write::ForgetFact { of, id } => Some(About::Fact(*of, id.clone())),
        Write::Alert { kind, of, id, .. } | Write::ForgetAlert { kind, of, id } => {
            Some(About::Alert(*kind, *of, id.clone()))
        }
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::moment::Wall;
    use crate::units::Grams;

    fn fact(id: usize, json: usize) -> Write {
        Write::Fact { of: Of::Flat, id: format!("f-{id}"), json: json.to_string(), wall: Wall::from_millis(0) }
    }

    fn weight(n: usize) -> Write {
        let wall = Wall::from_millis(i64::try_from(n).unwrap());
        Write::Weight { flat: "f-1".into(), wall, weight: Grams::new(1.0), fraction: None }
    }

    #[test]
    fn what_is_shrunk_keeps_the_last_word_about_everything_and_the_newest_weights() {
        let mut queue = Queue::default();
        for n in 0..MOST {
            queue.put(vec![fact(n % 10, n), weight(n)]);
        }
        assert!(queue.len() <= MOST);
        let waiting = queue.take();
        for id in 0..10 {
            let last =
                waiting.iter().rfind(|item| matches!(item, Write::Fact { id: of, .. } if *of == format!("f-{id}")));
            assert_eq!(last, Some(&fact(id, MOST - 10 + id)));
        }
        assert_eq!(waiting.last(), Some(&weight(MOST - 1)));
        assert!(queue.lost.weights > 0);
        assert_eq!(queue.lost.events, 0);
    }

    #[test]
    fn what_is_put_back_comes_first_again() {
        let mut queue = Queue::default();
        queue.put(vec![fact(1, 1)]);
        let failed = queue.take();
        queue.put(vec![fact(1, 2)]);
        queue.put_back(failed);
        assert_eq!(queue.take(), vec![fact(1, 1), fact(1, 2)]);
    }
}
