//! What of the kept events still stands: what has been corrected or undone since is told by events of its own.

use crate::moment::Wall;
use crate::store::{KeptEvent, Of, Point};
use chrono::DateTime;
use serde_json::Value;
use std::collections::{BTreeSet, HashMap, HashSet};

/// What a watering, a dome, a weight was in the end, and which records were taken back.
#[derive(Debug, Default)]
pub struct Standing {
    /// Events that a later one took back, by their numbers.
    undone: HashSet<u64>,
    /// What an event was in the end, by the number of the first that told of it; only those that were corrected.
    taken: HashMap<u64, Correction>,
    /// The event that first told of the same thing: what came back may have been watered, which is told by itself.
    first: HashMap<u64, u64>,
}

/// The last correction of an event.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Correction {
    seq: u64,
    was: String,
}

impl Standing {
    /// Of all events, in their order.
    #[must_use]
    pub fn of(events: &[KeptEvent]) -> Self {
        let mut standing = Self::default();
        for pair in events.windows(2) {
            let [before, event] = pair else { continue };
            let is_one =
                before.name == "returned" && (before.of, &before.id, before.wall) == (event.of, &event.id, event.wall);
            if is_one
                && event.seq == before.seq + 1
                && matches!(read_as(event), Some("watered" | "dome-on" | "dome-off"))
            {
                standing.first.insert(event.seq, before.seq);
            }
        }
        for event in events.iter().filter(|event| event.of == Of::Flat) {
            let json: Value = serde_json::from_str(&event.json).unwrap_or_default();
            match event.name.as_str() {
                "undone" => standing.undone.extend(json["undoes"].as_u64()),
                "corrected" => {
                    let (Some(of), Some(was)) = (json["corrects"].as_u64(), json["to"].as_str()) else { continue };
                    let of = standing.first_of(of);
                    standing.taken.insert(of, Correction { seq: event.seq, was: was.to_owned() });
                }
                _ => {}
            }
        }
        standing.undone.extend(standing.shown_by_weights_taken_back(events));
        standing
    }

    /// Water that a weight alone has shown was none, if that weight was taken back.
    fn shown_by_weights_taken_back(&self, events: &[KeptEvent]) -> Vec<u64> {
        let is_shown = |event: &&KeptEvent| {
            let json: Value = serde_json::from_str(&event.json).unwrap_or_default();
            event.name == "watered" && json["by"] == "unknown"
        };
        let taken_back =
            |(_, event): &(usize, &KeptEvent)| event.name == "weighed" && self.was(event) == Some("nothing");
        let mut shown = Vec::new();
        for (at, weighed) in events.iter().enumerate().filter(taken_back) {
            let before = events.iter().take(at).rev().take_while(|event| event.wall == weighed.wall);
            let of_it = before.filter(|event| (event.of, &event.id) == (weighed.of, &weighed.id));
            shown.extend(of_it.filter(is_shown).map(|event| event.seq));
        }
        shown
    }

    fn first_of(&self, seq: u64) -> u64 {
        self.first.get(&seq).copied().unwrap_or(seq)
    }

    /// Whether it was taken back.
    #[must_use]
    pub fn is_undone(&self, event: &KeptEvent) -> bool {
        self.undone.contains(&event.seq)
    }

    /// What it was: as it was read, or by its last correction. `None` for an event that is none of these.
    #[must_use]
    pub fn was<'a>(&'a self, event: &'a KeptEvent) -> Option<&'a str> {
        let read = read_as(event)?;
        if self.is_undone(event) {
            return Some("nothing");
        }
        Some(self.taken.get(&self.first_of(event.seq)).map_or(read, |correction| correction.was.as_str()))
    }

