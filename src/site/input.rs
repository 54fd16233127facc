//! Everything that can happen to a site, as the engine takes it.

use super::command::Order;
use crate::stand::{Part, Unreadable};
use crate::units::Celsius;

/// The sender of a command, to be answered; the adapter that made it knows whom it means.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Ticket(pub u64);

/// What can happen.
#[derive(Debug, Clone, PartialEq)]
pub enum Input {
    /// The broker's connection is up, with no memory of an earlier one: all that is retained goes out again.
    Connected,
    /// The broker's connection is gone.
    Disconnected,
    /// A stand published.
    Reading {
        /// The stand's place in the plan.
        stand: usize,
        /// The whole, or one cell.
        part: Part,
        /// In the stand's unit.
        value: Result<f64, Unreadable>,
        /// Whether it was kept by the broker from some time before: never fresh.
        retained: bool,
    },
    /// The temperature of a stand's cells.
    Temperature {
        /// The stand's place in the plan.
        stand: usize,
        /// What was read.
        value: Celsius,
    },
    /// A stand's availability topic spoke.
    Availability {
        /// The stand's place in the plan.
        stand: usize,
        /// Whether it is there.
        online: bool,
    },
    /// A command.
    Order(Order),
    /// Time passes; nothing else happened.
    Tick,
}
