//! (see DEVELOPERS.md)

pub mod amount;
mod lines;
pub mod replay;
pub mod check;
pub mod file;
pub mod schema;
pub mod notify_test;
