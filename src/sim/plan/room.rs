//! Light, warmth and what lies between the devices and whoever listens.

use crate::moment::Span;
use crate::sim::time::SimTime;

/// The room that all flats share.
#[derive(Debug, Clone, PartialEq)]
pub struct RoomPlan {
    /// Mean temperature of the air, °C.
    pub mean: f64,
    /// How far it goes above with the lights, and below without, °C.
    pub swing: f64,
    /// Relative humidity, 0 to 1. At 0.6 and 21 °C the evaporation is a flat's own; elsewhere it goes with the vapour pressure deficit.
    pub humidity: f64,
    /// The light that the house begins with.
    pub light: Light,
    /// Other lamps from some time on.
    pub relit: Vec<(SimTime, Light)>,
    /// The most that clouds take from a day of sun, 0 to 1; each day takes a random share of it.
    pub clouds: f64,
    /// Heat waves, cold spells, dry air; the first that applies counts.
    pub spells: Vec<Spell>,
}

/// Where light comes from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Light {
    /// Lamps from one hour of the day to another, with ramps of `ramp` hours at both ends.
    Lamps {
        /// Hour.
        on: f64,
        /// Hour.
        off: f64,
        /// Hours.
        ramp: f64,
        /// Against the lamps that a flat's evaporation by day speaks of.
        strength: f64,
    },
    /// Half a sine from one hour to another.
    Sun {
        /// Hour.
        rise: f64,
        /// Hour.
        set: f64,
    },
    /// None.
    Dark,
}

/// Other weather for some time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spell {
    /// From when.
    pub from: SimTime,
    /// Until when.
    pub until: SimTime,
    /// By how much it is warmer, °C.
    pub warmer: f64,
    /// Another humidity; `None`: the air holds the same water as before.
    pub humidity: Option<f64>,
}

impl Default for RoomPlan {
    fn default() -> Self {
        Self {
            mean: 21.0,
            swing: 3.0,
            humidity: 0.6,
            light: Light::Lamps { on: 6.0, off: 22.0, ramp: 0.5, strength: 1.0 },
            relit: Vec::new(),
            clouds: 0.0,
            spells: Vec::new(),
        }
    }
}

/// What lies between the devices and whoever listens. The default loses nothing and takes no time.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct NetworkPlan {
    /// Share of messages that never arrive.
    pub loss: f64,
    /// The least a message takes.
    pub delay: Span,
    /// What it takes beyond that, on average (exponential); more than the time between two messages reorders them.
    pub jitter: Span,
    /// Share of messages that come twice.
    pub duplicates: f64,
    /// Times at which the broker is gone.
    pub outages: Vec<Outage>,
    /// How often it goes of its own accord, for 10 s to 30 min.
    pub outages_per_week: f64,
}

/// The broker is gone for a while.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Outage {
    /// From when.
    pub from: SimTime,
    /// For how long.
    pub lasts: Span,
}
