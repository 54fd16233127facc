//! A thread of its own for writing, so that a slow or full disk holds nobody up.

use super::queue::Queue;
use super::words::Write;
use super::{Store, StoreError};
use crate::moment::Wall;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};
use tokio::sync::Notify;

/// Weights alone wait so long for others to share their transaction.
const GATHER: Duration = Duration::from_secs(1);
/// The first and the longest pause before what failed is tried again.
const FIRST_PAUSE: Duration = Duration::from_millis(200);
const LONGEST_PAUSE: Duration = Duration::from_secs(30);

/// What a writer has to say; only when something has changed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Report {
    /// Writing fails. It is tried again, everything waits in memory meanwhile.
    Failing(String),
    /// Writing works again, and what had waited is written.
    Recovered,
    /// These writes can never be written and were dropped, so that the rest can be.
    Refused(String),
    /// Too much had to wait; this many of the oldest were dropped.
    Lost {
        /// Weights for plots.
        weights: usize,
        /// Events.
        events: usize,
    },
}

/// What is to be on the disk before something else may happen; see [`Writer::flush`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Flush {
    number: u64,
    faults: u64,
}

impl Flush {
    /// The number of its batch.
    #[must_use]
    pub const fn number(&self) -> u64 {
        self.number
    }
}

/// The store on a thread of its own. What is sent is written in order and each batch whole; sending never blocks.
#[derive(Debug)]
pub struct Writer {
    shared: Arc<Shared>,
    thread: Option<JoinHandle<()>>,
}

#[derive(Debug)]
struct Shared {
    state: Mutex<State>,
    changed: Condvar,
    /// For whoever must not block.
    progress: Notify,
}

#[derive(Debug, Default)]
struct State {
    queue: Queue,
    /// Number of the last batch written.
    written: u64,
    compact: Option<Wall>,
    phase: Phase,
    failing: bool,
    /// Somebody waits for all that is here to be on the disk.
    urgent: bool,
    /// How often something could not be written.
    faults: u64,
}

/// How far the writer is from its end; only ever goes on.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord)]
enum Phase {
    /// More may come.
    #[default]
    Open,
    /// Nothing more will come: write what is there without waiting for company, and end.
    Closing,
    /// End even if something is left.
    Abandoned,
    /// The thread is done, and the store is let go of.
    Ended,
}

impl Writer {
    /// Takes over a store. `report` is called on the writer's thread, and must not block.
    ///
    /// # Errors
    /// When the system gives no thread.
    pub fn start(store: Store, report: impl FnMut(Report) + Send + 'static) -> Result<Self, StoreError> {
        let shared = Arc::new(Shared { state: Mutex::default(), changed: Condvar::new(), progress: Notify::new() });
        let path = store.path().unwrap_or(std::path::Path::new("in memory")).to_owned();
        let work = Work { shared: Arc::clone(&shared), store, report: Box::new(report) };
        let thread = std::thread::Builder::new()
            .name("store".into())
            .spawn(move || work.run())
            .map_err(|source| StoreError::Io { doing: "start a thread for the store", path, source })?;
        Ok(Self { shared, thread: Some(thread) })
    }

    /// Has a batch written, at once unless it is weights alone, and says its number. An empty one counts too.
    pub fn send(&self, batch: Vec<Write>) -> u64 {
        let number = self.shared.lock().queue.put(batch);
        self.shared.changed.notify_all();
        number
    }

    /// Has a batch written at once, with all that waits, and brought onto the disk itself. A writer that has failed before tries again
    /// now. What comes of it, [`flushed`](Self::flushed) says.
    pub fn flush(&self, batch: Vec<Write>) -> Flush {
        let mut state = self.shared.lock();
        state.urgent = true;
        let flush = Flush { number: state.queue.put(batch), faults: state.faults };
        drop(state);
        self.shared.changed.notify_all();
        flush
    }

    /// Whether what was to be flushed would survive the loss of power; `None` while it is not known yet. Once something could not be
    /// written since, it is `false`, though it may be written later.
    #[must_use]
    pub fn flushed(&self, flush: Flush) -> Option<bool> {
        let state = self.shared.lock();
        if state.faults != flush.faults {
            Some(false)
        } else if state.written >= flush.number {
            Some(true)
        } else {
            (state.phase == Phase::Ended).then_some(false)
        }
    }

    /// Waits until more is written, or could not be, since this was last waited for. For one waiter; it may be cancelled without loss.
    pub async fn progress(&self) {
        self.shared.progress.notified().await;
    }

    /// The number of the last batch that is written: it and all before it survive a kill.
    #[must_use]
    pub fn written(&self) -> u64 {
        self.shared.lock().written
    }

    /// Whether the last write worked: what is sent now will probably be kept.
    #[must_use]
    pub fn works(&self) -> bool {
        let state = self.shared.lock();
        !state.failing && state.phase < Phase::Ended
    }

    /// Has the store thinned, when nothing else waits.
    pub fn compact(&self, now: Wall) {
        self.shared.lock().compact = Some(now);
        self.shared.changed.notify_all();
    }

    /// Waits until the batch of that number is written, at most so long; `false` if it is not. Blocks.
    #[must_use]
    pub fn wait(&self, number: u64, at_most: Duration) -> bool {
        let until = Instant::now() + at_most;
        let mut state = self.shared.lock();
        while state.written < number {
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() || state.phase == Phase::Ended {
                return false;
            }
            state = self.shared.wait(state, left);
        }
        true
    }

