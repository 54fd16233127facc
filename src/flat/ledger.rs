//! What happened to a flat, as it was read from its weights, so that a reading can be corrected later.
//!
//! What follows from an event (when it was watered, whether its dome is on, where its band lies) is a fold over the events. Each
//! entry keeps what was known before it. To correct one, the fold is done again from there; what commands changed in between is
//! the difference from the end of one entry to the beginning of the next, and is put in again.

use super::{Altered, Band, Ends, Over, Plants, Recipe, Seedtime, Weighing};
use crate::moment::Moment;
use crate::units::{Fraction, Grams};
use serde::{Deserialize, Serialize};

/// As good as full: what a soak leaves behind when it is not watched.
pub const FULL: Fraction = Fraction::new(0.95);
/// So many events can be corrected.
const KEPT: usize = 24;

/// What follows from events.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Derived {
    /// Last watered.
    pub watered: Option<Moment>,
    /// Last soaked through.
    pub soaked: Option<Moment>,
    /// Whether its dome is on, if known.
    pub dome_on: Option<bool>,
    /// What its dome weighs, as learned.
    pub dome_weight: Option<Grams>,
    /// The recorded ends of its band, and its plants.
    pub ends: Ends,
}

/// What an event is taken for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Taken {
    /// Water came.
    Watered,
    /// The dome was put on.
    DomeOn,
    /// The dome was taken off.
    DomeOff,
    /// Plants were taken out.
    Thinned,
    /// It came into another tray.
    TraySwapped,
    /// Mix was lost, or cells were taken out.
    MixLost,
    /// Nothing that counts.
    Nothing,
}

impl Taken {
    /// All of them, by the words of the contract.
    pub const ALL: [(&'static str, Self); 7] = [
        ("watered", Self::Watered),
        ("dome-on", Self::DomeOn),
        ("dome-off", Self::DomeOff),
        ("thinned", Self::Thinned),
        ("tray-swapped", Self::TraySwapped),
        ("mix-lost", Self::MixLost),
        ("nothing", Self::Nothing),
    ];

    /// The word of the contract.
    #[must_use]
    pub const fn name(self) -> &'static str {
        Self::ALL[self as usize].0
    }
}

/// One event.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Entry {
    /// The number of the event.
    pub seq: u64,
    /// The number of the first event that told of it: what came back may have been watered, which is told by itself.
    pub first: u64,
    /// The number of an event that told of it once more, as what it really was.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub also: Option<u64>,
    /// When it happened.
    pub at: Moment,
    /// By how much the weight changed.
    pub change: Grams,
    /// The weight afterwards.
    pub weight: Option<Grams>,
    /// What it was read as.
    pub read: Taken,
    /// Somebody told of it, and no scale saw it.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub told: bool,
    /// What a dome weighs was learned from it.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub learned: bool,
    /// What it was, by correction; and how many cells were taken out.
    pub corrected: Option<(Taken, Option<u32>)>,
    /// The number of the event that told of the correction; `None` in older stores.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub corrected_by: Option<u64>,
    /// What its fill said when it was corrected: to take the correction back must not depend on what other flats have shown since.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<Box<Recipe>>,
    /// What was known before.
    pub before: Box<Derived>,
}

/// What a correction is worked out with.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Setting {
    /// The flat's own dry weight in the file.
    pub dry: Option<Grams>,
    /// The flat's own capacity weight in the file.
    pub capacity: Option<Grams>,
    /// What its fill says of its band.
    pub recipe: Recipe,
    /// The empty tray and insert; 0 where that is not known.
    pub tare: Grams,
    /// How many cells the insert has.
    pub cells: Option<u32>,
    /// The weight of its dome in the file.
    pub dome: Option<Grams>,
    /// When its plants began to grow.
    pub seed: Seedtime,
    /// Plants known to less than this are as expected.
    pub tolerance: Grams,
}

/// The last events of a flat.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Ledger {
    entries: Vec<Entry>,
    /// The number of the last correction of an event that has been dropped since: it cannot be taken back.
    #[serde(skip_serializing_if = "Option::is_none")]
    dropped: Option<u64>,
}

impl Ledger {
    /// Writes an event down.
    pub fn write(&mut self, entry: Entry) {
        if self.entries.len() >= KEPT {
            let old = self.entries.remove(0);
            self.dropped = self.dropped.max(old.correction());
        }
        self.entries.push(entry);
    }

    /// The correction that was made last: the number of its event, and the event that was corrected.
    #[must_use]
    pub fn latest(&self) -> Option<(u64, u64)> {
        self.entries.iter().filter_map(|entry| Some((entry.correction()?, entry.seq))).max()
    }

    /// The last correction that cannot be taken back any more.
    #[must_use]
    pub const fn dropped(&self) -> Option<u64> {
        self.dropped
    }

