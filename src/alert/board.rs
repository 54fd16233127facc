//! All raised alerts of a site: since when, how grave, who was told, and until when they are shelved.

use super::kinds::{Kind, Severity};
use super::words;
use crate::moment::{Moment, Span, Wall};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// A raised alert is worded anew no more often, so that its numbers do not flicker.
const REWORDED_AFTER: Span = Span::minutes(5);

/// What an alert is about. Indices are places in the plan.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Of {
    /// A flat.
    Flat(usize),
    /// A stand.
    Stand(usize),
    /// A valve.
    Valve(usize),
    /// A supply.
    Supply(usize),
}

/// What an alert says.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Wording {
    /// One short line.
    pub title: String,
    /// What a person can act on.
    pub text: String,
}

/// Who was told, of what severity.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Told {
    /// The name of the receiver in the configuration.
    pub to: String,
    /// How grave the alert was when told.
    pub severity: Severity,
    /// When.
    pub at: Wall,
}

/// A raised alert; kept whole over a restart.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Alert {
    /// Which.
    pub kind: Kind,
    /// What it is about; by place in the plan, so whoever keeps it by id sets it again before [`Board::restore`].
    pub of: Of,
    /// How grave.
    pub severity: Severity,
    /// When it rose.
    pub since: Wall,
    /// One short line.
    pub title: String,
    /// What a person can act on.
    pub text: String,
    /// The number behind it, rounded to 0.001, in the unit that its kind is about.
    pub value: Option<f64>,
    /// When it was worded.
    pub worded: Wall,
    /// Who was told.
    pub told: Vec<Told>,
    /// Nobody is told again before.
    pub shelved_until: Option<Wall>,
}

impl Alert {
    /// Whether nobody is to be told now.
    #[must_use]
    pub fn is_shelved(&self, at: Wall) -> bool {
        self.shelved_until.is_some_and(|until| at < until)
    }

    /// Says it with the label that its flat has now. Whether it had another.
    pub fn relabel(&mut self, label: &str) -> bool {
        let said = Wording { title: self.title.clone(), text: self.text.clone() };
        let Some(now) = words::relabelled(self.kind, self.severity, &said, label) else { return false };
        (self.title, self.text) = (now.title, now.text);
        true
    }

    /// Whether this receiver is to be told now: of the rise, of its worsening, or again after `repeat`.
    #[must_use]
    pub fn is_news_to(&self, to: &str, at: Wall, repeat: Option<Span>) -> bool {
        if self.is_shelved(at) {
            return false;
        }
        let told = |told: &&Told| told.to == to && told.severity >= self.severity;
        match self.told.iter().filter(told).map(|told| told.at).max() {
            None => true,
            Some(last) => repeat.is_some_and(|repeat| at.since(last) >= repeat),
        }
    }
}

/// An alert that has ended.
#[derive(Debug, Clone, PartialEq)]
pub struct Cleared {
    /// As it was.
    pub alert: Alert,
    /// Why it ended, in plain words.
    pub reason: String,
}

/// What became of an alert.
#[derive(Debug, Clone, PartialEq)]
pub enum Change {
    /// It rose: publish, tell.
    Rose(Kind, Of),
    /// It became graver: publish, tell once more.
    Worsened(Kind, Of),
    /// It says something else, or is less grave: publish only.
    Reworded(Kind, Of),
    /// It ended.
    Cleared(Box<Cleared>),
}

/// All raised alerts.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Board {
    raised: BTreeMap<(Of, Kind), Alert>,
}

