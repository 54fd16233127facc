//! What the web asks of the engine's task, and what it is answered.

use crate::moment::Wall;
use crate::units::{Fraction, Grams};
use tokio::sync::oneshot;

/// A question. Dropping its channel says that there is no answer.
#[derive(Debug)]
pub enum Ask {
    /// How are you?
    Health(oneshot::Sender<Health>),
    /// All states and alerts, as one JSON object.
    Site(oneshot::Sender<String>),
    /// What to water now, as a JSON list.
    Today(oneshot::Sender<String>),
    /// How long each flat lasts, as a JSON list; `None` where the day that nobody comes until is over.
    Away {
        /// When somebody comes again.
        until: Wall,
        /// The list.
        answer: oneshot::Sender<Option<String>>,
    },
    /// A command came in.
    Command {
        /// Whom it is for.
        to: To,
        /// As on the topic.
        payload: Vec<u8>,
        /// What to say to it.
        answer: oneshot::Sender<Reply>,
    },
    /// The weights of a flat; `None` if there is no such flat.
    History {
        /// Its id.
        flat: String,
        /// Not before.
        from: Option<Wall>,
        /// Not after.
        to: Option<Wall>,
        /// At most 2,000 points, in order of time.
        answer: oneshot::Sender<Option<Vec<Plotted>>>,
    },
}

/// Whom a command is for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum To {
    /// The flat of that id.
    Flat(String),
    /// The stand of that id.
    Stand(String),
    /// The valve of that id.
    Valve(String),
    /// The site.
    Site,
}

/// What is said to a command.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Reply {
    /// The JSON answer with `"ok":true`, as on the response topic.
    Done(String),
    /// It cannot be read; why.
    Unreadable(String),
    /// There is nobody of that id; in words.
    Unknown(String),
    /// It was read and not done; why.
    Refused(String),
}

/// How the engine is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Health {
    /// Whether the broker is there.
    pub broker: bool,
    /// Whether the store can be written.
    pub store: bool,
    /// Readings taken since the start.
    pub readings: u64,
}

/// One point of a history.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Plotted {
    /// When.
    pub at: Wall,
    /// The weight.
    pub weight: Grams,
    /// Its share of the band.
    pub fraction: Option<Fraction>,
}
