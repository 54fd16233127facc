//! Water left → what to deliver, safely.

mod settings;

pub use settings::{Feed, Method, Mode, SupplySettings, ValveSettings};
