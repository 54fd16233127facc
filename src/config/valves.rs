//! `valves:`

use super::section::{Section, Value};
use super::site::Whole;
use super::table;
use super::tree::Entry;
use crate::flat::FlatSettings;
use crate::moment::Span;
use crate::stand::StandSettings;
use crate::units::Flow;
use crate::watering::{Feed, Method, Mode, SupplySettings, ValveSettings};
use crate::wire::{Pointer, ValveWiring, takes_seconds};
use std::collections::HashMap;

/// Valves with what is sent to them.
pub(super) struct Valves {
    pub settings: Vec<ValveSettings>,
    pub wiring: Vec<ValveWiring>,
}

const MODES: &[(&str, Mode)] = &[("advise", Mode::Advise), ("ask", Mode::Ask), ("auto", Mode::Auto)];
const METHODS: &[(&str, Method)] =
    &[("drip", Method::Drip), ("bottom", Method::Bottom), ("overhead", Method::Overhead)];

pub(super) fn read(
    whole: &Whole<'_>,
    entries: &[Entry],
    supplies: &[SupplySettings],
    flats: &[(String, FlatSettings)],
    stands: &[(String, StandSettings)],
) -> Valves {
    let mut out = Valves { settings: Vec::new(), wiring: Vec::new() };
    let mut sections = Vec::new();
    let mut taken = Taken::default();
    for (index, entry) in entries.iter().enumerate() {
        let section = Section::open(
            whole.reader,
            &entry.value,
            &table::VALVE,
            &format!("valve `{}`", entry.key),
            entry.key_place,
        );
        let served = supplies.iter().find(|supply| supply.master == Some(index)).map(|supply| supply.id.as_str());
        let (settings, wiring) = match &section {
            Some(section) => Valve { whole, section, flats, stands, serves: served }.read(entry, &mut taken),
            None => (unread(entry), unwired()),
        };
        out.settings.push(settings);
        out.wiring.push(wiring);
        sections.push(section);
    }
    masters_follow(&sections, &mut out.settings, supplies);
    for (index, (section, settings)) in sections.iter().zip(&out.settings).enumerate() {
        if let Some(section) = section {
            may_open(section, settings, supplies.iter().any(|supply| supply.master == Some(index)));
        }
    }
    out
}

/// For a valve that could not be read; it goes no further than the list of problems.
fn unwired() -> ValveWiring {
    let none = String::new;
    ValveWiring { topic: none(), open: none(), close: none(), before_open: None, report: None, never_while: Vec::new() }
}

fn unread(entry: &Entry) -> ValveSettings {
    ValveSettings { id: entry.key.clone(), ..ValveSettings::default() }
}

/// What other valves have taken already.
#[derive(Default)]
struct Taken {
    flats: HashMap<usize, String>,
    orders: HashMap<(String, String), String>,
}

struct Valve<'a> {
    whole: &'a Whole<'a>,
    section: &'a Section<'a>,
    flats: &'a [(String, FlatSettings)],
    stands: &'a [(String, StandSettings)],
    /// The supply whose master it is.
    serves: Option<&'a str>,
}

