//! The whole vocabulary of the engine, and the glue: [`Site`].
//!
//! `Site` is one deterministic state machine without I/O and without a clock. [`Site::handle`] takes everything that can
//! happen, at a moment the caller names; [`Site::poll`] gives back what is to be done until there is nothing more;
//! [`Site::next_wake`] says when it wants to be called though nothing happened. The same machine serves the live service, a
//! replay and every test.

mod agenda;
mod ahead;
mod bases;
mod cells;
mod command;
mod domes;
mod facts;
mod fills;
mod flats;
mod growing;
mod input;
mod kin;
mod leading;
mod life;
mod look;
mod orders;
mod output;
mod placing;
mod plan;
mod potting;
mod pours;
mod readings;
mod records;
mod repeats;
mod rising;
mod rounds;
mod settings;
mod speaking;
mod stands;
mod state;
mod taking_turns;
mod today;
mod told;
mod turn;
mod valves;
mod write;

pub use crate::stand::{Part, Unreadable};
pub use agenda::Wake;
pub use command::{Command, Order, Set, Subject, Was};
pub use facts::{Fact, Saved};
pub use input::{Input, Ticket};
pub use output::{Answer, By, Event, Happening, Message, Opener, Output, RoundStep, Sample, ValveOrder};
pub use plan::Plan;
pub use state::*;
pub use today::{AwayState, Digest, Glance, TodayState};

use crate::alert::Board;
use crate::moment::{Moment, Mono, Span, Wall};
use agenda::Agenda;
use flats::Flat;
use repeats::Answered;
use stands::Bench;
use std::cell::Cell;
use std::collections::{HashMap, VecDeque};
use std::sync::Arc;
use valves::{SupplyKept, Valve};

/// Room for so many outputs is kept between two inputs.
const OUT_KEPT: usize = 256;
/// The wall clock was set, if it differs by more than this from the other between two inputs.
const SET: Span = Span::seconds(2);

/// The engine. See the module's documentation.
#[derive(Debug)]
pub struct Site {
    plan: Arc<Plan>,
    now: Moment,
    /// Counts the inputs.
    heard: flats::Heard,
    stands: Vec<Bench>,
    flats: Vec<Flat>,
    valves: Vec<Valve>,
    /// What three or more measured flats of a fill have in common, by the fill's place in the plan.
    measured: Vec<Option<crate::flat::Measured>>,
    board: Board,
    agenda: Agenda,
    out: VecDeque<Output>,
    /// The number of the last event.
    seq: u64,
    plans_made: u64,
    answered: HashMap<String, Answered>,
    supplies: Vec<SupplyKept>,
    /// Since when the main connection to the broker is up.
    broker: Option<Mono>,
    /// No valve opens before then.
    paused_until: Option<Mono>,
    /// See [`Input::StoreWorks`].
    store_works: bool,
    /// No clock is right that reads earlier.
    built: Option<Wall>,
    /// When this run began.
    begun: Mono,
    /// The number of the last flush that was asked for.
    marks: u64,
    /// The offset of local time, and the hour since the epoch that it holds for: time zones are looked up once an hour.
    offset: Cell<(i64, i32)>,
    /// Reused for what a stand says, so that a reading allocates nothing.
    said: Vec<crate::stand::Said>,
    readings: u64,
    notes: Vec<String>,
}

impl Site {
    /// A site by its plan, with what was kept of an earlier run.
    ///
    /// What of `saved` does not parse, or belongs to flats that the plan no longer has, is left alone in the store.
    #[must_use]
    pub fn new(plan: Arc<Plan>, saved: &Saved, now: Moment) -> Self {
        let mut site = Self {
            now,
            heard: flats::Heard::default(),
            stands: Vec::with_capacity(plan.stands.len()),
            flats: Vec::with_capacity(plan.flats.len()),
            valves: plan.valves.iter().map(|_| Valve::default()).collect(),
            measured: vec![None; plan.fills.len()],
            board: Board::default(),
            agenda: Agenda::default(),
            out: VecDeque::new(),
            seq: saved.last_seq,
            plans_made: 0,
            answered: HashMap::new(),
            supplies: plan.supplies.iter().map(|_| SupplyKept::default()).collect(),
            broker: None,
            paused_until: None,
            store_works: true,
            built: None,
            begun: now.mono,
            marks: 0,
            offset: Cell::new((i64::MIN, 0)),
            said: Vec::new(),
            readings: 0,
            notes: Vec::new(),
            plan,
        };
        site.recall(saved);
        site
    }

    /// The plan it was made by.
    #[must_use]
    pub fn plan(&self) -> &Arc<Plan> {
        &self.plan
    }

    /// What could not be taken up at the start, in words for a log.
    #[must_use]
    pub fn notes(&self) -> &[String] {
        &self.notes
    }

    /// How many readings it has taken since it was made, believed or not.
    #[must_use]
    pub const fn readings(&self) -> u64 {
        self.readings
    }

