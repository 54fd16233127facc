//! What the plants weigh: seen at each drained soak, told by the grower, and carried on in between by a growth curve.
//!
//! The curve is the expolinear one (Goudriaan & Monteith 1990, Annals of Botany 66:695-701; from memory): exponential
//! growth that passes into linear growth, F(t) = (c/r) ln(1 + e^(r (t − tb))), with c grams a day, r a day, and tb the
//! day at which the linear part would begin. Here it may come to an end as well: the same function from te on is taken off
//! again, so that a crop whose growth slows down is followed too. Only the growth since the band's beginning counts.
//!
//! One to eight points do not settle four numbers. So every shape of a coarse grid is weighed by what usual crops do and by
//! how well it goes through the points, its c by least squares drawn towards the usual one, and the growth that is expected
//! is the mean of all of them; how far they differ is its uncertainty. The newest point is always met exactly: what was
//! weighed goes before any curve.

use crate::moment::{Span, Wall};
use crate::units::{Grams, Words};
use serde::{Deserialize, Serialize};

/// So many points are kept.
const MOST_POINTS: usize = 8;
/// A point so soon after the last of its kind is the same one, put right.
const SAME_POINT: Span = Span::hours(1);
/// What a soak tells a mass to: repeated soaks differ by some grams, and by so much of the band (a judgement).
const SOAK_ERROR: f64 = 3.0;
const SOAK_ERROR_OF_BAND: f64 = 0.006;
/// What a person's number is good to, as a share of it.
const TOLD_ERROR: f64 = 0.1;
/// No crop follows a formula: an older point binds the curve to so much of what has grown since.
const CROP_OFF_CURVE: f64 = 0.05;
/// The tolerance of a soak: the larger of so much of the band, of grams, and of standard errors of a weight.
const TOLERANCE_OF_BAND: f64 = 0.02;
const TOLERANCE: f64 = 15.0;
const TOLERANCE_ERRORS: f64 = 3.0;
/// A first soak may correct a capacity downwards by so much of the band (a judgement).
const MOST_CORRECTED: f64 = 0.25;
/// Nothing in a tray gains more in a day, as a share of the band. Field crops in full light make 15 to 25 g of dry matter a m²
/// and day (from memory), thus up to some 250 g fresh: on the 0.14 m² of a 1020 tray 35 g, of a band of 1600 g 2.2 %.
const FASTEST_OF_BAND: f64 = 0.03;

/// Exponential rates tried, by the day; the usual one, and by what factor e^±x it differs from crop to crop.
const RATES: [f64; 3] = [0.15, 0.22, 0.32];
const USUAL_RATE: f64 = 0.22;
const RATE_SPREAD: f64 = 0.35;
/// Days after sowing at which linear growth begins: tried from −6 on in steps of 4 days; usual, and give or take.
const ONSETS: usize = 13;
const FIRST_ONSET: f64 = -6.0;
const ONSET_STEP: f64 = 4.0;
const USUAL_ONSET: f64 = 18.0;
const ONSET_SPREAD: f64 = 9.0;
/// Days that the linear part lasts; the last never ends, and counts for two.
const LASTS: [f64; 4] = [8.0, 14.0, 24.0, 1000.0];
/// Grams a day in linear growth, as a share of the band: usual (give or take as much). 60 g/m² and day (the usual flat of `sim`) on a
/// 1020 tray with a band of 1600 g is 0.0054.
const USUAL_GAIN: f64 = 0.005;

/// The days ahead for which growth is worked out; straight on in between, and beyond.
const DAYS: [f64; 11] = [0.0, 1.0, 2.0, 4.0, 6.0, 8.0, 10.0, 14.0, 20.0, 30.0, 45.0];

/// What the plants weighed at one time.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Point {
    at: Wall,
    mass: Grams,
    /// By the grower, not by a soak.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    told: bool,
    /// The share of the plants that were still there: what is left of them is taken to have grown as all did, so older
    /// masses count by it.
    #[serde(default = "all", skip_serializing_if = "is_all")]
    left: f32,
}

const fn all() -> f32 {
    1.0
}

#[expect(
    clippy::trivially_copy_pass_by_ref,
    clippy::float_cmp,
    reason = "as serde wants it; 1 is written as it is read"
)]
fn is_all(left: &f32) -> bool {
    *left == all()
}

/// All that is known of the mass that has grown since the band was recorded; at least one point.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Plants {
    /// When nothing had grown yet.
    zero: Wall,
    /// Days from sowing to then.
    age: f32,
    points: Vec<Point>,
}

