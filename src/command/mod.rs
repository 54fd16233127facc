//! (see DEVELOPERS.md)

pub mod notify_test;
pub mod check;
pub mod file;
pub mod schema;
