//! The storm: the real engine in front of a simulated house, everything that can go wrong, and the invariants checked after
//! every step. The tests and the example `tarewell-storm` share it.
//!
//! A seed is a house, a configuration and a course of events (`scenario`, `faults`); `world` plays it, with the program killed and
//! started again from what a store would have kept (`shelf`); `states`, `alerts` and `world` check what is published, `judge`
//! holds alerts against truth. `plumbing` hangs valves over the flats, `works` carries their orders and checks water safety. A violation names its seed.
#![allow(dead_code, unused_imports, reason = "the tests and the example use different parts of it")]

mod alerts;
mod checks;
pub mod day;
mod dice;
mod faults;
mod judge;
mod plumbing;
mod scenario;
mod shelf;
mod states;
mod tally;
mod truths;
mod works;
mod world;

pub use checks::{Check, Checks, Violation};
pub use faults::Happens;
pub use scenario::{BEGINS, Scenario, Waters, Weather};
pub use states::flat;
pub use tally::Tally;
pub use world::World;

/// Plays a seed for so many days, and prints what happens to one flat where somebody wants to watch it.
pub fn play(seed: u64, weather: Weather, waters: Waters, days: i64, watched: Option<usize>) -> Tally {
    let mut world = World::new(Scenario::new(seed, weather, waters, days));
    world.watched = watched;
    world.run()
}
