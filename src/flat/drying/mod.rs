//! How fast a flat dries, and when it will have dried to a given level.
//!
//! What is kept is small and survives restarts: two days of loss by the hour, the usual loss of each hour of the day,
//! the flat's own growth, and the evidence for a knee. The forecast takes yesterday's hours, grown or declining as the
//! last hours did against the same hours a day before. A rate of less than a day is never used without the hours of
//! the day: day and night differ twofold and more.

mod ask;
mod course;
mod knee;
mod leaning;
mod record;

pub use ask::Asked;

use crate::moment::{Moment, Mono, Span, Wall};
use crate::units::{Fraction, Grams, GramsPerHour};
use course::{Course, Lead, Ratios, demand, trend};
use knee::Knee;
use leaning::{Leaning, Misses, RULES};
use record::{KEPT, Record, Scale, whole};
use serde::{Deserialize, Serialize};

/// Below so many known hours of the last 24 nothing is forecast.
const FEWEST_HOURS: u32 = 6;
/// A trend teaches the flat's growth once it rests on so many hours.
const TREND_TEACHES: f64 = 12.0;
/// The flat's growth, and how its trend scatters about it, are remembered for about so many days.
const GROWTH_MEMORY_DAYS: f64 = 6.0;
/// No flat grows or shrinks by more than this in a day for long (logarithms); beyond it is weather, water or a knee.
const GROWTH_WITHIN: (f64, f64) = (-0.10, 0.25);
/// One hour's surprise counts at most so much for the scatter (a logarithm).
const MOST_SCATTER: f64 = 0.10;
/// Of a new day, this part goes into the usual demand of an hour of the day.
const USUAL_FOLLOWS: f64 = 0.25;
/// The mean miss of forecasts for a day before the flat has shown its own (a logarithm).
const USUAL_MISS: f64 = 0.056;
/// It counts like so many days of the flat's own.
const USUAL_MISS_COUNTS: f64 = 4.0;
/// Misses are remembered for about so many days.
const MISS_MEMORY_DAYS: f64 = 10.0;
/// One day counts at most so much for the mean miss (a logarithm).
const MOST_MISSED: f64 = 0.5;
/// Half of the 80 % range is so many mean misses: 1.28 standard deviations of 1.25 mean misses each.
const RANGE_OF_MISS: f64 = 1.6;
/// The range grows by this part of a decline below growth, for declines go on as they please.
const RANGE_OF_DECLINE: f64 = 0.25;
/// The range grows by so much when nothing of the last day is known, in proportion when a part of it is.
const RANGE_OF_UNKNOWN: f64 = 0.6;
/// Beyond a day the range grows with the power 0.8 of the days: this for each day, and straight on in between, which is
/// at most 1 % less. A forecast asks for it hundreds of times, and a power takes long.
const RANGE_GROWS: [f64; 16] = [
    0.0, 1.0, 1.741_101, 2.408_225, 3.031_433, 3.623_898, 4.192_963, 4.743_276, 5.278_032, 5.799_546, 6.309_573,
    6.809_483, 7.300_372, 7.783_137, 8.258_524, 8.727_161,
];
/// The 80 % range of an error that is normally distributed, in standard deviations each way.
const RANGE_OF_NOISE: f64 = 1.28;
/// No more of an expected loss than this is doubtful.
const MOST_DOUBT: f64 = 0.9;

/// A rate of drying.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rate {
    /// Grams an hour; never below 0.
    pub per_hour: GramsPerHour,
    /// Its standard error; large while less than a whole day is known.
    pub error: GramsPerHour,
}

/// The water in a flat, where that is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Water {
    /// Grams above dry weight.
    pub above_dry: Grams,
    /// Grams from dry weight to capacity; above 0.
    pub band: Grams,
}

/// What a flat is going to lose.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Loss {
    /// The expected loss, never below 0.
    pub expected: Grams,
    /// Half of its 80 % range: the loss lies within `expected` ± `error` four times out of five.
    pub error: Grams,
}

/// When a level will be reached, with an 80 % range: `early` ≤ `at` ≤ `late`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Forecast {
    /// The expected moment.
    pub at: Moment,
    /// One time out of ten it is reached before this.
    pub early: Moment,
    /// One time out of ten it is reached after this; at most 14 days ahead.
    pub late: Moment,
}

/// A flat's own clock: hours since its first weight, begun at the local hour of the day.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
struct Clock {
    hour: f64,
    wall: Option<Wall>,
    /// Means nothing after a restart, so it is not kept; the first step after that goes by the wall clock.
    #[serde(skip)]
    mono: Option<Mono>,
}

impl Clock {
    fn at(&self, at: Moment) -> f64 {
        let gone = match (self.mono, self.wall) {
            (Some(mono), _) => at.mono.since(mono),
            (None, Some(wall)) => at.wall.since(wall),
            (None, None) => Span::ZERO,
        };
        self.hour + gone.as_hours().max(0.0)
    }

