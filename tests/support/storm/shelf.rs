//! A store in memory that keeps and loses what the real one does: batches are written in order, a little later, and a kill loses
//! the last of them.

use std::collections::{BTreeMap, VecDeque};
use tarewell::moment::{Mono, Span, Wall};
use tarewell::service::keeping;
use tarewell::site::{Output, Saved, Site};
use tarewell::store::{Fact, Of, RaisedAlert, Saved as Stored, Write};
use tarewell::wire::Names;

/// The writer is at most so far behind.
const WRITTEN_WITHIN: Span = Span::seconds(1);

/// What is kept, and what is still to be written.
#[derive(Debug, Default)]
pub struct Shelf {
    facts: BTreeMap<(Of, String), String>,
    alerts: BTreeMap<(&'static str, Of, String), RaisedAlert>,
    last_seq: u64,
    newest: Option<Wall>,
    waiting: VecDeque<(Mono, Vec<Write>)>,
    batch: Vec<Write>,
}

impl Shelf {
    /// What this output asks to be kept is part of the batch of this turn.
    pub fn take(&mut self, site: &Site, names: &Names, output: &Output, now: Wall) {
        self.batch.extend(keeping::write(site, names, output, now));
    }

    /// The turn is over: its batch goes to the writer, who has written those of a second ago.
    pub fn turn(&mut self, now: Mono) {
        if !self.batch.is_empty() {
            self.waiting.push_back((now, std::mem::take(&mut self.batch)));
        }
        while self.waiting.front().is_some_and(|(sent, _)| now.since(*sent) >= WRITTEN_WITHIN) {
            self.write_first();
        }
    }

    /// All of it is written now.
    pub fn flush(&mut self) {
        while !self.waiting.is_empty() {
            self.write_first();
        }
    }

    /// What would survive a power cut of this one.
    pub fn on_the_disk(&self, of: Of, id: &str) -> Option<&str> {
        self.facts.get(&(of, id.to_owned())).map(String::as_str)
    }

    /// Killed: all but the last `lost` batches had been written. Which events will be told of again under the same number
    /// is not for anybody to know: none of those lost was ever told.
    pub fn killed(&mut self, lost: usize) -> Vec<Write> {
        let keep = self.waiting.len().saturating_sub(lost);
        for _ in 0..keep {
            self.write_first();
        }
        self.batch.clear();
        self.waiting.drain(..).flat_map(|(_, batch)| batch).collect()
    }

    /// How many batches wait to be written.
    pub fn waiting(&self) -> usize {
        self.waiting.len()
    }

    /// What is handed to the next run, in the engine's words.
    pub fn saved(&self) -> Saved {
        let wall = self.newest.unwrap_or(Wall::from_millis(0));
        let fact = |((of, id), json): (&(Of, String), &String)| Fact {
            of: *of,
            id: id.clone(),
            json: json.clone(),
            wall,
            retired: None,
        };
        keeping::saved(Stored {
            facts: self.facts.iter().map(fact).collect(),
            alerts: self.alerts.values().cloned().collect(),
            last_seq: self.last_seq,
            newest_wall: self.newest,
            ..Stored::default()
        })
    }

    /// The latest time of anything kept.
    pub fn newest(&self) -> Option<Wall> {
        self.newest
    }

    /// The number of the last event that everybody may have heard of.
    pub fn last_seq(&self) -> u64 {
        self.last_seq
    }

    fn write_first(&mut self) {
        for write in self.waiting.pop_front().map(|(_, batch)| batch).unwrap_or_default() {
            self.write(write);
        }
    }

    fn write(&mut self, write: Write) {
        let wall = match write {
            Write::Fact { of, id, json, wall } => {
                self.facts.insert((of, id), json);
                Some(wall)
            }
            Write::Alert { kind, of, id, json } => {
                let place = (kind.name(), of, id.clone());
                self.alerts.insert(place, RaisedAlert { kind, of, id, json });
                None
            }
            Write::ForgetAlert { kind, of, id } => {
                self.alerts.remove(&(kind.name(), of, id));
                None
            }
            Write::Event { seq, wall, .. } => {
                self.last_seq = self.last_seq.max(seq);
                Some(wall)
            }
            Write::Weight { wall, .. } => Some(wall),
            Write::ForgetFact { .. } | Write::Retire { .. } | Write::Command { .. } => None,
        };
        self.newest = self.newest.max(wall);
    }
}
