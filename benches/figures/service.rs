//! What `tarewell run` takes of memory, and how soon it is there: with Mosquitto, each service a process of its own.

use super::Figure;
use mosquitto::Mosquitto;
use rumqttc::v5::mqttbytes::{QoS, v5::Filter};
use rumqttc::v5::{AsyncClient, Event, EventLoop, Incoming, MqttOptions};
use std::fmt::Write as _;
use std::net::SocketAddr;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};
use tokio::runtime::Runtime;

#[path = "../../tests/support/mosquitto.rs"]
#[allow(dead_code, reason = "shared with tests that restart it")]
mod mosquitto;

const FEW: usize = 50;
const MANY: usize = 1_050;
/// So many readings of each stand, a second apart.
const READINGS: usize = 100;
const MEGABYTES: f64 = 15.0;
const KILOBYTES_A_FLAT: f64 = 3.0;

const STARTED: usize = 1_000;
const STARTS: usize = 5;
const START_MS: f64 = 200.0;

/// RSS with few flats, and what each further flat adds.
pub fn memory() -> Vec<Figure> {
    let Some(broker) = broker("memory") else { return Vec::new() };
    let (few, many) = (Service::new(&broker, "few", FEW), Service::new(&broker, "many", MANY));
    let (few, many) = (few.run(), many.run());
    let runtime = runtime();
    runtime.block_on(feed(broker.addr(), &[(few.name, FEW), (many.name, MANY)]));
    let (few, many) = (few.finish(), many.finish());
    println!("RSS after {READINGS} readings of each stand: {few:.0} kB of {FEW} flats, {many:.0} kB of {MANY}");
    let a_flat = (many - few) / (MANY - FEW) as f64;
    let megabytes = few * 1024.0 / 1e6;
    let a_flat = a_flat * 1024.0 / 1e3;
    vec![
        Figure::new("memory of the service, 50 flats", "≤ 15 MB", format!("{megabytes:.1} MB"), megabytes <= MEGABYTES),
        Figure::new("memory for each further flat", "≤ 3 kB", format!("{a_flat:.2} kB"), a_flat <= KILOBYTES_A_FLAT),
    ]
}

/// From starting the program to the first state of a flat that a subscriber hears.
pub fn start() -> Vec<Figure> {
    let Some(broker) = broker("start") else { return Vec::new() };
    let service = Service::new(&broker, "start", STARTED);
    let runtime = runtime();
    let mut took: Vec<f64> = (0..STARTS).map(|_| runtime.block_on(first_state(&broker, &service))).collect();
    println!("start to first state of {STARTED} flats, ms, the first with an empty store: {took:.0?}");
    let first = took.remove(0);
    took.sort_by(f64::total_cmp);
    let median = took[took.len() / 2];
    let figure = |what: &str, took: f64| Figure::new(what, "≤ 200 ms", format!("{took:.0} ms"), took <= START_MS);
    vec![
        figure("start to first state, 1,000 flats, empty store", first),
        figure("start to first state, 1,000 flats, known store", median),
    ]
}

fn broker(what: &str) -> Option<Mosquitto> {
    let program = mosquitto::program();
    if program.is_none() {
        println!("SKIPPED: {what} needs a mosquitto program on this machine");
    }
    Some(Mosquitto::program(program?, "allow_anonymous true\nmax_queued_messages 0\n"))
}

fn runtime() -> Runtime {
    tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime")
}

/// A configuration in a folder of its own.
struct Service {
    name: &'static str,
    folder: tempfile::TempDir,
}

/// It runs.
struct Running {
    name: &'static str,
    child: Child,
    _folder: Option<tempfile::TempDir>,
}

impl Service {
    fn new(broker: &Mosquitto, name: &'static str, flats: usize) -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        std::fs::write(folder.path().join("tarewell.yaml"), configuration(broker.addr(), name, flats))
            .expect("it is written");
        Self { name, folder }
    }

    fn spawn(&self) -> Child {
        spawn(&self.folder.path().join("tarewell.yaml"))
    }

    fn run(self) -> Running {
        let child = self.spawn();
        Running { name: self.name, child, _folder: Some(self.folder) }
    }
}

fn spawn(config: &Path) -> Child {
    let mut command = Command::new(env!("CARGO_BIN_EXE_tarewell"));
    command.args(["run", "--config"]).arg(config).env("RUST_LOG", "warn").stdin(Stdio::null()).stdout(Stdio::null());
    command.spawn().expect("tarewell runs")
}

