//! Valves: how well a watering ends, and that none can run away. The engine before a simulated house, without I/O.

mod changes;
mod exact;
mod pours;
mod safety;
mod storm;
#[path = "../support/taps.rs"]
mod taps;
