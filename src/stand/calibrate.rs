//! Zero and span by command, and back to the file.

use super::calibration::Line;
use super::empty::EmptyReads;
use super::facts::{Commanded, lines_of_file, pairs};
use super::gate::MAX_LOAD;
use super::handling::Place;
use super::reading::Stand;
use super::{Fault, Said};
use crate::moment::Moment;
use crate::units::Grams;

/// A zero farther from the last than this share of the greatest load needs force.
const ZERO_MOVES: f64 = 0.02;
/// A span that changes by more than this needs force.
const SPAN_MOVES: f64 = 0.10;

/// A zero was set.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ZeroChange {
    /// What the stand read until now.
    pub was: Grams,
    /// The new zero in the stand's unit; of a stand with corners, of the first.
    pub zero: f64,
}

/// A span was set.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SpanChange {
    /// What the stand read of the mass until now; `None` if it had no span.
    pub was: Option<Grams>,
    /// New weights are old ones times this; 1 if it had no span.
    pub factor: f64,
    /// Counts for one gram from now on; of a stand with corners, of the first.
    pub counts_per_gram: f64,
}

impl Stand {
    /// Whether its numbers are grams: in counts only once zero and span are known.
    #[must_use]
    pub const fn is_calibrated(&self) -> bool {
        self.calibrated
    }

    /// To be called when a line has changed.
    pub(super) fn see_lines(&mut self) {
        self.calibrated = match &self.cold.corners {
            Some(corners) => corners.is_known(),
            None => self.line.is_known(),
        };
    }

    /// Whether it may have set itself to zero with its flat on it: it came back from a gap reading nothing.
    #[must_use]
    pub fn may_have_tared(&self) -> bool {
        self.health().is_ok() && self.handler.may_have_tared()
    }

    /// Another stand that lost its flat in the same minutes has set itself to zero: so has this one, by all that is known.
    pub fn has_tared_too(&mut self, at: Moment, said: &mut Vec<Said>) {
        self.handler.tared = true;
        self.raise(Fault::Tared, at, said);
    }

    /// What is on the stand now counts as nothing.
    ///
    /// # Errors
    /// If the stand is not steady; without `force`, if a flat is known on it, the zero moves by more than 2 % of the greatest load, or it
    /// reads less than nothing.
    pub fn zero(&mut self, at: Moment, force: bool, known_flat: bool) -> Result<ZeroChange, String> {
        let reads = self.reads_now().ok_or_else(|| self.unsteady("zero"))?;
        if self.has_lost_its_zero() && !force {
            return Err(format!(
                "it reads {reads:.0} g, less than nothing, as a stand does that was set to zero with something on it: if that is off \
                 it now, send {{\"command\":\"zero\",\"force\":true}}"
            ));
        }
        if known_flat && !force {
            return Err("a flat is known on this stand, and its weight would be lost: lift it off first; \
                        or send {\"command\":\"zero\",\"force\":true}"
                .to_owned());
        }
        let limit = ZERO_MOVES * self.cold.settings.max_load.map_or(MAX_LOAD, Grams::get);
        if self.is_calibrated() && reads.abs() > limit && !force {
            return Err(format!(
                "it reads {reads:.0} g, more than {limit:.0} g (2 % of max_load) from its last zero: \
                 is something on it, or a cell bent? If it is empty, send {{\"command\":\"zero\",\"force\":true}}"
            ));
        }
        let calibrated = self.is_calibrated();
        // What was kept is of before it lost its zero.
        self.resume(at);
        self.shift(reads);
        self.recalibrated(reads, 1.0);
        if calibrated {
            self.handler.place = Place::Empty;
        } else {
            self.handler.trend = None;
        }
        self.handler.tared = false;
        self.has_a_zero_again(at.mono);
        self.cold.empty = EmptyReads::zeroed();
        self.remember_lines();
        Ok(ZeroChange { was: Grams::new(reads), zero: self.first_line().zero.unwrap_or(0.0) })
    }

    /// What is on the stand now weighs `expected`: its zero goes back to where that puts it. What it moved by.
    ///
    /// # Errors
    /// If the stand is not steady, or has no calibration to go by.
    pub fn restore_zero(&mut self, expected: Grams) -> Result<Grams, String> {
        let reads = self.standing().ok_or_else(|| self.unsteady("restore"))?;
        if !self.is_calibrated() {
            return Err("nobody knows yet what its counts weigh: `zero` it empty, then `span` a known mass".to_owned());
        }
        let moved = reads - expected.get();
        self.shift_by(moved);
        self.recalibrated(moved, 1.0);
        self.handler.place = Place::Loaded;
        self.handler.tared = false;
        // Its zero is estimated: what it reads empty is known when it has been seen so.
        self.cold.empty = EmptyReads::default();
        self.remember_lines();
        Ok(Grams::new(moved))
    }

    /// Moves the zero of all cells together.
    fn shift_by(&mut self, grams: f64) {
        match &mut self.cold.corners {
            Some(corners) => {
                let each = grams / f64::from(u32::try_from(corners.cells.len().max(1)).unwrap_or(1));
                for cell in &mut corners.cells {
                    cell.line = cell.line.zeroed(each);
                }
            }
            None => self.line = self.line.zeroed(grams),
        }
    }

