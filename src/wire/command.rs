//! Commands: a word, or `{"command": word, …}` → an order, with everything wrong said in words.

use super::names::Names;
use super::nearest::hint;
use super::reading::{json_error, shown};
use super::stamp::{Reason, Stamps, typed};
use crate::moment::{Span, Wall};
use crate::site::{Command, Order, Set, Subject, Ticket, Was};
use crate::units::{Fraction, Grams, Millilitres, parse_fraction, parse_mass, parse_volume};
use serde::de::{Deserialize, Deserializer, Error, MapAccess, Visitor};
use serde_json::{Number, Value};
use std::fmt;

/// Longer commands are refused unread, in bytes.
pub const MAX_COMMAND: usize = 16 * 1024;

/// The longest `id` of a command, in characters.
pub const MAX_ID: usize = 128;

type Read<T> = Result<T, String>;

/// A command of the contract's table.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CommandRow {
    /// `flat`, `stand`, `valve` or `site`.
    pub to: &'static str,
    /// The word.
    pub word: &'static str,
    /// The keys it takes besides `command`, `id` and `time`.
    pub keys: &'static [&'static str],
}

const fn row(to: &'static str, word: &'static str, keys: &'static [&'static str]) -> CommandRow {
    CommandRow { to, word, keys }
}

/// Every command there is.
pub const COMMANDS: &[CommandRow] = &[
    row("flat", "record-dry", &[]),
    row("flat", "record-capacity", &["now"]),
    row("flat", "forget-band", &[]),
    row("flat", "undo", &[]),
    row("flat", "weigh", &["weight_g", "at", "sure"]),
    row("flat", "watered", &["volume_ml", "at", "sure"]),
    row("flat", "water", &["volume_ml"]),
    row("flat", "stop", &[]),
    row("flat", "set", &["low", "water_at", "target", "high", "plant_mass_g", "place"]),
    row("flat", "stage", &["stage"]),
    row("flat", "emerged", &[]),
    row("flat", "dome", &["on"]),
    row("flat", "move", &["stand"]),
    row("flat", "correct", &["seq", "was", "cells"]),
    row("flat", "pot-on", &["into"]),
    row("flat", "note", &["kind", "text"]),
    row("flat", "shelve", &["for_h"]),
    row("stand", "holds", &["flat"]),
    row("stand", "zero", &["force"]),
    row("stand", "span", &["mass_g", "force"]),
    row("stand", "forget-calibration", &[]),
    row("stand", "restore", &["flat"]),
    row("stand", "weigh", &["flat", "sure", "instead_of"]),
    row("stand", "round", &["flats", "instead_of"]),
    row("stand", "next", &["flat"]),
    row("stand", "back", &["flat"]),
    row("stand", "skip", &["flat"]),
    row("stand", "end", &["flat"]),
    row("valve", "run", &["volume_ml", "plan"]),
    row("valve", "stop", &[]),
    row("valve", "measure-flow", &["run_s", "caught_ml"]),
    row("valve", "unlock", &[]),
    row("site", "stop", &[]),
    row("site", "pause", &["for_h"]),
    row("site", "resume", &[]),
    row("site", "refilled", &["supply", "volume_ml"]),
];

/// Reads a command; `None` for an empty payload, which says nothing.
///
/// What cannot be read still becomes an order, with the reason inside, so that it can be answered and told.
#[must_use]
pub fn order(names: &Names, to: Subject, payload: &[u8], retained: bool, ticket: Option<Ticket>) -> Option<Order> {
    if payload.trim_ascii().is_empty() {
        return None;
    }
    let mut order =
        Order { to, word: String::new(), command: Ok(Command::NotYet), id: None, time: None, retained, ticket };
    order.command = text_of(payload)
        .and_then(|text| Said::read(text, &mut order.word))
        .and_then(|said| said.complete(names, to, &mut order));
    Some(order)
}

fn text_of(payload: &[u8]) -> Read<&str> {
    if payload.len() > MAX_COMMAND {
        return Err(format!("a command of {} bytes; at most {MAX_COMMAND} are read", payload.len()));
    }
    let text = std::str::from_utf8(payload).map_err(|_| "the command is not UTF-8 text".to_owned())?;
    Ok(text.trim())
}

/// A command as it was said: the word, and what came along.
struct Said {
    word: String,
    keys: Keys,
}

