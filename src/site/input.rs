//! Everything that can happen to a site, as the engine takes it.

use super::command::Order;
use crate::units::Celsius;

/// The sender of a command, to be answered; the adapter that made it knows whom it means.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Ticket(pub u64);

/// Which part of a stand a value is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Part {
    /// The stand as a whole.
    Whole,
    /// One of its four cells, 0 to 3.
    Corner(u8),
}

/// Why a payload is no value.
#[derive(Debug, Clone, PartialEq)]
pub enum Unreadable {
    /// It says itself that it has none: `nan`, `null`, an empty payload, `unavailable`. Missing, not zero.
    Missing,
    /// It cannot be read; the text says why, for a person.
    Garbled(String),
}

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
