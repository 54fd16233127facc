//! Where drying slows: the fraction below which a flat loses less the less water it holds.
//!
//! The form is FAO-56's (Allen, Pereira, Raes & Smith 1998, equation 84): full demand above the knee, below it the
//! share fraction/knee of it. The knee is found by comparing each hour with the same hour a day before: lamps, the
//! heating's day and the swing of a warm scale cancel, and what is left is growth, weather, and the knee.

use super::record::Record;
use serde::{Deserialize, Serialize};

/// The lowest knee that is tried, and the step from one to the next. Pots of mineral soil and peat have theirs at 0.3
/// to 0.5 of what plants can take (Sadras & Milroy 1996, from memory; checks of the project).
const LOWEST: f64 = 0.15;
const STEP: f64 = 0.05;
/// How many are tried: 0.15, 0.20, … 0.70.
const TRIED: usize = 12;
/// However dry, so much of the demand is left.
const LEAST_SHARE: f64 = 0.02;
/// One hour counts at most so much (in logarithms): a false weight must not decide.
const MOST_FROM_ONE_HOUR: f64 = 0.7;
/// How many squared logarithms a knee must explain before it is believed: about ten hours at half the rate. Ordinary
/// weather (5 % from day to day) speaks against a false knee faster than it could gather so much.
const BELIEVED: f64 = 5.0;
/// The flat must have been seen losing less than this share of its demand, or there was no knee to see.
const SEEN_DOWN_TO: f64 = 0.8;
/// What is left of the evidence an hour later: forgotten in about two months, as plants and mix change.
const KEPT_EACH_HOUR: f64 = 0.9995;
/// A rate below so many standard errors of it is too noisy to compare.
const CLEAR_OF_NOISE: f64 = 4.0;

/// The evidence for each knee that is tried.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Knee {
    /// Squared errors without any knee, less those with this one.
    gained: [f32; TRIED],
    /// The lowest fraction seen.
    driest: Option<f32>,
}

fn tried() -> impl Iterator<Item = f64> {
    std::iter::successors(Some(LOWEST), |knee| Some(knee + STEP)).take(TRIED)
}

/// The share of its demand that a flat loses at this fraction; 1 while either is unknown.
pub fn share(knee: Option<f64>, fraction: Option<f64>) -> f64 {
    match (knee, fraction) {
        (Some(knee), Some(fraction)) if knee > 0.0 => (fraction / knee).clamp(LEAST_SHARE, 1.0),
        _ => 1.0,
    }
}

impl Knee {
    /// Learns from an hour that is over, `growth` being the flat's own by the day (a logarithm). To be called only
    /// where the flat was left alone since the same hour a day before: a dome or a thinning would look like a knee.
    #[expect(clippy::cast_possible_truncation, reason = "f32 is what is kept")]
    pub fn observe(&mut self, record: &Record, hour: i32, growth: f64) {
        let Some((now, before)) = pair(record, hour) else { return };
        let least = CLEAR_OF_NOISE * std::f64::consts::SQRT_2 * record.edge_error();
        if now.rate <= least || before.rate <= least {
            return;
        }
        let seen = (now.rate / before.rate).ln() - growth;
        let without = seen.clamp(-MOST_FROM_ONE_HOUR, MOST_FROM_ONE_HOUR).powi(2);
        for (gained, knee) in self.gained.iter_mut().zip(tried()) {
            let expected = (share(Some(knee), Some(now.fraction)) / share(Some(knee), Some(before.fraction))).ln();
            let with = (seen - expected).clamp(-MOST_FROM_ONE_HOUR, MOST_FROM_ONE_HOUR).powi(2);
            *gained = ((f64::from(*gained) + without - with) * KEPT_EACH_HOUR) as f32;
        }
        let driest = now.fraction.min(before.fraction) as f32;
        self.driest = Some(self.driest.map_or(driest, |known| known.min(driest)));
    }

    /// The knee, once it was seen.
    pub fn found(&self) -> Option<f64> {
        let driest = f64::from(self.driest?);
        let (gained, knee) = self.gained.iter().zip(tried()).max_by(|one, other| one.0.total_cmp(other.0))?;
        (f64::from(*gained) >= BELIEVED && share(Some(knee), Some(driest)) <= SEEN_DOWN_TO).then_some(knee)
    }
}

struct Seen {
    rate: f64,
    fraction: f64,
}

/// This hour and the same a day before.
fn pair(record: &Record, hour: i32) -> Option<(Seen, Seen)> {
    let seen = |hour| Some(Seen { rate: record.rate(hour)?, fraction: record.fraction(hour)? });
    Some((seen(hour)?, seen(hour - 24)?))
}
