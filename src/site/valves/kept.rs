//! What of valves and supplies survives a restart: the journal of openings, what was poured of late, what was learned, locks.

use crate::moment::{Moment, Span, Wall};
use crate::units::{Flow, Millilitres};
use crate::watering::{FlowFit, InFlight, ValveSettings};
use serde::{Deserialize, Serialize};

/// A day of a valve is any of these.
pub(super) const DAY: Span = Span::hours(24);
/// What was poured is remembered a little longer, for clocks that were set.
const REMEMBERED: Span = Span::hours(26);

/// An opening that was, or is about to be, ordered; written before the order goes out.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct Entry {
    /// The watering it belongs to.
    pub watering: u64,
    /// When it was written.
    pub at: Moment,
    /// What the whole of that is to pour; `None` in older stores.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub volume: Option<Millilitres>,
    /// How long the order lets it be open, s.
    pub seconds: u32,
    /// What it can pour at most.
    pub most: Millilitres,
    /// The weights the fed flats stood at, as the water they would be, mL; in the order of `feeds`.
    pub weights: Vec<Option<f64>>,
}

/// Water that a valve has given.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct Poured {
    pub at: Moment,
    pub volume: Millilitres,
    /// To each flat it feeds.
    pub flats: Vec<Millilitres>,
}

/// A fault that only a person takes back.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct Fault {
    pub kind: crate::alert::Kind,
    pub text: String,
    pub since: Wall,
}

/// What is known of the way to one flat.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct Way {
    pub flat: String,
    /// What the file said when this was learned.
    pub configured: Flow,
    /// Set by a bucket.
    #[serde(default)]
    pub measured: Option<Flow>,
    pub fit: FlowFit,
    pub in_flight: InFlight,
    /// Given, and not yet told of the flat.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub owed: Option<Owed>,
}

/// Water that a flat has got from a valve, before the flat's own weight has told of it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(super) struct Owed {
    /// When the last of it came.
    pub at: Moment,
    pub volume: Millilitres,
}

/// All of one valve.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct ValveKept {
    #[serde(skip_serializing_if = "Option::is_none")]
    pub entry: Option<Entry>,
    pub poured: Vec<Poured>,
    pub ways: Vec<Way>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub fault: Option<Fault>,
    /// When it last began to water by itself.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub by_itself: Option<Moment>,
    /// The last run into a bucket, until somebody has said what it caught.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bucket: Option<Bucket>,
    /// When this was kept: by how much the wall clock was set before it, nobody could tell otherwise after a restart.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub kept_at: Option<Moment>,
}

/// A run into a bucket.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(super) struct Bucket {
    /// How long the valve was open.
    pub seconds: f64,
    /// When what it may have given was written down.
    pub at: Moment,
}

impl ValveKept {
    /// Taken up after a restart. The monotonic clock goes on from the wall clock's word of it, so a wall clock that was set forward meanwhile
    /// would make what was poured an hour ago yesterday's: all is moved by as much as it was set.
    pub fn go_on(&mut self, now: Moment) {
        let Some(kept_at) = self.kept_at.take() else { return };
        let away = now.wall.since(kept_at.wall).max(Span::ZERO);
        let set_by = now.mono.since(kept_at.mono + away);
        let entry = self.entry.iter_mut().map(|entry| &mut entry.at);
        let poured = self.poured.iter_mut().map(|poured| &mut poured.at);
        let bucket = self.bucket.iter_mut().map(|bucket| &mut bucket.at);
        let owed = self.ways.iter_mut().filter_map(|way| way.owed.as_mut()).map(|owed| &mut owed.at);
        for at in entry.chain(poured).chain(bucket).chain(owed).chain(&mut self.by_itself) {
            at.mono += set_by;
        }
    }

    /// Meets what the file says: a way is learned anew when its configured flow has changed. Which measured flows were replaced.
    pub fn meet(&mut self, settings: &ValveSettings, id: impl Fn(usize) -> String) -> Vec<(Flow, Flow)> {
        let mut replaced = Vec::new();
        let old = std::mem::take(&mut self.ways);
        self.put_in_the_order_of(&old, &settings.feeds.iter().map(|feed| id(feed.flat)).collect::<Vec<_>>());
        for feed in &settings.feeds {
            let flat = id(feed.flat);
            let known = old.iter().find(|way| way.flat == flat);
            if let Some(way) = known.filter(|way| way.configured == feed.flow) {
                self.ways.push(way.clone());
                continue;
            }
            if let Some(measured) = known.and_then(|way| way.measured) {
                replaced.push((measured, feed.flow));
            }
            self.ways.push(Way::begin(flat, feed.flow, feed.flow));
        }
        replaced
    }

