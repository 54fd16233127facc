//! The band between dry weight and capacity weight, the fraction of it that is left, and how sure that is.

use super::FillSettings;
use crate::units::{Fraction, Grams};
use serde::{Deserialize, Serialize};

/// The two ends of a flat's available water.
///
/// The dry weight is the flat as filled and sown, not oven-dry; the capacity weight the same flat soaked and drained.
/// A band is only made where capacity is above dry.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Band {
    dry: Grams,
    capacity: Grams,
}

/// More than any flat on any bench (a judgement).
pub const HEAVIEST: Grams = Grams::new(1_000_000.0);

/// Where a band comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum BandFrom {
    /// A command recorded at least one of its ends, and the file has not won over either since.
    Recorded,
    /// The flat's own keys in the file, at least one of them.
    File,
    /// The recipe of its fill.
    Fill,
}

impl BandFrom {
    /// The word of the contract.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Recorded => "recorded",
            Self::File => "file",
            Self::Fill => "fill",
        }
    }
}

impl Band {
    /// A band; `None` unless capacity is above dry.
    #[must_use]
    pub fn new(dry: Grams, capacity: Grams) -> Option<Self> {
        (capacity > dry).then_some(Self { dry, capacity })
    }

    /// Its lower end.
    #[must_use]
    pub const fn dry(&self) -> Grams {
        self.dry
    }

    /// Its upper end.
    #[must_use]
    pub const fn capacity(&self) -> Grams {
        self.capacity
    }

    /// The same flat by a scale of which a gram was `factor` grams.
    #[must_use]
    pub fn rescaled(self, factor: f64) -> Self {
        Self { dry: self.dry * factor, capacity: self.capacity * factor }
    }

    /// What lies between: the available water at capacity.
    #[must_use]
    pub fn width(&self) -> Grams {
        self.capacity - self.dry
    }

    /// The available water in a flat of this weight, of which `plants` is fresh mass grown since the band was
    /// recorded. Negative when it is drier than it was filled.
    #[must_use]
    pub fn water(&self, weight: Grams, plants: Grams) -> Grams {
        weight - self.dry - plants
    }

    /// (weight − dry weight − plant mass) / band; not clamped.
    #[must_use]
    pub fn fraction(&self, weight: Grams, plants: Grams) -> Fraction {
        Fraction::new(self.water(weight, plants) / self.width())
    }

    /// The weight at which the flat holds this fraction.
    #[must_use]
    pub fn weight_at(&self, fraction: Fraction, plants: Grams) -> Grams {
        self.dry + plants + self.width() * fraction.get()
    }

    /// Standard uncertainty of the fraction, from those of the weight and of the two ends.
    ///
    /// First-order propagation (JCGM 100:2008, 5.1.2) through f = (w − d) / (c − d):
    /// u² = (`u_w`² + (1 − f)² `u_d`² + f² `u_c`²) / (c − d)².
    #[must_use]
    pub fn fraction_error(&self, fraction: Fraction, weight: Grams, end: Grams) -> f64 {
        let f = fraction.get();
        let ends = (1.0 - f).hypot(f) * end.get();
        weight.get().hypot(ends) / self.width().get()
    }

    /// Why this band cannot be right, in words; `None` when nothing speaks against it.
    ///
    /// Bounds (*common practice, no source*, but for the density): a band narrower than 3 % of the dry weight or 40 g is
    /// two weights of the same thing; an empty tray weighs less than a filled one; and a mix holds at most about ten
    /// times its own mass (a peat mix of 0.08 g/mL and 80 % water by volume: University of Arkansas Greenhouse
    /// Management Online, unit 7, gives 0.09 to 0.16 g/mL).
    #[must_use]
    pub fn doubt(&self, fill: Option<&FillSettings>) -> Option<String> {
        let width = self.width();
        let narrowest = Grams::new(40.0).max(self.dry * 0.03);
        if width < narrowest {
            return Some(format!(
                "Between dry and capacity there are only {:.0} g. A soaked flat takes up far more; was it wet when the dry \
                 weight was recorded, or not soaked through?",
                width.get()
            ));
        }
        if let Some(doubt) = fill.and_then(|fill| fill.cells).and_then(|cells| self.more_than_cells_hold(cells)) {
            return Some(doubt);
        }
        let tare = fill.and_then(|fill| fill.tare)?;
        let mix = self.dry - tare;
        if mix <= Grams::ZERO {
            return Some(format!(
                "The dry weight is no more than the empty tray ({:.0} g). Was the flat filled when it was weighed?",
                tare.get()
            ));
        }
        (width > mix * 10.0).then(|| {
            format!(
                "{:.0} g of mix cannot hold {:.0} g of water. Was something else on the stand?",
                mix.get(),
                width.get()
            )
        })
    }
}

/// Cells of a tray, and mL of each: Ontario Ministry of Agriculture, infosheet "Growing Vegetable Transplants in Plug Trays", table 1.
const PLUG_TRAYS: [(f64, f64); 7] =
    [(24.0, 171.0), (38.0, 106.0), (50.0, 66.0), (72.0, 43.0), (128.0, 23.0), (200.0, 11.0), (288.0, 7.0)];
