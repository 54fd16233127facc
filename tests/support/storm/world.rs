//! One run: a house, the real engine in front of it, a grower, and everything that goes wrong.

use super::alerts::Alarms;
use super::checks::{Check, Checks};
use super::dice::Dice;
use super::faults::Happens;
use super::judge::Judge;
use super::scenario::{BEGINS, Scenario, Waters};
use super::shelf::Shelf;
use super::states::{self, Shown};
use super::tally::Tally;
use super::works::Works;
use std::collections::{HashMap, VecDeque};
use tarewell::moment::{Moment, Mono, Span, Wall};
use tarewell::sim::{Act, Doing, House, Message, SimTime};
use tarewell::site::{Answer, Happening, Input, Output, Part, Site, Subject, Ticket, Unreadable};
use tarewell::units::WATER_20;
use tarewell::watering::Mode;
use tarewell::wire::{Router, Wiring};

/// At most so long is lived at once, so that what is due within a minute can be seen to be done.
pub const SLICE: Span = Span::seconds(60);
/// A command is answered within 30 s, and a turn.
const ANSWERED_WITHIN: Span = Span::seconds(31);

/// One run.
pub struct World {
    pub scenario: Scenario,
    pub house: House,
    pub now: SimTime,
    pub router: Router,
    /// None while the program is down.
    pub site: Option<Site>,
    pub shelf: Shelf,
    /// What is added to the house's time: by the monotonic clock of this run, and by the wall clock.
    mono: Span,
    wall: Span,
    pub up_since: SimTime,
    down_until: Option<SimTime>,
    pub checks: Checks,
    pub alarms: Alarms,
    pub judge: Judge,
    pub tally: Tally,
    pub dice: Dice,
    pub works: Works,
    /// The broker is there.
    pub house_is_connected: bool,
    /// When a valve was last told by somebody to run, and which into a bucket.
    pub last_run: Option<SimTime>,
    pub last_bucket: Option<(String, SimTime)>,
    pub shown: Vec<Option<Shown>>,
    published: Vec<SimTime>,
    /// The last event of this run, and the last that anybody has heard of.
    seq: u64,
    told_seq: u64,
    tickets: u64,
    asked: HashMap<Ticket, SimTime>,
    answers: Vec<(Ticket, Answer)>,
    last_command: Option<(String, String, SimTime)>,
    thinned: Vec<(u32, u32)>,
    ticks: u32,
    agenda: VecDeque<(SimTime, Happens)>,
    /// What was told of, where somebody wants to know.
    pub events: Option<Vec<(SimTime, Subject, Happening)>>,
    /// The flat whose story is printed.
    pub watched: Option<usize>,
}

impl World {
    pub fn new(scenario: Scenario) -> Self {
        let house = House::new(scenario.house.clone(), scenario.seed, BEGINS);
        let (flats, stands) = (scenario.plan.flats.len(), scenario.plan.stands.len());
        let wall = Span::from_millis(scenario.midnight.millis());
        let mut world = Self {
            router: Router::new(&scenario.plan, &Wiring::default()),
            house,
            now: BEGINS,
            site: None,
            shelf: Shelf::default(),
            mono: wall,
            wall,
            up_since: BEGINS,
            down_until: None,
            checks: Checks::new(scenario.seed),
            alarms: Alarms::default(),
            judge: Judge::new(&scenario),
            tally: Tally::default(),
            dice: Dice::new(scenario.seed, 2),
            works: Works::new(scenario.waters == Waters::Auto, scenario.plan.valves.len()),
            house_is_connected: false,
            last_run: None,
            last_bucket: None,
            shown: vec![None; flats],
            published: vec![BEGINS; flats],
            seq: 0,
            told_seq: 0,
            tickets: 0,
            asked: HashMap::new(),
            answers: Vec::new(),
            last_command: None,
            thinned: vec![(1, 0); stands],
            ticks: 0,
            agenda: scenario.agenda.clone().into(),
            events: None,
            watched: None,
            scenario,
        };
        world.start();
        world
    }

    /// Lives through it all.
    pub fn run(mut self) -> Tally {
        self.live_until(BEGINS + Span::days(self.scenario.days));
        self.close()
    }