    fn advance(&mut self, at: Moment) -> f64 {
        *self = Self { hour: self.at(at), wall: Some(at.wall), mono: Some(at.mono) };
        self.hour
    }
}

/// A forecast for a day that is waiting to be compared with what came.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Promise {
    from: i32,
    lost: f32,
    /// What each rule by itself would have promised.
    #[serde(default)]
    by_rule: [f32; 3],
}

/// How a flat dries. See the head of this file for how; `Default` knows nothing yet.
///
/// Weights may have any zero; only their differences count, and, once [`Drying::set_band`] was called, their
/// difference to the dry weight.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Drying {
    clock: Clock,
    record: Record,
    /// The hour of the day less the flat's own hour.
    of_day: f32,
    /// Weights before this hour of the flat's own are not trusted.
    trusted_from: f64,
    /// The first whole hour after the flat was last disturbed.
    since: i32,
    /// Follows from band and plants, and is set again with them.
    #[serde(skip)]
    scale: Option<Scale>,
    /// The usual demand by hour of the day, g/h; below 0: unknown.
    usual: [f32; 24],
    growth: f32,
    scatter: f32,
    knee: Knee,
    /// The last hour that was learned from.
    learned: Option<i32>,
    promise: Option<Promise>,
    /// How well each rule has done by itself.
    misses: Misses,
    /// Mean miss of promises, as a logarithm, and how many there were.
    miss: f32,
    promises: u32,
}

impl Default for Drying {
    #[expect(clippy::cast_possible_truncation, reason = "f32 is what is kept")]
    fn default() -> Self {
        Self {
            clock: Clock::default(),
            record: Record::default(),
            of_day: 0.0,
            trusted_from: 0.0,
            since: i32::MIN / 2,
            scale: None,
            usual: [-1.0; 24],
            growth: course::USUAL_GROWTH as f32,
            scatter: 0.0,
            knee: Knee::default(),
            learned: None,
            promise: None,
            misses: Misses::default(),
            miss: USUAL_MISS as f32,
            promises: 0,
        }
    }
}

#[expect(clippy::cast_possible_truncation, reason = "f32 is what is kept")]
fn follow(kept: &mut f32, new: f64, part: f64) {
    *kept = (f64::from(*kept) + (new - f64::from(*kept)) * part) as f32;
}

impl Drying {
    /// Whether there is nothing yet that would be missed after a restart.
    #[must_use]
    pub fn knows_nothing(&self) -> bool {
        self.record.newest().is_none() && self.learned.is_none()
    }

    /// A flat of which nothing is known.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// A believed weight of the flat at `at`, when the local hour of the day was `local_hour` (0 to 24).
    #[expect(clippy::cast_possible_truncation, reason = "f32 is what is kept")]
    pub fn weighed(&mut self, weight: Grams, at: Moment, local_hour: f64) {
        if self.clock.wall.is_none() {
            self.clock.hour = local_hour.rem_euclid(24.0);
        }
        let hour = self.clock.advance(at);
        self.of_day = (local_hour - hour).rem_euclid(24.0) as f32;
        if hour < self.trusted_from {
            return;
        }
        self.record.add(hour, weight.get(), self.scale);
        self.learn();
    }

    /// What lies between the last weight and the next is no drying: watered, lifted, domed, thinned, moved, or the
    /// stand was silent. For `quiet` after `at` no weight is trusted for rates, as while a flat drains.
    pub fn interrupted(&mut self, at: Moment, quiet: Span) {
        let hour = self.clock.advance(at);
        self.record.end(self.scale);
        self.trusted_from = self.trusted_from.max(hour + quiet.as_hours().max(0.0));
        self.learn();
        self.since = whole(hour) + 1;
    }

    /// The dry weight (by the same zero as the weights) and the band in grams; `None` when there is none. Without it
    /// no knee is learned. Call it when a band was recorded or changed, and when the zero of the weights moved.
    pub fn set_band(&mut self, dry_and_band: Option<(Grams, Grams)>) {
        let scale = dry_and_band.map(|(dry, band)| Scale { dry: dry.get(), band: band.get() });
        self.scale = scale.filter(|scale| scale.band > 0.0);
    }

    /// What can be asked of a moment: with several questions, this once is cheaper than each by itself.
    #[must_use]
    pub fn ask(&self, at: Moment, local_hour: f64) -> Asked {
        Asked::new(self, at, local_hour)
    }

    /// See [`Asked::rate`].
    #[must_use]
    pub fn rate(&self, at: Moment, local_hour: f64) -> Option<Rate> {
        self.ask(at, local_hour).rate()
    }

