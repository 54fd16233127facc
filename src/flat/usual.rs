//! What a flat loses of which nothing is known but its band: by the clock, faster than any leader knows and never exactly.
//!
//! Seedlings and bare mix under glass or lamps lose 1 to 5 mm a day (the range of greenhouse evapotranspiration; the energy of 100 W/m²
//! over 16 h evaporates 2.35 mm, FAO-56 equation 3-1: λ = 2.45 MJ/kg at 20 °C). A standard tray of 21 by 11 in (UF/IFAS EP109) has
//! 0.149 m², and holds about 1.6 kg of water between dry and full (an ordinary flat of this project; *common practice, no source*); pots
//! and small trays hold less and have less area. Below its knee a flat loses the less, the drier it is (FAO-56 equation 84; closed
//! form: exponential).

use super::pace::{Leader, Pace, Prior};
use crate::moment::Span;

/// What is known of a flat's pace by the clock.
pub const BY_CLOCK: Prior = Prior::of(Leader::Clock);
/// The middle of 1 to 5 mm, by ratio.
const MILLIMETRES_A_DAY: f64 = 2.24;
const TRAY_M2: f64 = 0.149;
const BAND_KG: f64 = 1.6;
/// So much of its band an hour, day and night alike (one millimetre on a square metre is a kilogram).
pub const PER_HOUR: f64 = MILLIMETRES_A_DAY * TRAY_M2 / BAND_KG / 24.0;
/// Below so much of its band it loses less: the middle of what pots and mixes show, and that range (see `drying/knee.rs`).
const KNEE: f64 = 0.35;
const KNEES: (f64, f64) = (0.25, 0.50);
/// Most of it is lost by day. Of a day's loss so much may have come sooner or later by the clock than day and night alike.
const DAY_AND_NIGHT: f64 = 0.18;
/// However dry, it is not taken to be drier than this when its loss is compared: there the scale says more than the drying.
const DRIEST: f64 = 0.02;

/// What is lost of the band in `span`, at `pace`, from the fraction `from` on, and the standard error of that.
#[must_use]
pub fn lost(from: f64, span: Span, pace: &Pace) -> (f64, f64) {
    let steady = steady(span) * pace.ratio(&BY_CLOCK);
    let expected = falling(from, steady, KNEE);
    let off = steady * (1.0 + 0.01) - steady;
    // By how much more is lost for each share that it is faster: all of it above the knee, hardly anything when it is dry.
    let by_pace = (falling(from, steady + off, KNEE) - expected) / 0.01 * pace.spread(&BY_CLOCK);
    let by_knee = (falling(from, steady, KNEES.0) - falling(from, steady, KNEES.1)) / 2.0;
    let a_day = (PER_HOUR * 24.0 * pace.ratio(&BY_CLOCK)).min(from.max(0.0));
    let by_hour = DAY_AND_NIGHT * a_day * (std::f64::consts::PI * span.as_hours() / 24.0).sin();
    (expected, by_pace.hypot(by_knee).hypot(by_hour))
}

/// What a flat would have lost above its knee in the time in which it went from one fraction to another: for comparing it with the
/// clock.
#[must_use]
pub fn as_if_moist(from: f64, to: f64) -> f64 {
    let (from, to) = (from.max(DRIEST), to.max(DRIEST));
    if to >= KNEE || to >= from {
        return from - to;
    }
    (from - KNEE).max(0.0) + KNEE * (from.min(KNEE) / to).ln()
}

/// What the clock loses in that time.
#[must_use]
pub fn steady(span: Span) -> f64 {
    PER_HOUR * span.as_hours().max(0.0)
}

/// What is lost from a fraction on where `steady` would be lost above the knee: FAO-56 equation 84 in continuous time.
fn falling(from: f64, steady: f64, knee: f64) -> f64 {
    let above = (from - knee).max(0.0);
    if steady <= above || from <= 0.0 {
        return if from <= 0.0 { 0.0 } else { steady };
    }
    let begins = from.min(knee);
    above + begins * (1.0 - (-(steady - above) / knee).exp())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Fraction;

    #[test]
    fn it_falls_as_the_closed_form_says() {
        // The project's own check of the closed form (FAO-56 equation 84 in continuous time): a band of 4 lb, 1 lb a day, knee at 0.5:
        // 0.75 → 0.50 takes 1 d, 0.50 → 0.25 takes ln 2 / 0.5 d.
        let after = |days: f64| 0.75 - falling(0.75, 0.25 * days, 0.5);
        assert!((after(1.0) - 0.50).abs() < 1e-12);
        assert!((after(1.0 + 2.0_f64.ln() / 0.5) - 0.25).abs() < 1e-12);
    }

    #[test]
    fn a_usual_flat_loses_one_to_five_millimetres_a_day() {
        let a_day = |millimetres: f64| millimetres * TRAY_M2 / BAND_KG;
        let (lost, error) = lost(1.0, Span::days(1), &Pace::default());
        assert!(lost > a_day(1.0) && lost < a_day(5.0), "{lost}");
        // The range is 90 % of the flats: 1.645 standard errors to either side, by ratio.
        let spread = error / lost;
        assert!((spread.mul_add(1.645, 0.0).exp() - (5.0_f64 / 2.24)).abs() < 0.1, "{spread}");
    }

    #[test]
    fn a_comparison_undoes_the_falling() {
        for (from, hours) in [(0.9, 20.0), (0.6, 60.0), (0.3, 30.0), (1.05, 90.0)] {
            let span = Span::from_seconds(hours * 3600.0);
            let to = from - falling(from, steady(span), KNEE);
            assert!((as_if_moist(from, to) - steady(span)).abs() < 1e-9, "{from} in {hours} h");
        }
    }

    #[test]
    fn once_compared_it_is_known_for_two_and_a_half_days_however_full_it_was() {
        let mut pace = Pace::default();
        let (_, before) = lost(1.0, Span::hours(60), &pace);
        assert!(pace.compare(Fraction::new(0.5), Fraction::new(steady(Span::hours(48)))));
        let (_, after) = lost(1.0, Span::hours(60), &pace);
        assert!(before > 0.15 && after < 0.15, "{before} {after}");
    }
}
