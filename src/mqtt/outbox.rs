//! What waits to be sent, and what waits to be acknowledged. No I/O.

use super::outgoing::{Delivery, Outgoing, Published, Unsendable};
use std::collections::{BTreeMap, HashMap, VecDeque};
use std::time::{Duration, Instant};

/// So many events are kept; beyond it the oldest fall out.
const EVENTS: usize = 1_000;
/// So many messages to be sent once may wait; beyond it new ones are not taken.
const ONCE: usize = 1_000;
/// So many messages may lie between us and the network. Few, so that states wait here, where they can be replaced.
const HANDED: usize = 16;

/// What the broker of the present connection allows (CONNACK properties, MQTT 5.0 section 3.2.2.3).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Limits {
    pub(super) packet: usize,
    pub(super) qos1: bool,
    pub(super) retain: bool,
}

/// What is to be put on the wire.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Send {
    pub(super) message: Outgoing,
    pub(super) qos1: bool,
    pub(super) retain: bool,
}

#[derive(Debug)]
enum Next {
    State(String),
    Event(u64),
    Once(Outgoing),
}

/// A message of QoS 1 on its way.
#[derive(Debug)]
struct OnItsWay {
    topic: String,
    event: Option<u64>,
}

/// Everything that is to be published.
#[derive(Debug, Default)]
pub(super) struct Outbox {
    limits: Option<Limits>,
    /// Orders, with the time they were given; they go before all that is next.
    orders: VecDeque<(Outgoing, Instant)>,
    next: VecDeque<Next>,
    states: HashMap<String, Outgoing>,
    once: usize,
    events: BTreeMap<u64, Outgoing>,
    last_event: u64,
    handed: usize,
    without_id: VecDeque<OnItsWay>,
    with_id: HashMap<u16, OnItsWay>,
    dropped: u64,
    refused: Vec<(String, String)>,
}

impl Outbox {
    /// Takes a message in.
    pub(super) fn put(&mut self, message: Outgoing) -> Published {
        if let Err(why) = message.check() {
            return Published::Refused(why);
        }
        match message.delivery {
            Delivery::Event => self.put_event(message),
            _ if self.limits.is_none() => Published::Down,
            Delivery::State { .. } => self.put_state(message),
            Delivery::Once { .. } => self.put_once(message),
            Delivery::Order => self.put_order(message),
        }
    }

    fn put_order(&mut self, message: Outgoing) -> Published {
        if self.orders.len() >= ONCE {
            return Published::Down;
        }
        self.orders.push_back((message, Instant::now()));
        Published::Queued
    }

    fn put_state(&mut self, message: Outgoing) -> Published {
        let topic = message.topic.clone();
        // One that waits keeps its place, so that a busy topic does not starve for being replaced again and again.
        if self.states.insert(topic.clone(), message).is_none() {
            self.next.push_back(Next::State(topic));
        }
        Published::Queued
    }

    fn put_event(&mut self, message: Outgoing) -> Published {
        self.last_event += 1;
        self.events.insert(self.last_event, message);
        if self.events.len() > EVENTS {
            self.events.pop_first();
            self.dropped += 1;
        }
        if self.limits.is_none() {
            return Published::Kept;
        }
        self.next.push_back(Next::Event(self.last_event));
        Published::Queued
    }

    fn put_once(&mut self, message: Outgoing) -> Published {
        if self.once >= ONCE {
            self.dropped += 1;
            return Published::Down;
        }
        self.once += 1;
        self.next.push_back(Next::Once(message));
        Published::Queued
    }

    /// The connection stands: events that were never acknowledged go first.
    pub(super) fn up(&mut self, limits: Limits) {
        self.down();
        self.limits = Some(limits);
        self.next.extend(self.events.keys().copied().map(Next::Event));
    }

    /// The connection is lost, and with it all but the events.
    pub(super) fn down(&mut self) {
        self.limits = None;
        self.orders.clear();
        self.next.clear();
        self.states.clear();
        self.once = 0;
        self.handed = 0;
        self.without_id.clear();
        self.with_id.clear();
    }

    pub(super) const fn is_up(&self) -> bool {
        self.limits.is_some()
    }

    /// How many messages wait to be sent.
    pub(super) fn waiting(&self) -> usize {
        self.orders.len() + self.next.len()
    }

    /// Nothing waits to be sent or, of QoS 1, to be acknowledged.
    pub(super) fn is_drained(&self) -> bool {
        self.waiting() == 0 && self.handed == 0 && self.without_id.is_empty() && self.with_id.is_empty()
    }

    /// The next to put on the wire, if the connection takes one now. It must then be put there.
    pub(super) fn take(&mut self) -> Option<Send> {
        let limits = self.limits?;
        while self.handed < HANDED {
            let (message, event) = match self.take_order() {
                Some(order) => (order, None),
                None => match self.take_next()? {
                    Some(next) => next,
                    None => continue,
                },
            };
            if message.size() > limits.packet {
                // Sent, it would end this connection, and the next one.
                event.map(|id| self.events.remove(&id));
                self.refused.push((message.topic, Unsendable::TooLarge.to_string()));
                continue;
            }
            return Some(self.hand(message, event, limits));
        }
        None
    }