    /// The event of this number has told of the correction of another.
    pub fn corrected_by(&mut self, seq: u64, by: u64) {
        if let Some(entry) = self.entries.iter_mut().find(|entry| entry.is_told_by(seq)) {
            entry.corrected_by = Some(by);
        }
    }

    /// The events, the oldest first.
    pub fn entries(&self) -> impl DoubleEndedIterator<Item = &Entry> {
        self.entries.iter()
    }

    /// An event by its number.
    #[must_use]
    pub fn get(&self, seq: u64) -> Option<&Entry> {
        self.entries.iter().find(|entry| entry.is_told_by(seq))
    }

    /// Drops the events from this number on: they never happened.
    pub fn drop_from(&mut self, seq: u64) {
        self.entries.retain(|entry| entry.seq < seq);
    }

    /// Another event has told of one once more.
    pub fn told_again(&mut self, seq: u64, also: u64) {
        if let Some(entry) = self.entries.iter_mut().find(|entry| entry.seq == seq) {
            entry.also = Some(also);
        }
    }

    /// Takes an event for something else (`None`: for what it was read as), and works out anew what follows. `now` is what is
    /// known now. `None` where the event is not in the ledger.
    pub fn take(
        &mut self,
        seq: u64,
        was: Option<(Taken, Option<u32>)>,
        now: &Derived,
        setting: &Setting,
    ) -> Option<Derived> {
        let at = self.entries.iter().position(|entry| entry.is_told_by(seq))?;
        let mut old = self.entries.get(at)?.follow(setting);
        let entry = self.entries.get_mut(at)?;
        (entry.corrected, entry.by) = (was, was.map(|_| Box::new(setting.recipe)));
        entry.corrected_by = None;
        let mut new = self.entries.get(at)?.follow(setting);
        for entry in self.entries.iter_mut().skip(at + 1) {
            let between = carried_over(&new, &old, &entry.before);
            old = entry.follow(setting);
            *entry.before = between;
            new = entry.follow(setting);
        }
        Some(carried_over(&new, &old, now))
    }
}

/// `new`, with what has changed from `from` to `to` changed in it too.
#[must_use]
pub fn carried_over(new: &Derived, from: &Derived, to: &Derived) -> Derived {
    let mut carried = new.clone();
    if from.watered != to.watered {
        carried.watered = to.watered;
    }
    if from.soaked != to.soaked {
        carried.soaked = to.soaked;
    }
    if from.dome_on != to.dome_on {
        carried.dome_on = to.dome_on;
    }
    if from.dome_weight != to.dome_weight {
        carried.dome_weight = to.dome_weight;
    }
    if from.ends.dry != to.ends.dry {
        carried.ends.dry.clone_from(&to.ends.dry);
    }
    if from.ends.capacity != to.ends.capacity {
        carried.ends.capacity.clone_from(&to.ends.capacity);
    }
    if from.ends.dry_behind_file != to.ends.dry_behind_file {
        carried.ends.dry_behind_file.clone_from(&to.ends.dry_behind_file);
    }
    if from.ends.capacity_behind_file != to.ends.capacity_behind_file {
        carried.ends.capacity_behind_file.clone_from(&to.ends.capacity_behind_file);
    }
    if from.ends.grown != to.ends.grown {
        carried.ends.grown.clone_from(&to.ends.grown);
    }
    if from.ends.altered != to.ends.altered {
        carried.ends.altered.clone_from(&to.ends.altered);
    }
    if from.ends.cells_gone != to.ends.cells_gone {
        carried.ends.cells_gone = to.ends.cells_gone;
    }
    if from.ends.told_by != to.ends.told_by {
        carried.ends.told_by = to.ends.told_by;
    }
    if from.ends.after != to.ends.after {
        carried.ends.after = to.ends.after;
    }
    if from.ends.since != to.ends.since {
        carried.ends.since = to.ends.since;
    }
    carried
}

/// The later of two waterings: an older one may be told of last.
#[must_use]
pub fn later(known: Option<Moment>, told: Moment) -> Option<Moment> {
    known.filter(|known| known.mono > told.mono).or(Some(told))
}

impl Entry {
    fn is_told_by(&self, seq: u64) -> bool {
        (self.first..=self.seq).contains(&seq) || self.also == Some(seq)
    }

    /// The number of the event that told of its correction: in older stores its own will do.
    fn correction(&self) -> Option<u64> {
        self.corrected.map(|_| self.corrected_by.unwrap_or(self.seq))
    }

    /// What it is taken for.
    #[must_use]
    pub fn taken(&self) -> Taken {
        self.corrected.map_or(self.read, |(was, _)| was)
    }

