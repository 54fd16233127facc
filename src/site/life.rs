//! Commands about a flat's life: its stages, what really happened.

use super::orders::Done;
use super::{Happening, Site, Subject};
use crate::flat::{Derived, Entry, Setting, StageSaid, Taken, tolerance};
use crate::moment::{Moment, Span};
use crate::units::Grams;
use serde_json::{Map, json};

/// What was seen of an event, or told.
#[derive(Debug, Clone, Copy)]
pub(super) struct Seen {
    /// By how much the weight changed.
    pub change: Grams,
    /// What it was read as.
    pub read: Taken,
    /// Somebody told of it, and no scale saw it.
    pub told: bool,
    /// A dome's weight was learned from it.
    pub learned: bool,
}

impl Seen {
    pub const fn on_a_scale(change: Grams, read: Taken) -> Self {
        Self { change, read, told: false, learned: false }
    }
}

impl Site {
    // ---- stages

    /// `stage`: one of the list begins.
    pub(super) fn stage(&mut self, index: usize, name: &str) -> Done {
        let stages = &self.plan.flats[index].1.stages;
        let listed: Vec<&str> = stages.iter().map(|stage| stage.name.as_str()).collect();
        if listed.is_empty() {
            return Err("it has no stages; `stages: standard` in the file gives it germinating, growing-on and \
                        hardening-off"
                .to_owned());
        }
        if !listed.contains(&name) {
            return Err(format!("it has no stage {name:?}; its stages are {}", listed.join(", ")));
        }
        let on = self.plan.zone.date(self.now.wall);
        self.flats[index].kept.season.stage = Some(Box::new(StageSaid { name: name.to_owned(), on }));
        self.setting_changed(index);
        let limits = self.flats[index].limits;
        Ok(Map::from_iter([
            ("stage".to_owned(), json!(name)),
            ("target".to_owned(), json!(limits.target.rounded().get())),
        ]))
    }

    /// `emerged`: the seedlings are up, so what is kept wet for seeds ends.
    pub(super) fn emerged(&mut self, index: usize) -> Done {
        let stages = &self.plan.flats[index].1.stages;
        let Some(now) = self.flats[index].stage else {
            return Err("it has no stages, so nothing changes when its seedlings are up".to_owned());
        };
        let Some(germinating) = stages.get(now).filter(|stage| stage.wet_is_meant) else {
            let stage = stages.get(now).map_or("", |stage| stage.name.as_str());
            return Err(format!("it is past germinating already: it is {stage}"));
        };
        let Some(next) = stages.get(now + 1).map(|stage| stage.name.clone()) else {
            return Err(format!("{} is its last stage", germinating.name));
        };
        self.stage(index, &next)
    }

    // ---- what really happened

    pub(super) fn derived(&self, index: usize) -> Derived {
        let kept = &self.flats[index].kept;
        Derived {
            watered: kept.watered,
            soaked: kept.soaked,
            dome_on: kept.dome_on,
            dome_weight: kept.dome_weight,
            ends: kept.season.ends.clone(),
        }
    }

    /// Writes an event of a flat down, so that it can be corrected; `before` is what was known before it, and `first` the number
    /// of the first event that told of it.
    pub(super) fn write_down(&mut self, index: usize, seen: Seen, at: Moment, first: u64, before: Derived) {
        let (seq, Seen { change, read, told, learned }) = (self.seq, seen);
        let Some(flat) = self.flats.get_mut(index) else { return };
        let weight = if told { flat.present } else { flat.kept.weighed.map(|weighed| weighed.weight) };
        let (before, also, corrected, corrected_by, by) = (Box::new(before), None, None, None, None);
        let entry =
            Entry { seq, first, also, at, change, weight, read, told, learned, corrected, corrected_by, by, before };
        flat.kept.ledger.get_or_insert_default().write(entry);
    }

    fn setting_of(&self, index: usize) -> Setting {
        let fill = self.fill(index);
        let width = self.flats[index].band.map_or(Grams::ZERO, |(band, _)| band.width());
        let settings = &self.plan.flats[index].1;
        Setting {
            dry: settings.dry_weight,
            capacity: settings.capacity_weight,
            recipe: self.says_the_fill(index),
            tare: fill.and_then(|fill| fill.tare).unwrap_or(Grams::ZERO),
            cells: fill.and_then(|fill| fill.cells),
            dome: settings.dome_weight,
            seed: self.seedtime(index),
            tolerance: tolerance(width, self.weight_error(index)),
        }
    }

    /// Takes an event for something else, and everything that follows from it is worked out again. The next event tells of it.
    pub(super) fn take_for(&mut self, index: usize, seq: u64, was: Option<(Taken, Option<u32>)>) {
        let (now, setting) = (self.derived(index), self.setting_of(index));
        let kept = &mut self.flats[index].kept;
        if let (Some(between), Some(ledger)) = (kept.between.as_deref_mut(), kept.ledger.as_deref()) {
            let seq = ledger.get(seq).map_or(seq, |entry| entry.seq);
            between.was_poured(seq, was.is_none_or(|(was, _)| was == Taken::Watered));
        }
        let Some(new) = kept.ledger.as_deref_mut().and_then(|ledger| ledger.take(seq, was, &now, &setting)) else {
            return;
        };
        if let (Some(ledger), true) = (kept.ledger.as_deref_mut(), was.is_some()) {
            ledger.corrected_by(seq, self.seq + 1);
        }
        kept.watered = new.watered;
        kept.soaked = new.soaked;
        kept.dome_on = new.dome_on;
        kept.dome_weight = new.dome_weight;
        kept.season.ends = new.ends;
        kept.misfit = None;
        if let (Some(stand), true) = (self.flats[index].stand, self.flats[index].kept.off_since.is_none()) {
            self.flats[index].on_stand = true;
            self.stands[stand].stand.accept_load();
        }
    }

