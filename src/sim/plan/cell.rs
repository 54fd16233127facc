//! A load cell, and the device that reads it.

use crate::moment::Span;

/// A stand's load cell and its device. The default is a 10 kg bar cell of which a catalogue says zero 0.05 %/10 °C, read each
/// 10 s, in grams to 0.1 g.
#[derive(Debug, Clone, PartialEq)]
pub struct CellPlan {
    /// Between two readings, at least 1 ms.
    pub period: Span,
    /// From the start to the first reading; `None`: at random within a period.
    pub phase: Option<Span>,
    /// White noise of one reading (standard deviation), g.
    pub noise: f64,
    /// Noise that goes on from reading to reading (standard deviation), g.
    pub wander: f64,
    /// How much of that is left at the next reading.
    pub wander_stays: f64,
    /// Zero drift, g/°C.
    pub zero_drift: f64,
    /// Span drift, share of the load/°C.
    pub span_drift: f64,
    /// The temperature at which neither shows, °C.
    pub reference: f64,
    /// How slowly the cell follows the air, s.
    pub follows_in: f64,
    /// Creep under load: share of the load, and time constant in s.
    pub creep: [(f64, f64); 3],
    /// What it can bear, g.
    pub capacity: f64,
    /// Raw counts at no load, and counts/g.
    pub counts: (f64, f64),
    /// What the device publishes.
    pub shows: Shows,
    /// Share of readings that are not a weight at all.
    pub glitches: f64,
    /// Of which kinds, all equally likely.
    pub kinds: Vec<Glitch>,
    /// Share of readings that are not published.
    pub missing: f64,
    /// Knocks: −500 to 500 g, but at least 50, for 0.2 to 20 s.
    pub bumps_per_day: f64,
    /// Spells in which not a digit changes, 20 min to 6 h.
    pub freezes_per_week: f64,
    /// Spells in which nothing is published, 5 min to 3 h.
    pub silences_per_week: f64,
    /// Restarts of the device.
    pub restarts_per_week: f64,
    /// Whether it takes what is on it for zero when it restarts.
    pub tares: bool,
    /// Hours between which a fan shakes it, and the factor on its noise.
    pub fan: Option<(f64, f64, f64)>,
    /// Whether the broker keeps its last reading.
    pub retained: bool,
    /// How often it publishes the temperature of the cell.
    pub temperature: Option<Span>,
    /// Whether its device says that it is there, and its will that it is not.
    pub announces: bool,
}

impl Default for CellPlan {
    fn default() -> Self {
        Self {
            period: Span::seconds(10),
            phase: None,
            noise: 0.3,
            wander: 0.1,
            wander_stays: 0.3,
            zero_drift: 0.5,
            span_drift: 5e-5,
            reference: 21.0,
            follows_in: 2400.0,
            creep: [(1.5e-4, 300.0), (2e-4, 3600.0), (3e-4, 172_800.0)],
            capacity: 10_000.0,
            counts: (84_213.0, 214.748_5),
            shows: Shows::Grams { digit: 0.1 },
            glitches: 0.0,
            kinds: Glitch::KNOWN.to_vec(),
            missing: 0.0,
            bumps_per_day: 0.0,
            freezes_per_week: 0.0,
            silences_per_week: 0.0,
            restarts_per_week: 0.0,
            tares: false,
            fan: None,
            retained: false,
            temperature: None,
            announces: false,
        }
    }
}

impl CellPlan {
    /// A cell without noise, drift or creep that shows every digit.
    #[must_use]
    pub fn perfect() -> Self {
        Self {
            noise: 0.0,
            wander: 0.0,
            zero_drift: 0.0,
            span_drift: 0.0,
            creep: [(0.0, 1.0); 3],
            shows: Shows::Grams { digit: 0.0 },
            ..Self::default()
        }
    }

    /// A platform scale for flats that take turns on it: a reading a second, to the gram.
    #[must_use]
    pub fn shared_scale() -> Self {
        Self { period: Span::seconds(1), shows: Shows::Grams { digit: 1.0 }, ..Self::default() }
    }

    /// The default with everything that goes wrong on an ordinary week: glitches 0.3 %, 1 % missing, two bumps a day.
    #[must_use]
    pub fn ordinary() -> Self {
        Self { glitches: 0.003, missing: 0.01, bumps_per_day: 2.0, ..Self::default() }
    }
}

/// What a device publishes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Shows {
    /// Grams, rounded to a digit; 0: not rounded.
    Grams {
        /// The last digit, g.
        digit: f64,
    },
    /// Raw counts.
    Counts,
}

/// A reading that is not a weight. Codes are counts; a device that publishes grams converts them like any other.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Glitch {
    /// 2ⁿ − 1: bits slipped.
    Ones(u8),
    /// The code 0.
    Zero,
    /// The code −1: not powered, or timed out.
    MinusOne,
    /// Three times what the cell can bear.
    Overload,
    /// Text instead of a number: `nan`.
    NotANumber,
    /// `null`.
    Null,
    /// An empty payload.
    Empty,
    /// `unavailable`.
    Unavailable,
}

impl Glitch {
    /// Those that are commonly reported of two-wire amplifiers (issue threads of their library).
    pub const KNOWN: [Self; 9] = [
        Self::Ones(23),
        Self::Ones(22),
        Self::Ones(21),
        Self::Ones(20),
        Self::Zero,
        Self::MinusOne,
        Self::NotANumber,
        Self::Null,
        Self::Overload,
    ];
}
