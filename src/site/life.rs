//! Commands about a flat's life: its stages, its dome, what really happened, where its plants have gone.

use super::bases::BY_THE_CLOCK;
use super::orders::Done;
use super::{Happening, Site, Subject};
use crate::alert::Of;
use crate::flat::{Derived, Entry, Ledger, Setting, StageSaid, Taken, tolerance};
use crate::moment::{Moment, Mono, Span};
use crate::stand::Handling;
use crate::units::{Grams, GramsPerHour};
use serde::{Deserialize, Serialize};
use serde_json::{Map, json};

/// A dome goes on or off so soon before or after somebody says so.
const DOME_SAID_WITHIN: Span = Span::minutes(15);
/// What a dome weighs.
const DOMES: std::ops::RangeInclusive<f64> = 15.0..=1500.0;

/// Somebody said that the dome goes on or off; the step is still to come.
#[derive(Debug, Clone, Copy)]
pub(super) struct DomeSaid {
    on: bool,
    at: Mono,
}

impl DomeSaid {
    pub const fn on(self) -> bool {
        self.on
    }
}

/// A step as heavy as its dome was taken for it; water can weigh as much.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(super) struct DomeGuess {
    seq: u64,
    at: Moment,
    /// How fast it dried before.
    rate: GramsPerHour,
}