    /// Lives until then.
    pub fn live_until(&mut self, end: SimTime) {
        while self.now < end {
            let next = self.agenda.front().map(|(at, _)| *at);
            let until = [Some(self.now + SLICE), next, self.down_until].into_iter().flatten().fold(end, SimTime::min);
            self.live(until.max(self.now));
            if self.down_until.is_some_and(|up| up <= self.now) {
                self.start();
            }
            while self.agenda.front().is_some_and(|(at, _)| *at <= self.now) {
                if let Some((_, what)) = self.agenda.pop_front() {
                    self.happen(what);
                }
            }
            self.look();
        }
    }

    /// Something happens now.
    pub fn happen(&mut self, what: Happens) {
        *self.tally.injected.entry(what.name()).or_default() += 1;
        self.suffer(what);
    }

    fn close(mut self) -> Tally {
        let flats = self.scenario.plan.flats.len();
        self.tally.runs = 1;
        self.tally.flat_days = flats as f64 * self.scenario.days as f64;
        self.tally.readings += self.site.as_ref().map_or(0, Site::readings);
        let auto = self.scenario.plan.valves.iter().filter(|valve| valve.mode == Mode::Auto);
        let behind: usize = auto.map(|valve| valve.feeds.len()).sum();
        self.tally.auto_days = behind as f64 * self.scenario.days as f64;
        self.judge.close(&self.house, &mut self.tally);
        self.tally.checks = self.checks.counts().collect();
        self.tally.violations = self.checks.violations;
        self.tally
    }

    // ---- time

    pub fn moment(&self, at: SimTime) -> Moment {
        Moment {
            mono: Mono::from_millis((self.mono + Span::from_millis(at.millis())).millis()),
            wall: self.wall_of(at),
        }
    }

    fn wall_of(&self, at: SimTime) -> Wall {
        Wall::from_millis((self.wall + Span::from_millis(at.millis())).millis())
    }

    fn sim_of(&self, mono: Mono) -> SimTime {
        SimTime::from_millis(mono.millis() - self.mono.millis())
    }

    /// Lets the house live until then, and the engine hear of it as it does.
    fn live(&mut self, until: SimTime) {
        self.ticks = 0;
        let begun = self.now;
        if self.works.acts {
            self.live_by_events(until);
        } else {
            self.house.advance(until);
            self.hear_all();
        }
        self.tick_until(until);
        let minutes = until.since(begun).as_seconds() / 60.0 + 1.0;
        let (flats, stands) = (self.scenario.plan.flats.len(), self.scenario.plan.stands.len());
        // A look a minute, a sign of life, a plateau that is due: a handful for each in a minute.
        let few = (minutes * (20 * (flats + stands) + 20) as f64) as u32;
        let ticks = self.ticks;
        self.checks.that(Check::Ticks, ticks <= few, || format!("{ticks} ticks within {minutes:.1} min"));
    }

    fn hear_all(&mut self) {
        while let Some(sent) = self.house.poll() {
            // What was late in the house itself is not heard before it was sent.
            self.tick_until(sent.at);
            self.hear(sent.message, sent.at);
        }
    }

    /// What is ordered must come to the house at that moment, so neither is ahead of the other.
    fn live_by_events(&mut self, until: SimTime) {
        while self.now < until {
            let wake = self.site.as_ref().and_then(Site::next_wake).map(|wake| self.sim_of(wake.at));
            let next =
                [Some(self.house.next()), wake, self.works_next()].into_iter().flatten().fold(until, SimTime::min);
            let next = next.max(self.now + Span::from_millis(1));
            self.house.advance(next);
            self.hear_all();
            self.tick_until(next);
            self.works_wake();
        }
    }

    fn tick_until(&mut self, at: SimTime) {
        while let Some(site) = &self.site {
            let due = site.next_wake().map(|wake| self.sim_of(wake.at)).filter(|wake| *wake <= at);
            let Some(due) = due else { break };
            self.ticks += 1;
            if self.ticks > 1_000_000 {
                self.checks.that(Check::Wakes, false, || "it never rests".to_owned());
                self.site = None;
                self.down_until = Some(at + Span::minutes(1));
                break;
            }
            self.now = self.now.max(due);
            self.handle(Input::Tick);
        }
        self.now = self.now.max(at);
    }

    // ---- in