impl Board {
    /// Nothing raised.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Raises an alert, or keeps it raised. The words are asked for only when they are needed.
    pub fn raise(
        &mut self,
        kind: Kind,
        of: Of,
        severity: Severity,
        value: Option<f64>,
        at: Moment,
        words: impl FnOnce() -> Wording,
    ) -> Option<Change> {
        let value = value.filter(|value| value.is_finite()).map(|value| (value * 1000.0).round() / 1000.0);
        let Some(alert) = self.raised.get_mut(&(of, kind)) else {
            let Wording { title, text } = words();
            let (since, worded) = (at.wall, at.wall);
            let alert =
                Alert { kind, of, severity, since, title, text, value, worded, told: Vec::new(), shelved_until: None };
            self.raised.insert((of, kind), alert);
            return Some(Change::Rose(kind, of));
        };
        let before = std::mem::replace(&mut alert.severity, severity);
        // A wall clock set back must not silence the wording for good.
        let is_old = at.wall.since(alert.worded) >= REWORDED_AFTER || at.wall < alert.worded;
        if before == severity && !is_old {
            return None;
        }
        let Wording { title, text } = words();
        let differs = before != severity || title != alert.title || text != alert.text;
        alert.worded = at.wall;
        (alert.title, alert.text, alert.value) = (title, text, value);
        match differs {
            true if severity > before => Some(Change::Worsened(kind, of)),
            true => Some(Change::Reworded(kind, of)),
            false => None,
        }
    }

    /// What it says is worked out anew when it is raised next, however lately that was done.
    pub fn word_anew(&mut self, kind: Kind, of: Of) {
        if let Some(alert) = self.raised.get_mut(&(of, kind)) {
            alert.worded = Wall::from_millis(i64::MIN / 4);
        }
    }

    /// Ends an alert; `None` if it was not raised.
    pub fn clear(&mut self, kind: Kind, of: Of, reason: impl Into<String>) -> Option<Change> {
        let alert = self.raised.remove(&(of, kind))?;
        Some(Change::Cleared(Box::new(Cleared { alert, reason: reason.into() })))
    }

    /// Ends all alerts about one thing, as when it is retired.
    pub fn clear_all(&mut self, of: Of, reason: &str) -> Vec<Change> {
        let kinds: Vec<Kind> = self.about(of).map(|alert| alert.kind).collect();
        kinds.into_iter().filter_map(|kind| self.clear(kind, of, reason)).collect()
    }

    /// One raised alert.
    #[must_use]
    pub fn get(&self, kind: Kind, of: Of) -> Option<&Alert> {
        self.raised.get(&(of, kind))
    }

    /// Whether it is raised.
    #[must_use]
    pub fn is_raised(&self, kind: Kind, of: Of) -> bool {
        self.raised.contains_key(&(of, kind))
    }

    /// All raised alerts: flats, stands, valves, supplies, each in the order of the plan.
    pub fn iter(&self) -> impl Iterator<Item = &Alert> {
        self.raised.values()
    }

    /// All raised alerts about one thing.
    pub fn about(&self, of: Of) -> impl Iterator<Item = &Alert> {
        let kinds = Kind::ALL;
        let (first, last) = (kinds.first().copied(), kinds.last().copied());
        let range = first.zip(last).map(|(first, last)| self.raised.range((of, first)..=(of, last)));
        range.into_iter().flatten().map(|(_, alert)| alert)
    }

    /// Tells nobody again about what is raised now about one thing; which kinds those are.
    pub fn shelve(&mut self, of: Of, until: Wall) -> Vec<Kind> {
        let about = self.raised.values_mut().filter(|alert| alert.of == of);
        about
            .map(|alert| {
                alert.shelved_until = Some(until);
                alert.kind
            })
            .collect()
    }

    /// Notes that a receiver was told.
    pub fn was_told(&mut self, kind: Kind, of: Of, to: &str, at: Wall) {
        if let Some(alert) = self.raised.get_mut(&(of, kind)) {
            alert.told.retain(|told| told.to != to);
            alert.told.push(Told { to: to.to_owned(), severity: alert.severity, at });
        }
    }

    /// Puts back an alert that was kept.
    pub fn restore(&mut self, alert: Alert) {
        self.raised.insert((alert.of, alert.kind), alert);
    }
}