impl Said {
    fn read(text: &str, word: &mut String) -> Read<Self> {
        if !text.starts_with(['{', '[', '"']) {
            *word = shown(text);
            return Ok(Self { word: text.to_owned(), keys: Keys::default() });
        }
        *word = shown(text);
        match serde_json::from_str(text) {
            Ok(Document::Keys(mut keys)) => {
                let said = keys.take("command").ok_or_else(|| "there is no `command` in it".to_owned())?;
                let Value::String(said) = said else { return Err(is_no("command", &said, "a word")) };
                *word = shown(&said);
                Ok(Self { word: said, keys })
            }
            Ok(Document::Word(said)) => {
                *word = shown(&said);
                Ok(Self { word: said, keys: Keys::default() })
            }
            Ok(Document::Other) => Err("a command is a word, or an object with `command` in it".to_owned()),
            Err(error) => Err(format!("a command is a word or a JSON object; this is neither: {}", json_error(&error))),
        }
    }

    /// Reads what every command may carry, then the command's own.
    fn complete(mut self, names: &Names, to: Subject, order: &mut Order) -> Read<Command> {
        let id = self.keys.take("id").map(|value| read_id(&value)).transpose();
        // With its offset: who sends it may live in another zone than the site, and a late command must not pass for one in time.
        let exact = |text: &str| Stamps::default().read(text.trim().as_bytes());
        let time = self.keys.take("time").map(|value| instant("time", &value, exact)).transpose();
        order.id = id.clone().unwrap_or_default();
        order.time = time.clone().unwrap_or_default();
        if let Some(twice) = self.keys.twice.take() {
            return Err(format!("`{}` is given twice", shown(&twice)));
        }
        let row = find(to, &self.word)?;
        id.and(time)?;
        if let Some((key, _)) = self.keys.entries.iter().find(|(key, _)| !row.keys.contains(&key.as_str())) {
            return Err(unknown_key(row, key));
        }
        self.keys.command(row, names)
    }
}

/// The row of a word for a kind of subject.
fn find(to: Subject, word: &str) -> Read<CommandRow> {
    let to = if to.of() == "supply" { "site" } else { to.of() };
    let own = COMMANDS.iter().filter(|row| row.to == to);
    if let Some(row) = own.clone().find(|row| row.word == word) {
        return Ok(*row);
    }
    let others: Vec<&str> = COMMANDS.iter().filter(|row| row.word == word).map(|row| row.to).collect();
    if !others.is_empty() {
        return Err(format!("`{word}` is a command for a {}, not for a {to}", others.join(" or a ")));
    }
    Err(format!("there is no command `{}` for a {to}{}", shown(word), hint(word, own.map(|row| row.word))))
}

fn unknown_key(row: CommandRow, key: &str) -> String {
    let known = row.keys;
    let takes = if known.is_empty() { "it takes none".to_owned() } else { format!("it takes {}", known.join(", ")) };
    format!("`{}` has no key `{}`{}; {takes}", row.word, shown(key), hint(key, known.iter().copied()))
}

