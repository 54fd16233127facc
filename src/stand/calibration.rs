//! From a converter's number to grams: unit, zero, span, temperature, four corners.

use super::settings::{CornerSettings, StandSettings, TemperatureSettings};
use crate::moment::{Mono, Span};
use crate::units::Celsius;

/// What a count is taken for until somebody says what it is worth: good enough to see whether it stands still.
const PROVISIONAL: f64 = 1.0 / 400.0;
/// A temperature older than this corrects nothing any more than it did; the last correction stays.
const FRESH: Span = Span::hours(2);

/// grams = (value − zero) · `grams_per_unit`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Line {
    pub(super) zero: Option<f64>,
    pub(super) grams_per_unit: Option<f64>,
}

impl Line {
    /// As the file has it.
    pub(super) fn of(settings: &StandSettings) -> Self {
        match settings.unit.grams() {
            Some(grams) => Self { zero: Some(0.0), grams_per_unit: Some(grams) },
            None => Self::counts(settings.zero, settings.counts_per_gram),
        }
    }

    /// As the file has it for one cell; its own keys, or those of the stand.
    pub(super) fn of_corner(corner: &CornerSettings, settings: &StandSettings) -> Self {
        match settings.unit.grams() {
            Some(grams) => Self { zero: Some(0.0), grams_per_unit: Some(grams) },
            None => Self::counts(corner.zero, corner.counts_per_gram.or(settings.counts_per_gram)),
        }
    }

    fn counts(zero: Option<f64>, counts_per_gram: Option<f64>) -> Self {
        let usable = |counts: &f64| counts.is_finite() && *counts != 0.0 && (1.0 / counts).is_finite();
        Self {
            zero: zero.filter(|zero| zero.is_finite()),
            grams_per_unit: counts_per_gram.filter(usable).map(|counts| 1.0 / counts),
        }
    }

    /// Whether its grams are grams.
    pub(super) const fn is_known(&self) -> bool {
        self.zero.is_some() && self.grams_per_unit.is_some()
    }

    /// In grams; provisional ones while it is not known.
    pub(super) fn grams(&self, value: f64) -> f64 {
        (value - self.zero.unwrap_or(0.0)) * self.slope()
    }

    pub(super) fn slope(&self) -> f64 {
        self.grams_per_unit.unwrap_or(PROVISIONAL)
    }

    /// Moves its zero to where it now reads `grams`.
    pub(super) fn zeroed(self, grams: f64) -> Self {
        Self { zero: Some(self.zero.unwrap_or(0.0) + grams / self.slope()), ..self }
    }

    /// Stretched by a factor.
    pub(super) fn stretched(self, factor: f64) -> Self {
        Self { grams_per_unit: Some(self.slope() * factor), ..self }
    }
}

/// What a reading rises by because its cell is warm.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Warmth {
    read_at: Option<Mono>,
    degrees: f64,
    /// What is taken off, in grams.
    pub(super) grams: f64,
}

impl Warmth {
    pub(super) fn read(&mut self, value: Celsius, at: Mono, settings: Option<&TemperatureSettings>) {
        let Some(settings) = settings else { return };
        let degrees = value.get();
        // The air of a glasshouse, and a cell in the sun; all else is a broken sensor.
        if !(-40.0..=85.0).contains(&degrees) {
            return;
        }
        let stale = self.read_at.is_none_or(|before| at.since(before) > FRESH);
        // A cell follows the air slowly (a time constant of some 40 min is typical): halfway to each new reading
        // smooths a noisy sensor without lagging behind the cell.
        self.degrees = if stale { degrees } else { self.degrees + (degrees - self.degrees) / 2.0 };
        self.read_at = Some(at);
        self.grams = settings.grams_per_degree * (self.degrees - settings.reference.get());
    }
}

/// One cell of four.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Corner {
    pub(super) line: Line,
    /// Its latest value, and since when it has not changed.
    pub(super) value: f64,
    pub(super) read_at: Option<Mono>,
    pub(super) same_since: Mono,
    waiting: bool,
}

impl Corner {
    pub(super) fn new(line: Line) -> Self {
        Self { line, value: 0.0, read_at: None, same_since: Mono::from_millis(0), waiting: false }
    }

    pub(super) fn grams(&self) -> f64 {
        self.line.grams(self.value)
    }
}

/// Four cells, in order round the stand.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Corners {
    pub(super) cells: [Corner; 4],
    /// Since when they say that the stand is uneven.
    uneven_since: Option<Mono>,
    judged_at: Option<Mono>,
}

/// They must be uneven for so long, through handling and leaning.
const UNEVEN_FOR: Span = Span::minutes(5);
/// Below this load shares of cells say nothing.
const LOADED: f64 = 400.0;
/// Cells round the stand that differ so much across it rock on a diagonal.
const TWIST: f64 = 0.25;
/// A cell that bears less is not touched.
const SHARE: f64 = 0.05;

impl Corners {
    pub(super) fn of(settings: &StandSettings) -> Option<Self> {
        let corners = settings.corners.as_ref()?;
        let cells = [0, 1, 2, 3].map(|place: usize| {
            let corner = corners.get(place).copied().unwrap_or_default();
            Corner::new(Line::of_corner(&corner, settings))
        });
        Some(Self { cells, uneven_since: None, judged_at: None })
    }

