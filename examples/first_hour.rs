//! The main job, seen once from end to end in about a minute: `cargo run --release --example first_hour`.
//!
//! It starts the service as `tarewell run` does, with its own broker on a free port of this machine and a store in a temporary
//! folder. Three stands publish their weights as firmware would, over MQTT; a listener prints what tarewell publishes; and
//! somebody with a jug does what the advice says. Time is real. Nothing is left behind.

use rumqttc::{AsyncClient, Event, EventLoop, MqttOptions, Packet, QoS};
use serde_json::{Value, json};
use std::collections::HashMap;
use std::io::Read as _;
use std::net::TcpListener;
use std::path::Path;
use std::process::{Child, Command, ExitCode, Stdio};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};
use tokio::signal::unix::{SignalKind, signal};

/// What the service is configured with; its port is taken from the environment.
const CONFIG: &str = include_str!("first_hour.yaml");
const PORT: &str = "FIRST_HOUR_PORT";
/// With this argument the example is the service.
const SERVICE: &str = "--service";
/// Somebody comes by with a jug.
const JUG_AT: Duration = Duration::from_secs(30);
/// How fast a jug pours, in grams a second.
const JUG: f64 = 28.0;
/// By then all has happened, or something is wrong.
const LATEST: Duration = Duration::from_secs(70);

type Failure = Box<dyn std::error::Error>;

fn main() -> ExitCode {
    let mut args = std::env::args().skip(1);
    let done = match (args.next().as_deref(), args.next()) {
        (None, _) => watch(),
        (Some(SERVICE), Some(config)) => return serve(Path::new(&config)),
        (Some(other), _) => Err(format!("`{other}`: this example takes no arguments").into()),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(why) => {
            eprintln!("first_hour: {why}");
            ExitCode::FAILURE
        }
    }
}

// ---- the service, in a process of its own

/// `tarewell run --config FILE`, until the process that started it closes our standard input, or is gone.
fn serve(config: &Path) -> ExitCode {
    std::thread::spawn(|| {
        // Nothing is ever written to it; it ends when its other end is closed.
        let _ = std::io::stdin().read_to_end(&mut Vec::new());
        let _ = Command::new("sh").args(["-c", "kill -TERM \"$0\"", &std::process::id().to_string()]).status();
    });
    ExitCode::from(u8::try_from(tarewell::command::run::run(Some(config))).unwrap_or(1))
}

/// The service; dropped, it is asked to stop and waited for.
struct Service(Child);

impl Service {
    fn start(folder: &Path, port: u16) -> Result<Self, Failure> {
        let config = folder.join("first_hour.yaml");
        std::fs::write(&config, CONFIG)?;
        let log = std::fs::File::create(folder.join("log"))?;
        let mut command = Command::new(std::env::current_exe()?);
        command.arg(SERVICE).arg(config).env(PORT, port.to_string()).env_remove("STATE_DIRECTORY");
        Ok(Self(command.stdin(Stdio::piped()).stdout(Stdio::null()).stderr(log).spawn()?))
    }

    fn has_ended(&mut self) -> bool {
        self.0.try_wait().is_ok_and(|ended| ended.is_some())
    }
}

impl Drop for Service {
    fn drop(&mut self) {
        drop(self.0.stdin.take());
        let begun = Instant::now();
        while !self.has_ended() {
            if begun.elapsed() > Duration::from_secs(8) {
                let _ = self.0.kill();
            }
            std::thread::sleep(Duration::from_millis(20));
        }
    }
}

// ---- the stands

/// A stand with a flat on it.
struct Stand {
    id: &'static str,
    topic: &'static str,
    payload: fn(f64) -> String,
    /// What is on it, in grams.
    weight: f64,
    /// What it loses in an hour.
    drying: f64,
}

/// One below its water-at limit and about to be dry, one moist, one just soaked.
fn stands() -> [Stand; 3] {
    [
        Stand {
            id: "sill-left",
            topic: "loft/sill-left/sensor",
            payload: |grams| json!({"scale": {"g": tenths(grams)}, "rssi": -61}).to_string(),
            weight: 2116.2,
            drying: 120.0,
        },
        Stand {
            id: "sill-middle",
            topic: "loft/sill-middle/kg",
            payload: |grams| format!("{:.4}", grams / 1000.0),
            weight: 2374.0,
            drying: 35.0,
        },
        Stand {
            id: "sill-right",
            topic: "loft/sill-right/raw",
            payload: |grams| format!("{:.0}", 104_200.0 + 215.4 * grams),
            weight: 3542.0,
            drying: 30.0,
        },
    ]
}

