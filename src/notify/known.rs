//! What is so about each alert, and what each phone knows of it.

use super::facts::{AlertFact, PhoneFact};
use super::letter::Part;
use super::line::Line;
use crate::alert::{Kind, Severity};
use crate::config::Phone;
use crate::moment::{Moment, Mono, Span, Wall};
use crate::site::Message;

/// A message that could not be sent for so long is given up.
const GIVE_UP: Span = Span::hours(24);
/// Rises closer than this are one: a stamp may have been to the store and back as whole seconds.
const SAME: Span = Span::seconds(1);

#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Key {
    pub kind: Kind,
    pub of: String,
    pub id: String,
}

/// What is so about an alert, and what each phone knows of it.
#[derive(Debug)]
pub(super) struct Known {
    pub raised: bool,
    pub severity: Severity,
    pub since: Wall,
    pub title: String,
    pub text: String,
    /// When it last changed in a way worth telling.
    pub heard: Mono,
    pub phones: Vec<Told>,
}

/// What a phone knows of an alert.
#[derive(Debug, Clone, Default)]
pub(super) struct Told {
    pub of: Option<Rise>,
    /// Since when sending has failed.
    pub failing: Option<Mono>,
}

/// A rise as it was told.
#[derive(Debug, Clone)]
pub(super) struct Rise {
    pub since: Wall,
    pub severity: Severity,
    pub at: Mono,
    pub arrival: Arrival,
}

/// What became of a letter.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Arrival {
    Reached,
    GivenUp,
    /// It was on its way when the program ended. The rise is told once more, and its end in any case: to hear twice of a dry
    /// flat is better than never to hear that it is over.
    Unsure,
}

impl Known {
    /// An alert before anything was heard of it.
    pub fn new(message: &Message, phones: usize, at: Moment) -> Self {
        Self {
            raised: false,
            severity: message.severity,
            since: message.since,
            title: String::new(),
            text: String::new(),
            heard: at.mono,
            phones: vec![Told::default(); phones],
        }
    }

    pub fn hear(&mut self, message: &Message, at: Moment) {
        let same = self.raised == message.raised && (!message.raised || same_rise(self.since, message.since));
        if !same || message.severity > self.severity {
            self.heard = at.mono;
        }
        if !same {
            self.raised = message.raised;
            self.phones.iter_mut().for_each(|told| told.failing = None);
            if message.raised {
                self.since = message.since;
            }
        }
        self.severity = message.severity;
        self.title.clone_from(&message.title);
        self.text.clone_from(&message.text);
    }

    /// Since when the phone should be told of this, and whether it is not for the first time.
    pub fn due(&self, told: &Told, phone: &Phone) -> Option<(Mono, bool)> {
        if !self.raised {
            return told.may_know().then_some((self.heard, false));
        }
        if self.severity < phone.least {
            return None;
        }
        match &told.of {
            Some(rise) if rise.is_settled() && same_rise(rise.since, self.since) && self.severity <= rise.severity => {
                Some((rise.at + phone.repeat?, true))
            }
            _ => Some((self.heard, false)),
        }
    }

    pub fn part(&self, key: &Key, again: bool) -> Part {
        Part {
            kind: key.kind,
            severity: self.severity,
            raised: self.raised,
            again,
            title: self.title.clone(),
            text: self.text.clone(),
        }
    }

    pub fn fact(&self, key: &Key, lines: &[Line], at: Moment) -> AlertFact {
        let phones = lines.iter().zip(&self.phones).filter_map(|(line, told)| {
            let under_way = line.says(key).filter(|_| !told.may_know());
            let under_way =
                under_way.map(|(since, severity)| Rise { since, severity, at: at.mono, arrival: Arrival::Unsure });
            let rise = under_way.or_else(|| told.of.clone())?;
            Some((line.phone.name.clone(), rise.fact(at)))
        });
        AlertFact {
            kind: key.kind,
            of: key.of.clone(),
            id: key.id.clone(),
            raised: self.raised,
            severity: self.severity,
            since: self.since,
            title: self.title.clone(),
            text: self.text.clone(),
            phones: phones.collect(),
        }
    }
}

impl Rise {
    /// Whether telling it has come to an end.
    pub fn is_settled(&self) -> bool {
        self.arrival != Arrival::Unsure
    }

    pub fn fact(&self, at: Moment) -> PhoneFact {
        PhoneFact {
            since: self.since,
            severity: self.severity,
            at: at.wall_at(self.at),
            reached: self.arrival == Arrival::Reached,
            unsure: self.arrival == Arrival::Unsure,
        }
    }
}

impl PhoneFact {
    pub fn arrival(&self) -> Arrival {
        match (self.unsure, self.reached) {
            (true, _) => Arrival::Unsure,
            (false, true) => Arrival::Reached,
            (false, false) => Arrival::GivenUp,
        }
    }
}

impl Told {
    /// Whether the phone may have shown the rise, so that it is owed the end.
    pub fn may_know(&self) -> bool {
        self.of.as_ref().is_some_and(|rise| rise.arrival != Arrival::GivenUp)
    }

    /// Takes in how telling `said` went; `true` when it is given up now.
    pub fn result(&mut self, said: Option<(Wall, Severity)>, sent: bool, at: Mono) -> bool {
        let given_up = !sent && at.since(*self.failing.get_or_insert(at)) >= GIVE_UP;
        if sent || given_up {
            self.failing = None;
            // A rise told before has been told, also when telling it again or as graver was given up.
            let arrival = if sent || self.may_know() { Arrival::Reached } else { Arrival::GivenUp };
            self.of = said.map(|(since, severity)| Rise { since, severity, at, arrival });
        }
        given_up
    }
}

pub(super) fn same_rise(one: Wall, other: Wall) -> bool {
    let apart = one.since(other);
    apart < SAME && Span::ZERO - apart < SAME
}