/// When the growth of a band's plants begins.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seedtime {
    /// When the band began, and nothing had grown.
    pub zero: Wall,
    /// When it was sown, where that is known.
    pub sown: Option<Wall>,
}

/// What the plants weigh at a time.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Grown {
    /// Fresh mass since the band was recorded; never below 0.
    pub mass: Grams,
    /// Its standard uncertainty.
    pub error: Grams,
}

impl Plants {
    /// Adds what was seen or told; `before` is what was known, `expected` what the curve had said.
    ///
    /// Where plants are gone (a mass below the last one by more than the tolerance), those that are left are taken to have
    /// grown as all did.
    #[must_use]
    pub fn with(before: Option<&Self>, seed: Seedtime, weighed: Weighing, expected: Grams) -> Self {
        let Weighing { at, mass, told, tolerance } = weighed;
        let mass = mass.max(Grams::ZERO);
        let mut plants = before.cloned().unwrap_or_else(|| Self::since(seed));
        let last = plants.points.last().copied();
        let at = last.map_or(at, |last| at.max(last.at));
        let mut left = all();
        if let Some(last) = last {
            if at.since(last.at) < SAME_POINT && last.told == told {
                plants.points.pop();
                left = last.left;
            } else if mass < last.mass - tolerance {
                left = share(mass / expected.max(last.mass));
            }
        }
        plants.points.push(Point { at, mass, told, left });
        if plants.points.len() > MOST_POINTS {
            plants.drop_one();
        }
        plants
    }

    #[expect(clippy::cast_possible_truncation, reason = "f32 is what is kept")]
    fn since(seed: Seedtime) -> Self {
        let age = seed.sown.map_or(0.0, |sown| seed.zero.since(sown).as_days());
        Self { zero: seed.zero, age: age as f32, points: Vec::with_capacity(1) }
    }

    /// Drops the point between two others that lie nearest together.
    fn drop_one(&mut self) {
        let gap = |place: &usize| match (self.points.get(place - 1), self.points.get(place + 1)) {
            (Some(before), Some(after)) => after.at.since(before.at),
            _ => Span::from_millis(i64::MAX),
        };
        let least = (1..self.points.len().saturating_sub(1)).min_by_key(gap);
        if let Some(least) = least {
            let dropped = self.points.remove(least);
            if let Some(next) = self.points.get_mut(least) {
                next.left *= dropped.left;
            }
        }
    }

    /// Without what the grower told; `None` where nothing is left.
    #[must_use]
    pub fn without_told(&self) -> Option<Self> {
        let seen: Vec<Point> = self.points.iter().copied().filter(|point| !point.told).collect();
        (!seen.is_empty()).then_some(Self { points: seen, ..*self })
    }

    /// Weights follow a corrected span.
    pub fn rescale(&mut self, factor: f64) {
        for point in &mut self.points {
            point.mass = Grams::checked(point.mass.get() * factor).unwrap_or(point.mass).max(Grams::ZERO);
        }
    }

    /// The newest point.
    fn last(&self) -> Option<Point> {
        self.points.last().copied()
    }
}

#[expect(clippy::cast_possible_truncation, reason = "f32 is what is kept")]
fn share(left: f64) -> f32 {
    left.clamp(0.0, 1.0) as f32
}

/// A mass, when and how it was come by.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Weighing {
    /// When.
    pub at: Wall,
    /// The plants' fresh mass since the band was recorded.
    pub mass: Grams,
    /// Whether a person told it.
    pub told: bool,
    /// By how much soaks may differ; see [`tolerance`].
    pub tolerance: Grams,
}

/// By how much one soak may differ from another with nothing the matter: the larger of 2 % of the band, 15 g and three
/// standard errors of a weight.
#[must_use]
pub fn tolerance(width: Grams, weight_error: Grams) -> Grams {
    (width * TOLERANCE_OF_BAND).max(Grams::new(TOLERANCE)).max(weight_error * TOLERANCE_ERRORS)
}

/// What speaks against a soak.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum OddSoak {
    /// It ended so far below capacity.
    Short(Grams),
    /// It ended so far above capacity: more than plants can have grown.
    Heavy(Grams),
}

