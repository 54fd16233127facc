//! Clocks that are put forward and back, across the hours of `auto` and the limit of the day.

use crate::taps::{MIDNIGHT, Setup, Taps, tap};
use tarewell::moment::Span;
use tarewell::sim::CellPlan;
use tarewell::site::{Command, Subject};
use tarewell::units::Millilitres;
use tarewell::watering::Mode;

/// A house in London whose wall clock shows this now; the flat under its valve is dry, and the valve waters between those hours.
fn house(begins: &str, hours: ((u32, u32), (u32, u32))) -> Taps {
    let (mut settings, line) = tap(&[(0, 6.0)]);
    let time = |(hour, minute)| chrono::NaiveTime::from_hms_opt(hour, minute, 0).unwrap();
    (settings.mode, settings.hours) = (Mode::Auto, Some((time(hours.0), time(hours.1))));
    let cell = CellPlan { period: Span::seconds(10), noise: 1.0, ..CellPlan::default() };
    let mut taps = Taps::new(Setup { valves: vec![(settings, line)], cell, ..Setup::default() });
    let begins = chrono::DateTime::parse_from_rfc3339(begins).unwrap().timestamp_millis();
    taps.wall_ahead = Span::from_millis(begins - MIDNIGHT - taps.now.millis());
    taps
}

fn waterings(taps: &Taps) -> usize {
    taps.happened(|what| matches!(what, tarewell::site::Happening::WateringStarted { .. }))
}

/// What the wall clock showed when the valve was first ordered open.
fn first_opened(taps: &Taps) -> Option<String> {
    let opens = |ordered: &&crate::taps::Ordered| matches!(ordered.order, tarewell::site::ValveOrder::Open { .. });
    let at = taps.ordered.iter().find(opens)?.at;
    let wall = MIDNIGHT + at.millis() + taps.wall_ahead.millis();
    Some(chrono::DateTime::from_timestamp_millis(wall)?.format("%d %H:%M").to_string())
}

/// In London the clocks go from 01:00 to 02:00 on 29 March 2026, at 01:00 UTC.
#[test]
fn hours_that_an_hour_put_forward_leaves_out_do_not_come_that_day() {
    let mut taps = house("2026-03-28T23:00:00+00:00", ((1, 15), (1, 45)));
    taps.pass(Span::hours(24));
    assert_eq!(waterings(&taps), 0, "{:?}", first_opened(&taps));
    // 01:15 of the next day is 00:15 UTC.
    taps.pass(Span::minutes(80));
    assert!(first_opened(&taps).is_some_and(|at| at.starts_with("30 00:1")), "{:?}", first_opened(&taps));
}

#[test]
fn hours_around_an_hour_put_forward_are_an_hour_shorter() {
    // Until 02:30 summer time: 01:30 UTC.
    let mut taps = house("2026-03-29T00:05:00+00:00", ((0, 30), (2, 30)));
    taps.command(Subject::Site, Command::Pause { time: Span::minutes(90) }).unwrap();
    taps.pass(Span::hours(6));
    assert_eq!(waterings(&taps), 0, "{:?}", first_opened(&taps));
}

/// On 25 October 2026 they go from 02:00 back to 01:00, at 01:00 UTC.
#[test]
fn hours_that_come_twice_count_the_first_time() {
    let mut taps = house("2026-10-24T23:00:00+00:00", ((1, 15), (1, 45)));
    taps.pass(Span::minutes(100));
    assert!(first_opened(&taps).is_some_and(|at| at.starts_with("25 00:1")), "{:?}", first_opened(&taps));

    let mut taps = house("2026-10-24T23:00:00+00:00", ((1, 15), (1, 45)));
    taps.command(Subject::Site, Command::Pause { time: Span::minutes(110) }).unwrap();
    taps.pass(Span::hours(6));
    assert_eq!(waterings(&taps), 0, "it is 01:15 again at 01:15 UTC: {:?}", first_opened(&taps));
}

/// A day is 24 hours by a clock that nobody sets, whether the night before was an hour shorter or longer.
#[test]
fn the_day_of_the_limit_is_24_hours_whatever_the_clocks_do() {
    for begins in ["2026-03-28T19:00:00+00:00", "2026-10-24T19:00:00+00:00"] {
        let mut taps = house(begins, ((0, 0), (0, 0)));
        taps.pass(Span::minutes(40));
        let given = taps.valve()["last_24h_ml"].as_f64().unwrap();
        assert!(given > 500.0, "{given}");
        taps.command(Subject::Site, Command::Pause { time: Span::hours(72) }).unwrap();
        taps.pass(Span::hours(23));
        assert!((taps.valve()["last_24h_ml"].as_f64().unwrap() - given).abs() < 0.1, "not yet: {}", taps.valve());
        // Somebody sets the clock, both ways; that makes no day.
        let shown = taps.wall_ahead;
        for jump in [Span::hours(30), Span::ZERO - Span::hours(30)] {
            taps.wall_ahead = shown + jump;
            taps.pass(Span::minutes(1));
            assert!((taps.valve()["last_24h_ml"].as_f64().unwrap() - given).abs() < 0.1, "{}", taps.valve());
        }
        taps.wall_ahead = shown;
        taps.pass(Span::hours(1) + Span::minutes(20));
        assert!(taps.valve()["last_24h_ml"].as_f64().unwrap() < 0.1, "{}", taps.valve());
    }
}

#[test]
fn the_limit_of_the_day_holds_over_a_restart_with_a_clock_that_was_set_back() {
    let (mut settings, line) = tap(&[(0, 6.0)]);
    settings.max_per_day = Some(Millilitres::new(400.0));
    let mut taps = Taps::new(Setup { valves: vec![(settings, line)], ..Setup::default() });
    taps.pass(Span::minutes(3));
    taps.run().unwrap();
    taps.finish();
    taps.stop();
    taps.wall_ahead = Span::ZERO - Span::days(2);
    taps.start();
    taps.pass(Span::minutes(3));
    assert!(taps.run_ml(100.0).unwrap_err().contains("24 hours"), "{}", taps.valve());
}
