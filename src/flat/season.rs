//! What commands have recorded about a flat in one season, against what the file says.

use super::{Band, BandFrom, FillSettings, FlatSettings, Limits, Plants, Seedtime, SomeLimits, StageSaid, Weighing};
use crate::moment::{Span, Wall};
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
    /// A recorded dry weight that has given way to the file, and what the file says instead. When that says nothing any more, it
    /// holds again.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub dry_behind_file: Commanded<Grams>,
    /// The same of the capacity weight.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub capacity_behind_file: Commanded<Grams>,
    /// Since when the band is as it is; `None`: since the first weight.
    pub since: Option<Wall>,
    /// What is known of the fresh mass grown since; belongs to the band, and is undone with it.
    pub grown: Option<Box<Plants>>,
    /// A correction has moved its ends: it is no longer as it was filled.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub altered: Option<Box<Altered>>,
    /// So many of its cells have been taken out since it was filled.
    #[serde(skip_serializing_if = "is_zero")]
    pub cells_gone: u32,
    /// The number of the event that told of them, if one did.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub told_by: Option<u64>,
    /// They were recorded after the event of this number, and before the next one: what `undo` goes by.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub after: Option<u64>,
    /// A plant mass as older stores have it: without a time.
    #[serde(skip_serializing_if = "is_none")]
    plants: Grams,
}

/// That mix, cells or plants were taken out of a flat, or its tray is another.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Altered {
    /// The band that was measured before, which still tells of its fill; `None`: none was.
    pub was: Option<Band>,
}

impl Ends {
    /// Holds recorded ends against what the file says of them now; what has changed of the dry weight, and of the capacity weight.
    fn meet_file(&mut self, dry: Option<Grams>, capacity: Option<Grams>) -> [Option<Replaced>; 2] {
        [
            end_meets_file("dry_weight", &mut self.dry, &mut self.dry_behind_file, dry),
            end_meets_file("capacity_weight", &mut self.capacity, &mut self.capacity_behind_file, capacity),
        ]
    }

    /// Whether the file has won over a recorded end, and nothing has been recorded of it since.
    const fn gave_way(&self) -> bool {
        self.dry.is_none() && self.dry_behind_file.is_some()
            || self.capacity.is_none() && self.capacity_behind_file.is_some()
    }

    const fn is_recorded(&self) -> bool {
        self.dry.is_some() || self.capacity.is_some()
    }

    /// What was measured of the flat as it was filled: both ends by command. A correction takes nothing of that back.
    #[must_use]
    pub fn as_filled(&self) -> Option<Band> {
        match &self.altered {
            Some(altered) => altered.was,
            None => Band::new(self.dry.as_ref()?.value, self.capacity.as_ref()?.value),
        }
    }
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde asks so")]
fn is_none(mass: &Grams) -> bool {
    *mass == Grams::ZERO
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde asks so")]
const fn is_zero(count: &u32) -> bool {
    *count == 0
}

/// A change in the file has changed what holds: something a command had set gave way, or a recorded weight holds again.
#[derive(Debug, Clone, PartialEq)]
pub struct Replaced {
    /// The key in the file.
    pub key: &'static str,
    /// What held before.
    pub from: serde_json::Value,
    /// What holds now.
    pub to: serde_json::Value,
}

/// So many records can be undone.
const UNDO_DEPTH: usize = 8;
/// A capacity recorded so soon after the band began is a better one; later, what came on top has grown.
const BAND_SETTLES: Span = Span::days(3);

/// All that was recorded in this season.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Season {
    /// The day it was sown, by the file.
    pub sown: Option<NaiveDate>,
    /// The day its plants were sown in another flat, from which they were potted on; the file's goes before it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sown_elsewhere: Option<NaiveDate>,
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
    /// The stage that a command began.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub stage: Option<Box<StageSaid>>,
}

impl Season {
    /// A season that begins now.
    #[must_use]
    pub fn begin(settings: &FlatSettings) -> Self {
        Self { sown: settings.sown, ..Self::default() }
    }

