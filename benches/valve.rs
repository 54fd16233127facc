//! How long it takes from a reading that ends a watering to the order to close, on the wire, while 5,000 other readings a second flow.
//!
//! `cargo bench --bench valve` (options: `-- --valves 100 --rounds 3 --flats 200 --rate 25`) starts a Mosquitto and `tarewell run`, plays
//! the valves with their flats and all the other stands, and waters on command. A valve's stand is read twice a second; while the valve
//! is open, somebody pours a glass of water into the flat, which takes it beyond its target. The first such reading could be a wrong one;
//! the second closes the valve at once. (By itself a watering ends when the weights of the last seconds say that the target is reached,
//! which is between two readings.) The time is taken from just before the second is written to a socket until the order to close is
//! read from another, so the way through the broker and back is in it. It fails above 10 ms at the 99th percentile.
//!
//! The Mosquitto has `set_tcp_nodelay true`. Without it, as it comes, it holds readings of QoS 0 back for up to 40 ms, until the ones before
//! are acknowledged (RFC 896), whoever reads them. The broker of this program does not; it stands in where there is no Mosquitto.

#[path = "../tests/support/mosquitto.rs"]
#[allow(dead_code, reason = "shared with tests that restart it")]
mod mosquitto;

use mosquitto::Mosquitto;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::{Client, Event, Incoming, MqttOptions};
use std::fmt::Write as _;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::process::{Child, Command, ExitCode, Stdio};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};
use tarewell::broker::{Embedded, Settings};

/// What is promised.
const WITHIN: Duration = Duration::from_millis(10);
/// A valve's stand is read so often.
const PERIOD: Duration = Duration::from_millis(500);
/// The flow, in mL/s.
const FLOW: f64 = 4.0;
/// Each watering, in mL; and what is poured in by hand after so many readings of the open valve.
const VOLUME: f64 = 60.0;
const GLASS: f64 = 80.0;
const AFTER: usize = 6;
/// What was closed has settled after this, and is watered again.
const SETTLES: Duration = Duration::from_secs(60);

struct Options {
    valves: usize,
    rounds: usize,
    flats: usize,
    rate: usize,
}

/// One valve with its flat.
#[derive(Clone)]
struct Bed {
    weight: f64,
    /// Open, with so many readings since.
    open: Option<usize>,
    /// When the glass was seen for the second time.
    poured: Option<Instant>,
}

struct Garden {
    beds: Vec<Bed>,
    took: Vec<Duration>,
    over: bool,
}

type Shared = Arc<Mutex<Garden>>;

fn lock(garden: &Shared) -> MutexGuard<'_, Garden> {
    garden.lock().unwrap_or_else(PoisonError::into_inner)
}

fn main() -> ExitCode {
    let arguments: Vec<String> = std::env::args().collect();
    let number = |name: &str, default| {
        let at = arguments.iter().position(|argument| argument == name);
        at.map_or(default, |at| arguments[at + 1].parse().expect("a number"))
    };
    let options = Options {
        valves: number("--valves", 100),
        rounds: number("--rounds", 3),
        flats: number("--flats", 200),
        rate: number("--rate", 25),
    };
    if let Some(program) = mosquitto::program() {
        let broker = Mosquitto::program(program, "allow_anonymous true\nset_tcp_nodelay true");
        println!("{}", broker.kind());
        return measure(broker.addr(), &options);
    }
    let settings = Settings {
        listen: SocketAddr::from(([127, 0, 0, 1], 0)),
        users: Vec::new(),
        base: "nobody".to_owned(),
        valve_topics: Vec::new(),
    };
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build().expect("a runtime");
    let broker = runtime.block_on(Embedded::start(settings)).expect("a broker");
    println!("embedded");
    measure(broker.addr(), &options)
}

