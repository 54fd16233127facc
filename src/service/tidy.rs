//! What an earlier run left on the broker: retained states and alerts that are no longer true.

use super::Failure;
use crate::mqtt::{Client, Heard, Inbox, Settings, Subscription};
use crate::wire::Router;
use std::time::Duration;

/// A broker hands out what it retained with its answer to the subscription; after so long nothing more of it comes.
const LONG_ENOUGH: Duration = Duration::from_secs(2);

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
        .map(|filter| Subscription { filter, qos1: true, retain_as_published: false })
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
        let mut up = false;
        loop {
            let next = self.inbox.next(&mut batch);
            let more = if up { tokio::time::timeout(LONG_ENOUGH, next).await.unwrap_or(false) } else { next.await };
            if !more {
                break;
            }
            for heard in batch.drain(..) {
                match heard {
                    Heard::Up { .. } => up = true,
                    Heard::Message(message) if message.retained() && !message.payload().is_empty() => {
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
