//! Valves in front of the engine: its orders carried to the house, and water safety checked at each (S1 to S9).

use super::checks::Check;
use super::dice::Dice;
use super::world::World;
use std::collections::VecDeque;
use tarewell::moment::Span;
use tarewell::sim::{Act, Mishap, Place, SimTime, ValveOrder as Said};
use tarewell::site::{Happening, Input, Site, Subject, ValveOrder};
use tarewell::store::Of;
use tarewell::units::Millilitres;
use tarewell::watering::Mode;

/// From one watering by itself to the next (contract, `auto`).
const APART: Span = Span::hours(4);
/// After a start no valve is opened before its flats have stood still for so long (water safety, S6).
const STILL: Span = Span::seconds(30);
/// An order may come twice, up to 5 s apart, or 2.5 s late, and a relay takes a moment.
const TWICE: Span = Span::seconds(9);
/// Water of somebody else, or of a valve that does not obey, is nobody's fault for so long.
const LATER: Span = Span::hours(1);
/// Until somebody mends it.
const FOR_GOOD: SimTime = SimTime::at(999, 0, 0);

/// What passes between the engine and its valves.
#[derive(Debug, Default)]
pub struct Works {
    /// Some valve may open: the house is lived in event by event.
    pub acts: bool,
    pub linked: bool,
    /// The store cannot be written until then.
    pub full_until: Option<SimTime>,
    /// Flushes under way, and when they are done.
    pub flushes: VecDeque<(SimTime, u64)>,
    /// The program is to be killed when this valve is opened, and so long after.
    pub ambush: Option<(usize, Span)>,
    pub kill_at: Option<SimTime>,
    pub opens: u64,
    pub lines: Vec<Line>,
    /// Links that are down by themselves, and until when.
    pub links: Vec<Option<SimTime>>,
}

/// One valve as it is known from outside.
#[derive(Debug, Clone, Default)]
pub struct Line {
    /// The last order to open, while no order to close has followed.
    pub ordered_open: Option<SimTime>,
    pub last_order: Option<SimTime>,
    /// Ordered since the program started: close must come first.
    pub closed_first: bool,
    /// Really open since.
    pub open_since: Option<SimTime>,
    /// What was wrong with it, until when; a stuck valve stays so until it is mended.
    pub troubled: Option<SimTime>,
    /// An order that nobody here has given, or two of one, may have let water through.
    pub foreign: Option<SimTime>,
    /// Locked by a fault when last looked at.
    pub fault: bool,
    pub unlocked: bool,
    pub last_auto: Option<SimTime>,
    pub waterings: u32,
    pub watering: bool,
    /// What had come out of it, hour by hour of the last day.
    poured: VecDeque<(SimTime, f64)>,
    /// How its flats stood when its watering began: those that were not above high yet.
    below_high: Vec<Option<bool>>,
    /// Their highs then.
    highs: Vec<f64>,
    /// What had come out of it by then.
    poured_before: f64,
}

impl Works {
    pub fn new(acts: bool, valves: usize) -> Self {
        Self { acts, lines: vec![Line::default(); valves], links: vec![None; valves], ..Self::default() }
    }

    pub fn is_up(&self, valve: usize) -> bool {
        self.linked && self.links.get(valve).is_some_and(Option::is_none)
    }
}

impl World {
    // ---- out

    /// The engine orders a valve.
    pub fn order(&mut self, site: &Site, valve: usize, order: ValveOrder) {
        let now = self.now;
        let is_up = self.works.is_up(valve);
        let feeds = &self.scenario.plan.valves[valve].feeds;
        if self.watched.is_some_and(|flat| feeds.iter().any(|feed| feed.flat == flat)) {
            self.print(&format!("ordered: valve {valve}: {order:?}, linked {is_up}"));
        }
        let said = match order {
            ValveOrder::Open { seconds } => {
                self.works.opens += 1;
                self.tally.opens += 1;
                self.before_water(site, valve, seconds);
                if let Some((_, after)) = self.works.ambush.filter(|(ambushed, _)| *ambushed == valve) {
                    self.works.ambush = None;
                    self.works.kill_at = Some(now + after);
                }
                let has_timer = self.scenario.plan.valves[valve].has_timer;
                Said::Open { timer: has_timer.then(|| Span::seconds(i64::from(seconds))) }
            }
            ValveOrder::Close => Said::Close,
        };
        // Between two looks it may have closed and be opened again: that is another opening.
        let is_closed = self.house.valve(valve).is_some_and(|truth| !truth.open);
        let line = &mut self.works.lines[valve];
        line.open_since.take_if(|_| is_closed);
        line.last_order = Some(now);
        line.closed_first |= said == Said::Close;
        line.ordered_open = match said {
            Said::Open { .. } => Some(now),
            Said::Close => None,
        };
        if is_up {
            self.house.order(valve, said, now);
        }
    }

