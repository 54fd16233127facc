//! How long to wait before the next attempt.

use std::hash::{BuildHasher, RandomState};
use std::time::Duration;

/// Pauses that double from a first to a longest, each shortened by up to half at random, so that many clients of a
/// broker that comes back do not all knock at once.
#[derive(Debug)]
pub(super) struct Pauses {
    first: Duration,
    longest: Duration,
    next: Duration,
    chance: RandomState,
    drawn: u64,
}

impl Pauses {
    pub(super) fn new(first: Duration, longest: Duration) -> Self {
        Self { first, longest, next: first, chance: RandomState::new(), drawn: 0 }
    }

    /// The next pause: between half of the doubled one and all of it.
    pub(super) fn draw(&mut self) -> Duration {
        let full = self.next.min(self.longest);
        self.next = full.saturating_mul(2).min(self.longest);
        self.drawn += 1;
        // A keyed hash of a counter scatters well enough, and saves a dependency.
        let scatter = (self.chance.hash_one(self.drawn) >> 32) as u32;
        let half = full / 2;
        half + half.mul_f64(f64::from(scatter) / f64::from(u32::MAX))
    }

    /// Begins again with the first.
    pub(super) fn reset(&mut self) {
        self.next = self.first;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const FIRST: Duration = Duration::from_millis(250);
    const LONGEST: Duration = Duration::from_secs(30);

    #[test]
    fn pauses_double_up_to_the_longest() {
        let mut pauses = Pauses::new(FIRST, LONGEST);
        let mut full = FIRST;
        for _ in 0..20 {
            let pause = pauses.draw();
            assert!(pause >= full / 2 && pause <= full, "{pause:?} of {full:?}");
            full = (full * 2).min(LONGEST);
        }
        assert_eq!(full, LONGEST);
        pauses.reset();
        assert!(pauses.draw() <= FIRST);
    }

    #[test]
    fn two_clients_do_not_keep_step() {
        let draw = || {
            let mut pauses = Pauses::new(LONGEST, LONGEST);
            [pauses.draw(), pauses.draw(), pauses.draw()]
        };
        assert_ne!(draw(), draw());
    }
}
