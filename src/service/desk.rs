//! The one task that owns the engine: hands inputs in, carries outputs out.

use super::backlog::Backlog;
use super::valves::Links;
use super::{Clock, keeping, plot, tidy::Leftovers};
use crate::alert::{Kind, Severity};
use crate::moment::{Mono, Span};
use crate::mqtt::{Client, Delivery, Heard, Inbox, Message, Outgoing, Published};
use crate::notify::{News, Notifier};
use crate::site::{Answer, Input, Output, Site, Subject, Ticket};
use crate::store::{Flush, Reader, Write, Writer};
use crate::web::{Ask, Health, Reply, To};
use crate::wire::{self, Ownership, Router, topic, write_answer, write_event};
use std::collections::{HashMap, HashSet, VecDeque};
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::sync::{mpsc, oneshot};
use tokio_util::sync::CancellationToken;

/// The engine turns at least so often, though nothing happens: that is what health, watchdog and heartbeat go by.
const TURNS_EVERY: Duration = Duration::from_secs(10);
/// While so many messages wait for the connection, what is to be published waits here. Orders to valves do not.
const ENOUGH_WAITS: usize = 128;
/// What waits for the connection is looked at again so soon: it does not tell when it is done.
const LOOK_AGAIN: Duration = Duration::from_millis(2);
/// What waits for the store is let out after so long, whatever the store does.
const HELD_AT_MOST: Duration = Duration::from_secs(1);
/// What is not on the disk by then counts as not written, and nothing is opened by it.
const FLUSHED_WITHIN: Duration = Duration::from_secs(5);
/// At the end the store is waited for so long before the last answers are given.
const KEPT_AT_THE_END: Duration = Duration::from_millis(500);
/// The status and raised alerts come again so often, as states do: somebody may have deleted what the broker keeps of them.
const ALIVE_EVERY: Span = Span::minutes(10);
/// The store is thinned so often.
const COMPACT_EVERY: Duration = Duration::from_secs(6 * 3600);

/// What the desk works with.
pub(super) struct Tools {
    pub clock: Clock,
    pub router: Router,
    pub client: Client,
    pub links: Links,
    pub writer: Arc<Writer>,
    pub notifier: Notifier,
    pub history: Option<Reader>,
}

/// Whom to answer.
enum Asker {
    /// A response topic, with the correlation data of the request.
    Topic(String, Option<Vec<u8>>),
    /// A request of the web.
    Web(oneshot::Sender<Reply>),
}

pub(super) struct Desk {
    site: Site,
    tools: Tools,
    askers: HashMap<Ticket, Asker>,
    tickets: u64,
    /// What must not be retained: cleared again on each connect, since the broker may have been away when it was.
    cleared: HashSet<String>,
    /// What the store is to write after this turn.
    writes: Vec<Write>,
    payload: Vec<u8>,
    turned: Option<Instant>,
    compacted: Instant,
    /// When the status was published last.
    alive: Mono,
    /// Told in this turn, to be held until the store has written what belongs to it.
    fresh: Vec<Told>,
    held: VecDeque<Held>,
    /// The connection has enough to do for now: what is to be published waits here …
    backlog: Backlog,
    /// … and so do events that the store has.
    events_wait: bool,
    flushes: Vec<Flushing>,
    /// What the engine knows of the store.
    store_works: bool,
    /// The number of the last batch sent to the store.
    sent: u64,
}

/// What nobody may hear of before it would survive a kill: a number of an event is never given twice, and what was answered
/// holds.
enum Told {
    Event(Vec<u8>),
    Answer(Ticket, Answer),
}

/// What the engine wants on the disk before it goes on.
struct Flushing {
    mark: u64,
    flush: Flush,
    until: Instant,
}

struct Held {
    batch: u64,
    since: Instant,
    what: Told,
}

impl Desk {
    pub fn new(site: Site, tools: Tools) -> Self {
        let alive = tools.clock.now().mono;
        Self {
            site,
            tools,
            alive,
            askers: HashMap::new(),
            tickets: 0,
            cleared: HashSet::new(),
            writes: Vec::new(),
            payload: Vec::new(),
            turned: None,
            compacted: Instant::now(),
            fresh: Vec::new(),
            held: VecDeque::new(),
            backlog: Backlog::default(),
            events_wait: false,
            flushes: Vec::new(),
            store_works: true,
            sent: 0,
        }
    }

