//! What a seed stands for: a house, the configuration for it, and everything that will go wrong.

use super::dice::Dice;
use super::faults::{self, Happens};
use super::plumbing::{Plumbing, mishaps, plants_told, plumbing};
use super::works;
use chrono::{NaiveDate, NaiveTime, TimeDelta};
use std::sync::Arc;
use tarewell::flat::{Begins, FlatSettings, Limits, SomeLimits, StageSettings};
use tarewell::moment::{Span, Wall, Zone};
use tarewell::sim::{
    CellPlan, Drains, Feed as Falls, FlatPlan, Glitch, HousePlan, Light, Mix, NetworkPlan, Onto, RoomPlan, Shows,
    SimTime, Spell, ValvePlan,
};
use tarewell::site::Plan;
use tarewell::stand::{StandSettings, TemperatureSettings};
use tarewell::units::{Celsius, Flow, Fraction, Grams, Millilitres, WeightUnit, Words};
use tarewell::watering::{Feed, Method, Mode, ValveSettings};

/// What kind of weather is wanted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Weather {
    /// Everything that can go wrong does.
    Storm,
    /// Dropouts, glitches, drift, and somebody who waters by hand twice a week: an ordinary month.
    Nominal,
}

/// What valves may do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Waters {
    /// Some flats have a valve, and all valves only say what they would pour.
    Advise,
    /// Every flat has a valve, most of them in auto.
    Auto,
}

/// A house and its configuration.
#[derive(Debug, Clone)]
pub struct Scenario {
    pub seed: u64,
    pub weather: Weather,
    /// Whether valves may open; else all are in advise.
    pub waters: Waters,
    pub days: i64,
    /// The wall clock at the house's first midnight.
    pub midnight: Wall,
    pub plan: Arc<Plan>,
    pub house: HousePlan,
    /// What happens beside what the house does of itself, in order.
    pub agenda: Vec<(SimTime, Happens)>,
    /// Share of what is advised that the grower does.
    pub diligence: f64,
}

/// Flats begin to be weighed at this hour of the first day.
pub const BEGINS: SimTime = SimTime::at(0, 7, 0);

impl Scenario {
    pub fn new(seed: u64, weather: Weather, waters: Waters, days: i64) -> Self {
        let mut dice = Dice::new(seed, 1);
        let storm = weather == Weather::Storm;
        let flats = 1 + dice.below(12);
        let zone = dice.pick(&["Europe/London", "America/New_York", "Asia/Kathmandu", "Australia/Lord_Howe", "UTC"]);
        let zone = Zone::named(zone).unwrap_or(Zone::UTC);
        let first = first_day(&mut dice, storm);
        let midnight = zone.instant(first, NaiveTime::MIN);
        // Bad cells and bad networks come together often enough to be worth a house of their own.
        let wildness = if storm { dice.scale(0.3, 3.0) } else { 0.0 };
        let cells: Vec<CellPlan> = (0..flats).map(|_| cell(&mut dice, storm)).collect();
        let pots: Vec<FlatPlan> = (0..flats).map(|stand| pot(&mut dice).on(stand)).collect();
        let stands = cells.iter().enumerate().map(|(at, cell)| (format!("s{at}"), stand(&mut dice, cell))).collect();
        let settings = pots.iter().enumerate();
        let settings = settings.map(|(at, pot)| (format!("f{at}"), flat(&mut dice, at, pot, first, storm))).collect();
        let (valves, lines) = valves(&mut dice, flats);
        let made = match waters {
            Waters::Advise => Plumbing { valves, lines, ..Plumbing::default() },
            Waters::Auto => plumbing(&mut works::dice(seed), weather, &pots),
        };
        let plan = Plan {
            name: "Storm".to_owned(),
            zone,
            words: dice.pick(&[Words::Metric, Words::Us]),
            base_topic: "tarewell".to_owned(),
            fills: Vec::new(),
            stands,
            flats: settings,
            valves: made.valves.clone(),
            supplies: made.supplies.clone(),
        };
        let mut agenda = faults::agenda(&mut dice, weather, wildness, days, &plan, &pots);
        if waters == Waters::Auto {
            let dice = &mut Dice::new(seed, 4);
            agenda.extend(match weather {
                Weather::Storm => mishaps(dice, wildness, days, &made),
                Weather::Nominal => plants_told(dice, pots.len(), days),
            });
            agenda.sort_by_key(|(at, _)| *at);
        }
        let house = HousePlan {
            flats: pots,
            stands: cells,
            valves: made.lines,
            supplies: made.tanks,
            room: room(&mut dice, storm, days),
            network: network(&mut dice, storm),
            ..HousePlan::default()
        };
        let diligence = if storm { dice.between(0.4, 1.0) } else { 1.0 };
        Self { seed, weather, waters, days, midnight, plan: Arc::new(plan), house, agenda, diligence }
    }

