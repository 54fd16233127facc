//! The valve itself: orders to it, what it reports, and whether it is known to be closed.

use super::super::{Happening, Opener, Output, Site, Subject, ValveOrder};
use super::kept::Poured;
use crate::alert::Kind;
use crate::moment::{Mono, Span};
use crate::units::{Grams, Millilitres};
use crate::watering::Mode;

/// An order to close is repeated so often, and this many times, also where nothing could answer: an order to open that comes twice, seconds
/// late, must find one behind it (storm, seed 110833: a valve without a timer stayed open for a minute).
const AGAIN: Span = Span::seconds(1);
const ORDERS: u32 = 10;
/// All of them have been sent, and the last could be answered, by then.
const ALL_ORDERS: Span = Span::from_millis(AGAIN.millis() * ORDERS as i64);
/// A report follows an order within this.
const ANSWERS_WITHIN: Span = Span::seconds(5);
/// Without a report, a valve is known closed after so long without gain.
const STILL_FOR: Span = Span::seconds(30);
/// One of which nothing is heard is ordered closed so often.
const ASKED_AGAIN: Span = Span::seconds(60);
/// One that opens so soon after an order of ours has had that order late, or twice.
const OURS: Span = Span::minutes(10);
/// What is under way when it is ordered closed has arrived by then.
const ARRIVES_WITHIN: Span = Span::seconds(5);
/// One that has reported nothing for so long since it was first ordered closed is told of.
const NEVER_HEARD: Span = Span::minutes(30);
/// After the last opening a hose, a tray or a sponge of mix has come to rest by then.
const STILL_ARRIVES: Span = Span::minutes(5);
/// Rising by less than this is noise, g.
const NOISE: f64 = 20.0;

/// What is known of a valve.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) enum Device {
    /// Nothing.
    #[default]
    Unknown,
    /// Ordered open, and no report seen yet.
    Opening { since: Mono },
    /// Open.
    Open { since: Mono, by: Opener },
    /// Ordered closed, and not known to be.
    Closing(Closing),
    /// Closed.
    Closed,
}

/// An order to close that is not confirmed.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Closing {
    since: Mono,
    /// Orders sent.
    orders: u32,
    /// When the next one goes out.
    next: Mono,
    /// Since when it was open, and by whom.
    opened: Option<(Mono, Opener)>,
    /// It has said that it is open since it was ordered closed.
    says_open: bool,
    /// The weights of the fed flats from which the time without gain counts.
    still: Option<(Mono, Vec<Option<Grams>>)>,
}

impl Device {
    /// Whether it is known to be closed.
    pub const fn is_closed(&self) -> bool {
        matches!(self, Self::Closed)
    }
}

impl super::Valve {
    /// Until when an order of ours lets it be open that has not been taken back.
    fn ours_until(&self) -> Option<Mono> {
        let is_ours = matches!(self.device, Device::Opening { .. } | Device::Open { by: Opener::Us, .. });
        self.may_be_open_until.filter(|_| is_ours)
    }
}

impl Site {
    pub(in crate::site) fn valve_link(&mut self, index: usize, up: bool) {
        let Some(valve) = self.valves.get_mut(index) else { return };
        let was = std::mem::replace(&mut valve.link, up);
        if up {
            // What the valve has heard of a lost connection nobody knows.
            self.order_close(index);
        } else if was {
            self.connection_lost(index);
        }
        self.replan_valve(index);
        self.wish_valve(index);
    }

    /// The connection that reports come by is up.
    pub(in crate::site) fn broker_back(&mut self) {
        self.broker = Some(self.now.mono);
    }

    /// Whether it could have answered for so long since it was ordered: not while neither an order nor a report comes through.
    fn could_answer(&self, index: usize, since: Mono, within: Span) -> bool {
        let is_linked = self.valves.get(index).is_some_and(|valve| valve.link);
        self.broker.is_some_and(|up| is_linked && self.now.mono.since(since.max(up)) >= within)
    }

    pub(in crate::site) fn broker_gone(&mut self) {
        self.broker = None;
        for valve in 0..self.valves.len() {
            self.replan_valve(valve);
            self.wish_valve(valve);
        }
    }

    /// A topic that holds the valve has spoken.
    pub(in crate::site) fn hold(&mut self, index: usize, which: usize, holds: bool) {
        let held = self.valves.get_mut(index).and_then(|valve| valve.held.get_mut(which));
        let Some(held) = held else { return };
        if std::mem::replace(held, holds) != holds {
            self.device_wakes(index);
            self.replan_valve(index);
            self.publish_valve(index);
            self.wish_valve(index);
        }
    }

