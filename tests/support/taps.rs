//! A simulated house whose valves the real engine drives, with the invariants of water safety checked at each order.
#![allow(dead_code, reason = "each test uses a part of it")]

use std::sync::Arc;
use tarewell::flat::{FlatSettings, Limits};
use tarewell::moment::{Moment, Mono, Span, Wall, Zone};
use tarewell::sim::{
    Act, CellPlan, Feed as Emitter, FlatPlan, House, HousePlan, Message, Onto, SimTime, ValveOrder as Said,
};
use tarewell::site::{
    Answer, Command, Happening, Input, Order, Output, Part, Plan, Saved, Site, Subject, Ticket, Unreadable, ValveOrder,
};
use tarewell::stand::StandSettings;
use tarewell::units::{Flow, Fraction, Grams, Millilitres, WATER_20, Words};
use tarewell::watering::{Feed, Mode, ValveSettings};

/// The wall clock at the house's midnight: 2026-03-02 in London.
pub const MIDNIGHT: i64 = 1_772_409_600_000;

/// What was ordered, and when.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ordered {
    pub at: SimTime,
    pub valve: usize,
    pub order: ValveOrder,
}

/// A house, the engine, and what passed between them.
pub struct Taps {
    pub house: House,
    pub plan: Arc<Plan>,
    pub site: Option<Site>,
    pub now: SimTime,
    /// By how much the wall clock was set.
    pub wall_ahead: Span,
    /// By how much the monotonic clock of this run is ahead of the first one's.
    mono_ahead: Span,
    pub ordered: Vec<Ordered>,
    pub events: Vec<(SimTime, Subject, Happening)>,
    pub answers: Vec<Answer>,
    pub facts: std::collections::HashMap<(String, String), String>,
    pub alerts: std::collections::HashMap<(String, String, String), String>,
    pub seq: u64,
    tickets: u64,
    pub broker: bool,
    pub linked: Vec<bool>,
    /// The store writes.
    pub store: bool,
    /// Facts as they are on the disk.
    pub disk: std::collections::HashMap<(String, String), String>,
    /// Orders reach the house.
    pub wired: bool,
    pub cleared: Vec<usize>,
    pub slice: Span,
    /// The state of the first valve, as last published.
    told_valve: Option<serde_json::Value>,
    /// The store writes, but says so only when [`Taps::flush`] is called.
    pub hold_flush: bool,
    held: Vec<u64>,
    /// How often the engine was woken at a time of its own.
    pub ticks: u64,
}

/// How a house is put together.
pub struct Setup {
    pub flats: Vec<FlatPlan>,
    pub cell: CellPlan,
    pub limits: Limits,
    pub valves: Vec<(ValveSettings, tarewell::sim::ValvePlan)>,
    pub supplies: Vec<(tarewell::watering::SupplySettings, tarewell::sim::SupplyPlan)>,
    pub acts: Vec<(SimTime, Act)>,
    pub seed: u64,
    pub calm: Span,
    /// Flats that are on no stand as the engine knows it, and which flat speaks for each.
    pub unweighed: Vec<(usize, Option<usize>)>,
}

impl Default for Setup {
    fn default() -> Self {
        Self {
            flats: vec![FlatPlan::litres(4.0).mix(tarewell::sim::Mix::Coir).at_fraction(0.2).on(0)],
            cell: CellPlan { period: Span::seconds(1), noise: 1.5, ..CellPlan::default() },
            limits: Limits::default(),
            valves: vec![tap(&[(0, 6.0)])],
            supplies: Vec::new(),
            acts: Vec::new(),
            seed: 1,
            calm: Span::seconds(10),
            unweighed: Vec::new(),
        }
    }
}

/// A drip valve in `ask`, by flats and true flows in g/s; it knows them.
pub fn tap(feeds: &[(usize, f64)]) -> (ValveSettings, tarewell::sim::ValvePlan) {
    let settings = ValveSettings {
        id: "tap".to_owned(),
        mode: Mode::Ask,
        feeds: feeds.iter().map(|(flat, flow)| Feed { flat: *flat, flow: Flow::new(flow / WATER_20) }).collect(),
        pulse_volume: Some(Millilitres::new(5000.0)),
        rest: Some(Span::seconds(60)),
        max_run: Some(Span::minutes(15)),
        max_per_day: Some(Millilitres::new(6000.0)),
        has_timer: true,
        reports: true,
        ..ValveSettings::default()
    };
    let feeds = feeds.iter().map(|(flat, flow)| Emitter { onto: Onto::Stand(*flat), flow: *flow, below: false });
    (settings, tarewell::sim::ValvePlan { feeds: feeds.collect(), ..tarewell::sim::ValvePlan::default() })
}

