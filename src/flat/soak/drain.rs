//! The end of dripping: when a falling weight falls by drying alone, and what it was when the dripping stopped.
//!
//! A mix that holds more water than its capacity loses the excess in proportion to it (time constant τ) and dries
//! all along at a rate e, so that its weight w follows w' = −(w − C)/τ − e above the capacity C, and w' = −e below.
//! With s the instant at which it passes C:
//!
//! * before s: w = C + e·τ·(exp((s − t)/τ) − 1)
//! * after s: w = C − e·(t − s)
//!
//! For given τ and s that is linear in C and e, so the fit is a search over two numbers. While it still drips, the
//! curve alone is an exponential whose end (Aitken's w∞ of three equally spaced weights) is C − e·τ; what is known
//! about e puts C above it.

use serde::{Deserialize, Serialize};

/// The mean of the weights of a minute.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(super) struct Point {
    /// Seconds since the track began.
    pub t: f64,
    /// Grams.
    pub w: f64,
    /// How many weights it is the mean of.
    pub n: f64,
}

/// The weights since the last pass of water, minute by minute; its length is bounded.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(super) struct Track {
    points: Vec<Point>,
    /// How many seconds a point covers.
    step: f64,
}

/// A watch that takes longer (a stand that was silent for hours) thins its track.
const MOST_POINTS: usize = 120;

impl Track {
    pub fn new() -> Self {
        Self { points: Vec::new(), step: 60.0 }
    }

    pub fn points(&self) -> &[Point] {
        &self.points
    }

    /// Adds a weight; whether a new point began with it.
    pub fn push(&mut self, t: f64, w: f64) -> bool {
        let step = self.step.max(1.0);
        if let Some(last) = self.points.last_mut()
            && (last.t / step).floor() >= (t / step).floor()
        {
            last.n += 1.0;
            last.t += (t - last.t) / last.n;
            last.w += (w - last.w) / last.n;
            return false;
        }
        if self.points.len() >= MOST_POINTS {
            self.thin();
        }
        self.points.push(Point { t, w, n: 1.0 });
        true
    }

    fn thin(&mut self) {
        self.step *= 2.0;
        self.points = self.points.chunks(2).map(merged).collect();
    }
}

fn merged(points: &[Point]) -> Point {
    let n: f64 = points.iter().map(|point| point.n).sum();
    let mean = |of: fn(&Point) -> f64| points.iter().map(|point| of(point) * point.n).sum::<f64>() / n;
    Point { t: mean(|point| point.t), w: mean(|point| point.w), n }
}

/// A rate of fall and its standard error, in grams a second.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Fall {
    pub rate: f64,
    pub error: f64,
}

/// How fast the weight fell between two times, by least squares; `noise` is that of a single weight.
pub(super) fn fall(points: &[Point], from: f64, to: f64, noise: f64) -> Option<Fall> {
    let inside = || points.iter().filter(|point| point.t >= from && point.t <= to);
    let n: f64 = inside().map(|point| point.n).sum();
    if inside().count() < 3 {
        return None;
    }
    let mean_t = inside().map(|point| point.t * point.n).sum::<f64>() / n;
    let mean_w = inside().map(|point| point.w * point.n).sum::<f64>() / n;
    let tt: f64 = inside().map(|point| point.n * (point.t - mean_t).powi(2)).sum();
    let tw: f64 = inside().map(|point| point.n * (point.t - mean_t) * (point.w - mean_w)).sum();
    (tt > 0.0).then(|| Fall { rate: -tw / tt, error: noise / tt.sqrt() })
}

/// The points from the last one that is as high as the highest, within `even`, if it falls faster than `drips`
/// (grams a second) from there; else all.
pub(super) fn from_its_fall(points: &[Point], even: f64, drips: f64) -> &[Point] {
    let highest = points.iter().map(|point| point.w).fold(f64::MIN, f64::max);
    let Some(knee) = points.iter().rposition(|point| point.w >= highest - even) else { return points };
    match points.get(knee..) {
        Some(rest @ [first, _, _, fourth, ..]) if (first.w - fourth.w) / (fourth.t - first.t) > drips => rest,
        _ => points,
    }
}

