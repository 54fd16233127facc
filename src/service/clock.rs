//! The one place where the time is read.

use crate::moment::{Moment, Mono, Span, Wall};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

/// Both clocks of a running service.
///
/// The monotonic one begins where the wall clock stood at start, so that instants kept from an earlier run can be compared with
/// those of this one: what lay an hour back when the service stopped lies an hour and the pause back now. If the wall clock
/// has not been set yet and reads earlier than the newest thing kept, it begins there: time may stand still over a restart, but
/// does not run backwards.
#[derive(Debug, Clone, Copy)]
pub struct Clock {
    begun: Instant,
    origin: Mono,
}

impl Clock {
    /// Begins now; `newest` is the latest time of anything kept.
    #[must_use]
    pub fn start(newest: Option<Wall>) -> Self {
        let now = wall().millis();
        let origin = newest.map_or(now, |newest| now.max(newest.millis()));
        Self { begun: Instant::now(), origin: Mono::from_millis(origin) }
    }

    /// Now.
    #[must_use]
    pub fn now(&self) -> Moment {
        let elapsed = i64::try_from(self.begun.elapsed().as_millis()).unwrap_or(i64::MAX);
        Moment { mono: self.origin + Span::from_millis(elapsed), wall: wall() }
    }

    /// When a monotonic instant comes.
    #[must_use]
    pub fn instant(&self, at: Mono) -> Instant {
        let millis = u64::try_from(at.since(self.origin).millis()).unwrap_or(0);
        // An instant beyond what the system can hold is as good as never.
        self.begun + Duration::from_millis(millis.min(10_000_000_000))
    }
}

fn wall() -> Wall {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    Wall::from_millis(i64::try_from(since.as_millis()).unwrap_or(0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn time_does_not_run_backwards_over_a_restart() {
        let in_an_hour = Wall::from_millis(wall().millis() + 3_600_000);
        let clock = Clock::start(Some(in_an_hour));
        assert!(clock.now().mono.millis() >= in_an_hour.millis());
        assert!(clock.now().wall < in_an_hour, "the wall clock is told as it reads");
    }
}