fn measure(at: SocketAddr, options: &Options) -> ExitCode {
    let bed = Bed { weight: 2_200.0, open: None, poured: None };
    let garden = Garden { beds: vec![bed; options.valves], took: Vec::new(), over: false };
    let garden: Shared = Arc::new(Mutex::new(garden));
    hear(at, &garden);
    let threads = [
        std::thread::spawn({
            let garden = garden.clone();
            move || weigh(&mut connect(at, "beds"), &garden)
        }),
        std::thread::spawn({
            let (garden, flats, rate) = (garden.clone(), options.flats, options.rate);
            move || load(&mut connect(at, "load"), &garden, flats, rate)
        }),
    ];
    let folder = tempfile::tempdir().expect("a folder");
    let mut service = start(at, options, folder.path());
    let mut grower = connect(at, "grower");
    // All are connected, weighed, and known to be closed.
    std::thread::sleep(Duration::from_secs(10));
    for _ in 0..options.rounds {
        for valve in 0..options.valves {
            let command = format!("{{\"command\":\"run\",\"volume_ml\":{VOLUME}}}");
            let topic = format!("tarewell/valves/valve-{valve}/command");
            // Water that no valve gave looks like a valve that does not close.
            for command in ["unlock", &command] {
                grower.write_all(&publish(&topic, command.as_bytes(), false)).expect("the broker takes it");
            }
            // Not in step with the readings.
            std::thread::sleep(Duration::from_millis(73));
        }
        std::thread::sleep(Duration::from_secs_f64(VOLUME / FLOW) + SETTLES);
    }
    lock(&garden).over = true;
    let _ = service.kill();
    let _ = service.wait();
    for thread in threads {
        thread.join().expect("the load was written");
    }
    let mut took = std::mem::take(&mut lock(&garden).took);
    took.sort_unstable();
    report(&took, options)
}