    /// What must hold at the moment of an order to open.
    fn before_water(&mut self, site: &Site, valve: usize, seconds: u32) {
        let plan = self.scenario.plan.clone();
        let settings = &plan.valves[valve];
        let now = self.now;
        let line = self.works.lines[valve].clone();
        let most = settings.max_run.unwrap_or(Span::ZERO);
        self.checks.that(Check::OpenEnds, Span::seconds(i64::from(seconds)) <= most, || {
            format!("valve {valve} opened for {seconds} s of {most:?}")
        });
        self.checks.that(Check::CloseFirst, line.closed_first, || format!("valve {valve} opened before it was closed"));
        let up = now.since(self.up_since);
        self.checks.that(Check::CloseFirst, up >= STILL || settings.reports, || {
            format!("valve {valve} opened {:.1} s after the start", up.as_seconds())
        });
        self.checks.that(Check::Locks, !line.fault, || format!("valve {valve} opened while a fault locks it"));
        let connected = self.works.is_up(valve) && self.house_is_connected;
        self.checks.that(Check::OpensFor, connected, || format!("valve {valve} opened without a connection"));
        self.checks.that(Check::OpensFor, settings.mode != Mode::Advise, || format!("valve {valve} in advise"));
        if settings.feeds.is_empty() {
            return;
        }
        // A disk that fills up after the entry was written, and before the order goes out, has the entry.
        self.the_day(valve);
        self.others_of_the_supply(valve);
        let bucket = self.is_bucket(valve);
        let is_closed = self.house.valve(valve).is_some_and(|truth| !truth.open)
            || line.troubled.is_some_and(|until| now < until)
            || line.foreign.is_some_and(|until| now < until);
        self.checks.that(Check::OpensFor, is_closed, || format!("valve {valve} opened while it is open"));
        if bucket {
            return;
        }
        for feed in &plan.valves[valve].feeds {
            self.fed_flat_is_known(site, valve, feed.flat);
        }
    }

    fn is_bucket(&self, valve: usize) -> bool {
        let id = &self.scenario.plan.valves[valve].id;
        self.last_bucket.as_ref().is_some_and(|(of, at)| of == id && self.now.since(*at) < Span::hours(1))
    }

    /// S3: what must be known of each flat that gets water.
    fn fed_flat_is_known(&mut self, site: &Site, valve: usize, flat: usize) {
        let Some(state) = site.flat_state(flat) else { return };
        let known = state.fraction.is_some() && state.dry_weight_g.is_some() && state.capacity_weight_g.is_some();
        let stand = state.stand.and_then(|id| self.scenario.plan.stands.iter().position(|(stand, _)| stand == id));
        let text =
            || format!("valve {valve} opened for flat {flat}: {}", serde_json::to_string(&state).unwrap_or_default());
        self.checks.that(Check::OpensFor, known && stand.is_some(), text);
        let Some(stand) = stand else { return };
        let is_well = site.stand_state(stand).is_some_and(|stand| stand.state == "ok");
        self.checks.that(Check::OpensFor, is_well, text);
        let post = &self.judge.posts[stand];
        let quiet = self.now.since(post.last_heard);
        // A period is learned from what is heard; a second more for the way of an order.
        let learned = site.stand_state(stand).and_then(|stand| stand.period_s).unwrap_or(0.0);
        let two = Span::from_seconds(2.0 * learned.max(post.period.as_seconds()) + 1.0);
        self.checks.that(Check::OpensFor, quiet <= two, || {
            format!("valve {valve} opened for flat {flat}, last heard {:.1} s ago", quiet.as_seconds())
        });
        let flat_alerts = [tarewell::alert::Kind::FlatAbsent, tarewell::alert::Kind::FlatChanged];
        let doubted = flat_alerts.iter().any(|kind| site.alert_state(*kind, Subject::Flat(flat)).is_some());
        self.checks.that(Check::OpensFor, !doubted, text);
    }