impl Valve<'_> {
    fn read(&self, entry: &Entry, taken: &mut Taken) -> (ValveSettings, ValveWiring) {
        let section = self.section;
        let wiring = self.wiring(taken);
        let pulse = section.section("pulse", &table::PULSE);
        let pulsed = |name| pulse.as_ref().and_then(|pulse| pulse.value(name));
        let before = wiring.before_open.as_ref().map_or("", |(_, payload)| payload.as_str());
        let settings = ValveSettings {
            mode: section.value("mode").and_then(|value| value.word(MODES)).unwrap_or_default(),
            method: section.value("method").and_then(|value| value.word(METHODS)).unwrap_or_default(),
            feeds: self.feeds(taken),
            pulse_volume: pulsed("volume").and_then(|value| value.volume()),
            rest: pulsed("rest").and_then(|value| value.span(Span::ZERO)),
            max_run: section.value("max_run").and_then(|value| value.span(Span::seconds(1))),
            max_per_day: section.value("max_per_day").and_then(|value| value.volume()),
            hours: section.value("hours").and_then(|value| value.hours()),
            supply: section.value("supply").and_then(|value| value.place_in(&self.whole.ids.supplies, "supply")),
            has_timer: has_seconds(&wiring.open) || has_seconds(before),
            without_timer_accepted: self.accepted("without_timer"),
            unweighed_accepted: self.accepted("unweighed"),
            reports: wiring.report.is_some(),
            never_while: wiring.never_while.iter().map(|(topic, ..)| topic.clone()).collect(),
            ..unread(entry)
        };
        self.master();
        self.unweighed(&settings);
        (settings, wiring)
    }

    fn accepted(&self, name: &'static str) -> bool {
        self.section.value(name).and_then(|value| value.word(&[("accepted", ())])).is_some()
    }

    fn wiring(&self, taken: &mut Taken) -> ValveWiring {
        let section = self.section;
        let topic = self.topic(section).unwrap_or_default();
        let open = section.value("open").and_then(|value| template(&value)).unwrap_or_default();
        let close = section.value("close").and_then(|value| closing(&value)).unwrap_or_default();
        if !open.is_empty() && open == close {
            let wrong = format!("`open` and `close` of {} are the same", section.what);
            section.problem("close", wrong, "closing would open it", None);
        }
        if !topic.is_empty() && !open.is_empty() {
            let order = (topic.clone(), open.clone());
            if let Some(other) = taken.orders.insert(order, section.what.clone()) {
                let wrong = format!("{other} is opened by the same payload on the same topic");
                let hint = "Two outlets of one device differ in topic or payload.".to_owned();
                section.problem("topic", wrong, "one order would open both", hint);
            }
        }
        let report = self.report(&topic);
        ValveWiring { topic, open, close, before_open: self.before_open(), report, never_while: self.never_while() }
    }

    fn topic(&self, section: &Section<'_>) -> Option<String> {
        section.value("topic").and_then(|value| value.topic(Some(&self.whole.base)))
    }

    fn before_open(&self) -> Option<(String, String)> {
        let section = self.section.section("before_open", &table::BEFORE_OPEN)?;
        let payload = section.value("payload").and_then(|value| template(&value));
        Some((self.topic(&section)?, payload?))
    }

    fn report(&self, command: &str) -> Option<(String, Option<Pointer>, String, String)> {
        let section = self.section.section("report", &table::REPORT)?;
        let text = |name| section.value(name).and_then(|value| value.text().map(str::to_owned));
        let pointer = section.value("value").and_then(|value| value.pointer());
        let (topic, open, closed) = (self.topic(&section), text("open"), text("closed"));
        if open.is_some() && open == closed {
            let wrong = format!("{} says the same for open and closed", section.what);
            section.problem("closed", wrong, "an open valve could not be told from a closed one", None);
        }
        if topic.as_deref() == Some(command) && !command.is_empty() {
            let wrong = format!("{} is read from the topic that commands the valve", section.what);
            let hint = "Name the topic on which the device tells its state.".to_owned();
            section.problem("topic", wrong, "our own order would pass for the valve's answer", hint);
        }
        Some((topic?, pointer, open?, closed?))
    }

    fn never_while(&self) -> Vec<(String, Option<Pointer>, String)> {
        let items = self.section.items("never_while").iter().enumerate();
        items
            .filter_map(|(index, item)| {
                let what = format!("item {} of `never_while` of {}", index + 1, self.section.what);
                let part = Section::open(self.section.reader, item, &table::NEVER_WHILE, &what, item.place)?;
                let pointer = part.value("value").and_then(|value| value.pointer());
                let is = part.value("is").and_then(|value| value.text().map(str::to_owned));
                Some((self.topic(&part)?, pointer, is?))
            })
            .collect()
    }

    fn feeds(&self, taken: &mut Taken) -> Vec<Feed> {
        let section = self.section;
        let ids = &self.whole.ids.flats;
        let mut feeds = Vec::new();
        for entry in section.entries("feeds") {
            let (name, would) = (format!("the flow to `{}`", entry.key), "no run time could be told".to_owned());
            let flow =
                Value { reader: section.reader, node: &entry.value, key_place: entry.key_place, name, would }.flow();
            let Some(flat) = ids.iter().position(|id| *id == entry.key) else {
                let near = section.reader.nearest_id(&entry.key, ids);
                let wrong = format!("there is no flat `{}`", entry.key);
                let hint =
                    near.map_or_else(|| super::site::known(ids, "flat"), |near| format!("Did you mean `{near}`?"));
                section.reader.tell(
                    entry.key_place,
                    &entry.key,
                    wrong,
                    "its water would count for nobody".to_owned(),
                    Some(hint),
                );
                continue;
            };
            let first = taken.flats.entry(flat).or_insert_with(|| section.what.clone());
            if *first != section.what {
                let wrong = format!("flat `{}` is fed by {first} already", entry.key);
                let hint = Some("Leave it with the valve that waters it.".to_owned());
                section.reader.tell(
                    entry.key_place,
                    &entry.key,
                    wrong,
                    "two valves would pour for one need".to_owned(),
                    hint,
                );
            }
            feeds.push(Feed { flat, flow: flow.unwrap_or(Flow::ZERO) });
        }
        feeds
    }

    fn master(&self) {
        let section = self.section;
        let Some(supply) = self.serves else {
            if section.is_empty("feeds") {
                let wrong = format!("{} feeds no flat", section.what);
                let hint = "Add `feeds: {flat: 2 L/h}`; only the master of a supply feeds nothing.".to_owned();
                section.problem("feeds", wrong, "nobody would know what it waters", hint);
            }
            return;
        };
        for name in ["max_run", "max_per_day", "hours"] {
            if section.has(name) {
                section.reader.note(format!(
                    "{} is the master of supply `{supply}`: its `{name}` says nothing, it opens and closes with the valves it serves",
                    section.what
                ));
            }
        }
        for name in ["feeds", "mode", "supply"] {
            if section.has(name) {
                let wrong =
                    format!("{} is the master of supply `{supply}`, and has no `{name}` of its own", section.what);
                let hint = "Remove it: a master opens and closes with the valves it serves, in their mode.".to_owned();
                section.problem(name, wrong, "it would open when none of them does", hint);
            }
        }
    }

    fn unweighed(&self, settings: &ValveSettings) {
        if settings.mode == Mode::Advise {
            return;
        }
        let fed = settings.feeds.iter().filter_map(|feed| self.flats.get(feed.flat));
        for (id, flat) in fed.filter(|(_, flat)| !self.is_weighed_all_the_time(flat)) {
            let what = &self.section.what;
            let note = match (flat.like, settings.unweighed_accepted) {
                (None, _) => format!(
                    "{what} feeds `{id}`, which is weighed only now and then: it opens only while that lies on a scale. Give `{id}` a stand of its own, \
                     or a `like` that speaks for it"
                ),
                (Some(_), false) => format!(
                    "{what} feeds `{id}`, which only a `like` speaks for: without `unweighed: accepted` it will not open"
                ),
                (Some(_), true) => continue,
            };
            self.section.reader.note(note);
        }
    }

    fn is_weighed_all_the_time(&self, flat: &FlatSettings) -> bool {
        flat.stand.and_then(|stand| self.stands.get(stand)).is_some_and(|(_, stand)| !stand.shared)
    }
}