    /// See [`Asked::loss`].
    #[must_use]
    pub fn loss(&self, from: Moment, local_hour: f64, span: Span, water: Option<Water>) -> Option<Loss> {
        self.ask(from, local_hour).loss(span, water)
    }

    /// See [`Asked::reaches`].
    #[must_use]
    pub fn reaches(&self, from: Moment, local_hour: f64, water: Grams, until: Grams, band: Grams) -> Option<Forecast> {
        self.ask(from, local_hour).reaches(water, until, band)
    }

    /// The fraction below which this flat was seen drying more slowly; `None` until it was. The forecast goes
    /// straight on through the hours of the day until then.
    #[must_use]
    pub fn knee(&self) -> Option<Fraction> {
        self.knee.found().map(Fraction::new)
    }

    /// See [`Asked::lost_in_last`].
    #[must_use]
    pub fn lost_in_last(&self, span: Span, at: Moment) -> Option<Grams> {
        self.ask(at, 0.0).lost_in_last(span)
    }

    /// What two flats have lost in those of the last 48 hours that are known of both: this one, the other, and how many they are.
    #[must_use]
    pub fn beside(&self, other: &Self, at: Moment) -> (Grams, Grams, u32) {
        let [own, others] = [self, other].map(|drying| whole(drying.clock.at(at)));
        let hours = (0..KEPT).filter_map(|ago| Some((self.record.rate(own - ago)?, other.record.rate(others - ago)?)));
        let (own, other, count) = hours.fold((0.0, 0.0, 0), |sum, hour| (sum.0 + hour.0, sum.1 + hour.1, sum.2 + 1));
        (Grams::new(own), Grams::new(other), count)
    }

    /// How many of the last 24 hours are known, 0 to 24.
    #[must_use]
    pub fn known_hours(&self) -> u32 {
        self.settled().known_of_last_day()
    }

    /// By how much more the flat uses each day, as learned from it: 0.03 is 3 % a day.
    #[must_use]
    pub fn growth_per_day(&self) -> f64 {
        f64::from(self.growth).exp_m1()
    }
}

/// A course with its doubts.
#[derive(Debug, Clone, Copy)]
struct Ahead {
    course: Course,
    /// Half of the 80 % range for a day, as a share of the loss.
    day: f64,
    /// Half of the 80 % range by the noise of the weights, g.
    noise: f64,
}

impl Ahead {
    /// Half of the 80 % range for so many hours, as a share of the loss.
    fn doubt(&self, hours: f64) -> f64 {
        let days = (hours / 24.0).max(1.0);
        let whole = usize::try_from(whole(days)).unwrap_or(0).min(RANGE_GROWS.len() - 2);
        let [before, after] = [whole, whole + 1].map(|days| RANGE_GROWS.get(days).copied().unwrap_or(1.0));
        let grown = before + (after - before) * (days - f64::from(u32::try_from(whole).unwrap_or(0)));
        (self.day * grown).min(MOST_DOUBT)
    }

    /// The upper end of the range, the expected loss and the lower end, `lost` being what is expected.
    fn levels(&self, hours: f64, lost: f64) -> [f64; 3] {
        let doubt = self.doubt(hours) * lost;
        [lost + doubt + self.noise, lost, lost - doubt - self.noise]
    }
}

impl Drying {
    /// Itself with all that is still gathering put into its hours, to ask it something.
    fn settled(&self) -> Self {
        let mut settled = self.clone();
        settled.record.flush(settled.scale);
        settled
    }

    fn known_of_last_day(&self) -> u32 {
        let newest = whole(self.clock.hour);
        self.record.known(newest - 24, newest).min(24)
    }

    fn hour_at(&self, at: Moment, local_hour: f64) -> f64 {
        if self.clock.wall.is_none() { local_hour.rem_euclid(24.0) } else { self.clock.at(at) }
    }

    /// The usual demand, by the flat's own hour modulo 24, as the two clocks stand at `hour`.
    fn usual_from(&self, hour: i32) -> [Option<f64>; 24] {
        let own = usize::try_from(hour.rem_euclid(24)).unwrap_or(0);
        let ahead = self.hour_of_day(hour) + 24 - own;
        std::array::from_fn(|own| {
            let usual = self.usual.get((own + ahead) % 24).filter(|usual| **usual >= 0.0);
            usual.map(|usual| f64::from(*usual))
        })
    }

    fn hour_of_day(&self, own: i32) -> usize {
        let of_day = (f64::from(own) + 0.5 + f64::from(self.of_day)).rem_euclid(24.0);
        usize::try_from(whole(of_day)).unwrap_or(0).min(23)
    }

    fn ahead(&self, hour: f64) -> Option<Ahead> {
        self.ahead_by(hour, self.misses.leaning())
    }