impl OddSoak {
    /// Whether plants can have brought a soaked flat to `above` over its capacity; the last known mass being `last`, so long
    /// ago.
    #[must_use]
    pub fn check(above: Grams, last: Grams, ago: Span, width: Grams, tolerance: Grams) -> Option<Self> {
        let days = ago.as_days().max(0.0);
        let most = last + width * (FASTEST_OF_BAND * days) + tolerance;
        if above < Grams::ZERO - tolerance {
            Some(Self::Short(Grams::ZERO - above))
        } else if above > most.min(width) {
            Some(Self::Heavy(above))
        } else {
            None
        }
    }

    /// Whether a new capacity would take more than a quarter from the band it corrects: then it was not soaked.
    #[must_use]
    pub fn check_correction(above: Grams, width: Grams) -> Option<Self> {
        (above < width * -MOST_CORRECTED).then_some(Self::Short(Grams::ZERO - above))
    }

    /// What happened, what it may be, and the one thing to do.
    #[must_use]
    pub fn text(self, words: Words) -> String {
        match self {
            Self::Short(by) => format!(
                "the soak ended {} below the recorded capacity, and nothing was recorded. It was not soaked through, or mix \
                 or cells are gone since. Soak it again with record-capacity; if mix or cells are gone, forget-band first.",
                words.weight(by)
            ),
            Self::Heavy(by) => format!(
                "the soak ended {} above the recorded capacity, more than plants can have grown, and nothing was recorded. \
                 Water stood in its tray, something else was on the stand, or its capacity was recorded too low. Soak it again \
                 with an empty tray (record-capacity); if its capacity is wrong, forget-band first.",
                words.weight(by)
            ),
        }
    }
}

/// The growth expected from the newest point on: worked out once for each point.
#[derive(Debug, Clone, PartialEq)]
pub struct Growth {
    last: Point,
    oldest: Point,
    count: usize,
    width: Grams,
    /// For each of [`DAYS`]: what will have been gained, and the standard uncertainty of the mass.
    ahead: [(f32, f32); DAYS.len()],
}

impl Growth {
    /// Fits the curve to what is known, in a band of this width.
    #[must_use]
    pub fn fit(plants: &Plants, width: Grams) -> Option<Self> {
        let (last, oldest) = (plants.last()?, plants.points.first().copied()?);
        let ahead = Fit::new(plants, width.get()).ahead();
        Some(Self { last, oldest, count: plants.points.len(), width, ahead })
    }

    /// Whether it was fitted to these.
    #[must_use]
    pub fn is_of(&self, plants: &Plants, width: Grams) -> bool {
        plants.last() == Some(self.last)
            && plants.points.first() == Some(&self.oldest)
            && plants.points.len() == self.count
            && width == self.width
    }

    /// When the newest point was, and its mass.
    #[must_use]
    pub fn last(&self) -> (Wall, Grams) {
        (self.last.at, self.last.mass)
    }

    /// What the plants weigh at a time; before the newest point what they weighed then. Never falls as time goes on, and
    /// never outgrows the band.
    #[must_use]
    pub fn at(&self, at: Wall) -> Grown {
        let days = at.since(self.last.at).as_days().clamp(0.0, 1000.0);
        let after = DAYS.iter().position(|day| *day > days).unwrap_or(DAYS.len() - 1).max(1);
        let node = |place: usize| {
            let (gained, error) = self.ahead.get(place).copied().unwrap_or_default();
            (DAYS.get(place).copied().unwrap_or(0.0), f64::from(gained), f64::from(error))
        };
        let ((from, gained, error), (to, then, error_then)) = (node(after - 1), node(after));
        let share = (days - from) / (to - from);
        let most = self.width.max(self.last.mass);
        let mass = (self.last.mass + Grams::new(gained + (then - gained) * share)).min(most);
        Grown { mass, error: Grams::new(error + (error_then - error) * share) }
    }
}

/// One shape of growth, for c = 1, its c with the standard error of that, and what it counts.
#[derive(Debug, Clone, Copy)]
struct Shape {
    rate: f64,
    onset: f64,
    end: f64,
    gain: f64,
    gain_error: f64,
    counts: f64,
}

impl Shape {
    /// What has grown by day `t`, for c = 1.
    fn by(&self, t: f64) -> f64 {
        (soft(self.rate * (t - self.onset)) - soft(self.rate * (t - self.end))) / self.rate
    }
}

/// ln(1 + e^x), without overflow.
fn soft(x: f64) -> f64 {
    x.max(0.0) + (-x.abs()).exp().ln_1p()
}

