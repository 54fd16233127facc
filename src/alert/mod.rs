//! Which alerts exist, when they rise, hold and clear.

mod kinds;

pub use kinds::{Kind, Severity};
