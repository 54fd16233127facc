//! What is settled about a stand before its first reading.

use crate::moment::Span;
use crate::units::{Celsius, Grams, WeightUnit};

/// A stand as configured.
#[derive(Debug, Clone, PartialEq)]
pub struct StandSettings {
    /// The unit of its readings.
    pub unit: WeightUnit,
    /// The smallest step worth believing.
    pub division: Grams,
    /// More is an overload, not a weight; `None`: nothing is.
    pub max_load: Option<Grams>,
    /// Without a reading for so long it is silent; `None`: the larger of 10 min and 3 reporting periods.
    pub stale_after: Option<Span>,
    /// Counts of the empty stand, as the file has it.
    pub zero: Option<f64>,
    /// Counts for one gram, as the file has it; may be negative (swapped wires), never 0.
    pub counts_per_gram: Option<f64>,
    /// How the reading moves with the temperature of the cell.
    pub temperature: Option<TemperatureSettings>,
    /// Four cells read one by one, in order round the stand.
    pub corners: Option<Box<[CornerSettings; 4]>>,
    /// Whether flats take turns on it.
    pub shared: bool,
    /// Whether a topic tells if it is there.
    pub tells_availability: bool,
}

impl Default for StandSettings {
    fn default() -> Self {
        Self {
            unit: WeightUnit::Gram,
            division: Grams::new(1.0),
            max_load: None,
            stale_after: None,
            zero: None,
            counts_per_gram: None,
            temperature: None,
            corners: None,
            shared: false,
            tells_availability: false,
        }
    }
}

/// W = reading − `grams_per_degree` · (T − `reference`).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TemperatureSettings {
    /// Grams that the reading rises for each degree.
    pub grams_per_degree: f64,
    /// The temperature at which nothing is corrected.
    pub reference: Celsius,
}

/// One of four cells.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct CornerSettings {
    /// Its counts with nothing on the stand.
    pub zero: Option<f64>,
    /// Its counts for one gram.
    pub counts_per_gram: Option<f64>,
}
