//! Listening to an inbox, one thing at a time.

use std::collections::VecDeque;
use std::net::SocketAddr;
use std::time::Duration;
use tarewell::mqtt::{Client, Heard, Inbox, Message, Settings, Subscription, Timing};
use tokio::time::timeout;

/// Far longer than anything here takes; only a failing test waits for it.
pub const PATIENCE: Duration = Duration::from_secs(20);

pub struct Ears {
    inbox: Inbox,
    waiting: VecDeque<Heard>,
}

impl Ears {
    pub fn new(inbox: Inbox) -> Self {
        Self { inbox, waiting: VecDeque::new() }
    }

    /// The next thing heard.
    pub async fn next(&mut self) -> Heard {
        while self.waiting.is_empty() {
            let mut batch = Vec::new();
            let more = timeout(PATIENCE, self.inbox.next(&mut batch)).await.expect("nothing was heard");
            assert!(more, "the client ended");
            self.waiting.extend(batch);
        }
        self.waiting.pop_front().unwrap()
    }

    /// Passes over things until one fits.
    pub async fn until<T>(&mut self, fits: impl Fn(&Heard) -> Option<T>) -> T {
        loop {
            let heard = self.next().await;
            if let Some(found) = fits(&heard) {
                return found;
            }
        }
    }

    pub async fn up(&mut self) -> u64 {
        self.until(|heard| match heard {
            Heard::Up { connection, .. } => Some(*connection),
            _ => None,
        })
        .await
    }

    pub async fn down(&mut self) -> (String, Duration) {
        self.until(|heard| match heard {
            Heard::Down { why, retry_in } => Some((why.clone(), *retry_in)),
            _ => None,
        })
        .await
    }

    pub async fn message(&mut self) -> Message {
        self.until(|heard| match heard {
            Heard::Message(message) => Some(message.clone()),
            _ => None,
        })
        .await
    }

    /// Topic and payload of the next message.
    pub async fn text(&mut self) -> (String, String) {
        let message = self.message().await;
        (message.topic().to_owned(), String::from_utf8_lossy(message.payload()).into_owned())
    }
}

pub const SHORT: Timing = Timing {
    first_pause: Duration::from_millis(20),
    longest_pause: Duration::from_millis(160),
    settled_after: Duration::from_secs(10),
    stay_away: Duration::from_millis(300),
    watchdog: None,
};

pub fn hear(filter: &str) -> Subscription {
    Subscription { filter: filter.into(), qos1: true, retain_as_published: false, no_local: false }
}

pub fn settings(at: SocketAddr, client_id: &str, filters: &[&str]) -> Settings {
    Settings {
        subscriptions: filters.iter().map(|filter| hear(filter)).collect(),
        timing: SHORT,
        ..Settings::new(at.ip().to_string(), at.port(), client_id)
    }
}

pub fn start(settings: Settings) -> (Client, Ears) {
    let (client, inbox) = Client::start(settings).unwrap();
    (client, Ears::new(inbox))
}
