//! How often readings come, and how much they scatter: learned from the readings themselves.

use crate::moment::Span;
use serde::{Deserialize, Serialize};

/// Readings that come slower than this are weighed two by two (contract, section 3); a little under a minute, for
/// a device that means a minute.
const SLOW: f32 = 57_000.0;
/// Readings that come faster than this, in milliseconds, fill a window of 3 s with at least four, though they come unevenly.
const FAST: f32 = 600.0;

/// The reporting period of a stand, in milliseconds.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub(super) struct Pace {
    /// 0: not known.
    period: f32,
    before: f32,
}

impl Pace {
    #[expect(clippy::cast_precision_loss, reason = "a reporting period is far below 2^24 ms, and need not be exact")]
    pub(super) fn learn(&mut self, step: Span) {
        let step = (step.millis().clamp(0, 100_000_000)) as f32;
        if self.period <= 0.0 {
            self.period = step;
        } else if step > FAST && self.agrees_on_another(step) {
            self.period = step.min(self.before);
        } else {
            let share = if self.period > FAST { 0.125 } else { 0.03 };
            self.period += share * (step.min(4.0 * self.period) - self.period);
        }
        self.before = step;
    }

    fn agrees_on_another(self, step: f32) -> bool {
        let (low, high) = (self.period / 2.0, self.period * 2.0);
        (step > high && self.before > high) || (step < low && self.before < low)
    }

    /// Whether so long after a reading the earlier ones say nothing of the next.
    #[expect(clippy::cast_precision_loss, reason = "compared with a period, which need not be exact")]
    pub(super) fn is_gap(self, step: Span) -> bool {
        self.period > 0.0 && step.millis() as f32 > 4.0 * self.period + 10_000.0
    }

    pub(super) fn period(self) -> Option<Span> {
        (self.period > 0.0).then(|| Span::from_seconds(self.seconds()))
    }

    /// In seconds; 0 while unknown.
    pub(super) fn seconds(self) -> f64 {
        f64::from(self.period) * 0.001
    }

    pub(super) fn is_fast(self) -> bool {
        self.period > 0.0 && self.period < FAST
    }

    pub(super) fn is_slow(self) -> bool {
        self.period >= SLOW
    }
}

/// The noise of single readings, from differences of neighbours (von Neumann 1941: σ² is half their variance), each
/// clipped so that a hand on the stand teaches nothing.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub(super) struct Noise {
    mean: f32,
    square: f32,
    learned: u8,
}

const ENOUGH: u8 = 6;
const SETTLED: u8 = 64;

impl Noise {
    /// Takes in the difference of two neighbours; `division` in grams. `shaken`: a stand that has stood still before and does
    /// not now. That is no noise of it, unless it goes on for long.
    pub(super) fn learn(&mut self, difference: f64, division: f64, shaken: bool) {
        let farthest = if shaken { 4.0 } else { 32.0 };
        let most = farthest * self.variance() + 4.0 * division * division;
        let clipped = if difference * difference > most { most.sqrt().copysign(difference) } else { difference };
        self.learned = (self.learned + 1).min(SETTLED);
        let share = 1.0 / f32::from(self.learned);
        self.mean += share * (clipped as f32 - self.mean);
        self.square += share * ((clipped * clipped) as f32 - self.square);
    }

    /// Of one reading, g².
    pub(super) fn variance(&self) -> f64 {
        f64::from((0.5 * (self.square - self.mean * self.mean)).max(0.0))
    }

    /// Of one reading, g²; not below what a division may hide while little has been learned.
    pub(super) fn cautious(&self, division: f64) -> f64 {
        let least = if self.learned < SETTLED / 2 { division } else { 0.3 * division };
        self.variance().max(least * least)
    }

    /// In grams; `None` until a few readings have come.
    pub(super) fn grams(&self) -> Option<f64> {
        (self.learned >= ENOUGH).then(|| self.variance().sqrt())
    }

    /// How much neighbours differ by drying alone, in grams, at least 0; `None` until a few readings have come.
    pub(super) fn drift(&self) -> Option<f64> {
        (self.learned >= ENOUGH).then(|| f64::from(-self.mean).max(0.0))
    }

    pub(super) fn rescaled(self, factor: f64) -> Self {
        #[expect(clippy::cast_possible_truncation, reason = "the factor of a calibration")]
        let factor = factor as f32;
        let scaled = Self { mean: self.mean * factor, square: self.square * factor * factor, ..self };
        if scaled.mean.is_finite() && scaled.square.is_finite() { scaled } else { Self::default() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_period_follows_a_device_that_changes_its_mind() {
        let mut pace = Pace::default();
        for step in [20, 100, 300_000, 300_000, 300_000] {
            pace.learn(Span::from_millis(step));
        }
        assert!((pace.seconds() - 300.0).abs() < 1.0);
        for _ in 0..2 {
            pace.learn(Span::seconds(10));
        }
        assert!((pace.seconds() - 10.0).abs() < 1.0);
    }

    #[test]
    fn one_long_silence_is_no_new_period() {
        let mut pace = Pace::default();
        for step in [10, 10, 10, 7200, 10, 10, 10, 10] {
            pace.learn(Span::seconds(step));
        }
        assert!(pace.seconds() < 15.0);
    }

    #[test]
    fn equal_readings_carry_no_noise() {
        let mut noise = Noise::default();
        for _ in 0..100 {
            noise.learn(0.0, 1.0, false);
        }
        assert_eq!(noise.grams(), Some(0.0));
    }

    #[test]
    fn alternating_readings_carry_half_their_step() {
        let mut noise = Noise::default();
        for turn in 0..1000 {
            noise.learn(if turn % 2 == 0 { 2.0 } else { -2.0 }, 1.0, false);
        }
        // Differences of ±2 have a variance of 4, so each reading one of 2.
        assert!((noise.grams().unwrap() - 2.0_f64.sqrt()).abs() < 0.02);
    }
}
