//! `tarewell check`: is the file good, and what could each valve do at worst?

use super::file;
use crate::config::Checked;
use crate::site::Plan;
use crate::units::{Flow, Millilitres, Words};
use crate::watering::ValveSettings;
use std::fmt::Write as _;
use std::path::Path;

/// Reads the file, prints what is found, and returns the exit code: 0 good, 2 not.
#[must_use]
pub fn run(config: Option<&Path>) -> i32 {
    match file::load(config) {
        Ok((path, checked)) => {
            print!("{}", report(&path.display().to_string(), &checked));
            0
        }
        Err(error) => {
            eprintln!("{error}");
            2
        }
    }
}

/// What is printed of a good file: one line, a line for each valve, then notes.
#[must_use]
pub fn report(file: &str, checked: &Checked) -> String {
    let plan = &checked.plan;
    let stands = counted(plan.stands.len(), "stand");
    let flats = counted(plan.flats.len(), "flat");
    let valves = counted(plan.valves.len(), "valve");
    let mut out = format!("{file} is good: {stands}, {flats}, {valves}\n");
    for valve in &plan.valves {
        // Writing to a String cannot fail.
        let _ = writeln!(out, "  valve `{}`: stuck open it would pour {}", valve.id, stuck(valve, plan));
    }
    for note in &checked.notes {
        let _ = writeln!(out, "  note: {note}");
    }
    out
}

fn counted(number: usize, word: &str) -> String {
    format!("{number} {word}{}", if number == 1 { "" } else { "s" })
}

/// What one stuck opening would pour: what its timer lets through, or water without end.
fn stuck(valve: &ValveSettings, plan: &Plan) -> String {
    let Some(flow) = total_flow(valve, plan) else {
        return "until somebody closes it, at a flow that is not known".to_owned();
    };
    match valve.max_run.filter(|_| valve.has_timer) {
        Some(run) => {
            let most = Millilitres::new(flow.get() * run.as_seconds());
            format!("{} before its own timer closes it ({} s)", plan.words.volume(most), run.as_seconds())
        }
        None => format!("{} until somebody closes it", hourly(flow, plan.words)),
    }
}

/// A master lets through what the valves behind it do.
fn total_flow(valve: &ValveSettings, plan: &Plan) -> Option<Flow> {
    let own: f64 = valve.feeds.iter().map(|feed| feed.flow.get()).sum();
    let behind = |supply: &usize| {
        let master = plan.supplies.get(*supply).and_then(|supply| supply.master);
        master.and_then(|master| plan.valves.get(master)).is_some_and(|master| master.id == valve.id)
    };
    let served = plan.valves.iter().filter(|other| other.supply.as_ref().is_some_and(behind));
    let through: f64 = served.flat_map(|other| &other.feeds).map(|feed| feed.flow.get()).sum();
    let flow = own + through;
    (flow > 0.0).then(|| Flow::new(flow))
}

fn hourly(flow: Flow, words: Words) -> String {
    format!("{} an hour", words.volume(Millilitres::new(flow.get() * 3600.0)))
}
