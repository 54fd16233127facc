//! A message → what it is to the engine.

use super::command;
use super::hash::NameMap;
use super::names::{Names, Past};
use super::reading::{self, Unit};
use super::topics::{self, Ownership, Topic};
use super::valve;
use super::wiring::{Binding, Role, ValveWiring, Wiring};
use crate::site::{Input, Plan, Subject, Ticket, Unreadable};
use crate::units::{Celsius, WeightUnit};
use std::collections::HashMap;
use std::ops::Range;

/// Knows what every topic is to the engine.
#[derive(Debug, Clone)]
pub struct Router {
    names: Names,
    /// Sorted by topic, so that those of one topic are neighbours.
    bindings: Vec<Bound>,
    places: NameMap<Range<usize>>,
    valves: Vec<ValveWiring>,
}

#[derive(Debug, Clone)]
struct Bound {
    binding: Binding,
    unit: Unit,
}

/// A topic to subscribe to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Subscription {
    /// The topic filter.
    pub filter: String,
    /// Retain As Published (MQTT 5.0, section 3.8.3.1): on for commands, so that an order published with the
    /// retain flag is seen as such; off for readings, where only the copy that the broker had kept is marked.
    pub retain_as_published: bool,
    /// The quality of service.
    pub qos: u8,
}

/// What became of a message.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Heard {
    /// It was handed on. A weight that cannot be read is handed on too, as [`Unreadable`].
    Taken,
    /// It says nothing that is to be taken: an empty command, a temperature kept from some time before.
    Ignored,
    /// Nobody asked for this topic.
    Stranger,
    /// Something other than a weight that cannot be read; the text says why.
    Unreadable(String),
    /// A command to something that is not in the plan: handed on as a refused order of the site. If it was
    /// retained, its topic is to be cleared.
    Stray,
}

impl Router {
    /// The router of a plan with its wiring.
    #[must_use]
    pub fn new(plan: &Plan, wiring: &Wiring) -> Self {
        let mut bindings: Vec<Bound> = wiring
            .bindings
            .iter()
            .cloned()
            .chain(valve::bindings(wiring))
            .map(|binding| Bound { unit: unit(plan, &binding.role), binding })
            .collect();
        bindings.sort_by(|a, b| a.binding.topic.cmp(&b.binding.topic));
        let mut places: NameMap<Range<usize>> = NameMap::default();
        for (at, bound) in bindings.iter().enumerate() {
            places
                .entry(bound.binding.topic.as_str().into())
                .and_modify(|range| range.end = at + 1)
                .or_insert(at..at + 1);
        }
        Self { names: Names::new(plan), bindings, places, valves: wiring.valves.clone() }
    }

    /// Whether an answer may go to this topic. Whoever asks names it, and an answer must pass for no order to a valve, no
    /// reading of a stand and no state of ours.
    #[must_use]
    pub fn may_answer(&self, topic: &str) -> bool {
        let below = topic.strip_prefix(self.names.base()).and_then(|rest| rest.strip_prefix('/'));
        let first = below.and_then(|below| below.split('/').next()).unwrap_or_default();
        let is_ours = matches!(first, "status" | "events" | "command" | "flats" | "stands" | "valves" | "alerts");
        !is_ours && !self.places.contains_key(topic) && !self.valves.iter().any(|valve| valve.is_ordered_on(topic))
    }

    /// The ids of the plan.
    #[must_use]
    pub const fn names(&self) -> &Names {
        &self.names
    }

    /// Ids that flats had once; see [`Names::remember`].
    pub fn remember(&mut self, past: HashMap<String, Past>) {
        self.names.remember(past);
    }

    /// What is sent to valves, by their places in the plan.
    #[must_use]
    pub fn valves(&self) -> &[ValveWiring] {
        &self.valves
    }

    /// What to subscribe to; each filter once.
    #[must_use]
    pub fn subscriptions(&self) -> Vec<Subscription> {
        let base = self.names.base();
        let commands = Topic::ALL.iter().filter(|topic| topic.row().read).map(|topic| Subscription {
            filter: topic.filter(base),
            retain_as_published: true,
            qos: topic.row().qos,
        });
        let mut own: Vec<&str> = self.bindings.iter().map(|bound| bound.binding.topic.as_str()).collect();
        own.dedup();
        let readings =
            own.into_iter().map(|topic| Subscription { filter: topic.to_owned(), retain_as_published: false, qos: 0 });
        commands.chain(readings).collect()
    }