    /// What is kept flat by flat follows the flats, where the file names others now, or in another order. An opening counts as its most for
    /// a flat whose weight before it is not known.
    fn put_in_the_order_of(&mut self, old: &[Way], flats: &[String]) {
        if old.iter().map(|way| &way.flat).eq(flats) {
            return;
        }
        let places: Vec<Option<usize>> =
            flats.iter().map(|flat| old.iter().position(|way| way.flat == *flat)).collect();
        for poured in &mut self.poured {
            let of = |place: &Option<usize>| place.and_then(|place| poured.flats.get(place).copied());
            poured.flats = places.iter().map(|place| of(place).unwrap_or(Millilitres::ZERO)).collect();
        }
        if let Some(entry) = &mut self.entry {
            // What a flat got that the valve feeds no more nobody can weigh: none of it is taken for small.
            let is_gone = old.iter().any(|way| !flats.contains(&way.flat));
            let of = |place: &Option<usize>| place.and_then(|place| entry.weights.get(place).copied().flatten());
            entry.weights = places.iter().map(|place| of(place).filter(|_| !is_gone)).collect();
        }
    }

    /// What all flats get together.
    pub fn flow(&self) -> Flow {
        self.ways.iter().map(|way| way.fit.flow()).sum()
    }

    /// When it last gave a flat water.
    pub fn last_to_a_flat(&self) -> Option<Moment> {
        let reached = |poured: &&Poured| poured.flats.iter().any(|flat| *flat >= Millilitres::new(1.0));
        self.poured.iter().filter(reached).map(|poured| poured.at).max_by_key(|at| at.mono)
    }

    /// What was poured in the 24 h before.
    pub fn of_the_day(&self, now: Moment) -> Millilitres {
        self.today(now).map(|poured| poured.volume).sum()
    }

    /// What one fed flat got in the 24 h before.
    pub fn of_the_day_to(&self, feed: usize, now: Moment) -> Millilitres {
        self.today(now).filter_map(|poured| poured.flats.get(feed).copied()).sum()
    }

    /// A clock that was set back must not make today's water tomorrow's: what lies ahead counts too.
    fn today(&self, now: Moment) -> impl Iterator<Item = &Poured> {
        self.poured.iter().filter(move |poured| now.mono.since(poured.at.mono) < DAY)
    }

    pub fn write_down(&mut self, poured: Poured) {
        let now = poured.at;
        self.poured.retain(|old| now.mono.since(old.at.mono) < REMEMBERED);
        self.poured.push(poured);
    }
}

impl Way {
    /// What was learned while the tank ran low is too little for a full one, and too little known is too much poured.
    pub fn of_a_fuller_tank(&mut self) {
        let full = self.measured.unwrap_or(self.configured);
        if self.fit.flow() < full {
            self.fit = FlowFit::begin(full);
        } else {
            self.fit.accept();
        }
    }

    pub fn begin(flat: String, configured: Flow, flow: Flow) -> Self {
        Self {
            flat,
            configured,
            measured: None,
            fit: FlowFit::begin(flow),
            in_flight: InFlight::begin(flow),
            owed: None,
        }
    }
}

/// All of one supply.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(in crate::site) struct SupplyKept {
    /// What is left in it, as counted or as its sensor says; `None`: nobody has said.
    pub left: Option<Millilitres>,
}

impl super::super::Site {
    pub(in crate::site) fn valve_fact(&self, index: usize) -> Option<serde_json::Result<String>> {
        let kept = &self.valves.get(index)?.kept;
        Some(serde_json::to_string(&ValveKept { kept_at: Some(self.now), ..kept.clone() }))
    }

    /// Takes up what was kept of valves and supplies, and meets the file.
    pub(in crate::site) fn recall_valves(&mut self, facts: &std::collections::HashMap<(&str, &str), &str>) {
        let plan = self.plan.clone();
        for (index, settings) in plan.valves.iter().enumerate() {
            let kept = facts.get(&("valve", settings.id.as_str())).copied();
            let mut kept: ValveKept =
                kept.and_then(|json| self.taken_up("valve", &settings.id, json)).unwrap_or_default();
            kept.go_on(self.now);
            let replaced = kept.meet(settings, |flat| self.id(super::super::Subject::Flat(flat)).to_owned());
            if let Some(valve) = self.valves.get_mut(index) {
                valve.kept = kept;
                valve.held = vec![false; settings.never_while.len()];
            }
            for (from, to) in replaced {
                let per_minute = |flow: Flow| serde_json::json!(super::decimals(flow.in_ml_per_min(), 1));
                let what = super::super::Happening::SettingReplaced {
                    what: "flow_ml_per_min".to_owned(),
                    from: per_minute(from),
                    to: per_minute(to),
                };
                self.event(super::super::Subject::Valve(index), what);
                self.keep(super::super::Subject::Valve(index));
            }
            self.recall_fault(index);
            self.agenda.wish(super::super::Subject::Valve(index), self.now.mono + Span::from_millis(1));
        }
        for (index, supply) in plan.supplies.iter().enumerate() {
            let kept = facts.get(&("supply", supply.id.as_str())).copied();
            let kept: Option<SupplyKept> = kept.and_then(|json| self.taken_up("supply", &supply.id, json));
            if let Some(known) = self.supplies.get_mut(index) {
                // A tank of known size is taken for full until somebody says otherwise.
                *known = kept.unwrap_or(SupplyKept { left: supply.holds });
            }
        }
    }
}