    fn ahead_by(&self, hour: f64, leaning: Leaning) -> Option<Ahead> {
        let knee = self.knee.found();
        let newest = whole(hour);
        let growth = f64::from(self.growth);
        let ratios = Ratios::new(&self.record, knee, newest, self.since);
        let trend = trend(&ratios, growth, f64::from(self.scatter), knee);
        let usual = self.usual_from(newest);
        let shift = ratios.shift(growth);
        // What was usual before the plants were thinned is so no more.
        let usual_counts = if shift == 0.0 { leaning.usual } else { 0.0 };
        let lead = Lead { knee, trend: trend.log * leaning.trend, usual: usual_counts, since: self.since, shift };
        let course = Course::new(&self.record, hour, &lead, &usual)?;
        let learned = usual.iter().flatten().count() == 24;
        if course.known < FEWEST_HOURS && !learned {
            return None;
        }
        let unknown = 1.0 - f64::from(course.known.min(24)) / 24.0;
        let day = RANGE_OF_MISS * f64::from(self.miss)
            + RANGE_OF_DECLINE * leaning.trend * trend.decline
            + RANGE_OF_UNKNOWN * unknown;
        let noise = RANGE_OF_NOISE * std::f64::consts::SQRT_2 * course.edge_error();
        Some(Ahead { course, day, noise })
    }

    /// Learns from the hours that are over since it last did.
    fn learn(&mut self) {
        let Some(newest) = self.record.newest() else { return };
        let first = self.learned.map_or(newest - KEPT, |learned| learned.max(newest - KEPT)) + 1;
        for hour in first..newest {
            self.learn_hour(hour);
        }
        self.learned = Some(newest - 1);
    }

    fn learn_hour(&mut self, hour: i32) {
        let knee = self.knee.found();
        if let Some(demand) = demand(&self.record, knee, hour) {
            let at = self.hour_of_day(hour);
            if let Some(usual) = self.usual.get_mut(at) {
                let part = if *usual < 0.0 { 1.0 } else { USUAL_FOLLOWS };
                follow(usual, demand.max(0.0), part);
            }
        }
        self.learn_growth(hour, knee);
        if hour - 24 >= self.since {
            self.knee.observe(&self.record, hour, f64::from(self.growth));
        }
        self.keep_promise(hour);
    }

    fn learn_growth(&mut self, hour: i32, knee: Option<f64>) {
        let ratios = Ratios::new(&self.record, knee, hour, self.since);
        let Some(seen) = ratios.longer().filter(|seen| seen.hours >= TREND_TEACHES) else { return };
        let part = 1.0 / (24.0 * GROWTH_MEMORY_DAYS);
        let off = (seen.log - f64::from(self.growth)).abs();
        follow(&mut self.growth, seen.log.clamp(GROWTH_WITHIN.0, GROWTH_WITHIN.1), part);
        follow(&mut self.scatter, off.min(MOST_SCATTER), part);
    }

    /// Each day one forecast is compared with what came, and the next is made.
    fn keep_promise(&mut self, hour: i32) {
        if let Some(promise) = self.promise {
            if hour < promise.from + 23 {
                return;
            }
            self.promise = None;
            self.learn_miss(promise);
        }
        let Some(from) = hour.checked_add(1) else { return };
        if self.record.known(from - 24, hour) < 24 {
            return;
        }
        let fraction = self.record.fraction(hour);
        let water = self.scale.zip(fraction).map(|(scale, fraction)| (fraction * scale.band, scale.band));
        let promised = |ahead: Option<Ahead>| {
            let mut promised = None;
            ahead?.course.walk(f64::from(from), 24.0, water, |_, lost| {
                promised = Some(lost);
                true
            });
            #[expect(clippy::cast_possible_truncation, reason = "f32 is what is kept")]
            promised.map(|lost| lost as f32)
        };
        let at = f64::from(from);
        let lost = promised(self.ahead(at));
        let by_rule = RULES.map(|rule| promised(self.ahead_by(at, rule)).unwrap_or(0.0));
        self.promise = lost.map(|lost| Promise { from, lost, by_rule });
    }

    fn learn_miss(&mut self, promise: Promise) {
        let hours = promise.from..promise.from + 24;
        if self.record.known(promise.from, promise.from + 23) < 24 {
            return;
        }
        let came: f64 = hours.filter_map(|hour| self.record.rate(hour)).sum();
        let promised = f64::from(promise.lost);
        let noise = 4.0 * self.record.edge_error();
        if came <= noise || promised <= noise {
            return;
        }
        self.promises = self.promises.saturating_add(1);
        let days = (USUAL_MISS_COUNTS + f64::from(self.promises)).min(MISS_MEMORY_DAYS);
        let miss = |promised: f64| (came / promised.max(noise)).ln().abs().min(MOST_MISSED);
        follow(&mut self.miss, miss(promised), 1.0 / days);
        self.misses.learn(promise.by_rule.map(|promised| miss(f64::from(promised))), 1.0 / days);
    }
}
