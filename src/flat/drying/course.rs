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

/// After the flat was disturbed its old level is believed as if so many hours had shown it.
const SHIFT_DOUBTED_HOURS: f64 = 3.0;

/// A change by less than this (a logarithm) is no new level but part of the trend.
const SHIFT_FROM: f64 = 0.15;

/// What the last hours say against the same hours a day before.
#[derive(Debug, Clone, Copy)]
pub struct Ratio {
    /// The logarithm of it.
    pub log: f64,
    /// How many hours it rests upon.
    pub hours: f64,
    /// Its standard error by the noise of the weights.
    pub error: f64,
    /// Whether the flat was disturbed in between.
    pub disturbed: bool,
}

/// The demand in an hour: its rate, less what the knee took from it.
pub fn demand(record: &Record, knee: Option<f64>, hour: i32) -> Option<f64> {
    Some(record.rate(hour)? / share(knee, knee.and_then(|_| record.fraction(hour))))
}

/// The last hours up to `now` against the day before.
#[derive(Debug, Clone, Copy)]
pub struct Ratios {
    /// Where nothing but drying lay between the two: growth, weather, water running short.
    pub undisturbed: Option<Ratio>,
    /// Where the flat was watered, thinned, covered or moved in between: the level may have changed for good.
    pub across: Option<Ratio>,
}

impl Ratios {
    /// Of the last hours up to `now`, the flat being undisturbed since hour `since`.
    pub fn new(record: &Record, knee: Option<f64>, now: i32, since: i32) -> Self {
        let (mut undisturbed, mut across) = (Sums::default(), Sums::default());
        for hour in ((now - TREND_HOURS).max(since))..=now {
            if let (Some(late), Some(early)) = (demand(record, knee, hour), demand(record, knee, hour - 24)) {
                let sums = if hour - 24 >= since { &mut undisturbed } else { &mut across };
                sums.add(late, early, record.covered(hour));
            }
        }
        let noise = record.edge_error();
        Self { undisturbed: undisturbed.ratio(noise, false), across: across.ratio(noise, true) }
    }

    /// By how much the level changed when the flat was last disturbed (a logarithm); 0 if by no more than a trend.
    pub fn shift(&self, growth: f64) -> f64 {
        let shift = self.across.map_or(0.0, |across| (across.log - growth) * across.counts(SHIFT_DOUBTED_HOURS));
        if shift.abs() > SHIFT_FROM { shift } else { 0.0 }
    }

    /// Whichever rests on more hours.
    pub fn longer(&self) -> Option<Ratio> {
        let hours = |ratio: Option<Ratio>| ratio.map_or(0.0, |ratio| ratio.hours);
        if hours(self.across) > hours(self.undisturbed) { self.across } else { self.undisturbed }
    }
}

impl Ratio {
    /// How much it counts against so many hours of what is usual.
    fn counts(&self, against: f64) -> f64 {
        self.hours / (self.hours * (1.0 + (self.error / NOISE_HALVES).powi(2)) + against)
    }
}

#[derive(Debug, Clone, Copy, Default)]
struct Sums {
    today: f64,
    yesterday: f64,
    hours: f64,
}

impl Sums {
    fn add(&mut self, late: f64, early: f64, weight: f64) {
        self.today += late * weight;
        self.yesterday += early * weight;
        self.hours += weight;
    }

    fn ratio(self, edge_error: f64, disturbed: bool) -> Option<Ratio> {
        if self.today <= 0.0 || self.yesterday <= 0.0 {
            return None;
        }
        let noise = edge_error * std::f64::consts::SQRT_2;
        let error = (noise / self.today).hypot(noise / self.yesterday);
        let log = (self.today / self.yesterday).ln().clamp(TREND_SEEN.0, TREND_SEEN.1);
        Some(Ratio { log, hours: self.hours, error, disturbed })
    }
}

/// What is expected of the next day against the last.
#[derive(Debug, Clone, Copy)]
pub struct Trend {
    /// The logarithm of the ratio.
    pub log: f64,
    /// How far it lies below growth, beyond all slack.
    pub decline: f64,
}

