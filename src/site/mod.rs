//! The whole vocabulary, and the glue: `Site`.

mod command;
mod input;
mod output;
mod plan;
mod state;

pub use command::{Command, Order, Set, Subject};
pub use input::{Input, Part, Ticket, Unreadable};
pub use output::{Answer, By, Event, Happening, Message, Output, Sample};
pub use plan::Plan;
pub use state::*;
