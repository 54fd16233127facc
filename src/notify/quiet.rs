//! Quiet hours.

use crate::moment::{Wall, Zone};
use chrono::NaiveTime;

/// When the quiet hours that are on at `wall` end; `None` if none are on.
///
/// They begin and end at instants, so in a night whose hours come twice or not at all they begin and end once.
pub fn ends(quiet: (NaiveTime, NaiveTime), zone: Zone, wall: Wall) -> Option<Wall> {
    let (begin, end) = quiet;
    let next_end = zone.next(wall, end);
    (begin != end && next_end < zone.next(wall, begin)).then_some(next_end)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn wall(text: &str) -> Wall {
        Wall::from_millis(chrono::DateTime::parse_from_rfc3339(text).unwrap().timestamp_millis())
    }

    fn time(hour: u32, minute: u32) -> NaiveTime {
        NaiveTime::from_hms_opt(hour, minute, 0).unwrap()
    }

    #[test]
    fn quiet_hours_go_over_midnight_and_include_their_beginning_only() {
        let at = |text| ends((time(22, 0), time(7, 0)), Zone::UTC, wall(text));
        let morning = Some(wall("2026-03-05T07:00:00Z"));
        assert_eq!(at("2026-03-04T21:59:59Z"), None);
        assert_eq!(at("2026-03-04T22:00:00Z"), morning);
        assert_eq!(at("2026-03-05T00:30:00Z"), morning);
        assert_eq!(at("2026-03-05T06:59:59Z"), morning);
        assert_eq!(at("2026-03-05T07:00:00Z"), None);
    }

    #[test]
    fn quiet_hours_within_a_day_and_of_no_length() {
        let noon = |quiet, text| ends(quiet, Zone::UTC, wall(text)).is_some();
        assert!(noon((time(12, 0), time(14, 0)), "2026-03-04T13:00:00Z"));
        assert!(!noon((time(12, 0), time(14, 0)), "2026-03-04T15:00:00Z"));
        assert!(!noon((time(12, 0), time(12, 0)), "2026-03-04T12:00:00Z"));
    }

    #[test]
    fn quiet_hours_end_once_when_an_hour_comes_twice() {
        // Summer time ends in London on 25 October 2026 at 01:00 UTC (IANA tz database): 01:30 comes at 00:30 and 01:30 UTC.
        let zone = Zone::named("Europe/London").unwrap();
        let at = |text| ends((time(22, 0), time(1, 30)), zone, wall(text)).is_some();
        assert!(at("2026-10-25T00:29:00Z"));
        assert!(!at("2026-10-25T00:30:00Z"));
        assert!(!at("2026-10-25T01:10:00Z"), "10 past 1 comes again, the quiet hours do not");
    }

    #[test]
    fn quiet_hours_that_end_in_the_gap_end_with_it() {
        // Summer time begins in London on 29 March 2026 at 01:00 UTC (IANA tz database).
        let zone = Zone::named("Europe/London").unwrap();
        let at = |text| ends((time(22, 0), time(1, 30)), zone, wall(text));
        assert_eq!(at("2026-03-29T00:59:00Z"), Some(wall("2026-03-29T01:00:00Z")));
        assert_eq!(at("2026-03-29T01:00:00Z"), None);
    }
}