    /// Takes in one cell; gives the sum once all four have spoken within `fresh` of each other.
    pub(super) fn hear(&mut self, place: u8, value: f64, at: Mono, fresh: Span) -> Option<f64> {
        let cell = self.cells.get_mut(usize::from(place))?;
        if cell.read_at.is_none() || cell.value.to_bits() != value.to_bits() {
            cell.same_since = at;
        }
        (cell.value, cell.read_at, cell.waiting) = (value, Some(at), true);
        let together =
            self.cells.iter().all(|cell| cell.waiting && cell.read_at.is_some_and(|read| at.since(read) <= fresh));
        if !together {
            return None;
        }
        for cell in &mut self.cells {
            cell.waiting = false;
        }
        Some(self.cells.iter().map(Corner::grams).sum())
    }

    pub(super) fn is_known(&self) -> bool {
        self.cells.iter().all(|cell| cell.line.is_known())
    }

    /// Whether and how it stands badly: (share of the least loaded cell, twist).
    fn shape(&self) -> Option<(f64, f64)> {
        let [a, b, c, d] = self.cells.map(|cell| cell.grams());
        let whole = a + b + c + d;
        (whole >= LOADED).then(|| (a.min(b).min(c).min(d) / whole, (a - b + c - d) / whole))
    }

    /// To be called for each sum of a stand at rest.
    pub(super) fn judge(&mut self, at: Mono) {
        self.judged_at = Some(at);
        let bad = self.shape().is_some_and(|(share, twist)| share < SHARE || twist.abs() > TWIST);
        self.uneven_since = if bad { self.uneven_since.or(Some(at)) } else { None };
    }

    pub(super) fn unevenness(&self) -> Option<String> {
        let held = self.judged_at?.since(self.uneven_since?);
        let (share, twist) = self.shape()?;
        if held < UNEVEN_FOR {
            return None;
        }
        if twist.abs() > TWIST {
            let pair = if twist > 0.0 { "first and third" } else { "second and fourth" };
            return Some(format!("it rocks: the {pair} corners bear nearly all; put something under the others"));
        }
        Some(format!("one corner bears {:.0} % of the load; level the stand or centre the flat", share * 100.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_points_make_a_scale() {
        // The project's own reference: 84 213 empty, 513 710 under 2000 g; 900 000 is then 3798.8019 g.
        let line = Line::counts(Some(84_213.0), Some(1.0)).stretched(2000.0 / (513_710.0 - 84_213.0));
        assert!((line.grams(900_000.0) - 3798.8019).abs() < 1e-4);
        assert!((1.0 / line.slope() - 214.7485).abs() < 1e-4);
    }

    #[test]
    fn swapped_wires_count_downwards() {
        let line = Line::counts(Some(84_213.0), Some(-214.7485));
        assert!((line.grams(84_213.0 - 214.7485 * 3300.0) - 3300.0).abs() < 1e-6);
    }

    #[test]
    fn a_warm_cell_reads_too_much() {
        let settings = TemperatureSettings { grams_per_degree: 0.8, reference: Celsius::new(20.0) };
        let mut warmth = Warmth::default();
        warmth.read(Celsius::new(30.0), Mono::from_millis(0), Some(&settings));
        assert!((warmth.grams - 8.0).abs() < 1e-12);
        warmth.read(Celsius::new(500.0), Mono::from_millis(1), Some(&settings));
        assert!((warmth.grams - 8.0).abs() < 1e-12);
    }

    fn corners(loads: [f64; 4]) -> Corners {
        let line = Line { zero: Some(0.0), grams_per_unit: Some(1.0) };
        let mut corners = Corners { cells: [Corner::new(line); 4], uneven_since: None, judged_at: None };
        for minute in 0..10 {
            for (place, load) in loads.iter().enumerate() {
                let at = Mono::from_millis(minute * 60_000 + place as i64);
                let sum = corners.hear(place as u8, *load, at, Span::seconds(3));
                assert_eq!(sum.is_some(), place == 3);
                if let Some(sum) = sum {
                    assert!((sum - loads.iter().sum::<f64>()).abs() < 1e-9);
                    corners.judge(at);
                }
            }
        }
        corners
    }

    #[test]
    fn a_stand_that_rocks_is_uneven() {
        // The project's own reference: 912 1105 1034 861 has a twist of -0.0051; 40 1950 95 1827 one of -0.931.
        let level = corners([912.0, 1105.0, 1034.0, 861.0]);
        assert!((level.shape().unwrap().1 + 0.00511).abs() < 1e-5);
        assert_eq!(level.unevenness(), None);
        let rocking = corners([40.0, 1950.0, 95.0, 1827.0]);
        assert!((rocking.shape().unwrap().1 + 0.93098).abs() < 1e-5);
        assert!(rocking.unevenness().unwrap().contains("second and fourth"));
    }

    #[test]
    fn a_corner_left_behind_gives_no_sum() {
        let line = Line { zero: Some(0.0), grams_per_unit: Some(1.0) };
        let mut corners = Corners { cells: [Corner::new(line); 4], uneven_since: None, judged_at: None };
        for place in 0..3 {
            assert_eq!(corners.hear(place, 500.0, Mono::from_millis(0), Span::seconds(20)), None);
        }
        assert_eq!(corners.hear(3, 500.0, Mono::from_millis(60_000), Span::seconds(20)), None);
    }
}