impl Keys {
    fn command(mut self, row: CommandRow, names: &Names) -> Read<Command> {
        Ok(match row.word {
            "weigh" if row.to == "flat" => Command::Weigh {
                weight: self.mass("weigh", "weight_g")?,
                at: self.at(names)?,
                sure: self.flag("sure")?,
            },
            "weigh" => {
                let on = Command::WeighOn { flat: self.one("weigh", "flat", names)?, sure: self.flag("sure")? };
                self.at_turn("instead_of", names, on)?
            }
            "watered" => Command::Watered {
                volume: self.volume("watered", "volume_ml")?,
                at: self.at(names)?,
                sure: self.flag("sure")?,
            },
            "stage" => Command::Stage { name: self.word("stage", "stage", "the name of a stage")? },
            "emerged" => Command::Emerged,
            "dome" => Command::Dome { on: self.on()? },
            "correct" => self.correct()?,
            "pot-on" => Command::PotOn {
                into: self.flats("into", names)?.ok_or_else(|| "`pot-on` needs `into`: a list of flats".to_owned())?,
            },
            "note" => Command::Note {
                kind: self.word("note", "kind", "a word such as \"fed\"")?,
                text: match self.take("text") {
                    None | Some(Value::Null) => String::new(),
                    Some(text) => words("text", &text, "words")?,
                },
            },
            "restore" => Command::Restore { flat: self.one("restore", "flat", names)? },
            "round" => {
                let round = Command::Round { flats: self.flats("flats", names)? };
                self.at_turn("instead_of", names, round)?
            }
            "next" => self.at_turn("flat", names, Command::Next)?,
            "back" => self.at_turn("flat", names, Command::Back)?,
            "skip" => self.at_turn("flat", names, Command::Skip)?,
            "end" => self.at_turn("flat", names, Command::End)?,
            "record-dry" => Command::RecordDry,
            "record-capacity" => Command::RecordCapacity { now: self.flag("now")? },
            "forget-band" => Command::ForgetBand,
            "undo" => Command::Undo,
            "set" => Command::Set(self.set()?),
            "move" => Command::Move { stand: self.place("move", "stand", |id| names.stand(id))? },
            "shelve" => Command::Shelve { time: self.hours("shelve", "for_h")? },
            "holds" => Command::Holds { flat: self.place("holds", "flat", |id| names.flat(id))? },
            "zero" => Command::Zero { force: self.flag("force")? },
            "span" => Command::Span { mass: self.mass("span", "mass_g")?, force: self.flag("force")? },
            "forget-calibration" => Command::ForgetCalibration,
            "water" => Command::Water { volume: self.volume_if_given()? },
            "run" => self.run()?,
            "stop" => Command::Stop,
            "measure-flow" => self.measure_flow()?,
            "unlock" => Command::Unlock,
            "pause" => Command::Pause { time: self.hours("pause", "for_h")? },
            "resume" => Command::Resume,
            "refilled" => Command::Refilled { supply: self.supply(names)?, volume: self.volume_if_given()? },
            _ => Command::NotYet,
        })
    }

    fn flag(&mut self, key: &str) -> Read<bool> {
        match self.take(key) {
            None => Ok(false),
            Some(Value::Bool(on)) => Ok(on),
            Some(other) => Err(is_no(key, &other, "true or false")),
        }
    }

    fn place(&mut self, word: &str, key: &str, find: impl Fn(&str) -> Read<usize>) -> Read<Option<usize>> {
        match self.take(key) {
            Some(Value::String(id)) => find(&id).map(Some),
            Some(Value::Null) => Ok(None),
            Some(other) => Err(is_no(key, &other, "an id or null")),
            None => Err(format!("`{word}` needs `{key}`: an id, or null for none")),
        }
    }

    fn hours(&mut self, word: &str, key: &str) -> Read<Span> {
        // A year is longer than any season, and far from where times overflow.
        const MOST: f64 = 8784.0;
        const LEAST: f64 = 0.01;
        let value = self.take(key).ok_or_else(|| format!("`{word}` needs `{key}`: how many hours, such as 12"))?;
        match number(&value) {
            Some(hours) if (LEAST..=MOST).contains(&hours) => Ok(Span::from_seconds(hours * 3600.0)),
            Some(hours) => Err(format!("`{key}` is {hours}; it must be from {LEAST} to {MOST}")),
            None => Err(is_no(key, &value, "a number of hours")),
        }
    }

    fn mass(&mut self, word: &str, key: &str) -> Read<Grams> {
        let value = self.take(key).ok_or_else(|| format!("`{word}` needs `{key}`: the mass in grams, such as 2000"))?;
        let mass = grams(key, &value)?;
        if mass > Grams::ZERO { Ok(mass) } else { Err(format!("`{key}` is {}; it must be above 0", mass.get())) }
    }

    fn volume(&mut self, word: &str, key: &str) -> Read<Millilitres> {
        let value = self.take(key).ok_or_else(|| format!("`{word}` needs `{key}`: millilitres, such as 300"))?;
        volume(key, &value)
    }

    fn volume_if_given(&mut self) -> Read<Option<Millilitres>> {
        const KEY: &str = "volume_ml";
        match self.take(KEY) {
            None | Some(Value::Null) => Ok(None),
            Some(value) => volume(KEY, &value).map(Some),
        }
    }

    /// The plan says how much; whoever says it too has not looked at the plan.
    fn run(&mut self) -> Read<Command> {
        let (volume, plan) = (self.volume_if_given()?, self.plan()?);
        if volume.is_some() && plan.is_some() {
            return Err("`run` takes `volume_ml` or `plan`, not both: a plan has its own volume".to_owned());
        }
        Ok(Command::Run { volume, plan })
    }