    /// An order that this program has not given.
    pub(in crate::site) fn foreign_order(&mut self, index: usize, closes: bool, retained: bool) {
        if index >= self.valves.len() {
            return;
        }
        if retained {
            self.out.push_back(Output::ClearValve(index));
            self.event(Subject::Valve(index), Happening::RetainedOrderCleared);
            self.order_close(index);
        } else if !self.plan.valves[index].reports && !closes && !self.is_being_opened(index) {
            // Nothing else will tell that it is open.
            self.is_open(index, Opener::Other);
        } else if !self.plan.valves[index].reports && closes {
            self.closed_by_other(index);
        }
        self.replan_valve(index);
        self.wish_valve(index);
    }

    fn is_being_opened(&self, index: usize) -> bool {
        let device = self.valves.get(index).map(|valve| &valve.device);
        matches!(device, Some(Device::Opening { .. } | Device::Open { by: Opener::Us, .. }))
    }

    fn closed_by_other(&mut self, index: usize) {
        if matches!(self.valves[index].device, Device::Open { by: Opener::Other, .. }) {
            self.order_close(index);
        }
    }

    pub(in crate::site) fn valve_report(&mut self, index: usize, open: bool) {
        let now = self.now.mono;
        let Some(valve) = self.valves.get_mut(index) else { return };
        match (&mut valve.device, open) {
            (Device::Opening { .. }, true) => self.is_open(index, Opener::Us),
            (Device::Closing(closing), true) => {
                closing.says_open = true;
                self.shut_off_by_the_master(index);
            }
            (Device::Closing(_), false) => self.is_closed(index),
            (Device::Open { by, .. }, false) => {
                // Its own timer, or somebody, has closed it. The order to open is taken back all the same: it has been wrong before.
                let is_ours = *by == Opener::Us;
                self.closed_early(index);
                self.is_closed(index);
                if is_ours {
                    self.order_close(index);
                }
            }
            (Device::Unknown | Device::Closed, true) => {
                let is_ours = valve.last_open.is_some_and(|last| now.since(last) <= OURS);
                // Of ours too it is no watering: an order that came late, or twice.
                self.is_open(index, Opener::Other);
                if is_ours {
                    self.order_close(index);
                }
            }
            (Device::Unknown, false) => self.valves[index].device = Device::Closed,
            (Device::Opening { .. } | Device::Closed, false) | (Device::Open { .. }, true) => return,
        }
        self.replan_valve(index);
        self.publish_valve(index);
        self.wish_valve(index);
    }

    fn is_open(&mut self, index: usize, by: Opener) {
        let now = self.now.mono;
        let valve = &mut self.valves[index];
        let since = match valve.device {
            Device::Opening { since } => since,
            _ => now,
        };
        valve.device = Device::Open { since, by };
        valve.last_open = Some(now);
        self.event(Subject::Valve(index), Happening::ValveOpened { by });
        self.refresh_scenes_of(index);
    }

    /// It is known to be closed.
    fn is_closed(&mut self, index: usize) {
        let now = self.now;
        let valve = &mut self.valves[index];
        let opened = match &valve.device {
            Device::Open { since, by } => Some((*since, *by)),
            Device::Opening { since } => Some((*since, Opener::Us)),
            Device::Closing(closing) => closing.opened,
            Device::Unknown | Device::Closed => None,
        };
        valve.device = Device::Closed;
        let is_faulty = valve.kept.fault.is_some();
        if let Some((since, by)) = opened {
            let open_for = now.mono.since(since);
            self.event(Subject::Valve(index), Happening::ValveClosed { open_for, by });
            if by == Opener::Other {
                self.foreign_water(index, open_for);
            }
        }
        if !is_faulty {
            self.clear_valve(index, Kind::NoAnswer, "it has reported that it is closed");
        }
        self.close_master_of(index);
        self.refresh_scenes_of(index);
        self.publish_valve(index);
    }

    /// Water that no watering of ours accounts for counts into the day by its time.
    fn foreign_water(&mut self, index: usize, open_for: Span) {
        let at = self.now;
        let kept = &mut self.valves[index].kept;
        let of = |flow: crate::units::Flow| Millilitres::new(flow.get() * open_for.as_seconds());
        let flats: Vec<Millilitres> = kept.ways.iter().map(|way| of(way.fit.flow())).collect();
        let volume = flats.iter().copied().sum();
        kept.write_down(Poured { at, volume, flats: flats.clone() });
        self.owe(index, &flats);
        self.take_from_supply(index, volume);
        self.keep(Subject::Valve(index));
    }

