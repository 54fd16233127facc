//! The commands of the command line: one file each. Each returns the exit code: 0 done, 1 it failed while running, 2 the
//! command line or the configuration is wrong.

pub mod amount;
pub mod away;
pub mod check;
pub mod demo;
pub mod export;
pub mod file;
mod lines;
pub mod notify_test;
pub mod recorded;
pub mod replay;
pub mod run;
pub mod schema;
