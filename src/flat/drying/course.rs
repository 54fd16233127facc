//! How drying goes on from what is known: yesterday's hours, a trend from day to day, the knee.
//!
//! The constants were fitted on 16 of the 33 pots of a public recording (`tests/data/README.md`; the 2nd, 4th … in
//! name order) and measured on the other 17 with `examples/forecast_skill.rs`. All are without a unit: the pots of the
//! recording lose 2 to 16 g a day, a flat a hundred times that.

use super::knee::share;
use super::record::{KEPT, Record, whole};

/// What a flat uses more each day before its own growth is known, as a logarithm.
pub const USUAL_GROWTH: f64 = 0.11;
/// The trend is the ratio of so many hours to the same hours the day before.
pub const TREND_HOURS: i32 = 18;
/// It is drawn towards the growth as if so many hours had shown that.
const GROWTH_COUNTS_HOURS: f64 = 1.0;
/// A decline below growth by less than this is nothing …
const DECLINE_SLACK: f64 = 0.05;
/// … or by less than so many times what this flat's trend is off from its growth on most days …
const DECLINE_SCATTERS: f64 = 1.5;
/// … and what goes beyond comes again, so many times, in the coming day: a flat short of water declines ever faster.
const DECLINE_GOES_ON: f64 = 2.0;
/// Of a rise above growth, this part is expected to last.
const RISE_LASTS: f64 = 0.5;
/// Each day has this part of the trend of the day before it.
const DAMPED: f64 = 0.5;
/// The trend is kept within these logarithms: what is beyond is a false weight or a visit unseen.
const TREND_SEEN: (f64, f64) = (-0.8, 0.6);
/// The steepest decline that is expected.
const STEEPEST: f64 = -1.0;
/// A noisy ratio counts less: its standard error (a logarithm) at which it counts half.
const NOISE_HALVES: f64 = 0.15;

/// What the last hours say against the same hours a day before.
#[derive(Debug, Clone, Copy)]
pub struct Ratio {
    /// The logarithm of it.
    pub log: f64,
    /// How many hours it rests upon.
    pub hours: f64,
    /// Its standard error by the noise of the weights.
    pub error: f64,
}

/// The demand in an hour: its rate, less what the knee took from it.
pub fn demand(record: &Record, knee: Option<f64>, hour: i32) -> Option<f64> {
    Some(record.rate(hour)? / share(knee, knee.and_then(|_| record.fraction(hour))))
}

/// The last hours up to `now` against the day before.
pub fn ratio(record: &Record, knee: Option<f64>, now: i32) -> Option<Ratio> {
    let (mut today, mut yesterday, mut hours) = (0.0, 0.0, 0.0);
    for hour in (now - TREND_HOURS)..=now {
        if let (Some(late), Some(early)) = (demand(record, knee, hour), demand(record, knee, hour - 24)) {
            let weight = record.covered(hour).min(1.0);
            today += late * weight;
            yesterday += early * weight;
            hours += weight;
        }
    }
    if today <= 0.0 || yesterday <= 0.0 {
        return None;
    }
    let noise = record.edge_error() * std::f64::consts::SQRT_2;
    let error = ((noise / today).powi(2) + (noise / yesterday).powi(2)).sqrt();
    Some(Ratio { log: (today / yesterday).ln().clamp(TREND_SEEN.0, TREND_SEEN.1), hours, error })
}

/// What is expected of the next day against the last.
#[derive(Debug, Clone, Copy)]
pub struct Trend {
    /// The logarithm of the ratio.
    pub log: f64,
    /// How far it lies below growth, beyond all slack.
    pub decline: f64,
}

/// The trend, from the ratio and from what is usual with this flat. With a knee, that explains declines instead.
pub fn trend(ratio: Option<Ratio>, growth: f64, scatter: f64, knee: Option<f64>) -> Trend {
    let Some(ratio) = ratio else { return Trend { log: growth, decline: 0.0 } };
    let counts = ratio.hours / (ratio.hours * (1.0 + (ratio.error / NOISE_HALVES).powi(2)) + GROWTH_COUNTS_HOURS);
    let off = (ratio.log - growth) * counts;
    let decline = (-off - DECLINE_SLACK.max(DECLINE_SCATTERS * scatter)).max(0.0);
    let goes_on = if knee.is_some() { 0.0 } else { DECLINE_GOES_ON * decline };
    let follows = if off > 0.0 { RISE_LASTS * off } else { off };
    Trend { log: (growth + follows - goes_on).max(STEEPEST), decline }
}

/// Grams that a flat loses in `hours`, of `water` grams above dry weight, at a demand of `rate` g/h.
///
/// In continuous time: below the knee the water left falls exponentially, for the rate is in proportion to it.
/// FAO-56's example 37 steps by the day with the share at the start of each, which loses up to 1 % more.
pub fn falling(water: f64, at_knee: f64, rate: f64, hours: f64) -> f64 {
    if rate <= 0.0 || hours <= 0.0 {
        return 0.0;
    }
    let above = (water - at_knee).max(0.0);
    let full = above / rate;
    if full >= hours || at_knee <= 0.0 {
        return rate * hours;
    }
    let below = water.min(at_knee).max(at_knee * share(Some(1.0), Some(0.0)));
    above + below * (1.0 - (-rate * (hours - full) / at_knee).exp())
}

