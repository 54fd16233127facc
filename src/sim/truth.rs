//! What is so, whatever the cells say.

use super::cell::Tally;
use super::flat::{Flat, Place};

/// A flat in truth. Masses in g.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Truth {
    /// Where it is.
    pub place: Place,
    /// What a perfect scale would show, dome and tray water included.
    pub weight: f64,
    /// (weight − dome − dry weight − plants)/band: what the engine should find. Water on top and in the tray counts.
    pub fraction: f64,
    /// The same of the water in the mix alone.
    pub mix_fraction: f64,
    /// Saturation: 0 when plants cannot take up more, 1 at capacity.
    pub saturation: f64,
    /// Fresh mass of its plants.
    pub plants: f64,
    /// Water in the mix.
    pub mix: f64,
    /// Water on top.
    pub pond: f64,
    /// Water in the tray.
    pub tray: f64,
    /// Evaporated and transpired since the house began.
    pub evaporated: f64,
    /// Spilled, drained away or poured away since the house began.
    pub ran_off: f64,
    /// Poured or dripped onto it since the house began.
    pub arrived: f64,
    /// Built into plants since the house began.
    pub taken_up: f64,
    /// Plants pulled since the house began.
    pub pulled: f64,
    /// Whether it is under its dome.
    pub domed: bool,
    /// As filled and sown.
    pub dry_weight: f64,
    /// Soaked and drained, without plants.
    pub capacity_weight: f64,
    /// What began in the mix.
    begun_with: f64,
}

impl Truth {
    pub(super) fn of(flat: &Flat) -> Self {
        let plan = &flat.plan;
        let band = plan.capacity - plan.filled_with;
        Self {
            place: flat.place,
            weight: flat.weight(),
            fraction: (flat.pond + flat.mix + flat.tray - plan.filled_with) / band,
            mix_fraction: (flat.mix - plan.filled_with) / band,
            saturation: flat.saturation(),
            plants: flat.plants,
            mix: flat.mix,
            pond: flat.pond,
            tray: flat.tray,
            evaporated: flat.evaporated,
            ran_off: flat.ran_off,
            arrived: flat.arrived,
            taken_up: flat.taken_up,
            pulled: flat.pulled,
            domed: flat.domed,
            dry_weight: plan.dry_weight().get(),
            capacity_weight: plan.capacity_weight().get(),
            begun_with: plan.begins_with,
        }
    }

    /// Water that cannot be accounted for: 0 but for rounding, or the model is wrong.
    #[must_use]
    pub fn unaccounted(&self) -> f64 {
        let gone = self.evaporated + self.ran_off + self.taken_up;
        self.begun_with + self.arrived - gone - (self.pond + self.mix + self.tray)
    }
}

/// A stand in truth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StandTruth {
    /// The flat on it.
    pub flat: Option<usize>,
    /// What it would show without noise, shift or fault at its last step, g.
    pub shown: f64,
    /// Of its cell, °C.
    pub temperature: f64,
    /// Of its cell, g.
    pub creep: f64,
    /// What its device did.
    pub tally: Tally,
}
