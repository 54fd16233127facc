//! `stands:`

use super::section::{Section, Value};
use super::site::Whole;
use super::table;
use super::tree::Entry;
use crate::moment::Span;
use crate::site::Part;
use crate::stand::{CornerSettings, StandSettings, TemperatureSettings};
use crate::units::{Celsius, Grams, WeightUnit};
use crate::wire::{Binding, Pointer, Role};
use std::collections::HashMap;

/// Stands with the topics that feed them.
pub(super) struct Stands {
    pub settings: Vec<(String, StandSettings)>,
    pub bindings: Vec<Binding>,
}

const UNITS: &[(&str, WeightUnit)] = &[
    ("g", WeightUnit::Gram),
    ("kg", WeightUnit::Kilogram),
    ("lb", WeightUnit::Pound),
    ("oz", WeightUnit::Ounce),
    ("counts", WeightUnit::Counts),
];

pub(super) fn read(whole: &Whole<'_>, entries: &[Entry]) -> Stands {
    let mut out = Stands { settings: Vec::new(), bindings: Vec::new() };
    let mut feeds = Feeds::default();
    for (index, entry) in entries.iter().enumerate() {
        let what = format!("stand `{}`", entry.key);
        let settings = Section::open(whole.reader, &entry.value, &table::STAND, &what, entry.key_place)
            .map(|section| Stand { whole, section, index }.read(&mut out.bindings, &mut feeds));
        out.settings.push((entry.key.clone(), settings.unwrap_or_default()));
    }
    out
}

/// Which value of which topic is taken already, and by whom.
#[derive(Default)]
struct Feeds(HashMap<(String, Option<Vec<String>>), String>);

struct Stand<'a> {
    whole: &'a Whole<'a>,
    section: Section<'a>,
    index: usize,
}