fn tenths(grams: f64) -> f64 {
    (grams * 10.0).round() / 10.0
}

/// What the jug is to fill up to, once somebody pours.
type Jug = Arc<Mutex<Option<f64>>>;

/// Publishes a reading a second, as firmware does; dries; and takes what is poured into it.
async fn publish(mut stand: Stand, port: u16, jug: Option<Jug>) {
    let (client, events) = connect(stand.id, port);
    tokio::spawn(keep_connected(events));
    let mut dice = Dice(0x9E37_79B9 + stand.topic.len() as u64);
    let mut second = tokio::time::interval(Duration::from_secs(1));
    loop {
        second.tick().await;
        let payload = (stand.payload)(stand.weight + 0.12 * dice.normal());
        // A reading that cannot go out now is not worth keeping.
        let _ = client.try_publish(stand.topic, QoS::AtMostOnce, false, payload);
        stand.weight -= stand.drying / 3600.0;
        let full = jug.as_ref().and_then(|jug| *jug.lock().unwrap_or_else(PoisonError::into_inner));
        if let Some(full) = full {
            stand.weight += (full - stand.weight).clamp(0.0, JUG);
        }
    }
}

async fn keep_connected(mut events: EventLoop) {
    loop {
        if events.poll().await.is_err() {
            tokio::time::sleep(Duration::from_millis(250)).await;
        }
    }
}

fn connect(client_id: &str, port: u16) -> (AsyncClient, EventLoop) {
    AsyncClient::new(MqttOptions::new(client_id, "127.0.0.1", port), 64)
}

/// The noise of a load cell, made up: Marsaglia's xorshift64, and twelve of them added up.
struct Dice(u64);

impl Dice {
    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.unit()).sum::<f64>() - 6.0
    }

    #[expect(clippy::cast_precision_loss, reason = "53 bits are taken")]
    fn unit(&mut self) -> f64 {
        for shift in [(13, false), (7, true), (17, false)] {
            self.0 ^= if shift.1 { self.0 >> shift.0 } else { self.0 << shift.0 };
        }
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }
}

// ---- what is seen

fn watch() -> Result<(), Failure> {
    let folder = tempfile::tempdir()?;
    // Free until it is dropped, a moment before the service takes it.
    let port = TcpListener::bind("127.0.0.1:0")?.local_addr()?.port();
    let mut service = Service::start(folder.path(), port)?;
    println!("tarewell runs, with a broker on 127.0.0.1:{port}. Three stands publish once a second:\n");
    for stand in stands() {
        println!("  {:<22} {}", stand.topic, (stand.payload)(stand.weight));
    }
    println!("\nWhat it publishes, as any MQTT client sees it (Ctrl-C ends it):\n");
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let seen = runtime.block_on(play(port));
    drop(runtime);
    if service.has_ended() {
        let log = std::fs::read_to_string(folder.path().join("log")).unwrap_or_default();
        return Err(format!("the service has ended:\n{log}").into());
    }
    match seen {
        Seen::All => println!("{NEXT}"),
        Seen::Stopped => println!("\nStopped; nothing is left behind."),
        Seen::TooLittle => return Err("the alert did not rise and clear in time; is this machine very busy?".into()),
    }
    Ok(())
}

const NEXT: &str = "
That was the whole job once: weights in; water left, an alert, the amount to pour and a valve's run time out.
Nothing is left behind. Next:
  cargo run --release -- amount --dry \"1840 g\" --capacity \"2760 g\" --now \"2110 g\"   with a kitchen scale
  cargo run --release -- check --config config/tarewell.yaml                        a commented configuration
  README.md, \"Install and run\"                                                      your own flats";

/// How it went.
enum Seen {
    /// The alert rose and cleared.
    All,
    /// Somebody stopped it.
    Stopped,
    /// Not all that should happen did.
    TooLittle,
}

async fn play(port: u16) -> Seen {
    let jug = Jug::default();
    for stand in stands() {
        let jug = (stand.id == "sill-left").then(|| jug.clone());
        tokio::spawn(publish(stand, port, jug));
    }
    let (Ok(mut interrupt), Ok(mut terminate)) = (signal(SignalKind::interrupt()), signal(SignalKind::terminate()))
    else {
        return Seen::TooLittle;
    };
    tokio::select! {
        () = listen(port, &jug) => Seen::All,
        () = tokio::time::sleep(LATEST) => Seen::TooLittle,
        _ = interrupt.recv() => Seen::Stopped,
        _ = terminate.recv() => Seen::Stopped,
    }
}

