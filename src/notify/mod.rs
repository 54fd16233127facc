//! Messages to phones: who is told what, when, and once.
//!
//! [`Teller`] decides, without clock or network; [`Letter`] and [`Request`] put it into words and bytes; [`send`] posts
//! one request; [`Notifier`] is the task that lets them work beside the engine and never in its way.

mod facts;
mod header;
mod known;
mod letter;
mod line;
mod quiet;
mod request;
mod sender;
mod task;
mod teller;

pub use crate::config::{Phone, Secret};
pub use facts::Facts;
pub use letter::Letter;
pub use request::Request;
pub use sender::{NotSent, Sender, place, send};
pub use task::{News, Notifier};
pub use teller::{Post, Purpose, Teller};
