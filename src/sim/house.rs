//! The house: an agenda of what is to happen, and the flats and cells between two such moments.

use super::act::{Act, Deed, Injected, ValveOrder};
use super::cell::Cell;
use super::flat::{Flat, Place};
use super::plan::{Habits, HousePlan, Onto, Steps};
use super::post::Post;
use super::random::{For, Random};
use super::room::Room;
use super::scale::OnScale;
use super::sent::{Message, Sent, Value};
use super::time::SimTime;
use super::troubles::Recurs;
use super::truth::{StandTruth, Truth};
use super::valve::{Tank, Valve, ValveTruth};
use crate::moment::Span;
use std::cmp::{Ordering, Reverse};
use std::collections::BinaryHeap;

/// Readings are made for at most so long before they are sorted.
const SLICE: Span = Span::seconds(10);

/// A simulated house: see the room's first page.
#[derive(Debug, Clone)]
pub struct House {
    pub(super) now: SimTime,
    pub(super) steps: Steps,
    pub(super) habits: Habits,
    pub(super) room: Room,
    pub(super) flats: Vec<Flat>,
    pub(super) stands: Vec<Stand>,
    /// Stands by their first reading: where all are read as often, readings are then made in their order.
    by_phase: Vec<usize>,
    pub(super) valves: Vec<Valve>,
    pub(super) tanks: Vec<Tank>,
    /// Valves that water comes out of.
    pub(super) running: Vec<usize>,
    pub(super) post: Post,
    /// What each flat's people decide by.
    pub(super) people: Vec<Random>,
    pub(super) broker: Random,
    /// Between two outages that come by themselves, on average, s.
    pub(super) mean_outage_gap: Option<f64>,
    agenda: BinaryHeap<Reverse<Entry>>,
    entries: u64,
    log: Vec<Injected>,
}

#[derive(Debug, Clone)]
pub(super) struct Stand {
    pub cell: Cell,
    pub flat: Option<usize>,
    pub at: SimTime,
    pub next_reading: SimTime,
    pub next_temperature: Option<SimTime>,
    pub line: Random,
    pub troubles: Random,
    /// Of those who put flats down on it in a round.
    pub hands: Random,
    /// Flats that were put on it in rounds, counted.
    pub turn: u32,
    /// What the broker keeps of it.
    pub kept: Option<Value>,
}

/// What is to happen.
#[derive(Debug, Clone, Copy)]
pub(super) enum Event {
    Act(Act),
    /// Somebody comes by a flat.
    Round(usize),
    /// A stand's device is back after a restart.
    Restarted(usize),
    /// A stand speaks again after a silence.
    Online(usize),
    Recurs(usize, Recurs),
    Order(usize, ValveOrder),
    Moves {
        valve: usize,
        opens: bool,
        token: u32,
    },
    TimerEnds {
        valve: usize,
        token: u32,
    },
    Tick(usize),
    Powered(usize),
    BrokerGoes(Span),
    BrokerGoesByItself,
    BrokerReturns,
    SoakEnds {
        flat: usize,
        at_the_sink: bool,
    },
    /// A flat's time on a scale is over.
    WeighEnds(OnScale),
    /// Two flats of a round are taken for each other.
    MixedUp {
        flat: usize,
        with: usize,
    },
    /// Flats on benches go on too.
    Hour,
}

#[derive(Debug, Clone, Copy)]
struct Entry {
    at: SimTime,
    number: u64,
    event: Event,
}

impl PartialEq for Entry {
    fn eq(&self, other: &Self) -> bool {
        self.cmp(other) == Ordering::Equal
    }
}
impl Eq for Entry {}
impl PartialOrd for Entry {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}
impl Ord for Entry {
    fn cmp(&self, other: &Self) -> Ordering {
        (self.at, self.number).cmp(&(other.at, other.number))
    }
}

