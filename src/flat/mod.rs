//! Weight → water left.

mod band;
mod condition;
mod season;
mod drying;
mod settings;
mod stages;
mod soak;

pub use band::{Band, BandFrom};
pub use condition::Condition;
pub use season::{Ends, Over, Replaced, Season};
pub use drying::{Drying, Forecast, Loss, Rate, Water};
pub use settings::{Begins, FillSettings, FlatSettings, Limits, MixWhenFilled, SomeLimits, StageSettings};
pub use stages::by_days;
pub use soak::{Soak, SoakPhase, SoakStep};