    fn plan(&mut self) -> Read<Option<u64>> {
        let value = match self.take("plan") {
            None | Some(Value::Null) => return Ok(None),
            Some(value) => value,
        };
        let digits = value.as_str().and_then(|text| text.strip_prefix("p-"));
        // A sign would be read too, and is in no id.
        let digits = digits.filter(|digits| digits.bytes().all(|byte| byte.is_ascii_digit()));
        let number = digits.and_then(|digits| digits.parse().ok());
        number.map(Some).ok_or_else(|| is_no("plan", &value, "the id of a plan, such as \"p-1041\""))
    }

    /// First into a bucket, then what the bucket has caught.
    fn measure_flow(&mut self) -> Read<Command> {
        match (self.take("run_s"), self.take("caught_ml")) {
            (Some(run), None) => Ok(Command::MeasureFlow { run: seconds("run_s", &run)? }),
            (None, Some(caught)) => Ok(Command::Caught { volume: volume("caught_ml", &caught)? }),
            (None, None) => Err("`measure-flow` needs `run_s`: how many seconds into a bucket, such as 60; and then \
                                 `caught_ml`: what it has caught"
                .to_owned()),
            (Some(_), Some(_)) => {
                Err("`measure-flow` takes `run_s` or `caught_ml`, one after the other and not both".to_owned())
            }
        }
    }

    fn supply(&mut self, names: &Names) -> Read<usize> {
        match self.take("supply") {
            Some(Value::String(id)) => names.supply(&id),
            Some(other) => Err(is_no("supply", &other, "the id of a supply")),
            None => Err("`refilled` needs `supply`: the id of a supply".to_owned()),
        }
    }

    /// When something typed happened.
    fn at(&mut self, names: &Names) -> Read<Option<Wall>> {
        match self.take("at") {
            None | Some(Value::Null) => Ok(None),
            Some(value) => instant("at", &value, |text| typed(text, names.zone())).map(Some),
        }
    }

    fn word(&mut self, word: &str, key: &str, wanted: &str) -> Read<String> {
        let value = self.take(key).ok_or_else(|| format!("`{word}` needs `{key}`: {wanted}"))?;
        words(key, &value, wanted)
    }

    fn on(&mut self) -> Read<bool> {
        match self.take("on") {
            Some(Value::Bool(on)) => Ok(on),
            Some(other) => Err(is_no("on", &other, "true or false")),
            None => Err("`dome` needs `on`: true or false".to_owned()),
        }
    }

    /// Cells taken where no scale saw it are in no event.
    fn correct(&mut self) -> Read<Command> {
        let is_told = self.entries.iter().any(|(key, _)| key == "seq");
        let (was, cells) = (self.was()?, self.cells()?);
        match (is_told, was, cells) {
            (false, Was::MixLost, Some(cells)) => Ok(Command::CellsTaken { cells }),
            _ => Ok(Command::Correct { seq: self.seq()?, was, cells }),
        }
    }

    fn seq(&mut self) -> Read<u64> {
        let value = self.take("seq").ok_or_else(|| {
            "`correct` needs `seq`: the number of the event. Only cells taken where no scale saw it need none: \
             \"was\":\"mix-lost\" with `cells`"
                .to_owned()
        })?;
        value.as_u64().ok_or_else(|| is_no("seq", &value, "the number of an event"))
    }

    fn was(&mut self) -> Read<Was> {
        let all = || Was::ALL.iter().map(|(word, _)| *word);
        let listed = || all().collect::<Vec<_>>().join(", ");
        match self.take("was") {
            Some(Value::String(said)) => {
                let found = Was::ALL.iter().find(|(word, _)| *word == said).map(|(_, was)| *was);
                found.ok_or_else(|| {
                    format!("`was` is {:?}{}; it is one of {}", shown(&said), hint(&said, all()), listed())
                })
            }
            Some(other) => Err(is_no("was", &other, "a word")),
            None => Err(format!("`correct` needs `was`: {}", listed())),
        }
    }

    fn cells(&mut self) -> Read<Option<u32>> {
        let Some(value) = self.take("cells") else { return Ok(None) };
        let cells = value.as_u64().and_then(|cells| u32::try_from(cells).ok()).filter(|cells| *cells > 0);
        cells.map(Some).ok_or_else(|| is_no("cells", &value, "a whole number of cells"))
    }