impl Running {
    /// Its RSS in kB, and ends it.
    fn finish(mut self) -> f64 {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.child.id())).expect("it runs");
        let line = status.lines().find(|line| line.starts_with("VmRSS:")).expect("Linux tells");
        let kilobytes = line.split_whitespace().nth(1).and_then(|field| field.parse().ok()).expect("a number");
        stop(&mut self.child);
        kilobytes
    }
}

/// As a service manager does.
fn stop(child: &mut Child) {
    let told = Command::new("kill").arg(child.id().to_string()).status().is_ok_and(|status| status.success());
    if !told {
        let _ = child.kill();
    }
    let _ = child.wait();
}

fn configuration(at: SocketAddr, name: &str, flats: usize) -> String {
    let mut yaml = format!(
        "version: 1\nsite: {{name: Figures, time_zone: Europe/London, base_topic: {name}}}\n\
         broker: {{url: \"mqtt://{at}\"}}\nstore: figures.db\nweb: \"off\"\nstands:\n"
    );
    for n in 0..flats {
        let _ = writeln!(yaml, "  stand-{n}: {{topic: bench/{name}/{n}, value: /weight, unit: g, division: 1 g}}");
    }
    yaml.push_str("flats:\n");
    for n in 0..flats {
        let _ = writeln!(
            yaml,
            "  flat-{n}: {{label: Flat {n}, stand: stand-{n}, dry_weight: 2900 g, capacity_weight: 4500 g}}"
        );
    }
    yaml
}

fn client(at: SocketAddr, id: &str) -> (AsyncClient, EventLoop) {
    let mut options = MqttOptions::new(id, at.ip().to_string(), at.port());
    options.set_keep_alive(Duration::from_secs(60));
    AsyncClient::new(options, 2_000)
}

/// Waits until each service has said that it is there, then has each stand publish a reading a second.
async fn feed(at: SocketAddr, services: &[(&str, usize)]) {
    let (client, mut events) = client(at, "feed");
    for (name, _) in services {
        client.subscribe(format!("{name}/status"), QoS::AtMostOnce).await.expect("it asks");
    }
    let mut online = 0;
    while online < services.len() {
        if let Event::Incoming(Incoming::Publish(status)) = events.poll().await.expect("the broker stays") {
            online += usize::from(&status.payload[..] == b"online");
        }
    }
    let polled = tokio::spawn(async move { while events.poll().await.is_ok() {} });
    let mut seconds = tokio::time::interval(Duration::from_secs(1));
    for turn in 0..READINGS {
        seconds.tick().await;
        for (name, flats) in services {
            for flat in 0..*flats {
                let noise = ((flat * 7_919 + turn * 104_729) % 1_000) as f64 / 1_000.0 - 0.5;
                let weight = 3_800.0 - (flat % 100) as f64 - turn as f64 * 0.03 + 3.0 * noise;
                let payload = format!("{{\"weight\":{weight:.1}}}");
                let topic = format!("bench/{name}/{flat}");
                client.publish(topic, QoS::AtMostOnce, false, payload).await.expect("it is taken");
            }
        }
    }
    tokio::time::sleep(Duration::from_secs(3)).await;
    polled.abort();
}

/// In milliseconds.
async fn first_state(broker: &Mosquitto, service: &Service) -> f64 {
    let (client, mut events) = client(broker.addr(), "listener");
    let filter = Filter::new(format!("{}/flats/+", service.name), QoS::AtMostOnce);
    client.subscribe_many([filter]).await.expect("it asks");
    while !matches!(events.poll().await, Ok(Event::Incoming(Incoming::SubAck(_)))) {}
    // What an earlier run left is told at once, and is over before anything could start.
    while let Ok(event) = tokio::time::timeout(Duration::from_millis(500), events.poll()).await {
        event.expect("the broker stays");
    }
    let begun = Instant::now();
    let mut child = service.spawn();
    let took = loop {
        let event = tokio::time::timeout(Duration::from_secs(20), events.poll()).await.expect("it starts");
        if let Event::Incoming(Incoming::Publish(state)) = event.expect("the broker stays")
            && !state.retain
        {
            break begun.elapsed();
        }
    };
    tokio::time::sleep(Duration::from_secs(1)).await;
    stop(&mut child);
    took.as_secs_f64() * 1e3
}