    /// Works until it is told to stop; gives back what has to be closed.
    pub async fn work(
        mut self,
        mut inbox: Inbox,
        mut asks: mpsc::Receiver<Ask>,
        leftovers: Leftovers,
        stop: CancellationToken,
    ) -> Tools {
        let mut batch = Vec::new();
        let leftovers = leftovers.found();
        tokio::pin!(leftovers);
        let mut tidied = false;
        self.turn();
        loop {
            let wake = self.next_turn();
            tokio::select! {
                () = stop.cancelled() => break,
                more = inbox.next(&mut batch) => {
                    if !more {
                        break;
                    }
                    self.hear(&mut batch);
                }
                Some((valve, heard)) = self.tools.links.next() => self.hear_valve(valve, heard),
                () = self.tools.writer.progress() => {}
                Some(ask) = asks.recv() => self.answer(ask),
                topics = &mut leftovers, if !tidied => {
                    tidied = true;
                    self.tidy(&topics);
                }
                () = tokio::time::sleep_until(wake.into()) => self.site.handle(Input::Tick, self.tools.clock.now()),
            }
            self.turn();
        }
        // What waters is closed first, and what it gave is kept.
        self.site.handle(Input::Stopping, self.tools.clock.now());
        while let Some(output) = self.site.poll().or_else(|| self.backlog.take()) {
            self.carry_out(output);
        }
        self.send_writes();
        let _ = self.tools.writer.wait(self.sent, KEPT_AT_THE_END);
        self.tell_what_is_kept();
        self.tools
    }

    fn next_turn(&self) -> Instant {
        let latest = Instant::now() + TURNS_EVERY;
        let wished = self.site.next_wake().map(|wake| self.tools.clock.instant(wake.at));
        let next = wished.map_or(latest, |wished| wished.min(latest));
        let behind = !self.backlog.is_empty() || self.events_wait;
        let looked_at = behind.then(|| Instant::now() + LOOK_AGAIN);
        let let_out = self.held.front().map(|held| held.since + HELD_AT_MOST);
        let given_up = self.flushes.first().map(|flushing| flushing.until);
        [looked_at, let_out.filter(|_| !behind), given_up].into_iter().flatten().fold(next, Instant::min)
    }

    /// Carries out all that the engine wants done.
    fn turn(&mut self) {
        self.look_at_the_store();
        self.sign_of_life();
        self.drain();
        self.send_writes();
        while self.tell_what_is_flushed() {
            self.drain();
            self.send_writes();
        }
        self.tell_what_is_kept();
        let now = Instant::now();
        if self.turned.is_none_or(|turned| now - turned >= TURNS_EVERY) {
            self.turned = Some(now);
            self.tools.notifier.say(News::Turned);
            if self.tools.notifier.wants_list() {
                let crate::site::Digest { title, text } = self.site.digest();
                self.tools.notifier.say(News::List { title, text });
            }
            let _ = sd_notify::notify(&[sd_notify::NotifyState::Watchdog]);
        }
        if now - self.compacted >= COMPACT_EVERY {
            self.compacted = now;
            self.tools.writer.compact(self.tools.clock.now().wall);
        }
    }

    /// Publishes again what is retained and has no sign of life of its own.
    fn sign_of_life(&mut self) {
        let now = self.tools.clock.now().mono;
        if now.since(self.alive) < ALIVE_EVERY {
            return;
        }
        self.alive = now;
        // After a connection all of it is published anyway.
        if self.tools.client.is_up() {
            self.say_online();
        }
    }

    fn say_online(&self) {
        let topic = topic::status(self.tools.router.names());
        self.tools.client.publish(Outgoing::new(topic, "online", Delivery::State { qos1: true }));
    }

    /// Without a store no valve may open, and people are to see why.
    fn look_at_the_store(&mut self) {
        let works = self.tools.writer.works();
        if std::mem::replace(&mut self.store_works, works) != works {
            self.site.handle(Input::StoreWorks(works), self.tools.clock.now());
        }
    }

    fn send_writes(&mut self) {
        if !self.writes.is_empty() {
            self.sent = self.tools.writer.send(std::mem::take(&mut self.writes));
        }
        let now = Instant::now();
        self.held.extend(self.fresh.drain(..).map(|what| Held { batch: self.sent, since: now, what }));
    }

