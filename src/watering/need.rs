//! What one flat needs, and the one open time that serves several flats on one valve best.

use crate::units::{Flow, Fraction, Grams, Millilitres};

/// How much worse a millilitre too much is than a millilitre too little (contract, valve state).
pub const TOO_WET_PRICE: f64 = 3.0;

/// The volume that lifts a flat to its target; 0 at or above it, and for a band that is none.
///
/// Water is measured out at 20 °C. A limit reached after rounding the fraction to 0.001 counts as reached.
#[must_use]
pub fn to_target(water: Grams, band: Grams, target: Fraction) -> Millilitres {
    if band <= Grams::ZERO || Fraction::new(water / band).rounded() >= target.rounded() {
        return Millilitres::ZERO;
    }
    (band * target.get() - water).max(Grams::ZERO).of_water()
}

/// What one flat asks of a valve it shares.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Need {
    /// What reaches it while the valve is open; above 0.
    pub flow: Flow,
    /// What it lacks; 0 or below when it lacks nothing.
    pub lacks: Millilitres,
    /// How bad a millilitre too little is.
    pub too_dry: f64,
    /// How bad a millilitre too much is.
    pub too_wet: f64,
}

impl Need {
    /// A need priced as the contract has it: too wet is three times as bad as too dry.
    #[must_use]
    pub const fn usual(flow: Flow, lacks: Millilitres) -> Self {
        Self { flow, lacks, too_dry: 1.0, too_wet: TOO_WET_PRICE }
    }

    fn time(&self) -> f64 {
        (self.lacks.get() / self.flow.get()).max(0.0)
    }
}

/// The open time, in seconds, with the least sum of what is too dry and too wet; 0 for nobody.
///
/// The sum is piecewise linear in the time, so its least value lies at one flat's own time: the weighted quantile
/// of the times, each weighing (`too_dry` + `too_wet`) · flow, cut at the sum of `too_dry` · flow.
#[must_use]
pub fn common_time(needs: &[Need]) -> f64 {
    let mut needs: Vec<&Need> = needs.iter().filter(|need| need.flow > Flow::ZERO).collect();
    needs.sort_by(|a, b| a.time().total_cmp(&b.time()));
    let cut: f64 = needs.iter().map(|need| need.too_dry * need.flow.get()).sum();
    let mut sum = 0.0;
    for need in &needs {
        sum += (need.too_dry + need.too_wet) * need.flow.get();
        // Without the allowance a tie would be decided by the last bit of the sums.
        if sum >= cut * (1.0 - 1e-12) {
            return need.time();
        }
    }
    0.0
}

/// The longest open time, in seconds, that lifts none above its limit: the least of room / flow. `None` for nobody.
#[must_use]
pub fn headroom_time(rooms: impl IntoIterator<Item = (Millilitres, Flow)>) -> Option<f64> {
    rooms
        .into_iter()
        .filter(|(_, flow)| *flow > Flow::ZERO)
        .map(|(room, flow)| (room.get() / flow.get()).max(0.0))
        .min_by(f64::total_cmp)
}

#[cfg(test)]
mod tests {
    use super::*;

    // Shared-valve example computed with scipy 1.17 (linear programme and grid agree): four flats.
    const FLOWS: [f64; 4] = [2.0, 2.4, 1.8, 2.2];
    const LACKS: [f64; 4] = [300.0, 420.0, 90.0, 250.0];
    const ROOMS: [f64; 4] = [450.0, 600.0, 260.0, 400.0];
    const TOO_DRY: [f64; 4] = [1.0, 1.0, 1.0, 2.0];
    const TOO_WET: [f64; 4] = [0.5, 0.5, 3.0, 0.5];

    fn needs() -> Vec<Need> {
        (0..4)
            .map(|i| Need {
                flow: Flow::new(FLOWS[i]),
                lacks: Millilitres::new(LACKS[i]),
                too_dry: TOO_DRY[i],
                too_wet: TOO_WET[i],
            })
            .collect()
    }

    #[test]
    fn the_weighted_quantile_is_the_best_time() {
        assert!((common_time(&needs()) - 113.6364).abs() < 1e-4);
    }

    #[test]
    fn no_time_nearby_is_better() {
        let cost = |time: f64| -> f64 {
            needs()
                .iter()
                .map(|need| {
                    let over = need.flow.get() * time - need.lacks.get();
                    if over > 0.0 { need.too_wet * over } else { -need.too_dry * over }
                })
                .sum()
        };
        let best = cost(common_time(&needs()));
        assert!((best - 563.6364).abs() < 1e-3, "{best}");
        for step in 0..1500 {
            assert!(cost(f64::from(step) * 0.1) >= best - 1e-9);
        }
    }

    #[test]
    fn the_flat_with_the_least_room_sets_the_limit() {
        let rooms = (0..4).map(|i| (Millilitres::new(ROOMS[i]), Flow::new(FLOWS[i])));
        assert!((headroom_time(rooms).unwrap() - 144.4444).abs() < 1e-4);
    }

    #[test]
    fn a_pound_of_band_at_eight_pounds_takes_a_pound() {
        // Common practice, no source: 7 lb dry, 11 lb at capacity; 8 lb takes 1 lb of water to stand at half.
        let pound = crate::units::POUND;
        let need = to_target(Grams::new(pound), Grams::new(4.0 * pound), Fraction::new(0.5));
        assert!((need.get() - 454.407).abs() < 1e-3, "{need:?}");
        assert_eq!(to_target(Grams::new(2.0 * pound), Grams::new(4.0 * pound), Fraction::new(0.5)), Millilitres::ZERO);
    }

    #[test]
    fn a_target_reached_after_rounding_is_reached() {
        assert_eq!(to_target(Grams::new(799.3), Grams::new(1600.0), Fraction::new(0.5)), Millilitres::ZERO);
        assert!(to_target(Grams::new(799.1), Grams::new(1600.0), Fraction::new(0.5)) > Millilitres::ZERO);
    }
}
