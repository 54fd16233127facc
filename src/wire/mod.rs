//! Bytes ↔ the engine's words: topics, readings, commands, states. Pure.

mod command;
mod hash;
mod names;
mod nearest;
mod reading;
mod recording;
mod router;
mod seek;
mod stamp;
mod states;
mod topics;
mod valve;
mod wiring;

pub use command::{COMMANDS, CommandRow, MAX_COMMAND, MAX_ID, order};
pub use names::{Names, Past};
pub use nearest::nearest;
pub use reading::{MAX_PAYLOAD, Unit, availability, bare, number};
pub use recording::{Body, Parser, Record};
pub use router::{Heard, Router, Subscription};
pub use stamp::Stamps;
pub use states::{event_name, event_of, write_answer, write_event};
pub use topics::{Ownership, Retained, Row, Topic};
pub use valve::{OrderMessage, foreign_order, takes_seconds};
pub use wiring::{Binding, Pointer, Role, ValveWiring, Wiring};

/// The topics of a site, by their subjects.
pub mod topic {
    pub use super::topics::{alert, command, events, state, status};
}