    /// Has the store write all that was told so far, onto the disk itself.
    fn flush(&mut self, mark: u64) {
        let flush = self.tools.writer.flush(std::mem::take(&mut self.writes));
        self.sent = flush.number();
        self.send_writes();
        self.flushes.push(Flushing { mark, flush, until: Instant::now() + FLUSHED_WITHIN });
    }

    /// Tells the engine what is on the disk, or will not be in time; whether there was anything to tell.
    fn tell_what_is_flushed(&mut self) -> bool {
        let outcome = |flushing: &Flushing, writer: &Writer| {
            writer.flushed(flushing.flush).or_else(|| (Instant::now() >= flushing.until).then_some(false))
        };
        let mut told = false;
        // In the order they were asked for; a later one is never on the disk before an earlier one.
        while let Some(ok) = self.flushes.first().and_then(|first| outcome(first, &self.tools.writer)) {
            let Flushing { mark, .. } = self.flushes.remove(0);
            if !ok {
                tracing::error!(mark, "Could not bring what must be known before a valve opens onto the disk");
            }
            self.site.handle(Input::Flushed { mark, ok }, self.tools.clock.now());
            told = true;
        }
        told
    }

    /// Lets out what the store has written, in order. A store that cannot write holds nobody up for long.
    fn tell_what_is_kept(&mut self) {
        self.events_wait = false;
        let written = if self.held.is_empty() { return } else { self.tools.writer.written() };
        while let Some(held) = self.held.front() {
            if held.batch > written && held.since.elapsed() < HELD_AT_MOST {
                return;
            }
            if matches!(held.what, Told::Event(_)) && self.tools.client.waiting() >= ENOUGH_WAITS {
                self.events_wait = true;
                return;
            }
            match self.held.pop_front().map(|held| held.what) {
                Some(Told::Event(json)) => {
                    self.payload = json;
                    let topic = topic::events(self.tools.router.names());
                    self.publish(topic, Delivery::Event);
                }
                Some(Told::Answer(ticket, answer)) => self.reply(ticket, &answer),
                None => return,
            }
        }
    }

    // ---- in

    fn hear(&mut self, batch: &mut Vec<Heard>) {
        let now = self.tools.clock.now();
        for heard in batch.drain(..) {
            match heard {
                Heard::Message(message) => self.message(&message, now),
                Heard::Up { .. } => {
                    tracing::info!("Connected to the broker");
                    self.say_online();
                    for topic in &self.cleared {
                        self.tools.client.publish(clear(topic));
                    }
                    self.site.handle(Input::Connected, now);
                }
                Heard::Down { why, retry_in } => {
                    // The connection has told of it, once for each reason.
                    tracing::debug!(%why, retry_in_s = retry_in.as_secs_f64(), "No broker");
                    self.site.handle(Input::Disconnected, now);
                }
                Heard::Refused(why) => tracing::error!(%why, "Refused by the broker"),
                Heard::TakenOver => {
                    tracing::error!(
                        "Another program has connected with the same client id and pushed this one off; is a second tarewell \
                         running with the same base_topic? Staying away for a minute"
                    );
                }
                Heard::PublishRefused { topic, reason } => {
                    tracing::warn!(%topic, %reason, "Was not allowed to publish");
                }
                Heard::Dropped { count } => tracing::warn!(count, "Dropped the oldest events: the broker is too slow"),
                Heard::Unreadable { count } => tracing::warn!(count, "Left messages without a readable topic"),
            }
            self.drain();
        }
    }

    fn hear_valve(&mut self, valve: usize, heard: Vec<Heard>) {
        let now = self.tools.clock.now();
        for heard in heard {
            if let Some(input) = self.tools.links.heard(valve, heard, &self.tools.router) {
                self.site.handle(input, now);
                self.drain();
            }
        }
    }

    /// Carries out what the engine wants done: orders to valves and what is to be kept at once, what is to be published as far as the
    /// connection keeps up.
    fn drain(&mut self) {
        while let Some(output) = self.site.poll() {
            if Backlog::may_wait(&output) {
                self.backlog.put(output);
            } else {
                self.carry_out(output);
            }
        }
        while self.tools.client.waiting() < ENOUGH_WAITS {
            match self.backlog.take() {
                Some(output) => self.carry_out(output),
                None => return,
            }
        }
    }