/// The trend, from the ratios and from what is usual with this flat. With a knee, that explains declines instead; and
/// where the flat was disturbed, a decline is not expected to go on.
pub fn trend(ratios: &Ratios, growth: f64, scatter: f64, knee: Option<f64>) -> Trend {
    let steady = Trend { log: growth, decline: 0.0 };
    let Some(ratio) = ratios.longer() else { return steady };
    let off = (ratio.log - growth) * ratio.counts(GROWTH_COUNTS_HOURS);
    let follows = if off > 0.0 { RISE_LASTS * off } else { off };
    if ratio.disturbed {
        return if ratios.shift(growth) == 0.0 { Trend { log: growth + follows, ..steady } } else { steady };
    }
    let decline = (-off - DECLINE_SLACK.max(DECLINE_SCATTERS * scatter)).max(0.0);
    let goes_on = if knee.is_some() { 0.0 } else { DECLINE_GOES_ON * decline };
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

/// What carries the known hours into those to come.
#[derive(Debug, Clone, Copy, Default)]
pub struct Lead {
    /// Below this fraction drying slows.
    pub knee: Option<f64>,
    /// The next day against the last, as a logarithm.
    pub trend: f64,
    /// How much of an hour's demand is what is usual at that hour of the day, 0 to 1; the rest is yesterday's.
    pub usual: f64,
    /// The flat was last disturbed before this hour …
    pub since: i32,
    /// … and that changed the level by this logarithm.
    pub shift: f64,
}

/// So many days lie at most between a known hour and one that is forecast.
const DAYS: usize = 18;

/// The hours to come.
#[derive(Debug, Clone, Copy)]
pub struct Course {
    knee: Option<f64>,
    now: i32,
    /// For each hour modulo 24: the last known demand, and how many hours it lies before the hour of the first day.
    base: [(f64, i32); 24],
    /// What a demand is multiplied with so many days later. Worked out once: a forecast asks for it hundreds of times.
    grown: [f64; DAYS],
    edge_error: f64,
    /// What the rest of the present hour is expected to lose, g/h.
    present: f64,
    /// How many of the 24 hours are known.
    pub known: u32,
}

fn phase(hour: i32) -> usize {
    usize::try_from(hour.rem_euclid(24)).unwrap_or(0)
}

impl Course {
    /// From hour `from` on; `usual` is the long-kept demand by hour modulo 24. `None` while nothing is known.
    pub fn new(record: &Record, from: f64, lead: &Lead, usual: &[Option<f64>; 24]) -> Option<Self> {
        let now = whole(from);
        let Lead { knee, trend, usual: leans, since, shift } = *lead;
        let level = |hour: i32| if hour < since { shift.exp() } else { 1.0 };
        let known = |hour: i32| Some(demand(record, knee, hour)? * level(hour));
        let mut last = [None; 24];
        for hour in (now - KEPT + 1)..now {
            keep(&mut last, hour, known(hour));
        }
        let of_present = |last: &[Option<(f64, i32)>; 24]| last.get(phase(now)).copied().flatten();
        let yesterday = of_present(&last);
        keep(&mut last, now, known(now));
        let known = last.iter().fold(0, |count, hour| count + u32::from(hour.is_some()));
        let level = Level::of(&last, usual)?;
        let mut base = [(0.0, now); 24];
        for (at, slot) in base.iter_mut().enumerate() {
            let kept = last.get(at).copied().flatten();
            let usual = usual.get(at).copied().flatten();
            let (rate, hour) = kept.unwrap_or_else(|| (level.at(usual), now));
            *slot = (usual.map_or(rate, |usual| rate + leans * (usual - rate)), hour);
        }
        let (grown, edge_error) = (growth(trend), record.edge_error());
        let mut course = Self { knee, now, base, grown, edge_error, present: 0.0, known };
        let today = of_present(&last).or(yesterday);
        course.present = match yesterday.or(today) {
            Some((rate, hour)) => course.grown(rate, now - hour),
            None => course.ahead(now),
        };
        Some(course)
    }

    /// A demand so many hours later; a day begun counts.
    fn grown(&self, rate: f64, hours: i32) -> f64 {
        let days = usize::try_from((hours + 23).max(0) / 24).unwrap_or(0).min(DAYS - 1);
        (rate * self.grown.get(days).copied().unwrap_or(1.0)).max(0.0)
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
        for hour in whole(from + 1e-9).. {
            let end = (f64::from(hour) + 1.0 - from).min(hours);
            if gone >= hours || end <= gone {
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
        self.edge_error
    }
}

/// What a trend, damped from day to day, makes of a demand so many days later.
fn growth(trend: f64) -> [f64; DAYS] {
    let (mut grown, mut left) = ([1.0; DAYS], 1.0);
    if trend != 0.0 {
        for slot in &mut grown {
            *slot = (trend * (1.0 - left) / (1.0 - DAMPED)).exp();
            left *= DAMPED;
        }
    }
    grown
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

#[cfg(test)]
mod tests {
    use super::falling;

    #[test]
    fn falling_is_example_37_of_fao_56_in_continuous_time() {
        // Allen, Pereira, Raes & Smith 1998, FAO Irrigation and Drainage Paper 56, p. 168: 160 mm to take, of which
        // 64 mm readily (knee at 96 mm left), 6 mm a day, 55 mm gone at the start.
        let gone_after = |days: f64| 160.0 - (160.0 - 55.0) + falling(160.0 - 55.0, 96.0, 6.0, days);
        assert!((gone_after(1.0) - 61.0).abs() < 1e-9);
        // D = 160 - (160 - 67) exp(-6 t / 96) from the end of day 2 on if the second day still ran at full rate to 67 mm,
        // as the paper has it; 8 days later that gives 103.593 mm.
        let after_67 = |days: f64| 67.0 + falling(160.0 - 67.0, 96.0, 6.0, days);
        assert!((after_67(8.0) - 103.593).abs() < 5e-4, "{}", after_67(8.0));
        // The paper's table, with the share at the start of each day, ends at 104.5 mm: 0.9 mm more.
        assert!((104.51 - after_67(8.0) - 0.9).abs() < 0.05);
    }

    #[test]
    fn stepping_by_the_day_gives_the_table_of_the_paper() {
        // The same example: depletion at the end of days 3 to 10.
        let printed = [72.8, 78.3, 83.4, 88.2, 92.6, 96.9, 100.8, 104.5];
        let mut gone: f64 = 67.0;
        let (mut ours, mut most) = (67.0, 0.0f64);
        for table in printed {
            gone += 6.0 * super::share(Some(96.0), Some(160.0 - gone));
            assert!((gone - table).abs() < 0.06, "{gone} against {table}");
            ours += falling(160.0 - ours, 96.0, 6.0, 1.0);
            most = most.max(gone - ours);
        }
        assert!(most < 0.95, "{most}");
    }

    #[test]
    fn falling_has_the_closed_form() {
        // Band 4, 1 a day, knee at half: 0.75 to 0.50 takes a day; 0.50 to 0.25 takes ln 2 / 0.5 = 1.3863 days
        // (common-practice flat; the arithmetic is f = knee exp(-k t), k = rate / (band knee)).
        assert!((falling(3.0, 2.0, 1.0, 1.0) - 1.0).abs() < 1e-12);
        assert!((falling(2.0, 2.0, 1.0, 2.0 * 2.0f64.ln()) - 1.0).abs() < 1e-12);
        assert!((falling(3.0, 2.0, 1.0, 1.0 + 2.0 * 2.0f64.ln()) - 2.0).abs() < 1e-12);
        let steps: f64 = (0..1000).fold(0.0, |lost, _| lost + falling(3.0 - lost, 2.0, 1.0, 0.0023863));
        assert!((steps - falling(3.0, 2.0, 1.0, 2.3863)).abs() < 1e-9);
    }
}
