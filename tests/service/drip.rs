//! A stand with a flat on it, and a valve that waters the flat, as devices do it: orders in, reports and weights out.

use crate::bench::{PATIENCE, Service};
use crate::ear::Ear;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::{Client, Event, Incoming, MqttOptions};
use rusqlite::{Connection, OpenFlags};
use serde_json::Value;
use std::collections::hash_map::RandomState;
use std::hash::BuildHasher;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};
use tempfile::TempDir;

pub const CLOSE: &str = r#"{"state":"OFF"}"#;
/// What the valve lets through, in mL/s, and the weight at the beginning of each life: 100 mL below the target.
const FLOW: f64 = 4.0;
const BEGINS_AT: f64 = 2400.0;

#[derive(Default)]
struct State {
    weight: f64,
    /// Since when it is open, and when its own timer closes it.
    open: Option<(Instant, Instant)>,
    open_for: Duration,
    /// Every order, as it came.
    orders: Vec<String>,
    /// For each order to open, whether the store knew of it when it came.
    opened: Vec<bool>,
    store: PathBuf,
    over: bool,
}

impl State {
    fn close(&mut self) {
        if let Some((since, _)) = self.open.take() {
            self.open_for += since.elapsed();
        }
    }
}

/// The bench with its devices; dropped, they are gone.
pub struct Drip {
    at: SocketAddr,
    base: String,
    state: Arc<Mutex<State>>,
    ear: Ear,
}

