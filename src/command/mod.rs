//! (see DEVELOPERS.md)

pub mod check;
pub mod file;
pub mod schema;