    /// What somebody else lets run at this moment.
    pub(super) fn foreign_so_far(&self, index: usize) -> Millilitres {
        let Some(valve) = self.valves.get(index) else { return Millilitres::ZERO };
        let since = match &valve.device {
            Device::Open { since, by: Opener::Other } => Some(*since),
            Device::Closing(closing) => closing.opened.filter(|(_, by)| *by == Opener::Other).map(|(since, _)| since),
            _ => None,
        };
        let seconds = since.map_or(0.0, |since| self.now.mono.since(since).as_seconds());
        Millilitres::new(valve.kept.flow().get() * seconds)
    }

    // ---- orders

    /// Orders it open. Whoever calls has asked the guard and written the journal.
    pub(super) fn order_open(&mut self, index: usize, seconds: u32) {
        let now = self.now.mono;
        let valve = &mut self.valves[index];
        valve.device = Device::Opening { since: now };
        valve.last_open = Some(now);
        valve.may_be_open_until = Some(now + Span::seconds(i64::from(seconds)));
        self.out.push_back(Output::Valve(index, ValveOrder::Open { seconds }));
        if !self.plan.valves[index].reports {
            self.is_open(index, Opener::Us);
        }
        self.refresh_scenes_of(index);
        self.publish_valve(index);
    }

    /// Orders it closed, and again until that is known.
    pub(super) fn order_close(&mut self, index: usize) {
        let now = self.now.mono;
        let reports = self.plan.valves[index].reports;
        let nothing = vec![None; self.plan.valves[index].feeds.len()];
        let valve = &mut self.valves[index];
        let opened = match &valve.device {
            Device::Opening { since } => Some((*since, Opener::Us)),
            Device::Open { since, by } => Some((*since, *by)),
            Device::Closing(closing) => closing.opened,
            Device::Unknown | Device::Closed => None,
        };
        let says_open = matches!(&valve.device, Device::Closing(closing) if closing.says_open);
        // One that has said it is closed may say nothing more when it is told to close.
        let stays_known = reports && valve.device.is_closed();
        if !stays_known {
            let still = (!reports).then_some((now, nothing));
            valve.device =
                Device::Closing(Closing { since: now, orders: 1, next: now + AGAIN, opened, says_open, still });
        }
        self.out.push_back(Output::Valve(index, ValveOrder::Close));
        self.agenda.wish(Subject::Valve(index), now + AGAIN);
    }

    /// What the fed flats weigh, and when that was heard.
    fn weights_under(&self, index: usize) -> Vec<Option<(Mono, Grams)>> {
        let of = |feed: &crate::watering::Feed| {
            let flat = self.flats.get(feed.flat).filter(|flat| flat.on_stand)?;
            let stand = &self.stands.get(flat.stand?)?.stand;
            Some((stand.heard_at()?.mono, stand.live()?))
        };
        self.plan.valves[index].feeds.iter().map(of).collect()
    }

    /// Orders to close that are to be repeated, reports that do not come, valves that are left open by others.
    pub(super) fn device_wakes(&mut self, index: usize) {
        let now = self.now.mono;
        self.close_when_its_time_is_over(index);
        let Some(valve) = self.valves.get_mut(index) else { return };
        match &mut valve.device {
            Device::Opening { since } if now.since(*since) >= ANSWERS_WITHIN => {
                let since = *since;
                if self.could_answer(index, since, ANSWERS_WITHIN) {
                    self.lock(index, Kind::NoAnswer, "it was ordered open and has not reported that it is".to_owned());
                }
                self.stop_run(index, crate::watering::Ended::Fault);
                // A master has no watering of its own that would close it.
                if matches!(self.valves[index].device, Device::Opening { .. }) {
                    self.order_close(index);
                }
            }
            Device::Closing(_) => self.closing_wakes(index),
            Device::Open { since, by: Opener::Other } => {
                let open_for = now.since(*since);
                let most = self.plan.valves[index].max_run;
                let is_ours_to_close = self.plan.valves[index].mode != Mode::Advise;
                let is_held = valve.held.iter().any(|held| *held);
                let is_enough = is_held || most.is_some_and(|most| open_for > most) || self.is_a_fed_flat_full(index);
                if is_ours_to_close && is_enough {
                    self.order_close(index);
                }
            }
            _ => {}
        }
    }

    /// No order of ours stands for longer than it says, whatever has become of the watering it was for. That of a master has none.
    fn close_when_its_time_is_over(&mut self, index: usize) {
        let Some(valve) = self.valves.get(index) else { return };
        let is_over = valve.ours_until().is_some_and(|until| self.now.mono >= until);
        if !is_over {
            return;
        }
        self.close_if_open(index);
        if self.valves[index].ours_until().is_some() {
            self.order_close(index);
        }
    }

