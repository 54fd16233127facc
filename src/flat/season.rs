//! What commands have recorded about a flat in one season, against what the file says.

use super::{Band, BandFrom, FillSettings, FlatSettings, Limits, SomeLimits};
use crate::units::{Fraction, Grams};
use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

/// A value that a command set, and what the file said at that time. It goes before the file until the file's own value
/// changes; then the file wins.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Over<T> {
    /// What the command set.
    pub value: T,
    /// What the file said then; `None`: nothing.
    pub file: Option<T>,
}

/// A setting by command, which few flats have.
pub type Commanded<T> = Option<Box<Over<T>>>;

/// The two ends as recorded, each by itself, with the plants that have grown since.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Ends {
    /// The dry weight.
    pub dry: Commanded<Grams>,
    /// The capacity weight.
    pub capacity: Commanded<Grams>,
    /// Fresh mass grown since; belongs to the band, and is undone with it.
    pub plants: Grams,
}

/// Something a command had set that gave way to a change in the file.
#[derive(Debug, Clone, PartialEq)]
pub struct Replaced {
    /// The key in the file.
    pub key: &'static str,
    /// What the command had set.
    pub from: serde_json::Value,
    /// What the file says.
    pub to: serde_json::Value,
}

/// So many records can be undone.
const UNDO_DEPTH: usize = 8;

/// All that was recorded in this season.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Season {
    /// The day it was sown, by the file.
    pub sown: Option<NaiveDate>,
    /// Recorded ends of the band.
    pub ends: Ends,
    /// What the ends were before each record, the latest last.
    pub before: Vec<Ends>,
    /// Limits by command.
    pub low: Commanded<Fraction>,
    /// Limits by command.
    pub water_at: Commanded<Fraction>,
    /// Limits by command.
    pub target: Commanded<Fraction>,
    /// Limits by command.
    pub high: Commanded<Fraction>,
    /// Its place in words, by command.
    pub place: Commanded<String>,
    /// The id of the stand it was moved to, by command; inside `None`: on none.
    pub stand: Commanded<Option<String>>,
}

impl Season {
    /// A season that begins now.
    #[must_use]
    pub fn begin(settings: &FlatSettings) -> Self {
        Self { sown: settings.sown, ..Self::default() }
    }

    /// Whether the file has this flat sown on another day than this season's: it starts anew.
    #[must_use]
    pub fn is_over(&self, settings: &FlatSettings) -> bool {
        matches!((self.sown, settings.sown), (Some(then), Some(now)) if then != now)
    }

    /// The dry weight that holds: recorded, else the file's, else the fill's.
    #[must_use]
    pub fn dry(&self, settings: &FlatSettings, fill: Option<&FillSettings>) -> Option<Grams> {
        let recorded = self.ends.dry.as_ref().map(|over| over.value);
        recorded.or(settings.dry_weight).or_else(|| fill.and_then(|fill| fill.dry_weight))
    }

    /// The capacity weight that holds.
    #[must_use]
    pub fn capacity(&self, settings: &FlatSettings, fill: Option<&FillSettings>) -> Option<Grams> {
        let recorded = self.ends.capacity.as_ref().map(|over| over.value);
        recorded.or(settings.capacity_weight).or_else(|| fill.and_then(|fill| fill.capacity_weight))
    }

    /// The band that holds, if both ends are known and capacity is above dry.
    #[must_use]
    pub fn band(&self, settings: &FlatSettings, fill: Option<&FillSettings>) -> Option<(Band, BandFrom)> {
        let band = Band::new(self.dry(settings, fill)?, self.capacity(settings, fill)?)?;
        let from = if self.ends.dry.is_some() || self.ends.capacity.is_some() {
            BandFrom::Recorded
        } else if settings.dry_weight.is_some() || settings.capacity_weight.is_some() {
            BandFrom::File
        } else {
            BandFrom::Fill
        };
        Some((band, from))
    }

    /// The limits that hold: those of a stage, else a command's, else the file's.
    #[must_use]
    pub fn limits(&self, settings: &FlatSettings, stage: Option<&SomeLimits>) -> Limits {
        let commanded = SomeLimits {
            low: self.low.as_ref().map(|over| over.value),
            water_at: self.water_at.as_ref().map(|over| over.value),
            target: self.target.as_ref().map(|over| over.value),
            high: self.high.as_ref().map(|over| over.value),
        };
        let limits = settings.limits.with(&commanded);
        stage.map_or(limits, |stage| limits.with(stage))
    }

    /// Records the dry weight; `file` is what the file says now. A flat as filled and sown has no plants yet.
    pub fn record_dry(&mut self, dry: Grams, file: Option<Grams>) {
        self.remember();
        self.ends.dry = Some(Box::new(Over { value: dry, file }));
        self.ends.plants = Grams::ZERO;
    }

    /// Records the capacity weight; `file` is what the file says now.
    pub fn record_capacity(&mut self, capacity: Grams, file: Option<Grams>) {
        self.remember();
        self.ends.capacity = Some(Box::new(Over { value: capacity, file }));
    }

