//! From a volume to seconds, in pulses with rests between them.

use super::settings::{Method, ValveSettings};
use crate::moment::Span;
use crate::units::{Flow, Millilitres};

/// More pulses than this in one watering are made longer instead.
const MOST_PULSES: i64 = 500;

/// A microsecond: what the arithmetic may be off before it moves a whole second.
const HAIR: f64 = 1e-6;

/// One opening of a valve and the pause after it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Pulse {
    /// How long it is open; whole seconds.
    pub run: Span,
    /// How long it rests afterwards; none after the last.
    pub rest: Span,
}

/// How long a valve must be open for a volume: whole seconds, rounded up; 0 without a flow.
#[must_use]
pub fn run_time(volume: Millilitres, flow: Flow) -> Span {
    if flow <= Flow::ZERO || volume <= Millilitres::ZERO {
        return Span::ZERO;
    }
    seconds_up(volume.get() / flow.get())
}

/// Whole seconds, rounded up.
pub(super) fn seconds_up(seconds: f64) -> Span {
    Span::from_seconds((seconds - HAIR).ceil().max(0.0))
}

/// Whole seconds, rounded down.
pub(super) fn seconds_down(seconds: f64) -> Span {
    Span::from_seconds((seconds + HAIR).floor().max(0.0))
}

/// What is too short for a pulse of its own.
const LAST_DROP: Span = Span::seconds(5);

/// Cuts a run into pulses of at most `longest` seconds, each followed by `rest` but the last, which may take up to five seconds
/// more rather than leave them to a pulse of their own.
#[must_use]
pub fn pulses(run: Span, longest: f64, rest: Span) -> Vec<Pulse> {
    let least = Span::seconds((run.millis() / 1000 + MOST_PULSES - 1) / MOST_PULSES).max(Span::seconds(1));
    let longest = if longest.is_finite() { seconds_down(longest).max(least) } else { run.max(least) };
    let drop = LAST_DROP.min(Span::from_millis(longest.millis() / 20));
    let mut left = run;
    let mut all = Vec::new();
    while left > Span::ZERO {
        // A last drop is not worth a rest and an opening of its own.
        let run = if left <= longest + drop { left } else { longest };
        left = left - run;
        all.push(Pulse { run, rest: if left > Span::ZERO { rest } else { Span::ZERO } });
    }
    all
}

/// The rest between two pulses of a valve: its own, else 60 s, from below 30 min.
#[must_use]
pub fn rest(valve: &ValveSettings) -> Span {
    valve.rest.unwrap_or(match valve.method {
        Method::Bottom => Span::minutes(30),
        Method::Drip | Method::Overhead => Span::seconds(60),
    })
}

/// How long the mix goes on drawing up water from its tray after a watering from below; `None` where water comes from above.
///
/// The weight does not show it: what has left the tray is in the mix, and both stand on the stand. Uptake falls off exponentially, and is
/// over after three time constants; one of 20 min is plausible, not measured. Who rests longer than 30 min between pulses has a slower mix.
#[must_use]
pub fn uptake(valve: &ValveSettings) -> Option<Span> {
    let slow = rest(valve) + rest(valve);
    matches!(valve.method, Method::Bottom).then(|| slow.max(Span::minutes(60)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run_times(run: i64, longest: f64) -> Vec<i64> {
        pulses(Span::seconds(run), longest, Span::seconds(60)).iter().map(|pulse| pulse.run.millis() / 1000).collect()
    }

    #[test]
    fn a_run_is_cut_into_whole_pulses_and_a_rest() {
        assert_eq!(run_times(722, 324.0), [324, 324, 74]);
        assert_eq!(run_times(648, 324.0), [324, 324]);
        assert_eq!(run_times(10, 324.0), [10]);
        assert_eq!(run_times(0, 324.0), [0; 0]);
    }

    #[test]
    fn as_many_pulses_as_the_surface_can_hold() {
        // 400 g at 6 g/s; a surface that holds 60 g and takes 0.8 g/s allows pulses of 69.231 g = 11.538 s, and one
        // that takes 4 g/s pulses of 180 g = 30 s (computed: largest pulse = store · flow / (flow − intake)).
        let run = run_time(Millilitres::new(400.0), Flow::new(6.0)).as_seconds();
        assert!((run - 67.0).abs() < 1e-9);
        assert_eq!(run_times(67, 69.231 / 6.0).len(), 7);
        assert_eq!(run_times(67, 180.0 / 6.0).len(), 3);
    }

    #[test]
    fn a_pulse_too_short_for_a_clock_lasts_a_second() {
        assert_eq!(run_times(3, 0.2), [1, 1, 1]);
    }

    #[test]
    fn there_is_an_end_to_pulses() {
        assert!(run_times(100_000, 0.5).len() <= 500);
    }

    #[test]
    fn seconds_are_rounded_up_but_not_for_a_hair() {
        // 2 L/h is 2000/3600 mL/s, which no binary number holds exactly.
        let flow = Flow::new(2000.0 / 3600.0);
        assert_eq!(run_time(Millilitres::new(180.0), flow), Span::seconds(324));
        assert_eq!(run_time(Millilitres::new(180.1), flow), Span::seconds(325));
        assert_eq!(run_time(Millilitres::new(180.0), Flow::ZERO), Span::ZERO);
    }
}
