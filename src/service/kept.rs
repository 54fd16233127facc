//! What goes out only once the store has what it speaks of: an answer that something was done must hold though the process is
//! killed the moment after, and the number of an event must never be given to another one.

use crate::mqtt::{Client, Outgoing, Published};
use crate::store::Writer;
use crate::web::Reply;
use std::collections::VecDeque;
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::sync::oneshot;
use tokio::task::JoinHandle;

/// A disk that hangs keeps nobody waiting for longer.
const PATIENCE: Duration = Duration::from_secs(2);
/// Nor at the end.
const LAST_PATIENCE: Duration = Duration::from_millis(500);

/// An event, or the answer to a command.
pub(super) enum Letter {
    Message(Outgoing),
    Web(oneshot::Sender<Reply>, Reply),
}

impl Letter {
    pub fn send(self, client: &Client) {
        match self {
            Self::Message(message) => {
                if let Published::Refused(why) = client.publish(message) {
                    tracing::error!(%why, "Could not publish");
                }
            }
            Self::Web(asker, reply) => {
                // Whoever asked may have gone meanwhile; then nobody minds.
                let _ = asker.send(reply);
            }
        }
    }
}

/// Letters in their order, each with the batch it waits for.
#[derive(Default)]
pub(super) struct Kept {
    waiting: VecDeque<(u64, Instant, Letter)>,
    watch: Option<JoinHandle<bool>>,
}

impl Kept {
    /// Holds letters back until this batch is written.
    pub fn hold(&mut self, batch: u64, letters: &mut Vec<Letter>) {
        let until = Instant::now() + PATIENCE;
        self.waiting.extend(letters.drain(..).map(|letter| (batch, until, letter)));
    }

    /// What may go out now. While nothing can be written, everything may: what is not kept is still so.
    pub fn released(&mut self, writer: &Writer) -> Vec<Letter> {
        let (written, works, now) = (writer.written(), writer.works(), Instant::now());
        let held = |(batch, until, _): &(u64, Instant, Letter)| *batch > written && works && now < *until;
        let count = self.waiting.iter().position(held).unwrap_or(self.waiting.len());
        self.waiting.drain(..count).map(|(_, _, letter)| letter).collect()
    }

    /// Ends when there may be something to release; never while nothing waits. May be dropped and called again.
    pub async fn turned(&mut self, writer: &Arc<Writer>) {
        let Some((batch, ..)) = self.waiting.front() else { return std::future::pending().await };
        let watch = self.watch.get_or_insert_with(|| {
            let (writer, batch) = (writer.clone(), *batch);
            tokio::task::spawn_blocking(move || writer.wait(batch, PATIENCE))
        });
        let _ = watch.await;
        self.watch = None;
    }

    /// All that is left, at the end.
    pub async fn last(mut self, writer: &Arc<Writer>) -> Vec<Letter> {
        if let Some((batch, ..)) = self.waiting.back()
            && writer.works()
        {
            let (writer, batch) = (writer.clone(), *batch);
            let _ = tokio::task::spawn_blocking(move || writer.wait(batch, LAST_PATIENCE)).await;
        }
        self.waiting.drain(..).map(|(_, _, letter)| letter).collect()
    }
}
