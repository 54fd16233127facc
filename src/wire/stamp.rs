//! RFC 3339 times, read fast and leniently where clients differ.
//!
//! Beyond RFC 3339: the offset may lack its colon (as MQTT command-line clients print it) and have a `Z` before it (as
//! mosquitto_sub 2.0.11 prints it: local time, the letter, and the offset that holds), and a space may stand for the `T`
//! (RFC 3339 section 5.6 allows it). A leap second counts as the last millisecond before it, so that
//! time does not run backwards.

use crate::moment::{Wall, Zone};
use chrono::{DateTime, NaiveDate};

const MINUTE: i64 = 60_000;

/// Why a text is no time.
pub(super) type Reason = &'static str;

const NO_OFFSET: Reason = "the offset from UTC is missing, such as +01:00 or Z";

/// Reads times; remembers the last date, for the next is mostly the same.
#[derive(Debug, Clone)]
pub struct Stamps {
    date: [u8; 10],
    midnight: i64,
}

impl Default for Stamps {
    fn default() -> Self {
        Self { date: *b"1970-01-01", midnight: 0 }
    }
}

impl Stamps {
    /// Reads one time: `2026-03-04T08:15:00.25+00:00`. Digits below a millisecond are dropped.
    ///
    /// # Errors
    /// What is wrong, in a few words.
    pub fn read(&mut self, text: &[u8]) -> Result<Wall, Reason> {
        let (date, rest) = text.split_first_chunk::<10>().ok_or("a time is written 2026-03-04T08:15:00+00:00")?;
        if *date != self.date {
            self.midnight = midnight(date)?;
            self.date = *date;
        }
        let (clock, rest) = rest.split_first_chunk::<9>().ok_or(if rest.is_empty() {
            "the time of day is missing"
        } else {
            "a time of day is written T08:15:00"
        })?;
        let of_day = time_of_day(*clock)?;
        let (leap, of_day) = if clock[7] == b'6' { (true, of_day - 1) } else { (false, of_day) };
        let (millis, rest) = fraction(rest)?;
        let offset = offset(rest)?;
        let millis = if leap { 0 } else { millis };
        Ok(Wall::from_millis(self.midnight + of_day + millis - offset))
    }
}

/// A time as somebody types it: without seconds if they like, and without the offset from UTC if the clock of the site shows that time
/// once.
///
/// # Errors
/// What is wrong, in a few words.
pub(super) fn typed(text: &str, zone: Zone) -> Result<Wall, Reason> {
    let mut text = text.trim().as_bytes().to_vec();
    let is_to_the_minute = matches!(text.get(10..16), Some([_, _, _, b':', _, _]));
    if is_to_the_minute && text.get(16) != Some(&b':') {
        text.splice(16..16, *b":00");
    }
    match Stamps::default().read(&text) {
        Err(NO_OFFSET) => {}
        read => return read,
    }
    text.push(b'Z');
    let by_the_clock = Stamps::default().read(&text)?.since(Wall::from_millis(0));
    let local = DateTime::from_timestamp_millis(by_the_clock.millis()).ok_or("there is no such date")?.naive_utc();
    zone.only_instant(local.date(), local.time())
        .ok_or("on that day the clocks are changed, and show that time twice or never: add the offset from UTC")
}

fn midnight(date: &[u8; 10]) -> Result<i64, Reason> {
    let [y1, y2, y3, y4, b'-', m1, m2, b'-', d1, d2] = *date else {
        return Err("a date is written 2026-03-04");
    };
    let year = two(y1, y2).zip(two(y3, y4)).map(|(a, b)| a * 100 + b);
    let parts = year.zip(two(m1, m2)).zip(two(d1, d2));
    let ((year, month), day) = parts.ok_or("a date is written 2026-03-04")?;
    let date = NaiveDate::from_ymd_opt(i32::try_from(year).unwrap_or(0), month, day).ok_or("there is no such date")?;
    Ok(date.and_time(chrono::NaiveTime::MIN).and_utc().timestamp_millis())
}

/// `T08:15:00` in milliseconds since midnight; 60 s are let through only where a leap second can be.
fn time_of_day(clock: [u8; 9]) -> Result<i64, Reason> {
    let [b'T' | b't' | b' ', h1, h2, b':', m1, m2, b':', s1, s2] = clock else {
        return Err("a time of day is written T08:15:00");
    };
    let parts = two(h1, h2).zip(two(m1, m2)).zip(two(s1, s2));
    let ((hour, minute), second) = parts.ok_or("a time of day is written T08:15:00")?;
    if hour > 23 || minute > 59 || second > 60 {
        return Err("there is no such time of day");
    }
    Ok(i64::from((hour * 60 + minute) * 60 + second) * 1000)
}

fn fraction(rest: &[u8]) -> Result<(i64, &[u8]), Reason> {
    let [b'.' | b',', digits @ ..] = rest else { return Ok((0, rest)) };
    let count = digits.iter().take_while(|byte| byte.is_ascii_digit()).count();
    let (digits, rest) = digits.split_at(count);
    let mut millis = 0;
    for place in 0..3 {
        millis = millis * 10 + digits.get(place).map_or(0, |digit| i64::from(digit - b'0'));
    }
    if count == 0 { Err("digits are missing behind the point") } else { Ok((millis, rest)) }
}