    /// Writes what is left and lets go of the store; `false` if something could not be written in that time. Blocks.
    #[must_use]
    pub fn close(mut self, at_most: Duration) -> bool {
        let until = Instant::now() + at_most;
        let mut state = self.shared.lock();
        state.phase = state.phase.max(Phase::Closing);
        self.shared.changed.notify_all();
        while state.phase < Phase::Ended && Instant::now() < until {
            state = self.shared.wait(state, until.saturating_duration_since(Instant::now()));
        }
        let ended = state.phase == Phase::Ended;
        let done = ended && state.queue.len() == 0;
        drop(state);
        // A thread that hangs in a dead disk is left to the end of the process.
        if let (true, Some(thread)) = (ended, self.thread.take()) {
            return thread.join().is_ok() && done;
        }
        done
    }
}

impl Drop for Writer {
    fn drop(&mut self) {
        let mut state = self.shared.lock();
        state.phase = state.phase.max(Phase::Abandoned);
        self.shared.changed.notify_all();
    }
}

impl Shared {
    fn lock(&self) -> MutexGuard<'_, State> {
        // The state is whole between any two of its changes, so a panic elsewhere leaves nothing half done.
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn wait<'a>(&self, state: MutexGuard<'a, State>, at_most: Duration) -> MutexGuard<'a, State> {
        self.changed.wait_timeout(state, at_most).unwrap_or_else(PoisonError::into_inner).0
    }
}

struct Work {
    shared: Arc<Shared>,
    store: Store,
    report: Box<dyn FnMut(Report) + Send>,
}

enum Task {
    /// What, the number of its last batch, and whether somebody waits for it to be on the disk.
    Write(Vec<Write>, u64, bool),
    Compact(Wall),
    End,
}

impl Work {
    fn run(mut self) {
        let mut pause = FIRST_PAUSE;
        loop {
            match self.next() {
                Task::Write(batch, number, flush) => match self.write(&batch, flush) {
                    Ok(()) => {
                        self.written(number);
                        pause = FIRST_PAUSE;
                    }
                    Err(error) if error.hopeless() => self.sort_out(batch, number),
                    Err(error) => {
                        if !self.failed(batch, &error, pause) {
                            break;
                        }
                        pause = (pause * 2).min(LONGEST_PAUSE);
                    }
                },
                Task::Compact(now) => {
                    if let Err(error) = self.store.compact(now) {
                        (self.report)(Report::Failing(error.to_string()));
                        self.shared.lock().failing = true;
                    }
                }
                Task::End => break,
            }
        }
        let Self { shared, store, .. } = self;
        // The file is closed and its lock let go before anyone is told.
        drop(store);
        shared.lock().phase = Phase::Ended;
        shared.changed.notify_all();
        shared.progress.notify_one();
    }

    fn write(&mut self, batch: &[Write], flush: bool) -> Result<(), StoreError> {
        if flush { self.store.flush(batch) } else { self.store.write(batch) }
    }

    fn next(&self) -> Task {
        let mut state = self.shared.lock();
        let mut gathering: Option<Instant> = None;
        loop {
            if state.queue.len() > 0 || state.queue.put > state.written {
                let since = *gathering.get_or_insert_with(Instant::now);
                let left = GATHER.saturating_sub(since.elapsed());
                let at_once = state.urgent || state.queue.is_grave() || state.queue.len() == 0;
                if at_once || state.phase > Phase::Open || left.is_zero() {
                    let flush = std::mem::take(&mut state.urgent);
                    return Task::Write(state.queue.take(), state.queue.put, flush);
                }
                state = self.shared.wait(state, left);
            } else if state.phase > Phase::Open {
                return Task::End;
            } else if let Some(now) = state.compact.take() {
                return Task::Compact(now);
            } else {
                state = self.shared.wait(state, Duration::from_secs(3600));
            }
        }
    }

    fn written(&mut self, number: u64) {
        let mut state = self.shared.lock();
        state.written = number;
        let recovered = std::mem::take(&mut state.failing);
        let lost = std::mem::take(&mut state.queue.lost);
        drop(state);
        self.shared.changed.notify_all();
        self.shared.progress.notify_one();
        if recovered {
            (self.report)(Report::Recovered);
        }
        if lost.weights + lost.events > 0 {
            (self.report)(Report::Lost { weights: lost.weights, events: lost.events });
        }
    }

    /// Puts the batch back and waits; `false` when it is time to end.
    fn failed(&mut self, batch: Vec<Write>, error: &StoreError, pause: Duration) -> bool {
        let mut state = self.shared.lock();
        state.queue.put_back(batch);
        let first = !std::mem::replace(&mut state.failing, true);
        state.faults += 1;
        drop(state);
        self.shared.progress.notify_one();
        if first {
            (self.report)(Report::Failing(error.to_string()));
        }
        let since = Instant::now();
        let mut state = self.shared.lock();
        while state.phase < Phase::Abandoned && !state.urgent {
            let pause = if state.phase > Phase::Open { FIRST_PAUSE } else { pause };
            let left = pause.saturating_sub(since.elapsed());
            if left.is_zero() {
                return true;
            }
            state = self.shared.wait(state, left);
        }
        state.phase < Phase::Abandoned
    }

    /// Something in the batch can never be written: without it, one by one.
    fn sort_out(&mut self, batch: Vec<Write>, number: u64) {
        let mut again = Vec::new();
        for item in batch {
            match self.store.write(std::slice::from_ref(&item)) {
                Ok(()) => {}
                Err(error) if error.hopeless() => {
                    self.shared.lock().faults += 1;
                    (self.report)(Report::Refused(format!("{error}: {item:?}")));
                }
                Err(_) => again.push(item),
            }
        }
        if again.is_empty() {
            self.written(number);
        } else {
            self.shared.lock().queue.put_back(again);
        }
    }
}
