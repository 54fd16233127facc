//! The engine and its rooms, without I/O: days in milliseconds.

mod alerts;
mod architecture;
mod bases;

mod bench;
mod between;
mod calibrating;
mod cells;
mod domes;
mod drying;
mod edits;
mod empty;
mod failures;
mod figures;
mod fills;
mod guests;
mod lifted;
mod lost_zero;
mod mixed_up;
mod plan;
mod plants;
mod pots;
mod potting;
mod pours;
mod power_cut;
mod properties;
mod recording;
mod restarts;
mod rounds;
mod season;
mod sim;
mod slips;
mod stand;
#[path = "../support/storm/mod.rs"]
mod storm;
mod storm_seeds;
mod swaps;
mod told;
mod undo;
mod units;
mod waterings;