fn offset(rest: &[u8]) -> Result<i64, Reason> {
    // Some command-line clients write `Z` and the offset, both.
    let rest = match rest {
        [b'Z', signed @ ..] if matches!(signed, [b'+' | b'-', ..]) => signed,
        rest => rest,
    };
    let (sign, h1, h2, m1, m2) = match *rest {
        [b'Z' | b'z'] => return Ok(0),
        [sign @ (b'+' | b'-'), h1, h2, b':', m1, m2] | [sign @ (b'+' | b'-'), h1, h2, m1, m2] => (sign, h1, h2, m1, m2),
        [] => return Err(NO_OFFSET),
        _ => return Err("an offset from UTC is written +01:00, +0100 or Z"),
    };
    let (hours, minutes) = two(h1, h2).zip(two(m1, m2)).ok_or("an offset from UTC is written +01:00, +0100 or Z")?;
    if hours > 23 || minutes > 59 {
        return Err("there is no such offset from UTC");
    }
    let ahead = i64::from(hours * 60 + minutes) * MINUTE;
    Ok(if sign == b'-' { -ahead } else { ahead })
}

fn two(tens: u8, ones: u8) -> Option<u32> {
    let (tens, ones) = (tens.wrapping_sub(b'0'), ones.wrapping_sub(b'0'));
    (tens < 10 && ones < 10).then_some(u32::from(tens) * 10 + u32::from(ones))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Result<i64, Reason> {
        Stamps::default().read(text.as_bytes()).map(Wall::millis)
    }

    #[test]
    fn z_and_an_offset_are_both_written_by_some_clients() {
        assert_eq!(read("2026-03-04T09:15:00.5Z+0100"), read("2026-03-04T09:15:00.5+01:00"));
        assert_eq!(read("2026-03-04T08:15:00Z+0000"), read("2026-03-04T08:15:00Z"));
        assert!(read("2026-03-04T08:15:00ZZ").is_err());
    }

    #[test]
    fn reads_the_examples_of_rfc_3339() {
        // RFC 3339 section 5.8; the instants as chrono reads them, but for the leap seconds of 1990-12-31.
        let instant = |text| chrono::DateTime::parse_from_rfc3339(text).unwrap().timestamp_millis();
        for text in ["1985-04-12T23:20:50.52Z", "1996-12-19T16:39:57-08:00", "1937-01-01T12:00:27.87+00:20"] {
            assert_eq!(read(text), Ok(instant(text)), "{text}");
        }
        assert_eq!(read("1990-12-31T23:59:60Z"), Ok(instant("1990-12-31T23:59:59.999Z")));
        assert_eq!(read("1990-12-31T15:59:60-08:00"), Ok(instant("1990-12-31T23:59:59.999Z")));
    }

    #[test]
    fn reads_what_clients_print() {
        assert_eq!(read("2026-03-04T08:15:00.250000+0100"), read("2026-03-04t07:15:00.25z"));
        assert_eq!(read("2026-03-04T03:15:00.206189Z-0500"), read("2026-03-04T08:15:00.206Z"));
        assert_eq!(read("2026-03-04 08:15:00Z"), read("2026-03-04T08:15:00+00:00"));
    }

    #[test]
    fn what_somebody_types_may_lack_seconds_and_where_it_is_plain_the_offset() {
        // Found by a new user. The clocks of London go back on 25 October 2026 at 01:00 UTC (IANA tz database).
        let zone = Zone::named("Europe/London").unwrap();
        let typed = |text| typed(text, zone).map(Wall::millis);
        for (text, meant) in [
            ("2026-11-26T09:00", "2026-11-26T09:00:00Z"),
            ("2026-07-26 09:00", "2026-07-26T08:00:00Z"),
            ("2026-07-26T09:00:30.5", "2026-07-26T08:00:30.5Z"),
            ("2026-07-26T09:00+02:00", "2026-07-26T07:00:00Z"),
            ("2026-07-26T09:00Z", "2026-07-26T09:00:00Z"),
            ("2026-10-25T01:30+01:00", "2026-10-25T00:30:00Z"),
        ] {
            assert_eq!(typed(text), read(meant), "{text}");
        }
        assert!(typed("2026-10-25T01:30").unwrap_err().contains("twice"));
        assert_eq!(typed("2026-11-26"), Err("the time of day is missing"));
        for text in
            ["2026-11-26T09", "2026-11-26T25:00", "2026-11-26T9:00", "2026-11-31T09:00", "2026-11-26T09:00pm", ""]
        {
            assert!(typed(text).is_err(), "{text}");
        }
    }

    #[test]
    fn refuses_what_is_no_time() {
        for text in [
            "",
            "2026",
            "2026-03-04",
            "2026-02-30T00:00:00Z",
            "2026-03-04T24:00:00Z",
            "2026-03-04T08:15:61Z",
            "2026-03-04T08:15:00",
            "2026-03-04T08:15:00.Z",
            "2026-03-04T08:15:00+1:00",
            "2026-03-04T08:15:00Z ",
            "2026-03-04T08:15:00ZZ",
            "2026-03-04T08:15:00Z+1",
            "2026-03-0\u{661}T08:15:00Z",
            "2026-03-04T08:15:00+25:00",
        ] {
            assert!(read(text).is_err(), "{text}");
        }
    }
}