/// Cells vary with depth and shape (the same table says so): by up to half as much again (a judgement).
const DEEPEST: f64 = 1.5;

/// What the cells of a tray hold in all, mL; `None` for a count beyond the table.
fn tray_volume(cells: u32) -> Option<f64> {
    let cells = f64::from(cells);
    let pair = PLUG_TRAYS.windows(2).find_map(|pair| match pair {
        [few, many] if (few.0..=many.0).contains(&cells) => Some((*few, *many)),
        _ => None,
    });
    let ((few, large), (many, small)) = pair?;
    let share = (cells - few) / (many - few);
    Some(few * large * (1.0 - share) + many * small * share)
}

impl Band {
    /// More water than its cells have room for, mix and all.
    fn more_than_cells_hold(&self, cells: u32) -> Option<String> {
        let room = tray_volume(cells)?;
        let width = self.width().get();
        (width > room * DEEPEST).then(|| {
            format!(
                "{cells} cells of the usual size have room for {room:.0} mL in all, and {width:.0} g of water is far more. Was water \
                 standing in the tray, or something else on the scale?"
            )
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::POUND;

    #[test]
    fn a_quarter_of_the_band_is_left_a_pound_above_dry() {
        // A flat of 7 lb dry and 11 lb at capacity: common practice, no source.
        let band = Band::new(Grams::new(7.0 * POUND), Grams::new(11.0 * POUND)).unwrap();
        for (pounds, fraction) in [(7.0, 0.0), (8.0, 0.25), (9.0, 0.5), (10.0, 0.75), (11.0, 1.0)] {
            assert!((band.fraction(Grams::new(pounds * POUND), Grams::ZERO).get() - fraction).abs() < 1e-12);
        }
        let one_pound = band.weight_at(Fraction::new(0.5), Grams::ZERO) - Grams::new(8.0 * POUND);
        // 1 lb of water at 20 °C: 454.407 mL by Tanaka 2001 (computed).
        assert!((one_pound.of_water().get() - 454.407).abs() < 0.001);
    }

    #[test]
    fn plants_shift_both_ends() {
        let band = Band::new(Grams::new(2000.0), Grams::new(3000.0)).unwrap();
        assert_eq!(band.fraction(Grams::new(2600.0), Grams::new(100.0)), Fraction::new(0.5));
        assert_eq!(band.weight_at(Fraction::new(0.5), Grams::new(100.0)), Grams::new(2600.0));
    }

    #[test]
    fn uncertainty_is_that_of_the_weight_in_the_middle_of_sharp_ends() {
        let band = Band::new(Grams::new(2000.0), Grams::new(3000.0)).unwrap();
        assert!((band.fraction_error(Fraction::new(0.5), Grams::new(3.0), Grams::ZERO) - 0.003).abs() < 1e-12);
        // At an end only that end's own error counts: hypot(3, 4) = 5.
        assert!((band.fraction_error(Fraction::new(1.0), Grams::new(3.0), Grams::new(4.0)) - 0.005).abs() < 1e-12);
    }

    #[test]
    fn a_tray_holds_what_the_table_says() {
        // The totals of the table's rows: 72 × 43 = 3096, 128 × 23 = 2944, 200 × 11 = 2200 mL; in between by the share.
        for (cells, room) in [(72, 3096.0), (128, 2944.0), (200, 2200.0), (100, 3020.0)] {
            assert!((tray_volume(cells).unwrap() - room).abs() < 1e-6, "{cells}: {:?}", tray_volume(cells));
        }
        assert_eq!((tray_volume(6), tray_volume(512)), (None, None), "beyond the table");
        let fill = FillSettings { cells: Some(72), ..FillSettings::default() };
        let band = |width: f64| Band::new(Grams::new(1500.0), Grams::new(1500.0 + width)).unwrap();
        assert_eq!(band(1900.0).doubt(Some(&fill)), None);
        assert!(band(4900.0).doubt(Some(&fill)).is_some_and(|text| text.contains("room for 3096 mL")));
    }

    #[test]
    fn a_band_that_cannot_be_is_doubted_in_words() {
        let fill = FillSettings { tare: Some(Grams::new(300.0)), ..FillSettings::default() };
        let band = |dry, capacity| Band::new(Grams::new(dry), Grams::new(capacity)).unwrap();
        assert!(band(2000.0, 3000.0).doubt(Some(&fill)).is_none());
        assert!(band(2000.0, 2030.0).doubt(None).is_some_and(|text| text.contains("only 30 g")));
        assert!(band(290.0, 2030.0).doubt(Some(&fill)).is_some_and(|text| text.contains("empty tray")));
        assert!(band(400.0, 2030.0).doubt(Some(&fill)).is_some_and(|text| text.contains("cannot hold")));
        assert!(Band::new(Grams::new(5.0), Grams::new(5.0)).is_none());
    }
}