impl House {
    /// A house as it stands at `start`, with its broker connected. A flat whose stand is not in the plan, or is taken by a flat before
    /// it, begins on the bench.
    #[must_use]
    pub fn new(plan: HousePlan, seed: u64, start: SimTime) -> Self {
        let room = Room::new(plan.room, seed);
        let air = room.at(start).air;
        let mut flats: Vec<Flat> = plan.flats.into_iter().map(|flat| Flat::new(flat, start)).collect();
        let mut stands = Vec::with_capacity(plan.stands.len());
        for (place, cell) in plan.stands.into_iter().enumerate() {
            let flat = flats.iter().position(|flat| flat.place == Place::Stand(place));
            let load = flat.and_then(|flat| flats.get(flat)).map_or(0.0, Flat::weight);
            stands.push(Stand::new(Cell::new(cell, seed, place, air, load), flat, seed, place, start));
        }
        for (number, flat) in flats.iter_mut().enumerate() {
            if !stands.iter().any(|stand| stand.flat == Some(number)) {
                flat.place = Place::Bench;
            }
        }
        let mut by_phase: Vec<usize> = (0..stands.len()).collect();
        by_phase.sort_by_key(|place| stands.get(*place).map(|stand| stand.next_reading));
        let valves =
            plan.valves.into_iter().enumerate().map(|(place, valve)| Valve::new(valve, seed, place, start)).collect();
        let tanks = plan.supplies.into_iter().map(|plan| Tank { plan, level: plan.begins_with }).collect();
        let outages = plan.network.outages.clone();
        let goes_by_itself = plan.network.outages_per_week;
        let mut house = Self {
            now: start,
            steps: Steps {
                calm: at_least_a_millisecond(plan.steps.calm),
                pouring: at_least_a_millisecond(plan.steps.pouring),
            },
            habits: plan.habits,
            room,
            people: (0..flats.len()).map(|flat| Random::stream(seed, For::People, flat)).collect(),
            flats,
            stands,
            by_phase,
            valves,
            tanks,
            running: Vec::new(),
            post: Post::new(plan.network),
            broker: Random::stream(seed, For::Broker, 0),
            mean_outage_gap: None,
            agenda: BinaryHeap::new(),
            entries: 0,
            log: Vec::new(),
        };
        house.post.say(start, Message::Connected);
        for (at, act) in plan.acts {
            house.plan(at.max(start), Event::Act(act));
        }
        for outage in outages {
            house.plan(outage.from.max(start), Event::BrokerGoes(outage.lasts));
        }
        for round in &plan.rounds {
            house.weigh_round(round);
        }
        house.begin_habits();
        house.begin_troubles(goes_by_itself);
        house.plan(start + Span::hours(1), Event::Hour);
        house.post.deliver(start);
        house
    }

    /// What time it is.
    #[must_use]
    pub const fn now(&self) -> SimTime {
        self.now
    }

    /// When something happens next, or arrives: who orders valves by what is weighed lives from one such moment to the next.
    #[must_use]
    pub fn next(&self) -> SimTime {
        let readings = self.stands.iter().map(|stand| stand.next().0);
        let planned = self.agenda.peek().map(|Reverse(entry)| entry.at);
        readings.chain(planned).chain(self.post.next()).min().unwrap_or(self.now + SLICE).max(self.now)
    }

    /// Lets time pass until `to`; nothing when that is past. It does not matter in how many pieces.
    pub fn advance(&mut self, to: SimTime) {
        while self.now < to {
            let slice = (self.now + SLICE).min(to);
            let next = self.agenda.peek().map_or(slice, |Reverse(entry)| entry.at.min(slice));
            self.read_until(next);
            self.now = next;
            self.do_what_is_due();
            self.post.deliver(self.now);
        }
    }

    pub(super) fn do_what_is_due(&mut self) {
        while let Some(Reverse(entry)) = self.agenda.peek().copied().filter(|Reverse(entry)| entry.at <= self.now) {
            self.agenda.pop();
            self.happen(entry.event);
        }
    }

    /// The next message that has arrived.
    pub fn poll(&mut self) -> Option<Sent> {
        self.post.take()
    }

    /// Does something now. Says whether it could be done: a flat that is away cannot be lifted, a stand that is taken takes no other.
    pub fn act(&mut self, act: Act) -> bool {
        let done = self.carry_out(act);
        self.post.deliver(self.now);
        done
    }

    /// An order on its way to a valve, sent at `at` or now, whichever is later. It is lost while the broker is gone.
    pub fn order(&mut self, valve: usize, order: ValveOrder, at: SimTime) {
        self.send_order(valve, order, at.max(self.now));
        self.do_what_is_due();
        self.post.deliver(self.now);
    }