    fn one(&mut self, word: &str, key: &str, names: &Names) -> Read<usize> {
        match self.take(key) {
            Some(Value::String(id)) => names.flat(&id),
            Some(other) => Err(is_no(key, &other, "the id of a flat")),
            None => Err(format!("`{word}` needs `{key}`: the id of a flat")),
        }
    }

    /// A command about turns; where it names the flat whose turn it is, only then.
    fn at_turn(&mut self, key: &str, names: &Names, then: Command) -> Read<Command> {
        match self.take(key) {
            None | Some(Value::Null) => Ok(then),
            Some(Value::String(id)) => Ok(Command::AtTurnOf { flat: names.flat(&id)?, then: Box::new(then) }),
            Some(other) => Err(is_no(key, &other, "the id of the flat whose turn it is")),
        }
    }

    fn flats(&mut self, key: &str, names: &Names) -> Read<Option<Vec<usize>>> {
        let one = |value: &Value| match value {
            Value::String(id) => names.flat(id),
            other => Err(is_no(key, other, "the ids of flats")),
        };
        match self.take(key) {
            None | Some(Value::Null) => Ok(None),
            Some(Value::Array(ids)) if ids.is_empty() => Err(format!("`{key}` is empty")),
            Some(Value::Array(ids)) => ids.iter().map(one).collect::<Read<Vec<usize>>>().map(Some),
            Some(other) => one(&other).map(|flat| Some(vec![flat])),
        }
    }

    fn set(&mut self) -> Read<Set> {
        if self.entries.is_empty() {
            return Err("`set` needs at least one of low, water_at, target, high, plant_mass_g, place".to_owned());
        }
        Ok(Set {
            low: self.or_null("low", fraction)?,
            water_at: self.or_null("water_at", fraction)?,
            target: self.or_null("target", fraction)?,
            high: self.or_null("high", fraction)?,
            plant_mass: self.or_null("plant_mass_g", plant_mass)?,
            place: self.or_null("place", place)?,
        })
    }

    #[allow(clippy::option_option, reason = "not given, given as null, given: three things")]
    fn or_null<T>(&mut self, key: &str, read: impl Fn(&str, &Value) -> Read<T>) -> Read<Option<Option<T>>> {
        match self.take(key) {
            None => Ok(None),
            Some(Value::Null) => Ok(Some(None)),
            Some(value) => read(key, &value).map(|value| Some(Some(value))),
        }
    }
}

fn fraction(key: &str, value: &Value) -> Read<Fraction> {
    let read = match value {
        Value::String(text) => parse_fraction(text).map_err(|error| format!("`{key}`: {error}"))?,
        other => {
            number(other).map(Fraction::new).ok_or_else(|| is_no(key, other, "a fraction such as 0.6 or \"60%\""))?
        }
    };
    let given = read.get();
    if given < 0.0 {
        return Err(format!("`{key}` is {given}; a fraction is 0 or more"));
    }
    // No limit makes sense at twice what a flat can hold; whoever writes 60 means percent.
    if given > 2.0 {
        return Err(format!("`{key}` is {given}, which is far beyond capacity; 60 percent is written 0.6 or \"60%\""));
    }
    Ok(read)
}

fn plant_mass(key: &str, value: &Value) -> Read<Grams> {
    let mass = grams(key, value)?;
    if mass < Grams::ZERO { Err(format!("`{key}` is {}; it must be 0 or more", mass.get())) } else { Ok(mass) }
}

fn grams(key: &str, value: &Value) -> Read<Grams> {
    const MOST: f64 = 1e7;
    let mass = match value {
        Value::String(text) => parse_mass(text).map_err(|error| format!("`{key}`: {error}"))?,
        other => number(other).map(Grams::new).ok_or_else(|| is_no(key, other, "a number of grams"))?,
    };
    if mass.get().abs() > MOST { Err(format!("`{key}` is more than ten tonnes")) } else { Ok(mass) }
}

fn volume(key: &str, value: &Value) -> Read<Millilitres> {
    const MOST: f64 = 1e6;
    let volume = match value {
        Value::String(text) => parse_volume(text).map_err(|error| format!("`{key}`: {error}"))?,
        other => number(other).map(Millilitres::new).ok_or_else(|| is_no(key, other, "a number of millilitres"))?,
    };
    match volume.get() {
        given if given <= 0.0 => Err(format!("`{key}` is {given}; it must be above 0")),
        given if given > MOST => Err(format!("`{key}` is more than a thousand litres")),
        _ => Ok(volume),
    }
}

