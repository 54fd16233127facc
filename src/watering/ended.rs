//! Why a watering ended.

use serde::{Deserialize, Serialize};

/// Why a watering ended; the words are the contract's.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Ended {
    /// The flats have what they lacked.
    Target,
    /// The volume that was ordered has been poured.
    Volume,
    /// Somebody stopped it.
    Stopped,
    /// A limit: open time, the day's volume, what a flat may hold.
    Limit,
    /// The valve, a stand or the connection failed.
    Fault,
}

impl Ended {
    /// The word of the contract.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Target => "target",
            Self::Volume => "volume",
            Self::Stopped => "stopped",
            Self::Limit => "limit",
            Self::Fault => "fault",
        }
    }
}
