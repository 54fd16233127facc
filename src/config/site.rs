//! The file as a whole.

use super::reader::Reader;
use super::section::{Section, Value};
use super::tree::{Entry, Node};
use super::{Checked, doubts, expand, flats, limits, network, notify, stands, supplies, table, valves};
use crate::moment::Zone;
use crate::site::Plan;
use crate::units::Words;
use crate::wire::Wiring;
use std::path::PathBuf;

/// The ids of everything, in the file's order, so that a place in a list is a place in the plan.
pub(super) struct Ids<'a> {
    pub fills: Vec<&'a str>,
    pub stands: Vec<&'a str>,
    pub flats: Vec<&'a str>,
    pub valves: Vec<&'a str>,
    pub supplies: Vec<&'a str>,
}

/// What holds all over the file.
pub(super) struct Whole<'a> {
    pub reader: &'a Reader<'a>,
    pub ids: Ids<'a>,
    pub base: String,
}

/// Reads all there is to read; `None` when something that everything stands on is missing.
pub(super) fn read(root: &mut Node, reader: &Reader<'_>) -> Option<Checked> {
    expand::expand(root, reader);
    let file = Section::open(reader, root, &table::FILE, "the file", root.place)?;
    version(&file);
    let (name, zone, zone_given, words, base) = site(reader, &file);
    let ids = Ids {
        fills: ids(reader, &file, "fills", "fill"),
        stands: ids(reader, &file, "stands", "stand"),
        flats: ids(reader, &file, "flats", "flat"),
        valves: ids(reader, &file, "valves", "valve"),
        supplies: ids(reader, &file, "supplies", "supply"),
    };
    ids_of(reader, file.entries_quietly("notify"), "phone");
    let whole = Whole { reader, ids, base };

    let stands = stands::read(&whole, file.entries("stands"));
    let defaults = limits::defaults(&file);
    let fills = flats::fills(&whole, file.entries("fills"), &defaults);
    let flats = flats::read(&whole, file.entries("flats"), &fills, &stands.settings, &defaults);
    let supplies = supplies::read(&whole, file.entries("supplies"));
    let valves = valves::read(&whole, file.entries("valves"), &supplies.settings, &flats, &stands.settings);
    let phones = notify::read(reader, file.entries("notify"));
    let (broker, web) = (network::broker(reader, &file), network::web(&file));
    let store = file.value("store").and_then(|value| value.path()).unwrap_or_else(|| PathBuf::from("tarewell.db"));

    if whole.ids.flats.is_empty() {
        reader.note("there are no flats, so there is nothing to watch".to_owned());
    }
    let wiring = Wiring { bindings: stands.bindings, valves: valves.wiring, levels: supplies.levels };
    doubts::tell(reader, &broker, &valves.settings, &wiring);
    let base_topic = whole.base.clone();
    let mut plan = Plan {
        name,
        zone,
        words,
        base_topic,
        fills,
        stands: stands.settings,
        flats,
        valves: valves.settings,
        supplies: supplies.settings,
    };
    // They live as long as the program.
    plan.stands.shrink_to_fit();
    plan.flats.shrink_to_fit();
    Some(Checked { plan, wiring, broker, store, web, phones, notes: reader.notes(), zone_given })
}

fn version(file: &Section<'_>) {
    let Some(value) = file.value("version") else { return };
    if value.whole(1, u32::MAX).is_some_and(|version| version != 1) {
        let wrong = "this program reads version 1 of the file only".to_owned();
        let hint = "Write `version: 1`, or take a newer tarewell.".to_owned();
        file.reader.tell(
            value.node.place,
            super::section::shown(value.node),
            wrong,
            "its keys may mean other things".to_owned(),
            Some(hint),
        );
    }
}

fn site(reader: &Reader<'_>, file: &Section<'_>) -> (String, Zone, bool, Words, String) {
    let section = file.section("site", &table::SITE);
    let value = |name| section.as_ref().and_then(|section| section.value(name));
    let base = value("base_topic").and_then(|value| base_topic(&value)).unwrap_or_else(|| "tarewell".to_owned());
    let name =
        value("name").and_then(|value| value.text().map(|text| text.trim().to_owned())).unwrap_or_else(|| base.clone());
    let words = value("units").and_then(|value| value.word(&[("metric", Words::Metric), ("us", Words::Us)]));
    let zone_given = value("time_zone").is_some();
    let zone = match value("time_zone") {
        Some(value) => time_zone(&value),
        None => machine_zone(reader),
    };
    (name, zone.unwrap_or(Zone::UTC), zone_given, words.unwrap_or_default(), base)
}

fn time_zone(value: &Value<'_>) -> Option<Zone> {
    let scalar = value.scalar()?;
    let zone = Zone::named(scalar.text.trim());
    if zone.is_none() {
        let hint = if scalar.hidden() { None } else { zone_meant(scalar.text.trim()) };
        let hint = hint.unwrap_or_else(|| "Write an IANA name such as `Europe/Oslo`.".to_owned());
        value.problem(format!("there is no time zone {}", Value::printed(scalar)), hint);
    }
    zone
}