    fn hear(&mut self, message: Message, at: SimTime) {
        if let Message::Reading { stand, retained: false, .. } = message {
            let (one_in, count) = &mut self.thinned[stand];
            *count += 1;
            if *count % *one_in != 0 {
                return;
            }
        }
        self.judge.heard(&message, at, self.site.is_some());
        let input = match message {
            Message::Reading { stand, value, retained } => {
                let value = value.map_err(|_| Unreadable::Missing);
                if retained {
                    self.retained(stand, value);
                    return;
                }
                Input::Reading { stand, part: Part::Whole, value, retained }
            }
            Message::Temperature { stand, celsius } => match tarewell::units::Celsius::checked(celsius) {
                Some(value) => Input::Temperature { stand, value },
                None => return,
            },
            Message::Available { stand, online, .. } => Input::Availability { stand, online },
            Message::Connected | Message::Disconnected => {
                let up = matches!(message, Message::Connected);
                self.house_is_connected = up && self.site.is_some();
                self.handle(if up { Input::Connected } else { Input::Disconnected });
                if self.works.acts && self.site.is_some() {
                    self.valves_linked(up);
                }
                return;
            }
            Message::Report { valve, open, .. } => {
                if !self.works.acts || !self.scenario.plan.valves[valve].reports {
                    return;
                }
                Input::ValveReport { valve, open }
            }
        };
        self.handle(input);
    }

    /// What the broker had kept is taken for what it is.
    fn retained(&mut self, stand: usize, value: Result<f64, Unreadable>) {
        let before = self.freshness(stand);
        let opens = self.works.opens;
        self.handle(Input::Reading { stand, part: Part::Whole, value, retained: true });
        self.opened_nothing(opens, "a retained reading");
        let after = self.freshness(stand);
        self.checks.that(Check::Retained, before == after, || format!("stand {stand}: {before:?}, then {after:?}"));
    }

    /// S5: since there had been so many orders to open.
    pub fn opened_nothing(&mut self, opens: u64, what: &str) {
        let now = self.works.opens;
        self.checks.that(Check::OpensForNobody, now == opens, || format!("{what} opened a valve"));
    }

    fn freshness(&mut self, stand: usize) -> Option<(Option<String>, Vec<Option<String>>)> {
        self.handle(Input::Tick);
        let site = self.site.as_ref()?;
        let flats = (0..self.shown.len()).map(|flat| site.flat_state(flat).and_then(|state| state.weighed_at));
        Some((site.stand_state(stand).and_then(|state| state.reading_at), flats.collect()))
    }

    pub fn handle(&mut self, input: Input) {
        let Some(mut site) = self.site.take() else { return };
        let now = self.moment(self.now);
        self.checks.now = self.now;
        site.handle(input, now);
        while let Some(output) = site.poll() {
            self.shelf.take(&site, self.router.names(), &output, now.wall);
            self.carry_out(&site, output, now);
        }
        self.shelf.turn(now.mono);
        let wake = site.next_wake();
        self.checks.that(Check::Wakes, wake.is_some_and(|wake| wake.at > now.mono), || format!("{wake:?} at {now:?}"));
        self.site = Some(site);
    }

    // ---- out

    /// Everything that can be wanted, named one by one: whatever will open a valve has to be added here, and is a violation in advise.
    fn carry_out(&mut self, site: &Site, output: Output, now: Moment) {
        match output {
            Output::State(subject) => self.state(site, subject),
            Output::AlertRaised(kind, subject) => self.alarms.published(&mut self.checks, site, kind, subject),
            Output::AlertCleared(kind, subject) => self.alarms.unpublished(&mut self.checks, kind, subject),
            Output::Event(event) => {
                let (expected, seq) = (self.seq + 1, event.seq);
                self.seq = seq;
                let grows = seq == expected && seq > self.told_seq;
                self.checks.that(Check::Seq, grows, || format!("{seq} after {expected} − 1"));
                self.event(site, event.subject, &event.what, now);
            }
            Output::Answer(ticket, answer) => {
                let asked = self.asked.remove(&ticket);
                let at = self.now;
                let in_time = asked.is_some_and(|asked| at.since(asked) <= ANSWERED_WITHIN);
                self.checks.that(Check::Answered, in_time, || format!("{ticket:?}, asked {asked:?}: {answer:?}"));
                self.answers.push((ticket, answer));
            }
            Output::Tell(message) => {
                let has_words = !message.title.is_empty() && !message.text.is_empty();
                self.checks.that(Check::AlertWords, has_words, || format!("{message:?}"));
            }
            Output::Valve(valve, order) if self.works.acts => self.order(site, valve, order),
            Output::Flush(mark) if self.works.acts => self.flush_wanted(mark),
            Output::ClearValve(_) if self.works.acts => {}
            Output::Valve(..) | Output::ClearValve(_) | Output::Flush(_) => {
                self.checks.that(Check::NothingOpens, false, || format!("{output:?} of a valve in advise"));
            }
            Output::Keep(_)
            | Output::KeepAlert(..)
            | Output::Weight(_)
            | Output::ClearCommand(_)
            | Output::Shelved(..) => {}
        }
    }