impl Stand<'_> {
    fn read(&self, bindings: &mut Vec<Binding>, feeds: &mut Feeds) -> StandSettings {
        let section = &self.section;
        let unit = section.value("unit").and_then(|value| value.word(UNITS)).unwrap_or_default();
        calibration_fits(section, unit);
        let corners = self.corners(unit, bindings, feeds);
        if !section.has("corners") {
            self.whole_weight(bindings, feeds);
        }
        let settings = StandSettings {
            unit,
            division: section.value("division").and_then(|value| value.mass()).unwrap_or(Grams::new(1.0)),
            max_load: section.value("max_load").and_then(|value| value.mass()),
            stale_after: section.value("stale_after").and_then(|value| value.span(Span::seconds(1))),
            zero: section.value("zero").and_then(|value| value.number()),
            counts_per_gram: counts_per_gram(section),
            temperature: self.temperature(bindings),
            corners,
            shared: section.value("shared").and_then(|value| value.yes_or_no()).unwrap_or(false),
            tells_availability: self.available(bindings),
        };
        self.division_fits(&settings);
        self.not_calibrated(&settings);
        settings
    }

    fn topic(&self, section: &Section<'_>) -> Option<(String, Option<Pointer>)> {
        let pointer = section.value("value").map(|value| value.pointer());
        let topic = section.value("topic").and_then(|value| value.topic(Some(&self.whole.base)))?;
        Some((topic, pointer.flatten()))
    }

    fn whole_weight(&self, bindings: &mut Vec<Binding>, feeds: &mut Feeds) {
        if let Some((topic, value)) = self.topic(&self.section) {
            fed_once(&self.section, &topic, value.as_ref(), feeds);
            bindings.push(Binding { topic, value, role: Role::Weight { stand: self.index, part: Part::Whole } });
        }
    }

    fn corners(
        &self,
        unit: WeightUnit,
        bindings: &mut Vec<Binding>,
        feeds: &mut Feeds,
    ) -> Option<Box<[CornerSettings; 4]>> {
        let section = &self.section;
        if !section.has("corners") {
            return None;
        }
        for name in ["topic", "value", "zero", "counts_per_gram"] {
            if section.has(name) {
                let wrong = format!("{} has `corners`, so `{name}` belongs to each of them", section.what);
                section.problem(name, wrong, "it would be ignored", "Move it into the corners.".to_owned());
            }
        }
        let value = section.value("corners")?;
        let items = section.items("corners");
        let corners: Vec<CornerSettings> = (0_u8..4)
            .zip(items)
            .map(|(corner, item)| {
                let what = format!("corner {} of {}", corner + 1, section.what);
                let part = Section::open(section.reader, item, &table::CORNER, &what, item.place);
                part.map(|part| self.corner(&part, corner, unit, bindings, feeds)).unwrap_or_default()
            })
            .collect();
        let exact = if items.len() == 4 { corners.try_into().ok() } else { None };
        if exact.is_none() {
            let wrong = format!("{} has {} corners, and there must be four", section.what, items.len());
            let hint = "A stand with another number of cells is read as a whole: `topic:` and `value:`.".to_owned();
            section.reader.tell(
                value.key_place,
                "corners",
                wrong,
                "the weight would lack a part".to_owned(),
                Some(hint),
            );
        }
        exact
    }

    fn corner(
        &self,
        part: &Section<'_>,
        corner: u8,
        unit: WeightUnit,
        bindings: &mut Vec<Binding>,
        feeds: &mut Feeds,
    ) -> CornerSettings {
        calibration_fits(part, unit);
        if let Some((topic, value)) = self.topic(part) {
            fed_once(part, &topic, value.as_ref(), feeds);
            let role = Role::Weight { stand: self.index, part: Part::Corner(corner) };
            bindings.push(Binding { topic, value, role });
        }
        let zero = part.value("zero").and_then(|value| value.number());
        CornerSettings { zero, counts_per_gram: counts_per_gram(part) }
    }

    fn division_fits(&self, settings: &StandSettings) {
        if settings.max_load.is_some_and(|load| load <= settings.division) {
            let wrong = "`max_load` is not above one division".to_owned();
            self.section.problem("max_load", wrong, "every weight would be an overload", None);
        }
    }

    fn not_calibrated(&self, settings: &StandSettings) {
        let known = |zero: Option<f64>, counts: Option<f64>| zero.is_some() && counts.is_some();
        let calibrated = match &settings.corners {
            Some(corners) => corners.iter().all(|corner| known(corner.zero, corner.counts_per_gram)),
            None => known(settings.zero, settings.counts_per_gram),
        };
        if settings.unit == WeightUnit::Counts && !calibrated {
            let what = &self.section.what;
            self.section.reader.note(format!("{what} has no weight until `zero` and `span` have been commanded, once"));
        }
    }

    fn temperature(&self, bindings: &mut Vec<Binding>) -> Option<TemperatureSettings> {
        let section = self.section.section("temperature", &table::TEMPERATURE)?;
        let topic = self.topic(&section);
        let slope = section.value("grams_per_degree").and_then(|value| value.number());
        let reference = match section.value("reference") {
            Some(value) => value.number()?,
            None => 20.0,
        };
        let (topic, value) = topic?;
        bindings.push(Binding { topic, value, role: Role::Temperature { stand: self.index } });
        Some(TemperatureSettings { grams_per_degree: slope?, reference: Celsius::new(reference) })
    }

    fn available(&self, bindings: &mut Vec<Binding>) -> bool {
        let Some(section) = self.section.section("available", &table::AVAILABLE) else { return false };
        let word = |name, usual: &str| {
            let text = section.value(name).and_then(|value| value.text().map(str::to_owned));
            text.unwrap_or_else(|| usual.to_owned())
        };
        let (online, offline) = (word("online", "online"), word("offline", "offline"));
        if online == offline {
            let wrong = format!("{} says the same for there and not there: `{online}`", section.what);
            section.problem("offline", wrong, "the stand could never be missed", None);
        }
        let Some(topic) = section.value("topic").and_then(|value| value.topic(Some(&self.whole.base))) else {
            return false;
        };
        let role = Role::Availability { stand: self.index, online, offline };
        bindings.push(Binding { topic, value: None, role });
        true
    }
}

fn counts_per_gram(section: &Section<'_>) -> Option<f64> {
    let value: Value<'_> = section.value("counts_per_gram")?;
    let counts = value.number()?;
    if counts == 0.0 {
        value.problem("`counts_per_gram` is 0: no weight could be told from another".to_owned(), None);
        return None;
    }
    Some(counts)
}

fn fed_once(section: &Section<'_>, topic: &str, value: Option<&Pointer>, feeds: &mut Feeds) {
    let key = (topic.to_owned(), value.map(|pointer| pointer.0.clone()));
    if let Some(other) = feeds.0.get(&key) {
        section.problem(
            "topic",
            format!("`{topic}` with the same value feeds {other} already"),
            "one weight would stand for two flats",
            "Each needs a topic of its own, or another `value` in the payload.".to_owned(),
        );
    } else {
        feeds.0.insert(key, section.what.clone());
    }
}

fn calibration_fits(section: &Section<'_>, unit: WeightUnit) {
    for name in ["zero", "counts_per_gram"] {
        if unit != WeightUnit::Counts && section.has(name) {
            let wrong = format!("`{name}` goes with `unit: counts`, and the unit here is {}", unit.name());
            let hint = "Add `unit: counts`, or remove it.".to_owned();
            section.problem(name, wrong, "readings would be taken as they come", hint);
        }
    }
}