/// A master takes the boldest mode of the valves whose supply it opens.
fn masters_follow(sections: &[Option<Section<'_>>], valves: &mut [ValveSettings], supplies: &[SupplySettings]) {
    let bold = |mode: Mode| match mode {
        Mode::Advise => 0,
        Mode::Ask => 1,
        Mode::Auto => 2,
    };
    for (index, supply) in supplies.iter().enumerate() {
        let Some(master) = supply.master else { continue };
        let served = valves.iter().filter(|valve| valve.supply == Some(index)).map(|valve| valve.mode);
        let mode = served.max_by_key(|mode| bold(*mode)).unwrap_or_default();
        if let Some(valve) = valves.get_mut(master).filter(|_| sections.get(master).is_some_and(Option::is_some)) {
            valve.mode = mode;
        }
    }
}

/// What `ask` and `auto` need before they may open anything.
fn may_open(section: &Section<'_>, settings: &ValveSettings, master: bool) {
    if settings.mode == Mode::Advise {
        return;
    }
    let mode = settings.mode.name();
    for (name, without) in
        [("max_run", "a stuck opening would have no end"), ("max_per_day", "a day's water would have no end")]
    {
        if !master && !section.has(name) {
            let wrong = format!("{} has `mode: {mode}` and no `{name}`", section.what);
            let hint = if name == "max_run" {
                "Add `max_run: 15 min`, or what fits."
            } else {
                "Add `max_per_day: 3 L`, or what fits."
            };
            section.problem("mode", wrong, without, hint.to_owned());
        }
    }
    if section.has("open") && !settings.has_timer && !settings.without_timer_accepted {
        let wrong = format!("no `{{seconds}}` in what opens {}, and its mode is {mode}", section.what);
        let hint =
            "Write {seconds} where the device takes its own time limit, or accept the risk: `without_timer: accepted`.";
        section.problem(
            "open",
            wrong,
            "the valve would stay open if this program or the network failed",
            hint.to_owned(),
        );
    }
}

/// Whether a template gives the device the run time.
fn has_seconds(template: &str) -> bool {
    placeholders(template).any(takes_seconds)
}

/// What stands in braces and can be no JSON: a word, maybe with a sum behind it.
fn placeholders(template: &str) -> impl Iterator<Item = &str> {
    let pieces = template.split('{').skip(1);
    pieces.filter_map(|piece| piece.split_once('}').map(|(inner, _)| inner)).filter(|inner| {
        let inner = inner.trim();
        let word = inner
            .bytes()
            .all(|b| b.is_ascii_alphanumeric() || matches!(b, b'_' | b' ' | b'*' | b'+' | b'-' | b'/' | b'.'));
        word && inner.starts_with(|c: char| c.is_ascii_alphabetic())
    })
}

/// A payload whose places to fill are all known.
fn template(value: &Value<'_>) -> Option<String> {
    let scalar = value.scalar()?;
    if let Some(wrong) = placeholders(&scalar.text).find(|inner| !takes_seconds(inner)) {
        let hint = "Known are {seconds}, {seconds*10} and {seconds+100}, with numbers of your own.".to_owned();
        value.problem(format!("`{{{wrong}}}` in {} is nothing that can be filled in", value.name), hint);
        return None;
    }
    Some(scalar.text.clone())
}

fn closing(value: &Value<'_>) -> Option<String> {
    let scalar = value.scalar()?;
    if has_seconds(&scalar.text) {
        value.problem(format!("{} has a `{{seconds}}` in it, and closing takes no time", value.name), None);
        return None;
    }
    Some(scalar.text.clone())
}
