//! What the connection brings in.

use rumqttc::v5::mqttbytes::v5::{Publish, PublishProperties};
use std::time::Duration;

/// A message that came in. Its topic is known to be text, and not empty.
///
/// It keeps the library's buffers, so that a reading is not copied on its way to the engine.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Message(Publish);

impl Message {
    /// `None` for a topic that is not UTF-8 or empty: the library checks neither, and hands on unknown aliases as "".
    pub(super) fn new(publish: Publish) -> Option<Self> {
        std::str::from_utf8(&publish.topic).is_ok_and(|topic| !topic.is_empty()).then_some(Self(publish))
    }

    /// Where it came.
    #[must_use]
    pub fn topic(&self) -> &str {
        std::str::from_utf8(&self.0.topic).unwrap_or_default()
    }

    /// What came.
    #[must_use]
    pub fn payload(&self) -> &[u8] {
        &self.0.payload
    }

    /// Kept by the broker from before, so of unknown age; with Retain As Published: as the publisher set it.
    #[must_use]
    pub const fn retained(&self) -> bool {
        self.0.retain
    }

    /// Where the publisher wants an answer.
    #[must_use]
    pub fn response_topic(&self) -> Option<&str> {
        self.properties()?.response_topic.as_deref()
    }

    /// What the publisher wants to see in the answer.
    #[must_use]
    pub fn correlation(&self) -> Option<&[u8]> {
        self.properties()?.correlation_data.as_deref()
    }

    const fn properties(&self) -> Option<&PublishProperties> {
        self.0.properties.as_ref()
    }
}

/// What the client has to tell.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Heard {
    /// The connection stands and every subscription has been answered. Publish all retained states now.
    ///
    /// Retained messages may come before it: a broker sends them with its answer to the subscription.
    Up {
        /// Counts the connections of this client, from 1.
        connection: u64,
        /// The broker says that it remembered a session. Nothing may rely on it; it is asked for a clean one.
        session_present: bool,
    },
    /// There is no connection, told after each failed attempt too.
    Down {
        /// Why, in words.
        why: String,
        /// When the next attempt is made.
        retry_in: Duration,
    },
    /// A message.
    Message(Message),
    /// The broker refused a login or a subscription: which and why. A login is tried again; told once until it succeeds.
    Refused(String),
    /// Another client with the same id took the session, as the broker says or as it looks; this one stays away for the time told in the
    /// [`Heard::Down`] that follows.
    TakenOver,
    /// The broker refused to publish.
    PublishRefused {
        /// Where.
        topic: String,
        /// Why, in the protocol's words.
        reason: String,
    },
    /// So many events fell out of the outbox since last told, the oldest first.
    Dropped {
        /// How many.
        count: u64,
    },
    /// So many incoming messages had no readable topic since last told.
    Unreadable {
        /// How many.
        count: u64,
    },
}
