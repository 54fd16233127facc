//! `supplies:`

use super::section::Section;
use super::site::Whole;
use super::table;
use super::tree::Entry;
use crate::units::{Millilitres, US_FLUID_OUNCE, US_GALLON};
use crate::watering::SupplySettings;
use crate::wire::Pointer;
use std::collections::HashMap;

const UNITS: &[(&str, f64)] = &[("mL", 1.0), ("L", 1000.0), ("gal", US_GALLON), ("fl oz", US_FLUID_OUNCE)];

/// Where a level is read: topic, place of the value, and what one of its unit is.
type Level = Option<(String, Option<Pointer>, Millilitres)>;

pub(super) struct Supplies {
    pub settings: Vec<SupplySettings>,
    pub levels: Vec<Level>,
}

pub(super) fn read(whole: &Whole<'_>, entries: &[Entry]) -> Supplies {
    let mut out = Supplies { settings: Vec::new(), levels: Vec::new() };
    let mut masters: HashMap<usize, &str> = HashMap::new();
    for entry in entries {
        let what = format!("supply `{}`", entry.key);
        let mut settings = SupplySettings { id: entry.key.clone(), master: None, holds: None, has_level: false };
        let mut level_read = None;
        if let Some(section) = Section::open(whole.reader, &entry.value, &table::SUPPLY, &what, entry.key_place) {
            settings.master = section.value("master").and_then(|value| value.place_in(&whole.ids.valves, "valve"));
            settings.holds = section.value("holds").and_then(|value| value.volume());
            level_read = level(whole, &section);
            settings.has_level = level_read.is_some();
            if let Some(master) = settings.master {
                let first = *masters.entry(master).or_insert(&entry.key);
                if first != entry.key {
                    let wrong = format!("its master is the master of supply `{first}` already");
                    section.problem("master", wrong, "one supply would open the other", None);
                }
            }
        }
        out.settings.push(settings);
        out.levels.push(level_read);
    }
    out
}

fn level(whole: &Whole<'_>, section: &Section<'_>) -> Level {
    let section = section.section("level", &table::LEVEL)?;
    let pointer = section.value("value").map(|value| value.pointer());
    let unit = section.value("unit").map(|value| value.word(UNITS));
    let topic = section.value("topic").and_then(|value| value.topic(Some(&whole.base)))?;
    Some((topic, pointer.flatten(), Millilitres::new(unit.flatten().unwrap_or(1000.0))))
}
