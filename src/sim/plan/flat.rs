//! A flat: tray, mix, plants.

use crate::units::Grams;

/// Water that a litre of mix holds at capacity and holds back from plants, and the dry mass of a litre: 5 L make the default flat.
const HELD_PER_LITRE: f64 = 680.0;
const HELD_BACK_PER_LITRE: f64 = 80.0;
const DRY_PER_LITRE: f64 = 100.0;

/// A flat. Masses in g, times in s, but for growth in days; the default is 5 L of peat in a 0.143 m² tray whose run-off stays in the tray
/// (defaults plausible, not measured).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FlatPlan {
    /// The stand it begins on.
    pub stand: Option<usize>,
    /// Surface, m².
    pub area: f64,
    /// Tray and insert.
    pub hardware: f64,
    /// Mix without any water.
    pub dry_mix: f64,
    /// Water in the mix as it was filled: what it weighs then is its dry weight.
    pub filled_with: f64,
    /// Water in the mix when the house begins.
    pub begins_with: f64,
    /// Water in the mix at container capacity.
    pub capacity: f64,
    /// Water that plants cannot take up.
    pub residual: f64,
    /// What can stand on top before it runs past the mix.
    pub pond: f64,
    /// Share of what is above that which runs past.
    pub bypass: f64,
    /// What the tray holds before it spills; where drainage leaves the stand this plays no part.
    pub tray: f64,
    /// Where drained water goes.
    pub drains: Drains,
    /// Time constant of drainage.
    pub drains_in: f64,
    /// Time constant of wicking from the tray.
    pub wicks_in: f64,
    /// How the mix takes up water.
    pub wetting: Wetting,
    /// How its surface evaporates.
    pub evaporation: Evaporation,
    /// How its plants transpire.
    pub canopy: Canopy,
    /// How its plants grow.
    pub growth: Growth,
    /// Days since sowing when the house begins.
    pub age: f64,
    /// What a dome weighs.
    pub dome: f64,
    /// Share of the evaporation that a dome leaves.
    pub dome_passes: f64,
    /// Whether it begins under its dome.
    pub domed: bool,
}

/// Where drained water goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Drains {
    /// Into the tray, which is weighed too; the mix can take it up again.
    #[default]
    Tray,
    /// Off the stand.
    Away,
}

/// How a mix takes up water: a factor `least + (1 − least)/(1 + exp(−(S − half)/width))` of saturation S, since dry peat sheds water.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wetting {
    /// The fastest infiltration, g/s.
    pub fastest: f64,
    /// The factor of a mix that is bone-dry.
    pub least: f64,
    /// Saturation at which it is half-way.
    pub half: f64,
    /// How sharply it changes.
    pub width: f64,
}

/// Evaporation in mm/h; in falling rate below some saturation (stage 2).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Evaporation {
    /// Lamps on.
    pub day: f64,
    /// Dark.
    pub night: f64,
    /// Saturation below which the surface dries.
    pub falls_below: f64,
    /// The power with which it falls.
    pub power: f64,
}

/// Transpiration by the part of the surface that leaves cover.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Canopy {
    /// Against evaporation of a wet surface.
    pub factor: f64,
    /// Saturation below which plants suffer, linearly.
    pub falls_below: f64,
    /// Fresh mass at which 1 − 1/e of the surface is covered, g/m².
    pub covers: f64,
}

/// Fresh mass by the expolinear curve `(fastest/relative) ln(1 + exp(relative (t − begins)))` (Goudriaan and Monteith 1990,
/// equation from memory).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Growth {
    /// g/m² a day once the surface is covered.
    pub fastest: f64,
    /// A day, while plants are small.
    pub relative: f64,
    /// Days after sowing at which the one goes over into the other.
    pub begins: f64,
}

/// What a flat is filled with.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mix {
    /// Sheds water once it has dried.
    Peat,
    /// Takes up water however dry it is.
    Coir,
}

impl Default for FlatPlan {
    fn default() -> Self {
        Self {
            stand: None,
            area: 0.143,
            hardware: 400.0,
            dry_mix: 500.0,
            filled_with: 550.0,
            begins_with: 2000.0,
            capacity: 3400.0,
            residual: 400.0,
            pond: 150.0,
            bypass: 0.9,
            tray: 1500.0,
            drains: Drains::Tray,
            drains_in: 180.0,
            wicks_in: 1200.0,
            wetting: Wetting { fastest: 8.0, least: 0.10, half: 0.35, width: 0.05 },
            evaporation: Evaporation { day: 0.17, night: 0.035, falls_below: 0.6, power: 1.5 },
            canopy: Canopy { factor: 1.1, falls_below: 0.35, covers: 150.0 },
            growth: Growth { fastest: 60.0, relative: 0.25, begins: 18.0 },
            age: 0.0,
            dome: 180.0,
            dome_passes: 0.15,
            domed: false,
        }
    }
}

impl FlatPlan {
    /// A flat of that many litres of mix; begins half-full.
    #[must_use]
    pub fn litres(litres: f64) -> Self {
        let (capacity, residual) = (HELD_PER_LITRE * litres, HELD_BACK_PER_LITRE * litres);
        let filled_with = 1.375 * residual;
        Self {
            dry_mix: DRY_PER_LITRE * litres,
            filled_with,
            begins_with: (filled_with + capacity) / 2.0,
            capacity,
            residual,
            ..Self::default()
        }
    }

    /// A tray with that many cells. Cells of 24, 50, 72, 128 and 200 hold 171, 66, 43, 23 and 11 cm³ (a table of the Ontario ministry of
    /// agriculture); other counts in between are interpolated by the cell's share of the tray.
    #[must_use]
    pub fn cells(count: u32) -> Self {
        const TABLE: [(f64, f64); 5] = [(24.0, 171.0), (50.0, 66.0), (72.0, 43.0), (128.0, 23.0), (200.0, 11.0)];
        let count = f64::from(count.max(1));
        let total = |(cells, each): (f64, f64)| cells * each / 1000.0;
        let last = TABLE[TABLE.len() - 1];
        let litres = TABLE.windows(2).find(|pair| count <= pair[1].0).map_or(total(last), |pair| {
            let share = ((count - pair[0].0) / (pair[1].0 - pair[0].0)).max(0.0);
            total(pair[0]) + share * (total(pair[1]) - total(pair[0]))
        });
        Self::litres(litres)
    }

    /// The same, of that mix.
    #[must_use]
    pub fn mix(mut self, mix: Mix) -> Self {
        self.wetting.least = match mix {
            Mix::Peat => 0.10,
            Mix::Coir => 1.0,
        };
        self
    }

    /// The same, beginning at that fraction of its band.
    #[must_use]
    pub fn at_fraction(mut self, fraction: f64) -> Self {
        self.begins_with = self.filled_with + fraction * (self.capacity - self.filled_with);
        self
    }

    /// The same, on that stand.
    #[must_use]
    pub fn on(mut self, stand: usize) -> Self {
        self.stand = Some(stand);
        self
    }

    /// The same, on no stand: as one that is weighed on a scale now and then, or that its like speaks for.
    #[must_use]
    pub fn off_stand(mut self) -> Self {
        self.stand = None;
        self
    }

    /// What it weighed as filled and sown.
    #[must_use]
    pub fn dry_weight(&self) -> Grams {
        Grams::new(self.hardware + self.dry_mix + self.filled_with)
    }

    /// What it weighs soaked and drained, without plants.
    #[must_use]
    pub fn capacity_weight(&self) -> Grams {
        Grams::new(self.hardware + self.dry_mix + self.capacity)
    }
}
