//! Valves: orders, moves, ticks while water runs, and where it falls.

use super::act::{Deed, Mishap, ValveOrder};
use super::flat::Place;
use super::house::{Event, House};
use super::plan::{Onto, Reports};
use super::sent::Message;
use super::time::SimTime;
use super::valve::Valve;
use crate::moment::Span;

impl House {
    /// Every feed of a valve that runs: valve, feed, and what it hangs over.
    pub(super) fn feeds(&self) -> impl Iterator<Item = (usize, usize, Onto)> + '_ {
        let feeds_of = |&valve: &usize| self.valves.get(valve).map(|found| (valve, &found.plan.feeds));
        let running = self.running.iter().filter_map(feeds_of);
        running.flat_map(|(valve, feeds)| feeds.iter().enumerate().map(move |(feed, plan)| (valve, feed, plan.onto)))
    }

    /// What has fallen onto a stand by `to` is handed to what is on it.
    pub(super) fn catch(&mut self, stand: usize, to: SimTime) {
        let flat = self.stands.get(stand).and_then(|stand| stand.flat);
        for at in 0..self.running.len() {
            let Some(valve) = self.running.get(at).and_then(|valve| self.valves.get_mut(*valve)) else { continue };
            for feed in 0..valve.plan.feeds.len() {
                let onto = valve.plan.feeds.get(feed).map(|feed| feed.onto);
                let is_here = match onto {
                    Some(Onto::Stand(fed)) => fed == stand,
                    Some(Onto::Flat(fed)) => Some(fed) == flat,
                    _ => false,
                };
                if !is_here {
                    continue;
                }
                let Some((_, grams, below)) = valve.hand_on(feed, valve.poured_at(to)) else { continue };
                match flat.and_then(|flat| self.flats.get_mut(flat)) {
                    Some(flat) => flat.receive(grams, below),
                    None => valve.spilled += grams,
                }
            }
        }
    }

    /// Everything a valve feeds, and the valve, go on to now. What hangs over nothing is spilled.
    fn settle(&mut self, number: usize) {
        let now = self.now;
        for feed in 0..self.valves.get(number).map_or(0, |valve| valve.plan.feeds.len()) {
            let onto = self.valves.get(number).and_then(|valve| valve.plan.feeds.get(feed)).map(|feed| feed.onto);
            match onto {
                Some(Onto::Stand(stand)) => self.bring_stand(stand, now),
                Some(Onto::Flat(flat)) => self.bring(flat),
                _ => {}
            }
            if let Some(valve) = self.valves.get_mut(number)
                && let Some((_, grams, _)) = valve.hand_on(feed, valve.poured_at(now))
            {
                valve.spilled += grams;
            }
        }
        if let Some(valve) = self.valves.get_mut(number) {
            let tank = valve.plan.supply.and_then(|supply| self.tanks.get_mut(supply));
            valve.pass(now, tank);
        }
    }

    /// Sets what flows from now on, and sees to it that somebody looks again while it runs.
    fn set_flow(&mut self, number: usize) {
        let tick = self.steps.pouring;
        let master_open = self.is_master_open(number);
        let Some(valve) = self.valves.get_mut(number) else { return };
        let tank = valve.plan.supply.and_then(|supply| self.tanks.get(supply));
        valve.set_flow(tank, master_open, tick);
        // One tick under way is enough, whatever happens before it comes.
        if valve.runs() && !valve.is_ticking {
            valve.is_ticking = true;
            self.running.push(number);
            self.plan(self.now + tick, Event::Tick(number));
        }
    }

    fn is_master_open(&self, number: usize) -> bool {
        let supply = self.valves.get(number).and_then(|valve| valve.plan.supply);
        let master = supply.and_then(|supply| self.tanks.get(supply)).and_then(|tank| tank.plan.master);
        master.is_none_or(|master| master == number || self.valves.get(master).is_some_and(|valve| valve.open))
    }

    /// Valves that draw through this one, and itself.
    fn with_those_it_masters(&self, number: usize) -> Vec<usize> {
        let masters = |tank: usize| self.tanks.get(tank).is_some_and(|tank| tank.plan.master == Some(number));
        let is_one = |(place, valve): &(usize, &Valve)| *place == number || valve.plan.supply.is_some_and(masters);
        self.valves.iter().enumerate().filter(is_one).map(|(place, _)| place).collect()
    }

    pub(super) fn tick(&mut self, number: usize) {
        self.settle(number);
        if let Some(valve) = self.valves.get_mut(number) {
            valve.is_ticking = false;
        }
        self.running.retain(|running| *running != number);
        self.set_flow(number);
    }

    pub(super) fn send_order(&mut self, number: usize, order: ValveOrder, at: SimTime) {
        let is_gone = self.post.is_gone(at);
        let Some(valve) = self.valves.get_mut(number) else { return };
        let is_lost = valve.line.chance(valve.plan.orders_lost);
        let is_doubled = valve.line.chance(valve.plan.orders_doubled);
        let is_late = valve.line.chance(valve.plan.orders_late.0);
        let gap = Span::from_seconds(valve.line.between(1.0, 5.0));
        if is_lost || is_gone {
            return;
        }
        let late = if is_late { valve.plan.orders_late.1 } else { Span::ZERO };
        let comes = at + valve.plan.order_takes + late;
        self.plan(comes, Event::Order(number, order));
        if is_doubled {
            self.plan(comes + gap, Event::Order(number, order));
        }
    }

    /// A device does what it is told, if it hears it. Every order to open begins its timer anew.
    pub(super) fn obey(&mut self, number: usize, order: ValveOrder) {
        let now = self.now;
        if let Some(valve) = self.valves.get(number)
            && valve.hears(now)
        {
            let limit = valve.limit(order);
            self.switch(number, matches!(order, ValveOrder::Open { .. }), limit);
        }
    }

    fn switch(&mut self, number: usize, on: bool, limit: Option<Span>) {
        let now = self.now;
        let Some(valve) = self.valves.get_mut(number) else { return };
        valve.relay = on;
        valve.timer_token += 1;
        valve.move_token += 1;
        let (timer, token) = (valve.timer_token, valve.move_token);
        let takes = if on { valve.plan.opens_in } else { valve.plan.closes_in };
        let stands = valve.open == on;
        if let Some(limit) = limit {
            self.plan(now + limit, Event::TimerEnds { valve: number, token: timer });
        }
        self.plan(now + takes, Event::Moves { valve: number, opens: on, token });
        self.report(number, Reports::Relay, on);
        if stands {
            // One that is told to stand as it stands says so.
            self.report(number, Reports::Position, on);
        }
    }

    pub(super) fn timer_ends(&mut self, number: usize, token: u32) {
        if self.valves.get(number).is_some_and(|valve| valve.timer_token == token) {
            self.switch(number, false, None);
        }
    }

    pub(super) fn valve_moves(&mut self, number: usize, opens: bool, token: u32) {
        let Some(valve) = self.valves.get(number) else { return };
        let is_held = if opens { valve.stuck_closed } else { valve.stuck_open };
        if valve.move_token == token && valve.open != opens && !is_held {
            self.swing(number, opens);
        }
    }

    fn swing(&mut self, number: usize, opens: bool) {
        let all = self.with_those_it_masters(number);
        for valve in &all {
            self.settle(*valve);
        }
        let Some(valve) = self.valves.get_mut(number) else { return };
        if opens {
            let tank = valve.plan.supply.and_then(|supply| self.tanks.get_mut(supply));
            valve.swing_open(tank);
            self.note(Deed::ValveOpened { valve: number });
        } else {
            let grams = valve.swing_shut();
            self.note(Deed::ValveClosed { valve: number, grams });
        }
        for valve in all {
            self.set_flow(valve);
        }
        self.report(number, Reports::Position, opens);
    }

    fn report(&mut self, number: usize, kind: Reports, open: bool) {
        let now = self.now;
        if let Some(valve) = self.valves.get_mut(number)
            && valve.plan.reports == kind
            && valve.hears(now)
        {
            let report = Message::Report { valve: number, open, retained: false };
            if self.post.send_for_sure(&mut valve.line, now, report) {
                valve.reported = Some(open);
            }
        }
    }

    pub(super) fn powered(&mut self, number: usize) {
        let Some(valve) = self.valves.get(number) else { return };
        let (kind, open) = match valve.plan.reports {
            Reports::Position => (Reports::Position, valve.open),
            kind => (kind, false),
        };
        self.report(number, kind, open);
    }

    pub(super) fn mishap(&mut self, number: usize, mishap: Mishap) -> bool {
        let now = self.now;
        if number >= self.valves.len() {
            return false;
        }
        self.note(Deed::Valve { valve: number, mishap });
        self.settle(number);
        let Some(valve) = self.valves.get_mut(number) else { return false };
        match mishap {
            Mishap::StuckOpen => valve.stuck_open = true,
            Mishap::StuckClosed => valve.stuck_closed = true,
            Mishap::Clogged { passes } => valve.passes = passes,
            Mishap::Leaks { share } => valve.leaks = share,
            Mishap::Unreachable { lasts } => valve.unreachable = Some(now + lasts),
            Mishap::OpenedByOther { timer } => self.obey(number, ValveOrder::Open { timer }),
            Mishap::Mended => self.mend(number),
            Mishap::PowerCut { lasts } => {
                valve.unpowered = Some(now + lasts);
                self.switch(number, false, None);
                self.plan(now + lasts, Event::Powered(number));
            }
        }
        self.set_flow(number);
        true
    }

    /// Everything that was wrong is right again, and it stands as its relay says.
    fn mend(&mut self, number: usize) {
        let Some(valve) = self.valves.get_mut(number) else { return };
        (valve.stuck_open, valve.stuck_closed, valve.leaks, valve.passes) = (false, false, 0.0, 1.0);
        (valve.unreachable, valve.unpowered) = (None, None);
        if valve.open != valve.relay {
            let opens = valve.relay;
            self.swing(number, opens);
        }
    }

    pub(super) fn refill(&mut self, supply: usize, to: Option<f64>) -> bool {
        for valve in 0..self.valves.len() {
            if self.valves.get(valve).is_some_and(|valve| valve.plan.supply == Some(supply)) {
                self.settle(valve);
            }
        }
        let Some(tank) = self.tanks.get_mut(supply) else { return false };
        tank.level = to.unwrap_or(tank.plan.holds).clamp(0.0, tank.plan.holds);
        let level = tank.level;
        self.note(Deed::Refilled { supply, level });
        true
    }

    pub(super) fn is_on_a_stand(&self, flat: usize) -> Option<usize> {
        match self.flats.get(flat)?.place {
            Place::Stand(stand) => Some(stand),
            Place::Bench | Place::Sink => None,
        }
    }
}
