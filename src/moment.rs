//! When something happens: a monotonic time that decides durations, a wall time that decides hours and stamps.
//!
//! The engine never asks for the time; whoever calls it says what moment it is. In a live service the two run
//! side by side, and only the wall clock may jump; in a replay both are the recording's.

use chrono::{DateTime, Datelike, LocalResult, NaiveDate, NaiveDateTime, NaiveTime, Offset, TimeZone, Timelike};
use chrono_tz::Tz;
use serde::{Deserialize, Serialize};
use std::ops::{Add, AddAssign, Sub};

/// A length of time, kept in milliseconds; may be negative.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Span(i64);

impl Span {
    /// No time at all.
    pub const ZERO: Self = Self(0);

    /// From milliseconds.
    #[must_use]
    pub const fn from_millis(millis: i64) -> Self {
        Self(millis)
    }

    /// From seconds, rounded to a millisecond; saturates.
    #[must_use]
    #[expect(clippy::cast_possible_truncation, reason = "a cast from float saturates, which is meant")]
    pub fn from_seconds(seconds: f64) -> Self {
        Self((seconds * 1000.0).round() as i64)
    }

    /// From whole seconds.
    #[must_use]
    pub const fn seconds(seconds: i64) -> Self {
        Self(seconds * 1000)
    }

    /// From whole minutes.
    #[must_use]
    pub const fn minutes(minutes: i64) -> Self {
        Self(minutes * 60_000)
    }

    /// From whole hours.
    #[must_use]
    pub const fn hours(hours: i64) -> Self {
        Self(hours * 3_600_000)
    }

    /// From whole days of 24 h.
    #[must_use]
    pub const fn days(days: i64) -> Self {
        Self(days * 86_400_000)
    }

    /// In milliseconds.
    #[must_use]
    pub const fn millis(self) -> i64 {
        self.0
    }

    /// In seconds.
    #[must_use]
    #[expect(clippy::cast_precision_loss, reason = "spans here are far below 2^52 ms")]
    pub fn as_seconds(self) -> f64 {
        self.0 as f64 / 1000.0
    }

    /// In hours.
    #[must_use]
    pub fn as_hours(self) -> f64 {
        self.as_seconds() / 3600.0
    }

    /// In days of 24 h.
    #[must_use]
    pub fn as_days(self) -> f64 {
        self.as_seconds() / 86_400.0
    }
}

impl Add for Span {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self(self.0.saturating_add(other.0))
    }
}

impl Sub for Span {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self(self.0.saturating_sub(other.0))
    }
}

macro_rules! instant {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(i64);

        impl $name {
            /// From milliseconds since its origin.
            #[must_use]
            pub const fn from_millis(millis: i64) -> Self {
                Self(millis)
            }

            /// Milliseconds since its origin.
            #[must_use]
            pub const fn millis(self) -> i64 {
                self.0
            }

            /// The time from `earlier` to this; negative if that is later.
            #[must_use]
            pub const fn since(self, earlier: Self) -> Span {
                Span(self.0.saturating_sub(earlier.0))
            }
        }

        impl Add<Span> for $name {
            type Output = Self;
            fn add(self, span: Span) -> Self { Self(self.0.saturating_add(span.0)) }
        }
        impl Sub<Span> for $name {
            type Output = Self;
            fn sub(self, span: Span) -> Self { Self(self.0.saturating_sub(span.0)) }
        }
        impl AddAssign<Span> for $name {
            fn add_assign(&mut self, span: Span) { *self = *self + span; }
        }
    };
}

instant! {
    /// A monotonic instant, in milliseconds since an origin that means nothing by itself. A service lets it go on over a
    /// restart by the time that passed on the wall clock, so that instants that were kept can be compared with new ones.
    Mono
}
instant! {
    /// A wall-clock instant, in milliseconds since 1970-01-01T00:00:00Z.
    Wall
}

/// A moment by both clocks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Moment {
    /// Decides durations.
    pub mono: Mono,
    /// Decides hours of the day, and stamps.
    pub wall: Wall,
}

impl Moment {
    /// A moment of a recording: both clocks are the recording's.
    #[must_use]
    pub const fn recorded(wall: Wall) -> Self {
        Self { mono: Mono(wall.0), wall }
    }

    /// The same moment, `span` later by both clocks.
    #[must_use]
    pub fn after(self, span: Span) -> Self {
        Self { mono: self.mono + span, wall: self.wall + span }
    }

    /// What the wall clock would have read at `mono`, were it going on as it does now.
    #[must_use]
    pub fn wall_at(self, mono: Mono) -> Wall {
        self.wall + mono.since(self.mono)
    }

