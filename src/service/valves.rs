//! The connections that valves have for themselves: one for each that may be opened, whose Last Will closes it.
//!
//! An order to open goes out on the valve's own connection or not at all, so that whatever kills this program while the valve is open
//! makes the broker close it.

use super::Failure;
use crate::mqtt::{self, Client, Delivery, Heard, Inbox, Outgoing, Published, Subscription, Will};
use crate::site::{Input, Plan, ValveOrder};
use crate::watering::Mode;
use crate::wire::{OrderMessage, Router, foreign_order};
use std::time::Duration;
use tokio::sync::mpsc;

/// A silent loss is noticed by the broker within one and a half times this (MQTT 5.0, section 3.1.2.10), and then it closes.
const KEEP_ALIVE: Duration = Duration::from_secs(10);
/// An order to open that has not reached the device by then is given to nobody, in seconds.
const OPEN_WITHIN_S: u32 = 3;
/// So many batches of what was heard may wait for the desk.
const BATCHES: usize = 64;

/// What the connection of a valve has heard.
type News = (usize, Vec<Heard>);

/// All of them, by the valves' places in the plan.
pub(super) struct Links {
    links: Vec<Option<Link>>,
    news: mpsc::Receiver<News>,
}

struct Link {
    client: Client,
    /// The connection that the engine was told of, while it stands.
    up: Option<u64>,
    /// What the broker keeps on the command topic is to be cleared as soon as there is a connection.
    to_clear: bool,
}

impl Links {
    /// Starts a connection for each valve that may be opened; `main` says where and as whom.
    pub fn start(main: &mqtt::Settings, plan: &Plan, router: &Router) -> Result<Self, Failure> {
        let (tell, news) = mpsc::channel(BATCHES);
        let mut links = Vec::with_capacity(plan.valves.len());
        for (valve, (settings, wiring)) in plan.valves.iter().zip(router.valves()).enumerate() {
            if settings.mode == Mode::Advise {
                links.push(None);
                continue;
            }
            let settings = mqtt::Settings {
                client_id: format!("{}-valve-{}", router.names().base(), settings.id),
                keep_alive: KEEP_ALIVE,
                will: Some(Will {
                    topic: wiring.topic.clone(),
                    payload: wiring.close.clone().into_bytes(),
                    retain: false,
                    qos1: true,
                }),
                subscriptions: vec![Subscription {
                    filter: wiring.topic.clone(),
                    qos1: true,
                    retain_as_published: true,
                    no_local: true,
                }],
                ..main.clone()
            };
            let (client, inbox) = Client::start(settings)?;
            tokio::spawn(pass_on(valve, inbox, tell.clone()));
            links.push(Some(Link { client, up: None, to_clear: false }));
        }
        Ok(Self { links, news })
    }

    /// Waits for what a connection has heard; `None` when no valve has one. It may be cancelled without loss.
    pub async fn next(&mut self) -> Option<News> {
        self.news.recv().await
    }

    /// What was heard, in the engine's words.
    pub fn heard(&mut self, valve: usize, heard: Heard, router: &Router) -> Option<Input> {
        let link = self.links.get_mut(valve)?.as_mut()?;
        let id = router.names().id(crate::site::Subject::Valve(valve));
        match heard {
            Heard::Up { connection, .. } => {
                tracing::info!(valve = id, "Connected for the valve; the broker closes it if this program dies");
                link.up = Some(connection);
                if std::mem::take(&mut link.to_clear) {
                    self.clear(valve, router);
                }
                Some(Input::ValveLink { valve, up: true })
            }
            Heard::Down { why, .. } => {
                // Told after each failed attempt too.
                link.up.take()?;
                tracing::warn!(valve = id, %why, "Lost the connection of the valve; the broker closes it");
                Some(Input::ValveLink { valve, up: false })
            }
            Heard::Message(message) => foreign_order(router.valves(), valve, message.payload(), message.retained()),
            Heard::TakenOver => {
                tracing::error!(
                    valve = id,
                    "Another program has connected as this valve and pushed this one off; is a second tarewell running with the \
                     same base_topic? Staying away for a minute"
                );
                None
            }
            Heard::Refused(why) => {
                tracing::error!(valve = id, %why, "Refused by the broker");
                None
            }
            Heard::PublishRefused { topic, reason } => {
                tracing::error!(valve = id, %topic, %reason, "Could not give the order to the valve");
                None
            }
            Heard::Dropped { .. } | Heard::Unreadable { .. } => None,
        }
    }

