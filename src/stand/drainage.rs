//! What runs off after a watering: the exponential tail, where it ends, and what ran off unseen while water came.

/// How long drainage usually takes to fall to 1/e, s, and how far from that it may be by nature (a factor e^±0.8).
const USUAL: f64 = 180.0;
const SPREAD: f64 = 0.8;
/// The time constants tried: from 15 s up to some 27 min, each a fifth longer than the last.
const SHORTEST: f64 = 15.0;
const LONGER: f64 = 1.2;
const TRIED: i32 = 26;

/// One weight of a tail: seconds since it began, grams, variance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Mark {
    pub(super) seconds: f64,
    pub(super) grams: f64,
    pub(super) variance: f64,
}

/// w(t) = level + amplitude · e^(−t/τ).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Tail {
    /// Where it ends.
    pub(super) level: f64,
    /// How much was still to run off at its beginning.
    pub(super) amplitude: f64,
    /// Its time constant in seconds.
    pub(super) tau: f64,
}

impl Tail {
    /// The best of many time constants, each with its least squares for level and amplitude; what is known of
    /// drainage in general speaks where the weights do not. `None` of fewer than three weights.
    pub(super) fn fit(marks: &[Mark]) -> Option<Self> {
        if marks.len() < 3 {
            return None;
        }
        let mut best = best(marks, (0..TRIED).map(|step| SHORTEST * LONGER.powi(step)))?;
        for finer in [LONGER.powf(0.25), LONGER.powf(0.05)] {
            let tau = best.tau;
            best = self::best(marks, (-4..=4).map(|step| tau * finer.powi(step)))?;
        }
        Some(best)
    }

    /// What is still to run off after so many seconds.
    pub(super) fn left(&self, seconds: f64) -> f64 {
        self.amplitude * (-seconds / self.tau).exp()
    }

    /// What had run off already when the tail began, if water came evenly for `seconds` and some of it always went
    /// straight to the drain: inflow q gives A = q τ (1 − e^(−T/τ)) at the end, of q T in all.
    pub(super) fn missed(&self, seconds: f64) -> f64 {
        let share = (seconds / self.tau).clamp(0.0, 30.0);
        if share < 1e-6 { 0.0 } else { self.amplitude * (share / (1.0 - (-share).exp()) - 1.0) }
    }
}

/// The time constant that costs least, with its level and amplitude.
fn best(marks: &[Mark], taus: impl Iterator<Item = f64>) -> Option<Tail> {
    let candidates = taus.filter_map(|tau| at(marks, tau));
    candidates.min_by(|(one, _), (other, _)| one.total_cmp(other)).map(|(_, tail)| tail)
}

/// Weighted least squares of level and amplitude for one time constant, with its cost.
fn at(marks: &[Mark], tau: f64) -> Option<(f64, Tail)> {
    let (mut w, mut wx, mut wy, mut wxx, mut wxy) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for mark in marks {
        let (weight, x) = (1.0 / mark.variance.max(1e-6), (-mark.seconds / tau).exp());
        w += weight;
        wx += weight * x;
        wy += weight * mark.grams;
        wxx += weight * x * x;
        wxy += weight * x * mark.grams;
    }
    let determinant = w * wxx - wx * wx;
    if determinant <= 1e-9 * w * w {
        return None;
    }
    let amplitude = ((w * wxy - wx * wy) / determinant).max(0.0);
    let level = (wy - amplitude * wx) / w;
    let residual = |mark: &Mark| {
        let off = mark.grams - level - amplitude * (-mark.seconds / tau).exp();
        off * off / mark.variance.max(1e-6)
    };
    let unusual = (tau / USUAL).ln() / SPREAD;
    let cost = marks.iter().map(residual).sum::<f64>() + unusual * unusual;
    cost.is_finite().then_some((cost, Tail { level, amplitude, tau }))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fit(step: f64, grams: [f64; 3]) -> Tail {
        let mark = |place: usize| Mark { seconds: step * place as f64, grams: grams[place], variance: 1e-3 };
        Tail::fit(&[mark(0), mark(1), mark(2)]).unwrap()
    }

    #[test]
    fn three_weights_tell_where_a_tail_ends() {
        // Aitken's delta-squared (Aitken 1926), the project's own reference: 4000 g with τ 180 s.
        let tail = fit(120.0, [4128.9756, 4066.2183, 4033.9976]);
        assert!((tail.level - 4000.0).abs() < 2.0, "{tail:?}");
        assert!((tail.tau - 180.0).abs() < 20.0, "{tail:?}");
    }

    #[test]
    fn a_rise_is_no_tail() {
        let tail = fit(120.0, [4000.0, 4010.0, 4030.0]);
        assert_eq!(tail.amplitude, 0.0);
    }

    #[test]
    fn what_ran_off_unseen_is_added_back() {
        // 10 g/s to the drain for 60 s with τ 120 s: 1200 (1 − e^−0.5) = 472.16 g are left of 600.
        let tail = Tail { level: 0.0, amplitude: 472.163_206, tau: 120.0 };
        assert!((tail.missed(60.0) - 127.836_794).abs() < 1e-4);
    }
}
