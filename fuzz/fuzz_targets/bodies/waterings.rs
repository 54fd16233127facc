//! The engine with valves, and everything that can happen to it in any order: it neither panics nor spins, and no order to open breaks a
//! rule of water safety.

use super::checked;
use serde_json::Value;
use std::collections::HashMap;
use std::sync::{Arc, LazyLock};
use tarewell::moment::{Moment, Mono, Span, Wall};
use tarewell::site::{Fact, Input, Output, Part, Plan, Saved, Site, Subject, Ticket, Unreadable, ValveOrder};
use tarewell::units::Millilitres;
use tarewell::wire::Router;

static SHED: LazyLock<(Arc<Plan>, Router)> = LazyLock::new(|| {
    let checked = checked();
    let router = Router::new(&checked.plan, &checked.wiring);
    (Arc::new(checked.plan), router)
});

/// 6 June 2026, 06:00 UTC.
const BEGINS: i64 = 1_780_725_600_000;
const VALVES: usize = 4;
/// What runs onto a flat, g/s.
const FLOW: f64 = 10_000.0 / 3600.0;
/// So often may it be woken in one second of its time, on average over what is lived at once.
const WAKES_A_SECOND: i64 = 60;
const COMMANDS: [(&str, &str); 16] = [
    ("valves/auto", "run"),
    ("valves/auto", "stop"),
    ("valves/auto", "unlock"),
    ("valves/asked", "run"),
    ("valves/asked", r#"{"command":"run","volume_ml":60}"#),
    ("valves/asked", r#"{"command":"measure-flow","run_s":20}"#),
    ("valves/asked", r#"{"command":"measure-flow","caught_ml":55}"#),
    ("valves/asked", "unlock"),
    ("valves/mute", "unlock"),
    ("valves/mute", r#"{"command":"run","volume_ml":30}"#),
    ("valves/main", "unlock"),
    ("", r#"{"command":"pause","for_h":1}"#),
    ("", "resume"),
    ("", "stop"),
    ("flats/leek-1", r#"{"command":"set","target":0.6}"#),
    ("", r#"{"command":"refilled","supply":"tank"}"#),
];

struct Shed {
    site: Site,
    now: i64,
    wall_ahead: i64,
    weights: [f64; 3],
    /// Open, and when the device's own timer closes it.
    devices: [Option<i64>; VALVES],
    /// What the device does: as ordered, or nothing.
    obeys: [bool; VALVES],
    links: [bool; VALVES],
    broker: bool,
    held: bool,
    store: bool,
    facts: HashMap<(String, String), String>,
    disk: HashMap<(String, String), String>,
    /// The last order to each, and until when it may stand.
    stands_until: [Option<i64>; VALVES],
    tickets: u64,
    wakes: i64,
}

/// Plays the bytes.
pub fn play(bytes: &[u8]) {
    let mut shed = Shed::new();
    shed.start();
    let mut bytes = bytes.iter().copied().take(400);
    while let Some(what) = bytes.next() {
        let which = bytes.next().unwrap_or(0);
        shed.happen(what, which);
    }
    shed.live(300);
}

impl Shed {
    fn new() -> Self {
        let at = Moment { mono: Mono::from_millis(BEGINS), wall: Wall::from_millis(BEGINS) };
        Self {
            site: Site::new(SHED.0.clone(), &Saved::default(), at),
            now: BEGINS,
            wall_ahead: 0,
            weights: [2250.0; 3],
            devices: [None; VALVES],
            obeys: [true; VALVES],
            links: [false; VALVES],
            broker: false,
            held: false,
            store: true,
            facts: HashMap::new(),
            disk: HashMap::new(),
            stands_until: [None; VALVES],
            tickets: 0,
            wakes: 0,
        }
    }

    fn moment(&self) -> Moment {
        Moment { mono: Mono::from_millis(self.now), wall: Wall::from_millis(self.now + self.wall_ahead) }
    }

    fn start(&mut self) {
        let fact = |((of, id), json): (&(String, String), &String)| Fact {
            of: of.clone(),
            id: id.clone(),
            json: json.clone(),
        };
        let saved = Saved { facts: self.disk.iter().map(fact).collect(), alerts: Vec::new(), last_seq: 0 };
        self.site = Site::new(SHED.0.clone(), &saved, self.moment());
        self.facts = self.disk.clone();
        // What a broker keeps comes first.
        self.hold(self.held);
        self.connect(true);
        (0..VALVES).for_each(|valve| self.link(valve, true));
    }

    fn happen(&mut self, what: u8, which: u8) {
        let (valve, stand) = (usize::from(which) % VALVES, usize::from(which) % 3);
        match what % 18 {
            0 => self.live(i64::from(which)),
            1 => self.live(i64::from(which) * 30),
            2 | 3 => self.command(usize::from(which) % COMMANDS.len()),
            4 => self.link(valve, which & 64 == 0),
            5 => self.connect(which & 1 == 0),
            6 => self.report(valve, which & 64 == 0),
            7 => self.handle(Input::ForeignOrder { valve, closes: which & 64 == 0, retained: which & 128 == 0 }),
            8 => {
                let holds = which & 1 == 0;
                self.hold(holds);
            }
            9 => self.handle(Input::Level { supply: 0, left: Millilitres::new(f64::from(which) * 40.0 - 40.0) }),
            10 => self.obeys[valve] = which & 64 == 0,
            11 => self.store = which & 3 != 0,
            12 => {
                // A crash: the brokers of the wills close what hears.
                for valve in 0..VALVES {
                    self.obey(valve, ValveOrder::Close);
                }
                self.now += i64::from(which) * 1000;
                self.start();
            }
            13 => self.wall_ahead += (i64::from(which) - 128) * 1_800_000,
            14 => self.weights[stand] += f64::from(which) * 4.0 - 512.0,
            15 => {
                let value = if which & 64 == 0 { Err(Unreadable::Missing) } else { Ok(f64::from(which) * 1e4) };
                self.handle(Input::Reading { stand, part: Part::Whole, value, retained: which & 128 == 0 });
            }
            16 => self.weights[stand] = 2100.0 + f64::from(which),
            _ => {
                self.handle(Input::Stopping);
                self.disk = self.facts.clone();
                self.stands_until = [None; VALVES];
                self.start();
            }
        }
    }

    /// The floor is wet, or is not.
    fn hold(&mut self, holds: bool) {
        self.held &= holds;
        for valve in [0, 2] {
            self.handle(Input::Hold { valve, which: 0, holds });
        }
        self.held = holds;
    }

    /// Seconds in which the stands are read and the devices do what they do.
    fn live(&mut self, seconds: i64) {
        self.wakes = 0;
        for second in 0..seconds {
            self.pass_to(self.now + 1000);
            for valve in 0..VALVES {
                if self.devices[valve].is_some_and(|until| self.now >= until) {
                    self.devices[valve] = None;
                    self.report(valve, false);
                }
            }
            for stand in 0..3 {
                let is_fed = self.devices[stand].is_some() && (stand == 2 || self.devices[3].is_some());
                self.weights[stand] += if is_fed { FLOW } else { -0.005 };
                let value = Ok(self.weights[stand] + if second % 2 == 0 { 0.4 } else { -0.4 });
                self.handle(Input::Reading { stand, part: Part::Whole, value, retained: false });
            }
        }
        assert!(self.wakes <= WAKES_A_SECOND * (seconds + 10), "woken {} times in {seconds} s", self.wakes);
    }

    fn pass_to(&mut self, to: i64) {
        while let Some(wake) = self.site.next_wake().map(|wake| wake.at.millis()).filter(|wake| *wake <= to) {
            self.now = self.now.max(wake);
            self.wakes += 1;
            assert!(self.wakes < 1_000_000, "it spins");
            self.handle(Input::Tick);
            self.held_to_their_time();
        }
        self.now = to;
        self.held_to_their_time();
    }

    /// S1: no order to open stands for longer than it may.
    fn held_to_their_time(&self) {
        for (valve, until) in self.stands_until.iter().enumerate() {
            assert!(until.is_none_or(|until| self.now <= until + 2000), "S1: valve {valve} is still ordered open");
        }
    }

    fn connect(&mut self, up: bool) {
        self.broker = up;
        self.handle(if up { Input::Connected } else { Input::Disconnected });
    }

    fn link(&mut self, valve: usize, up: bool) {
        self.links[valve] = up;
        if !up {
            // The will.
            self.obey(valve, ValveOrder::Close);
            self.stands_until[valve] = None;
        }
        self.handle(Input::ValveLink { valve, up });
    }

    fn report(&mut self, valve: usize, open: bool) {
        if valve != 2 {
            self.handle(Input::ValveReport { valve, open });
        }
    }

    fn command(&mut self, which: usize) {
        let (to, payload) = COMMANDS[which];
        let topic = if to.is_empty() { "tarewell/command".to_owned() } else { format!("tarewell/{to}/command") };
        self.tickets += 1;
        let ticket = Some(Ticket(self.tickets));
        let mut inputs = Vec::new();
        SHED.1.message(&topic, payload.as_bytes(), false, ticket, |input| inputs.push(input));
        inputs.into_iter().for_each(|input| self.handle(input));
    }

    fn handle(&mut self, input: Input) {
        let at = self.moment();
        self.site.handle(input, at);
        let mut flushes = Vec::new();
        let mut reports = Vec::new();
        while let Some(output) = self.site.poll() {
            match output {
                Output::Valve(valve, order) => {
                    if let ValveOrder::Open { seconds } = order {
                        self.may_open(valve, seconds);
                    }
                    self.stands_until[valve] = match order {
                        ValveOrder::Open { seconds } => Some(self.now + i64::from(seconds) * 1000),
                        ValveOrder::Close => None,
                    };
                    if self.links[valve] && self.obey(valve, order) {
                        reports.push((valve, matches!(order, ValveOrder::Open { .. })));
                    }
                }
                Output::Flush(mark) => {
                    if self.store {
                        self.disk = self.facts.clone();
                    }
                    flushes.push(mark);
                }
                Output::Keep(subject) => {
                    if let Some(fact) = self.site.fact(subject) {
                        self.facts.insert((fact.of, fact.id), fact.json);
                    }
                }
                Output::State(subject) => {
                    let mut json = Vec::new();
                    self.site.write_state(subject, &mut json);
                    serde_json::from_slice::<Value>(&json).expect("JSON");
                }
                _ => {}
            }
        }
        let ok = self.store;
        flushes.into_iter().for_each(|mark| self.handle(Input::Flushed { mark, ok }));
        reports.into_iter().for_each(|(valve, open)| self.report(valve, open));
    }

    /// Whether it does as ordered.
    fn obey(&mut self, valve: usize, order: ValveOrder) -> bool {
        if self.obeys[valve] {
            self.devices[valve] = match order {
                ValveOrder::Open { seconds } => Some(self.now + i64::from(seconds) * 1000),
                ValveOrder::Close => None,
            };
        }
        self.obeys[valve]
    }

    /// S1, S2, S3, S7 at the moment of an order to open, by what is on the disk.
    fn may_open(&self, valve: usize, seconds: u32) {
        let settings = &SHED.0.valves[valve];
        assert!(self.broker && self.links[valve], "S3: {} has no connection", settings.id);
        let fact = self.disk.get(&("valve".to_owned(), settings.id.clone()));
        let fact: Value = fact.and_then(|json| serde_json::from_str(json).ok()).unwrap_or_default();
        assert!(fact["fault"].is_null(), "S7: {} is locked by {}", settings.id, fact["fault"]);
        if settings.feeds.is_empty() {
            return;
        }
        assert!(!(self.held && valve != 1), "{} is held", settings.id);
        let most = settings.max_run.map_or(0, Span::millis) / 1000;
        assert!(i64::from(seconds) <= most, "S1: {seconds} s of {most}");
        let could = fact["entry"]["most"].as_f64().expect("S2: opened without an entry on the disk");
        let day = self.now - Span::hours(24).millis();
        let poured = fact["poured"].as_array().into_iter().flatten();
        let given: f64 = poured
            .filter(|poured| poured["at"]["mono"].as_i64().is_some_and(|at| at > day))
            .filter_map(|poured| poured["volume"].as_f64())
            .sum();
        let limit = settings.max_per_day.map_or(f64::INFINITY, Millilitres::get);
        assert!(given + could <= limit + 0.5, "S2: {could:.1} mL more could pass {limit} after {given:.1}");
        let fed = self.site_state(Subject::Flat(settings.feeds[0].flat));
        // Into a bucket, as the one that is asked may be told to, no flat is asked.
        assert!(valve == 1 || fed["basis"] == "stand", "S3: {fed}");
    }

    fn site_state(&self, subject: Subject) -> Value {
        let mut json = Vec::new();
        self.site.write_state(subject, &mut json);
        serde_json::from_slice(&json).expect("JSON")
    }
}
