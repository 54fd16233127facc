//! (see DEVELOPERS.md)

pub mod amount;
mod lines;
pub mod replay;