    /// The next order that is still worth sending.
    fn take_order(&mut self) -> Option<Outgoing> {
        while let Some((order, given)) = self.orders.pop_front() {
            let expired = |seconds| given.elapsed() >= Duration::from_secs(u64::from(seconds));
            if !order.expiry_s.is_some_and(expired) {
                return Some(order);
            }
            self.refused.push((order.topic, Unsendable::TooLate.to_string()));
        }
        None
    }

    /// The next of the rest with the number of its event; inside, `None` for one that is gone meanwhile.
    fn take_next(&mut self) -> Option<Option<(Outgoing, Option<u64>)>> {
        Some(match self.next.pop_front()? {
            Next::State(topic) => self.states.remove(&topic).map(|message| (message, None)),
            Next::Once(message) => {
                self.once -= 1;
                Some((message, None))
            }
            Next::Event(id) => self.events.get(&id).map(|message| (message.clone(), Some(id))),
        })
    }

    fn hand(&mut self, message: Outgoing, event: Option<u64>, limits: Limits) -> Send {
        let qos1 = message.qos1() && limits.qos1;
        let retain = message.retain() && limits.retain;
        self.handed += 1;
        if qos1 {
            self.without_id.push_back(OnItsWay { topic: message.topic.clone(), event });
        } else {
            // No acknowledgement will come.
            event.map(|id| self.events.remove(&id));
        }
        Send { message, qos1, retain }
    }

    /// The oldest handed message went out, with this packet id; 0 for QoS 0.
    pub(super) fn sent(&mut self, packet_id: u16) {
        self.handed = self.handed.saturating_sub(1);
        if packet_id != 0
            && let Some(message) = self.without_id.pop_front()
        {
            self.with_id.insert(packet_id, message);
        }
    }

    /// The broker took the message of this packet id, or refused it with this reason. A refused event is not sent again.
    pub(super) fn acknowledged(&mut self, packet_id: u16, refusal: Option<String>) {
        let Some(message) = self.with_id.remove(&packet_id) else { return };
        message.event.map(|id| self.events.remove(&id));
        if let Some(reason) = refusal {
            self.refused.push((message.topic, reason));
        }
    }

    /// What fell out since last asked.
    pub(super) const fn take_dropped(&mut self) -> u64 {
        std::mem::replace(&mut self.dropped, 0)
    }