    /// S2: what the journal on the disk says of the day, at the most that this order may pour.
    fn the_day(&mut self, valve: usize) {
        let settings = &self.scenario.plan.valves[valve];
        let limit = settings.max_per_day.map_or(f64::INFINITY, Millilitres::get);
        let kept = self.shelf.on_the_disk(Of::Valve, &settings.id);
        let kept: serde_json::Value = kept.and_then(|json| serde_json::from_str(json).ok()).unwrap_or_default();
        let most = kept["entry"]["most"].as_f64();
        self.checks
            .that(Check::Journal, most.is_some(), || format!("valve {valve} opened without an entry on the disk"));
        let day = self.moment(self.now).mono.millis() - Span::hours(24).millis();
        let poured = kept["poured"].as_array().into_iter().flatten();
        let poured = poured.filter(|poured| poured["at"]["mono"].as_i64().is_some_and(|at| at > day));
        let given: f64 = poured.filter_map(|poured| poured["volume"].as_f64()).sum();
        let most = most.unwrap_or(0.0);
        self.checks.that(Check::TheDay, given + most <= limit + 0.5, || {
            format!("valve {valve}: {most:.1} mL more after {given:.1}, of {limit:.1}")
        });
    }

    fn others_of_the_supply(&mut self, valve: usize) {
        let plan = self.scenario.plan.clone();
        let Some(supply) = plan.valves[valve].supply else { return };
        for (other, settings) in plan.valves.iter().enumerate() {
            if other == valve || settings.supply != Some(supply) {
                continue;
            }
            let open = self.works.lines[other].ordered_open.is_some();
            self.checks
                .that(Check::OneOfASupply, !open, || format!("valve {valve} opened while {other} is ordered open"));
        }
    }

    // ---- the connection

    pub fn disk_is_full(&self) -> bool {
        self.works.full_until.is_some_and(|until| self.now < until)
    }

    /// The broker is there for the valves' connections, or is gone: a broker that comes back has their wills no more.
    pub fn valves_linked(&mut self, up: bool) {
        if std::mem::replace(&mut self.works.linked, up) == up {
            return;
        }
        for valve in 0..self.works.lines.len() {
            if self.works.links[valve].is_none() {
                self.tell_link(valve, up);
            }
        }
    }

    pub fn tell_link(&mut self, valve: usize, up: bool) {
        if self.has_a_link(valve) {
            self.handle(Input::ValveLink { valve, up });
        }
    }

    /// Each valve in `ask` or `auto` has a connection of its own.
    fn has_a_link(&self, valve: usize) -> bool {
        self.scenario.plan.valves[valve].mode != Mode::Advise
    }

    /// Its own connection is lost, and the broker says its will.
    pub fn lose_link(&mut self, valve: usize, lasts: Span) {
        if !self.works.is_up(valve) || self.site.is_none() || !self.has_a_link(valve) {
            return;
        }
        self.works.links[valve] = Some(self.now + lasts);
        self.house.order(valve, Said::Close, self.now);
        self.works.lines[valve].ordered_open = None;
        self.handle(Input::ValveLink { valve, up: false });
    }

    /// Links that come back, orders on the disk, an ambush.
    pub fn works_wake(&mut self) {
        let now = self.now;
        for valve in 0..self.works.links.len() {
            if self.works.links[valve].is_some_and(|until| until <= now) {
                self.works.links[valve] = None;
                if self.works.linked {
                    self.tell_link(valve, true);
                }
            }
        }
        while let Some((_, mark)) = self.works.flushes.front().copied().filter(|(at, _)| *at <= now) {
            self.works.flushes.pop_front();
            let ok = !self.disk_is_full();
            if ok {
                self.shelf.flush();
            }
            self.handle(Input::Flushed { mark, ok });
        }
        if self.works.kill_at.is_some_and(|at| at <= now) {
            self.works.kill_at = None;
            *self.tally.injected.entry("killed while it pours").or_default() += 1;
            self.kill(Span::seconds(5), true);
        }
    }

