//! What lies between the devices and whoever listens.

use super::plan::NetworkPlan;
use super::random::Random;
use super::sent::{Message, Sent};
use super::time::SimTime;
use crate::moment::Span;
use std::collections::VecDeque;

#[derive(Debug, Clone)]
pub(super) struct Post {
    plan: NetworkPlan,
    is_quiet: bool,
    gone_until: Option<SimTime>,
    /// On their way.
    under_way: Vec<Sent>,
    /// There.
    arrived: VecDeque<Sent>,
}

impl Post {
    pub fn new(plan: NetworkPlan) -> Self {
        let is_quiet =
            plan.loss <= 0.0 && plan.duplicates <= 0.0 && plan.delay <= Span::ZERO && plan.jitter <= Span::ZERO;
        Self { plan, is_quiet, gone_until: None, under_way: Vec::new(), arrived: VecDeque::new() }
    }

    pub fn is_gone(&self, at: SimTime) -> bool {
        self.gone_until.is_some_and(|until| at < until)
    }

    /// Sends from a device; says whether the broker got it.
    pub fn send(&mut self, line: &mut Random, at: SimTime, message: Message) -> bool {
        if self.is_gone(at) {
            return false;
        }
        if self.is_quiet {
            self.under_way.push(Sent { at, message });
            return true;
        }
        let is_lost = line.chance(self.plan.loss);
        let (first, second) = (self.takes(line), self.takes(line));
        let is_doubled = line.chance(self.plan.duplicates);
        if is_lost {
            return false;
        }
        self.under_way.push(Sent { at: at + first, message });
        if is_doubled {
            self.under_way.push(Sent { at: at + first + second, message });
        }
        true
    }

    /// As [`Self::send`], of what a device sends again until the broker has it (QoS 1).
    pub fn send_for_sure(&mut self, line: &mut Random, at: SimTime, message: Message) -> bool {
        if self.is_gone(at) {
            return false;
        }
        let takes = if self.is_quiet { Span::ZERO } else { self.takes(line) };
        self.under_way.push(Sent { at: at + takes, message });
        true
    }

    fn takes(&self, line: &mut Random) -> Span {
        self.plan.delay + Span::from_seconds(line.wait(self.plan.jitter.as_seconds()))
    }

    /// What the connection itself brings, at once.
    pub fn say(&mut self, at: SimTime, message: Message) {
        self.under_way.push(Sent { at, message });
    }

    pub fn lose(&mut self, now: SimTime, until: SimTime) {
        self.gone_until = Some(self.gone_until.map_or(until, |already| already.max(until)));
        self.under_way.retain(|sent| sent.at < now);
        self.say(now, Message::Disconnected);
    }

    /// When the broker will be back, if it is gone.
    pub fn back_at(&self) -> Option<SimTime> {
        self.gone_until
    }

    pub fn come_back(&mut self, now: SimTime) {
        self.gone_until = None;
        self.say(now, Message::Connected);
    }

    /// What has arrived by `now` can be taken.
    pub fn deliver(&mut self, now: SimTime) {
        self.under_way.sort_by_key(|sent| (sent.at, sent.message.rank()));
        let there = self.under_way.partition_point(|sent| sent.at <= now);
        self.arrived.extend(self.under_way.drain(..there));
    }

    /// When the next message arrives.
    pub fn next(&self) -> Option<SimTime> {
        self.under_way.iter().map(|sent| sent.at).min()
    }

    pub fn take(&mut self) -> Option<Sent> {
        self.arrived.pop_front()
    }
}
