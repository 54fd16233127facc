//! What a reading costs, live: 200 flats, 50 readings a second each, through Mosquitto, for a minute.
//!
//! `cargo bench --bench live` (options: `-- --flats 200 --rate 50 --seconds 60 --qos 0`) starts a Mosquitto, a load of one
//! connection to a stand, and in one run beside each other, each a process of its own:
//!
//! * `bare`: a stock subscriber that throws payloads away, on one thread: the measure;
//! * `client`: the client of this crate, with batches thrown away, on as many threads as the service has;
//! * `run`: `tarewell run` with all those flats, and its `/health` for the count.
//!
//! It prints for each: readings heard, CPU time a reading, and its ratio to the bare one. Linux only, for `/proc`.

#[path = "../tests/support/mosquitto.rs"]
#[allow(dead_code, reason = "shared with tests that restart it")]
mod mosquitto;

use mosquitto::Mosquitto;
use rumqttc::v5::mqttbytes::{QoS, v5::Filter};
use rumqttc::v5::{AsyncClient, Event, Incoming, MqttOptions};
use std::fmt::Write as _;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::process::{Child, Command, ExitCode, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};
use tarewell::mqtt::{Client, Heard, Settings, Subscription};

/// CPU time of a reading may be so many times that of the bare subscriber.
const ALLOWED: f64 = 1.5;
/// The kernel counts CPU time in hundredths of a second, on every Linux of today (`getconf CLK_TCK`).
const TICKS_PER_SECOND: f64 = 100.0;

#[derive(Debug, Clone, Copy)]
struct Options {
    flats: usize,
    /// Readings a second, of each flat.
    rate: usize,
    seconds: usize,
    qos: u8,
}

impl Options {
    fn read(arguments: &[String]) -> Self {
        let number = |name: &str, default| {
            let at = arguments.iter().position(|argument| argument == name);
            at.map_or(default, |at| arguments[at + 1].parse().expect("a number"))
        };
        Self {
            flats: number("--flats", 200),
            rate: number("--rate", 50),
            seconds: number("--seconds", 60),
            qos: u8::try_from(number("--qos", 0)).expect("0 or 1").min(1),
        }
    }

    const fn readings(self) -> usize {
        self.flats * self.rate * self.seconds
    }

    fn arguments(self) -> [String; 8] {
        let options = [("--flats", self.flats), ("--rate", self.rate), ("--seconds", self.seconds)];
        let mut all: Vec<String> =
            options.iter().flat_map(|(name, value)| [(*name).to_owned(), value.to_string()]).collect();
        all.extend(["--qos".to_owned(), self.qos.to_string()]);
        all.try_into().expect("four options")
    }
}

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().skip(1).filter(|argument| argument != "--bench").collect();
    let options = Options::read(&arguments);
    let at = || arguments[1].parse().expect("an address");
    match arguments.first().map(String::as_str) {
        Some("load") => load(at(), options),
        Some("bare") => bare(at(), options),
        Some("client") => client(at(), options),
        _ => return measure(options),
    }
    ExitCode::SUCCESS
}

/// One thing that is measured.
struct Subject {
    name: &'static str,
    child: Child,
    web: Option<SocketAddr>,
    before: f64,
}

/// What came of it.
struct Outcome {
    name: &'static str,
    heard: Option<usize>,
    cpu_s: f64,
}

fn measure(options: Options) -> ExitCode {
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build().expect("a runtime");
    let Some(broker) = runtime.block_on(Mosquitto::start()) else { return ExitCode::SUCCESS };
    let at = broker.addr();
    println!("{}; {options:?}: {} readings", broker.kind(), options.readings());

    let folder = tempfile::tempdir().expect("a folder");
    let mut subjects = vec![ourselves("bare", at, options), ourselves("client", at, options)];
    subjects.extend(service(at, options, folder.path()));
    for subject in &mut subjects {
        subject.before = cpu_s(subject.child.id());
    }
    let begun = Instant::now();
    let sent = command("load", at, options).status().expect("the load runs");
    assert!(sent.success(), "the load failed");
    println!("sent in {:.2} s", begun.elapsed().as_secs_f64());
    let outcomes: Vec<Outcome> = subjects.into_iter().map(|subject| subject.finish(options.readings())).collect();
    drop(runtime);
    report(&outcomes, options.readings())
}

