//! What of a stand must survive a crash, and how the file wins over it.

use super::calibration::{Corners, Line};
use super::empty::EmptyReads;
use super::handling::{Handler, Place};
use super::pace::{Noise, Pace};
use super::reading::Stand;
use super::settings::StandSettings;
use crate::moment::{Moment, Wall};
use crate::units::Grams;
use serde::{Deserialize, Serialize};

/// All that must survive of a stand. Its content is the stand's own business; it can be kept and given back.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct StandFacts {
    /// What commands have set, with what the file said then.
    pub(super) commanded: Option<Commanded>,
    pub(super) pace: Pace,
    pub(super) noise: Noise,
    pub(super) place: Place,
    /// The last weight believed, and when.
    pub(super) weight: Option<(Grams, Wall)>,
    /// The weight before it was lifted, and when that was.
    pub(super) before: Option<(Grams, Wall)>,
    pub(super) misfit: bool,
    pub(super) drying: Option<f64>,
    pub(super) empty: Option<EmptyReads>,
}

/// A calibration by command.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub(super) struct Commanded {
    /// The unit's name then; in another unit the numbers mean nothing.
    pub(super) unit: String,
    /// Of the whole, or of four corners: zero and grams per unit, in force.
    pub(super) lines: Vec<(Option<f64>, Option<f64>)>,
    /// The same as the file had them.
    pub(super) file: Vec<(Option<f64>, Option<f64>)>,
}

/// A key of the file that has changed, and so won over what a command had set.
#[derive(Debug, Clone, PartialEq)]
pub struct Replaced {
    /// The key: `zero`, `counts_per_gram`, `corners` or `unit`.
    pub key: &'static str,
    /// What the command had set.
    pub from: Option<f64>,
    /// What the file says.
    pub to: Option<f64>,
}

/// The lines of a stand as its file has them.
pub(super) fn lines_of_file(settings: &StandSettings) -> Vec<Line> {
    match Corners::of(settings) {
        Some(corners) => corners.cells.iter().map(|cell| cell.line).collect(),
        None => vec![Line::of(settings)],
    }
}

pub(super) fn pairs(lines: &[Line]) -> Vec<(Option<f64>, Option<f64>)> {
    lines.iter().map(|line| (line.zero, line.grams_per_unit)).collect()
}

impl Commanded {
    /// The lines in force: the command's, but where the file has changed since, the file's.
    pub(super) fn held_against(&self, settings: &StandSettings) -> (Vec<Line>, Vec<Replaced>) {
        let file = lines_of_file(settings);
        if self.unit != settings.unit.name() || self.lines.len() != file.len() || self.file.len() != file.len() {
            let key = if self.unit == settings.unit.name() { "corners" } else { "unit" };
            return (file, vec![Replaced { key, from: None, to: None }]);
        }
        let mut replaced = Vec::new();
        let mut lines = Vec::with_capacity(file.len());
        for ((own, then), now) in self.lines.iter().zip(&self.file).zip(&file) {
            let mut line = Line { zero: own.0, grams_per_unit: own.1 };
            if differs(then.0, now.zero) {
                replaced.push(Replaced { key: "zero", from: line.zero, to: now.zero });
                line.zero = now.zero;
            }
            if differs(then.1, now.grams_per_unit) {
                let counts = |slope: Option<f64>| slope.map(|slope| 1.0 / slope);
                let (from, to) = (counts(line.grams_per_unit), counts(now.grams_per_unit));
                replaced.push(Replaced { key: "counts_per_gram", from, to });
                line.grams_per_unit = now.grams_per_unit;
            }
            lines.push(line);
        }
        (lines, replaced)
    }
}

fn differs(then: Option<f64>, now: Option<f64>) -> bool {
    match (then, now) {
        (Some(then), Some(now)) => (then - now).abs() > 1e-9 * then.abs().max(now.abs()),
        (None, None) => false,
        _ => true,
    }
}

impl StandFacts {
    /// Nothing is known of what is on it.
    pub(super) fn forget_load(&mut self) {
        (self.place, self.misfit) = (Place::Unknown, false);
        (self.weight, self.before, self.drying) = (None, None, None);
    }

    /// What a handler knows, by the wall clock.
    pub(super) fn of_handler(&mut self, handler: &Handler, wall: impl Fn(crate::moment::Mono) -> Wall) {
        self.place = handler.place;
        self.misfit = handler.misfit;
        self.drying = handler.drying;
        self.before = handler.before.map(|(weight, at)| (Grams::new(weight), wall(at)));
    }
}

impl Stand {
    /// Another flat belongs on it than before the restart: what its weights said then is not this one's.
    pub fn forget_load(&mut self) {
        if let Some(facts) = &mut self.cold.restored {
            facts.forget_load();
        }
    }

    /// Takes up what was known before a restart.
    pub(super) fn resume(&mut self, at: Moment) {
        let Some(facts) = self.cold.restored.take() else { return };
        let past = |wall: Wall| at.mono_at(wall).min(at.mono);
        self.handler.drying = facts.drying;
        if let Some((weight, wall)) = facts.weight {
            self.handler.place = facts.place;
            self.handler.misfit = facts.misfit;
            self.handler.before = facts.before.map(|(weight, wall)| (weight.get(), past(wall)));
            self.handler.resume(weight.get(), past(wall), self.noise.variance());
        }
    }
}