    /// What is known after it.
    fn follow(&self, setting: &Setting) -> Derived {
        let setting = &Setting { recipe: self.by.as_deref().copied().unwrap_or(setting.recipe), ..*setting };
        let mut after = (*self.before).clone();
        let is_corrected = self.corrected.is_some();
        match self.taken() {
            Taken::Nothing => {}
            Taken::Watered => {
                after.watered = later(after.watered, self.at);
                if self.is_full(setting) {
                    after.soaked = later(after.soaked, self.at);
                }
            }
            on @ (Taken::DomeOn | Taken::DomeOff) => {
                after.dome_on = Some(on == Taken::DomeOn);
                if is_corrected || self.learned {
                    after.dome_weight = Some(self.change.abs());
                }
            }
            Taken::Thinned => self.thin(&mut after.ends, setting),
            Taken::TraySwapped => shift(&mut after.ends, setting, self.change),
            Taken::MixLost => self.lose_mix(&mut after.ends, setting),
        }
        after
    }

    /// Whether it was as good as full afterwards, by the band as it is known to have been.
    fn is_full(&self, setting: &Setting) -> bool {
        let before = &self.before;
        let dome = before.dome_weight.or(setting.dome).filter(|_| before.dome_on == Some(true)).unwrap_or(Grams::ZERO);
        let Some((weight, (dry, capacity))) = self.weight.zip(ends_of(&before.ends, setting)) else { return false };
        let Some(band) = Band::new(dry, capacity) else { return false };
        let grown = before.ends.grown.as_deref().and_then(|plants| super::Growth::fit(plants, band.width()));
        let plants = grown.map_or(Grams::ZERO, |growth| growth.at(self.at.wall).mass);
        band.fraction(weight - dome, plants).rounded() >= FULL
    }

    /// The plants get lighter by what was taken out; what of it had been in the band when that was recorded moves the band.
    fn thin(&self, ends: &mut Ends, setting: &Setting) {
        let width = ends_of(ends, setting).map_or(Grams::ZERO, |(dry, capacity)| capacity - dry);
        let grown = ends.grown.as_deref().and_then(|plants| super::Growth::fit(plants, width));
        let had = grown.map_or(Grams::ZERO, |growth| growth.at(self.at.wall).mass);
        let taken = Grams::ZERO - self.change;
        let of_plants = taken.max(Grams::ZERO).min(had);
        if had > Grams::ZERO {
            let left = Weighing { at: self.at.wall, mass: had - of_plants, told: true, tolerance: setting.tolerance };
            ends.grown = Some(Box::new(Plants::with(ends.grown.as_deref(), setting.seed, left, had)));
        }
        shift(ends, setting, of_plants - taken);
    }

    /// The band shrinks with the mix: by the cells that are gone, else by the share of the weight that is.
    fn lose_mix(&self, ends: &mut Ends, setting: &Setting) {
        let Some((dry, capacity)) = ends_of(ends, setting) else { return };
        let cells = self.corrected.and_then(|(_, cells)| cells).zip(setting.cells);
        // Of those that were still there.
        let by_cells = cells.map(|(gone, of)| f64::from(gone) / f64::from(of.saturating_sub(ends.cells_gone).max(1)));
        ends.cells_gone += cells.map_or(0, |(gone, _)| gone);
        let before = self.weight.map(|weight| weight - self.change - setting.tare);
        let by_weight =
            before.filter(|before| *before > Grams::ZERO).map(|before| (Grams::ZERO - self.change) / before);
        let Some(gone) = by_cells.or(by_weight) else { return };
        let left = 1.0 - gone.clamp(0.0, 0.95);
        let shrunk = |end: Grams| setting.tare + (end - setting.tare) * left;
        put(ends, setting, shrunk(dry), shrunk(capacity));
        if let Some(plants) = &mut ends.grown {
            plants.rescale(left);
        }
    }
}

fn ends_of(ends: &Ends, setting: &Setting) -> Option<(Grams, Grams)> {
    let recorded = |over: &Option<Box<Over<Grams>>>| over.as_ref().map(|over| over.value);
    let own_dry = recorded(&ends.dry).or(setting.dry);
    let own_capacity = recorded(&ends.capacity).or(setting.capacity);
    let known = setting.recipe.ends(own_dry, own_capacity);
    known.dry.zip(known.capacity)
}

fn shift(ends: &mut Ends, setting: &Setting, by: Grams) {
    if let Some((dry, capacity)) = ends_of(ends, setting).filter(|_| by != Grams::ZERO) {
        put(ends, setting, dry + by, capacity + by);
    }
}

fn put(ends: &mut Ends, setting: &Setting, dry: Grams, capacity: Grams) {
    ends.altered = Some(Box::new(Altered { was: ends.as_filled() }));
    let over =
        |value: Grams, own: Option<Grams>, fill: Option<Grams>| Some(Box::new(Over { value, file: own.or(fill) }));
    ends.dry = over(dry, setting.dry, setting.recipe.dry);
    ends.capacity = over(capacity, setting.capacity, setting.recipe.capacity);
}
