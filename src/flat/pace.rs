//! How a flat that is weighed now and then dries, measured against something that is known all the time: another flat on a
//! stand, which sees the same weather, or the clock.

use crate::units::{Fraction, Grams};
use serde::{Deserialize, Serialize};

/// A comparison over less of the leader's band than this says more of the scale than of the drying.
const LEAST_SHARE: f64 = 0.03;
/// A flat that dries this many times as fast or as slowly as its leader was watered, or is another one.
const MOST_RATIO: f64 = 4.0;
/// Older comparisons count less with each new one.
const FADE: f64 = 0.85;
/// What is taken to be known before the first comparison counts like so many.
const PRIOR: f64 = 0.7;
/// Weather and growth keep even a flat that was often compared from following exactly.
const AT_BEST: f64 = 0.06;

/// What a flat's drying is held against.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Leader {
    /// The flat that its `like` names, or another of its fill sown on the same day.
    Batch,
    /// Another flat of its fill.
    Fill,
    /// Any flat on a stand: the same room.
    Room,
    /// None is weighed all the time: what a flat usually loses, day and night alike.
    Clock,
}

impl Leader {
    /// How far, as a logarithm, a flat's drying is from its leader's before they have been compared (a judgement: seedlings of
    /// one batch differ by a quarter; in one room, by half; from the clock, by everything).
    const fn spread(self) -> f64 {
        match self {
            Self::Batch => 0.25,
            Self::Fill => 0.35,
            Self::Room => 0.5,
            // 1 to 5 mm a day are 90 % of the flats: ln 5 / 2 / 1.645.
            Self::Clock => 0.49,
        }
    }

    /// What is taken to be known before the first comparison counts like so many. From the clock flats differ so much that one
    /// comparison says nearly all.
    const fn prior(self) -> f64 {
        match self {
            Self::Batch | Self::Fill | Self::Room => PRIOR,
            Self::Clock => 0.3,
        }
    }

    /// Weather and growth keep even a flat that was often compared from following exactly; the clock knows of no weather.
    const fn at_best(self) -> f64 {
        match self {
            Self::Batch | Self::Fill | Self::Room => AT_BEST,
            Self::Clock => 0.2,
        }
    }
}

/// How much faster than its leader a flat dries, both as shares of their own bands.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Pace {
    /// Faded number of comparisons.
    n: f64,
    /// Their mean logarithm.
    mean: f64,
    /// Their faded sum of squared deviations.
    squares: f64,
}

impl Pace {
    /// Takes one comparison: between two weighings the flat has lost `own` of its band while its leader lost `leader` of its
    /// own. What is too little to compare, or no drying, is left out; whether it was taken.
    pub fn compare(&mut self, own: Fraction, leader: Fraction) -> bool {
        let (own, leader) = (own.get(), leader.get());
        if leader < LEAST_SHARE || own <= 0.0 {
            return false;
        }
        let ratio = own / leader;
        if !(1.0 / MOST_RATIO..=MOST_RATIO).contains(&ratio) {
            return false;
        }
        let deviation = ratio.ln() - self.mean;
        self.n = self.n * FADE + 1.0;
        self.mean += deviation / self.n;
        self.squares = self.squares * FADE + deviation * (ratio.ln() - self.mean);
        true
    }

    /// How many times as fast as its leader it dries.
    #[must_use]
    pub fn ratio(&self, leader: Leader) -> f64 {
        (self.mean * self.n / (self.n + leader.prior())).exp()
    }

    /// The standard error of what is expected to be lost, as a share of it.
    #[must_use]
    pub fn spread(&self, leader: Leader) -> f64 {
        let (before, prior) = (leader.spread(), leader.prior());
        ((before * before * prior + self.squares) / (self.n + prior)).sqrt().max(leader.at_best())
    }

    /// What a flat with a band of `band` grams has lost while its leader lost `leader` of its band, and the standard error.
    #[must_use]
    pub fn lost(&self, band: Grams, leader: Fraction, by: Leader) -> (Grams, Grams) {
        let expected = band * (leader.get().max(0.0) * self.ratio(by));
        (expected, expected * self.spread(by))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_flat_that_dries_half_as_fast_again_is_known_for_it_after_a_few_weighings() {
        let mut pace = Pace::default();
        let first = pace.spread(Leader::Room);
        for share in [0.2, 0.25, 0.18, 0.22] {
            assert!(pace.compare(Fraction::new(share * 1.5), Fraction::new(share)));
        }
        assert!((pace.ratio(Leader::Room) - 1.5).abs() < 0.15, "{}", pace.ratio(Leader::Room));
        assert!(pace.spread(Leader::Room) < first / 1.5);
        let (lost, error) = pace.lost(Grams::new(1000.0), Fraction::new(0.2), Leader::Room);
        assert!((lost.get() - 300.0).abs() < 30.0 && error < lost * 0.4);
    }

    #[test]
    fn what_is_too_little_or_no_drying_is_left_out() {
        let mut pace = Pace::default();
        for (own, leader) in [(0.01, 0.01), (-0.2, 0.2), (0.9, 0.1), (0.01, 0.2)] {
            assert!(!pace.compare(Fraction::new(own), Fraction::new(leader)), "{own} against {leader}");
        }
        assert_eq!(pace, Pace::default());
    }
}