    /// What comes next of all that.
    pub fn works_next(&self) -> Option<SimTime> {
        let links = self.works.links.iter().copied().flatten();
        let flushes = self.works.flushes.front().map(|(at, _)| *at);
        links.chain(flushes).chain(self.works.kill_at).min()
    }

    /// A store takes a moment, and now and then a long one.
    pub fn flush_wanted(&mut self, mark: u64) {
        let takes = if self.dice.chance(0.05) { self.dice.scale(50.0, 3000.0) } else { self.dice.scale(1.0, 20.0) };
        self.works.flushes.push_back((self.now + Span::from_millis(takes as i64 + 1), mark));
    }

    /// The program is gone: the broker says the wills, at once or, if the machine went with it, once it is missed.
    pub fn wills(&mut self) {
        self.works.flushes.clear();
        self.works.kill_at = None;
        let missed = if self.dice.chance(0.7) { Span::ZERO } else { Span::from_seconds(self.dice.between(1.0, 15.0)) };
        for valve in 0..self.works.lines.len() {
            if self.works.is_up(valve) && self.has_a_link(valve) {
                self.house.order(valve, Said::Close, self.now + missed);
            }
            let line = &mut self.works.lines[valve];
            (line.ordered_open, line.closed_first, line.watering) = (None, false, false);
            // What was locked but not yet written is gone with it.
            line.fault = false;
        }
        self.works.linked = false;
        self.works.links.fill(None);
    }

    // ---- what people do