    /// A house in which nothing goes wrong by itself, with flats of coir at 60 % on good cells, each on a stand of its own, in
    /// London from a day of March on; for scenarios of a test's own.
    pub fn quiet(flats: usize) -> Self {
        let pots: Vec<FlatPlan> =
            (0..flats).map(|at| FlatPlan::cells(72).mix(Mix::Coir).at_fraction(0.6).on(at)).collect();
        let first = NaiveDate::from_ymd_opt(2026, 3, 2).unwrap_or_default();
        let zone = Zone::named("Europe/London").unwrap_or(Zone::UTC);
        let flat = |(at, pot): (usize, &FlatPlan)| {
            let settings = FlatSettings {
                label: format!("Flat {at}"),
                stand: Some(at),
                dry_weight: Some(pot.dry_weight()),
                capacity_weight: Some(pot.capacity_weight()),
                ..FlatSettings::default()
            };
            (format!("f{at}"), settings)
        };
        let plan = Plan {
            name: "Quiet".to_owned(),
            zone,
            words: Words::Metric,
            base_topic: "tarewell".to_owned(),
            fills: Vec::new(),
            stands: (0..flats).map(|at| (format!("s{at}"), StandSettings::default())).collect(),
            flats: pots.iter().enumerate().map(flat).collect(),
            valves: Vec::new(),
            supplies: Vec::new(),
        };
        let stands = vec![CellPlan::default(); flats];
        Self {
            seed: 1,
            weather: Weather::Storm,
            waters: Waters::Advise,
            days: 7,
            midnight: zone.instant(first, NaiveTime::MIN),
            plan: Arc::new(plan),
            house: HousePlan { flats: pots, stands, ..HousePlan::default() },
            agenda: Vec::new(),
            diligence: 1.0,
        }
    }

    /// The wall clock, as it should be.
    pub fn wall(&self, at: SimTime) -> Wall {
        self.midnight + Span::from_millis(at.millis())
    }
}

/// A third of the storms lie across a change of local time.
fn first_day(dice: &mut Dice, storm: bool) -> NaiveDate {
    let day = |month, day| NaiveDate::from_ymd_opt(2026, month, day).unwrap_or_default();
    if storm && dice.chance(0.33) {
        dice.pick(&[day(3, 28), day(10, 24), day(3, 7), day(10, 31), day(4, 4), day(10, 3)])
    } else {
        day(2, 1) + TimeDelta::days(dice.below(240) as i64)
    }
}

