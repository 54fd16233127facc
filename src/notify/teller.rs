//! Who is to be told what, and when: a state machine without clock or network.
//!
//! For each alert and phone it keeps what the phone *knows*: the rise it was last told of, or nothing. What is due follows
//! from comparing that with what is so; a message that failed is therefore never stale, and one that is over is never sent.

use super::facts::{Facts, ShelfFact};
use super::known::{Key, Known, Rise, Told};
use super::letter::Letter;
use super::line::{Flight, Line, Morning};
use super::quiet;
use crate::alert::{Kind, Severity};
use crate::config::Phone;
use crate::moment::{Moment, Mono, Span, Wall, Zone};
use crate::site::Message;
use std::collections::{BTreeMap, BTreeSet};

/// So long others may join the first of a message.
const GATHER: Span = Span::seconds(3);
/// So long after one message the next waits, unless it is critical: flats that go dry together fill one message.
const SPACING: Span = Span::seconds(30);
/// The morning's list is worth sending for so long.
const LIST_LASTS: Span = Span::hours(2);
/// A heartbeat says that the engine has turned within this time.
const ALIVE: Span = Span::minutes(1);

/// Something to post now. Its result is to be told to the teller by its number.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Post {
    /// Its number.
    pub id: u64,
    /// The phone's place in the list.
    pub phone: usize,
    /// What for.
    pub what: Purpose,
}

/// What a post is for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Purpose {
    /// Somebody is to read this.
    Letter(Letter),
    /// All is well.
    Heartbeat,
}

/// Decides what is told to whom.
#[derive(Debug)]
pub struct Teller {
    zone: Zone,
    lines: Vec<Line>,
    alerts: BTreeMap<Key, Known>,
    shelved: BTreeMap<(String, String), Mono>,
    clock_set: bool,
    turned: Option<Mono>,
    last_id: u64,
    changed: bool,
}

/// What is due of an alert on a line, from when, and whether it waits for nothing.
struct Due {
    from: Mono,
    urgent: bool,
    again: bool,
}

impl Teller {
    /// For these phones, knowing nothing yet.
    #[must_use]
    pub fn new(phones: Vec<Phone>, zone: Zone) -> Self {
        let lines = phones.into_iter().map(Line::new).collect();
        Self {
            zone,
            lines,
            alerts: BTreeMap::new(),
            shelved: BTreeMap::new(),
            clock_set: true,
            turned: None,
            last_id: 0,
            changed: false,
        }
    }

    /// The phones, in order.
    pub fn phones(&self) -> impl Iterator<Item = &Phone> {
        self.lines.iter().map(|line| &line.phone)
    }

    /// An alert rose, changed, or is over; `id` is that of its subject. The same rise again only brings new words.
    ///
    /// A rise that becomes graver is told again; at a start all raised alerts may be told to the teller once more.
    pub fn heard(&mut self, message: &Message, id: &str, at: Moment) {
        self.changed = true;
        let key = Key { kind: message.kind, of: message.subject.of().to_owned(), id: id.to_owned() };
        let hidden = self.shelved.get(&(key.of.clone(), key.id.clone())).is_some_and(|until| *until > at.mono);
        let phones = self.lines.len();
        let known = self.alerts.entry(key).or_insert_with(|| Known::new(message, phones, at));
        known.hear(message, at);
        if hidden && !message.raised {
            // Nobody wants to be told, and it will be no news when they do.
            known.phones.fill(Told::default());
        }
        self.forget_settled();
    }

    /// Nothing is told about this flat, stand, valve or supply until then; `None`: no longer shelved.
    pub fn shelve(&mut self, of: &str, id: &str, until: Option<Mono>) {
        self.changed = true;
        let key = (of.to_owned(), id.to_owned());
        match until {
            Some(until) => self.shelved.insert(key, until),
            None => self.shelved.remove(&key),
        };
    }

    /// Forgets, without a word, raised alerts that are no longer among those the engine knows.
    pub fn keep_only(&mut self, is_raised: impl Fn(Kind, &str, &str) -> bool) {
        self.changed = true;
        self.alerts.retain(|key, known| !known.raised || is_raised(key.kind, &key.of, &key.id));
    }

    /// When the list of this morning was due, for each phone that wants one and has not got it; the lists are worth sending for
    /// two hours. `None` where there is none to send.
    #[must_use]
    pub fn wants_list(&self, at: Moment) -> Option<Wall> {
        let due = |line: &Line| {
            let due = self.zone.last(at.wall, line.phone.digest?);
            let is_news =
                line.read.is_none_or(|read| read < due) && line.morning.as_ref().is_none_or(|had| had.due < due);
            (is_news && at.wall.since(due) <= LIST_LASTS).then_some(due)
        };
        self.lines.iter().filter(|_| self.clock_set).filter_map(due).min()
    }