    fn message(&mut self, message: &Message, now: crate::moment::Moment) {
        let may_answer = |topic: &&str| crate::mqtt::is_topic(topic) && self.tools.router.may_answer(topic);
        let ticket = message.response_topic().filter(may_answer).map(|topic| {
            let asker = Asker::Topic(topic.to_owned(), message.correlation().map(<[u8]>::to_vec));
            let ticket = new_ticket(&mut self.tickets);
            self.askers.insert(ticket, asker);
            ticket
        });
        let site = &mut self.site;
        let retained = message.retained();
        let heard = self.tools.router.message(message.topic(), message.payload(), retained, ticket, |input| {
            site.handle(input, now);
        });
        if !matches!(heard, wire::Heard::Taken | wire::Heard::Stray)
            && let Some(ticket) = ticket
        {
            // Nothing that is answered: a reading that asks for an answer, or an empty command.
            self.askers.remove(&ticket);
        }
        match heard {
            wire::Heard::Stray if retained => {
                self.tools.client.publish(clear(message.topic()));
            }
            wire::Heard::Unreadable(why) => tracing::debug!(topic = message.topic(), %why, "Could not read"),
            _ => {}
        }
    }

    fn tidy(&mut self, topics: &[String]) {
        for topic in topics {
            let is_gone = match self.tools.router.ownership(topic) {
                Ownership::Gone => true,
                Ownership::Alert(kind, subject) => self.site.alert_state(kind, subject).is_none(),
                Ownership::Current | Ownership::Foreign => false,
            };
            if is_gone {
                tracing::info!(%topic, "Cleared what an earlier run had left on the broker");
                self.tools.client.publish(clear(topic));
                self.cleared.insert(topic.clone());
            }
        }
    }

    fn answer(&mut self, ask: Ask) {
        // Whoever asked may have gone meanwhile; then nobody minds.
        match ask {
            Ask::Health(answer) => {
                let (broker, store) = (self.tools.client.is_up(), self.tools.writer.works());
                let health = Health { broker, store, readings: self.site.readings() };
                let _ = answer.send(health);
            }
            Ask::Site(answer) => {
                let mut json = Vec::new();
                self.site.write_all(&mut json);
                let _ = answer.send(String::from_utf8(json).unwrap_or_default());
            }
            Ask::Today(answer) => {
                let mut json = Vec::new();
                self.site.write_today(&mut json);
                let _ = answer.send(String::from_utf8(json).unwrap_or_default());
            }
            Ask::Away { until, answer } => {
                let mut json = Vec::new();
                self.site.write_away(&mut json);
                let is_to_come = until > self.tools.clock.now().wall;
                let _ = answer.send(is_to_come.then(|| String::from_utf8(json).unwrap_or_default()));
            }
            Ask::Command { to, payload, answer } => self.command(&to, &payload, answer),
            Ask::History { flat, from, to, answer } => {
                let history = self.tools.history.as_ref();
                let _ = answer.send(plot::weights(&self.site, history, &flat, from, to));
            }
        }
    }

    fn command(&mut self, to: &To, payload: &[u8], answer: oneshot::Sender<Reply>) {
        let names = self.tools.router.names();
        let subject = match to {
            To::Flat(id) => names.subject("flats", id),
            To::Stand(id) => names.subject("stands", id),
            To::Valve(id) => names.subject("valves", id),
            To::Site => Ok(Subject::Site),
        };
        let subject = match subject {
            Ok(subject) => subject,
            Err(why) => {
                let _ = answer.send(Reply::Unknown(why));
                return;
            }
        };
        // A number of its own also where the answer is given here: the engine's to it comes later, and must find nobody.
        let ticket = new_ticket(&mut self.tickets);
        let Some(order) = wire::order(names, subject, payload, false, Some(ticket)) else {
            let _ = answer.send(Reply::Unreadable("an empty command".to_owned()));
            return;
        };
        if let Err(why) = &order.command {
            let _ = answer.send(Reply::Unreadable(why.clone()));
        } else {
            self.askers.insert(ticket, Asker::Web(answer));
        }
        self.site.handle(order.into(), self.tools.clock.now());
    }

    // ---- out