    /// Whoever listens connects anew: what the broker keeps comes again. Nothing while it is gone.
    pub fn reconnect(&mut self) {
        if !self.post.is_gone(self.now) {
            self.post.say(self.now, Message::Connected);
            self.bring_what_was_kept();
            self.post.deliver(self.now);
        }
    }

    /// A flat in truth; `None` if there is none of that number.
    #[must_use]
    pub fn truth(&self, flat: usize) -> Option<Truth> {
        let mut flat_now = self.flats.get(flat)?.clone();
        for (valve, feed, onto) in self.feeds() {
            let falls_on_it = match onto {
                Onto::Stand(stand) => flat_now.place == Place::Stand(stand),
                Onto::Flat(fed) => fed == flat && matches!(flat_now.place, Place::Stand(_)),
                Onto::Nothing => false,
            };
            if falls_on_it && let Some(valve) = self.valves.get(valve) {
                let mut valve = valve.clone();
                if let Some((_, grams, below)) = valve.hand_on(feed, valve.poured_at(self.now)) {
                    flat_now.receive(grams, below);
                }
            }
        }
        flat_now.pass(&self.room, self.now, self.steps.calm, self.steps.pouring);
        Some(Truth::of(&flat_now))
    }

    /// A stand in truth, as of its last reading or event.
    #[must_use]
    pub fn stand(&self, stand: usize) -> Option<StandTruth> {
        let stand = self.stands.get(stand)?;
        let cell = &stand.cell;
        let (shown, temperature, creep) = (cell.shown, cell.temperature, cell.creep());
        Some(StandTruth { flat: stand.flat, shown, temperature, creep, tally: cell.tally })
    }

    /// A valve in truth.
    #[must_use]
    pub fn valve(&self, valve: usize) -> Option<ValveTruth> {
        self.valves.get(valve).map(|valve| valve.truth(self.now))
    }

    /// What a tank holds, g, as of the last second while it runs.
    #[must_use]
    pub fn level(&self, supply: usize) -> Option<f64> {
        self.tanks.get(supply).map(|tank| tank.level)
    }

    /// Everything that was done so far, in order: plan, people and mishaps. Single glitches and missing readings are only counted, in
    /// [`StandTruth::tally`].
    #[must_use]
    pub fn injected(&self) -> &[Injected] {
        &self.log
    }

    pub(super) fn plan(&mut self, at: SimTime, event: Event) {
        self.agenda.push(Reverse(Entry { at, number: self.entries, event }));
        self.entries += 1;
    }

    pub(super) fn note(&mut self, what: Deed) {
        self.log.push(Injected { at: self.now, what });
    }

    fn happen(&mut self, event: Event) {
        match event {
            Event::Act(act) => {
                self.carry_out(act);
            }
            Event::Round(flat) => self.go_round(flat),
            Event::Restarted(stand) => self.restarted(stand),
            Event::Online(stand) => self.online(stand),
            Event::Recurs(stand, recurs) => self.recur(stand, recurs),
            Event::Order(valve, order) => self.obey(valve, order),
            Event::Moves { valve, opens, token } => self.valve_moves(valve, opens, token),
            Event::TimerEnds { valve, token } => self.timer_ends(valve, token),
            Event::Tick(valve) => self.tick(valve),
            Event::Powered(valve) => self.powered(valve),
            Event::BrokerGoes(lasts) => self.broker_goes(lasts),
            Event::BrokerGoesByItself => self.broker_goes_by_itself(),
            Event::BrokerReturns => self.broker_returns(),
            Event::SoakEnds { flat, at_the_sink } => self.soak_ends(flat, at_the_sink),
            Event::WeighEnds(on) => self.weigh_ends(on),
            Event::MixedUp { flat, with } => self.mixed_up(flat, with),
            Event::Hour => {
                for flat in 0..self.flats.len() {
                    if !self.flats.get(flat).is_some_and(|flat| matches!(flat.place, Place::Stand(_))) {
                        self.bring(flat);
                    }
                }
                self.plan(self.now + Span::hours(1), Event::Hour);
            }
        }
    }