    /// Where `wall` lies on the monotonic clock, were the wall clock right now and then.
    #[must_use]
    pub fn mono_at(self, wall: Wall) -> Mono {
        self.mono + wall.since(self.wall)
    }
}

/// A local time: date, hour and offset of a site. The one place that does arithmetic on local time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Zone(Tz);

impl Zone {
    /// Coordinated universal time.
    pub const UTC: Self = Self(Tz::UTC);

    /// A zone by its IANA name, such as `Europe/London`; `None` if there is none of that name.
    #[must_use]
    pub fn named(name: &str) -> Option<Self> {
        name.parse().ok().map(Self)
    }

    /// Its IANA name.
    #[must_use]
    pub fn name(self) -> &'static str {
        self.0.name()
    }

    fn local(self, wall: Wall) -> DateTime<Tz> {
        let utc = DateTime::from_timestamp_millis(wall.0).unwrap_or_default();
        utc.with_timezone(&self.0)
    }

    /// RFC 3339 to the second, with the local offset: `2026-03-04T08:15:00+00:00`.
    #[must_use]
    pub fn stamp(self, wall: Wall) -> String {
        stamp(wall, self.offset_seconds(wall))
    }

    /// Seconds that local time is ahead of UTC at that instant.
    #[must_use]
    pub fn offset_seconds(self, wall: Wall) -> i32 {
        self.local(wall).offset().fix().local_minus_utc()
    }

    /// Hours since local midnight by the clock on the wall, 0 to below 24.
    #[must_use]
    pub fn hour(self, wall: Wall) -> f64 {
        f64::from(self.local(wall).num_seconds_from_midnight()) / 3600.0
    }

    /// The local date.
    #[must_use]
    pub fn date(self, wall: Wall) -> NaiveDate {
        self.local(wall).date_naive()
    }

    /// For people: `Thu 14:20`.
    #[must_use]
    pub fn short(self, wall: Wall) -> String {
        let local = self.local(wall);
        // Two digits each; what formats a date by a pattern takes far longer.
        let mut text = local.weekday().to_string();
        for (lead, part) in [(' ', local.hour()), (':', local.minute())] {
            text.push(lead);
            push_padded(&mut text, i64::from(part), 2);
        }
        text
    }

    /// The day of the week, the day and the month: `Thu 5 Mar`.
    #[must_use]
    pub fn day(self, wall: Wall) -> String {
        let local = self.local(wall);
        format!("{} {} {}", local.format("%a"), local.day(), local.format("%b"))
    }

    /// The instant of a local time. One that does not exist happens at the next that does; one that comes twice
    /// counts the first time.
    #[must_use]
    pub fn instant(self, date: NaiveDate, time: NaiveTime) -> Wall {
        let mut local = NaiveDateTime::new(date, time);
        // Gaps of local time are at most a few hours long, and begin and end on whole minutes.
        for _ in 0..(26 * 60) {
            match self.0.from_local_datetime(&local) {
                LocalResult::Single(found) => return Wall(found.timestamp_millis()),
                LocalResult::Ambiguous(first, second) => {
                    return Wall(first.timestamp_millis().min(second.timestamp_millis()));
                }
                LocalResult::None => local = local.with_second(0).unwrap_or(local) + chrono::TimeDelta::minutes(1),
            }
        }
        Wall(local.and_utc().timestamp_millis())
    }

    /// The instant of a local time that comes once; `None` for one that does not exist, or comes twice.
    #[must_use]
    pub fn only_instant(self, date: NaiveDate, time: NaiveTime) -> Option<Wall> {
        let found = self.0.from_local_datetime(&NaiveDateTime::new(date, time)).single()?;
        Some(Wall(found.timestamp_millis()))
    }

    /// The last instant, `wall` itself included, at which the local clock showed `time`.
    #[must_use]
    pub fn last(self, wall: Wall, time: NaiveTime) -> Wall {
        let mut date = self.date(wall);
        loop {
            let at = self.instant(date, time);
            if at <= wall {
                return at;
            }
            let Some(yesterday) = date.pred_opt() else { return at };
            date = yesterday;
        }
    }

    /// The next instant after `wall` at which the local clock shows `time`.
    #[must_use]
    pub fn next(self, wall: Wall, time: NaiveTime) -> Wall {
        let mut date = self.date(wall);
        loop {
            let at = self.instant(date, time);
            if at > wall {
                return at;
            }
            let Some(tomorrow) = date.succ_opt() else { return at };
            date = tomorrow;
        }
    }
}