    /// Twice a day somebody mends what is broken, says so, and fills the tank.
    pub fn caretaker(&mut self) {
        for valve in 0..self.works.lines.len() {
            let is_locked = self.works.lines[valve].fault;
            let looks = self.dice.chance(if is_locked { 0.8 } else { 0.4 });
            if !looks {
                continue;
            }
            self.house.act(Act::Valve(valve, Mishap::Mended));
            let line = &mut self.works.lines[valve];
            let mended = |until: SimTime| if until == FOR_GOOD { self.now + LATER } else { until };
            line.troubled = line.troubled.map(mended);
            // What somebody else has opened is closed by an order, which a broker that is gone does not carry.
            if self.works.linked {
                line.foreign = line.foreign.map(mended);
            }
            if !line.watering {
                self.house.order(valve, Said::Close, self.now);
            }
            if is_locked {
                let topic = format!("tarewell/valves/{}/command", self.scenario.plan.valves[valve].id);
                self.works.lines[valve].unlocked = true;
                self.command(&topic, "unlock", false);
            }
        }
        for supply in 0..self.scenario.plan.supplies.len() {
            if self.dice.chance(0.5) {
                self.house.act(Act::Refill { supply, to: None });
                let id = self.scenario.plan.supplies[supply].id.clone();
                self.command("tarewell/command", &format!(r#"{{"command":"refilled","supply":"{id}"}}"#), false);
            }
        }
    }

    /// What is told to a valve, so that what it does then is not taken for its own.
    pub fn commanded_valve(&mut self, topic: &str, payload: &str) {
        if payload.contains("run") || payload.contains("water") {
            self.last_run = Some(self.now);
        }
        if payload.contains("measure-flow") {
            let valves = &self.scenario.plan.valves;
            let Some(valve) = valves.iter().position(|valve| topic.contains(&format!("valves/{}/", valve.id))) else {
                return;
            };
            self.last_bucket = Some((valves[valve].id.clone(), self.now));
            // Nobody here holds a bucket under it.
            let line = &mut self.works.lines[valve];
            line.foreign = line.foreign.max(Some(self.now + Span::hours(2)));
        }
    }

    /// Somebody else orders a valve over the broker, who may keep it.
    pub fn foreign_order(&mut self, valve: usize, closes: bool, retained: bool) {
        let opens = self.works.opens;
        if retained {
            self.handle(Input::ForeignOrder { valve, closes, retained });
            self.opened_nothing(opens, "a retained order");
            return;
        }
        let stays = !closes && !self.scenario.plan.valves[valve].has_timer;
        let until = if stays { FOR_GOOD } else { self.now + LATER + Span::minutes(10) };
        let line = &mut self.works.lines[valve];
        line.foreign = line.foreign.max(Some(until));
        let timer = Some(Span::seconds(20));
        self.house.order(valve, if closes { Said::Close } else { Said::Open { timer } }, self.now);
        self.handle(Input::ForeignOrder { valve, closes, retained });
    }

    /// Whether nobody waters a flat by hand, since its valve does.
    pub fn is_left_to_its_valve(&self, flat: usize) -> bool {
        let valves = self.scenario.plan.valves.iter().enumerate();
        let mut its = valves.filter(|(_, valve)| valve.feeds.iter().any(|feed| feed.flat == flat));
        its.any(|(at, valve)| valve.mode == Mode::Auto && !self.works.lines[at].fault)
    }

    /// A clock that is set forward while the program is down looks like that much time to it.
    pub fn valves_clock_jumped(&mut self, by: Span) {
        if self.site.is_some() || by < Span::ZERO {
            return;
        }
        for line in &mut self.works.lines {
            line.last_auto = None;
            line.foreign = line.foreign.max(Some(self.now));
        }
    }

    pub fn valve_suffers(&mut self, valve: usize, mishap: Mishap) {
        let now = self.now;
        let line = &mut self.works.lines[valve];
        let until = match mishap {
            Mishap::StuckOpen | Mishap::StuckClosed | Mishap::Clogged { .. } | Mishap::Leaks { .. } => FOR_GOOD,
            Mishap::Mended => {
                line.troubled = line.troubled.map(|until| if until == FOR_GOOD { now + LATER } else { until });
                return;
            }
            Mishap::PowerCut { lasts } | Mishap::Unreachable { lasts } => now + lasts + LATER,
            Mishap::OpenedByOther { timer } => {
                let timer = timer.filter(|_| self.scenario.plan.valves[valve].has_timer);
                let until = timer.map_or(FOR_GOOD, |timer| now + timer + LATER);
                line.foreign = line.foreign.max(Some(until));
                return;
            }
        };
        line.troubled = line.troubled.max(Some(until));
    }

    // ---- the look at the end of each slice

    pub fn look_at_valves(&mut self) {
        for valve in 0..self.works.lines.len() {
            self.look_at_valve(valve);
        }
    }

    fn look_at_valve(&mut self, valve: usize) {
        let now = self.now;
        let Some(truth) = self.house.valve(valve) else { return };
        let plan = self.scenario.plan.clone();
        let settings = &plan.valves[valve];
        let line = &mut self.works.lines[valve];
        line.open_since = if truth.open { line.open_since.or(Some(now)) } else { None };
        let obeys = line.troubled.is_none_or(|until| now > until) && line.foreign.is_none_or(|until| now > until);
        line.poured.push_back((now, truth.poured));
        while line.poured.front().is_some_and(|(at, _)| now.since(*at) > Span::hours(24)) {
            line.poured.pop_front();
        }
        // S1: with a timer of its own it closes whatever fails; without one, when it is told to.
        let open_for = line.open_since.map_or(Span::ZERO, |since| now.since(since));
        if settings.mode == Mode::Advise && obeys {
            self.checks.that(Check::NothingOpens, !truth.open, || format!("valve {valve} is open in advise"));
        }
        let most = settings.max_run.unwrap_or(Span::ZERO) + Span::seconds(2) + TWICE + super::world::SLICE;
        if obeys && settings.has_timer && !settings.feeds.is_empty() {
            self.checks.that(Check::OpenEnds, open_for <= most, || {
                format!("valve {valve} is open for {:.0} s of {most:?}", open_for.as_seconds())
            });
        }
        self.the_day_in_truth(valve, truth.poured, obeys);
        let Some(site) = self.site.take() else { return };
        self.locks(&site, valve);
        self.ended(&site, valve, obeys);
        self.site = Some(site);
    }

    /// S2, by what has really come out of it in 24 h.
    fn the_day_in_truth(&mut self, valve: usize, poured: f64, obeys: bool) {
        let settings = &self.scenario.plan.valves[valve];
        let (Some(limit), Some((_, before))) = (settings.max_per_day, self.works.lines[valve].poured.front()) else {
            return;
        };
        let given = poured - before;
        let flow: f64 = self.scenario.house.valves[valve].feeds.iter().map(|feed| feed.flow).sum();
        // What nobody has measured may be off by a flow that is not learned yet; doubled orders let some seconds through.
        let most = limit.get() * 1.5 + flow * 20.0 + 40.0;
        // Who says that a flat stands where it does not makes its weights another's.
        let is_bent = self.scenario.plan.valves[valve].feeds.iter().any(|feed| self.judge.posts[feed.flat].bent);
        let quiet = obeys && !is_bent && self.quiet_since(valve) > Span::hours(24);
        if quiet {
            self.checks.that(Check::TheDay, given <= most, || {
                format!("valve {valve} has let {given:.0} g through in 24 h, of {:.0} mL", limit.get())
            });
        }
    }

    fn quiet_since(&self, valve: usize) -> Span {
        let line = &self.works.lines[valve];
        let last = [line.troubled, line.foreign].into_iter().flatten().max();
        last.map_or(Span::days(999), |last| self.now.since(last))
    }

    /// S7: what a fault has locked, a person unlocks.
    fn locks(&mut self, site: &Site, valve: usize) {
        let fault = site.valve_state(valve).and_then(|state| state.locked).is_some_and(|locked| locked.needs_unlock);
        let line = &mut self.works.lines[valve];
        let opened_itself = line.fault && !fault && !std::mem::take(&mut line.unlocked);
        line.fault = fault;
        self.checks
            .that(Check::Locks, !opened_itself, || format!("valve {valve}: a fault's lock went without a person"));
    }

    /// S4, once a watering is over: nobody stands above high who was not before.
    fn ended(&mut self, site: &Site, valve: usize, obeys: bool) {
        let plan = self.scenario.plan.clone();
        let is_watering = site.valve_state(valve).is_some_and(|state| state.watering.is_some());
        let was = std::mem::replace(&mut self.works.lines[valve].watering, is_watering);
        let fed = &plan.valves[valve].feeds;
        if is_watering && !was {
            let below = fed.iter().map(|feed| self.stands_below_high(feed.flat, 0.0)).collect();
            let high =
                |feed: &tarewell::watering::Feed| self.shown[feed.flat].as_ref().map_or(0.0, |shown| shown.high());
            self.works.lines[valve].highs = fed.iter().map(high).collect();
            self.works.lines[valve].below_high = below;
            self.works.lines[valve].poured_before = self.house.valve(valve).map_or(0.0, |truth| truth.poured);
        }
        // One that ended without an opening has lifted nothing, whoever poured meanwhile.
        let gave = self.house.valve(valve).map_or(0.0, |truth| truth.poured) - self.works.lines[valve].poured_before;
        if !is_watering && was && obeys && gave >= 1.0 {
            self.works.lines[valve].waterings += 1;
            let learning = self.works.lines[valve].waterings <= 5;
            for (place, feed) in fed.iter().enumerate() {
                let before = self.works.lines[valve].below_high.get(place).copied().flatten();
                let Some(shown) = self.shown[feed.flat].clone() else { continue };
                let band = shown.band();
                let tolerance =
                    (0.02 * band).max(if learning { 30.0 } else { 10.0 }) + 3.0 * self.judge.posts[feed.flat].noise;
                // Who sets another limit meanwhile ends it, and what has come has come.
                let lowered =
                    self.works.lines[valve].highs.get(place).map_or(0.0, |then| (then - shown.high()).max(0.0));
                let after = self.stands_below_high(feed.flat, tolerance / band + lowered);
                if before == Some(true)
                    && let Some(after) = after
                {
                    let truth = self.house.truth(feed.flat).map(|truth| truth.fraction);
                    self.checks.that(Check::NotAboveHigh, after, || {
                        format!("valve {valve} lifted flat {} to {truth:.3?}, high is {:.2}", feed.flat, shown.high())
                    });
                }
            }
        }
    }

    /// Whether a flat stands at most so far above its high, by its true weight; `None` where its weight is not its own to tell.
    fn stands_below_high(&self, flat: usize, by: f64) -> Option<bool> {
        let truth = self.house.truth(flat)?;
        let shown = self.shown[flat].as_ref()?;
        let post = &self.judge.posts[flat];
        let calm = self.now.since(post.honest_from.max(post.troubled_until)) > Span::minutes(40)
            && self.now.since(post.watered_until) > Span::minutes(60)
            && post.offset() == 0.0
            && !post.bent
            && !post.tared
            && !truth.domed
            && matches!(truth.place, Place::Stand(stand) if stand == flat);
        calm.then_some(shown.fraction_of(truth.weight)? <= shown.high() + by)
    }

    /// S9: what waters by itself does so at most every four hours.
    pub fn valve_event(&mut self, site: &Site, valve: usize, what: &Happening) {
        if let Happening::Locked { reason, text } = what {
            let line = &self.works.lines[valve];
            let plan = &self.scenario.plan.valves[valve];
            let disturbed = plan.feeds.iter().any(|feed| {
                let post = &self.judge.posts[feed.flat];
                post.is_explained(self.now, Span::hours(2)) || self.now.since(post.handled_at) < Span::hours(2)
            });
            // In a storm one order of a hundred never comes, and what is said comes seconds late.
            let is_late = self.scenario.house.network.jitter > Span::from_millis(500);
            let lost = (self.scenario.house.valves[valve].orders_lost > 0.0 || is_late) && *reason == "no-answer";
            let so = line.troubled.is_some() || line.foreign.is_some() || disturbed || lost;
            let verdict = if so { super::tally::Verdict::Explained } else { super::tally::Verdict::False };
            self.tally.judged(reason, verdict);
            if !so {
                let (seed, day, hour) = (self.scenario.seed, self.now.day(), self.now.hour());
                self.tally
                    .notes
                    .push(format!("false: seed {seed}, day {day} {hour:.2} h: valve {valve} locked, {reason}: {text}"));
            }
        }
        let Happening::WateringStarted { volume } = what else { return };
        if self.scenario.plan.valves[valve].mode != Mode::Auto {
            return;
        }
        let now = self.now;
        let by_command = self.last_run.is_some_and(|at| now.since(at) < Span::seconds(1));
        if by_command {
            return;
        }
        self.tally.valve_waterings += 1;
        let between = |feed: &tarewell::watering::Feed| {
            let state = site.flat_state(feed.flat)?;
            Some((state.target - state.water_at) * (state.capacity_weight_g? - state.dry_weight_g?))
        };
        let between: f64 = self.scenario.plan.valves[valve].feeds.iter().filter_map(between).sum();
        self.tally.valve_sizes += volume.get() / between.max(1.0);
        let last = self.works.lines[valve].last_auto.replace(now);
        if let Some(last) = last {
            self.checks.that(Check::Apart, now.since(last) >= APART, || {
                format!("valve {valve} watered by itself twice within {:.2} h", now.since(last).as_hours())
            });
        }
        let settings = &self.scenario.plan.valves[valve];
        if let Some((from, to)) = settings.hours {
            let hours =
                |time: chrono::NaiveTime| f64::from(chrono::Timelike::num_seconds_from_midnight(&time)) / 3600.0;
            let (at, from, to) = (self.scenario.plan.zone.hour(self.moment(now).wall), hours(from), hours(to));
            let inside = if from < to { (from..to).contains(&at) } else { at >= from || at < to };
            self.checks.that(Check::OpensFor, inside, || format!("valve {valve} watered by itself at {at:.2} h"));
        }
    }
}

/// Numbers drawn for the valves alone, so that a house without them stays as it was.
pub fn dice(seed: u64) -> Dice {
    Dice::new(seed, 3)
}
