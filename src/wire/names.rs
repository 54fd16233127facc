//! The ids of a site, found fast.

use super::hash::NameMap;
use super::nearest::hint;
use super::reading::shown;
use crate::moment::Zone;
use crate::site::{Plan, Subject};
use std::collections::HashMap;

/// What became of a flat that had an id which is not in the plan.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Past {
    /// It has left the file.
    Left,
    /// It is called so now.
    Renamed(String),
}

/// Where each id of a plan lies in its list.
#[derive(Debug, Clone)]
pub struct Names {
    base: String,
    zone: Zone,
    past: HashMap<String, Past>,
    flats: Family,
    stands: Family,
    valves: Family,
    supplies: Family,
}

/// The ids of one kind of thing.
#[derive(Debug, Clone, Default)]
struct Family {
    ids: Vec<String>,
    places: NameMap<usize>,
}

impl Family {
    fn new(ids: impl Iterator<Item = String>) -> Self {
        let ids: Vec<String> = ids.collect();
        let places = ids.iter().enumerate().map(|(place, id)| (id.as_str().into(), place)).collect();
        Self { ids, places }
    }

    fn place(&self, what: &str, id: &str) -> Result<usize, String> {
        self.places.get(id).copied().ok_or_else(|| {
            format!("there is no {what} `{}`{}", shown(id), hint(id, self.ids.iter().map(String::as_str)))
        })
    }

    fn id(&self, place: usize) -> &str {
        self.ids.get(place).map_or("", String::as_str)
    }
}

impl Names {
    /// The names of a plan.
    #[must_use]
    pub fn new(plan: &Plan) -> Self {
        Self {
            base: plan.base_topic.clone(),
            zone: plan.zone,
            past: HashMap::new(),
            flats: Family::new(plan.flats.iter().map(|(id, _)| id.clone())),
            stands: Family::new(plan.stands.iter().map(|(id, _)| id.clone())),
            valves: Family::new(plan.valves.iter().map(|valve| valve.id.clone())),
            supplies: Family::new(plan.supplies.iter().map(|supply| supply.id.clone())),
        }
    }

    /// The first part of all topics.
    #[must_use]
    pub fn base(&self) -> &str {
        &self.base
    }

    /// The zone of the site.
    #[must_use]
    pub const fn zone(&self) -> Zone {
        self.zone
    }

    /// Ids that flats had once: who commands one of those is told.
    pub fn remember(&mut self, past: HashMap<String, Past>) {
        self.past = past;
    }

    /// The place of a flat in the plan.
    ///
    /// # Errors
    /// A sentence with what became of it, or the nearest id.
    pub fn flat(&self, id: &str) -> Result<usize, String> {
        self.flats.place("flat", id).map_err(|unknown| match self.past.get(id) {
            None => unknown,
            Some(Past::Renamed(now)) => format!("there is no flat `{id}` any more: it is called `{now}` now"),
            Some(Past::Left) => format!(
                "there is no flat `{id}` any more: it has left the file, and is retired. What was recorded of it is kept for 400 days, and holds \
                 again if it comes back into the file"
            ),
        })
    }

    /// The place of a stand in the plan.
    ///
    /// # Errors
    /// A sentence with the nearest id.
    pub fn stand(&self, id: &str) -> Result<usize, String> {
        self.stands.place("stand", id)
    }

    /// The place of a supply in the plan.
    ///
    /// # Errors
    /// A sentence with the nearest id.
    pub fn supply(&self, id: &str) -> Result<usize, String> {
        self.supplies.place("supply", id)
    }

    /// The subject of a topic or path: `flats`, `stands` or `valves`, and the id.
    ///
    /// # Errors
    /// A sentence with the nearest id; also for another family.
    pub fn subject(&self, family: &str, id: &str) -> Result<Subject, String> {
        match family {
            "flats" => self.flat(id).map(Subject::Flat),
            "stands" => self.stands.place("stand", id).map(Subject::Stand),
            "valves" => self.valves.place("valve", id).map(Subject::Valve),
            "supplies" => self.supplies.place("supply", id).map(Subject::Supply),
            _ => Err(format!("commands go to flats, stands, valves or the site, not to `{}`", shown(family))),
        }
    }

    /// The id of a subject, for events and alerts; the site's is its base topic. Empty for a place out of the plan.
    #[must_use]
    pub fn id(&self, subject: Subject) -> &str {
        match subject {
            Subject::Flat(place) => self.flats.id(place),
            Subject::Stand(place) => self.stands.id(place),
            Subject::Valve(place) => self.valves.id(place),
            Subject::Supply(place) => self.supplies.id(place),
            Subject::Site => &self.base,
        }
    }
}
