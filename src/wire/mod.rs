//! Bytes ↔ the engine's words: topics, readings, commands, states. Pure.

mod wiring;

pub use wiring::{Binding, Pointer, Role, ValveWiring, Wiring};
