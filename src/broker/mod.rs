//! The embedded broker: a small MQTT server in this process, for a site that has none.
//!
//! Nothing else in the program knows whether the broker is this one or another; the client reaches it over TCP all the
//! same. It keeps everything in memory: what must last is kept in the store, and published again on each connect.

mod access;
mod embedded;

pub use embedded::{Embedded, Login, Settings, StartError, User};
