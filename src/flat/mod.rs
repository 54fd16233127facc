//! Weight → water left.

mod settings;
mod soak;

pub use settings::{Begins, FillSettings, FlatSettings, Limits, MixWhenFilled, SomeLimits, StageSettings};
pub use soak::{Soak, SoakPhase, SoakStep};