    /// Takes what happened, at a moment not before the last one.
    pub fn handle(&mut self, input: Input, at: Moment) {
        let set_by = at.wall.since(self.now.wall) - at.mono.since(self.now.mono);
        self.now = at;
        self.heard.0 += 1;
        if set_by > SET || set_by < Span::ZERO - SET {
            self.clock_was_set();
        }
        match input {
            Input::Reading { stand, part, value, retained } => self.reading(stand, part, value, retained),
            Input::Temperature { stand, value } => {
                if let Some(bench) = self.stands.get_mut(stand) {
                    bench.stand.temperature(value, at);
                }
            }
            Input::Availability { stand, online } => self.availability(stand, online),
            Input::Order(order) => self.order(order),
            Input::Connected => {
                self.broker_back();
                self.publish_all();
            }
            Input::Disconnected => self.broker_gone(),
            Input::ValveLink { valve, up } => self.valve_link(valve, up),
            Input::ValveReport { valve, open } => self.valve_report(valve, open),
            Input::ForeignOrder { valve, closes, retained } => self.foreign_order(valve, closes, retained),
            Input::Hold { valve, which, holds } => self.hold(valve, which, holds),
            Input::Level { supply, left } => self.level(supply, left),
            Input::Flushed { mark, ok } => self.flushed(mark, ok),
            Input::StoreWorks(works) => self.store_works(works),
            Input::Stopping => return self.stop_valves_for_good(),
            Input::Tick => {}
        }
        while let Some(subject) = self.agenda.due(at.mono) {
            self.wake(subject);
        }
    }

    /// The wall clock was set: what was forecast is so much later or earlier by it than it was.
    fn clock_was_set(&mut self) {
        for flat in 0..self.flats.len() {
            self.interrupt_forecast(flat);
            self.agenda.wish(Subject::Flat(flat), self.now.mono);
        }
        // Kept with both clocks of now: see `ValveKept::go_on`.
        for valve in 0..self.valves.len() {
            self.keep(Subject::Valve(valve));
        }
    }

    /// The next thing to be done.
    pub fn poll(&mut self) -> Option<Output> {
        let Some(output) = self.out.pop_front() else {
            // What was said at once in a burst, as when the connection comes up, must not be held for ever.
            if self.out.capacity() > OUT_KEPT {
                self.out.shrink_to(OUT_KEPT);
            }
            return None;
        };
        if let Output::State(subject) = output {
            self.unqueue(subject);
        }
        Some(output)
    }

    /// When it wants to be called though nothing happens, and why.
    #[must_use]
    pub fn next_wake(&self) -> Option<Wake> {
        self.agenda.next()
    }

    fn wake(&mut self, subject: Subject) {
        match subject {
            Subject::Flat(flat) => self.look(flat),
            Subject::Stand(stand) => self.stand_wakes(stand),
            Subject::Valve(valve) => self.valve_wakes(valve),
            Subject::Supply(_) | Subject::Site => {}
        }
    }

    fn publish_all(&mut self) {
        for flat in 0..self.flats.len() {
            self.publish_flat(flat);
        }
        for stand in 0..self.stands.len() {
            self.publish_stand(stand);
        }
        for valve in 0..self.valves.len() {
            self.publish_valve(valve);
        }
        let raised: Vec<_> = self.alerts().collect();
        self.out.extend(raised.into_iter().map(|(kind, subject)| Output::AlertRaised(kind, subject)));
    }

    fn event(&mut self, subject: Subject, what: Happening) {
        self.seq += 1;
        self.out.push_back(Output::Event(Event { seq: self.seq, at: self.now.wall, subject, what }));
    }

    /// The id of a subject, as in topics and events.
    #[must_use]
    pub fn id(&self, subject: Subject) -> &str {
        let plan = &self.plan;
        let id = match subject {
            Subject::Flat(flat) => plan.flats.get(flat).map(|(id, _)| id),
            Subject::Stand(stand) => plan.stands.get(stand).map(|(id, _)| id),
            Subject::Valve(valve) => plan.valves.get(valve).map(|valve| &valve.id),
            Subject::Supply(supply) => plan.supplies.get(supply).map(|supply| &supply.id),
            Subject::Site => None,
        };
        id.map_or("", String::as_str)
    }

    /// The local hour of the day, 0 to below 24.
    fn local_hour(&self, wall: Wall) -> f64 {
        let local = wall.millis() + i64::from(self.offset_at(wall)) * 1000;
        Span::from_millis(local.rem_euclid(86_400_000)).as_hours()
    }

    /// Seconds that local time is ahead of UTC; looked up once an hour.
    fn offset_at(&self, wall: Wall) -> i32 {
        // Offsets change on full hours of UTC, or on half and quarter ones.
        let quarter = wall.millis().div_euclid(900_000);
        let (known, offset) = self.offset.get();
        if known == quarter {
            return offset;
        }
        let offset = self.plan.zone.offset_seconds(wall);
        self.offset.set((quarter, offset));
        offset
    }

    fn stamp(&self, wall: Wall) -> String {
        crate::moment::stamp(wall, self.offset_at(wall))
    }
}
