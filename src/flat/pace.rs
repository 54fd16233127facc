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
}

/// What is known of a flat's pace before it has comparisons of its own.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Prior {
    /// Its logarithm, and the standard deviation of that.
    mean: f64,
    spread: f64,
    /// It counts like so many comparisons.
    count: f64,
    /// However often it was compared, the spread is no less.
    at_best: f64,
}

impl Prior {
    /// What is known by who leads alone.
    #[must_use]
    pub const fn of(leader: Leader) -> Self {
        match leader {
            // From the clock flats differ so much that one comparison says nearly all, and it knows of no weather.
            Leader::Clock => Self { mean: 0.0, spread: leader.spread(), count: 0.3, at_best: 0.2 },
            _ => Self { mean: 0.0, spread: leader.spread(), count: PRIOR, at_best: AT_BEST },
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
    pub fn ratio(&self, prior: &Prior) -> f64 {
        ((self.mean * self.n + prior.mean * prior.count) / (self.n + prior.count)).exp()
    }

    /// The standard error of what is expected to be lost, as a share of it.
    #[must_use]
    pub fn spread(&self, prior: &Prior) -> f64 {
        let before = prior.spread * prior.spread * prior.count;
        ((before + self.squares) / (self.n + prior.count)).sqrt().max(prior.at_best)
    }

    /// What a flat with a band of `band` grams has lost while its leader lost `leader` of its band, and the standard error.
    #[must_use]
    pub fn lost(&self, band: Grams, leader: Fraction, prior: &Prior) -> (Grams, Grams) {
        let expected = band * (leader.get().max(0.0) * self.ratio(prior));
        (expected, expected * self.spread(prior))
    }

    /// What its own comparisons say; `None` before the first.
    #[must_use]
    pub fn shown(&self, prior: &Prior) -> Option<Shown> {
        let scatter = self.spread(prior);
        (self.n > 0.0).then(|| Shown { log: self.mean, variance: scatter * scatter / self.n })
    }

    /// The same pace against another leader, which dries as `leader` says against the one before: their comparisons go on
    /// counting, the less, the less sure that is.
    #[must_use]
    pub fn against_another(&self, leader: Shown, prior: &Prior) -> Self {
        let Some(own) = self.shown(prior) else { return *self };
        let counts = own.variance / (own.variance + leader.variance);
        Self { n: self.n * counts, mean: self.mean - leader.log, squares: self.squares * counts }
    }
}

/// How much faster than a leader a flat was seen to dry, as a logarithm, and the variance of that.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shown {
    log: f64,
    variance: f64,
}

impl Shown {
    /// The leader itself.
    pub const ITSELF: Self = Self { log: 0.0, variance: 0.0 };

    /// Two flats on stands that lost these shares of their bands in the same `hours`. A day and a night of that say as much as
    /// can be said; `None` where it is too little.
    #[must_use]
    pub fn beside(own: Fraction, leader: Fraction, hours: f64) -> Option<Self> {
        let mut pace = Pace::default();
        let is_taken = pace.compare(own, leader);
        is_taken.then(|| Self { log: pace.mean, variance: AT_BEST * AT_BEST * (24.0 / hours).max(1.0) })
    }
}

/// What a flat's kin have shown against its leader, and so what is to be expected of it.
///
/// Let a flat's drying, as a logarithm, be that of the house plus independent normal deviations of its fill, of its batch within
/// that, and its own. Two flats of one batch then differ by 2 own², of one fill by 2 (own² + batch²), of a room by
/// 2 (own² + batch² + fill²): the squares of `Leader::spread`, which give the three. Of the house nothing is known, and the leader
/// itself is one of those whose pace is known (it is 1), so that what its neighbours show against it tells how odd it is by itself:
/// with n flats of the batch known exactly, the leader among them, the flat is expected at their mean, with the variance
/// own² (1 + 1/n); with the leader alone, at 1 with 2 own², as without kin.
///
/// What is known of each level is a product of normal densities, so precisions add up, and from one level to the next the variance
/// between them is added (on a tree that is best linear unbiased prediction, Henderson 1975; from memory). All other fills are
/// taken for one, and all other batches of the fill; where they are several, less is made of them than could be.
#[derive(Debug, Clone, Copy, Default)]
pub struct Kin {
    batch: Guess,
    fill: Guess,
    room: Guess,
}

impl Kin {
    /// What one of them has shown, and how near it is to the flat.
    pub fn hear(&mut self, kinship: Leader, shown: Shown) {
        let guess = match kinship {
            Leader::Batch => &mut self.batch,
            Leader::Fill => &mut self.fill,
            Leader::Room | Leader::Clock => &mut self.room,
        };
        *guess = guess.and(Guess::new(shown.log, shown.variance + OWN));
    }