struct Fit {
    shapes: Vec<Shape>,
    /// Day of the newest point.
    day: f64,
    /// The standard error of the newest point.
    error: f64,
    /// Nothing was seen growing yet.
    bare: bool,
}

impl Fit {
    fn new(plants: &Plants, width: f64) -> Self {
        let last = plants.last().map_or(0.0, |point| point.mass.get());
        let soak = SOAK_ERROR.hypot(SOAK_ERROR_OF_BAND * width);
        let error = |point: &Point| if point.told { soak.max(TOLD_ERROR * point.mass.get()) } else { soak };
        // Day since the band's beginning, mass of what is left of the plants, and variance.
        let mut left = 1.0;
        let mut points: Vec<(f64, f64, f64)> = plants
            .points
            .iter()
            .rev()
            .map(|point| {
                let mass = point.mass.get() * left;
                left *= f64::from(point.left);
                let off = CROP_OFF_CURVE * (last - mass);
                let day = point.at.since(plants.zero).as_days().clamp(0.0, 1000.0);
                (day, mass, error(point).powi(2) + off * off)
            })
            .collect();
        points.reverse();
        let mut fit = Self {
            shapes: shapes(f64::from(plants.age).clamp(-100.0, 1000.0)),
            day: points.last().map_or(0.0, |(day, ..)| *day),
            error: plants.last().as_ref().map_or(0.0, error),
            bare: last <= 0.0,
        };
        for shape in &mut fit.shapes {
            shape.weigh(&points, width);
        }
        fit.normalise();
        fit
    }

    /// From logarithms of what the shapes count to shares of 1.
    fn normalise(&mut self) {
        let most = self.shapes.iter().map(|shape| shape.counts).fold(f64::NEG_INFINITY, f64::max);
        for shape in &mut self.shapes {
            shape.counts = (shape.counts - most).exp();
        }
        let sum: f64 = self.shapes.iter().map(|shape| shape.counts).sum();
        for shape in &mut self.shapes {
            shape.counts /= sum;
        }
    }

    /// What will have been gained since the newest point, and how sure the mass is, for each of [`DAYS`].
    #[expect(clippy::cast_possible_truncation, reason = "grams keep their tenths in an f32")]
    fn ahead(&self) -> [(f32, f32); DAYS.len()] {
        let mut least = 0.0_f64;
        DAYS.map(|days| {
            let gains = || self.shapes.iter().map(|shape| (shape, shape.by(self.day + days) - shape.by(self.day)));
            let mean: f64 = gains().map(|(shape, grown)| shape.counts * shape.gain * grown).sum();
            let spread: f64 = gains()
                .map(|(shape, grown)| {
                    shape.counts * ((shape.gain * grown - mean).powi(2) + (shape.gain_error * grown).powi(2))
                })
                .sum();
            let error = (spread + self.error * self.error).sqrt();
            least = least.max(mean);
            // Where no plants were seen yet, none are made up; but some may have come.
            if self.bare { (0.0, error.max(least) as f32) } else { (least as f32, error as f32) }
        })
    }
}

impl Shape {
    /// Its c by least squares, drawn towards the usual one, and what it counts (a logarithm) by how well it goes through the
    /// points: linear regression with a normal prior, its marginal likelihood in closed form.
    fn weigh(&mut self, points: &[(f64, f64, f64)], width: f64) {
        let (usual, spread) = (USUAL_GAIN * width, USUAL_GAIN * width);
        let prior = 1.0 / (spread * spread);
        let (mut a, mut b, mut q) = (prior, usual * prior, usual * usual * prior);
        let at_zero = self.by(0.0);
        for (day, mass, variance) in points {
            let grown = self.by(*day) - at_zero;
            a += grown * grown / variance;
            b += grown * mass / variance;
            q += mass * mass / variance;
        }
        self.gain = (b / a).clamp(0.0, FASTEST_OF_BAND * width);
        self.gain_error = a.sqrt().recip();
        self.counts -= 0.5 * (q - b * b / a) + 0.5 * (a / prior).ln();
    }
}

/// All shapes that are tried, with what they count by themselves (a logarithm); days count from the band's beginning, `age`
/// days after sowing.
fn shapes(age: f64) -> Vec<Shape> {
    let mut shapes = Vec::with_capacity(RATES.len() * ONSETS * LASTS.len());
    for rate in RATES {
        let unusual = (rate / USUAL_RATE).ln() / RATE_SPREAD;
        let mut onset = FIRST_ONSET;
        for _ in 0..ONSETS {
            let late = (onset - USUAL_ONSET) / ONSET_SPREAD;
            for lasts in LASTS {
                let open = if lasts > 100.0 { std::f64::consts::LN_2 } else { 0.0 };
                let counts = open - 0.5 * (unusual * unusual + late * late);
                let (onset, end) = (onset - age, onset - age + lasts);
                shapes.push(Shape { rate, onset, end, gain: 0.0, gain_error: 0.0, counts });
            }
            onset += ONSET_STEP;
        }
    }
    shapes
}