    /// `correct`: an event was something else.
    pub(super) fn correct(&mut self, index: usize, seq: u64, was: Taken, cells: Option<u32>) -> Done {
        let entry = self.flats[index].kept.ledger.as_deref().and_then(|ledger| ledger.get(seq));
        let Some(entry) = entry else {
            return Err(format!(
                "event {seq} is not among the last of this flat that can be corrected (watered, returned, removed, bumped, \
                 visited, a dome); its number stands in the event as `seq`"
            ));
        };
        if entry.corrected.is_some() {
            return Err(format!(
                "event {seq} has been corrected already, to {}; `undo` takes that back",
                entry.taken().name()
            ));
        }
        self.check_correction(index, &entry.clone(), was, cells)?;
        let from = entry.taken().name();
        self.take_for(index, seq, Some((was, cells)));
        self.event(Subject::Flat(index), Happening::Corrected { seq, from, to: was.name() });
        self.band_changed(index);
        Ok(self.band_answer(index))
    }

    fn check_correction(&self, index: usize, entry: &Entry, taken: Taken, cells: Option<u32>) -> Result<(), String> {
        let change = entry.change.get();
        if entry.told && !matches!(taken, Taken::Watered | Taken::Nothing) {
            return Err("no scale saw that water: it was poured, or it was `nothing`".to_owned());
        }
        if let Some(cells) = cells {
            if taken != Taken::MixLost {
                return Err("`cells` goes with \"was\":\"mix-lost\": so many cells were taken out".to_owned());
            }
            self.share_left(index, cells, entry.before.ends.cells_gone)?;
        }
        let than_before = if change < 0.0 { "lighter" } else { "heavier" };
        let became = format!("at that event it became {than_before} by {:.0} g", change.abs());
        match taken {
            Taken::Watered | Taken::DomeOn if change < 0.0 => {
                Err(format!("{became}, so nothing was put on it: is another event meant?"))
            }
            Taken::DomeOff | Taken::Thinned | Taken::MixLost if change > 0.0 => {
                Err(format!("{became}, so nothing was taken from it: is another event meant?"))
            }
            _ => Ok(()),
        }
    }

    /// Takes the correction of an event back.
    pub(super) fn undo_correction(&mut self, index: usize, seq: u64) {
        self.cells_are_back(index, seq);
        let taken = |site: &Self| {
            let entry = site.flats[index].kept.ledger.as_deref().and_then(|ledger| ledger.get(seq));
            entry.map_or(Taken::Nothing, Entry::taken).name()
        };
        let from = taken(self);
        self.take_for(index, seq, None);
        self.event(Subject::Flat(index), Happening::Corrected { seq, from, to: taken(self) });
        self.band_changed(index);
    }

    /// Something has been recorded of its band: `undo` takes it back before all that came earlier.
    pub(super) fn recorded_now(&mut self, index: usize) {
        self.flats[index].kept.season.ends.after = Some(self.seq);
    }

    // ---- notes

    /// `note`
    pub(super) fn note(&mut self, index: usize, kind: String, text: String) -> Done {
        self.event(Subject::Flat(index), Happening::Noted { kind, text });
        Ok(Map::from_iter([("seq".to_owned(), json!(self.seq))]))
    }

    pub(super) fn is_retired(&self, index: usize) -> bool {
        self.flats[index].kept.retired.is_some()
    }

    // ---- a stand that lies

    /// `restore`: the stand has set itself to zero under its flat; its zero goes back to where the flat's last weight puts it.
    pub(super) fn restore(&mut self, stand: usize, index: usize) -> Done {
        let id = self.id(Subject::Stand(stand)).to_owned();
        let flat = &self.flats[index];
        if flat.stand != Some(stand) {
            if self.plan.stands[stand].1.shared {
                return Err(format!(
                    "{id} is shared, and nothing tells what lay on it when its zero was lost: take off what lies there, then `zero` it \
                     with \"force\":true"
                ));
            }
            return Err(format!(
                "{} does not belong on {id}; `holds` says what is on a stand",
                self.id(Subject::Flat(index))
            ));
        }
        let Some(weighed) = flat.kept.weighed else {
            return Err("it has never been weighed there, so nothing tells what its zero was: lift it off and `zero`"
                .to_owned());
        };
        let hour = self.local_hour(weighed.at.wall);
        let since = self.now.mono.since(weighed.at.mono);
        let lost = flat.kept.drying.loss(weighed.at, hour, since, None).map_or(Grams::ZERO, |loss| loss.expected);
        let expected = weighed.weight - lost;
        let moved = self.stands[stand].stand.restore_zero(expected)?;
        self.interrupt(index, Span::minutes(30));
        self.lies_here(stand, index);
        self.setting_changed(index);
        Ok(Map::from_iter([
            ("weight_g".to_owned(), json!(super::decimals(expected.get(), 1))),
            ("moved_g".to_owned(), json!(super::decimals(moved.get(), 1))),
            ("estimated".to_owned(), json!(true)),
        ]))
    }
}
