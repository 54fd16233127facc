//! The way in: batches, so that a wake-up is not paid for each message.

use super::message::Heard;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use tokio::sync::Notify;

/// So many may wait to be taken before the client stops reading.
pub const BOUND: usize = 20_000;

/// A drained batch keeps at most this capacity, so that one burst does not hold its memory for ever.
const KEEP_CAPACITY: usize = 1_024;

#[derive(Debug, Default)]
struct Shared {
    waiting: Mutex<Vec<Heard>>,
    filled: Notify,
    emptied: Notify,
    ended: AtomicBool,
}

impl Shared {
    fn waiting(&self) -> MutexGuard<'_, Vec<Heard>> {
        self.waiting.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// The reading end, for the service.
#[derive(Debug)]
pub struct Inbox(Arc<Shared>);

/// The writing end, for the connection's task. When it is dropped, the reading end learns of it.
#[derive(Debug)]
pub(super) struct Slot(Arc<Shared>);

pub(super) fn pair() -> (Slot, Inbox) {
    let shared = Arc::new(Shared::default());
    (Slot(Arc::clone(&shared)), Inbox(shared))
}

impl Inbox {
    /// Waits until something is there and swaps all of it into `batch`, which is emptied first. False when the client
    /// has ended and everything was taken. It may be cancelled at any time without loss.
    pub async fn next(&mut self, batch: &mut Vec<Heard>) -> bool {
        loop {
            let ended = self.0.ended.load(Ordering::Acquire);
            if self.take(batch) {
                return true;
            }
            if ended {
                return false;
            }
            self.0.filled.notified().await;
        }
    }

    /// Swaps what is there into `batch`, which is emptied first; whether there was anything.
    pub fn take(&mut self, batch: &mut Vec<Heard>) -> bool {
        batch.clear();
        batch.shrink_to(KEEP_CAPACITY);
        std::mem::swap(&mut *self.0.waiting(), batch);
        self.0.emptied.notify_one();
        !batch.is_empty()
    }
}

impl Slot {
    /// Hands over what has gathered.
    pub(super) fn put(&self, gathered: &mut Vec<Heard>) {
        if gathered.is_empty() {
            return;
        }
        self.0.waiting().append(gathered);
        self.0.filled.notify_one();
    }

    /// Waits while too much is waiting.
    pub(super) async fn room(&self) {
        while self.0.waiting().len() >= BOUND {
            self.0.emptied.notified().await;
        }
    }
}

impl Drop for Slot {
    fn drop(&mut self) {
        self.0.ended.store(true, Ordering::Release);
        self.0.filled.notify_one();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Duration;

    fn dropped(count: u64) -> Heard {
        Heard::Dropped { count }
    }

    #[tokio::test]
    async fn batches_come_in_order_and_the_end_last() {
        let (slot, mut inbox) = pair();
        slot.put(&mut vec![dropped(1)]);
        slot.put(&mut vec![dropped(2), dropped(3)]);
        let mut batch = vec![dropped(9)];
        assert!(inbox.next(&mut batch).await);
        assert_eq!(batch, [dropped(1), dropped(2), dropped(3)]);
        slot.put(&mut vec![dropped(4)]);
        drop(slot);
        assert!(inbox.next(&mut batch).await);
        assert_eq!(batch, [dropped(4)]);
        assert!(!inbox.next(&mut batch).await);
        assert!(batch.is_empty());
    }

    #[tokio::test(start_paused = true)]
    async fn a_full_inbox_makes_the_client_wait() {
        let (slot, mut inbox) = pair();
        slot.put(&mut (0..BOUND as u64).map(dropped).collect());
        let wait = async |slot: &Slot| tokio::time::timeout(Duration::from_secs(1), slot.room()).await;
        assert!(wait(&slot).await.is_err());
        let mut batch = Vec::new();
        assert!(inbox.take(&mut batch));
        assert_eq!(batch.len(), BOUND);
        assert!(wait(&slot).await.is_ok());
    }

    #[tokio::test(start_paused = true)]
    async fn a_cancelled_wait_loses_nothing() {
        let (slot, mut inbox) = pair();
        let mut batch = Vec::new();
        assert!(tokio::time::timeout(Duration::from_secs(1), inbox.next(&mut batch)).await.is_err());
        slot.put(&mut vec![dropped(1)]);
        assert!(inbox.next(&mut batch).await);
        assert_eq!(batch, [dropped(1)]);
    }
}