    fn shift(&mut self, reads: f64) {
        match &mut self.cold.corners {
            // What each cell reads by itself is its zero; what the sum was smoothed by is noise.
            Some(corners) => {
                for cell in &mut corners.cells {
                    cell.line = cell.line.zeroed(cell.grams());
                }
            }
            None => self.line = self.line.zeroed(reads),
        }
    }

    /// A known mass is on the stand.
    ///
    /// # Errors
    /// If the mass is not above 0, the stand is not steady, there is hardly anything on it, its zero is not known, or,
    /// without `force`, if weights change by more than a tenth.
    pub fn span(&mut self, mass: Grams, force: bool, _at: Moment) -> Result<SpanChange, String> {
        if mass.get() <= 0.0 {
            return Err("a known mass is above 0: {\"command\":\"span\",\"mass_g\":2000}".to_owned());
        }
        let reads = self.standing().ok_or_else(|| self.unsteady("span"))?;
        if self.first_line().zero.is_none() {
            return Err("its zero is not known yet: empty the stand, send zero, then put the mass on".to_owned());
        }
        let had_span = self.is_calibrated();
        // Negative before the first span: the cell's wires are swapped, and the span turns out negative.
        let least = if had_span { 0.2 * mass.get() } else { 1.0 };
        if (if had_span { reads } else { reads.abs() }) < least {
            return Err(format!("it reads {reads:.0} g: is the mass of {:.0} g on it?", mass.get()));
        }
        let factor = mass.get() / reads;
        if had_span && (factor - 1.0).abs() > SPAN_MOVES && !force {
            return Err(format!(
                "it reads {reads:.0} g for {:.0} g, and all weights would change by {:.0} %: is that mass right, and \
                 the stand zeroed? If so, send {{\"command\":\"span\",\"mass_g\":{},\"force\":true}}",
                mass.get(),
                (factor - 1.0) * 100.0,
                mass.get()
            ));
        }
        self.stretch(factor);
        self.recalibrated(0.0, factor);
        self.cold.empty = self.cold.empty.stretched(factor);
        if !had_span {
            self.handler.place = Place::Unknown;
            self.handler.trend = None;
        }
        self.remember_lines();
        let counts_per_gram = 1.0 / self.first_line().slope();
        Ok(SpanChange {
            was: had_span.then_some(Grams::new(reads)),
            factor: if had_span { factor } else { 1.0 },
            counts_per_gram,
        })
    }

    fn stretch(&mut self, factor: f64) {
        match &mut self.cold.corners {
            Some(corners) => {
                for cell in &mut corners.cells {
                    cell.line = cell.line.stretched(factor);
                }
            }
            None => self.line = self.line.stretched(factor),
        }
    }

    /// Back to the file's calibration; gives by what factor weights change, if both are known.
    pub fn forget_calibration(&mut self) -> Option<f64> {
        let before = self.first_line();
        let lines = lines_of_file(&self.cold.settings);
        self.put_lines(&lines);
        self.cold.commanded = None;
        self.cold.empty = EmptyReads::of(&self.cold.settings);
        let after = self.first_line();
        let known = before.is_known() && after.is_known();
        let factor = if known { after.slope() / before.slope() } else { 1.0 };
        let shift = if known { before.grams(after.zero.unwrap_or(0.0)) } else { 0.0 };
        self.recalibrated(shift, factor);
        known.then_some(factor)
    }

    pub(super) fn put_lines(&mut self, lines: &[Line]) {
        match &mut self.cold.corners {
            Some(corners) => {
                for (cell, line) in corners.cells.iter_mut().zip(lines) {
                    cell.line = *line;
                }
            }
            None => self.line = lines.first().copied().unwrap_or(self.line),
        }
        self.see_lines();
    }

    pub(super) fn remember_lines(&mut self) {
        let lines: Vec<Line> = match &self.cold.corners {
            Some(corners) => corners.cells.iter().map(|cell| cell.line).collect(),
            None => vec![self.line],
        };
        let settings = &self.cold.settings;
        let file = pairs(&lines_of_file(settings));
        let unit = settings.unit.name().to_owned();
        self.cold.commanded = Some(Box::new(Commanded { unit, lines: pairs(&lines), file }));
    }

    fn first_line(&self) -> Line {
        self.cold.corners.as_ref().and_then(|corners| corners.cells.first()).map_or(self.line, |cell| cell.line)
    }

    /// Why a command that needs a steady weight is refused.
    fn unsteady(&self, command: &str) -> String {
        match self.live() {
            None if self.reading_at().is_none() => format!("{command}: this stand has not sent a reading yet"),
            _ => format!("{command}: the stand is not steady; wait until nobody touches it, then send it again"),
        }
    }

    /// The steady weight in grams as they are now, provisional ones too.
    pub(super) fn standing(&self) -> Option<f64> {
        self.believed.filter(|_| self.steady)
    }

    /// After its scale or zero has changed: levels go along, readings start anew.
    pub(super) fn recalibrated(&mut self, zero: f64, factor: f64) {
        self.see_lines();
        self.filter.clear();
        self.window.clear();
        (self.steady, self.believed) = (false, None);
        self.last = (self.last - zero) * factor;
        self.noise = self.noise.rescaled(factor);
        self.handler.rescale(zero, factor);
    }
}
