//! Level and rate of a slow weight: a Kalman filter with a local linear trend.
//!
//! x = (w, r), F = [[1, Δ], [0, 1]], Q = a Δ diag(1, 0) + b [[Δ³/3, Δ²/2], [Δ²/2, Δ]], H = (1, 0);
//! Harvey 1989, Forecasting, Structural Time Series Models, 2.3. Grams and hours.

use crate::moment::{Mono, Span};

/// How fast a rate may wander, g²/h³: by 10 g/h in an hour.
const RATE_WANDERS: f64 = 100.0;
/// How fast a level may wander by itself, g²/h.
const LEVEL_WANDERS: f64 = 0.01;
/// Variance of a rate of which nothing is known, (g/h)².
const RATE_UNKNOWN: f64 = 900.0;
/// A longer silence says no more about the past than this one, in hours.
const LONGEST: f64 = 48.0;
/// Nothing on a stand dries or fills faster for long, g/h.
const FASTEST: f64 = 2000.0;
/// No reading is better than this, g².
const BEST: f64 = 1e-4;

/// A time in hours, at least 0. The hot path: one multiplication.
#[expect(clippy::cast_precision_loss, reason = "a time between readings is far below 2^52 ms")]
pub(super) fn hours(span: Span) -> f64 {
    span.millis().max(0) as f64 * (1.0 / 3_600_000.0)
}

/// A weight with its rate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Trend {
    at: Mono,
    level: f64,
    /// g/h; negative while drying.
    rate: f64,
    level_variance: f64,
    covariance: f64,
    rate_variance: f64,
}

impl Trend {
    /// From a weight of which only its variance is known.
    pub(super) fn new(at: Mono, level: f64, variance: f64) -> Self {
        let level_variance = variance.max(BEST);
        Self { at, level, rate: 0.0, level_variance, covariance: 0.0, rate_variance: RATE_UNKNOWN }
    }

    /// From a weight and a rate believed in.
    pub(super) fn with_rate(self, rate: f64) -> Self {
        Self { rate, rate_variance: RATE_UNKNOWN / 4.0, ..self }
    }

    pub(super) const fn at(&self) -> Mono {
        self.at
    }

    pub(super) const fn level(&self) -> f64 {
        self.level
    }

    /// The same trend in another scale or from another zero: w → (w − `zero`) · `factor`.
    pub(super) fn rescaled(self, zero: f64, factor: f64) -> Self {
        Self { level: (self.level - zero) * factor, rate: self.rate * factor, ..self }
    }

    /// Takes in a weight with its variance.
    pub(super) fn weigh(&mut self, at: Mono, weight: f64, variance: f64) {
        let hours = hours(at.since(self.at)).min(LONGEST);
        if hours > 0.0 {
            self.pass(hours);
            self.at = at;
        }
        let innovation = weight - self.level;
        let gain = 1.0 / (self.level_variance + variance.max(BEST));
        let (level_gain, rate_gain) = (self.level_variance * gain, self.covariance * gain);
        self.level += level_gain * innovation;
        self.rate = (self.rate + rate_gain * innovation).clamp(-FASTEST, FASTEST);
        self.rate_variance = (self.rate_variance - rate_gain * self.covariance).max(0.0);
        self.covariance *= 1.0 - level_gain;
        self.level_variance *= 1.0 - level_gain;
    }

    fn pass(&mut self, hours: f64) {
        let grown = RATE_WANDERS * hours;
        self.level += self.rate * hours;
        self.level_variance += hours * (2.0 * self.covariance + hours * self.rate_variance)
            + LEVEL_WANDERS * hours
            + grown * hours * hours / 3.0;
        self.covariance += hours * self.rate_variance + grown * hours / 2.0;
        self.rate_variance += grown;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn eight_weights_give_the_reference() {
        // The project's own reference, which agrees with filterpy 1.4: R 0.25, q_r 100, q_w 0.01, P0 diag(1e4, 2500).
        let weights = [3500.2, 3497.6, 3496.3, 3493.4, 3492.5, 3489.6, 3488.1, 3486.3];
        let start = Trend::new(Mono::from_millis(0), 3500.0, 1e4);
        let mut trend = Trend { rate_variance: 2500.0, ..start };
        for (place, weight) in weights.into_iter().enumerate() {
            trend.weigh(Mono::from_millis(place as i64 * 300_000), weight, 0.25);
            if place == 1 {
                assert!((trend.level - 3_497.636_351).abs() < 1e-5);
                assert!((trend.rate + 30.342_904).abs() < 1e-4);
            }
        }
        assert!((trend.level - 3_486.192_207).abs() < 1e-5);
        assert!((trend.rate + 22.612_49).abs() < 1e-4);
        assert!((trend.rate_variance - 13.587_166).abs() < 1e-4);
    }
}
