//! `tarewell check`: is the file good, and what could each valve do at worst?

use super::file;
use crate::config::Checked;
use crate::moment::{Span, Wall};
use crate::service::Clock;
use crate::site::Plan;
use crate::units::{Flow, Millilitres, Words};
use crate::watering::{MASTER_LONGER, SupplySettings, ValveSettings};
use std::fmt::Write as _;
use std::path::Path;

/// Reads the file, prints what is found, and returns the exit code: 0 good, 2 not.
#[must_use]
pub fn run(config: Option<&Path>) -> i32 {
    match file::load(config) {
        Ok((path, checked)) => {
            print!("{}", report(&path.display().to_string(), &checked, Clock::start(None).now().wall));
            0
        }
        Err(error) => {
            eprintln!("{error}");
            2
        }
    }
}

/// What is printed of a good file: one line, a line for each valve, then notes. `now` is what a day of sowing is held against.
#[must_use]
pub fn report(file: &str, checked: &Checked, now: Wall) -> String {
    let plan = &checked.plan;
    let stands = counted(plan.stands.len(), "stand");
    let flats = counted(plan.flats.len(), "flat");
    let valves = counted(plan.valves.len(), "valve");
    let mut out = format!("{file} is good: {stands}, {flats}, {valves}\n");
    for valve in &plan.valves {
        // Writing to a String cannot fail.
        let _ = writeln!(out, "  valve `{}`: stuck open it would pour {}", valve.id, stuck(valve, plan));
    }
    for note in checked.notes.iter().cloned().chain(sown_oddly(plan, now)) {
        let _ = writeln!(out, "  note: {note}");
    }
    out
}

/// No seedling stays in its flat for so many days.
const LONG_SOWN: i64 = 2 * 365;

/// Flats that are to be sown on a day to come, or were sown long ago: meant, or a slip of the pen in the year.
fn sown_oddly(plan: &Plan, now: Wall) -> impl Iterator<Item = String> {
    let today = plan.zone.date(now);
    plan.flats.iter().filter_map(move |(id, flat)| {
        let sown = flat.sown?;
        let days = (sown - today).num_days();
        let why = match days {
            1 => "tomorrow: its stages begin then".to_owned(),
            2.. => format!("in {days} days: its stages begin then"),
            _ if days < -LONG_SOWN => "more than two years ago".to_owned(),
            _ => return None,
        };
        Some(format!("flat `{id}` is `sown: {sown}`, {why}. Is the date right?"))
    })
}

fn counted(number: usize, word: &str) -> String {
    format!("{number} {word}{}", if number == 1 { "" } else { "s" })
}

/// What one stuck opening would pour: what its timer lets through, or water without end.
fn stuck(valve: &ValveSettings, plan: &Plan) -> String {
    let Some(flow) = total_flow(valve, plan) else {
        return "until somebody closes it, at a flow that is not known".to_owned();
    };
    match longest_run(valve, plan).filter(|_| valve.has_timer) {
        Some(run) => {
            let most = Millilitres::new(flow.get() * run.as_seconds());
            let tank = tank_of(valve, plan).filter(|holds| *holds < most);
            let what = tank.map_or(String::new(), |_| "all that is in its tank, ".to_owned());
            let most = plan.words.volume(tank.unwrap_or(most));
            format!("{what}{most} before its own timer closes it ({} s)", run.as_seconds())
        }
        None => format!("{} until somebody closes it", hourly(flow, plan.words)),
    }
}

/// A master runs as long as the valves behind it may, and a little longer.
fn longest_run(valve: &ValveSettings, plan: &Plan) -> Option<Span> {
    let behind = served(valve, plan).filter_map(|other| other.max_run).max();
    behind.map(|run| run + MASTER_LONGER).or(valve.max_run)
}

/// What the tank holds that it draws on.
fn tank_of(valve: &ValveSettings, plan: &Plan) -> Option<Millilitres> {
    let is_master = |supply: &&SupplySettings| {
        supply.master.and_then(|master| plan.valves.get(master)).is_some_and(|master| master.id == valve.id)
    };
    let own = valve.supply.and_then(|supply| plan.supplies.get(supply));
    own.or_else(|| plan.supplies.iter().find(is_master)).and_then(|supply| supply.holds)
}

/// A master lets through what the valves behind it do, one at a time.
fn total_flow(valve: &ValveSettings, plan: &Plan) -> Option<Flow> {
    let total = |valve: &ValveSettings| valve.feeds.iter().map(|feed| feed.flow.get()).sum::<f64>();
    let through = served(valve, plan).map(total).fold(0.0, f64::max);
    let flow = total(valve) + through;
    (flow > 0.0).then(|| Flow::new(flow))
}

/// The valves whose supply this one is the master of.
fn served<'a>(valve: &'a ValveSettings, plan: &'a Plan) -> impl Iterator<Item = &'a ValveSettings> {
    let master = |supply: usize| plan.supplies.get(supply).and_then(|supply| supply.master);
    let is_this = move |at: usize| plan.valves.get(at).is_some_and(|master| master.id == valve.id);
    plan.valves.iter().filter(move |other| other.supply.and_then(master).is_some_and(is_this))
}

fn hourly(flow: Flow, words: Words) -> String {
    format!("{} an hour", words.volume(Millilitres::new(flow.get() * 3600.0)))
}
