//! Valves that may open: what they hang over, what the file says of them, and what goes wrong with them.

use super::dice::Dice;
use super::faults::Happens;
use super::scenario::{BEGINS, Weather};
use chrono::NaiveTime;
use tarewell::moment::Span;
use tarewell::sim::{
    Act, Drains, Feed as Falls, FlatPlan, Mishap, Onto, Reports, SimTime, SupplyPlan, Timer, ValvePlan,
};
use tarewell::units::{Flow, Millilitres};
use tarewell::watering::{Feed, Method, Mode, SupplySettings, ValveSettings};

/// The valves and supplies of a house, as the file has them and as they are.
#[derive(Debug, Clone, Default)]
pub struct Plumbing {
    pub valves: Vec<ValveSettings>,
    pub lines: Vec<ValvePlan>,
    pub supplies: Vec<SupplySettings>,
    pub tanks: Vec<SupplyPlan>,
}

/// Every flat hangs on a valve; in an ordinary month each on its own.
pub fn plumbing(dice: &mut Dice, weather: Weather, pots: &[FlatPlan]) -> Plumbing {
    let storm = weather == Weather::Storm;
    let mut made = Plumbing::default();
    let mut next = 0;
    while next < pots.len() {
        let count = if storm { 1 + dice.below(3) } else { 1 };
        let fed: Vec<usize> = (next..(next + count).min(pots.len())).collect();
        next += fed.len();
        let number = made.valves.len();
        let (settings, line) = valve(dice, storm, number, &fed, pots);
        made.valves.push(settings);
        made.lines.push(line);
    }
    if storm && dice.chance(0.5) {
        draw_on_a_tank(dice, &mut made);
    }
    made
}

fn valve(dice: &mut Dice, storm: bool, number: usize, fed: &[usize], pots: &[FlatPlan]) -> (ValveSettings, ValvePlan) {
    // What keeps nothing in its tray cannot be watered from there.
    let may_stand = fed.iter().all(|flat| pots[*flat].drains != Drains::Away);
    let method = match dice.below(if storm { 10 } else { 1 }) {
        0..7 => Method::Drip,
        7 => Method::Overhead,
        _ if may_stand => Method::Bottom,
        _ => Method::Drip,
    };
    let flows: Vec<f64> = fed.iter().map(|_| dice.scale(0.4, 8.0)).collect();
    let wrong: Vec<f64> = fed.iter().map(|_| dice.between(0.75, 1.3)).collect();
    let feeds = fed.iter().zip(&flows).zip(&wrong);
    let feeds = feeds.map(|((&flat, flow), wrong)| Feed { flat, flow: Flow::per_minute(flow * wrong * 60.0) });
    let reports = dice.pick(&[Reports::Relay, Reports::Relay, Reports::Position, Reports::Nothing]);
    let has_timer = !storm || dice.chance(0.9);
    let mode = match dice.below(if storm { 10 } else { 1 }) {
        8 => Mode::Ask,
        9 => Mode::Advise,
        _ => Mode::Auto,
    };
    let band: f64 = fed.iter().map(|flat| pots[*flat].capacity - pots[*flat].filled_with).sum();
    let slowest = flows.iter().copied().fold(f64::INFINITY, f64::min);
    let hours = if storm && dice.chance(0.3) { Some((hour(7), hour(19))) } else { None };
    let settings = ValveSettings {
        id: format!("v{number}"),
        mode,
        method,
        feeds: feeds.collect(),
        pulse_volume: (storm && dice.chance(0.3)).then(|| Millilitres::new(dice.between(40.0, 400.0))),
        rest: (storm && dice.chance(0.3)).then(|| Span::seconds(20 + dice.below(600) as i64)),
        max_run: Some(Span::from_seconds((band / slowest * dice.between(0.3, 1.0)).clamp(30.0, 3600.0))),
        max_per_day: Some(Millilitres::new(band * dice.between(if storm { 0.3 } else { 1.0 }, 1.5))),
        hours,
        has_timer,
        without_timer_accepted: !has_timer,
        reports: reports != Reports::Nothing,
        ..ValveSettings::default()
    };
    let below = method == Method::Bottom;
    let falls = fed.iter().zip(&flows).map(|(&flat, &flow)| Falls { onto: Onto::Stand(flat), flow, below });
    let rough = if storm { 1.0 } else { 0.0 };
    let line = ValvePlan {
        feeds: falls.collect(),
        timer: if has_timer { Timer::Ordered } else { Timer::None },
        reports,
        orders_lost: 0.01 * rough,
        orders_doubled: 0.02 * rough,
        orders_late: (0.01 * rough, Span::from_millis(2500)),
        ..ValvePlan::default()
    };
    (settings, line)
}

fn hour(hour: u32) -> NaiveTime {
    NaiveTime::from_hms_opt(hour, 0, 0).unwrap_or_default()
}

