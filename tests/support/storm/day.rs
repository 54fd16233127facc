//! What a simulated day costs: 50 flats, a reading each 10 s, engine and house together, nothing checked.

use std::sync::Arc;
use std::time::Instant;
use tarewell::flat::FlatSettings;
use tarewell::moment::{Moment, Span, Wall, Zone};
use tarewell::sim::{CellPlan, FlatPlan, House, HousePlan, Message, SimTime};
use tarewell::site::{Input, Output, Part, Plan, Saved, Site, Unreadable};
use tarewell::stand::StandSettings;
use tarewell::units::Words;

const FLATS: usize = 50;
const MIDNIGHT: Wall = Wall::from_millis(1_772_409_600_000);

fn plan() -> Plan {
    let pot = FlatPlan::cells(72);
    let flat = |at: usize| FlatSettings {
        label: format!("Flat {at}"),
        stand: Some(at),
        dry_weight: Some(pot.dry_weight()),
        capacity_weight: Some(pot.capacity_weight()),
        ..FlatSettings::default()
    };
    Plan {
        name: "Day".to_owned(),
        zone: Zone::UTC,
        words: Words::Metric,
        base_topic: "tarewell".to_owned(),
        fills: Vec::new(),
        stands: (0..FLATS).map(|at| (format!("s{at}"), StandSettings::default())).collect(),
        flats: (0..FLATS).map(|at| (format!("f{at}"), flat(at))).collect(),
        valves: Vec::new(),
        supplies: Vec::new(),
    }
}

fn house(seed: u64) -> House {
    let plan = HousePlan {
        flats: (0..FLATS).map(|at| FlatPlan::cells(72).on(at)).collect(),
        stands: vec![CellPlan::ordinary(); FLATS],
        ..HousePlan::default()
    };
    House::new(plan, seed, SimTime::at(0, 0, 0))
}

/// Measures and prints; the second of two days, so that a day's drying is known.
pub fn print() {
    let at = |time: SimTime| Moment::recorded(MIDNIGHT + Span::from_millis(time.millis()));
    let mut site = Site::new(Arc::new(plan()), &Saved::default(), at(SimTime::at(0, 0, 0)));
    let mut house = house(1);
    let mut json = Vec::new();
    for day in 0..2 {
        let begun = Instant::now();
        let (mut readings, mut states) = (0_u64, 0_u64);
        for minute in 1..=24 * 60 {
            house.advance(SimTime::at(day, 0, minute));
            while let Some(sent) = house.poll() {
                let Message::Reading { stand, value, retained } = sent.message else { continue };
                readings += 1;
                while let Some(wake) = site.next_wake().filter(|wake| wake.at <= at(sent.at).mono) {
                    site.handle(Input::Tick, Moment::recorded(Wall::from_millis(wake.at.millis())));
                    states += drain(&mut site, &mut json);
                }
                let value = value.map_err(|_| Unreadable::Missing);
                site.handle(Input::Reading { stand, part: Part::Whole, value, retained }, at(sent.at));
                states += drain(&mut site, &mut json);
            }
        }
        let took = begun.elapsed().as_secs_f64();
        println!("day {day} of {FLATS} flats at a reading in 10 s: {took:.3} s, {readings} readings, {states} states");
    }
    let mut alone = self::house(1);
    let begun = Instant::now();
    alone.advance(SimTime::at(1, 0, 0));
    println!("of that the house: {:.3} s", begun.elapsed().as_secs_f64());
}

fn drain(site: &mut Site, json: &mut Vec<u8>) -> u64 {
    let mut states = 0;
    while let Some(output) = site.poll() {
        if let Output::State(subject) = output {
            json.clear();
            site.write_state(subject, json);
            states += 1;
        }
    }
    states
}