fn zone_meant(text: &str) -> Option<String> {
    let names = chrono_tz::TZ_VARIANTS.iter().map(|zone| zone.name());
    let spaced = text.replace(' ', "_");
    let city = |name: &&'static str| name.rsplit('/').next().is_some_and(|city| city.eq_ignore_ascii_case(&spaced));
    let found = names.clone().find(|name| name.eq_ignore_ascii_case(&spaced)).or_else(|| names.clone().find(city));
    let found = found.or_else(|| super::problem::nearest(text, names))?;
    Some(format!("Did you mean `{found}`?"))
}

fn machine_zone(reader: &Reader<'_>) -> Option<Zone> {
    let name = reader.around.machine_zone.as_deref();
    let zone = name.and_then(Zone::named);
    if zone.is_none() {
        let note =
            "the machine does not say its time zone, so hours are those of UTC; `site: {time_zone: …}` settles it";
        reader.note(note.to_owned());
    }
    zone
}

fn base_topic(value: &Value<'_>) -> Option<String> {
    let base = value.topic(None)?;
    let hint = "Write a word or two with `/` between, such as `tarewell`.".to_owned();
    if base.starts_with('/') || base.ends_with('/') || base.contains("//") {
        value.problem(format!("{} begins or ends with `/`, or has two together", value.name), hint);
        return None;
    }
    if base.starts_with('$') || base.contains(char::is_whitespace) {
        value.problem(format!("{} begins with `$`, which is the broker's own, or has spaces", value.name), hint);
        return None;
    }
    // Client ids are made of it; more than this a broker may refuse (MQTT 5.0, section 3.1.3.1, asks for 23 only).
    if base.len() > 200 {
        value.problem(format!("{} is longer than 200 bytes", value.name), hint);
        return None;
    }
    Some(base)
}

fn ids<'a>(reader: &Reader<'_>, file: &Section<'a>, name: &'static str, sort: &str) -> Vec<&'a str> {
    let entries = file.entries_quietly(name);
    ids_of(reader, entries, sort);
    entries.iter().map(|entry| entry.key.as_str()).collect()
}

fn ids_of(reader: &Reader<'_>, entries: &[Entry], sort: &str) {
    for entry in entries {
        if !is_id(&entry.key) {
            let text = format!("`{}` is no id", entry.key);
            let hint = Some(format!("Ids are small letters, digits and `-`, at most 63{}", id_meant(&entry.key)));
            let would = format!("the {sort} could have no topic of its own");
            reader.tell(entry.key_place, &entry.key, text, would, hint);
        }
    }
}

/// `[a-z0-9][a-z0-9-]{0,62}`
pub(super) fn is_id(text: &str) -> bool {
    let good = |b: u8| b.is_ascii_lowercase() || b.is_ascii_digit();
    (1..=63).contains(&text.len())
        && text.bytes().next().is_some_and(good)
        && text.bytes().all(|b| good(b) || b == b'-')
}

/// ``; did you mean `x`?`` when an id can be made of it, else the full stop.
pub(super) fn id_meant(text: &str) -> String {
    let lower = text.to_lowercase();
    let dashed: String = lower.chars().map(|c| if c.is_ascii_alphanumeric() { c } else { '-' }).collect();
    let meant = dashed.trim_matches('-');
    if is_id(meant) { format!("; did you mean `{meant}`?") } else { ".".to_owned() }
}

impl Value<'_> {
    /// The place in `ids` of the one that is named.
    pub fn place_in(&self, ids: &[&str], sort: &str) -> Option<usize> {
        self.other_in(ids, sort, "")
    }

    /// As [`place_in`](Self::place_in), where `own` itself can hardly be meant.
    pub fn other_in(&self, ids: &[&str], sort: &str, own: &str) -> Option<usize> {
        let scalar = self.scalar()?;
        let text = scalar.text.trim();
        let found = ids.iter().position(|id| *id == text);
        if found.is_none() {
            let others: Vec<&str> = ids.iter().copied().filter(|id| *id != own).collect();
            let near = if scalar.hidden() { None } else { self.reader.nearest_id(text, &others) };
            let hint = near.map_or_else(|| known(&others, sort), |near| format!("Did you mean `{near}`?"));
            self.problem(format!("there is no {sort} {}", Self::printed(scalar)), hint);
        }
        found
    }

    /// An id that need not be anywhere in the file.
    pub fn id(&self) -> Option<String> {
        let scalar = self.scalar()?;
        let good = is_id(&scalar.text);
        if !good {
            let hint = format!("Ids are small letters, digits and `-`, at most 63{}", id_meant(&scalar.raw));
            self.problem(format!("{} is no id: {}", self.name, Self::printed(scalar)), hint);
        }
        good.then(|| scalar.text.clone())
    }
}

/// Says which ids there are.
pub(super) fn known(ids: &[&str], sort: &str) -> String {
    let first: Vec<&str> = ids.iter().take(12).copied().collect();
    let more = if ids.len() > first.len() { ", …" } else { "" };
    if first.is_empty() {
        format!("No {sort} is in the file at all.")
    } else {
        format!("There are: {}{more}.", first.join(", "))
    }
}
