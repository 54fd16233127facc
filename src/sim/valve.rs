//! A valve, its hose and its device.

use super::act::ValveOrder;
use super::numbers::exp;
use super::plan::{Onto, SupplyPlan, Timer, ValvePlan};
use super::random::{For, Random};
use super::time::SimTime;
use crate::moment::Span;

/// Less than this in a hose stays there, g.
const CLINGS: f64 = 0.02;

/// What a valve is in truth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ValveTruth {
    /// Whether its device has it under current.
    pub relay: bool,
    /// Whether it is open.
    pub open: bool,
    /// What comes through it, g/s.
    pub flow: f64,
    /// What has ever come out of its hose, g.
    pub poured: f64,
    /// What of that hit no flat, g.
    pub spilled: f64,
    /// What its hose holds, g.
    pub hose: f64,
}

#[derive(Debug, Clone)]
pub(super) struct Valve {
    pub plan: ValvePlan,
    pub relay: bool,
    pub open: bool,
    pub stuck_open: bool,
    pub stuck_closed: bool,
    pub leaks: f64,
    pub passes: f64,
    pub unreachable: Option<SimTime>,
    pub unpowered: Option<SimTime>,
    /// Makes older moves and timers void.
    pub move_token: u32,
    pub timer_token: u32,
    pub is_ticking: bool,
    /// What the broker keeps of its reports.
    pub reported: Option<bool>,
    pub spilled: f64,
    /// Of all that came out of the hose, how much each feed has handed on.
    pub handed_on: Vec<f64>,
    pub line: Random,
    random: Random,
    /// What follows holds from this time on.
    pub at: SimTime,
    flow: f64,
    hose: f64,
    poured: f64,
    opened_with: f64,
    /// Of this opening.
    strength: f64,
}

impl Valve {
    pub fn new(plan: ValvePlan, seed: u64, place: usize, start: SimTime) -> Self {
        Self {
            relay: false,
            open: false,
            stuck_open: false,
            stuck_closed: false,
            leaks: 0.0,
            passes: 1.0,
            unreachable: None,
            unpowered: None,
            move_token: 0,
            timer_token: 0,
            is_ticking: false,
            reported: None,
            spilled: 0.0,
            handed_on: vec![0.0; plan.feeds.len()],
            line: Random::stream(seed, For::ValveLine, place),
            random: Random::stream(seed, For::Valve, place),
            at: start,
            flow: 0.0,
            hose: 0.0,
            poured: 0.0,
            opened_with: 0.0,
            strength: 1.0,
            plan,
        }
    }

    pub fn truth(&self, now: SimTime) -> ValveTruth {
        let (poured, spilled) = (self.poured_at(now), self.spilled);
        ValveTruth { relay: self.relay, open: self.open, flow: self.flow, poured, spilled, hose: self.hose_at(now) }
    }

    /// Whether water comes out of its hose.
    pub fn runs(&self) -> bool {
        self.open || self.flow > 0.0 || self.hose > CLINGS
    }

    pub fn hears(&self, now: SimTime) -> bool {
        self.unreachable.is_none_or(|until| now >= until) && self.unpowered.is_none_or(|until| now >= until)
    }

    /// How long the device lets it be open after that order.
    pub fn limit(&self, order: ValveOrder) -> Option<Span> {
        let ValveOrder::Open { timer } = order else { return None };
        match self.plan.timer {
            Timer::None => None,
            Timer::Ordered => timer,
            Timer::AtMost(most) => Some(timer.map_or(most, |timer| timer.min(most))),
        }
    }

    fn hose_at(&self, now: SimTime) -> f64 {
        if self.open || self.hose <= CLINGS {
            return self.hose;
        }
        self.hose * exp(-now.after(self.at) / self.plan.hose_empties_in)
    }

    /// All that has come out of its hose by then, at or after `self.at`.
    pub fn poured_at(&self, now: SimTime) -> f64 {
        self.poured + self.flow * now.after(self.at) + (self.hose - self.hose_at(now))
    }

    /// Goes on to `now`, drawing on the tank.
    pub fn pass(&mut self, now: SimTime, tank: Option<&mut Tank>) {
        let seconds = now.after(self.at);
        let (poured, hose) = (self.poured_at(now), self.hose_at(now));
        if let Some(tank) = tank {
            tank.level = (tank.level - self.flow * seconds).max(0.0);
        }
        (self.poured, self.hose, self.at) = (poured, hose, now);
    }

    /// What flows from now on, for at most `tick`.
    pub fn set_flow(&mut self, tank: Option<&Tank>, master_open: bool, tick: Span) {
        let nominal: f64 = self.plan.feeds.iter().map(|feed| feed.flow).sum();
        let share = if self.open && !self.stuck_closed { self.strength } else { self.leaks };
        let head = tank.map_or(1.0, |tank| (tank.level / tank.plan.holds).max(0.0).sqrt());
        let flow = if master_open { nominal * share * self.passes * head } else { 0.0 };
        self.flow = tank.map_or(flow, |tank| flow.min(tank.level / tick.as_seconds()));
    }

    /// Swings open: the hose fills at once, and this opening has a strength of its own.
    pub fn swing_open(&mut self, tank: Option<&mut Tank>) {
        self.open = true;
        self.strength = (1.0 + self.plan.spread * self.random.normal()).max(0.0);
        self.opened_with = self.poured;
        if self.plan.feeds.is_empty() {
            return;
        }
        let wanted = (self.plan.hose - self.hose).max(0.0);
        self.hose += match tank {
            None => wanted,
            Some(tank) => {
                let drawn = wanted.min(tank.level);
                tank.level -= drawn;
                drawn
            }
        };
    }

    /// Swings shut; gives what has come out since it opened.
    pub fn swing_shut(&mut self) -> f64 {
        self.open = false;
        self.poured - self.opened_with
    }

    /// What of `poured` is for that feed, and onto what it falls; the feed has then handed it on.
    pub fn hand_on(&mut self, feed: usize, poured: f64) -> Option<(Onto, f64, bool)> {
        let nominal: f64 = self.plan.feeds.iter().map(|feed| feed.flow).sum();
        let (plan, handed) = (self.plan.feeds.get(feed)?, self.handed_on.get_mut(feed)?);
        let grams = (poured - *handed) * plan.flow / nominal;
        *handed = poured;
        Some((plan.onto, grams, plan.below))
    }
}

#[derive(Debug, Clone, Copy)]
pub(super) struct Tank {
    pub plan: SupplyPlan,
    pub level: f64,
}
