//! Raw value → weight worth believing.
//!
//! A reading goes through `gate` (can it be a weight?), `calibration` (grams), `filter` (outliers), `steady`
//! (does it stand still?), `trend` (level without noise) and `handling` (what was done to it). [`Stand`] is all of
//! them together: no clock, no I/O.

mod accept;
mod calibrate;
mod calibration;
mod drainage;
mod empty;
mod episode;
mod facts;
mod filter;
mod gate;
mod handling;
mod pace;
mod reading;
mod settings;
mod steady;
mod tolerance;
mod trend;
mod words;

pub use calibrate::{SpanChange, ZeroChange};
pub use empty::MovedZero;
pub use episode::Shift;
pub use facts::{Replaced, StandFacts};
pub use handling::can_weigh;
pub use reading::Stand;
pub use settings::{CornerSettings, StandSettings, TemperatureSettings};
pub use tolerance::{error_in_service, standard_error};
pub use words::{Fault, FlatScene, Handling, Health, Heard, Misfit, Part, Said, Scene, Unreadable};
