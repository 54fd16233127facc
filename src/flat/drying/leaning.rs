//! Which rule a flat's forecasts lean on, by how well each has done with this flat.
//!
//! Plants in a growth chamber follow their trend; behind a window today says little of tomorrow, and a mean of days says
//! more. Nobody tells which it is, so each rule makes its own forecast each day, and is weighed by its mean miss.

use super::follow;
use serde::{Deserialize, Serialize};

/// How far a forecast goes by the trend and by what is usual; the rest is yesterday.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Leaning {
    /// 1: yesterday's hours, grown or declining as the last hours did; 0: as they were.
    pub trend: f64,
    /// 1: each hour as it is on most days; 0: as it was yesterday.
    pub usual: f64,
}

/// The rules by themselves.
pub const RULES: [Leaning; 3] =
    [Leaning { trend: 1.0, usual: 0.0 }, Leaning { trend: 0.0, usual: 0.0 }, Leaning { trend: 0.0, usual: 1.0 }];

/// Their mean misses (logarithms) before the flat has shown its own. The first two are those of the 16 pots that were
/// fitted on; the third could not be measured in their five days.
const BEFORE: [f32; 3] = [0.056, 0.11, 0.12];
/// The weight of a rule falls with this power of its mean miss: two rules that do equally well share, and one that misses
/// by a quarter less than the others decides. Of 4, 5, 6 and 8 this was the best on the 16 pots; on the simulated house all
/// did the same.
const POWER: i32 = 8;
/// No rule is believed to be better than this (a logarithm).
const BEST: f64 = 0.01;

/// The mean miss of each of [`RULES`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Misses([f32; 3]);

impl Default for Misses {
    fn default() -> Self {
        Self(BEFORE)
    }
}

impl Misses {
    /// How each did on one more day, which counts this part.
    pub fn learn(&mut self, missed: [f64; 3], part: f64) {
        for (mean, missed) in self.0.iter_mut().zip(missed) {
            follow(mean, missed, part);
        }
    }

    /// Each rule by how well it has done.
    pub fn leaning(&self) -> Leaning {
        let weights = self.0.map(|miss| f64::from(miss).max(BEST).powi(-POWER));
        let all: f64 = weights.iter().sum();
        let share = |of: fn(&Leaning) -> f64| {
            weights.iter().zip(&RULES).map(|(weight, rule)| weight * of(rule)).sum::<f64>() / all
        };
        Leaning { trend: share(|rule| rule.trend), usual: share(|rule| rule.usual) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_new_flat_goes_by_its_trend() {
        let leaning = Misses::default().leaning();
        assert!(leaning.trend > 0.85 && leaning.usual < 0.1, "{leaning:?}");
    }

    #[test]
    fn a_flat_behind_a_window_comes_to_lean_on_what_is_usual() {
        let mut misses = Misses::default();
        for _ in 0..8 {
            misses.learn([0.35, 0.2, 0.12], 0.1);
        }
        let leaning = misses.leaning();
        assert!(leaning.usual > 0.5 && leaning.trend < 0.2, "{leaning:?}");
    }
}
