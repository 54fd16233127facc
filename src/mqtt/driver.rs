//! The task that owns the connection.

use super::inbox::Slot;
use super::link::{CHANNEL, Outlet, options, qos};
use super::message::{Heard, Message};
use super::outbox::Limits;
use super::pause::Pauses;
use super::settings::{LARGEST_PACKET, Settings, Subscription};
use super::trouble::Trouble;
use rumqttc::Transport;
use rumqttc::v5::mqttbytes::v5::{ConnAck, Filter, Packet, PubAck, PubAckReason, Publish, SubAck, SubscribeReasonCode};
use rumqttc::v5::{AsyncClient, Event, EventLoop};
use std::future::{Future, poll_fn};
use std::pin::{Pin, pin};
use std::task::Poll;
use std::time::Duration;
use tokio::time::{Instant, sleep, timeout};
use tracing::{debug, warn};

/// So many messages gather at most before they are handed over.
const BATCH: usize = 256;
/// So many filters go into one SUBSCRIBE; a broker may limit its packets.
const FILTERS: usize = 500;
/// Two idle moments closer than this make a busy connection …
const BUSY: Duration = Duration::from_millis(5);
/// … which is left alone for so long, that more than one message is there when it is read again. Reading each as it
/// comes would cost a wake-up and a system call apiece.
const NAP: Duration = Duration::from_millis(2);
/// So many connections closed without a word, each soon after it was made, are put down to a second client of the same
/// id. MQTT 5 has a reason code for it, but not every broker sends it: Mosquitto 2.0.11 and mqtt5 0.49 just close.
const PUSHED_OFF: u32 = 3;

pub(super) struct Driver {
    settings: Settings,
    transport: Transport,
    outlet: Outlet,
    slot: Slot,
    gathered: Vec<Heard>,
    unreadable: u64,
    connection: u64,
    pauses: Pauses,
    refusal_told: bool,
    told: Option<String>,
    bare_closes: u32,
    idle: Instant,
}

/// One connection.
struct Link {
    wire: AsyncClient,
    /// When the broker let us in, and what it allows.
    welcome: Option<(Instant, Limits, bool)>,
    /// Subscriptions answered or on their way.
    asked: std::ops::Range<usize>,
    up_since: Option<Instant>,
    watchdog: Duration,
}

impl Driver {
    pub(super) fn new(settings: Settings, transport: Transport, outlet: Outlet, slot: Slot) -> Self {
        let pauses = Pauses::new(settings.timing.first_pause, settings.timing.longest_pause);
        Self {
            settings,
            transport,
            outlet,
            slot,
            gathered: Vec::new(),
            unreadable: 0,
            connection: 0,
            pauses,
            refusal_told: false,
            told: None,
            bare_closes: 0,
            idle: Instant::now(),
        }
    }

    /// Connects for ever, until asked to leave.
    pub(super) async fn run(mut self) {
        while let Some(trouble) = self.connection().await {
            self.outlet.down();
            let pause = self.pause(&trouble);
            self.tell_down(&trouble, pause);
            sleep(pause).await;
        }
        self.outlet.down();
        self.hand_over();
    }

    /// One connection from beginning to end; `None` when it was left on purpose.
    ///
    /// Client and event loop are new each time, and dropped after any error: no queue, packet id or half-sent packet
    /// of a lost connection survives into the next.
    async fn connection(&mut self) -> Option<Trouble> {
        let (wire, mut events) = AsyncClient::new(options(&self.settings, self.transport.clone()), CHANNEL);
        let mut link = Link { wire, welcome: None, asked: 0..0, up_since: None, watchdog: self.settings.watchdog() };
        let trouble = loop {
            match self.next_event(&mut events, link.watchdog).await {
                // The library says so of its own accord too, on an unknown topic alias, and then sends nothing.
                Ok(Event::Outgoing(rumqttc::Outgoing::Disconnect)) if self.outlet.is_leaving() => return None,
                Ok(event) => self.handle(event, &mut link, &mut events),
                Err(trouble) => break trouble,
            }
            if link.is_stuck() {
                break Trouble::Unanswered;
            }
            if self.gathered.len() >= BATCH {
                self.hand_over();
                self.slot.room().await;
            }
        };
        self.salvage(&mut events);
        Some(self.judge(trouble, &link))
    }

