//! (see DEVELOPERS.md)

pub mod notify_test;
