//! What comes out of a house: messages, in the order in which they arrive.

use super::time::SimTime;

/// A message, and when it arrives.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sent {
    /// When it arrives.
    pub at: SimTime,
    /// What it says.
    pub message: Message,
}

/// What a device or the connection says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Message {
    /// A stand published.
    Reading {
        /// The stand's place in the plan.
        stand: usize,
        /// In the stand's unit.
        value: Value,
        /// Whether the broker had kept it from before.
        retained: bool,
    },
    /// The temperature of a stand's cell.
    Temperature {
        /// The stand's place in the plan.
        stand: usize,
        /// °C, to a tenth.
        celsius: f64,
    },
    /// A stand's device is there, or is not.
    Available {
        /// The stand's place in the plan.
        stand: usize,
        /// Whether it is there.
        online: bool,
        /// Whether the broker had kept it from before.
        retained: bool,
    },
    /// A valve says whether it is open.
    Report {
        /// The valve's place in the plan.
        valve: usize,
        /// Whether it is open.
        open: bool,
        /// Whether the broker had kept it from before.
        retained: bool,
    },
    /// The broker is there.
    Connected,
    /// The broker is gone.
    Disconnected,
}

impl Message {
    /// Orders messages of one instant, so that it does not matter how a run was cut into pieces.
    pub(super) fn rank(&self) -> (u8, usize) {
        match *self {
            Self::Disconnected => (0, 0),
            Self::Connected => (1, 0),
            Self::Available { stand, .. } => (2, stand),
            Self::Temperature { stand, .. } => (3, stand),
            Self::Reading { stand, .. } => (4, stand),
            Self::Report { valve, .. } => (5, valve),
        }
    }
}

/// A number, or a payload that is none.
pub type Value = Result<f64, Failure>;

/// A payload that is no number.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Failure {
    /// `nan`
    NotANumber,
    /// `null`
    Null,
    /// Nothing.
    Empty,
    /// `unavailable`
    Unavailable,
}

impl Failure {
    /// The payload, as devices write it.
    #[must_use]
    pub const fn text(self) -> &'static str {
        match self {
            Self::NotANumber => "nan",
            Self::Null => "null",
            Self::Empty => "",
            Self::Unavailable => "unavailable",
        }
    }
}