    fn is_a_fed_flat_full(&self, index: usize) -> bool {
        let full =
            |flat: &super::super::flats::Flat| flat.fraction.is_some_and(|fraction| fraction >= flat.limits.high);
        self.plan.valves[index].feeds.iter().any(|feed| self.flats.get(feed.flat).is_some_and(full))
    }

    /// One that says it is open after it was ordered closed, or nothing for a second, is closed by the master before anything else is known:
    /// water runs meanwhile.
    fn shut_off_by_the_master(&mut self, index: usize) {
        let Some(Device::Closing(closing)) = self.valves.get(index).map(|valve| &valve.device) else { return };
        if self.plan.valves[index].reports && self.now.mono.since(closing.since) >= AGAIN {
            self.close_master_of(index);
        }
    }

    fn closing_wakes(&mut self, index: usize) {
        let now = self.now.mono;
        let reports = self.plan.valves[index].reports;
        if !reports {
            self.watch_for_stillness(index);
        }
        let Some(valve) = self.valves.get_mut(index) else { return };
        let Device::Closing(closing) = &mut valve.device else { return };
        let (was_open, waited) = (closing.opened.is_some(), now.since(closing.since));
        if now >= closing.next {
            closing.orders += 1;
            closing.next = now + if closing.orders < ORDERS { AGAIN } else { ASKED_AGAIN };
            self.out.push_back(Output::Valve(index, ValveOrder::Close));
            self.shut_off_by_the_master(index);
        }
        let Some(Device::Closing(closing)) = self.valves.get(index).map(|valve| &valve.device) else { return };
        if !reports || waited < ANSWERS_WITHIN {
            return;
        }
        let (since, says_open) = (closing.since, closing.says_open);
        let exhausted = waited >= ALL_ORDERS;
        if says_open && exhausted {
            self.stays_open(index, "it was ordered closed ten times and goes on saying that it is open".to_owned());
        } else if was_open && !says_open && self.could_answer(index, since, ANSWERS_WITHIN) {
            self.lock(index, Kind::NoAnswer, "it was ordered closed and has not reported that it is".to_owned());
            self.close_master_of(index);
        } else if !was_open && !says_open && self.could_answer(index, since, NEVER_HEARD) {
            self.never_heard(index);
        }
    }

    /// A valve without a report is known closed once the flats have not gained for a while.
    fn watch_for_stillness(&mut self, index: usize) {
        let now = self.now.mono;
        let weights = self.weights_under(index);
        let in_flight: f64 = self.valves[index].kept.ways.iter().map(|way| way.in_flight.get()).sum();
        let valve_is_linked = self.valves[index].link;
        let longest = self.plan.valves[index].max_run.unwrap_or(Span::ZERO);
        let looked_at = self.last_looked_at(index);
        let Some(Device::Closing(closing)) = self.valves.get_mut(index).map(|valve| &mut valve.device) else { return };
        let Some((since, before)) = &mut closing.still else { return };
        let arrived = closing.since + ARRIVES_WITHIN;
        let mut gained = false;
        for (before, (heard, weight)) in before.iter_mut().zip(weights).filter_map(|(before, now)| Some((before, now?)))
        {
            // A reading from before, of a slow stand, has not seen all of what was poured.
            if heard < arrived {
                continue;
            }
            let is_more = before.is_some_and(|before| (weight - before).get() > NOISE + in_flight);
            if is_more || before.is_none() {
                *before = Some(weight);
            }
            gained |= is_more;
        }
        if gained {
            *since = now;
            // The orders have gone out long ago, and were heard by a broker.
            if valve_is_linked && closing.opened.is_some() && now.since(closing.since) >= STILL_FOR {
                self.stays_open(index, "it was ordered closed, and the flats go on gaining".to_owned());
            }
            return;
        }
        // That nobody looked is no stillness.
        let is_seen = match (looked_at, closing.opened) {
            (Some(at), _) => at > *since,
            (None, Some((opened, _))) => now.since(opened) >= longest + STILL_FOR,
            (None, None) => true,
        };
        if is_seen && now.since(*since) >= STILL_FOR {
            self.is_closed(index);
        }
    }

    /// When all of the fed flats that are weighed had last been read; `None` where none is.
    fn last_looked_at(&self, index: usize) -> Option<Mono> {
        let of = |feed: &crate::watering::Feed| {
            let stand = &self.stands.get(self.flats.get(feed.flat)?.stand?)?.stand;
            stand.reading_at().map(|at| at.mono)
        };
        self.plan.valves[index].feeds.iter().filter_map(of).min()
    }

