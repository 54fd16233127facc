//! Dry, due, moist, wet, unknown: entered at once, left with hysteresis.

use super::Limits;
use crate::units::Fraction;
use serde::{Deserialize, Serialize};

/// How a flat stands against its limits (contract, flat state).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Condition {
    /// Below low.
    Dry,
    /// From low to below water at.
    Due,
    /// From water at to high.
    Moist,
    /// Above high.
    Wet,
    /// No band, or nothing to go by.
    #[default]
    Unknown,
}

/// A condition is left only this far beyond the limit that made it.
const HYSTERESIS: f64 = 0.02;

impl Condition {
    /// The word of the contract.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Dry => "dry",
            Self::Due => "due",
            Self::Moist => "moist",
            Self::Wet => "wet",
            Self::Unknown => "unknown",
        }
    }

    /// The condition by the limits alone. A limit that is reached counts as reached.
    #[must_use]
    pub fn of(fraction: Fraction, limits: &Limits) -> Self {
        let fraction = fraction.rounded();
        if fraction < limits.low {
            Self::Dry
        } else if fraction < limits.water_at {
            Self::Due
        } else if fraction <= limits.high {
            Self::Moist
        } else {
            Self::Wet
        }
    }

    /// The condition after this one, now that `fraction` is known. Entered at once; `dry` is left at low + 0.02, `due`
    /// upwards at water at + 0.02, `wet` at high − 0.02.
    #[must_use]
    pub fn next(self, fraction: Fraction, limits: &Limits) -> Self {
        let plain = Self::of(fraction, limits);
        let fraction = fraction.rounded().get();
        let above = |limit: Fraction| fraction >= rounded(limit.get() + HYSTERESIS);
        match (self, plain) {
            (Self::Dry, Self::Due | Self::Moist) if !above(limits.low) => Self::Dry,
            (Self::Dry | Self::Due, Self::Moist) if !above(limits.water_at) => Self::Due,
            (Self::Wet, Self::Moist) if fraction > rounded(limits.high.get() - HYSTERESIS) => Self::Wet,
            _ => plain,
        }
    }
}

/// Sums of two rounded numbers are rounded again before they are compared: 0.3 + 0.02 is not 0.32 in binary.
fn rounded(value: f64) -> f64 {
    Fraction::new(value).rounded().get()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn walk(fractions: &[f64]) -> Vec<Condition> {
        let limits = Limits::default();
        let mut condition = Condition::Unknown;
        fractions
            .iter()
            .map(|&fraction| {
                condition = condition.next(Fraction::new(fraction), &limits);
                condition
            })
            .collect()
    }

    #[test]
    fn limits_count_as_reached_and_are_left_with_hysteresis() {
        use Condition::{Dry, Due, Moist, Wet};
        assert_eq!(walk(&[0.3, 0.2996, 0.2994, 0.3, 0.319, 0.32]), [Due, Due, Dry, Dry, Dry, Due]);
        assert_eq!(walk(&[0.4, 0.399, 0.4, 0.419, 0.42]), [Moist, Due, Due, Due, Moist]);
        assert_eq!(walk(&[0.75, 0.751, 0.75, 0.731, 0.73]), [Moist, Wet, Wet, Wet, Moist]);
        assert_eq!(walk(&[0.2, 0.41, 0.42]), [Dry, Due, Moist]);
        assert_eq!(walk(&[0.2, 0.9]), [Dry, Wet]);
    }
}