    /// The list of this morning, for all phones that want one now.
    pub fn list(&mut self, title: String, text: String, at: Moment) {
        let letter = Letter { title, text, severity: Severity::Notice };
        for line in &mut self.lines {
            let Some(time) = line.phone.digest else { continue };
            let due = self.zone.last(at.wall, time);
            if line.read.is_none_or(|read| read < due) && at.wall.since(due) <= LIST_LASTS {
                line.morning = Some(Morning { letter: letter.clone(), due });
            }
        }
    }

    /// Whether the clock can be believed; quiet hours rest while it cannot.
    pub fn clock_set(&mut self, set: bool) {
        self.clock_set = set;
    }

    /// The engine has just turned.
    pub fn turned(&mut self, at: Moment) {
        self.turned = Some(at.mono);
    }

    /// What is to be posted now.
    pub fn tick(&mut self, at: Moment) -> Vec<Post> {
        self.shelved.retain(|_, until| *until > at.mono);
        let mut posts = Vec::new();
        for phone in 0..self.lines.len() {
            posts.extend(self.morning(phone, at));
            posts.extend(self.letter(phone, at));
            posts.extend(self.heartbeat(phone, at));
        }
        posts
    }

    /// When `tick` is worth calling next if nothing else happens, by the monotonic clock; `None`: never.
    ///
    /// Quiet hours end by the wall clock, so somebody whose wall clock may jump calls at least once a minute.
    #[must_use]
    pub fn next_wake(&self, at: Moment) -> Option<Mono> {
        let letters = (0..self.lines.len()).filter_map(|phone| self.ready(phone, at));
        let waits = |line: &&Line| line.morning.is_some() && line.flight.is_none();
        let mornings = self.lines.iter().filter(waits).map(|line| line.not_before);
        // Nothing is due while the engine stands; its next turn is news, and asks again.
        let alive = self.is_alive(at);
        let beats = self.lines.iter().filter_map(|line| line.beat.as_ref());
        let beats = beats.filter(|beat| alive && beat.flight.is_none()).map(|beat| beat.next);
        letters.chain(mornings).chain(beats).min()
    }