/// A dome that was only guessed is judged by the drying of so long a time, in which day and night cancel.
const GUESS_JUDGED: Span = Span::hours(24);
/// Under a dome a flat loses a fifth at most (common practice, no source); one that goes on with more than this share of what it
/// lost before has none on.
const NO_DOME: f64 = 0.6;

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

    // ---- the dome

    /// `dome`: it is on, or off. Its weight is learned from the step, just before or just after.
    pub(super) fn dome(&mut self, index: usize, on: bool) -> Done {
        let now = self.now;
        self.flats[index].kept.dome_guess = None;
        let kept = &self.flats[index].kept;
        let step = kept.ledger.as_deref().and_then(Ledger::last).filter(|entry| {
            let is_recent = now.mono.since(entry.at.mono) <= DOME_SAID_WITHIN;
            is_recent && entry.corrected.is_none() && is_dome_step(entry.change, on)
        });
        if let Some(seq) = step.filter(|entry| !is_dome(entry, on)).map(|entry| entry.seq) {
            self.take_for(index, seq, Some((if on { Taken::DomeOn } else { Taken::DomeOff }, None)));
        } else if step.is_none() {
            self.dome_unweighed(index, on);
            self.flats[index].dome_said = self.is_weighed(index).then_some(DomeSaid { on, at: now.mono });
        }
        self.setting_changed(index);
        let settings = &self.plan.flats[index].1;
        let weight = self.flats[index].kept.dome_weight.or(settings.dome_weight);
        Ok(Map::from_iter([
            ("dome".to_owned(), json!(on)),
            ("dome_weight_g".to_owned(), json!(weight.map(|weight| super::decimals(weight.get(), 1)))),
        ]))
    }

    /// What was weighed last counts as if its dome had been as it is now.
    fn dome_unweighed(&mut self, index: usize, on: bool) {
        let settings = &self.plan.flats[index].1;
        let flat = &mut self.flats[index];
        let was_on = flat.kept.dome_on.replace(on) == Some(true);
        let weight = flat.kept.dome_weight.or(settings.dome_weight).filter(|_| was_on != on);
        let is_seen = flat.on_stand;
        if let (Some(weight), Some(weighed), false) = (weight, flat.kept.weighed.as_mut(), is_seen) {
            let change = if on { weight } else { Grams::ZERO - weight };
            weighed.weight += change;
            flat.present = flat.present.map(|present| present + change);
        }
    }

    /// A step has been taken for the dome by its weight alone.
    pub(super) fn guess_dome(&mut self, index: usize, on: bool) {
        let (seq, at) = (self.seq, self.now);
        let flat = &mut self.flats[index];
        // Before its own rate is known, that of flats of which nothing is known.
        let by_the_clock = flat.band.map(|(band, _)| GramsPerHour::new(band.width().get() * BY_THE_CLOCK));
        let usual = flat.outlook.rate.or(by_the_clock);
        flat.kept.dome_guess = usual.filter(|_| on).map(|rate| DomeGuess { seq, at, rate });
    }

    /// Somebody has said so long ago that the dome goes on or off that it must have been before: what lies there has it, or has not.
    pub(super) fn dome_never_seen(&mut self, index: usize) {
        let now = self.now.mono;
        let flat = &mut self.flats[index];
        flat.dome_said.take_if(|said| now.since(said.at) > DOME_SAID_WITHIN);
    }

    /// A flat that dries on as before has no dome on: it was water.
    pub(super) fn judge_dome(&mut self, index: usize) {
        let Some(guess) = self.flats[index].kept.dome_guess else { return };
        let since = self.now.mono.since(guess.at.mono);
        if since < GUESS_JUDGED {
            return;
        }
        self.flats[index].kept.dome_guess = None;
        let rate = self.ahead(index).rate();
        let is_still_on = self.flats[index].kept.dome_on == Some(true);
        if is_still_on && rate.is_some_and(|rate| rate.get() > NO_DOME * guess.rate.get()) {
            self.take_for(index, guess.seq, Some((Taken::Watered, None)));
            let (from, to) = (Taken::DomeOn.name(), Taken::Watered.name());
            self.event(Subject::Flat(index), Happening::Corrected { seq: guess.seq, from, to });
            self.flats[index].kept.dome_on = None;
            self.band_changed(index);
        }
    }

    /// A step that comes after somebody has said that the dome goes on or off is the dome.
    pub(super) fn with_the_dome_said(&mut self, index: usize, handling: Handling) -> Handling {
        let now = self.now.mono;
        let Some(flat) = self.flats.get_mut(index) else { return handling };
        let Some(said) = flat.dome_said.filter(|said| now.since(said.at) <= DOME_SAID_WITHIN) else { return handling };
        let change = match handling {
            Handling::Watered { gross, .. } => gross,
            Handling::Removed { change } | Handling::Visited { change } | Handling::Bumped { change } => change,
            _ => return handling,
        };
        if !is_dome_step(change, said.on) {
            return handling;
        }
        flat.dome_said = None;
        flat.kept.dome_guess = None;
        flat.kept.dome_weight = Some(change.abs());
        Handling::Dome { on: said.on, change }
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
    pub(super) fn write_down(&mut self, index: usize, (change, read): (Grams, Taken), first: u64, before: Derived) {
        let (seq, at) = (self.seq, self.now);
        let Some(flat) = self.flats.get_mut(index) else { return };
        let weight = flat.kept.weighed.map(|weighed| weighed.weight);
        let before = Box::new(before);
        let entry = Entry { seq, first, at, change, weight, read, corrected: None, by: None, before };
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

    /// Takes an event for something else, and everything that follows from it is worked out again.
    fn take_for(&mut self, index: usize, seq: u64, was: Option<(Taken, Option<u32>)>) {
        let (now, setting) = (self.derived(index), self.setting_of(index));
        let kept = &mut self.flats[index].kept;
        let Some(new) = kept.ledger.as_deref_mut().and_then(|ledger| ledger.take(seq, was, &now, &setting)) else {
            return;
        };
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
        if let Some(cells) = cells {
            let of = self.fill(index).and_then(|fill| fill.cells);
            match (taken, of) {
                (Taken::MixLost, Some(of)) if cells < of => {}
                (Taken::MixLost, Some(of)) => {
                    return Err(format!("{cells} cells were taken of {of}: none would be left"));
                }
                (Taken::MixLost, None) => {
                    return Err("its fill does not say how many cells it has: add `cells:` there".to_owned());
                }
                _ => return Err("`cells` goes with \"was\":\"mix-lost\": so many cells were taken out".to_owned()),
            }
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

    /// Takes the last correction back; whether there was one that nothing was recorded after.
    pub(super) fn undo_correction(&mut self, index: usize) -> bool {
        let latest = self.flats[index].kept.ledger.as_deref().and_then(|ledger| ledger.latest);
        let Some(seq) = latest else { return false };
        self.take_for(index, seq, None);
        self.band_changed(index);
        true
    }

    /// A record is what `undo` takes back next, not a correction before it.
    pub(super) fn recorded_now(&mut self, index: usize) {
        if let Some(ledger) = &mut self.flats[index].kept.ledger {
            ledger.latest = None;
        }
    }

    // ---- potting on, notes

    /// `note`
    pub(super) fn note(&mut self, index: usize, kind: String, text: String) -> Done {
        self.event(Subject::Flat(index), Happening::Noted { kind, text });
        Ok(Map::from_iter([("seq".to_owned(), json!(self.seq))]))
    }

    pub(super) fn is_retired(&self, index: usize) -> bool {
        self.flats[index].kept.retired.is_some()
    }

    /// `pot-on`: its plants go on in others, which are soaked anew; this one is done with.
    pub(super) fn pot_on(&mut self, index: usize, into: &[usize]) -> Done {
        let id = self.id(Subject::Flat(index)).to_owned();
        for (at, &other) in into.iter().enumerate() {
            let name = self.id(Subject::Flat(other));
            if other == index {
                return Err(format!("{name} cannot be potted on into itself"));
            }
            if into[..at].contains(&other) {
                return Err(format!("{name} is in the list twice"));
            }
            if self.is_retired(other) {
                return Err(format!("{name} is retired: give the new flat an id of its own in the file"));
            }
        }
        let sown = self.plan.flats[index].1.sown.or(self.flats[index].kept.season.sown);
        let mut lineage = self.flats[index].kept.lineage.clone();
        lineage.push(id.clone());
        let now = self.now.wall;
        for &other in into {
            let kept = &mut self.flats[other].kept;
            kept.lineage.clone_from(&lineage);
            kept.season.sown = kept.season.sown.or(sown);
            kept.asks_soak = Some(now);
            kept.season.ends.grown = None;
            kept.ledger = None;
            self.setting_changed(other);
        }
        let ids: Vec<String> = into.iter().map(|&other| self.id(Subject::Flat(other)).to_owned()).collect();
        self.event(Subject::Flat(index), Happening::PottedOn { into: ids.clone() });
        self.retire(index);
        Ok(Map::from_iter([("into".to_owned(), json!(ids)), ("retired".to_owned(), json!(id))]))
    }

    fn retire(&mut self, index: usize) {
        let stand = self.flats[index].stand;
        if let Some(stand) = stand.filter(|&stand| self.plan.stands[stand].1.shared) {
            self.release(stand);
        } else if stand.is_some() {
            self.assign(index, None);
        }
        self.flats[index].kept.retired = Some(self.now.wall);
        self.flats[index].kept.soak = None;
        self.leave_out_of_turns(index);
        let changes = self.board.clear_all(Of::Flat(index), "its plants have been potted on");
        self.carry_out(changes);
        self.setting_changed(index);
    }

    // ---- a stand that lies

    /// `restore`: the stand has set itself to zero under its flat; its zero goes back to where the flat's last weight puts it.
    pub(super) fn restore(&mut self, stand: usize, index: usize) -> Done {
        let id = self.id(Subject::Stand(stand)).to_owned();
        let flat = &self.flats[index];
        if flat.stand != Some(stand) {
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

fn is_dome_step(change: Grams, on: bool) -> bool {
    (change > Grams::ZERO) == on && DOMES.contains(&change.abs().get())
}

fn is_dome(entry: &Entry, on: bool) -> bool {
    entry.taken() == if on { Taken::DomeOn } else { Taken::DomeOff }
}
