//! Everything that can happen to a site, as the engine takes it.

use super::command::Order;
use crate::stand::{Part, Unreadable};
use crate::units::{Celsius, Millilitres};

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
    /// The connection that a valve has for itself is up, its Last Will (to close) in the broker's hands; or is gone. What was to be
    /// sent on the lost one is lost.
    ValveLink {
        /// The valve's place in the plan.
        valve: usize,
        /// Up.
        up: bool,
    },
    /// A valve has reported.
    ValveReport {
        /// The valve's place in the plan.
        valve: usize,
        /// Open; else closed.
        open: bool,
    },
    /// An order to a valve was found that this program has not given.
    ForeignOrder {
        /// The valve's place in the plan.
        valve: usize,
        /// It is the payload that closes; any other may open.
        closes: bool,
        /// The broker had kept it: it opens the valve whenever that connects.
        retained: bool,
    },
    /// A topic that holds a valve while it says so has spoken.
    Hold {
        /// The valve's place in the plan.
        valve: usize,
        /// Which of its `never_while`.
        which: usize,
        /// It says so.
        holds: bool,
    },
    /// What a supply's level sensor says.
    Level {
        /// The supply's place in the plan.
        supply: usize,
        /// What is left.
        left: Millilitres,
    },
    /// The program stops, as it was told to; the last that is handled. Whatever waters is closed, and what it gave is told and kept.
    Stopping,
    /// Everything up to [`super::Output::Flush`] with this mark is on the disk and would survive a power cut; or could not be written.
    Flushed {
        /// The mark.
        mark: u64,
        /// It is.
        ok: bool,
    },
    /// Whether the store can be written; it can until this says otherwise.
    StoreWorks(bool),
    /// Time passes; nothing else happened.
    Tick,
}
