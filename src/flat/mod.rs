//! Weight → water left.

mod drying;
mod settings;

pub use drying::{Drying, Forecast, Loss, Rate, Water};
pub use settings::{Begins, FillSettings, FlatSettings, Limits, MixWhenFilled, SomeLimits, StageSettings};
