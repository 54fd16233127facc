//! One task that owns the [`crate::site::Site`], and the tasks around it; start, stop, clock.

mod clock;
pub mod keeping;

pub use clock::Clock;