    /// What was refused since last asked: topic and reason.
    pub(super) fn take_refused(&mut self) -> Vec<(String, String)> {
        std::mem::take(&mut self.refused)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LIMITS: Limits = Limits { packet: 1_000, qos1: true, retain: true };

    fn state(topic: &str, payload: &str) -> Outgoing {
        Outgoing::new(topic, payload, Delivery::State { qos1: false })
    }

    fn event(payload: &str) -> Outgoing {
        Outgoing::new("events", payload, Delivery::Event)
    }

    fn once(payload: &str) -> Outgoing {
        Outgoing::new("answers", payload, Delivery::Once { qos1: true })
    }

    fn up() -> Outbox {
        let mut outbox = Outbox::default();
        outbox.up(LIMITS);
        outbox
    }

    /// Takes all there is; each goes out at once, those of QoS 1 with the ids from `id` on.
    fn drain(outbox: &mut Outbox, mut id: u16) -> Vec<String> {
        let mut payloads = Vec::new();
        while let Some(send) = outbox.take() {
            outbox.sent(if send.qos1 { id } else { 0 });
            id += u16::from(send.qos1);
            payloads.push(String::from_utf8(send.message.payload).unwrap());
        }
        payloads
    }

    #[test]
    fn a_newer_state_replaces_one_that_waits_and_keeps_its_place() {
        let mut outbox = up();
        for (topic, payload) in [("a", "a1"), ("b", "b1"), ("a", "a2"), ("a", "a3")] {
            assert_eq!(outbox.put(state(topic, payload)), Published::Queued);
        }
        assert_eq!(drain(&mut outbox, 1), ["a3", "b1"]);
        assert!(outbox.is_drained());
        outbox.put(state("a", "a4"));
        assert_eq!(drain(&mut outbox, 1), ["a4"]);
    }

    #[test]
    fn only_a_few_lie_between_us_and_the_network() {
        let mut outbox = up();
        for n in 0..100 {
            outbox.put(state(&format!("t{n}"), "x"));
        }
        let taken = std::iter::from_fn(|| outbox.take()).count();
        assert_eq!(taken, HANDED);
        outbox.sent(0);
        assert!(outbox.take().is_some());
        assert!(outbox.take().is_none());
    }

    #[test]
    fn without_a_connection_only_events_are_kept() {
        let mut outbox = Outbox::default();
        assert_eq!(outbox.put(state("a", "old")), Published::Down);
        assert_eq!(outbox.put(once("order")), Published::Down);
        assert_eq!(outbox.put(event("e1")), Published::Kept);
        outbox.up(LIMITS);
        assert_eq!(drain(&mut outbox, 1), ["e1"]);
    }

    #[test]
    fn what_waited_on_a_lost_connection_is_thrown_away_but_for_events() {
        let mut outbox = up();
        outbox.put(once("order"));
        outbox.put(state("a", "a1"));
        outbox.put(event("e1"));
        outbox.down();
        outbox.up(LIMITS);
        assert_eq!(drain(&mut outbox, 1), ["e1"]);
    }

    #[test]
    fn an_order_goes_first_and_not_at_all_when_it_has_waited_too_long() {
        let order = |payload: &str, expiry_s| Outgoing { expiry_s, ..Outgoing::new("valve", payload, Delivery::Order) };
        let mut outbox = Outbox::default();
        assert_eq!(outbox.put(order("open", Some(3))), Published::Down);
        outbox.up(LIMITS);
        outbox.put(state("a", "a1"));
        outbox.put(order("late", Some(0)));
        outbox.put(order("open", Some(3)));
        outbox.put(order("close", None));
        assert_eq!((outbox.waiting(), outbox.is_drained()), (4, false));
        assert_eq!(drain(&mut outbox, 1), ["open", "close", "a1"]);
        assert_eq!(outbox.take_refused(), [("valve".to_owned(), Unsendable::TooLate.to_string())]);
        outbox.put(order("open", Some(3)));
        outbox.down();
        outbox.up(LIMITS);
        assert!(outbox.take().is_none(), "an order does not outlive its connection");
    }

    #[test]
    fn an_event_is_sent_again_until_it_is_acknowledged() {
        let mut outbox = up();
        outbox.put(event("e1"));
        outbox.put(event("e2"));
        assert_eq!(drain(&mut outbox, 7), ["e1", "e2"]);
        outbox.acknowledged(7, None);
        assert!(!outbox.is_drained());
        outbox.up(LIMITS);
        assert_eq!(drain(&mut outbox, 1), ["e2"]);
        outbox.acknowledged(1, Some("NotAuthorized".into()));
        outbox.up(LIMITS);
        assert!(drain(&mut outbox, 1).is_empty());
        assert_eq!(outbox.take_refused(), [("events".to_owned(), "NotAuthorized".to_owned())]);
        assert!(outbox.take_refused().is_empty());
    }

    #[test]
    fn ids_follow_the_order_of_sending_among_messages_without_one() {
        let mut outbox = up();
        outbox.put(state("a", "a1"));
        outbox.put(event("e1"));
        outbox.put(state("b", "b1"));
        outbox.put(once("o1"));
        assert_eq!(drain(&mut outbox, 3), ["a1", "e1", "b1", "o1"]);
        outbox.acknowledged(4, Some("QuotaExceeded".into()));
        assert_eq!(outbox.take_refused(), [("answers".to_owned(), "QuotaExceeded".to_owned())]);
        outbox.acknowledged(9, Some("of nobody".into()));
        assert!(outbox.take_refused().is_empty());
    }

    #[test]
    fn the_oldest_events_fall_out_and_are_counted() {
        let mut outbox = Outbox::default();
        for n in 0..EVENTS + 3 {
            outbox.put(event(&n.to_string()));
        }
        assert_eq!(outbox.take_dropped(), 3);
        assert_eq!(outbox.take_dropped(), 0);
        outbox.up(LIMITS);
        assert_eq!(drain(&mut outbox, 1).first().map(String::as_str), Some("3"));
    }

    #[test]
    fn what_the_broker_does_not_take_is_not_sent() {
        let mut outbox = Outbox::default();
        outbox.put(event(&"x".repeat(2_000)));
        outbox.up(LIMITS);
        outbox.put(state("a", &"x".repeat(2_000)));
        assert!(drain(&mut outbox, 1).is_empty());
        assert_eq!(outbox.take_refused().len(), 2);
        outbox.up(LIMITS);
        assert!(outbox.take().is_none());
    }

    #[test]
    fn a_broker_without_qos_1_or_retain_is_not_asked_for_it() {
        let mut outbox = Outbox::default();
        outbox.up(Limits { qos1: false, retain: false, ..LIMITS });
        outbox.put(event("e1"));
        outbox.put(state("a", "a1"));
        let sends: Vec<Send> = std::iter::from_fn(|| outbox.take()).collect();
        assert_eq!(sends.len(), 2);
        assert!(sends.iter().all(|send| !send.qos1 && !send.retain));
        outbox.up(LIMITS);
        assert!(outbox.take().is_none(), "nothing will acknowledge it");
    }
}