fn cell(dice: &mut Dice, storm: bool) -> CellPlan {
    let period = Span::seconds(dice.scale(5.0, 300.0).round() as i64);
    let counts = dice.chance(0.3);
    let usual = CellPlan {
        period,
        noise: dice.scale(0.1, 1.0),
        zero_drift: dice.between(-0.5, 0.5),
        glitches: 0.003,
        missing: 0.01,
        shows: if counts { Shows::Counts } else { Shows::Grams { digit: dice.pick(&[0.1, 1.0]) } },
        retained: dice.chance(0.3),
        announces: dice.chance(0.25),
        ..CellPlan::default()
    };
    if !storm {
        return usual;
    }
    let usual = CellPlan { bumps_per_day: 2.0, kinds: Glitch::KNOWN.to_vec(), ..usual };
    if dice.chance(0.6) {
        return usual;
    }
    CellPlan {
        noise: dice.scale(0.5, 3.0),
        wander: dice.scale(0.1, 1.0),
        zero_drift: dice.between(-2.0, 2.0),
        glitches: dice.scale(0.003, 0.05),
        missing: dice.scale(0.01, 0.2),
        bumps_per_day: dice.scale(1.0, 10.0),
        freezes_per_week: dice.between(0.0, 1.0),
        silences_per_week: dice.between(0.0, 2.0),
        restarts_per_week: dice.between(0.0, 2.0),
        tares: dice.chance(0.3),
        fan: dice.chance(0.2).then_some((11.0, 15.0, 3.0)),
        temperature: dice.chance(0.3).then_some(Span::seconds(60)),
        ..usual
    }
}

fn stand(dice: &mut Dice, cell: &CellPlan) -> StandSettings {
    let counts = cell.shows == Shows::Counts;
    let temperature = cell
        .temperature
        .and_then(|_| Celsius::checked(cell.reference))
        .map(|reference| TemperatureSettings { grams_per_degree: cell.zero_drift, reference });
    StandSettings {
        unit: if counts { WeightUnit::Counts } else { WeightUnit::Gram },
        max_load: dice.chance(0.5).then_some(Grams::new(10_000.0)),
        zero: counts.then_some(cell.counts.0),
        counts_per_gram: counts.then_some(cell.counts.1),
        temperature,
        tells_availability: cell.announces,
        ..StandSettings::default()
    }
}

fn pot(dice: &mut Dice) -> FlatPlan {
    let mut pot = FlatPlan::cells(dice.pick(&[24, 50, 72, 128, 200]));
    pot = pot.mix(dice.pick(&[Mix::Peat, Mix::Peat, Mix::Coir]));
    pot.age = dice.between(0.0, 28.0);
    pot.growth.fastest *= dice.between(0.5, 1.3);
    pot.evaporation.day *= dice.between(0.6, 1.6);
    if dice.chance(0.3) {
        pot.drains = Drains::Away;
    }
    pot.at_fraction(dice.between(0.35, 0.9))
}

fn flat(dice: &mut Dice, at: usize, pot: &FlatPlan, first: NaiveDate, storm: bool) -> FlatSettings {
    let own = |low, water_at, target, high| Limits {
        low: Fraction::new(low),
        water_at: Fraction::new(water_at),
        target: Fraction::new(target),
        high: Fraction::new(high),
    };
    let limits = match dice.below(4) {
        0 => own(0.45, 0.50, 0.60, 0.75),
        1 => own(0.20, 0.35, 0.50, 0.75),
        2 if storm => own(0.10, 0.12, 0.95, 1.0),
        _ => Limits::default(),
    };
    let own_limits = SomeLimits {
        low: Some(limits.low),
        water_at: Some(limits.water_at),
        target: Some(limits.target),
        high: Some(limits.high),
    };
    FlatSettings {
        label: format!("Flat {at}"),
        stand: Some(at),
        dry_weight: Some(Grams::new(pot.dry_weight().get().round())),
        capacity_weight: Some(Grams::new(pot.capacity_weight().get().round())),
        sown: Some(first - TimeDelta::days(pot.age as i64)),
        stages: if storm && dice.chance(0.2) { stages() } else { Vec::new() },
        limits,
        own_limits,
        wet_for: if storm { Span::hours(dice.pick(&[2, 24, 72])) } else { Span::hours(72) },
        dome_weight: dice.chance(0.5).then_some(Grams::new(pot.dome)),
        ..FlatSettings::default()
    }
}