/// What is known about drying beforehand, in grams a second.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Drying {
    pub rate: f64,
    pub error: f64,
}

/// The curve that fits a track best.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Drain {
    /// C, in grams.
    pub capacity: f64,
    /// e, in grams a second.
    pub drying: f64,
    /// τ, in seconds.
    pub tau: f64,
    /// s, in seconds since the track began.
    pub stops: f64,
}

impl Drain {
    /// What will still drip after `t`, in grams.
    pub fn left_at(&self, t: f64) -> f64 {
        if t < self.stops { self.drying * shape(t, self.tau, self.stops) } else { 0.0 }
    }
}

/// w = C + e · shape.
fn shape(t: f64, tau: f64, stops: f64) -> f64 {
    // The exponent is bounded so that a search far off stays finite.
    if t < stops { tau * (((stops - t) / tau).min(40.0).exp() - 1.0) } else { stops - t }
}

const SLOWEST_DRYING: f64 = 0.5 / 3600.0;
const FASTEST_DRYING: f64 = 180.0 / 3600.0;
const LEAST_TAU: f64 = 20.0;
const MOST_TAU: f64 = 2400.0;
/// Where τ is looked for while the weights do not tell: 190 s, within a factor of 2.5. Mixes drain with a τ of 60
/// to 600 s.
const USUAL_TAU: f64 = 190.0;
const USUAL_SPREAD: f64 = 0.9;
/// e^12 times what dries in one τ: more than a flat can hold in excess.
const MOST_TAUS: f64 = 12.0;

/// Fits the curve to a track of at least three points; `noise` is that of a single weight.
pub(super) fn fit(points: &[Point], drying: Drying, noise: f64) -> Option<Drain> {
    let first = search(points, drying, noise)?;
    // A hand on the stand for a minute spoils a point: what lies far off the curve is left out, once.
    let scale = spread(points, &first).max(noise / 2.0);
    let near: Vec<Point> =
        points.iter().copied().filter(|point| (point.w - value(&first, point.t)).abs() < 4.0 * scale).collect();
    if near.len() == points.len() || near.len() < points.len() * 3 / 4 {
        return Some(first);
    }
    search(&near, drying, noise).or(Some(first))
}

fn value(drain: &Drain, t: f64) -> f64 {
    drain.capacity + drain.drying * shape(t, drain.tau, drain.stops)
}

/// The median distance from the curve, as a standard deviation.
fn spread(points: &[Point], drain: &Drain) -> f64 {
    let mut off: Vec<f64> = points.iter().map(|point| (point.w - value(drain, point.t)).abs()).collect();
    off.sort_by(f64::total_cmp);
    off.get(off.len() / 2).copied().unwrap_or(0.0) * 1.4826
}

/// Searches τ and s, by their logarithm and by how many τ the dripping lasts: along either the fit is nearly even.
fn search(points: &[Point], drying: Drying, noise: f64) -> Option<Drain> {
    let first = points.first()?.t;
    if points.len() < 3 {
        return None;
    }
    let trial = |(tau, taus): (f64, f64)| {
        let tau = tau.exp().clamp(LEAST_TAU, MOST_TAU);
        solve(points, tau, first + tau * taus.clamp(0.0, MOST_TAUS), drying, noise)
    };
    let grid = (0..=16).flat_map(|i| (0..=24).map(move |j| (f64::from(i) / 16.0, f64::from(j) / 24.0)));
    let mut at = grid
        .map(|(i, j)| (LEAST_TAU.ln() + (MOST_TAU / LEAST_TAU).ln() * i, MOST_TAUS * j))
        .map(|at| (trial(at).0, at))
        .min_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, at)| at)?;
    let (mut cost, mut drain) = trial(at);
    let (mut by, mut step) = (0.15, 0.25);
    for _ in 0..60 {
        let moves =
            [(by, 0.0), (-by, 0.0), (0.0, step), (0.0, -step), (by, -step), (-by, step), (by, step), (-by, -step)];
        let tried = moves.into_iter().map(|(tau, taus)| (at.0 + tau, at.1 + taus));
        let best = tried.map(|at| (trial(at), at)).min_by(|a, b| a.0.0.total_cmp(&b.0.0));
        match best {
            Some((found, to)) if found.0 < cost => ((cost, drain), at) = (found, to),
            _ => (by, step) = (by / 2.0, step / 2.0),
        }
        if by < 0.002 {
            break;
        }
    }
    Some(drain)
}

