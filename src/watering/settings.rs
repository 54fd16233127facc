//! What is settled about a valve and its supply before the first drop.

use crate::moment::Span;
use crate::units::{Flow, Millilitres};
use chrono::NaiveTime;

/// What a valve may do by itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Mode {
    /// Only says what it would pour.
    #[default]
    Advise,
    /// Pours when told to.
    Ask,
    /// Pours by itself.
    Auto,
}

impl Mode {
    /// The word of the contract.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Advise => "advise",
            Self::Ask => "ask",
            Self::Auto => "auto",
        }
    }
}

/// How the water reaches the mix.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Method {
    /// Emitters on the surface.
    #[default]
    Drip,
    /// Into the tray, drawn up by the mix.
    Bottom,
    /// Sprayed from above.
    Overhead,
}

/// What of a valve's water reaches one flat.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Feed {
    /// The flat, as its place in the list of flats.
    pub flat: usize,
    /// What reaches it while the valve is open.
    pub flow: Flow,
}

/// A valve as configured; what is sent to it, and how its report is read, is the wire's.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ValveSettings {
    /// Its id.
    pub id: String,
    /// What it may do by itself.
    pub mode: Mode,
    /// How the water reaches the mix.
    pub method: Method,
    /// The flats it feeds; empty for a supply's master.
    pub feeds: Vec<Feed>,
    /// What each fed flat gets in one pulse; `None`: a tenth of its band.
    pub pulse_volume: Option<Millilitres>,
    /// The rest between pulses; `None`: 60 s, bottom 30 min.
    pub rest: Option<Span>,
    /// Open time of one watering, all pulses together.
    pub max_run: Option<Span>,
    /// Any 24 hours, the valve's total; `None`: one band per flat fed.
    pub max_per_day: Option<Millilitres>,
    /// When auto may water: from, to by the local clock; `None`: always.
    pub hours: Option<(NaiveTime, NaiveTime)>,
    /// Its supply, as its place in the list of supplies.
    pub supply: Option<usize>,
    /// Whether the device's own timer is given the run time.
    pub has_timer: bool,
    /// Whether its owner accepts a valve without a timer of its own.
    pub without_timer_accepted: bool,
    /// Whether its owner accepts flats that only a `like` speaks for.
    pub unweighed_accepted: bool,
    /// Whether the device reports its state.
    pub reports: bool,
    /// The topics that may hold it, for people.
    pub never_while: Vec<String>,
}

/// The timer of a master runs so much longer than that of the valve it serves.
pub const MASTER_LONGER: Span = Span::seconds(10);

/// Where the water comes from.
#[derive(Debug, Clone, PartialEq)]
pub struct SupplySettings {
    /// Its id.
    pub id: String,
    /// The valve that opens before and closes after, as its place in the list of valves.
    pub master: Option<usize>,
    /// What it holds when full.
    pub holds: Option<Millilitres>,
    /// A sensor says what is left; else it is counted.
    pub has_level: bool,
}