    /// Gives an order at once. One to open goes out only on the valve's own connection, the one that the engine knows of; one to close
    /// also on the `main` one. What the engine must know when it could not be given: that there is no such connection.
    pub fn order(&mut self, valve: usize, order: ValveOrder, router: &Router, main: &Client) -> Option<Input> {
        let messages = router.valves().get(valve)?.messages(order);
        let link = self.links.get_mut(valve).and_then(Option::as_mut);
        let id = router.names().id(crate::site::Subject::Valve(valve));
        let given = link.as_ref().is_some_and(|link| link.give(&messages, order));
        tracing::info!(valve = id, ?order, given, "Ordered");
        if given {
            return None;
        }
        let was_up = link.is_some_and(|link| link.up.take().is_some());
        if order == ValveOrder::Close {
            for message in messages {
                main.publish(outgoing(message, order));
            }
            // Told once: whoever closes again for being told would be told again.
            return was_up.then_some(Input::ValveLink { valve, up: false });
        }
        Some(Input::ValveLink { valve, up: false })
    }

    /// Clears what the broker keeps on the command topic of a valve, now or with the next connection.
    pub fn clear(&mut self, valve: usize, router: &Router) {
        let Some(wiring) = router.valves().get(valve) else { return };
        let Some(link) = self.links.get_mut(valve).and_then(Option::as_mut) else { return };
        let empty = Outgoing::new(wiring.topic.as_str(), Vec::new(), Delivery::State { qos1: true });
        link.to_clear = link.up.is_none_or(|up| link.client.publish_on(up, empty) != Published::Queued);
    }

    /// Orders all of them closed and takes leave of the broker, so that it publishes no Last Will.
    pub async fn stop(self, router: &Router, main: &Client) {
        let mut ends = Vec::new();
        for (link, wiring) in self.links.into_iter().zip(router.valves()) {
            let Some(link) = link else { continue };
            let messages = wiring.messages(ValveOrder::Close);
            for message in messages {
                // Whatever connection there is: closing is never wrong.
                let close = outgoing(message, ValveOrder::Close);
                if link.client.publish(close.clone()) != Published::Queued {
                    main.publish(close);
                }
            }
            ends.push(tokio::spawn(link.client.stop()));
        }
        for end in ends {
            let _ = end.await;
        }
    }
}

impl Link {
    /// Whether all of it goes out on the connection that the engine knows of.
    fn give(&self, messages: &[OrderMessage], order: ValveOrder) -> bool {
        let Some(up) = self.up else { return false };
        messages.iter().all(|message| {
            let published = self.client.publish_on(up, outgoing(message.clone(), order));
            if let Published::Refused(why) = published {
                tracing::error!(topic = message.topic, %why, "Could not give an order");
            }
            published == Published::Queued
        })
    }
}

fn outgoing(message: OrderMessage, order: ValveOrder) -> Outgoing {
    let expiry_s = match order {
        ValveOrder::Open { .. } => Some(OPEN_WITHIN_S),
        ValveOrder::Close => None,
    };
    Outgoing { expiry_s, ..Outgoing::new(message.topic, message.payload, Delivery::Order) }
}

/// Carries what a connection hears to the desk, until either ends.
async fn pass_on(valve: usize, mut inbox: Inbox, tell: mpsc::Sender<News>) {
    let mut batch = Vec::new();
    while inbox.next(&mut batch).await {
        if tell.send((valve, std::mem::take(&mut batch))).await.is_err() {
            return;
        }
    }
}