impl Taps {
    pub fn new(setup: Setup) -> Self {
        let flats = setup.flats.iter().enumerate().map(|(at, pot)| {
            let unweighed = setup.unweighed.iter().find(|(flat, _)| *flat == at);
            let settings = FlatSettings {
                label: format!("Flat {at}"),
                stand: pot.stand.filter(|_| unweighed.is_none()),
                like: unweighed.and_then(|(_, like)| *like),
                dry_weight: Some(pot.dry_weight()),
                capacity_weight: Some(pot.capacity_weight()),
                limits: setup.limits,
                ..FlatSettings::default()
            };
            (format!("f{at}"), settings)
        });
        let plan = Arc::new(Plan {
            name: "Taps".to_owned(),
            zone: Zone::named("Europe/London").unwrap(),
            words: Words::Metric,
            base_topic: "tarewell".to_owned(),
            fills: Vec::new(),
            stands: (0..setup.flats.len()).map(|at| (format!("s{at}"), StandSettings::default())).collect(),
            flats: flats.collect(),
            valves: setup.valves.iter().map(|(settings, _)| settings.clone()).collect(),
            supplies: setup.supplies.iter().map(|(settings, _)| settings.clone()).collect(),
        });
        let house = HousePlan {
            stands: setup.flats.iter().map(|_| setup.cell.clone()).collect(),
            flats: setup.flats,
            valves: setup.valves.into_iter().map(|(_, plan)| plan).collect(),
            supplies: setup.supplies.into_iter().map(|(_, plan)| plan).collect(),
            acts: setup.acts,
            steps: tarewell::sim::Steps { calm: setup.calm, ..tarewell::sim::Steps::default() },
            ..HousePlan::default()
        };
        let now = SimTime::at(0, 6, 0);
        let valves = plan.valves.len();
        let mut taps = Self {
            house: House::new(house, setup.seed, now),
            plan,
            site: None,
            now,
            wall_ahead: Span::ZERO,
            mono_ahead: Span::ZERO,
            ordered: Vec::new(),
            events: Vec::new(),
            answers: Vec::new(),
            facts: std::collections::HashMap::new(),
            alerts: std::collections::HashMap::new(),
            seq: 0,
            tickets: 0,
            broker: true,
            linked: vec![true; valves],
            store: true,
            disk: std::collections::HashMap::new(),
            wired: true,
            cleared: Vec::new(),
            slice: Span::from_millis(250),
            told_valve: None,
            ticks: 0,
            hold_flush: false,
            held: Vec::new(),
        };
        taps.start();
        taps
    }

    /// The program starts, with what is on the disk.
    pub fn start(&mut self) {
        // As the service's clock does: from the wall clock, and never back.
        self.mono_ahead = self.mono_ahead.max(self.wall_ahead);
        let fact = |((of, id), json): (&(String, String), &String)| tarewell::site::Fact {
            of: of.clone(),
            id: id.clone(),
            json: json.clone(),
        };
        let alert = |((kind, of, id), json): (&(String, String, String), &String)| {
            (kind.clone(), of.clone(), id.clone(), json.clone())
        };
        let saved = Saved {
            facts: self.disk.iter().map(fact).collect(),
            alerts: self.alerts.iter().map(alert).collect(),
            last_seq: self.seq,
        };
        self.site = Some(Site::new(self.plan.clone(), &saved, self.moment()));
        self.house.reconnect();
        self.handle(Input::Connected);
        for valve in 0..self.linked.len() {
            if self.linked[valve] {
                self.handle(Input::ValveLink { valve, up: true });
            }
        }
    }

    /// The program is killed; the broker publishes the wills of its valves.
    pub fn kill(&mut self) {
        self.site = None;
        for valve in 0..self.linked.len() {
            self.house.order(valve, Said::Close, self.now);
        }
        self.facts.clone_from(&self.disk);
    }

    /// The program is told to stop, and stops: all that it keeps is on the disk.
    pub fn stop(&mut self) {
        self.handle(Input::Stopping);
        self.site = None;
        self.disk.clone_from(&self.facts);
    }

    pub fn flush(&mut self) {
        for mark in std::mem::take(&mut self.held) {
            self.handle(Input::Flushed { mark, ok: self.store });
        }
    }