/// The best C and e for given τ and s, with what was known about e counting as one more measurement.
fn solve(points: &[Point], tau: f64, stops: f64, known: Drying, noise: f64) -> (f64, Drain) {
    // Beside the noise of weighing, slow drift makes a mean of many weights no better than this.
    const DRIFT: f64 = 0.2;
    let weight = |point: &Point| 1.0 / (noise * noise / point.n + DRIFT * DRIFT);
    let (mut s, mut sw, mut sg) = (0.0, 0.0, 0.0);
    for point in points {
        let k = weight(point);
        s += k;
        sw += k * point.w;
        sg += k * shape(point.t, tau, stops);
    }
    let (mean_w, mean_g) = (sw / s, sg / s);
    let prior = 1.0 / (known.error * known.error);
    let (mut gg, mut gw) = (prior, prior * known.rate);
    for point in points {
        let g = shape(point.t, tau, stops) - mean_g;
        gg += weight(point) * g * g;
        gw += weight(point) * g * (point.w - mean_w);
    }
    let drying = (gw / gg).clamp(SLOWEST_DRYING, FASTEST_DRYING);
    let capacity = mean_w - drying * mean_g;
    let off = |point: &Point| point.w - capacity - drying * shape(point.t, tau, stops);
    let cost = points.iter().map(|point| weight(point) * off(point).powi(2)).sum::<f64>()
        + prior * (drying - known.rate).powi(2)
        + ((tau / USUAL_TAU).ln() / USUAL_SPREAD).powi(2);
    (if cost.is_finite() { cost } else { f64::MAX }, Drain { capacity, drying, tau, stops })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn three_equally_spaced_weights_give_the_end_of_a_drain() {
        // Aitken's w∞ of 4128.9756, 4066.2183, 4033.9976 g, 120 s apart, is 4000.0 g, τ 180 s (computed).
        let points = [(60.0, 4128.9756), (180.0, 4066.2183), (300.0, 4033.9976)].map(|(t, w)| Point { t, w, n: 1.0 });
        let none = Drying { rate: SLOWEST_DRYING, error: 1e-6 };
        let drain = fit(&points, none, 0.1).unwrap();
        assert!((drain.capacity - 4000.0).abs() < 0.3, "{drain:?}");
        assert!((drain.tau - 180.0).abs() < 1.0, "{drain:?}");
    }

    #[test]
    fn a_straight_fall_is_drying_from_its_first_point_on() {
        let points: Vec<Point> =
            (0..30).map(|i| f64::from(i) * 60.0).map(|t| Point { t, w: 4500.0 - t / 180.0, n: 6.0 }).collect();
        let drain = fit(&points, Drying { rate: 30.0 / 3600.0, error: 10.0 / 3600.0 }, 0.5).unwrap();
        assert!((drain.drying * 3600.0 - 20.0).abs() < 1.0, "{drain:?}");
        assert!((drain.capacity - 4500.0).abs() < 1.0, "{drain:?}");
        assert!(drain.left_at(1740.0) < 0.1);
    }

    #[test]
    fn a_track_stays_short_and_keeps_its_mean() {
        let mut track = Track::new();
        for i in 0..60_000 {
            track.push(f64::from(i) * 10.0, 4000.0);
        }
        assert!(track.points().len() <= MOST_POINTS);
        assert!(track.points().iter().all(|point| (point.w - 4000.0).abs() < 1e-6));
    }
}