    fn state(&mut self, site: &Site, subject: Subject) {
        self.tally.states += 1;
        match subject {
            Subject::Flat(flat) => {
                let Some(state) = site.flat_state(flat) else { return };
                let before = self.shown[flat].as_ref();
                states::flat(&mut self.checks, &state, before);
                self.published[flat] = self.now;
                self.shown[flat] = Some(Shown::of(&state));
            }
            Subject::Valve(valve) => {
                if let (Some(state), Some(settings)) = (site.valve_state(valve), self.scenario.plan.valves.get(valve)) {
                    states::valve(&mut self.checks, site, settings, &state, self.works.acts);
                }
            }
            Subject::Stand(_) | Subject::Supply(_) | Subject::Site => {}
        }
    }

    fn event(&mut self, site: &Site, subject: Subject, what: &Happening, now: Moment) {
        let concerns = |flat: usize| match subject {
            Subject::Flat(of) | Subject::Stand(of) => of == flat,
            Subject::Valve(of) => self.scenario.plan.valves[of].feeds.iter().any(|feed| feed.flat == flat),
            Subject::Supply(_) | Subject::Site => true,
        };
        if self.watched.is_some_and(concerns) {
            self.print(&format!("told of {subject:?}: {what:?}"));
        }
        if let Some(events) = &mut self.events {
            events.push((self.now, subject, what.clone()));
        }
        match what {
            Happening::AlertRaised { kind, title, .. } => {
                self.alarms.rose(&mut self.checks, site, *kind, subject, title, now);
                let shown = &self.shown;
                self.judge.raised(site, &self.house, self.now, *kind, subject, shown, &mut self.tally);
            }
            Happening::AlertCleared { kind, reason, .. } => {
                self.alarms.cleared(&mut self.checks, *kind, subject, reason);
            }
            Happening::Watered { .. } => self.tally.waterings += 1,
            _ => {}
        }
        if let Subject::Valve(valve) = subject {
            self.valve_event(site, valve, what);
        }
    }

    // ---- what happens

    fn suffer(&mut self, what: Happens) {
        if self.watched.is_some_and(|flat| what.concerns(flat)) {
            self.print(&format!("happens: {what:?}"));
        }
        match what {
            Happens::Act(act) => {
                if let Act::Valve(valve, mishap) = act {
                    self.valve_suffers(valve, mishap);
                }
                self.house.act(act);
            }
            Happens::Round => self.go_round(),
            Happens::Killed { down, lossy } => self.kill(down, lossy),
            Happens::Jump(by) => {
                self.wall = self.wall + by;
                self.alarms.clock_jumped();
                self.judge.clock_jumped(self.now);
                self.valves_clock_jumped(by);
                self.handle(Input::Tick);
            }
            Happens::Reconnected => {
                if self.site.is_some() {
                    let opens = self.works.opens;
                    self.house.reconnect();
                    self.hear_all();
                    self.opened_nothing(opens, "a connection that came up");
                }
            }
            Happens::Retained { stand, share } => {
                let scene = self.house.stand(stand).map_or(0.0, |stand| stand.shown);
                self.retained(stand, Ok((scene * share).round()));
            }
            Happens::Thinned { stand, to_one_in } => {
                self.thinned[stand] = (to_one_in, 0);
                self.judge.paced(stand, to_one_in, self.now);
            }
            Happens::Command { topic, payload, retained } => self.command(&topic, &payload, retained),
            Happens::Repeat => self.repeat(),
            Happens::PlantsTold { flat, off_by } => self.tell_plants(flat, off_by),
            Happens::Caretaker => self.caretaker(),
            Happens::DiskFull(lasts) => self.works.full_until = Some(self.now + lasts),
            Happens::LinkLost { valve, lasts } => self.lose_link(valve, lasts),
            Happens::ForeignOrder { valve, closes, retained } => self.foreign_order(valve, closes, retained),
            Happens::KilledWhilePouring { valve, after } => self.works.ambush = Some((valve, after)),
        }
    }

