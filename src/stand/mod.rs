//! Raw value → weight worth believing.

mod settings;

pub use settings::{CornerSettings, StandSettings, TemperatureSettings};
