//! What can be asked of a flat's drying at one moment.

use super::record::{KEPT, whole};
use super::{Ahead, Course, Drying, FEWEST_HOURS, Forecast, Lead, Loss, MOST_DOUBT, RANGE_OF_UNKNOWN, Rate, Water};
use crate::moment::{Moment, Span};
use crate::units::{Grams, GramsPerHour};

/// Further ahead nothing is forecast.
const FURTHEST: Span = Span::days(14);
/// A share of a span that must be seen to call it wholly covered.
const WHOLLY: f64 = 0.97;

/// A flat's drying as it is known at one moment.
#[derive(Debug, Clone)]
pub struct Asked {
    now: Drying,
    at: Moment,
    /// By the flat's own clock.
    hour: f64,
    ahead: Option<Ahead>,
}

impl Asked {
    pub(super) fn new(drying: &Drying, at: Moment, local_hour: f64) -> Self {
        let now = drying.settled();
        let hour = now.hour_at(at, local_hour);
        Self { ahead: now.ahead(hour), now, at, hour }
    }

    /// The rate of the last whole day, in which day and night cancel; of less, once 6 hours are known, with an error
    /// to match. `None` before.
    #[must_use]
    pub fn rate(&self) -> Option<Rate> {
        let newest = self.now.record.newest()?.min(whole(self.hour));
        let usual = self.now.usual_from(newest);
        let course = Course::new(&self.now.record, f64::from(newest) + 1.0, &Lead::default(), &usual)?;
        if course.known < FEWEST_HOURS {
            return None;
        }
        let mut day = 0.0;
        course.walk(f64::from(newest) + 1.0, 24.0, None, |_, lost| {
            day = lost;
            true
        });
        let unknown = 1.0 - f64::from(course.known.min(24)) / 24.0;
        let by_noise = course.edge_error() * std::f64::consts::SQRT_2;
        let by_gaps = day * unknown * RANGE_OF_UNKNOWN;
        let error = by_noise.hypot(by_gaps) / 24.0;
        Some(Rate { per_hour: GramsPerHour::new(day / 24.0), error: GramsPerHour::new(error) })
    }

    /// What the flat is going to lose in `span`. `None` while fewer than 6 hours of the day are known.
    #[must_use]
    pub fn loss(&self, span: Span, water: Option<Water>) -> Option<Loss> {
        let ahead = self.ahead.as_ref()?;
        let hours = span.as_hours().max(0.0);
        let mut expected = 0.0;
        ahead.course.walk(self.hour, hours, water.map(water_and_band), |_, lost| {
            expected = lost;
            true
        });
        let error = (ahead.doubt(hours) * expected).hypot(ahead.noise);
        Some(Loss { expected: Grams::new(expected), error: Grams::new(error) })
    }

    /// When `water` grams above dry weight will have fallen to `until`, in a band of `band` grams. `None` when it is
    /// there already, when too little is known, or when it takes more than 14 days.
    #[must_use]
    pub fn reaches(&self, water: Grams, until: Grams, band: Grams) -> Option<Forecast> {
        let [early, at, late] = self.crossings(water, until, band)?;
        let at = at?;
        let late = late.unwrap_or(FURTHEST.as_hours()).max(at);
        Some(Forecast { at: self.hence(at), early: self.hence(early.unwrap_or(at).min(at)), late: self.hence(late) })
    }

    /// The early end of that range alone, which may be within 14 days where what is expected is not. `None` when it is
    /// there already, when too little is known, or when even the early end is more than 14 days ahead.
    #[must_use]
    pub fn earliest(&self, water: Grams, until: Grams, band: Grams) -> Option<Moment> {
        let [early, at, _] = self.crossings(water, until, band)?;
        let hours = early.into_iter().chain(at).reduce(f64::min)?;
        Some(self.hence(hours))
    }

    fn hence(&self, hours: f64) -> Moment {
        self.at.after(Span::from_seconds(hours * 3600.0))
    }

    /// In how many hours the early, the expected and the late course get there, if within 14 days.
    fn crossings(&self, water: Grams, until: Grams, band: Grams) -> Option<[Option<f64>; 3]> {
        let need = (water - until).get();
        if need <= 0.0 || band.get() <= 0.0 {
            return None;
        }
        let ahead = self.ahead.as_ref()?;
        let mut crossings = [Crossing::default(); 3];
        let mut far = None;
        ahead.course.walk(self.hour, FURTHEST.as_hours(), Some((water.get(), band.get())), |gone, lost| {
            // Most steps are far from where anything is reached, and only the last of them has to be known.
            if lost + MOST_DOUBT * lost + ahead.noise < need {
                far = Some((gone, lost));
                return true;
            }
            if let Some((gone, lost)) = far.take() {
                crossings = ahead.levels(gone, lost).map(|level| Crossing { before: (gone, level), at: None });
            }
            for (crossing, level) in crossings.iter_mut().zip(ahead.levels(gone, lost)) {
                crossing.see(gone, level, need);
            }
            crossings.iter().any(|crossing| crossing.at.is_none())
        });
        Some(crossings.map(|crossing| crossing.at))
    }

    /// What the flat lost in the `span` before, if that was seen wholly (spans up to two days); negative when it
    /// gained.
    #[must_use]
    pub fn lost_in_last(&self, span: Span) -> Option<Grams> {
        let Self { now, at, .. } = self;
        let hour = now.clock.at(*at).min(now.record.last_hour());
        let start = now.clock.at(*at) - span.as_hours();
        let (first, last) = (whole(start), whole(hour));
        if span <= Span::ZERO || last - first >= KEPT {
            return None;
        }
        let (mut lost, mut seen) = (0.0, 0.0);
        for bin in first..=last {
            let inside = (hour.min(f64::from(bin) + 1.0) - start.max(f64::from(bin))).clamp(0.0, 1.0);
            // Of the first hour only a part belongs to the span; of the last one, what was seen is all inside.
            let part = if bin == first { inside } else { 1.0 };
            lost += now.record.lost(bin) * part;
            seen += now.record.covered(bin) * part;
        }
        (seen >= WHOLLY * span.as_hours()).then(|| Grams::new(lost))
    }

    /// How many of the last 24 hours are known, 0 to 24.
    #[must_use]
    pub fn known_hours(&self) -> u32 {
        self.now.known_of_last_day()
    }
}

fn water_and_band(water: Water) -> (f64, f64) {
    (water.above_dry.get(), water.band.get().max(f64::MIN_POSITIVE))
}

/// When a level that is watched step by step first reaches what is needed.
#[derive(Debug, Clone, Copy, Default)]
struct Crossing {
    before: (f64, f64),
    at: Option<f64>,
}

impl Crossing {
    fn see(&mut self, gone: f64, level: f64, need: f64) {
        if self.at.is_none() && level >= need {
            let (from, below) = self.before;
            let share = if level > below { ((need - below) / (level - below)).clamp(0.0, 1.0) } else { 1.0 };
            self.at = Some(from + (gone - from) * share);
        }
        self.before = (gone, level);
    }
}