/// The hours to come.
pub struct Course<'a> {
    record: &'a Record,
    knee: Option<f64>,
    now: i32,
    /// For each hour modulo 24: the last known demand, and how many hours it lies before the hour of the first day.
    base: [(f64, i32); 24],
    trend: f64,
    /// What the rest of the present hour is expected to lose, g/h.
    present: f64,
    /// How many of the 24 hours are known.
    pub known: u32,
}

fn phase(hour: i32) -> usize {
    usize::try_from(hour.rem_euclid(24)).unwrap_or(0)
}

impl<'a> Course<'a> {
    /// From hour `from` on; `usual` is the long-kept demand by hour modulo 24. `None` while nothing is known.
    pub fn new(
        record: &'a Record,
        knee: Option<f64>,
        from: f64,
        trend: f64,
        usual: &[Option<f64>; 24],
    ) -> Option<Self> {
        let now = whole(from);
        let mut last = [None; 24];
        for hour in (now - KEPT + 1)..now {
            keep(&mut last, hour, demand(record, knee, hour));
        }
        let of_present = |last: &[Option<(f64, i32)>; 24]| last.get(phase(now)).copied().flatten();
        let yesterday = of_present(&last);
        keep(&mut last, now, demand(record, knee, now));
        let known = last.iter().fold(0, |count, hour| count + u32::from(hour.is_some()));
        let level = Level::of(&last, usual)?;
        let mut base = [(0.0, now); 24];
        for (at, slot) in base.iter_mut().enumerate() {
            let kept = last.get(at).copied().flatten();
            let fallback = || (level.at(usual.get(at).copied().flatten()), now);
            *slot = kept.unwrap_or_else(fallback);
        }
        let mut course = Self { record, knee, now, base, trend, present: 0.0, known };
        let today = of_present(&last).or(yesterday);
        course.present = match yesterday.or(today) {
            Some((rate, hour)) => course.grown(rate, now - hour),
            None => course.ahead(now),
        };
        Some(course)
    }

    /// A demand so many hours later.
    fn grown(&self, rate: f64, hours: i32) -> f64 {
        let days = (f64::from(hours) / 24.0).ceil().max(0.0);
        let sum = (1.0 - DAMPED.powf(days)) / (1.0 - DAMPED);
        (rate * (self.trend * sum).exp()).max(0.0)
    }

    fn ahead(&self, hour: i32) -> f64 {
        let (rate, known) = self.base.get(phase(hour)).copied().unwrap_or((0.0, hour));
        self.grown(rate, hour - known)
    }

    /// The demand in an hour to come, g/h.
    pub fn rate(&self, hour: i32) -> f64 {
        if hour <= self.now { self.present } else { self.ahead(hour) }
    }

    /// Walks ahead hour by hour: calls `step` with the hours gone by and the grams lost so far until it says stop.
    pub fn walk(&self, from: f64, hours: f64, water: Option<(f64, f64)>, mut step: impl FnMut(f64, f64) -> bool) {
        let (mut gone, mut lost) = (0.0, 0.0);
        while gone < hours {
            let hour = whole(from + gone + 1e-9);
            let end = (f64::from(hour) + 1.0 - from).min(hours);
            if end <= gone {
                return;
            }
            let rate = self.rate(hour);
            lost += match (self.knee, water) {
                (Some(knee), Some((above_dry, band))) => falling(above_dry - lost, knee * band, rate, end - gone),
                _ => rate * (end - gone),
            };
            gone = end;
            if !step(gone, lost) {
                return;
            }
        }
    }

    /// The noise of a weight at the edge of an hour, g.
    pub fn edge_error(&self) -> f64 {
        self.record.edge_error()
    }
}

fn keep(last: &mut [Option<(f64, i32)>; 24], hour: i32, demand: Option<f64>) {
    if let (Some(slot), Some(demand)) = (last.get_mut(phase(hour)), demand) {
        *slot = Some((demand, hour));
    }
}

/// What to expect of an hour that is not known: its usual demand at today's level, or the mean of what is known.
struct Level {
    mean: f64,
    against_usual: f64,
}

impl Level {
    fn of(last: &[Option<(f64, i32)>; 24], usual: &[Option<f64>; 24]) -> Option<Self> {
        let known: Vec<f64> = last.iter().flatten().map(|(rate, _)| *rate).collect();
        let of_usual: Vec<f64> = usual.iter().flatten().copied().collect();
        let mean_of = |rates: &[f64]| {
            let count = u32::try_from(rates.len()).unwrap_or(1).max(1);
            rates.iter().sum::<f64>() / f64::from(count)
        };
        if known.is_empty() && of_usual.len() < 12 {
            return None;
        }
        let both = last.iter().zip(usual).filter_map(|(last, usual)| Some(((*last)?.0, (*usual)?)));
        let (now, then) = both.fold((0.0, 0.0), |sum, pair| (sum.0 + pair.0, sum.1 + pair.1));
        let against_usual = if now > 0.0 && then > 0.0 { (now / then).clamp(0.25, 4.0) } else { 1.0 };
        let mean = if known.is_empty() { mean_of(&of_usual) } else { mean_of(&known) };
        Some(Self { mean, against_usual })
    }

    fn at(&self, usual: Option<f64>) -> f64 {
        usual.map_or(self.mean, |usual| usual * self.against_usual)
    }
}
