//! The one place where the time is read.

use crate::moment::{Moment, Mono, Span, Wall};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

/// A clock that runs faster than the world's goes no faster than this while a valve may open: the order, the report and the next
/// weight take some hundredths of a second of the world, and the engine waits for them by the clock it has.
pub const WITH_WATER: f64 = 20.0;

/// Both clocks of a running service, or those of a demo, which begin at a time of their own and run faster.
///
/// The monotonic one begins where the wall clock stood at start, so that instants kept from an earlier run can be compared with
/// those of this one: what lay an hour back when the service stopped lies an hour and the pause back now. If the wall clock
/// has not been set yet and reads earlier than the newest thing kept, it begins there: time may stand still over a restart, but
/// does not run backwards.
#[derive(Debug, Clone)]
pub struct Clock {
    begun: Instant,
    origin: Mono,
    pace: Pace,
}

#[derive(Debug, Clone)]
enum Pace {
    /// The world's time.
    World,
    /// Faster; both clocks show the same, and nobody sets them. All clones go at one pace.
    Faster(Arc<Mutex<Stretch>>),
}

/// From when on a faster clock has gone at its present pace.
#[derive(Debug, Clone, Copy)]
struct Stretch {
    since: Instant,
    /// What it showed then.
    from: Mono,
    times: f64,
}

impl Stretch {
    fn now(&self) -> Mono {
        self.from + Span::from_seconds(self.since.elapsed().as_secs_f64() * self.times)
    }
}

fn lock(stretch: &Mutex<Stretch>) -> MutexGuard<'_, Stretch> {
    stretch.lock().unwrap_or_else(PoisonError::into_inner)
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
        let (since, from) = (Instant::now(), Mono::from_millis(begins.millis()));
        let stretch = Stretch { since, from, times };
        Self { begun: since, origin: from, pace: Pace::Faster(Arc::new(Mutex::new(stretch))) }
    }

    /// How many times as fast as the world's it goes.
    #[must_use]
    pub fn times(&self) -> f64 {
        match &self.pace {
            Pace::World => 1.0,
            Pace::Faster(stretch) => lock(stretch).times,
        }
    }

    /// From now on so many times as fast as the world's. The world's own stays as it is.
    pub fn set_pace(&self, times: f64) {
        if let Pace::Faster(stretch) = &self.pace {
            let mut stretch = lock(stretch);
            let (since, from) = (Instant::now(), stretch.now());
            *stretch = Stretch { since, from, times };
        }
    }

    /// No faster than that from now on.
    pub fn slow_to(&self, times: f64) {
        if self.times() > times {
            self.set_pace(times);
        }
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
        match &self.pace {
            Pace::World => {
                let elapsed = i64::try_from(self.begun.elapsed().as_millis()).unwrap_or(i64::MAX);
                Moment { mono: self.origin + Span::from_millis(elapsed), wall: wall() }
            }
            Pace::Faster(stretch) => {
                let mono = lock(stretch).now();
                Moment { mono, wall: Wall::from_millis(mono.millis()) }
            }
        }
    }

    /// When a monotonic instant comes.
    #[must_use]
    pub fn instant(&self, at: Mono) -> Instant {
        let (since, from, times) = match &self.pace {
            Pace::World => (self.begun, self.origin, 1.0),
            Pace::Faster(stretch) => {
                let Stretch { since, from, times } = *lock(stretch);
                (since, from, times)
            }
        };
        let wait = at.since(from).as_seconds().max(0.0) / times;
        // An instant beyond what the system can hold is as good as never.
        since + Duration::from_secs_f64(wait.min(1e7))
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

    #[test]
    fn a_faster_clock_that_changes_its_pace_goes_on_from_where_it_stood() {
        let clock = Clock::faster(Wall::from_millis(1_000_000), 480.0);
        let same = clock.clone();
        let before = clock.now().mono;
        clock.slow_to(WITH_WATER);
        let after = same.now().mono;
        assert!((same.times() - WITH_WATER).abs() < 1e-9, "all clones go at one pace");
        assert!(after >= before && after.since(before) < Span::minutes(8), "{before:?} {after:?}");
        clock.slow_to(100.0);
        assert!((same.times() - WITH_WATER).abs() < 1e-9, "slower than that already");
        let (now, in_a_minute) = (Instant::now(), same.now().mono + Span::minutes(1));
        let wait = same.instant(in_a_minute).saturating_duration_since(now);
        assert!(wait <= Duration::from_millis(3001) && wait > Duration::from_millis(2000), "{wait:?}");
        let world = Clock::start(None);
        world.set_pace(480.0);
        assert!((world.times() - 1.0).abs() < 1e-9);
    }
}