    /// Holds the end of a connection against its age.
    fn judge(&mut self, trouble: Trouble, link: &Link) -> Trouble {
        let settled = link.up_since.map(|since| since.elapsed() >= self.settings.timing.settled_after);
        if settled == Some(true) {
            self.pauses.reset();
        }
        let soon = settled == Some(false) && trouble.is_bare_close();
        self.bare_closes = if soon { self.bare_closes + 1 } else { 0 };
        if self.bare_closes < PUSHED_OFF {
            return trouble;
        }
        self.bare_closes = 0;
        Trouble::PushedOff
    }

    /// The next event of the library.
    ///
    /// Its future is never dropped half-way, which would lose messages: it is polled once, and when it has nothing,
    /// what has gathered is handed over before it is awaited. Only the watchdog drops it, with all the rest: a peer
    /// that stops reading makes the library wait for ever, without a ping.
    async fn next_event(&mut self, events: &mut EventLoop, watchdog: Duration) -> Result<Event, Trouble> {
        let mut event = pin!(events.poll());
        if let Some(ready) = once(event.as_mut()).await {
            return ready.map_err(Trouble::from);
        }
        let busy = self.is_busy();
        self.hand_over();
        self.slot.room().await;
        if busy {
            // The thread, not the task: nothing else runs on it, and asleep it is not woken by each packet.
            std::thread::sleep(NAP);
        }
        match timeout(watchdog, event).await {
            Ok(ready) => ready.map_err(Trouble::from),
            Err(_) => Err(Trouble::Silent(watchdog)),
        }
    }

    fn is_busy(&mut self) -> bool {
        if self.gathered.is_empty() {
            return false;
        }
        let now = Instant::now();
        let before = std::mem::replace(&mut self.idle, now);
        now.duration_since(before) < BUSY
    }

    fn handle(&mut self, event: Event, link: &mut Link, events: &mut EventLoop) {
        match event {
            Event::Incoming(Packet::Publish(publish)) => self.hear(publish),
            Event::Incoming(Packet::ConnAck(ack)) => self.welcome(&ack, link, events),
            Event::Incoming(Packet::SubAck(ack)) => self.subscribed(&ack, link),
            Event::Incoming(Packet::PubAck(ack)) => self.acknowledged(&ack),
            Event::Outgoing(rumqttc::Outgoing::Publish(packet_id)) => self.outlet.sent(packet_id),
            _ => {}
        }
    }

    fn hear(&mut self, publish: Publish) {
        match Message::new(publish) {
            Some(message) => self.gathered.push(Heard::Message(message)),
            None => self.unreadable += 1,
        }
    }

    fn welcome(&mut self, ack: &ConnAck, link: &mut Link, events: &mut EventLoop) {
        let properties = ack.properties.as_ref();
        let limits = Limits {
            packet: properties.and_then(|p| p.max_packet_size).unwrap_or(LARGEST_PACKET) as usize,
            qos1: properties.and_then(|p| p.max_qos) != Some(0),
            retain: properties.and_then(|p| p.retain_available) != Some(0),
        };
        match properties.and_then(|p| p.server_keep_alive) {
            // The library would take it as "ping without a pause"; it means "no pings needed".
            Some(0) => drop(events.options.set_keep_alive(self.settings.keep_alive)),
            Some(seconds) if self.settings.timing.watchdog.is_none() => {
                link.watchdog = Duration::from_secs(u64::from(seconds) * 2 + 5);
            }
            _ => {}
        }
        link.welcome = Some((Instant::now(), limits, ack.session_present));
        self.subscribe(link);
    }

    /// Asks for the next subscriptions, or tells that all is set up. The library never asks again by itself.
    fn subscribe(&mut self, link: &mut Link) {
        let from = link.asked.end;
        let until = self.settings.subscriptions.len().min(from + FILTERS);
        let Some(batch) = self.settings.subscriptions.get(from..until).filter(|batch| !batch.is_empty()) else {
            return self.up(link);
        };
        link.asked = from..until;
        if link.wire.try_subscribe_many(batch.iter().map(filter)).is_err() {
            // Its channel is new and empty, and the filters were checked; the stuck check catches what is left.
            warn!(client_id = self.settings.client_id, "cannot ask for subscriptions");
        }
    }

