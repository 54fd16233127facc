//! Valves: how well a watering ends, and that none can run away. The engine before a simulated house, without I/O.

mod below;
mod changes;
mod clocks;
mod dice;
mod exact;
mod pours;
mod random;
mod safety;
mod storm;
#[path = "../support/taps.rs"]
mod taps;
mod unseen;
