//! The task beside the engine: hears what it says, has it posted, keeps what was told.

use super::sender::{NotSent, Sender};
use super::{Facts, Phone, Post, Purpose, Request, Teller};
use crate::moment::{Moment, Mono};
use crate::site::Message;
use std::collections::HashMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;
use tokio::sync::mpsc;
use tokio::task::JoinHandle;

/// Quiet hours end by a clock that may be set meanwhile, so it is looked at this often.
const LOOK: Duration = Duration::from_secs(60);
/// At the end, posts on their way are waited for this long, so that they are not told again at the next start.
const LAST_WAIT: Duration = Duration::from_secs(2);

/// What the engine's side has to say.
#[derive(Debug, Clone)]
pub enum News {
    /// An alert rose, changed or is over; with the id of its subject.
    Heard(Message, String),
    /// See [`Teller::shelve`].
    Shelved {
        /// The word for what it is.
        of: String,
        /// Its id.
        id: String,
        /// Until when.
        until: Option<Mono>,
    },
    /// See [`Teller::list`].
    List {
        /// One line.
        title: String,
        /// The rest.
        text: String,
    },
    /// See [`Teller::clock_set`].
    ClockSet(bool),
    /// The engine has just turned; to be said at least every half a minute.
    Turned,
}

/// The running task. Telling it something never blocks.
#[derive(Debug)]
pub struct Notifier {
    news: mpsc::UnboundedSender<News>,
    task: JoinHandle<()>,
    /// Somebody waits for this morning's list.
    wants_list: Arc<AtomicBool>,
}

impl Notifier {
    /// Starts it on the present runtime. `keep` is given what must be known after a restart, and must not block.
    pub fn start(
        teller: Teller,
        sender: Sender,
        clock: impl Fn() -> Moment + Send + 'static,
        keep: impl FnMut(Facts) + Send + 'static,
    ) -> Self {
        let (news, heard) = mpsc::unbounded_channel();
        let (done, results) = mpsc::unbounded_channel();
        let phones = teller.phones().cloned().collect();
        let wants_list = Arc::new(AtomicBool::new(false));
        let wanted = wants_list.clone();
        let work = Work { wanted, teller, phones, sender, clock, keep, done, flying: HashMap::new() };
        Self { news, task: tokio::spawn(work.run(heard, results)), wants_list }
    }

    /// Says something to it. After it has ended nothing happens.
    pub fn say(&self, news: News) {
        let _ = self.news.send(news);
    }

    /// Whether it is time for the morning's list: who knows it says [`News::List`].
    #[must_use]
    pub fn wants_list(&self) -> bool {
        self.wants_list.load(Ordering::Relaxed)
    }

    /// Ends it, within about two seconds; what is not told yet is kept for the next start.
    pub async fn stop(self) {
        let Self { news, task, .. } = self;
        drop(news);
        let _ = task.await;
    }
}

type Outcome = (u64, Result<u16, NotSent>);

struct Work<Clock, Keep> {
    wanted: Arc<AtomicBool>,
    teller: Teller,
    phones: Vec<Phone>,
    sender: Sender,
    clock: Clock,
    keep: Keep,
    done: mpsc::UnboundedSender<Outcome>,
    /// What is on its way, and the names of the phones it goes to.
    flying: HashMap<u64, (&'static str, String)>,
}

impl<Clock: Fn() -> Moment, Keep: FnMut(Facts)> Work<Clock, Keep> {
    async fn run(mut self, mut news: mpsc::UnboundedReceiver<News>, mut results: mpsc::UnboundedReceiver<Outcome>) {
        loop {
            let at = (self.clock)();
            for post in self.teller.tick(at) {
                self.launch(&post);
            }
            self.wanted.store(self.teller.wants_list(at).is_some(), Ordering::Relaxed);
            self.keep_facts();
            tokio::select! {
                heard = news.recv() => match heard {
                    Some(heard) => self.hear_all(heard, &mut news),
                    None => break,
                },
                Some(outcome) = results.recv() => self.land(outcome),
                () = tokio::time::sleep(self.rest()) => {}
            }
        }
        let last = async {
            while !self.flying.is_empty() {
                let Some(outcome) = results.recv().await else { break };
                self.land(outcome);
            }
        };
        let _ = tokio::time::timeout(LAST_WAIT, last).await;
        self.keep_facts();
    }

    fn keep_facts(&mut self) {
        if let Some(facts) = self.teller.facts((self.clock)()) {
            (self.keep)(facts);
        }
    }

    fn rest(&self) -> Duration {
        let at = (self.clock)();
        let millis = self.teller.next_wake(at).map_or(i64::MAX, |wake| wake.since(at.mono).millis());
        Duration::from_millis(u64::try_from(millis).unwrap_or(0)).min(LOOK)
    }

    /// Takes all that is there at once, so that many alerts are kept and told in one go.
    fn hear_all(&mut self, first: News, news: &mut mpsc::UnboundedReceiver<News>) {
        self.hear(first);
        while let Ok(next) = news.try_recv() {
            self.hear(next);
        }
    }

    fn hear(&mut self, news: News) {
        let at = (self.clock)();
        match news {
            News::Heard(message, id) => self.teller.heard(&message, &id, at),
            News::Shelved { of, id, until } => self.teller.shelve(&of, &id, until),
            News::List { title, text } => self.teller.list(title, text, at),
            News::ClockSet(set) => self.teller.clock_set(set),
            News::Turned => self.teller.turned(at),
        }
    }

    fn launch(&mut self, post: &Post) {
        let Some(phone) = self.phones.get(post.phone) else { return };
        let (what, request) = match &post.what {
            Purpose::Letter(letter) => ("Message", Some(Request::of_letter(phone, letter))),
            Purpose::Heartbeat => ("Heartbeat", Request::heartbeat(phone)),
        };
        let Some(request) = request else { return };
        self.flying.insert(post.id, (what, phone.name.clone()));
        let (sender, done) = (self.sender.clone(), self.done.clone());
        // A thread and not the runtime's: the runtime would wait at its end for a server that does not answer.
        let id = post.id;
        let started = std::thread::Builder::new().name("notify".into()).spawn(move || {
            let _ = done.send((id, sender.post(&request)));
        });
        if let Err(error) = started {
            let failed =
                NotSent::Failed { place: "here".into(), why: format!("no thread to send with ({})", error.kind()) };
            let _ = self.done.send((id, Err(failed)));
        }
    }

    fn land(&mut self, (post, outcome): Outcome) {
        let (what, phone) = self.flying.remove(&post).unwrap_or_default();
        let Some(words) = self.teller.result(post, outcome.is_ok(), (self.clock)()) else { return };
        match outcome {
            Ok(_) => tracing::info!(phone, "{what} {words}"),
            Err(error) => tracing::warn!(phone, %error, "{what} {words}"),
        }
    }
}