/// Prints until the alert has cleared and the flat's new state has come.
async fn listen(port: u16, jug: &Jug) {
    let (client, mut events) = connect("kitchen-table", port);
    let mut screen = Screen::default();
    let mut pour = tokio::time::interval(Duration::from_secs(1));
    loop {
        let event = tokio::select! {
            event = events.poll() => event,
            _ = pour.tick() => {
                screen.pour(jug);
                continue;
            }
        };
        match event {
            Ok(Event::Incoming(Packet::ConnAck(_))) => {
                // The queue is empty at this point.
                let _ = client.try_subscribe("tarewell/#", QoS::AtLeastOnce);
            }
            Ok(Event::Incoming(Packet::Publish(message))) => {
                screen.show(&message.topic, &message.payload);
                if screen.is_over() {
                    return;
                }
            }
            Ok(_) => {}
            Err(_) => tokio::time::sleep(Duration::from_millis(250)).await,
        }
    }
}

/// What has been printed, so that the same is not printed twice.
struct Screen {
    begun: Instant,
    printed: HashMap<String, String>,
    /// Where the advice says to stop.
    stop_at: Option<f64>,
    poured: bool,
    cleared: bool,
    told: bool,
    moist_again: bool,
}

impl Default for Screen {
    fn default() -> Self {
        Self {
            begun: Instant::now(),
            printed: HashMap::new(),
            stop_at: None,
            poured: false,
            cleared: false,
            told: false,
            moist_again: false,
        }
    }
}

impl Screen {
    fn is_over(&self) -> bool {
        self.cleared && self.told && self.moist_again
    }

    fn show(&mut self, topic: &str, payload: &[u8]) {
        let short = topic.strip_prefix("tarewell/").unwrap_or(topic);
        let json: Value = serde_json::from_slice(payload).unwrap_or_default();
        let line = match short.split('/').collect::<Vec<_>>().as_slice() {
            ["flats", "snapdragon"] => {
                self.follow(&json);
                flat(&json)
            }
            ["flats", _] => flat(&json),
            ["valves", _] => valve(&json),
            ["alerts", ..] => {
                self.cleared |= payload.is_empty();
                if payload.is_empty() {
                    "(cleared)".to_owned()
                } else {
                    format!("{}: {}", text(&json, "severity"), text(&json, "title"))
                }
            }
            ["events"] => {
                self.told |= json["event"] == "alert-cleared";
                format!("{} {}", text(&json, "event"), text(&json, "id"))
            }
            ["status"] => String::from_utf8_lossy(payload).into_owned(),
            _ => return,
        };
        if self.printed.get(topic) != Some(&line) {
            println!("{:>4} s  {topic:<30} {line}", self.begun.elapsed().as_secs());
            self.printed.insert(topic.to_owned(), line);
        }
    }

    /// What somebody with a jug reads.
    fn follow(&mut self, flat: &Value) {
        if flat["condition"] == "dry" {
            self.stop_at = flat["target_weight_g"].as_f64();
        }
        let there = flat["weight_g"].as_f64().zip(self.stop_at).is_some_and(|(weight, stop)| weight > stop - 2.0);
        self.moist_again = self.poured && there && flat["condition"] == "moist";
    }

    /// Pours once it is time, as the advice says.
    fn pour(&mut self, jug: &Jug) {
        let Some(stop_at) = self.stop_at.filter(|_| !self.poured && self.begun.elapsed() >= JUG_AT) else { return };
        self.poured = true;
        println!("{:>4} s  (somebody pours, slowly, and stops at {stop_at:.0} g)", self.begun.elapsed().as_secs());
        *jug.lock().unwrap_or_else(PoisonError::into_inner) = Some(stop_at);
    }
}

fn text(json: &Value, key: &str) -> String {
    json[key].as_str().unwrap_or_default().to_owned()
}

fn flat(json: &Value) -> String {
    let fraction = json["fraction"].as_f64().map_or("  ?".to_owned(), |fraction| format!("{:3.0}", 100.0 * fraction));
    format!("{fraction} %  {:<8} {}", text(json, "condition"), text(json, "advice"))
}

fn valve(json: &Value) -> String {
    let plan = &json["plan"];
    let Some(volume) = plan["volume_ml"].as_f64() else { return "plan: nothing to pour".to_owned() };
    let pulses: Vec<String> =
        plan["pulses"].as_array().into_iter().flatten().map(|pulse| format!("{} s", pulse["run_s"])).collect();
    format!("plan: {volume:.0} mL, open {} s, in pulses of {}", plan["run_time_s"], pulses.join(", "))
}
