//! The one place where the time is read.

use crate::moment::{Moment, Mono, Span, Wall};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

/// Both clocks of a running service, or those of a demo, which begin at a time of their own and run faster.
///
/// The monotonic one begins where the wall clock stood at start, so that instants kept from an earlier run can be compared with
/// those of this one: what lay an hour back when the service stopped lies an hour and the pause back now. If the wall clock
/// has not been set yet and reads earlier than the newest thing kept, it begins there: time may stand still over a restart, but
/// does not run backwards.
#[derive(Debug, Clone, Copy)]
pub struct Clock {
    begun: Instant,
    origin: Mono,
    pace: Pace,
}

#[derive(Debug, Clone, Copy)]
enum Pace {
    /// The world's time.
    World,
    /// So many times as fast; both clocks show the same, and nobody sets them.
    Faster(f64),
}

impl Clock {
    /// Begins now; `newest` is the latest time of anything kept.
    #[must_use]
    pub fn start(newest: Option<Wall>) -> Self {
        let now = wall().millis();
        let origin = newest.map_or(now, |newest| now.max(newest.millis()));
        Self { begun: Instant::now(), origin: Mono::from_millis(origin), pace: Pace::World }
    }

    /// A clock that stands at `begins` now and runs `times` as fast as the world's; `times` is above 0.
    #[must_use]
    pub fn faster(begins: Wall, times: f64) -> Self {
        Self { begun: Instant::now(), origin: Mono::from_millis(begins.millis()), pace: Pace::Faster(times) }
    }

    /// The world's clock is wrong if it reads earlier than this, when the program was built.
    #[must_use]
    pub fn not_before(&self) -> Option<Wall> {
        let seconds = env!("TAREWELL_BUILT").parse::<i64>().ok()?;
        matches!(self.pace, Pace::World).then(|| Wall::from_millis(seconds.saturating_mul(1000)))
    }

    /// Now.
    #[must_use]
    pub fn now(&self) -> Moment {
        let elapsed = self.begun.elapsed();
        match self.pace {
            Pace::World => {
                let elapsed = i64::try_from(elapsed.as_millis()).unwrap_or(i64::MAX);
                Moment { mono: self.origin + Span::from_millis(elapsed), wall: wall() }
            }
            Pace::Faster(times) => {
                let mono = self.origin + Span::from_seconds(elapsed.as_secs_f64() * times);
                Moment { mono, wall: Wall::from_millis(mono.millis()) }
            }
        }
    }

    /// When a monotonic instant comes.
    #[must_use]
    pub fn instant(&self, at: Mono) -> Instant {
        let wait = at.since(self.origin).as_seconds().max(0.0);
        let wait = match self.pace {
            Pace::World => wait,
            Pace::Faster(times) => wait / times,
        };
        // An instant beyond what the system can hold is as good as never.
        self.begun + Duration::from_secs_f64(wait.min(1e7))
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

    #[test]
    fn a_faster_clock_begins_where_it_is_told_and_wakes_the_earlier() {
        let clock = Clock::faster(Wall::from_millis(1_000_000), 480.0);
        let at = clock.now();
        assert!(at.mono.millis() >= 1_000_000 && at.mono.millis() < 1_000_000 + 480 * 60_000, "{at:?}");
        assert_eq!(at.mono.millis(), at.wall.millis());
        let in_a_day = Mono::from_millis(1_000_000 + 86_400_000);
        assert_eq!(clock.instant(in_a_day) - clock.begun, Duration::from_secs(180));
    }
}
