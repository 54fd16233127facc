//! What a house is made of, and who goes about in it.

mod cell;
mod flat;
mod room;
mod supply;

pub use cell::{CellPlan, Glitch, Shows};
pub use flat::{Canopy, Drains, Evaporation, FlatPlan, Growth, Mix, Wetting};
pub use room::{Light, NetworkPlan, Outage, RoomPlan, Spell};
pub use supply::{Feed, Onto, Reports, SupplyPlan, Timer, ValvePlan};

use super::act::Act;
use super::scale::WeighRound;
use super::time::SimTime;
use crate::moment::Span;

/// A house: everything that is the same whenever it is played with the same seed.
#[derive(Debug, Clone, Default)]
pub struct HousePlan {
    /// Flats, each on a stand of the plan or on none.
    pub flats: Vec<FlatPlan>,
    /// Stands, by the cell under each; one that no flat begins on may be a scale that flats take turns on.
    pub stands: Vec<CellPlan>,
    /// Valves, and where their water falls.
    pub valves: Vec<ValvePlan>,
    /// Tanks that valves draw from.
    pub supplies: Vec<SupplyPlan>,
    /// Lamps or sun, warmth, humidity.
    pub room: RoomPlan,
    /// What lies between the devices and whoever listens.
    pub network: NetworkPlan,
    /// What is done, by people or by mishap, and when.
    pub acts: Vec<(SimTime, Act)>,
    /// Rounds with a scale that flats take turns on.
    pub rounds: Vec<WeighRound>,
    /// What people do of their own accord, day by day, to each flat.
    pub habits: Habits,
    /// How finely the physics is stepped.
    pub steps: Steps,
}

/// How finely the physics is stepped: by explicit Euler steps of at most this length.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Steps {
    /// While no water runs; 10 s is what the equations were checked with.
    pub calm: Span,
    /// While water runs onto a flat.
    pub pouring: Span,
}

impl Default for Steps {
    fn default() -> Self {
        Self { calm: Span::seconds(10), pouring: Span::seconds(1) }
    }
}

/// What people do of their own accord. The default is a house in which nobody does anything.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Habits {
    /// Between which hours of the day somebody comes by each flat, once a day.
    pub hours: (f64, f64),
    /// How often a flat is lifted and looked at.
    pub looks_per_week: f64,
    /// Below which fraction of its band somebody waters it; 0: nobody does.
    pub water_below: f64,
    /// To which fraction.
    pub water_to: f64,
    /// Relative error of the amount (standard deviation).
    pub carelessness: f64,
    /// Share of waterings that are twice what was needed and 400 g more.
    pub too_much: f64,
    /// Share of waterings that are a third of what was needed.
    pub too_little: f64,
    /// Share of waterings into the tray.
    pub from_below: f64,
    /// Share of waterings at the sink: carried there, watered, left to drip, brought back.
    pub at_the_sink: f64,
    /// Share of lifts after which the flat is left on the bench for 2 to 10 h.
    pub forgets: f64,
    /// How often a flat is exchanged with its neighbour (the first with the second, the third with the fourth, …).
    pub swaps_per_week: f64,
    /// How often some seedlings are pulled (3 to 12 % of the plants).
    pub thinnings_per_week: f64,
}

impl Default for Habits {
    fn default() -> Self {
        Self {
            hours: (8.0, 10.0),
            looks_per_week: 0.0,
            water_below: 0.0,
            water_to: 0.6,
            carelessness: 0.0,
            too_much: 0.0,
            too_little: 0.0,
            from_below: 0.0,
            at_the_sink: 0.0,
            forgets: 0.0,
            swaps_per_week: 0.0,
            thinnings_per_week: 0.0,
        }
    }
}