    /// Back to the file's band. Whether there was anything to forget.
    pub fn forget_band(&mut self) -> bool {
        if self.ends.dry.is_none() && self.ends.capacity.is_none() {
            return false;
        }
        self.remember();
        self.ends = Ends { plants: self.ends.plants, ..Ends::default() };
        true
    }

    /// Back to before the last record. Whether there was one.
    pub fn undo(&mut self) -> bool {
        match self.before.pop() {
            Some(ends) => {
                self.ends = ends;
                true
            }
            None => false,
        }
    }

    fn remember(&mut self) {
        if self.before.len() == UNDO_DEPTH {
            self.before.remove(0);
        }
        self.before.push(self.ends.clone());
    }

    /// Recorded weights follow a corrected span.
    pub fn rescale(&mut self, factor: f64) {
        let rescale = |ends: &mut Ends| {
            for over in [&mut ends.dry, &mut ends.capacity].into_iter().flatten() {
                over.value = over.value * factor;
            }
        };
        rescale(&mut self.ends);
        self.before.iter_mut().for_each(rescale);
    }

    /// Holds what commands set against the file as it is now: what has changed in the file wins.
    pub fn meet_file(
        &mut self,
        settings: &FlatSettings,
        fill: Option<&FillSettings>,
        stand: Option<&str>,
    ) -> Vec<Replaced> {
        let file_dry = settings.dry_weight.or_else(|| fill.and_then(|fill| fill.dry_weight));
        let file_capacity = settings.capacity_weight.or_else(|| fill.and_then(|fill| fill.capacity_weight));
        let own = &settings.own_limits;
        let stand = Some(stand.map(str::to_owned));
        [
            give_way("dry_weight", &mut self.ends.dry, file_dry),
            give_way("capacity_weight", &mut self.ends.capacity, file_capacity),
            give_way("low", &mut self.low, own.low),
            give_way("water_at", &mut self.water_at, own.water_at),
            give_way("target", &mut self.target, own.target),
            give_way("high", &mut self.high, own.high),
            give_way("place", &mut self.place, settings.place.clone()),
            give_way("stand", &mut self.stand, stand),
        ]
        .into_iter()
        .flatten()
        .collect()
    }
}

fn give_way<T: PartialEq + Serialize>(key: &'static str, over: &mut Commanded<T>, file: Option<T>) -> Option<Replaced> {
    let kept = over.as_ref()?;
    if kept.file == file {
        return None;
    }
    let json = |value: Option<&T>| serde_json::to_value(value).unwrap_or_default();
    let replaced = Replaced { key, from: json(Some(&kept.value)), to: json(file.as_ref()) };
    *over = None;
    Some(replaced)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn settings() -> FlatSettings {
        FlatSettings {
            dry_weight: Some(Grams::new(2000.0)),
            capacity_weight: Some(Grams::new(3000.0)),
            ..FlatSettings::default()
        }
    }

    #[test]
    fn a_record_goes_before_the_file_until_that_key_changes_in_the_file() {
        let mut season = Season::begin(&settings());
        season.record_dry(Grams::new(2100.0), Some(Grams::new(2000.0)));
        season.record_capacity(Grams::new(3100.0), Some(Grams::new(3000.0)));
        assert!(season.meet_file(&settings(), None, None).is_empty());

        let edited = FlatSettings { dry_weight: Some(Grams::new(1990.0)), ..settings() };
        let replaced = season.meet_file(&edited, None, None);
        assert_eq!(replaced.len(), 1);
        assert_eq!((replaced[0].key, &replaced[0].to), ("dry_weight", &serde_json::json!(1990.0)));
        let (band, from) = season.band(&edited, None).unwrap();
        assert_eq!((band.dry(), band.capacity(), from), (Grams::new(1990.0), Grams::new(3100.0), BandFrom::Recorded));
    }

    #[test]
    fn records_are_undone_one_by_one() {
        let mut season = Season::begin(&settings());
        season.record_dry(Grams::new(2100.0), None);
        season.record_dry(Grams::new(2200.0), None);
        assert!(season.undo());
        assert_eq!(season.dry(&settings(), None), Some(Grams::new(2100.0)));
        assert!(season.forget_band());
        assert_eq!(season.dry(&settings(), None), Some(Grams::new(2000.0)));
        assert!(season.undo());
        assert_eq!(season.dry(&settings(), None), Some(Grams::new(2100.0)));
        assert!(season.undo());
        assert!(!season.undo());
    }

    #[test]
    fn another_day_of_sowing_is_another_season() {
        let day = NaiveDate::from_ymd_opt(2026, 3, 1);
        let sown = FlatSettings { sown: day, ..settings() };
        let season = Season::begin(&sown);
        assert!(!season.is_over(&sown));
        assert!(!season.is_over(&settings()), "a day taken out of the file is no other day");
        assert!(season.is_over(&FlatSettings { sown: day.and_then(|day| day.succ_opt()), ..settings() }));
        assert!(!Season::begin(&settings()).is_over(&sown), "a day first written is no other day");
    }
}