    /// The grower pours what is advised into what is due or dry.
    fn go_round(&mut self) {
        for flat in 0..self.shown.len() {
            let (does, error, below) = (self.dice.unit(), self.dice.normal(), self.dice.chance(0.2));
            let state = self.site.as_ref().and_then(|site| site.flat_state(flat));
            let Some(state) = state.filter(|state| matches!(state.condition, "due" | "dry")) else { continue };
            let advised = state.to_target_ml.unwrap_or(0.0);
            let on_its_stand =
                self.house.truth(flat).is_some_and(|truth| matches!(truth.place, tarewell::sim::Place::Stand(_)));
            if advised <= 0.0 || does >= self.scenario.diligence || !on_its_stand || self.is_left_to_its_valve(flat) {
                continue;
            }
            let grams = advised * WATER_20 * (1.0 + 0.05 * error).max(0.1);
            let over = Span::from_seconds((grams / 40.0).max(3.0));
            self.house.act(Act::Flat(flat, Doing::Pour { grams, over, below }));
        }
    }

    pub fn command(&mut self, topic: &str, payload: &str, retained: bool) {
        self.last_command = Some((topic.to_owned(), payload.to_owned(), self.now));
        self.judge.commanded(topic, payload);
        self.commanded_valve(topic, payload);
        let opens = self.works.opens;
        let Some((ticket, before)) = self.ask(topic, payload, retained) else { return };
        let answer =
            self.answers.iter().rev().find(|(answered, _)| *answered == ticket).map(|(_, answer)| answer.clone());
        if let Some(Err(why)) = answer {
            let same = before == self.facts();
            self.checks.that(Check::Refused, same, || format!("{topic} {payload}: {why}"));
            self.opened_nothing(opens, "a refused command");
        }
        self.checks.that(Check::Refused, !retained || matches!(self.answered(ticket), Some(Err(_)) | None), || {
            format!("retained, and obeyed: {topic} {payload}")
        });
    }