    fn sim_of(&self, mono: Mono) -> SimTime {
        SimTime::from_millis(mono.millis() - MIDNIGHT - self.mono_ahead.millis())
    }

    pub fn moment(&self) -> Moment {
        Moment {
            mono: Mono::from_millis(MIDNIGHT + self.now.millis() + self.mono_ahead.millis()),
            wall: Wall::from_millis(MIDNIGHT + self.now.millis() + self.wall_ahead.millis()),
        }
    }

    pub fn handle(&mut self, input: Input) {
        let mut inputs = vec![input];
        while let Some(input) = inputs.pop() {
            let Some(mut site) = self.site.take() else { return };
            site.handle(input, self.moment());
            while let Some(output) = site.poll() {
                self.carry_out(&site, output, &mut inputs);
            }
            self.site = Some(site);
        }
    }

    fn carry_out(&mut self, site: &Site, output: Output, inputs: &mut Vec<Input>) {
        match output {
            Output::Valve(valve, order) => self.order(valve, order),
            Output::ClearValve(valve) => self.cleared.push(valve),
            Output::Flush(mark) => {
                if self.store {
                    self.disk.clone_from(&self.facts);
                }
                if self.hold_flush {
                    self.held.push(mark);
                } else {
                    inputs.push(Input::Flushed { mark, ok: self.store });
                }
            }
            Output::Keep(subject) => {
                if let Some(fact) = site.fact(subject) {
                    self.facts.insert((fact.of, fact.id), fact.json);
                }
            }
            Output::KeepAlert(kind, subject) => {
                let key = (kind.name().to_owned(), subject.of().to_owned(), site.id(subject).to_owned());
                match site.alert_fact(kind, subject) {
                    Some(json) => self.alerts.insert(key, json),
                    None => self.alerts.remove(&key),
                };
            }
            Output::Event(event) => {
                self.seq = event.seq;
                self.events.push((self.now, event.subject, event.what));
            }
            Output::Answer(_, answer) => self.answers.push(answer),
            Output::State(Subject::Valve(0)) => {
                let mut json = Vec::new();
                site.write_state(Subject::Valve(0), &mut json);
                self.told_valve = serde_json::from_slice(&json).ok();
            }
            _ => {}
        }
    }

    fn order(&mut self, valve: usize, order: ValveOrder) {
        self.ordered.push(Ordered { at: self.now, valve, order });
        if !self.linked[valve] || !self.wired {
            return;
        }
        let said = match order {
            ValveOrder::Open { seconds } => {
                self.before_water(valve, seconds);
                Said::Open { timer: Some(Span::seconds(i64::from(seconds))) }
            }
            ValveOrder::Close => Said::Close,
        };
        self.house.order(valve, said, self.now);
    }

    /// S1, S2, S3 at the moment of an order to open.
    fn before_water(&self, valve: usize, seconds: u32) {
        let settings = &self.plan.valves[valve];
        if settings.feeds.is_empty() {
            return;
        }
        let most = settings.max_run.map_or(0, Span::millis) / 1000;
        assert!(i64::from(seconds) <= most, "S1: {seconds} s of {most}");
        let key = ("valve".to_owned(), settings.id.clone());
        let kept = self.disk.get(&key).and_then(|json| serde_json::from_str::<serde_json::Value>(json).ok());
        let kept = kept.unwrap_or_default();
        let could = kept["entry"]["most"].as_f64().expect("S2: opened without an entry on the disk");
        let day = self.moment().mono.millis() - Span::hours(24).millis();
        let poured = kept["poured"].as_array().into_iter().flatten();
        let poured = poured.filter(|poured| poured["at"]["mono"].as_i64().is_some_and(|at| at > day));
        let given: f64 = poured.filter_map(|poured| poured["volume"].as_f64()).sum();
        let limit = settings.max_per_day.map_or(f64::INFINITY, Millilitres::get);
        assert!(given + could <= limit + 0.5, "S2: {could:.1} mL more could pass {limit} after {given:.1}");
        assert!(self.broker && self.linked[valve], "S3: not connected");
    }

    /// Lives until then.
    pub fn until(&mut self, end: SimTime) {
        while self.now < end {
            let wake = self.site.as_ref().and_then(Site::next_wake).map(|wake| self.sim_of(wake.at));
            let next = (self.now + self.slice).min(end);
            let to = wake.filter(|wake| *wake > self.now).map_or(next, |wake| wake.min(next));
            self.house.advance(to);
            while let Some(sent) = self.house.poll() {
                self.tick_until(sent.at.max(self.now));
                self.hear(sent.message);
            }
            self.tick_until(to);
        }
    }