    /// When the valve wants to be looked at again.
    pub(super) fn wish_valve(&mut self, index: usize) {
        let Some(valve) = self.valves.get(index) else { return };
        let now = self.now.mono;
        let device = match &valve.device {
            Device::Opening { since } => Some(*since + ANSWERS_WITHIN),
            Device::Closing(closing) => {
                let (answer, all) = (closing.since + ANSWERS_WITHIN, closing.since + ALL_ORDERS);
                let still = closing.still.as_ref().map(|(since, _)| *since + STILL_FOR);
                [Some(closing.next), Some(answer), Some(all), still]
                    .into_iter()
                    .flatten()
                    .filter(|at| *at > now || *at == closing.next)
                    .min()
            }
            Device::Open { by: Opener::Other, .. } => Some(now + Span::seconds(10)),
            Device::Unknown | Device::Open { .. } | Device::Closed => None,
        };
        let run = valve.run.as_ref().and_then(|run| run.next_wake(now));
        let due = valve.due_since.map(|since| since + super::unattended::DUE_FOR).filter(|at| *at > now);
        let ours = valve.ours_until();
        let drawn_up = self.uptake_until(index);
        let hours = self.hours_begin(index).filter(|at| *at > now);
        let paused = self.paused_until.filter(|until| *until > now);
        if let Some(at) = [device, run, due, ours, drawn_up, hours, paused].into_iter().flatten().min() {
            self.agenda.wish(Subject::Valve(index), at.max(now + Span::from_millis(1)));
        }
    }

    /// Why it is not known to be closed; `None` if it is.
    pub(super) fn not_closed(&self, index: usize) -> Option<String> {
        let valve = self.valves.get(index)?;
        Some(match &valve.device {
            Device::Closed => return None,
            Device::Unknown => "nothing has been heard of it yet".to_owned(),
            Device::Opening { .. } => "it is opening".to_owned(),
            Device::Open { by: Opener::Us, .. } => "it is open".to_owned(),
            Device::Open { by: Opener::Other, .. } => "somebody else has opened it".to_owned(),
            Device::Closing(_) if self.plan.valves[index].reports => {
                "it was ordered closed and has not reported that it is".to_owned()
            }
            Device::Closing(_) => {
                "30 s without gain after the order to close are not over, or nobody has weighed".to_owned()
            }
        })
    }

    /// The word of the contract.
    pub(super) fn shown_state(&self, index: usize) -> &'static str {
        let Some(valve) = self.valves.get(index) else { return "unknown" };
        let is_advised = self.plan.valves[index].mode == Mode::Advise;
        match &valve.device {
            Device::Open { .. } => "open",
            Device::Closed => "closed",
            // Nothing is sent to it, and nothing is known against it.
            Device::Unknown if is_advised && !self.plan.valves[index].reports => "closed",
            _ => "unknown",
        }
    }

    /// What a stand has to know of its flat's valve.
    pub(in crate::site) fn has_water_coming(&self, flat: usize) -> bool {
        self.valve_of(flat).and_then(|valve| self.valves.get(valve)).is_some_and(|valve| {
            let is_open = matches!(valve.device, Device::Opening { .. } | Device::Open { .. } | Device::Closing(_));
            (is_open && valve.last_open.is_some()) || valve.run.is_some()
        })
    }

    /// Whether somebody else has its valve open.
    pub(in crate::site) fn is_opened_by_another(&self, flat: usize) -> bool {
        let valve = self.valve_of(flat).and_then(|valve| self.valves.get(valve));
        valve.is_some_and(|valve| match &valve.device {
            Device::Open { by: Opener::Other, .. } => true,
            Device::Closing(closing) => closing.says_open || closing.opened.is_some_and(|(_, by)| by == Opener::Other),
            _ => false,
        })
    }

    /// Whether its valve is open, or was since then or a little before.
    pub(in crate::site) fn has_had_water(&self, flat: usize, since: Mono) -> bool {
        let last = self.valve_of(flat).and_then(|valve| self.valves.get(valve)?.last_open);
        self.has_water_coming(flat) || last.is_some_and(|last| since.since(last) < STILL_ARRIVES)
    }

    fn refresh_scenes_of(&mut self, index: usize) {
        let plan = self.plan.clone();
        for feed in &plan.valves[index].feeds {
            if let Some(stand) = self.flats.get(feed.flat).and_then(|flat| flat.stand) {
                self.refresh_scene(stand);
            }
        }
    }
}
