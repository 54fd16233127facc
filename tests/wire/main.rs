//! Bytes in, bytes out: readings, commands, states, recordings, and the arithmetic of `amount`.

mod amount;
mod commands;
mod messages;
mod published;
mod recordings;
mod shed;
mod valves;