fn stages() -> Vec<StageSettings> {
    let germinating = SomeLimits {
        low: Some(Fraction::new(0.65)),
        water_at: Some(Fraction::new(0.70)),
        target: Some(Fraction::new(0.85)),
        high: Some(Fraction::new(1.05)),
    };
    let stage = |name: &str, day, limits, wet_is_meant| StageSettings {
        name: name.to_owned(),
        begins: Begins::OnDay(day),
        limits,
        wet_is_meant,
    };
    vec![stage("germinating", 0, germinating, true), stage("growing-on", 21, SomeLimits::default(), false)]
}

/// Up to three valves in advise, each over one to three neighbours.
fn valves(dice: &mut Dice, flats: usize) -> (Vec<ValveSettings>, Vec<ValvePlan>) {
    let (mut settings, mut lines, mut next) = (Vec::new(), Vec::new(), 0);
    for number in 0..dice.below(4) {
        let fed: Vec<usize> = (next..(next + 1 + dice.below(3)).min(flats)).collect();
        next += fed.len();
        if fed.is_empty() {
            break;
        }
        let flows: Vec<f64> = fed.iter().map(|_| dice.between(0.3, 8.0)).collect();
        let feeds = fed.iter().zip(&flows).map(|(&flat, flow)| Feed { flat, flow: Flow::per_minute(flow * 60.0) });
        settings.push(ValveSettings {
            id: format!("v{number}"),
            mode: Mode::Advise,
            method: dice.pick(&[Method::Drip, Method::Bottom, Method::Overhead]),
            feeds: feeds.collect(),
            pulse_volume: dice.chance(0.3).then(|| Millilitres::new(dice.between(20.0, 300.0))),
            rest: dice.chance(0.3).then(|| Span::seconds(dice.below(600) as i64)),
            max_run: dice.chance(0.5).then(|| Span::seconds(5 + dice.below(1200) as i64)),
            max_per_day: dice.chance(0.5).then(|| Millilitres::new(dice.between(50.0, 4000.0))),
            has_timer: true,
            ..ValveSettings::default()
        });
        let falls = fed.iter().zip(&flows);
        let falls = falls.map(|(&flat, flow)| Falls { onto: Onto::Stand(flat), flow: *flow, below: false });
        lines.push(ValvePlan { feeds: falls.collect(), ..ValvePlan::default() });
    }
    (settings, lines)
}

fn room(dice: &mut Dice, storm: bool, days: i64) -> RoomPlan {
    let light = if dice.chance(0.3) { Light::Sun { rise: 6.0, set: 20.0 } } else { RoomPlan::default().light };
    let clouds = if light == RoomPlan::default().light { 0.0 } else { 0.6 };
    let mut room = RoomPlan { light, clouds, mean: dice.between(17.0, 24.0), ..RoomPlan::default() };
    if storm && dice.chance(0.4) {
        let from = SimTime::at(dice.below(days as usize) as i64, 9, 0);
        let until = from + Span::hours(dice.pick(&[8, 30]));
        room.spells.push(Spell { from, until, warmer: dice.between(5.0, 10.0), humidity: None });
    }
    if storm && dice.chance(0.3) {
        let at = SimTime::at(dice.below(days as usize) as i64, 15, 0);
        room.relit.push((at, Light::Lamps { on: 4.0, off: 23.0, ramp: 0.1, strength: 1.2 }));
    }
    room
}

fn network(dice: &mut Dice, storm: bool) -> NetworkPlan {
    if !storm {
        return NetworkPlan { loss: 0.002, delay: Span::from_millis(20), ..NetworkPlan::default() };
    }
    if dice.chance(0.5) {
        return NetworkPlan { delay: Span::from_millis(20), outages_per_week: 2.0, ..NetworkPlan::default() };
    }
    NetworkPlan {
        loss: dice.scale(0.001, 0.05),
        delay: Span::from_millis(dice.below(300) as i64),
        jitter: Span::from_millis(dice.scale(20.0, 8000.0) as i64),
        duplicates: dice.scale(0.001, 0.05),
        outages_per_week: dice.between(0.0, 5.0),
        ..NetworkPlan::default()
    }
}