    /// Hands what a message says to `into`, once for each thing it says.
    ///
    /// `retained` is the flag as delivered; `ticket` is where a command wants its answer.
    pub fn message(
        &self,
        topic: &str,
        payload: &[u8],
        retained: bool,
        ticket: Option<Ticket>,
        mut into: impl FnMut(Input),
    ) -> Heard {
        if let Some(range) = self.places.get(topic) {
            let bound = self.bindings.get(range.clone()).unwrap_or_default();
            return bound.iter().fold(Heard::Ignored, |heard, one| heard.and(one.read(payload, retained, &mut into)));
        }
        match topics::commanded(&self.names, topic) {
            Some(Ok(subject)) => self.order(subject, payload, retained, ticket, into),
            Some(Err(why)) => self.stray(payload, retained, ticket, &why, into),
            None => Heard::Stranger,
        }
    }

    fn order(
        &self,
        to: Subject,
        payload: &[u8],
        retained: bool,
        ticket: Option<Ticket>,
        mut into: impl FnMut(Input),
    ) -> Heard {
        let Some(order) = command::order(&self.names, to, payload, retained, ticket) else { return Heard::Ignored };
        into(Input::Order(order));
        Heard::Taken
    }

    fn stray(
        &self,
        payload: &[u8],
        retained: bool,
        ticket: Option<Ticket>,
        why: &str,
        mut into: impl FnMut(Input),
    ) -> Heard {
        let Some(mut order) = command::order(&self.names, Subject::Site, payload, retained, ticket) else {
            return Heard::Ignored;
        };
        order.command = Err(why.to_owned());
        into(Input::Order(order));
        Heard::Stray
    }

    /// Whose a retained topic is: what to clear at start.
    #[must_use]
    pub fn ownership(&self, topic: &str) -> Ownership {
        topics::ownership(&self.names, topic)
    }

    /// The filters under which retained topics of ours may lie, to find those that are no longer true at start.
    #[must_use]
    pub fn own_filters(&self) -> Vec<String> {
        [Topic::Flat, Topic::Stand, Topic::Valve, Topic::Alert].map(|topic| topic.filter(self.names.base())).to_vec()
    }
}

fn unit(plan: &Plan, role: &Role) -> Unit {
    match role {
        Role::Weight { stand, .. } => Unit::Weight(weight_unit(plan, *stand)),
        Role::Temperature { .. } => Unit::Celsius,
        _ => Unit::Plain,
    }
}

pub(super) fn weight_unit(plan: &Plan, stand: usize) -> WeightUnit {
    plan.stands.get(stand).map_or(WeightUnit::Gram, |(_, settings)| settings.unit)
}

impl Bound {
    #[inline]
    fn read(&self, payload: &[u8], retained: bool, into: &mut impl FnMut(Input)) -> Heard {
        let at = self.binding.value.as_ref();
        match &self.binding.role {
            Role::Weight { stand, part } => {
                let value = reading::number(payload, at, self.unit);
                into(Input::Reading { stand: *stand, part: *part, value, retained });
                Heard::Taken
            }
            // It may be months old, and would move today's weights; there will be a fresh one soon.
            Role::Temperature { .. } if retained => Heard::Ignored,
            Role::Temperature { stand } => {
                let read = reading::number(payload, at, self.unit);
                heard(
                    read.map(Celsius::checked),
                    |value| value.map(|value| Input::Temperature { stand: *stand, value }),
                    into,
                )
            }
            Role::Availability { stand, online, offline } => {
                let read = reading::availability(payload, at, online, offline);
                heard(read, |online| Some(Input::Availability { stand: *stand, online }), into)
            }
            Role::Report { valve, open, closed } => {
                let read = valve::report(payload, at, open, closed);
                heard(read, |open| Some(Input::ValveReport { valve: *valve, open }), into)
            }
            Role::Hold { valve, which, is } => {
                let read = valve::hold(payload, at, is);
                heard(read, |holds| Some(Input::Hold { valve: *valve, which: *which, holds }), into)
            }
            Role::Level { supply, unit } => {
                let read = valve::level(payload, at, *unit);
                heard(read, |left| Some(Input::Level { supply: *supply, left }), into)
            }
        }
    }
}

/// Hands on what was read, if it says anything.
fn heard<T>(
    read: Result<T, Unreadable>,
    input: impl FnOnce(T) -> Option<Input>,
    into: &mut impl FnMut(Input),
) -> Heard {
    match read.map(input) {
        Ok(Some(input)) => {
            into(input);
            Heard::Taken
        }
        Err(Unreadable::Garbled(why)) => Heard::Unreadable(why),
        Ok(None) | Err(Unreadable::Missing) => Heard::Ignored,
    }
}

impl Heard {
    /// What became of a message with two bindings: what cannot be read is told first.
    fn and(self, other: Self) -> Self {
        match (self, other) {
            (Self::Unreadable(why), _) | (_, Self::Unreadable(why)) => Self::Unreadable(why),
            (Self::Taken, _) | (_, Self::Taken) => Self::Taken,
            (one, _) => one,
        }
    }
}
