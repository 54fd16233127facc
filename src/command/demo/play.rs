//! Lets the house live: its devices publish, its grower goes about, and what comes back is shown.

use super::grower::{Done, Grower};
use super::scene::{self, Scene};
use super::view::View;
use crate::moment::{Span, Zone};
use crate::mqtt::{Client, Delivery, Heard, Outgoing, Settings, Subscription};
use crate::service::{Addresses, Clock};
use crate::sim::{House, Message, SimTime, ValveOrder};
use std::time::{Duration, Instant};
use tokio_util::sync::CancellationToken;

/// How often the house is looked after, and how often it is shown.
const TURN: Duration = Duration::from_millis(5);
const SHOWN_EVERY: Duration = Duration::from_millis(250);
/// The service slows the clock before a valve opens; the states that show why come a little later.
const SLOW_AT_LEAST: Duration = Duration::from_millis(1500);

/// The house, and what it takes to play it.
pub struct Player {
    pub scene: Scene,
    pub house: House,
    pub clock: Clock,
    pub zone: Zone,
    pub lasts: Option<Duration>,
    pub speed: f64,
    pub stop: CancellationToken,
}

impl Player {
    /// Until it is stopped, or its time is over.
    pub fn play(mut self, addresses: Addresses) -> Result<(), String> {
        let begun = Instant::now();
        let Some(broker) = addresses.broker else { return Err("the demo has no broker".to_owned()) };
        let mut settings = Settings::new(broker.ip().to_string(), broker.port(), "house-of-the-demo".to_owned());
        settings.subscriptions = self.heard();
        let (client, mut inbox) = Client::start(settings).map_err(|error| error.to_string())?;
        let mut view = View::new(&self.scene, self.zone, self.speed);
        view.introduce(addresses);
        let mut grower = Grower::new(self.house.now());
        let mut batch = Vec::new();
        let (mut shown, mut slow): (Option<Instant>, Option<Instant>) = (None, None);
        let mut is_heard = false;
        let lasts = self.lasts;
        let over = |view: &View| view.is_unheard() || lasts.is_some_and(|lasts| begun.elapsed() >= lasts);
        while !self.stop.is_cancelled() && !over(&view) {
            let now = scene::house_time(self.clock.now().wall);
            if client.is_up() {
                self.live_until(now, &client);
                if !std::mem::replace(&mut is_heard, true) {
                    self.clock.set_pace(self.speed);
                }
            }
            while inbox.take(&mut batch) {
                batch.drain(..).for_each(|heard| self.hear(heard, now, &mut view));
            }
            for done in grower.go_about(now, &self.scene, &view, &mut self.house) {
                self.carry_out(done, now, &client, &mut view);
            }
            if view.water_runs() || !is_heard || self.clock.times() >= self.speed {
                slow = None;
            } else if slow.get_or_insert_with(Instant::now).elapsed() >= SLOW_AT_LEAST {
                self.clock.set_pace(self.speed);
            }
            if shown.is_none_or(|shown| shown.elapsed() >= SHOWN_EVERY) {
                shown = Some(Instant::now());
                view.show(now);
            }
            std::thread::sleep(TURN);
        }
        view.end(scene::house_time(self.clock.now().wall));
        Ok(())
    }

    /// What an onlooker hears, and what the valves do.
    fn heard(&self) -> Vec<Subscription> {
        let filters = ["tarewell/flats/+", "tarewell/valves/+", "tarewell/alerts/+/+", "tarewell/events"];
        let orders = self.scene.lines.iter().map(super::scene::Line::topic);
        let hear = |filter: String| Subscription { filter, qos1: true, retain_as_published: false, no_local: false };
        filters.into_iter().map(str::to_owned).chain(orders).map(hear).collect()
    }

    fn live_until(&mut self, now: SimTime, client: &Client) {
        self.house.advance(now);
        while let Some(sent) = self.house.poll() {
            let (topic, payload) = match sent.message {
                Message::Reading { stand, value, .. } => match self.scene.published(stand, value) {
                    Some(said) => said,
                    None => continue,
                },
                Message::Report { valve, open, .. } => match self.scene.lines.get(valve) {
                    Some(line) => (line.report(), format!(r#"{{"state":"{}"}}"#, if open { "ON" } else { "OFF" })),
                    None => continue,
                },
                // The connection of this house is the broker's own affair.
                _ => continue,
            };
            client.publish(Outgoing::new(topic, payload, Delivery::Once { qos1: true }));
        }
    }

    fn hear(&mut self, heard: Heard, now: SimTime, view: &mut View) {
        let Heard::Message(message) = heard else { return };
        let valve = self.scene.lines.iter().position(|line| line.topic() == message.topic());
        match valve {
            Some(valve) => {
                if let Some(order) = order(message.payload()) {
                    self.house.order(valve, order, now);
                }
            }
            None => view.hear(message.topic(), message.payload(), now),
        }
    }

    fn carry_out(&self, done: Done, now: SimTime, client: &Client, view: &mut View) {
        match done {
            Done::Commands(flat, command) => {
                let topic = format!("tarewell/flats/{flat}/command");
                client.publish(Outgoing::new(topic, command, Delivery::Once { qos1: true }));
                view.commanded(now, flat, command);
            }
            Done::Says { to, command, shown } => {
                client.publish(Outgoing::new(format!("tarewell/{to}/command"), command, Delivery::Once { qos1: true }));
                if let Some(shown) = shown {
                    view.does(now, &shown);
                }
            }
            Done::Pours(flat, millilitres) => {
                if let Some(berth) = self.scene.berths.get(flat) {
                    view.poured(now, berth.label, millilitres);
                }
            }
        }
    }
}

/// An order as this house's valves take it: `{"state":"ON","on_time":40}`.
fn order(payload: &[u8]) -> Option<ValveOrder> {
    let order: serde_json::Value = serde_json::from_slice(payload).ok()?;
    match order.get("state")?.as_str()? {
        "ON" => Some(ValveOrder::Open {
            timer: order.get("on_time").and_then(serde_json::Value::as_f64).map(Span::from_seconds),
        }),
        "OFF" => Some(ValveOrder::Close),
        _ => None,
    }
}