    /// What is to be expected of the flat that `leader` leads.
    #[must_use]
    pub fn prior(&self, leader: Leader) -> Prior {
        let of_fill = self.fill.further(BATCHES).and(self.room.further(BATCHES + 2.0 * FILLS));
        let guess = self.batch.and(of_fill.further(BATCHES)).further(OWN);
        if guess.precision == 0.0 {
            return Prior::of(leader);
        }
        Prior { mean: guess.weighted / guess.precision, spread: guess.precision.recip().sqrt(), ..Prior::of(leader) }
    }
}

const fn square(of: f64) -> f64 {
    of * of
}

/// The variance of flats of one batch about it, of batches about their fill, and of fills.
const OWN: f64 = square(Leader::Batch.spread()) / 2.0;
const BATCHES: f64 = square(Leader::Fill.spread()) / 2.0 - OWN;
const FILLS: f64 = square(Leader::Room.spread()) / 2.0 - OWN - BATCHES;

/// A normal density: its precision, and its mean times that; nothing is known of it by default.
#[derive(Debug, Clone, Copy, Default)]
struct Guess {
    precision: f64,
    weighted: f64,
}

impl Guess {
    fn new(mean: f64, variance: f64) -> Self {
        Self { precision: variance.recip(), weighted: mean / variance }
    }

    fn and(self, other: Self) -> Self {
        Self { precision: self.precision + other.precision, weighted: self.weighted + other.weighted }
    }

