//! The kinds of alert, and how grave they are.

use serde::{Deserialize, Serialize};

/// How grave an alert is; in rising order.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Severity {
    /// Worth knowing.
    Notice,
    /// Somebody should look today.
    Warning,
    /// Somebody should look now.
    Critical,
}

impl Severity {
    /// The word of the contract.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Notice => "notice",
            Self::Warning => "warning",
            Self::Critical => "critical",
        }
    }
}

macro_rules! kinds {
    ($($(#[$doc:meta])* $kind:ident = $name:literal,)*) => {
        /// What an alert is about. The names are the contract's.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        pub enum Kind {
            $($(#[$doc])* #[serde(rename = $name)] $kind,)*
        }

        impl Kind {
            /// All of them, in the order of the contract's table.
            pub const ALL: &[Self] = &[$(Self::$kind,)*];

            /// The word of the contract, as in the topic.
            #[must_use]
            pub const fn name(self) -> &'static str {
                match self {
                    $(Self::$kind => $name,)*
                }
            }
        }
    };
}

kinds! {
    /// The flat is below its low limit.
    Dry = "dry",
    /// The flat has been above its high limit for too long.
    TooWet = "too-wet",
    /// No measurable loss for a day.
    NotDrying = "not-drying",
    /// It will be dry before the morning.
    DryOvernight = "dry-overnight",
    /// It is off its stand.
    FlatAbsent = "flat-absent",
    /// What stands there cannot be this flat.
    FlatChanged = "flat-changed",
    /// It should be weighed.
    WeighDue = "weigh-due",
    /// Its band cannot be right.
    BandDoubtful = "band-doubtful",
    /// Its plants need more than its band holds.
    Outgrown = "outgrown",
    /// It loses weight faster than drying can.
    Leak = "leak",
    /// The stand has not been heard.
    StandSilent = "stand-silent",
    /// The stand's readings cannot be believed.
    StandFault = "stand-fault",
    /// The stand is not level, or rocks.
    Uneven = "uneven",
    /// The valve was open and the flats gained too little.
    NoGain = "no-gain",
    /// The valve's report did not follow an order.
    NoAnswer = "no-answer",
    /// The valve gives less than it did.
    Clogged = "clogged",
    /// The valve was ordered closed and water goes on coming.
    StaysOpen = "stays-open",
    /// A watering was cut short by the day's limit.
    DailyLimit = "daily-limit",
    /// The supply holds less than the next day needs.
    SupplyLow = "supply-low",
}