fn lock(state: &Mutex<State>) -> MutexGuard<'_, State> {
    state.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Drip {
    pub fn start(at: SocketAddr, base: &str) -> Self {
        let state = Arc::new(Mutex::new(State { weight: BEGINS_AT, ..State::default() }));
        let mut options = MqttOptions::new(format!("devices-of-{base}"), at.ip().to_string(), at.port());
        options.set_keep_alive(Duration::from_secs(30));
        let (client, mut connection) = Client::new(options, 1000);
        client.subscribe(format!("{base}/valve/set"), QoS::AtLeastOnce).unwrap();
        let (shared, answering, topic) = (state.clone(), client.clone(), base.to_owned());
        std::thread::spawn(move || {
            for event in connection.iter() {
                match event {
                    Ok(Event::Incoming(Incoming::Publish(order))) => {
                        let open = obey(&mut lock(&shared), &String::from_utf8_lossy(&order.payload));
                        report(&answering, &topic, open);
                    }
                    Ok(_) => {}
                    Err(_) => return,
                }
            }
        });
        let (shared, topic) = (state.clone(), base.to_owned());
        std::thread::spawn(move || weigh(&shared, &client, &topic));
        let ear = Ear::open(at, &[&format!("{base}/valve/set"), &format!("{base}-t/#")]);
        Self { at, base: base.to_owned(), state, ear }
    }

    /// A configuration for it with a store of its own.
    pub fn house(&self) -> Nest {
        self.house_by(self.at)
    }

    /// As [`Drip::house`], with the broker found at another place.
    pub fn house_by(&self, at: SocketAddr) -> Nest {
        let Self { base, .. } = self;
        let folder = tempfile::tempdir().unwrap();
        let yaml = format!(
            "version: 1
site: {{name: Drip, time_zone: Europe/Dublin, base_topic: {base}-t}}
broker: {{url: \"mqtt://{at}\"}}
stands: {{s1: {{topic: {base}/weight}}}}
flats: {{leek-1: {{label: Leeks, stand: s1, dry_weight: 2000 g, capacity_weight: 3000 g}}}}
valves:
  drip:
    topic: {base}/valve/set
    open: '{{\"state\":\"ON\",\"on_time\":{{seconds}}}}'
    close: '{CLOSE}'
    report: {{topic: {base}/valve, value: /state, open: \"ON\", closed: \"OFF\"}}
    mode: ask
    feeds: {{leek-1: 14.4 L/h}}
    pulse: {{volume: 20 mL, rest: 1 s}}
    max_run: 2 min
    max_per_day: 2 L
"
        );
        std::fs::write(folder.path().join("tarewell.yaml"), yaml).unwrap();
        lock(&self.state).store = folder.path().join("tarewell.db");
        Nest { folder }
    }

    /// As it was at the beginning: dry, closed, and nothing has happened.
    pub fn anew(&self) {
        let mut state = lock(&self.state);
        state.close();
        *state = State { weight: BEGINS_AT, orders: std::mem::take(&mut state.orders), ..State::default() };
    }

    /// Waits until it would open: connected, weighed, and known to be closed.
    pub fn ready(&self, service: &Service) {
        let mark = self.ear.mark();
        self.linked(service);
        self.ear.state(mark, &self.topic("flats/leek-1"), |flat| flat["stable"] == true && flat["basis"] == "stand");
        self.ear
            .state(mark, &self.topic("valves/drip"), |valve| valve["state"] == "closed" && valve["plan"].is_object());
    }

    pub fn linked(&self, service: &Service) {
        service.logged("Connected to the broker");
        service.logged("it if this program dies");
    }

    fn topic(&self, tail: &str) -> String {
        format!("{}-t/{tail}", self.base)
    }

    /// Commands the valve.
    pub fn ask(&self, command: &str) -> Value {
        self.ear.ask(&self.topic("valves/drip/command"), command)
    }

    pub fn say(&self, command: &str) {
        self.ear.say(&self.topic("valves/drip/command"), command);
    }

    /// The first event of this name.
    pub fn event(&self, name: &str) -> Value {
        self.ear.state(0, &self.topic("events"), |event| event["event"] == name)
    }

    /// Waits until the valve's state, from now on, is like this.
    pub fn shows(&self, like: impl Fn(&Value) -> bool) {
        self.ear.state(self.ear.mark(), &self.topic("valves/drip"), like);
    }

    /// Every order, as it came.
    pub fn orders(&self) -> Vec<String> {
        lock(&self.state).orders.clone()
    }

    pub fn opened(&self) -> Vec<bool> {
        lock(&self.state).opened.clone()
    }

    pub fn is_open(&self) -> bool {
        lock(&self.state).open.is_some()
    }

    /// How long it has been open, all openings together.
    pub fn open_s(&self) -> f64 {
        let state = lock(&self.state);
        (state.open_for + state.open.map_or(Duration::ZERO, |(since, _)| since.elapsed())).as_secs_f64()
    }

    /// How many orders have come.
    pub fn mark(&self) -> usize {
        lock(&self.state).orders.len()
    }

    /// Waits for an order after that many.
    pub fn after(&self, mark: usize, what: &str, fits: impl Fn(&str) -> bool) {
        let begun = Instant::now();
        while !lock(&self.state).orders.iter().skip(mark).any(|order| fits(order)) {
            assert!(begun.elapsed() < PATIENCE, "no {what} after {:?}", &lock(&self.state).orders);
            std::thread::sleep(Duration::from_millis(2));
        }
    }

    /// A program that has started orders it closed: one order more than the broker gave at the end of the last.
    pub fn closed_after(&self, mark: usize) {
        let begun = Instant::now();
        while lock(&self.state).orders.iter().skip(mark).filter(|order| *order == CLOSE).count() < 2 {
            assert!(begun.elapsed() < PATIENCE, "it is not ordered closed at the start");
            std::thread::sleep(Duration::from_millis(2));
        }
    }

    /// It has not been opened more often than this; by now whatever the program wants at its start has come.
    pub fn hears_nothing_but_closing(&self, openings: usize) {
        assert_eq!(self.opened().len(), openings, "{:?}", lock(&self.state).orders);
    }
}

impl Drop for Drip {
    fn drop(&mut self) {
        lock(&self.state).over = true;
    }
}

/// Does as ordered; whether it is open now.
fn obey(state: &mut State, order: &str) -> bool {
    state.orders.push(order.to_owned());
    let json: Value = serde_json::from_str(order).unwrap_or_default();
    if let (Some("ON"), Some(seconds)) = (json["state"].as_str(), json["on_time"].as_u64()) {
        let known = entry(&state.store).is_some();
        state.opened.push(known);
        let now = Instant::now();
        state.open.get_or_insert((now, now)).1 = now + Duration::from_secs(seconds);
    } else if order == CLOSE {
        state.close();
    }
    state.open.is_some()
}

fn report(client: &Client, base: &str, open: bool) {
    let payload = if open { r#"{"state":"ON"}"# } else { r#"{"state":"OFF"}"# };
    let _ = client.publish(format!("{base}/valve"), QoS::AtLeastOnce, true, payload);
}

/// Ten times a second: the water that has run, the timer, and the weight.
fn weigh(state: &Mutex<State>, client: &Client, base: &str) {
    const STEP: Duration = Duration::from_millis(100);
    for turn in 0_u32.. {
        let (weight, timed_out) = {
            let mut state = lock(state);
            if state.over {
                let _ = client.disconnect();
                return;
            }
            if state.open.is_some() {
                state.weight += FLOW * STEP.as_secs_f64();
            }
            let timed_out = state.open.is_some_and(|(_, until)| Instant::now() >= until);
            if timed_out {
                state.close();
            }
            (state.weight, timed_out)
        };
        if timed_out {
            report(client, base, false);
        }
        let weight = (weight + f64::from(turn % 2)).to_string();
        let _ = client.publish(format!("{base}/weight"), QoS::AtLeastOnce, false, weight);
        std::thread::sleep(STEP);
    }
}

/// The opening that the store knows of, and of which it does not know yet what it gave.
fn entry(store: &Path) -> Option<Value> {
    fact(store)?.get("entry").filter(|entry| entry.is_object()).cloned()
}

/// What the store has of the valve.
fn fact(store: &Path) -> Option<Value> {
    let reader = Connection::open_with_flags(store, OpenFlags::SQLITE_OPEN_READ_ONLY).ok()?;
    let sql = "SELECT json FROM facts WHERE kind = 'valve' AND id = 'drip'";
    let json: String = reader.query_row(sql, [], |row| row.get(0)).ok()?;
    serde_json::from_str(&json).ok()
}

/// A folder with the configuration and the store.
pub struct Nest {
    folder: TempDir,
}

impl Nest {
    pub fn start(&self) -> Service {
        Service::start(&self.folder.path().join("tarewell.yaml"))
    }

    pub fn store(&self) -> PathBuf {
        self.folder.path().join("tarewell.db")
    }

    /// All that the valve has given, as the store knows it, mL.
    pub fn poured(&self) -> f64 {
        let fact = fact(&self.store()).unwrap_or_default();
        fact["poured"].as_array().into_iter().flatten().filter_map(|poured| poured["volume"].as_f64()).sum()
    }

    /// See [`entry`].
    pub fn entry(&self) -> Option<Value> {
        entry(&self.store())
    }
}

/// Numbers by chance, other ones each time.
pub struct Dice(RandomState, u64);

impl Dice {
    pub fn new() -> Self {
        Self(RandomState::new(), 0)
    }

    pub fn below(&mut self, limit: u64) -> u64 {
        self.1 += 1;
        self.0.hash_one(self.1) % limit
    }
}