    /// The weights that were told and taken back.
    #[must_use]
    pub fn weights_taken_back(&self, events: &[KeptEvent]) -> TakenBack {
        let is_none = |event: &&KeptEvent| event.name == "weighed" && self.was(event) != Some("weighed");
        let walls: HashMap<u64, Wall> = events.iter().map(|event| (event.seq, event.wall)).collect();
        let mut back = TakenBack::default();
        for event in events.iter().filter(|event| event.name == "weighed") {
            let json: Value = serde_json::from_str(&event.json).unwrap_or_default();
            let told = weight_told(event, &json);
            if !is_none(&event) {
                back.stands.extend(told);
                continue;
            }
            back.told.extend(told);
            let until = self.taken.get(&self.first_of(event.seq)).and_then(|correction| walls.get(&correction.seq));
            if let Some(&until) = until.filter(|_| json["basis"] == "scale") {
                back.lay_there.entry(event.id.clone()).or_default().push((event.wall, until));
            }
        }
        back
    }

    /// Whether an event of a correction is the last word on what it corrects.
    #[must_use]
    pub fn is_last_word(&self, correction: &KeptEvent) -> bool {
        self.taken.values().any(|last| last.seq == correction.seq)
    }

    /// Whether what it tells is told by the next event in other words.
    #[must_use]
    pub fn is_told_again(&self, event: &KeptEvent) -> bool {
        self.first.values().any(|first| *first == event.seq)
    }
}

/// A weight of which flat, at which second, in tenths of a gram. That is as exact as an event tells it.
type WeightTold = (String, i64, String);

fn weight_told(event: &KeptEvent, json: &Value) -> Option<WeightTold> {
    // The instant, and not its text: the offset in it is that of the time zone which the file had then.
    let at = DateTime::parse_from_rfc3339(json["weighed_at"].as_str()?).ok()?;
    Some((event.id.clone(), at.timestamp(), tenths(json["to"].as_f64()?)))
}

/// Weights that were told and taken back.
#[derive(Debug, Default)]
pub struct TakenBack {
    told: BTreeSet<WeightTold>,
    /// Those that still stand.
    stands: BTreeSet<WeightTold>,
    /// From when until when a shared scale went on weighing what was taken back in the end, by the flat it was taken for: what was
    /// weighed later was taken back first.
    lay_there: HashMap<String, Vec<(Wall, Wall)>>,
}

impl TakenBack {
    /// Whether this weight of the flat was taken back.
    #[must_use]
    pub fn has(&self, flat: &str, point: &Point) -> bool {
        if self.told.is_empty() {
            return false;
        }
        let second = point.at.since(Wall::from_millis(0)).millis().div_euclid(1000);
        let this = (flat.to_owned(), second, tenths(point.weight.get()));
        let lay_there = self.lay_there.get(flat).is_some_and(|spans| {
            spans.iter().any(|&(from, until)| from <= point.at && point.at < until) && !self.stands.contains(&this)
        });
        lay_there || self.told.contains(&this)
    }
}

fn tenths(grams: f64) -> String {
    format!("{grams:.1}")
}

/// What a flat is called now that had this id before, be it several names ago: what is kept of a flat is kept under its last id, the
/// event of each renaming too. `None` where no event tells of it.
#[must_use]
pub fn called_now<'a>(events: &'a [KeptEvent], former: &str) -> Option<&'a str> {
    let is_it = |event: &&KeptEvent| {
        let is_renamed = event.of == Of::Flat && event.name == "renamed";
        is_renamed && serde_json::from_str::<Value>(&event.json).is_ok_and(|json| json["from"] == former)
    };
    events.iter().rev().find(is_it).map(|event| event.id.as_str())
}

/// What an event that can be corrected was read as, in the words of corrections.
#[must_use]
pub fn read_as(event: &KeptEvent) -> Option<&str> {
    match event.name.as_str() {
        "watered" | "dome-on" | "dome-off" => Some(event.name.as_str()),
        "returned" | "removed" | "bumped" | "visited" => Some("nothing"),
        "weighed" => Some("weighed"),
        _ => None,
    }
}