/// Devices take whole seconds, and the engine has its own limit.
fn seconds(key: &str, value: &Value) -> Read<Span> {
    const MOST: f64 = 86_400.0;
    match number(value) {
        Some(given) if (1.0..=MOST).contains(&given) => Ok(Span::from_seconds(given)),
        Some(given) => Err(format!("`{key}` is {given}; it must be from 1 to {MOST}")),
        None => Err(is_no(key, value, "a number of seconds")),
    }
}

fn place(key: &str, value: &Value) -> Read<String> {
    if value.as_str().is_some_and(|text| text.trim().is_empty()) {
        return Err(format!("`{key}` is empty; null goes back to the file"));
    }
    words(key, value, "words, or null for the file's")
}

/// One line of words; `wanted` says what for.
fn words(key: &str, value: &Value, wanted: &str) -> Read<String> {
    const MOST: usize = 200;
    let Value::String(text) = value else { return Err(is_no(key, value, wanted)) };
    let text = text.trim();
    if text.chars().count() > MOST || text.contains(char::is_control) {
        return Err(format!("`{key}` is more than one line of {MOST} letters"));
    }
    if text.is_empty() { Err(format!("`{key}` is empty; it should be {wanted}")) } else { Ok(text.to_owned()) }
}

fn read_id(value: &Value) -> Read<String> {
    match value {
        Value::String(id) if id.is_empty() => Err("`id` is empty".to_owned()),
        Value::String(id) if id.chars().count() > MAX_ID => Err(format!("`id` is longer than {MAX_ID} letters")),
        Value::String(id) => Ok(id.clone()),
        other => Err(is_no("id", other, "a text")),
    }
}

fn instant(key: &str, value: &Value, read: impl Fn(&str) -> Result<Wall, Reason>) -> Read<Wall> {
    const WRITTEN: &str = "\"2026-03-04T08:15:00+00:00\"";
    match value {
        Value::String(text) => read(text).map_err(|why| {
            format!("`{key}` is {:?}: {why}. Write it as {WRITTEN}: date, time of day, offset from UTC", shown(text))
        }),
        other => Err(is_no(key, other, &format!("a time such as {WRITTEN}"))),
    }
}

fn number(value: &Value) -> Option<f64> {
    value.as_number().and_then(Number::as_f64).filter(|number| number.is_finite())
}

fn is_no(key: &str, value: &Value, wanted: &str) -> String {
    format!("`{key}` is {}; it should be {wanted}", shown(&value.to_string()))
}

/// What a JSON text can be as a command.
enum Document {
    Keys(Keys),
    Word(String),
    Other,
}

/// The keys of an object in their order, with the first that came twice.
#[derive(Default)]
struct Keys {
    entries: Vec<(String, Value)>,
    twice: Option<String>,
}

impl Keys {
    fn take(&mut self, key: &str) -> Option<Value> {
        let at = self.entries.iter().position(|(known, _)| known == key)?;
        Some(self.entries.remove(at).1)
    }
}

impl<'de> Deserialize<'de> for Document {
    fn deserialize<D: Deserializer<'de>>(json: D) -> Result<Self, D::Error> {
        json.deserialize_any(DocumentVisitor)
    }
}

struct DocumentVisitor;

impl<'de> Visitor<'de> for DocumentVisitor {
    type Value = Document;

    fn expecting(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str("a word or an object")
    }

    fn visit_str<E: Error>(self, text: &str) -> Result<Document, E> {
        Ok(Document::Word(text.trim().to_owned()))
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Document, A::Error> {
        let mut keys = Keys::default();
        while let Some((key, value)) = map.next_entry::<String, Value>()? {
            if keys.entries.iter().any(|(known, _)| *known == key) {
                keys.twice.get_or_insert(key);
            } else {
                keys.entries.push((key, value));
            }
        }
        Ok(Document::Keys(keys))
    }

    fn visit_seq<A: serde::de::SeqAccess<'de>>(self, mut items: A) -> Result<Document, A::Error> {
        while items.next_element::<serde::de::IgnoredAny>()?.is_some() {}
        Ok(Document::Other)
    }
}
