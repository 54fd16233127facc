//! What an earlier run left on the broker: retained states and alerts that are no longer true.

use super::Failure;
use crate::mqtt::{Client, Heard, Inbox, Settings, Subscription};
use crate::wire::Router;
use std::time::Duration;
use tokio::time::Instant;

/// A broker hands out what it retained with its answer to the subscription; after so long without any nothing more comes.
const LONG_ENOUGH: Duration = Duration::from_secs(2);
/// What is published meanwhile comes too, without end; by now the broker must have handed out what it had.
const LONGEST: Duration = Duration::from_secs(20);

/// A second connection that hears the topics under the base, for as long as it takes to find what is retained there.
/// The first one does not, or every state published would come back to it.
pub(super) struct Leftovers {
    client: Client,
    inbox: Inbox,
}

pub(super) fn listen(settings: Settings, router: &Router) -> Result<Leftovers, Failure> {
    let subscriptions = router
        .own_filters()
        .into_iter()
        .map(|filter| Subscription { filter, qos1: true, retain_as_published: false, no_local: false })
        .collect();
    let client_id = format!("{}-tidy", settings.client_id);
    let (client, inbox) = Client::start(Settings { client_id, will: None, subscriptions, ..settings })?;
    Ok(Leftovers { client, inbox })
}

impl Leftovers {
    /// The topics that are retained under the base, once the broker has been reached.
    pub async fn found(mut self) -> Vec<String> {
        let mut topics = Vec::new();
        let mut batch = Vec::new();
        // When it was connected, and when it last heard something that was retained.
        let mut up: Option<(Instant, Instant)> = None;
        loop {
            let next = self.inbox.next(&mut batch);
            let more = match up {
                Some((since, latest)) => {
                    let until = (since + LONGEST).min(latest + LONG_ENOUGH);
                    tokio::time::timeout_at(until, next).await.unwrap_or(false)
                }
                None => next.await,
            };
            if !more {
                break;
            }
            let now = Instant::now();
            for heard in batch.drain(..) {
                match heard {
                    Heard::Up { .. } => up = Some((now, now)),
                    Heard::Down { .. } => up = None,
                    Heard::Message(message) if message.retained() && !message.payload().is_empty() => {
                        up = up.map(|(since, _)| (since, now));
                        topics.push(message.topic().to_owned());
                    }
                    _ => {}
                }
            }
        }
        self.client.stop().await;
        topics
    }
}