    /// Whether the file has this flat sown on another day than this season's: it starts anew. One that is done with starts anew by any
    /// day that it has not had, also where it has had none.
    #[must_use]
    pub fn is_over(&self, settings: &FlatSettings, retired: bool) -> bool {
        let is_another = |then: NaiveDate| settings.sown.is_some_and(|now| now != then);
        if retired {
            return settings.sown.is_some() && self.day_of_sowing().is_none_or(is_another);
        }
        self.sown.is_some_and(is_another)
    }

    /// The day it was sown, here or elsewhere, as far as that is known.
    #[must_use]
    pub fn day_of_sowing(&self) -> Option<NaiveDate> {
        self.sown.or(self.sown_elsewhere)
    }

    /// Takes the day of sowing from the file, if that has one. Whether it is news.
    pub fn is_sown(&mut self, settings: &FlatSettings) -> bool {
        let before = self.sown;
        self.sown = settings.sown.or(before);
        self.sown != before
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
        let from = if self.ends.is_recorded() && !self.ends.gave_way() {
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
    pub fn record_dry(&mut self, dry: Grams, file: Option<Grams>, now: Wall) {
        self.remember();
        self.ends.dry = Some(Box::new(Over { value: dry, file }));
        self.ends.dry_behind_file = None;
        self.ends.grown = None;
        self.ends.cells_gone = 0;
        self.ends.since = Some(now);
    }

    /// Records the capacity weight; `file` is what the file says now.
    pub fn record_capacity(&mut self, capacity: Grams, file: Option<Grams>, now: Wall) {
        self.remember();
        self.ends.capacity = Some(Box::new(Over { value: capacity, file }));
        self.ends.capacity_behind_file = None;
        self.ends.since = Some(now);
    }

    /// Records what the plants weigh, as a soak has shown it; see [`Season::seedtime`] for `seed`.
    pub fn record_plants(&mut self, weighing: Weighing, seed: Seedtime, expected: Grams) {
        self.remember();
        self.learn_plants(weighing, seed, expected);
    }

    /// Takes what the plants weigh by the grower; `None`: back to what soaks have shown.
    pub fn set_plants(&mut self, told: Option<Weighing>, seed: Seedtime, expected: Grams) {
        self.remember();
        match told {
            Some(told) => self.learn_plants(told, seed, expected),
            None => {
                self.ends.grown = self.ends.grown.take().and_then(|plants| plants.without_told()).map(Box::new);
            }
        }
    }

    fn learn_plants(&mut self, weighing: Weighing, seed: Seedtime, expected: Grams) {
        self.ends.grown = Some(Box::new(Plants::with(self.ends.grown.as_deref(), seed, weighing, expected)));
    }

    /// When the plants began to grow, as far as they count; `first` is the moment of the first weight, or now. A band that
    /// the file gives is one without plants, as sown; a recorded one has what was there then in it.
    #[must_use]
    pub fn seedtime(&self, sown: Option<Wall>, first: Wall) -> Seedtime {
        let since = self.ends.since.unwrap_or(first);
        let zero = sown.filter(|sown| !self.ends.is_recorded() && *sown < since).unwrap_or(since);
        Seedtime { zero, sown }
    }

    /// Whether the band has held for so long that what a soak shows on top of it has grown; `first` as above. It must be
    /// complete.
    #[must_use]
    pub fn band_has_settled(&self, first: Option<Wall>, now: Wall) -> bool {
        self.ends.since.or(first).is_some_and(|since| now.since(since) >= BAND_SETTLES)
    }

    /// Takes up what an older store has of plants: a number by the grower, without a time. Whether there was any.
    pub fn take_up_older(&mut self, now: Wall) -> bool {
        let take_up = |ends: &mut Ends| {
            let mass = std::mem::replace(&mut ends.plants, Grams::ZERO);
            let told = Weighing { at: now, mass, told: true, tolerance: Grams::ZERO };
            let seed = Seedtime { zero: now, sown: None };
            if mass > Grams::ZERO {
                ends.grown = Some(Box::new(Plants::with(None, seed, told, mass)));
            }
            mass > Grams::ZERO
        };
        self.before.iter_mut().for_each(|ends| {
            take_up(ends);
        });
        take_up(&mut self.ends)
    }

    /// Back to the file's band, without plants; `now` it begins. Whether there was anything to forget.
    pub fn forget_band(&mut self, now: Wall) -> bool {
        if !self.ends.is_recorded() && !self.ends.gave_way() && self.ends.grown.is_none() {
            return false;
        }
        self.remember();
        self.ends = Ends { since: Some(now), ..Ends::default() };
        true
    }

    /// After which event the last record was made, and whether that can be undone: so many are remembered, and no more.
    #[must_use]
    pub fn latest(&self) -> Option<(u64, bool)> {
        let after = self.ends.after.or(self.ends.told_by);
        if self.before.is_empty() { Some((self.ends.after?, false)) } else { Some((after.unwrap_or(0), true)) }
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
        self.ends.told_by = None;
        self.ends.after = None;
    }

    /// Recorded weights follow a corrected span.
    pub fn rescale(&mut self, factor: f64) {
        let rescale = |ends: &mut Ends| {
            let behind = [&mut ends.dry_behind_file, &mut ends.capacity_behind_file];
            for over in [&mut ends.dry, &mut ends.capacity].into_iter().chain(behind).flatten() {
                over.value = over.value * factor;
            }
            if let Some(was) = ends.altered.as_mut().and_then(|altered| altered.was.as_mut()) {
                *was = was.rescaled(factor);
            }
            if let Some(plants) = &mut ends.grown {
                plants.rescale(factor);
            }
            ends.plants = ends.plants * factor;
        };
        rescale(&mut self.ends);
        self.before.iter_mut().for_each(rescale);
    }

    /// Holds what commands set against the file as it is now: what has changed in the file wins. A recorded end of the band is a
    /// measurement: where the file says nothing of it any more, it holds.
    pub fn meet_file(
        &mut self,
        settings: &FlatSettings,
        fill: Option<&FillSettings>,
        stand: Option<&str>,
        now: Wall,
    ) -> Vec<Replaced> {
        let file_dry = settings.dry_weight.or_else(|| fill.and_then(|fill| fill.dry_weight));
        let file_capacity = settings.capacity_weight.or_else(|| fill.and_then(|fill| fill.capacity_weight));
        let own = &settings.own_limits;
        let stand = Some(stand.map(str::to_owned));
        // No stand in the file, as it comes back from JSON, is no file's word at all.
        if let Some(over) = &mut self.stand {
            over.file.get_or_insert_default();
        }
        // What `undo` goes back to has to meet the same file.
        self.before.iter_mut().for_each(|ends| {
            ends.meet_file(file_dry, file_capacity);
        });
        let [dry, capacity] = self.ends.meet_file(file_dry, file_capacity);
        if dry.is_some() || capacity.is_some() {
            self.ends.since = Some(now);
        }
        [
            dry,
            capacity,
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

fn end_meets_file(
    key: &'static str,
    recorded: &mut Commanded<Grams>,
    behind: &mut Commanded<Grams>,
    file: Option<Grams>,
) -> Option<Replaced> {
    if let Some(over) = recorded {
        let value = over.value;
        if file.is_none() {
            over.file = None;
            return None;
        }
        let replaced = give_way(key, recorded, file)?;
        *behind = Some(Box::new(Over { value, file }));
        return Some(replaced);
    }
    if file.is_some() {
        behind.iter_mut().for_each(|over| over.file = file);
        return None;
    }
    let Over { value, file: from } = *behind.take()?;
    *recorded = Some(Box::new(Over { value, file: None }));
    Some(Replaced { key, from: serde_json::json!(from), to: serde_json::json!(value) })
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

    const NOW: Wall = Wall::from_millis(1_772_000_000_000);
    const SEED: Seedtime = Seedtime { zero: NOW, sown: None };

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
        season.record_dry(Grams::new(2100.0), Some(Grams::new(2000.0)), NOW);
        season.record_capacity(Grams::new(3100.0), Some(Grams::new(3000.0)), NOW);
        assert!(season.meet_file(&settings(), None, None, NOW).is_empty());

        let edited = FlatSettings { dry_weight: Some(Grams::new(1990.0)), ..settings() };
        let replaced = season.meet_file(&edited, None, None, NOW);
        assert_eq!(replaced.len(), 1);
        assert_eq!((replaced[0].key, &replaced[0].to), ("dry_weight", &serde_json::json!(1990.0)));
        let (band, from) = season.band(&edited, None).unwrap();
        assert_eq!((band.dry(), band.capacity(), from), (Grams::new(1990.0), Grams::new(3100.0), BandFrom::File));
    }

    #[test]
    fn records_are_undone_one_by_one() {
        let mut season = Season::begin(&settings());
        season.record_dry(Grams::new(2100.0), None, NOW);
        season.record_dry(Grams::new(2200.0), None, NOW);
        assert!(season.undo());
        assert_eq!(season.dry(&settings(), None), Some(Grams::new(2100.0)));
        assert!(season.forget_band(NOW));
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
        assert!(!season.is_over(&sown, false) && !season.is_over(&sown, true));
        assert!(!season.is_over(&settings(), true), "a day taken out of the file is no other day");
        assert!(season.is_over(&FlatSettings { sown: day.and_then(|day| day.succ_opt()), ..settings() }, false));
        assert!(!Season::begin(&settings()).is_over(&sown, false), "a day first written is no other day");
        assert!(Season::begin(&settings()).is_over(&sown, true), "but for one that was done with before");
    }

    #[test]
    fn a_plant_mass_of_an_older_store_is_a_number_by_the_grower() {
        let mut season: Season = serde_json::from_str(r#"{"ends":{"plants":120.0}}"#).unwrap();
        assert!(season.take_up_older(NOW) && !season.take_up_older(NOW));
        let told = Weighing { at: NOW, mass: Grams::new(120.0), told: true, tolerance: Grams::ZERO };
        let mut anew = Season::default();
        anew.set_plants(Some(told), SEED, Grams::ZERO);
        assert_eq!(season.ends, anew.ends);
        season.set_plants(None, SEED, Grams::ZERO);
        assert_eq!(season.ends.grown, None, "null goes back to the file, which knows of none");
    }

    #[test]
    fn plants_are_undone_with_the_band_and_rescaled_with_it() {
        let mut season = Season::begin(&settings());
        let seen = |days: i64, mass: f64| Weighing {
            at: NOW + Span::days(days),
            mass: Grams::new(mass),
            told: false,
            tolerance: Grams::new(20.0),
        };
        season.record_plants(seen(10, 30.0), SEED, Grams::ZERO);
        let before = season.ends.clone();
        season.record_plants(seen(20, 90.0), SEED, Grams::new(60.0));
        season.record_capacity(Grams::new(3100.0), None, NOW + Span::days(21));
        assert!(season.undo() && season.undo());
        assert_eq!(season.ends, before);
        season.rescale(1.1);
        let mut heavier = Season::begin(&settings());
        heavier.record_plants(seen(10, 30.0 * 1.1), SEED, Grams::ZERO);
        assert_eq!(season.ends, heavier.ends);
    }

    #[test]
    fn a_band_of_the_file_has_no_plants_at_sowing_and_a_recorded_one_none_when_it_was_recorded() {
        let mut season = Season::begin(&settings());
        let (sown, first, later) = (NOW - Span::days(20), NOW, NOW + Span::days(1));
        assert_eq!(season.seedtime(Some(sown), first).zero, sown);
        assert_eq!(season.seedtime(None, first).zero, first);
        season.record_capacity(Grams::new(3100.0), None, later);
        assert_eq!(season.seedtime(Some(sown), first), Seedtime { zero: later, sown: Some(sown) });
        assert!(!season.band_has_settled(Some(first), NOW + Span::days(3)));
        assert!(season.band_has_settled(Some(first), NOW + Span::days(4)));
    }
}