    /// How a post ended. Gives words for the log when something has changed: it fails, it works again, it is given up.
    pub fn result(&mut self, post: u64, sent: bool, at: Moment) -> Option<&'static str> {
        let phone = self.lines.iter().position(|line| line.has(post))?;
        let line = self.lines.get_mut(phone)?;
        if let Some(beat) = line.beat.as_mut().filter(|beat| beat.flight == Some(post)) {
            return beat.result(sent, at);
        }
        let flight = line.flight.take()?;
        let news = line.result(sent, at);
        if let Some(due) = flight.morning.filter(|_| sent) {
            line.morning = None;
            line.read = Some(due);
        }
        let mut given_up = false;
        for (key, said) in flight.says {
            let Some(told) = self.alerts.get_mut(&key).and_then(|known| known.phones.get_mut(phone)) else { continue };
            given_up |= told.result(said, sent, at.mono);
        }
        self.changed = true;
        self.forget_settled();
        if given_up { Some("given up after 24 h") } else { news }
    }

    /// What is to be kept, if it has changed since the last call.
    pub fn facts(&mut self, at: Moment) -> Option<Facts> {
        if !std::mem::take(&mut self.changed) {
            return None;
        }
        let alerts = self.alerts.iter().map(|(key, known)| known.fact(key, &self.lines, at)).collect();
        let shelved = self.shelved.iter().map(|((of, id), until)| ShelfFact {
            of: of.clone(),
            id: id.clone(),
            until: at.wall_at(*until),
        });
        let read = self.lines.iter().filter_map(|line| Some((line.phone.name.clone(), line.read?)));
        Some(Facts { alerts, shelved: shelved.collect(), lists: read.collect() })
    }

    /// Takes up what was kept. A phone of another name than before is told everything that is raised.
    pub fn restore(&mut self, facts: Facts, at: Moment) {
        // A clock that was ahead then would keep what is due waiting.
        let mono = |wall: Wall| at.mono_at(wall.min(at.wall));
        for fact in facts.alerts {
            let phones = self.lines.iter().map(|line| Told {
                of: fact.phones.get(&line.phone.name).map(|told| Rise {
                    since: told.since,
                    severity: told.severity,
                    at: mono(told.at),
                    arrival: told.arrival(),
                }),
                failing: None,
            });
            let known = Known {
                raised: fact.raised,
                severity: fact.severity,
                since: fact.since,
                title: fact.title,
                text: fact.text,
                heard: at.mono,
                phones: phones.collect(),
            };
            self.alerts.insert(Key { kind: fact.kind, of: fact.of, id: fact.id }, known);
        }
        for line in &mut self.lines {
            line.read = facts.lists.get(&line.phone.name).copied().or(line.read);
        }
        for shelf in facts.shelved {
            self.shelved.insert((shelf.of, shelf.id), at.mono_at(shelf.until));
        }
    }

    /// What is over, and known by no phone to have been raised, is no longer anybody's business.
    fn forget_settled(&mut self) {
        let flying = |key: &Key| {
            let flights = self.lines.iter().filter_map(|line| line.flight.as_ref());
            flights.flat_map(|flight| &flight.says).any(|(said, _)| said == key)
        };
        let settled: BTreeSet<Key> = self
            .alerts
            .iter()
            .filter(|(key, known)| !known.raised && !known.phones.iter().any(Told::may_know) && !flying(key))
            .map(|(key, _)| key.clone())
            .collect();
        self.alerts.retain(|key, _| !settled.contains(key));
    }

    fn letter(&mut self, phone: usize, at: Moment) -> Option<Post> {
        if self.ready(phone, at)? > at.mono {
            return None;
        }
        let (mut parts, mut says) = (Vec::new(), Vec::new());
        for (key, known) in &self.alerts {
            let Some(due) = self.due(phone, key, known, at).filter(|due| due.from <= at.mono) else { continue };
            says.push((key.clone(), known.raised.then_some((known.since, known.severity))));
            parts.push(known.part(key, due.again));
        }
        let letter = Letter::of(parts)?;
        let id = self.next_id();
        self.lines.get_mut(phone)?.flight = Some(Flight { id, morning: None, says });
        self.changed = true;
        Some(Post { id, phone, what: Purpose::Letter(letter) })
    }

    /// The list of the morning: neither quiet hours nor the least gravity hold it back, for somebody asked for it at that time.
    fn morning(&mut self, phone: usize, at: Moment) -> Option<Post> {
        let line = self.lines.get_mut(phone)?;
        line.morning.take_if(|morning| at.wall.since(morning.due) > LIST_LASTS);
        if line.flight.is_some() || line.not_before > at.mono {
            return None;
        }
        let morning = line.morning.clone()?;
        let id = self.next_id();
        self.lines.get_mut(phone)?.flight = Some(Flight { id, morning: Some(morning.due), says: Vec::new() });
        Some(Post { id, phone, what: Purpose::Letter(morning.letter) })
    }

    fn heartbeat(&mut self, phone: usize, at: Moment) -> Option<Post> {
        let alive = self.is_alive(at);
        let id = self.last_id + 1;
        let beat = self.lines.get_mut(phone)?.beat.as_mut()?;
        if !alive || beat.flight.is_some() || beat.next > at.mono {
            return None;
        }
        beat.flight = Some(id);
        self.last_id = id;
        Some(Post { id, phone, what: Purpose::Heartbeat })
    }

    fn is_alive(&self, at: Moment) -> bool {
        self.turned.is_some_and(|turned| at.mono.since(turned) <= ALIVE)
    }

    const fn next_id(&mut self) -> u64 {
        self.last_id += 1;
        self.last_id
    }

    /// When a letter to this phone may go, with all that is due by then.
    fn ready(&self, phone: usize, at: Moment) -> Option<Mono> {
        let line = self.lines.get(phone).filter(|line| line.flight.is_none())?;
        let spaced = line.last_sent.map(|sent| sent + SPACING);
        let due = self.alerts.iter().filter_map(|(key, known)| self.due(phone, key, known, at));
        let from = due.map(|due| {
            let gathered = due.from + GATHER;
            if due.urgent { gathered } else { spaced.map_or(gathered, |spaced| gathered.max(spaced)) }
        });
        Some(from.min()?.max(line.not_before))
    }

    fn due(&self, phone: usize, key: &Key, known: &Known, at: Moment) -> Option<Due> {
        let line = self.lines.get(phone)?;
        let told = known.phones.get(phone)?;
        let (mut from, again) = known.due(told, &line.phone)?;
        let critical = known.severity == Severity::Critical;
        if let (false, true, Some(hours)) = (critical, self.clock_set, line.phone.quiet) {
            let end = quiet::ends(hours, self.zone, at.wall);
            from = end.map_or(from, |end| from.max(at.mono_at(end)));
        }
        if let Some(until) = self.shelved.get(&(key.of.clone(), key.id.clone())) {
            from = from.max(*until);
        }
        Some(Due { from, urgent: critical && known.raised && !again, again })
    }
}