    fn tell_plants(&mut self, flat: usize, off_by: f64) {
        let Some(truth) = self.house.truth(flat) else { return };
        let grams = (truth.plants * (1.0 + off_by)).max(0.0);
        let payload = format!(r#"{{"command":"set","plant_mass_g":{grams:.0}}}"#);
        self.ask(&format!("tarewell/flats/f{flat}/command"), &payload, false);
    }

    fn answered(&self, ticket: Ticket) -> Option<&Answer> {
        self.answers.iter().rev().find(|(answered, _)| *answered == ticket).map(|(_, answer)| answer)
    }

    fn repeat(&mut self) {
        let Some((topic, payload, at)) = self.last_command.clone() else { return };
        if !payload.contains("\"id\"") || self.now.since(at) > Span::hours(20) || at < self.up_since {
            return;
        }
        let first = self.answers.last().cloned();
        let opens = self.works.opens;
        let Some((ticket, before)) = self.ask(&topic, &payload, false) else { return };
        self.opened_nothing(opens, "a repeated command");
        let (Some((_, first)), Some(again)) = (first, self.answered(ticket).cloned()) else { return };
        // Words tell what is refused; of a stray command nobody remembers an answer.
        let now = self.facts();
        let changed: Vec<_> = before.iter().zip(&now).filter(|(before, now)| before != now).collect();
        self.checks.that(Check::Repeated, changed.is_empty() && (again == first || topic.contains("nobody")), || {
            format!("{topic} {payload}: {first:?}, then {again:?}; facts that changed: {changed:?}")
        });
    }

    /// Sends a command; with the facts as they were.
    fn ask(&mut self, topic: &str, payload: &str, retained: bool) -> Option<(Ticket, Vec<String>)> {
        self.handle(Input::Tick);
        self.site.as_ref()?;
        let before = self.facts();
        self.tickets += 1;
        let ticket = Ticket(self.tickets);
        let mut inputs = Vec::new();
        self.router.message(topic, payload.as_bytes(), retained, Some(ticket), |input| inputs.push(input));
        for input in inputs {
            self.asked.insert(ticket, self.now);
            self.handle(input);
        }
        Some((ticket, before))
    }

    /// All that must survive of flats and stands.
    fn facts(&self) -> Vec<String> {
        let Some(site) = &self.site else { return Vec::new() };
        let flats = (0..self.scenario.plan.flats.len()).map(Subject::Flat);
        let all = flats.chain((0..self.scenario.plan.stands.len()).map(Subject::Stand));
        all.filter_map(|subject| site.fact(subject)).map(|fact| fact.json).collect()
    }

    // ---- start and end

    pub fn kill(&mut self, down: Span, lossy: bool) {
        let Some(site) = self.site.take() else { return };
        self.tally.readings += site.readings();
        let lost = if lossy { self.dice.below(self.shelf.waiting() + 1) } else { 0 };
        let lost = self.shelf.killed(lost);
        self.told_seq = self.told_seq.max(self.shelf.last_seq());
        self.alarms.killed(&site, lost.is_empty());
        self.judge.killed(&site, &self.scenario.plan, &lost);
        self.asked.clear();
        self.down_until = Some(self.now + down);
        self.house_is_connected = false;
        if self.works.acts {
            self.wills();
        }
    }

    fn start(&mut self) {
        self.down_until = None;
        self.up_since = self.now;
        let wall = self.wall_of(self.now);
        let begins = self.shelf.newest().map_or(wall, |newest| newest.max(wall));
        self.mono = Span::from_millis(begins.millis() - self.now.millis());
        let saved = self.shelf.saved();
        let site = Site::new(self.scenario.plan.clone(), &saved, self.moment(self.now));
        self.seq = saved.last_seq;
        self.checks.now = self.now;
        let notes = site.notes().join("; ");
        self.checks.that(Check::Kept, notes.is_empty(), || notes);
        self.alarms.started(&mut self.checks, &site);
        self.judge.started(&mut self.checks, &site, self.now);
        for shown in &mut self.shown {
            *shown = None;
        }
        self.published.fill(self.now);
        self.answers.clear();
        self.site = Some(site);
        self.house.reconnect();
        self.handle(Input::Tick);
    }

    // ---- truth

    pub fn print(&self, what: &str) {
        println!("day {} {:.3} h  {what}", self.now.day(), self.now.hour());
    }

    /// How a watched flat stands, every ten minutes.
    fn print_watched(&self, flat: usize) {
        let truth = self.house.truth(flat).map_or((f64::NAN, f64::NAN), |truth| (truth.fraction, truth.weight));
        let scale = self.house.stand(flat).map_or(f64::NAN, |stand| stand.shown);
        let state = |subject| {
            let mut json = Vec::new();
            self.site.as_ref()?.write_state(subject, &mut json);
            String::from_utf8(json).ok()
        };
        let valves = &self.scenario.plan.valves;
        if let Some(valve) = valves.iter().position(|valve| valve.feeds.iter().any(|feed| feed.flat == flat)) {
            let kept = self.site.as_ref().and_then(|site| site.fact(Subject::Valve(valve))).map(|fact| fact.json);
            self.print(&format!("{:?}; {:?}; kept {kept:?}", state(Subject::Valve(valve)), self.house.valve(valve)));
        }
        let (flat, stand) = (state(Subject::Flat(flat)), state(Subject::Stand(flat)));
        self.print(&format!("truth {:.3}, {:.1} g, on the scale {scale:.1} g; {flat:?}; {stand:?}", truth.0, truth.1));
    }

    fn look(&mut self) {
        self.checks.now = self.now;
        if let Some(flat) = self.watched.filter(|_| self.now.millis() % Span::minutes(10).millis() < SLICE.millis()) {
            self.print_watched(flat);
        }
        if self.site.is_none() {
            self.judge.look(&self.house, self.now, None, &self.shown, &mut self.checks, &mut self.tally);
            return;
        }
        for flat in 0..self.published.len() {
            let since = self.now.since(self.published[flat]);
            self.checks.that(Check::SignOfLife, since <= Span::minutes(10) + SLICE, || {
                format!("flat {flat}: nothing for {:.0} s", since.as_seconds())
            });
        }
        let unanswered = self.asked.values().filter(|asked| self.now.since(**asked) > ANSWERED_WITHIN).count();
        if unanswered > 0 {
            self.asked.clear();
            self.checks.that(Check::Answered, false, || format!("{unanswered} without an answer"));
        }
        if self.works.acts {
            self.look_at_valves();
        }
        let valves = if self.works.acts { 0 } else { self.scenario.plan.valves.len() };
        for valve in 0..valves {
            let shut = self.house.valve(valve).is_some_and(|valve| !valve.open && valve.poured == 0.0);
            self.checks.that(Check::NothingOpens, shut, || format!("valve {valve} has been open"));
        }
        let site = self.site.as_ref();
        self.judge.look(&self.house, self.now, site, &self.shown, &mut self.checks, &mut self.tally);
    }
}