    fn subscribed(&mut self, ack: &SubAck, link: &mut Link) {
        if link.up_since.is_some() {
            return;
        }
        let batch = self.settings.subscriptions.get(link.asked.clone()).unwrap_or_default();
        for (subscription, code) in batch.iter().zip(&ack.return_codes) {
            if !matches!(code, SubscribeReasonCode::Success(_)) {
                let refused = format!("the broker refused the subscription to {}: {code:?}", subscription.filter);
                warn!(client_id = self.settings.client_id, "{refused}");
                self.gathered.push(Heard::Refused(refused));
            }
        }
        self.subscribe(link);
    }

    fn up(&mut self, link: &mut Link) {
        let Some((_, limits, session_present)) = link.welcome else { return };
        self.connection += 1;
        link.up_since = Some(Instant::now());
        self.refusal_told = false;
        self.told = None;
        // The service says it for people, once all is set up.
        debug!(
            broker = self.broker(),
            client_id = self.settings.client_id,
            subscriptions = self.settings.subscriptions.len(),
            "connected"
        );
        self.gathered.push(Heard::Up { connection: self.connection, session_present });
        // After this, publishing works; the service learns of it with the next hand-over.
        self.outlet.up(self.connection, link.wire.clone(), limits);
    }

    fn acknowledged(&mut self, ack: &PubAck) {
        let refusal = match ack.reason {
            PubAckReason::Success | PubAckReason::NoMatchingSubscribers => None,
            other => Some(format!("{other:?}")),
        };
        self.outlet.acknowledged(ack.pkid, refusal);
    }

    /// What the library had read before it failed was acknowledged, and will not come again.
    fn salvage(&mut self, events: &mut EventLoop) {
        while let Some(event) = events.state.events.pop_front() {
            match event {
                Event::Incoming(Packet::Publish(publish)) => self.hear(publish),
                Event::Incoming(Packet::PubAck(ack)) => self.acknowledged(&ack),
                _ => {}
            }
        }
    }

    fn pause(&mut self, trouble: &Trouble) -> Duration {
        match trouble {
            Trouble::TakenOver | Trouble::PushedOff => {
                self.pauses.reset();
                self.settings.timing.stay_away
            }
            _ => self.pauses.draw(),
        }
    }

    fn tell_down(&mut self, trouble: &Trouble, retry_in: Duration) {
        let why = trouble.to_string();
        // At transitions only: the same reason again is no news.
        if self.told.as_ref() == Some(&why) {
            debug!(broker = self.broker(), why, ?retry_in, "still not connected");
        } else {
            warn!(broker = self.broker(), client_id = self.settings.client_id, why, ?retry_in, "not connected");
            self.told = Some(why.clone());
        }
        match trouble {
            Trouble::TakenOver | Trouble::PushedOff => self.gathered.push(Heard::TakenOver),
            Trouble::Refused(_) if !self.refusal_told => {
                self.refusal_told = true;
                self.gathered.push(Heard::Refused(why.clone()));
            }
            _ => {}
        }
        self.gathered.push(Heard::Down { why, retry_in });
        self.hand_over();
    }

    fn hand_over(&mut self) {
        let (count, refused) = self.outlet.reports();
        if count > 0 {
            self.gathered.push(Heard::Dropped { count });
        }
        for (topic, reason) in refused {
            self.gathered.push(Heard::PublishRefused { topic, reason });
        }
        if self.unreadable > 0 {
            let count = std::mem::replace(&mut self.unreadable, 0);
            self.gathered.push(Heard::Unreadable { count });
        }
        self.slot.put(&mut self.gathered);
    }

    fn broker(&self) -> String {
        format!("{}:{}", self.settings.host, self.settings.port)
    }
}

impl Link {
    /// Whether the broker let us in and then did not answer our subscriptions.
    fn is_stuck(&self) -> bool {
        self.up_since.is_none() && self.welcome.is_some_and(|(since, ..)| since.elapsed() > self.watchdog)
    }
}

fn filter(subscription: &Subscription) -> Filter {
    let mut filter = Filter::new(subscription.filter.as_str(), qos(subscription.qos1));
    filter.preserve_retain = subscription.retain_as_published;
    filter.nolocal = subscription.no_local;
    filter
}

/// Polls once, without giving the future up.
async fn once<F: Future>(mut future: Pin<&mut F>) -> Option<F::Output> {
    poll_fn(|context| {
        Poll::Ready(match future.as_mut().poll(context) {
            Poll::Ready(output) => Some(output),
            Poll::Pending => None,
        })
    })
    .await
}