fn report(took: &[Duration], options: &Options) -> ExitCode {
    let many = options.valves * options.rounds;
    println!(
        "{} orders to close in {many} waterings, {} other readings a second",
        took.len(),
        options.flats * options.rate
    );
    if took.len() < many / 2 {
        println!("too few to say anything");
        return ExitCode::FAILURE;
    }
    let at = |share: usize| took[(took.len() * share).div_ceil(1000).clamp(1, took.len()) - 1];
    for (name, share) in [("median", 500), ("90 %", 900), ("99 %", 990), ("most", 1000)] {
        println!("{name:<8} {:>7.2} ms", at(share).as_secs_f64() * 1e3);
    }
    if at(990) <= WITHIN { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

/// The valves: each does as it is ordered and says so; the first order to close after an opening is what is measured.
fn hear(at: SocketAddr, garden: &Shared) {
    let (client, mut connection) = Client::new(MqttOptions::new("valves", at.ip().to_string(), at.port()), 1_000);
    client.subscribe("valves/+/set", QoS::AtMostOnce).expect("it asks");
    let (mut says, garden) = (connect(at, "reports"), garden.clone());
    std::thread::spawn(move || {
        let _client = client;
        for event in connection.iter() {
            let Ok(event) = event else { return };
            let Event::Incoming(Incoming::Publish(order)) = event else { continue };
            let now = Instant::now();
            let topic = String::from_utf8_lossy(&order.topic).into_owned();
            let valve: usize = topic.split('/').nth(1).and_then(|n| n.parse().ok()).expect("a valve");
            let opens = order.payload.starts_with(b"ON");
            {
                let mut garden = lock(&garden);
                let bed = &mut garden.beds[valve];
                bed.open = opens.then_some(0);
                let poured = bed.poured.take();
                garden.took.extend(poured.filter(|_| !opens).map(|poured| now - poured));
            }
            let report: &[u8] = if opens { b"ON" } else { b"OFF" };
            if says.write_all(&publish(&format!("valves/{valve}/state"), report, true)).is_err() {
                return;
            }
        }
    });
}

/// The stands of the valves, one after the other, each twice a second.
fn weigh(broker: &mut TcpStream, garden: &Shared) {
    let count = lock(garden).beds.len();
    let between = PERIOD.div_f64(count as f64);
    let begun = Instant::now();
    for turn in 0.. {
        wait_until(begun + between.mul_f64(turn as f64));
        let place = turn % count;
        let mut garden = lock(garden);
        if garden.over {
            return;
        }
        let bed = &mut garden.beds[place];
        if let Some(readings) = &mut bed.open {
            *readings += 1;
            bed.weight += FLOW * PERIOD.as_secs_f64();
            if *readings == AFTER {
                bed.weight += GLASS;
            } else if *readings == AFTER + 1 {
                bed.poured = Some(Instant::now());
            }
        }
        let message = publish(&format!("beds/{place}"), format!("{:.1}", bed.weight).as_bytes(), false);
        broker.write_all(&message).expect("the broker takes it");
    }
}

/// All the others, which dry slowly, with some noise.
fn load(broker: &mut TcpStream, garden: &Shared, flats: usize, rate: usize) {
    let between = Duration::from_secs(1).div_f64((flats * rate) as f64);
    let begun = Instant::now();
    for turn in 0.. {
        wait_until(begun + between.mul_f64(turn as f64));
        if turn % 1_000 == 0 && lock(garden).over {
            return;
        }
        let noise = (turn * 104_729 % 1_000) as f64 / 1_000.0 - 0.5;
        let weight = 3_800.0 - (turn / flats) as f64 / rate as f64 * 0.03 + 3.0 * noise;
        let message = publish(&format!("load/{}", turn % flats), format!("{weight:.1}").as_bytes(), false);
        broker.write_all(&message).expect("the broker takes it");
    }
}

fn wait_until(due: Instant) {
    if let Some(early) = due.checked_duration_since(Instant::now()) {
        std::thread::sleep(early);
    }
}

fn start(at: SocketAddr, options: &Options, folder: &std::path::Path) -> Child {
    let config = folder.join("tarewell.yaml");
    std::fs::write(&config, configuration(at, options)).expect("a file");
    Command::new(env!("CARGO_BIN_EXE_tarewell"))
        .args(["run", "--config"])
        .arg(&config)
        .env("RUST_LOG", "error")
        .stdout(Stdio::null())
        .spawn()
        .expect("tarewell runs")
}

fn configuration(at: SocketAddr, options: &Options) -> String {
    let mut yaml = format!(
        "version: 1\nsite: {{name: Latency, time_zone: Europe/London}}\nbroker: {{url: \"mqtt://{at}\"}}\nstore: valve.db\n"
    );
    let mut section = |name: &str, many: usize, line: &dyn Fn(usize) -> String| {
        let _ = write!(yaml, "{name}");
        (0..many).for_each(|n| {
            let _ = writeln!(yaml, "  {}", line(n));
        });
    };
    section("stands:\n", options.flats, &|n| format!("other-{n}: {{topic: load/{n}}}"));
    section("", options.valves, &|n| format!("stand-{n}: {{topic: beds/{n}}}"));
    let band = |dry: u32| format!("dry_weight: {dry} g, capacity_weight: {} g", dry + 1_600);
    section("flats:\n", options.flats, &|n| {
        format!("rest-{n}: {{label: Rest {n}, stand: other-{n}, {}}}", band(2_900))
    });
    section("", options.valves, &|n| format!("flat-{n}: {{label: Flat {n}, stand: stand-{n}, {}}}", band(2_000)));
    section("valves:\n", options.valves, &|n| {
        format!(
            "valve-{n}: {{topic: valves/{n}/set, open: 'ON {{seconds}}', close: 'OFF', mode: ask, max_run: 5 min, max_per_day: 5 L, \
             report: {{topic: valves/{n}/state, open: 'ON', closed: 'OFF'}}, pulse: {{volume: 200 mL}}, \
             feeds: {{flat-{n}: {} L/h}}}}",
            FLOW * 3.6
        )
    });
    yaml
}

/// By hand (MQTT 5.0, sections 3.1 and 3.3), so that little of the machine is taken.
fn connect(at: SocketAddr, id: &str) -> TcpStream {
    let mut stream = TcpStream::connect(at).expect("the broker is there");
    stream.set_nodelay(true).expect("a socket");
    let mut body = b"\0\x04MQTT\x05\x02\0\0\0\0".to_vec();
    body.push(id.len() as u8);
    body.extend_from_slice(id.as_bytes());
    stream.write_all(&[&[0x10, body.len() as u8], &body[..]].concat()).expect("a greeting");
    let mut head = [0; 2];
    stream.read_exact(&mut head).expect("an answer");
    let mut rest = vec![0; usize::from(head[1])];
    stream.read_exact(&mut rest).expect("an answer");
    assert_eq!((head[0], rest[1]), (0x20, 0), "the broker lets it in");
    stream
}

/// A PUBLISH of QoS 0, shorter than 128 bytes.
fn publish(topic: &str, payload: &[u8], retain: bool) -> Vec<u8> {
    let mut body = vec![0, topic.len() as u8];
    body.extend_from_slice(topic.as_bytes());
    body.push(0);
    body.extend_from_slice(payload);
    assert!(body.len() < 128, "one byte of length");
    [&[0x30 | u8::from(retain), body.len() as u8], &body[..]].concat()
}