/// RFC 3339 to the second at a known offset from UTC in seconds. States are stamped far more often than anything else
/// is formatted, so this does without a general formatter.
#[must_use]
pub fn stamp(wall: Wall, offset_seconds: i32) -> String {
    let local = wall.0.div_euclid(1000) + i64::from(offset_seconds);
    let (year, month, day) = civil(local.div_euclid(86_400));
    let second = local.rem_euclid(86_400);
    let offset = offset_seconds.unsigned_abs() / 60;
    let mut text = String::with_capacity(25);
    push_padded(&mut text, year, 4);
    for (lead, part) in [('-', month), ('-', day), ('T', second / 3600), (':', second / 60 % 60), (':', second % 60)] {
        text.push(lead);
        push_padded(&mut text, part, 2);
    }
    text.push(if offset_seconds < 0 { '-' } else { '+' });
    push_padded(&mut text, i64::from(offset / 60), 2);
    text.push(':');
    push_padded(&mut text, i64::from(offset % 60), 2);
    text
}

fn push_padded(text: &mut String, value: i64, digits: u32) {
    for place in (0..digits).rev() {
        let digit = value / 10_i64.pow(place) % 10;
        text.push(char::from(b'0' + u8::try_from(digit).unwrap_or(0)));
    }
}

/// Year, month and day of a day counted from 1970-01-01, in the proleptic Gregorian calendar.
///
/// The era method of Howard Hinnant, "chrono-compatible low-level date algorithms" (2013), `civil_from_days`.
fn civil(days: i64) -> (i64, i64, i64) {
    let shifted = days + 719_468;
    let era = shifted.div_euclid(146_097);
    let day_of_era = shifted.rem_euclid(146_097);
    let year_of_era = (day_of_era - day_of_era / 1460 + day_of_era / 36_524 - day_of_era / 146_096) / 365;
    let day_of_year = day_of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    let shifted_month = (5 * day_of_year + 2) / 153;
    let day = day_of_year - (153 * shifted_month + 2) / 5 + 1;
    let month = if shifted_month < 10 { shifted_month + 3 } else { shifted_month - 9 };
    let year = year_of_era + era * 400 + i64::from(month <= 2);
    (year, month, day)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn wall(text: &str) -> Wall {
        Wall::from_millis(DateTime::parse_from_rfc3339(text).unwrap().timestamp_millis())
    }

    #[test]
    fn a_time_in_the_gap_happens_when_the_clock_has_moved_on() {
        // Summer time begins in London on 29 March 2026 at 01:00 UTC (IANA tz database).
        let zone = Zone::named("Europe/London").unwrap();
        let date = NaiveDate::from_ymd_opt(2026, 3, 29).unwrap();
        let half_past_one = NaiveTime::from_hms_opt(1, 30, 0).unwrap();
        assert_eq!(zone.instant(date, half_past_one), wall("2026-03-29T01:00:00Z"));
        assert_eq!(zone.only_instant(date, half_past_one), None);
    }

    #[test]
    fn a_time_that_comes_twice_counts_the_first_time() {
        let zone = Zone::named("Europe/London").unwrap();
        let date = NaiveDate::from_ymd_opt(2026, 10, 25).unwrap();
        let half_past_one = NaiveTime::from_hms_opt(1, 30, 0).unwrap();
        assert_eq!(zone.instant(date, half_past_one), wall("2026-10-25T00:30:00Z"));
        assert_eq!(zone.only_instant(date, half_past_one), None);
        let noon = NaiveTime::from_hms_opt(12, 0, 0).unwrap();
        assert_eq!(zone.only_instant(date, noon), Some(wall("2026-10-25T12:00:00Z")));
        assert_eq!(zone.next(wall("2026-10-25T00:30:00Z"), half_past_one), wall("2026-10-26T01:30:00Z"));
    }

    #[test]
    fn stamps_carry_the_local_offset() {
        let zone = Zone::named("Europe/Berlin").unwrap();
        assert_eq!(zone.stamp(wall("2026-07-01T10:00:00Z")), "2026-07-01T12:00:00+02:00");
        assert!((zone.hour(wall("2026-07-01T10:30:00Z")) - 12.5).abs() < 1e-9);
    }

    #[test]
    fn the_short_way_to_stamp_agrees_with_chrono() {
        for zone in ["America/St_Johns", "Asia/Kathmandu", "Europe/Paris"].map(|name| Zone::named(name).unwrap()) {
            for day in -20_000..40_000 {
                let wall = Wall::from_millis(day * 86_400_000 + day * 1_234_567);
                let expected = zone.local(wall).format("%Y-%m-%dT%H:%M:%S%:z").to_string();
                // Offsets with odd seconds (local mean time, long ago) are shown to the minute, which RFC 3339 asks for.
                if zone.offset_seconds(wall) % 60 == 0 {
                    assert_eq!(zone.stamp(wall), expected);
                }
            }
        }
    }
}
