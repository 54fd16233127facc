//! The time of a simulated house.

use crate::moment::Span;
use std::ops::{Add, Sub};

const DAY: i64 = 86_400_000;

/// A time in a simulated house: milliseconds since local midnight of its day 0. Its days have 24 h; a driver adds this to a
/// wall time of its choice.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct SimTime(i64);

impl SimTime {
    /// From milliseconds since midnight of day 0.
    #[must_use]
    pub const fn from_millis(millis: i64) -> Self {
        Self(millis)
    }

    /// From whole seconds since midnight of day 0.
    #[must_use]
    pub const fn seconds(seconds: i64) -> Self {
        Self(seconds * 1000)
    }

    /// The hour and minute of a day: `SimTime::at(2, 7, 30)` is half past seven on day 2.
    #[must_use]
    pub const fn at(day: i64, hour: i64, minute: i64) -> Self {
        Self(day * DAY + (hour * 60 + minute) * 60_000)
    }

    /// Milliseconds since midnight of day 0.
    #[must_use]
    pub const fn millis(self) -> i64 {
        self.0
    }

    /// The day, counted from 0.
    #[must_use]
    pub const fn day(self) -> i64 {
        self.0.div_euclid(DAY)
    }

    /// Hours since midnight, 0 to below 24.
    #[must_use]
    pub fn hour(self) -> f64 {
        whole(self.0.rem_euclid(DAY)) * (1.0 / 3_600_000.0)
    }

    /// Days since midnight of day 0.
    #[must_use]
    pub fn days(self) -> f64 {
        whole(self.0) / 86_400_000.0
    }

    /// The time from `earlier` to this; negative if that is later.
    #[must_use]
    pub const fn since(self, earlier: Self) -> Span {
        Span::from_millis(self.0.saturating_sub(earlier.0))
    }

    /// Seconds from `earlier` to this.
    pub(super) fn after(self, earlier: Self) -> f64 {
        whole(self.0 - earlier.0) * 0.001
    }
}

impl Add<Span> for SimTime {
    type Output = Self;
    fn add(self, span: Span) -> Self {
        Self(self.0.saturating_add(span.millis()))
    }
}

impl Sub<Span> for SimTime {
    type Output = Self;
    fn sub(self, span: Span) -> Self {
        Self(self.0.saturating_sub(span.millis()))
    }
}

#[expect(clippy::cast_precision_loss, reason = "milliseconds of a simulation are far below 2^52")]
fn whole(millis: i64) -> f64 {
    millis as f64
}
