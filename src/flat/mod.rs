//! Weight → water left.

mod settings;

pub use settings::{Begins, FillSettings, FlatSettings, Limits, MixWhenFilled, SomeLimits, StageSettings};