    /// Of what differs from it by that variance.
    fn further(self, variance: f64) -> Self {
        let left = 1.0 / (1.0 + self.precision * variance);
        Self { precision: self.precision * left, weighted: self.weighted * left }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ROOM: Prior = Prior::of(Leader::Room);

    #[test]
    fn a_flat_that_dries_half_as_fast_again_is_known_for_it_after_a_few_weighings() {
        let mut pace = Pace::default();
        let first = pace.spread(&ROOM);
        for share in [0.2, 0.25, 0.18, 0.22] {
            assert!(pace.compare(Fraction::new(share * 1.5), Fraction::new(share)));
        }
        assert!((pace.ratio(&ROOM) - 1.5).abs() < 0.15, "{}", pace.ratio(&ROOM));
        assert!(pace.spread(&ROOM) < first / 1.5);
        let (lost, error) = pace.lost(Grams::new(1000.0), Fraction::new(0.2), &ROOM);
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

    /// So much faster than the leader, after this many comparisons.
    fn faster(ratio: f64, comparisons: usize) -> Pace {
        let mut pace = Pace::default();
        (0..comparisons).for_each(|_| assert!(pace.compare(Fraction::new(0.2 * ratio), Fraction::new(0.2))));
        pace
    }

    fn exactly(log: f64) -> Shown {
        Shown { log, variance: 0.0 }
    }

    fn heard(leader: Leader, kin: &[(Leader, Shown)]) -> Prior {
        let mut all = Kin::default();
        all.hear(leader, Shown::ITSELF);
        kin.iter().for_each(|(kinship, shown)| all.hear(*kinship, *shown));
        all.prior(leader)
    }

    fn assert_is(prior: Prior, mean: f64, variance: f64) {
        assert!((prior.mean - mean).abs() < 1e-12, "{prior:?}, not {mean}");
        assert!((prior.spread.powi(2) - variance).abs() < 1e-12, "{prior:?}, not ±√{variance}");
    }

    #[test]
    fn without_kin_a_flat_is_expected_to_dry_as_its_leader_as_far_as_who_that_is_tells() {
        for leader in [Leader::Batch, Leader::Fill, Leader::Room] {
            assert_is(heard(leader, &[]), 0.0, leader.spread().powi(2));
        }
        assert_eq!(Kin::default().prior(Leader::Clock), Prior::of(Leader::Clock));
    }

    #[test]
    fn a_batch_tells_how_odd_its_leader_is() {
        // By hand: the mean of four, the leader's 0 among them, and a quarter of one's own variance for that mean.
        let three = [0.2, 0.3, 0.4].map(|log| (Leader::Batch, exactly(log)));
        assert_is(heard(Leader::Batch, &three), 0.225, OWN * 1.25);
        // Who has been compared once says less.
        let once = faster(1.35, 1).shown(&Prior::of(Leader::Batch)).map(|shown| (Leader::Batch, shown));
        let prior = heard(Leader::Batch, &[once.unwrap()]);
        assert!(prior.mean > 0.05 && prior.mean < 0.15, "{prior:?}");
        assert!(prior.spread < Leader::Batch.spread() && prior.spread.powi(2) > 1.5 * OWN, "{prior:?}");
    }

    #[test]
    fn a_flat_of_another_fill_tells_as_much_as_the_covariance_says() {
        // Of normal variables: cov / var of what is heard; here the leader's own variance is all that both differences share.
        let (log, room) = (0.4, Leader::Room.spread().powi(2));
        assert_is(
            heard(Leader::Batch, &[(Leader::Room, exactly(log))]),
            log * OWN / room,
            2.0 * OWN - OWN * OWN / room,
        );
        // However many of them there are, their fill stays one.
        let hundred = heard(Leader::Batch, &[(Leader::Room, exactly(log)); 100]);
        assert!(hundred.mean < log * OWN / (room - OWN) + 1e-12, "{hundred:?}");
    }

    #[test]
    fn its_own_comparisons_outweigh_what_its_kin_have_shown() {
        let slower = heard(Leader::Batch, &[(Leader::Batch, exactly(-0.4)); 20]);
        let mut off = Pace::default().ratio(&slower) - 1.5;
        for comparisons in 1..=6 {
            let now = faster(1.5, comparisons).ratio(&slower) - 1.5;
            assert!(now.abs() < off.abs(), "{comparisons}: {now}");
            off = now;
        }
        assert!(off.abs() < 0.2 && faster(1.5, 1).ratio(&slower) > 1.0, "{off}");
    }

    #[test]
    fn under_another_leader_it_keeps_its_pace_less_surely() {
        let pace = faster(1.5, 4);
        let beside = Shown::beside(Fraction::new(0.36), Fraction::new(0.3), 24.0).unwrap();
        let against = pace.against_another(beside, &ROOM);
        // Half as fast again as the one, which dries 1.2 times as slowly as the other.
        assert!(
            (against.mean.exp() - 1.25).abs() < 1e-12 && against.n < pace.n && against.n > 0.7 * pace.n,
            "{against:?}"
        );
        let hardly = Shown::beside(Fraction::new(0.12), Fraction::new(0.1), 6.0).unwrap();
        assert!(pace.against_another(hardly, &ROOM).n < against.n);
        assert_eq!(Pace::default().against_another(beside, &ROOM), Pace::default());
        assert_eq!(Shown::beside(Fraction::new(0.02), Fraction::new(0.02), 48.0), None, "too little");
    }
}