    fn carry_out(&mut self, act: Act) -> bool {
        match act {
            Act::Flat(flat, doing) => self.do_to_flat(flat, doing),
            Act::Stand(stand, trouble) => self.trouble(stand, trouble),
            Act::Valve(valve, mishap) => self.mishap(valve, mishap),
            Act::Refill { supply, to } => self.refill(supply, to),
            Act::BrokerGone(lasts) => {
                self.broker_goes(lasts);
                true
            }
        }
    }

    /// Everything that stands publish until `to`.
    fn read_until(&mut self, to: SimTime) {
        for turn in 0..self.by_phase.len() {
            let Some(&place) = self.by_phase.get(turn) else { break };
            while let Some((at, is_reading)) = self.stands.get(place).map(Stand::next).filter(|(at, _)| *at <= to) {
                self.bring_stand(place, at);
                let Some(stand) = self.stands.get_mut(place) else { break };
                if is_reading {
                    stand.read(&mut self.post, place, at)
                } else {
                    stand.tell_temperature(&mut self.post, place, at)
                }
            }
        }
    }

    /// A flat goes on to now, wherever it is.
    pub(super) fn bring(&mut self, flat: usize) {
        let now = self.now;
        match self.flats.get(flat).map(|flat| flat.place) {
            Some(Place::Stand(stand)) => self.bring_stand(stand, now),
            Some(Place::Bench | Place::Sink) => {
                if let Some(flat) = self.flats.get_mut(flat) {
                    flat.pass(&self.room, now, self.steps.calm, self.steps.pouring);
                }
            }
            None => {}
        }
    }

    /// A stand and what is on it go on to `to`, step by step.
    pub(super) fn bring_stand(&mut self, place: usize, to: SimTime) {
        if !self.running.is_empty() {
            self.catch(place, to);
        }
        let Some(stand) = self.stands.get_mut(place) else { return };
        let mut flat = stand.flat.and_then(|flat| self.flats.get_mut(flat));
        while stand.at < to {
            let climate = self.room.at(stand.at);
            let (end, load) = match flat.as_deref_mut() {
                Some(flat) => {
                    let longest = if flat.is_poured_on() { self.steps.pouring } else { self.steps.calm };
                    let end = flat.step_until(to, longest);
                    flat.step(&climate, end);
                    (end, flat.weight())
                }
                None => ((stand.at + self.steps.calm).min(to), 0.0),
            };
            stand.cell.step(load, climate.air, end.after(stand.at));
            stand.at = end;
        }
    }
}

fn at_least_a_millisecond(span: Span) -> Span {
    span.max(Span::from_millis(1))
}

impl Stand {
    fn new(mut cell: Cell, flat: Option<usize>, seed: u64, place: usize, start: SimTime) -> Self {
        let mut line = Random::stream(seed, For::Line, place);
        cell.plan.period = at_least_a_millisecond(cell.plan.period);
        let period = cell.plan.period;
        let phase = Span::from_seconds(period.as_seconds() * line.unit());
        let phase = cell.plan.phase.unwrap_or(phase);
        let first = if phase > Span::ZERO { phase } else { period };
        Self {
            flat,
            at: start,
            next_reading: start + first,
            next_temperature: cell.plan.temperature.map(|_| start + first),
            line,
            troubles: Random::stream(seed, For::Troubles, place),
            hands: Random::stream(seed, For::Hands, place),
            turn: 0,
            kept: None,
            cell,
        }
    }

    /// When it publishes next, and whether that is a reading.
    fn next(&self) -> (SimTime, bool) {
        match self.next_temperature {
            Some(temperature) if temperature <= self.next_reading => (temperature, false),
            _ => (self.next_reading, true),
        }
    }

    fn read(&mut self, post: &mut Post, stand: usize, at: SimTime) {
        self.next_reading = at + self.cell.plan.period;
        let Some(value) = self.cell.read(at) else { return };
        let got = post.send(&mut self.line, at, Message::Reading { stand, value, retained: false });
        if got && self.cell.plan.retained {
            self.kept = Some(value);
        }
    }

    fn tell_temperature(&mut self, post: &mut Post, stand: usize, at: SimTime) {
        self.next_temperature = self.cell.plan.temperature.map(|every| at + at_least_a_millisecond(every));
        if !self.cell.is_silent(at) {
            let celsius = (self.cell.temperature * 10.0).round() / 10.0;
            post.send(&mut self.line, at, Message::Temperature { stand, celsius });
        }
    }
}