    fn carry_out(&mut self, output: Output) {
        let now = self.tools.clock.now().wall;
        self.writes.extend(keeping::write(&self.site, self.tools.router.names(), &output, now));
        let names = self.tools.router.names();
        match output {
            Output::State(subject) => self.publish_state(subject),
            Output::AlertRaised(kind, subject) => {
                let topic = topic::alert(names, kind, subject);
                self.payload.clear();
                self.site.write_alert(kind, subject, &mut self.payload);
                self.cleared.remove(&topic);
                self.publish(topic, Delivery::State { qos1: true });
            }
            Output::AlertCleared(kind, subject) => {
                let topic = topic::alert(names, kind, subject);
                self.tools.client.publish(clear(&topic));
                self.cleared.insert(topic);
            }
            Output::ClearCommand(subject) => {
                let topic = topic::command(names, subject);
                self.payload.clear();
                self.publish(topic, Delivery::State { qos1: true });
            }
            Output::Event(event) => {
                let mut json = Vec::new();
                write_event(&event, names, self.site.plan().zone, &mut json);
                self.fresh.push(Told::Event(json));
            }
            Output::Answer(ticket, answer) => self.fresh.push(Told::Answer(ticket, answer)),
            Output::Tell(message) => {
                log_alert(&message, self.site.id(message.subject));
                let id = self.site.id(message.subject).to_owned();
                self.tools.notifier.say(News::Heard(message, id));
            }
            Output::Valve(valve, order) => {
                let Tools { links, router, client, clock, .. } = &mut self.tools;
                if let Some(lost) = links.order(valve, order, router, client) {
                    self.site.handle(lost, clock.now());
                }
            }
            Output::ClearValve(valve) => self.tools.links.clear(valve, &self.tools.router),
            Output::Flush(mark) => {
                // A valve is about to open.
                self.tools.clock.slow_to(super::WITH_WATER);
                self.flush(mark);
            }
            Output::Shelved(_, subject, until) => {
                let until = Some(self.tools.clock.now().mono_at(until));
                let (of, id) = (subject.of().to_owned(), self.site.id(subject).to_owned());
                self.tools.notifier.say(News::Shelved { of, id, until });
            }
            Output::Keep(_) | Output::KeepAlert(..) | Output::Weight(_) => {}
        }
    }

    fn publish_state(&mut self, subject: Subject) {
        if !self.tools.client.is_up() {
            return;
        }
        let Some(topic) = topic::state(self.tools.router.names(), subject) else { return };
        self.payload.clear();
        self.site.write_state(subject, &mut self.payload);
        let qos1 = matches!(subject, Subject::Valve(_));
        self.publish(topic, Delivery::State { qos1 });
    }

    /// Publishes the payload that was written last.
    fn publish(&mut self, topic: String, delivery: Delivery) {
        let published = self.tools.client.publish(Outgoing::new(topic, self.payload.clone(), delivery));
        if let Published::Refused(why) = published {
            tracing::error!(%why, "Could not publish");
        }
    }

    fn reply(&mut self, ticket: Ticket, answer: &Answer) {
        let mut json = Vec::new();
        write_answer(answer, &mut json);
        match self.askers.remove(&ticket) {
            Some(Asker::Topic(topic, correlation)) => {
                let reply = Outgoing { correlation, ..Outgoing::new(topic, json, Delivery::Once { qos1: true }) };
                self.tools.client.publish(reply);
            }
            Some(Asker::Web(asker)) => {
                let json = String::from_utf8(json).unwrap_or_default();
                let reply = match answer {
                    Ok(_) => Reply::Done(json),
                    Err(why) => Reply::Refused(why.clone()),
                };
                let _ = asker.send(reply);
            }
            None => {}
        }
    }
}

/// A retained topic is cleared by an empty payload.
fn clear(topic: &str) -> Outgoing {
    Outgoing::new(topic, Vec::new(), Delivery::State { qos1: true })
}

fn new_ticket(tickets: &mut u64) -> Ticket {
    let ticket = Ticket(*tickets);
    *tickets += 1;
    ticket
}

fn log_alert(message: &crate::site::Message, id: &str) {
    let kind: Kind = message.kind;
    match (message.raised, message.severity) {
        (true, Severity::Notice) => tracing::info!(kind = kind.name(), id, "Raised: {}", message.title),
        (true, _) => tracing::warn!(kind = kind.name(), id, "Raised: {}", message.title),
        (false, _) => tracing::info!(kind = kind.name(), id, "Cleared: {} ({})", message.title, message.text),
    }
}
