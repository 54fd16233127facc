//! What is to be published, and what became of it.

use super::settings::LARGEST_PACKET;
use super::topic::is_topic;

/// The largest payload published, in bytes: half of what a packet of ours may have, so that what we say we can hear.
pub const LARGEST_PAYLOAD: usize = LARGEST_PACKET as usize / 2;

/// What is done with a message when the connection is slow, or not there.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Delivery {
    /// Retained. A newer one for the same topic replaces one that waits. Thrown away without a connection: the service
    /// publishes all states again on [`super::Heard::Up`].
    State {
        /// Sent at least once; else at most once.
        qos1: bool,
    },
    /// Kept until the broker has acknowledged it, over lost connections too, so that it may come twice. QoS 1.
    Event,
    /// Sent on the connection there is, or not at all. For answers.
    Once {
        /// Sent at least once; else at most once.
        qos1: bool,
    },
    /// As [`Delivery::Once`] with QoS 1, but before all else that waits, and not at all once it has waited for longer than its expiry.
    /// For orders to valves.
    Order,
}

/// A message to publish.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Outgoing {
    /// Where.
    pub topic: String,
    /// What; at most [`LARGEST_PAYLOAD`]. An empty state clears the topic.
    pub payload: Vec<u8>,
    /// How.
    pub delivery: Delivery,
    /// Message Expiry Interval: after so many seconds a broker hands it out no more.
    pub expiry_s: Option<u32>,
    /// Correlation Data of the request that this answers.
    pub correlation: Option<Vec<u8>>,
    /// Content Type.
    pub content_type: Option<String>,
}

impl Outgoing {
    /// A message with none of the optional properties.
    #[must_use]
    pub fn new(topic: impl Into<String>, payload: impl Into<Vec<u8>>, delivery: Delivery) -> Self {
        let (topic, payload) = (topic.into(), payload.into());
        Self { topic, payload, delivery, expiry_s: None, correlation: None, content_type: None }
    }

    pub(super) const fn qos1(&self) -> bool {
        match self.delivery {
            Delivery::Event | Delivery::Order => true,
            Delivery::State { qos1 } | Delivery::Once { qos1 } => qos1,
        }
    }

    pub(super) const fn retain(&self) -> bool {
        matches!(self.delivery, Delivery::State { .. })
    }

    /// No less than the bytes on the wire: fixed header 5, packet id 2, lengths and identifiers of properties 32.
    pub(super) fn size(&self) -> usize {
        let text = self.content_type.as_ref().map_or(0, String::len);
        self.topic.len() + self.payload.len() + text + self.correlation.as_ref().map_or(0, Vec::len) + 39
    }

    pub(super) fn check(&self) -> Result<(), Unsendable> {
        if !is_topic(&self.topic) {
            return Err(Unsendable::Topic);
        }
        if self.payload.len() > LARGEST_PAYLOAD || self.size() > LARGEST_PACKET as usize {
            return Err(Unsendable::TooLarge);
        }
        if self.correlation.as_ref().is_some_and(|c| c.len() > 65_535)
            || self.content_type.as_ref().is_some_and(|c| c.len() > 65_535)
        {
            return Err(Unsendable::TooLarge);
        }
        Ok(())
    }
}

/// What [`super::Client::publish`] did.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Published {
    /// It goes out on the present connection, unless that is lost before.
    Queued,
    /// There is no connection; the event is kept.
    Kept,
    /// There is no connection; the state or message was thrown away.
    Down,
    /// It can never be sent.
    Refused(Unsendable),
}

/// Why a message can never be sent.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unsendable {
    /// No topic to publish to: empty, with a wildcard or NUL, or longer than 65,535 bytes.
    Topic,
    /// Larger than [`LARGEST_PAYLOAD`], or than the broker takes.
    TooLarge,
    /// It waited for longer than its expiry.
    TooLate,
}

impl std::fmt::Display for Unsendable {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::Topic => "no topic to publish to",
            Self::TooLarge => "too large for a packet",
            Self::TooLate => "it had waited too long",
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_cannot_be_sent_is_told_before() {
        let state = |topic: &str, size| Outgoing::new(topic, vec![b'x'; size], Delivery::State { qos1: false });
        assert_eq!(state("a", LARGEST_PAYLOAD).check(), Ok(()));
        assert_eq!(state("a", LARGEST_PAYLOAD + 1).check(), Err(Unsendable::TooLarge));
        assert_eq!(state("a/+", 1).check(), Err(Unsendable::Topic));
        assert_eq!(state("", 1).check(), Err(Unsendable::Topic));
        let long = Outgoing { correlation: Some(vec![0; 65_536]), ..state("a", 1) };
        assert_eq!(long.check(), Err(Unsendable::TooLarge));
    }
}