fn report(outcomes: &[Outcome], readings: usize) -> ExitCode {
    let cost = |outcome: &Outcome| outcome.cpu_s * 1e6 / readings as f64;
    let bare = cost(&outcomes[0]);
    let mut good = true;
    println!("{:<8} {:>10} {:>6} {:>12} {:>7}", "", "heard", "lost", "CPU/reading", "ratio");
    for outcome in outcomes {
        let (heard, lost) = outcome.heard.map_or(("?".to_owned(), "?".to_owned()), |heard| {
            (heard.to_string(), (readings.saturating_sub(heard)).to_string())
        });
        let ratio = cost(outcome) / bare;
        println!("{:<8} {heard:>10} {lost:>6} {:>9.2} µs {ratio:>7.2}", outcome.name, cost(outcome));
        good &= ratio <= ALLOWED && outcome.heard == Some(readings);
    }
    if good { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

impl Subject {
    /// Waits until it has heard all, or no more comes, and ends it.
    fn finish(mut self, readings: usize) -> Outcome {
        let heard = match self.web {
            Some(web) => settle(|| health(web), readings),
            None => self.told(),
        };
        let cpu_s = cpu_s(self.child.id()) - self.before;
        let _ = self.child.kill();
        let _ = self.child.wait();
        Outcome { name: self.name, heard, cpu_s }
    }

    /// Our own subscribers write one line when they have heard all, or nothing for a while.
    fn told(&mut self) -> Option<usize> {
        let mut line = String::new();
        BufReader::new(self.child.stdout.as_mut()?).read_line(&mut line).ok()?;
        line.trim().parse().ok()
    }
}

fn settle(ask: impl Fn() -> Option<usize>, readings: usize) -> Option<usize> {
    let mut last = None;
    for _ in 0..20 {
        let now = ask();
        if now.is_some_and(|count| count >= readings) || (now.is_some() && now == last) {
            return now;
        }
        last = now;
        std::thread::sleep(Duration::from_millis(500));
    }
    last
}

fn command(mode: &str, at: SocketAddr, options: Options) -> Command {
    let mut command = Command::new(std::env::current_exe().expect("our own program"));
    command.arg(mode).arg(at.to_string()).args(options.arguments());
    command
}

/// This program again, as a subscriber; it writes a line when it is there.
fn ourselves(name: &'static str, at: SocketAddr, options: Options) -> Subject {
    let mut child = command(name, at, options).stdout(Stdio::piped()).spawn().expect("our own program runs");
    let mut ready = [0; 6];
    child.stdout.as_mut().expect("piped").read_exact(&mut ready).expect("it gets ready");
    assert_eq!(&ready, b"ready\n");
    Subject { name, child, web: None, before: 0.0 }
}

/// The program itself; `None`, told, when it does not come up.
fn service(at: SocketAddr, options: Options, folder: &std::path::Path) -> Option<Subject> {
    let web = TcpListener::bind("127.0.0.1:0").ok()?.local_addr().ok()?;
    let config = folder.join("tarewell.yaml");
    std::fs::write(&config, configuration(at, web, options.flats)).ok()?;
    let mut child = Command::new(env!("CARGO_BIN_EXE_tarewell"))
        .args(["run", "--config"])
        .arg(&config)
        .env("RUST_LOG", "warn")
        .stdout(Stdio::null())
        .spawn()
        .expect("tarewell runs");
    let begun = Instant::now();
    while health(web).is_none() {
        let ended = child.try_wait().expect("its state").is_some();
        if ended || begun.elapsed() > Duration::from_secs(10) {
            println!("SKIPPED: tarewell run does not come up");
            let _ = child.kill();
            let _ = child.wait();
            return None;
        }
        std::thread::sleep(Duration::from_millis(50));
    }
    println!("tarewell run is up after {:.0} ms", begun.elapsed().as_secs_f64() * 1e3);
    Some(Subject { name: "run", child, web: Some(web), before: 0.0 })
}

fn configuration(at: SocketAddr, web: SocketAddr, flats: usize) -> String {
    let mut yaml = format!(
        "version: 1\nsite: {{name: Load, time_zone: Europe/London}}\nbroker: {{url: \"mqtt://{at}\"}}\n\
         store: load.db\nweb: \"{web}\"\nstands:\n"
    );
    for n in 0..flats {
        let _ = writeln!(yaml, "  stand-{n}: {{topic: load/{n}, value: /weight, unit: g, division: 1 g}}");
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

/// The readings that `/health` counts, once the broker is there.
fn health(web: SocketAddr) -> Option<usize> {
    let mut stream = TcpStream::connect(web).ok()?;
    stream.set_read_timeout(Some(Duration::from_secs(2))).ok()?;
    stream.write_all(b"GET /health HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n").ok()?;
    let mut answer = String::new();
    stream.read_to_string(&mut answer).ok()?;
    let body: serde_json::Value = serde_json::from_str(answer.split("\r\n\r\n").nth(1)?).ok()?;
    if body.get("broker") == Some(&serde_json::Value::Bool(false)) {
        return None;
    }
    usize::try_from(body.get("readings")?.as_u64()?).ok()
}

/// User and system time of a process with all its threads (proc(5), fields 14 and 15).
fn cpu_s(process: u32) -> f64 {
    let stat = std::fs::read_to_string(format!("/proc/{process}/stat")).expect("it still runs");
    let after_name = stat.rsplit_once(')').expect("a name in brackets").1;
    let field =
        |n: usize| after_name.split_whitespace().nth(n - 3).and_then(|f| f.parse::<f64>().ok()).expect("a number");
    (field(14) + field(15)) / TICKS_PER_SECOND
}

/// One connection to a flat, each with its readings evenly spread, and all of them among each other. Written by hand
/// (MQTT 5.0, sections 3.1 and 3.3), so that the load takes little of the machine.
fn load(at: SocketAddr, options: Options) {
    let mut stands: Vec<TcpStream> = (0..options.flats).map(|n| connect(at, n)).collect();
    let between = Duration::from_secs(1).div_f64((options.flats * options.rate) as f64);
    let begun = Instant::now();
    for n in 0..options.readings() {
        let due = begun + between.mul_f64(n as f64);
        if let Some(early) = due.checked_duration_since(Instant::now()) {
            std::thread::sleep(early);
        }
        let (flat, turn) = (n % options.flats, n / options.flats);
        stands[flat].write_all(&reading(flat, turn, options)).expect("the broker takes it");
    }
    for mut stand in stands {
        // So that nothing is cut off: leave, and wait until the broker closes.
        let _ = stand.write_all(&[0xe0, 0]);
        let _ = stand.read_to_end(&mut Vec::new());
    }
}

fn connect(at: SocketAddr, n: usize) -> TcpStream {
    let mut stream = TcpStream::connect(at).expect("the broker is there");
    stream.set_nodelay(true).expect("a socket");
    let id = format!("stand-{n}");
    let mut body = b"\0\x04MQTT\x05\x02\0\0\0\0".to_vec();
    body.push(id.len() as u8);
    body.extend_from_slice(id.as_bytes());
    stream.write_all(&[&[0x10, body.len() as u8], &body[..]].concat()).expect("a greeting");
    let mut head = [0; 2];
    stream.read_exact(&mut head).expect("an answer");
    let mut rest = vec![0; usize::from(head[1])];
    stream.read_exact(&mut rest).expect("an answer");
    assert_eq!((head[0], rest[1]), (0x20, 0), "the broker lets a stand in");
    stream
}

/// A flat that dries slowly, with some noise.
fn reading(flat: usize, turn: usize, options: Options) -> Vec<u8> {
    let noise = ((flat * 7_919 + turn * 104_729) % 1_000) as f64 / 1_000.0 - 0.5;
    let weight = 3_800.0 - flat as f64 - turn as f64 / options.rate as f64 * 0.03 + 3.0 * noise;
    let topic = format!("load/{flat}");
    let mut body = vec![0, topic.len() as u8];
    body.extend_from_slice(topic.as_bytes());
    if options.qos == 1 {
        body.extend_from_slice(&((turn % 65_535) as u16 + 1).to_be_bytes());
    }
    body.push(0);
    let _ = write!(body, "{{\"weight\":{weight:.1}}}");
    [&[0x30 | (options.qos << 1), body.len() as u8], &body[..]].concat()
}

/// Nothing for so long means that no more comes.
const GIVE_UP: Duration = Duration::from_secs(5);

/// Looks on, seldom, until all is heard or no more comes; writes the count, and waits to be ended, so that the CPU time
/// can be read.
async fn tell(heard: &AtomicUsize, options: Options) {
    let (mut last, mut since) = (0, Instant::now());
    loop {
        tokio::time::sleep(Duration::from_millis(500)).await;
        let now = heard.load(Ordering::Relaxed);
        if now != last {
            (last, since) = (now, Instant::now());
        }
        if now >= options.readings() || (now > 0 && since.elapsed() > GIVE_UP) {
            println!("{now}");
            std::future::pending::<()>().await;
        }
    }
}

fn bare(at: SocketAddr, options: Options) {
    let heard = Arc::new(AtomicUsize::new(0));
    let counted = Arc::clone(&heard);
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    runtime.block_on(async {
        let settings = MqttOptions::new("bare", at.ip().to_string(), at.port());
        let (client, mut events) = AsyncClient::new(settings, 10);
        client.subscribe_many([Filter::new("load/+", QoS::AtLeastOnce)]).await.expect("it asks");
        tokio::spawn(async move {
            loop {
                match events.poll().await.expect("the broker stays") {
                    Event::Incoming(Incoming::Publish(_)) => drop(counted.fetch_add(1, Ordering::Relaxed)),
                    Event::Incoming(Incoming::SubAck(_)) => println!("ready"),
                    _ => {}
                }
            }
        });
        tell(&heard, options).await;
    });
}

fn client(at: SocketAddr, options: Options) {
    let heard = Arc::new(AtomicUsize::new(0));
    let counted = Arc::clone(&heard);
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build().expect("a runtime");
    runtime.block_on(async {
        let subscriptions = (0..options.flats)
            .map(|n| Subscription {
                filter: format!("load/{n}"),
                qos1: true,
                retain_as_published: false,
                no_local: false,
            })
            .collect();
        let settings = Settings { subscriptions, ..Settings::new(at.ip().to_string(), at.port(), "client") };
        let (_client, mut inbox) = Client::start(settings).expect("good settings");
        tokio::spawn(async move {
            let mut batch = Vec::new();
            while inbox.next(&mut batch).await {
                let messages = batch.iter().filter(|heard| matches!(heard, Heard::Message(_))).count();
                counted.fetch_add(messages, Ordering::Relaxed);
                if batch.iter().any(|heard| matches!(heard, Heard::Up { .. })) {
                    println!("ready");
                }
            }
        });
        tell(&heard, options).await;
    });
}
