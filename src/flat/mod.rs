//! Weight → water left.

mod band;
mod condition;
mod settings;
mod stages;

pub use band::{Band, BandFrom};
pub use condition::Condition;
pub use settings::{Begins, FillSettings, FlatSettings, Limits, MixWhenFilled, SomeLimits, StageSettings};
pub use stages::by_days;