#[cfg(test)]
mod tests {
    use super::*;

    const WIDTH: Grams = Grams::new(1600.0);

    fn day(days: f64) -> Wall {
        Wall::from_millis(1_700_000_000_000) + Span::from_seconds(days * 86_400.0)
    }

    fn grown(points: &[(f64, f64)]) -> Plants {
        let seed = Seedtime { zero: day(0.0), sown: Some(day(0.0)) };
        let mut plants: Option<Plants> = None;
        for (at, mass) in points {
            let weighing = Weighing { at: day(*at), mass: Grams::new(*mass), told: false, tolerance: Grams::new(32.0) };
            plants = Some(Plants::with(plants.as_ref(), seed, weighing, Grams::new(*mass)));
        }
        plants.unwrap()
    }

    /// Goudriaan & Monteith's curve with the constants of the usual flat of `sim`.
    fn expolinear(t: f64) -> f64 {
        let (c, r, tb) = (60.0 * 0.143, 0.25, 18.0);
        c / r * soft(r * (t - tb))
    }

    #[test]
    fn the_newest_point_is_met_and_growth_goes_on_from_it() {
        let plants = grown(&[(10.0, expolinear(10.0)), (20.0, expolinear(20.0)), (30.0, expolinear(30.0))]);
        let growth = Growth::fit(&plants, WIDTH).unwrap();
        assert!((growth.at(day(30.0)).mass.get() - expolinear(30.0)).abs() < 1e-9);
        let ahead = growth.at(day(40.0));
        assert!((ahead.mass.get() - expolinear(40.0)).abs() < 12.0, "{ahead:?} against {}", expolinear(40.0));
        assert!(growth.at(day(50.0)).error > ahead.error && ahead.error > growth.at(day(30.0)).error);
    }

    #[test]
    fn growth_that_slows_down_is_not_carried_straight_on() {
        // A logistic crop of 250 g with r = 0.2, seen at 10 … 40 days.
        let logistic = |t: f64| 250.0 / (1.0 + 249.0 * (-0.2 * t).exp());
        let plants = grown(&[10.0, 20.0, 30.0, 40.0].map(|t| (t, logistic(t) - logistic(0.0))));
        let gain = Growth::fit(&plants, WIDTH).unwrap().at(day(50.0)).mass.get() - (logistic(40.0) - logistic(0.0));
        let straight_on = logistic(40.0) - logistic(30.0);
        assert!(gain < 0.8 * straight_on, "{gain} against {straight_on}");
    }

    #[test]
    fn where_no_plants_were_seen_none_are_made_up() {
        let growth = Growth::fit(&grown(&[(10.0, 0.0)]), WIDTH).unwrap();
        assert_eq!(growth.at(day(25.0)).mass, Grams::ZERO);
        assert!(growth.at(day(25.0)).error > growth.at(day(10.0)).error);
    }

    #[test]
    fn thinned_plants_grow_as_a_part_of_all() {
        let all = [(10.0, 8.0), (20.0, 30.0), (30.0, 104.0)];
        let thinned = grown(&[all[0], all[1], all[2], (31.0, 52.0)]);
        let half = grown(&[(10.0, 4.0), (20.0, 15.0), (30.0, 52.0), (31.0, 52.0)]);
        let mass = |plants: &Plants| Growth::fit(plants, WIDTH).unwrap().at(day(45.0)).mass.get();
        assert!((mass(&thinned) - mass(&half)).abs() < 1e-3, "{} against {}", mass(&thinned), mass(&half));
    }

    #[test]
    fn eight_points_are_kept_the_first_and_the_last_among_them() {
        let points: Vec<(f64, f64)> = (1..=12).map(|n| (f64::from(n) * 5.0, f64::from(n) * 20.0)).collect();
        let plants = grown(&points);
        assert_eq!(plants.points.len(), MOST_POINTS);
        assert_eq!((plants.points[0].at, plants.points[7].at), (day(5.0), day(60.0)));
    }
}