    pub fn pass(&mut self, span: Span) {
        self.until(self.now + span);
    }

    fn tick_until(&mut self, at: SimTime) {
        while let Some(wake) = self.site.as_ref().and_then(Site::next_wake) {
            let wake = self.sim_of(wake.at);
            if wake > at {
                break;
            }
            self.now = self.now.max(wake);
            self.ticks += 1;
            self.handle(Input::Tick);
        }
        self.now = self.now.max(at);
    }

    fn hear(&mut self, message: Message) {
        let input = match message {
            Message::Reading { stand, value, retained } => {
                Input::Reading { stand, part: Part::Whole, value: value.map_err(|_| Unreadable::Missing), retained }
            }
            Message::Report { valve, open, .. } => {
                if !self.plan.valves[valve].reports {
                    return;
                }
                Input::ValveReport { valve, open }
            }
            Message::Connected | Message::Disconnected | Message::Temperature { .. } | Message::Available { .. } => {
                return;
            }
        };
        self.handle(input);
    }

    /// Gives a command and takes its answer, which must come at once.
    pub fn command(&mut self, to: Subject, command: Command) -> Answer {
        self.tickets += 1;
        let before = self.answers.len();
        self.handle(Input::Order(Order {
            to,
            word: "test".to_owned(),
            command: Ok(command),
            id: None,
            time: None,
            retained: false,
            ticket: Some(Ticket(self.tickets)),
        }));
        self.answers.get(before).cloned().expect("answered at once")
    }

    pub fn run(&mut self) -> Answer {
        self.command(Subject::Valve(0), Command::Run { volume: None, plan: None })
    }

    pub fn run_ml(&mut self, volume: f64) -> Answer {
        self.command(Subject::Valve(0), Command::Run { volume: Some(Millilitres::new(volume)), plan: None })
    }

    /// Waits until the watering has ended, an hour at most.
    pub fn finish(&mut self) -> Happening {
        let from = self.events.len();
        let end = self.now + Span::hours(2);
        while self.now < end {
            self.pass(Span::seconds(2));
            let ended = self.events[from..].iter().find(|(_, _, what)| matches!(what, Happening::WateringEnded { .. }));
            if let Some((_, _, what)) = ended {
                return what.clone();
            }
        }
        panic!("it never ended: {:?}", self.valve());
    }

    pub fn valve(&self) -> serde_json::Value {
        self.state(Subject::Valve(0))
    }

    pub fn told_valve(&self) -> Option<serde_json::Value> {
        self.told_valve.clone()
    }

    pub fn state(&self, subject: Subject) -> serde_json::Value {
        let mut json = Vec::new();
        self.site.as_ref().unwrap().write_state(subject, &mut json);
        serde_json::from_slice(&json).unwrap()
    }

    pub fn locked(&self) -> Option<String> {
        self.valve()["locked"]["reason"].as_str().map(str::to_owned)
    }

    pub fn opens(&self) -> usize {
        self.ordered.iter().filter(|ordered| matches!(ordered.order, ValveOrder::Open { .. })).count()
    }

    /// The true weight on a stand.
    pub fn weight(&self, flat: usize) -> f64 {
        self.house.truth(flat).unwrap().weight
    }

    pub fn fraction(&self, flat: usize) -> f64 {
        let settings = &self.plan.flats[flat].1;
        let (dry, full) = (settings.dry_weight.unwrap().get(), settings.capacity_weight.unwrap().get());
        (self.weight(flat) - dry) / (full - dry)
    }

    pub fn band(&self, flat: usize) -> Grams {
        let settings = &self.plan.flats[flat].1;
        settings.capacity_weight.unwrap() - settings.dry_weight.unwrap()
    }

    pub fn raised(&self, kind: &str) -> bool {
        self.site.as_ref().unwrap().alerts().any(|(raised, _)| raised.name() == kind)
    }

    pub fn happened(&self, wanted: impl Fn(&Happening) -> bool) -> usize {
        self.events.iter().filter(|(_, _, what)| wanted(what)).count()
    }

    pub fn set_target(&mut self, flat: usize, target: f64) -> Answer {
        let set = tarewell::site::Set { target: Some(Some(Fraction::new(target))), ..tarewell::site::Set::default() };
        self.command(Subject::Flat(flat), Command::Set(set))
    }
}