/// All valves draw on one tank, some behind a master valve.
fn draw_on_a_tank(dice: &mut Dice, made: &mut Plumbing) {
    let holds = dice.scale(4000.0, 80_000.0);
    let boldest = made.valves.iter().map(|valve| valve.mode).max_by_key(|mode| *mode as u8);
    let has_master = dice.chance(0.4) && boldest != Some(Mode::Advise);
    for (settings, line) in made.valves.iter_mut().zip(&mut made.lines) {
        (settings.supply, line.supply) = (Some(0), Some(0));
    }
    let master = has_master.then_some(made.valves.len());
    if has_master {
        made.valves.push(ValveSettings {
            id: "main".to_owned(),
            mode: boldest.unwrap_or(Mode::Ask),
            max_run: Some(Span::hours(2)),
            has_timer: true,
            reports: true,
            ..ValveSettings::default()
        });
        made.lines.push(ValvePlan::default());
    }
    made.supplies.push(SupplySettings {
        id: "tank".to_owned(),
        master,
        holds: Some(Millilitres::new(holds)),
        has_level: false,
    });
    made.tanks.push(SupplyPlan { holds, begins_with: holds * dice.between(0.5, 1.0), master });
}

/// Once a week the grower tells what the plants weigh, give or take a tenth: nobody soaks a flat that is watered by itself, and without
/// either what grows is taken for water.
pub fn plants_told(dice: &mut Dice, flats: usize, days: i64) -> Vec<(SimTime, Happens)> {
    let weeks = (0..days).step_by(7);
    let told = weeks.flat_map(|day| (0..flats).map(move |flat| (SimTime::at(day, 9, 0), flat)));
    told.map(|(at, flat)| (at, Happens::PlantsTold { flat, off_by: 0.1 * dice.normal() })).collect()
}

/// What goes wrong with valves and their lines, and who comes to mend it.
pub fn mishaps(dice: &mut Dice, wildness: f64, days: i64, made: &Plumbing) -> Vec<(SimTime, Happens)> {
    let mut all = Vec::new();
    let end = BEGINS + Span::days(days);
    for (valve, settings) in made.valves.iter().enumerate() {
        let mut at = BEGINS;
        loop {
            at = at + Span::from_seconds(dice.wait(86_400.0 / (0.2 * wildness)));
            if at >= end {
                break;
            }
            mishap(dice, at, valve, settings, &mut all);
        }
    }
    for day in 0..=days {
        // Somebody looks after what is locked, and after the tank.
        for hour in [8, 12, 17] {
            all.push((SimTime::at(day, hour, 30), Happens::Caretaker));
        }
    }
    let mut at = BEGINS;
    loop {
        at = at + Span::from_seconds(dice.wait(86_400.0 / (0.2 * wildness)));
        if at >= end {
            break;
        }
        let (lasts, say) = (Span::from_seconds(dice.scale(2.0, 20_000.0)), dice.below(3));
        match say {
            0 => all.push((at, Happens::DiskFull(lasts))),
            1 => {
                let valve = dice.below(made.valves.len());
                all.push((at, Happens::LinkLost { valve, lasts }));
            }
            _ => {
                let valve = dice.below(made.valves.len());
                all.push((at, Happens::ForeignOrder { valve, closes: dice.chance(0.5), retained: dice.chance(0.6) }));
            }
        }
    }
    all.retain(|(at, _)| *at > BEGINS && *at < end);
    all
}

fn mishap(dice: &mut Dice, at: SimTime, valve: usize, settings: &ValveSettings, all: &mut Vec<(SimTime, Happens)>) {
    let lasts = Span::from_seconds(dice.scale(5.0, 20_000.0));
    let act = |mishap| Happens::Act(Act::Valve(valve, mishap));
    let command = |payload: String| Happens::Command {
        topic: format!("tarewell/valves/{}/command", settings.id),
        payload,
        retained: false,
    };
    let id = dice.below(1_000_000);
    let what = match dice.below(16) {
        0 => act(Mishap::StuckOpen),
        1 => act(Mishap::StuckClosed),
        2 => act(Mishap::Clogged { passes: dice.between(0.1, 0.9) }),
        3 => act(Mishap::Leaks { share: dice.between(0.01, 0.2) }),
        4 => act(Mishap::PowerCut { lasts }),
        5 => act(Mishap::Unreachable { lasts }),
        6 => {
            let timer = Some(Span::seconds(5 + dice.below(300) as i64));
            act(Mishap::OpenedByOther { timer })
        }
        7 => act(Mishap::Mended),
        8..=10 => command(format!(r#"{{"command":"run","id":"r{id}"}}"#)),
        11 => {
            let volume = dice.scale(5.0, 3000.0).round();
            command(format!(r#"{{"command":"run","volume_ml":{volume},"id":"r{id}"}}"#))
        }
        12 => command(format!(r#"{{"command":"stop","id":"r{id}"}}"#)),
        13 => command(format!(r#"{{"command":"measure-flow","run_s":{},"id":"r{id}"}}"#, 5 + dice.below(60))),
        14 => Happens::KilledWhilePouring { valve, after: Span::from_seconds(dice.scale(0.05, 60.0)) },
        _ => Happens::Command {
            topic: "tarewell/command".to_owned(),
            payload: format!(r#"{{"command":"pause","for_h":{},"id":"r{id}"}}"#, 1 + dice.below(9)),
            retained: false,
        },
    };
    all.push((at, what));
}
