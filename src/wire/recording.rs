//! Lines of a recording → what was said and when. Pure: whoever reads the file hands the lines in.

use super::names::Names;
use super::reading::{self, Unit, json_error, shown};
use super::router::weight_unit;
use super::stamp::Stamps;
use crate::moment::Wall;
use crate::site::{Plan, Subject, Unreadable};
use crate::units::WeightUnit;
use serde::Deserialize;
use serde::de::{Deserializer, Error, Visitor};
use serde_json::Value;
use std::borrow::Cow;
use std::collections::HashMap;
use std::fmt;

/// The header of a recording that is a table.
pub const HEADER: &str = "time,stand,value";

/// Before it no recording of this program was made: an earlier time is that of a clock that was never set.
const EARLIEST: Wall = Wall::from_millis(946_684_800_000); // 2000-01-01T00:00:00Z
const LATEST: Wall = Wall::from_millis(4_102_444_800_000); // 2100-01-01T00:00:00Z

/// What one line of a recording says.
#[derive(Debug, Clone, PartialEq)]
pub struct Record<'l> {
    /// When it was said.
    pub at: Wall,
    /// What.
    pub body: Body<'l>,
}

/// A row of a table, or a message.
#[derive(Debug, Clone, PartialEq)]
pub enum Body<'l> {
    /// The reading of a whole stand, in its unit.
    Reading {
        /// The stand's place in the plan.
        stand: usize,
        /// The value; `Err` only where the row says that there was none.
        value: Result<f64, Unreadable>,
    },
    /// A message.
    Message {
        /// Its topic.
        topic: Cow<'l, str>,
        /// Its payload, as it was sent.
        payload: Cow<'l, [u8]>,
        /// Its retain flag.
        retained: bool,
    },
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Form {
    Table,
    Messages,
}

/// Reads the lines of one recording in order.
#[derive(Debug, Clone)]
pub struct Parser {
    names: Names,
    units: Vec<WeightUnit>,
    stamps: Stamps,
    form: Option<Form>,
    begun: bool,
    /// The stand of the last row, and for each stand the one that followed it.
    last: usize,
    followers: Vec<usize>,
    /// What was said of stands that are not in the plan.
    unknown: HashMap<String, String>,
}

impl Parser {
    /// For a recording of the stands and topics of a plan.
    #[must_use]
    pub fn new(plan: &Plan) -> Self {
        let units = (0..plan.stands.len()).map(|stand| weight_unit(plan, stand)).collect();
        let followers = (1..=plan.stands.len()).collect();
        Self {
            names: Names::new(plan),
            units,
            stamps: Stamps::default(),
            form: None,
            begun: false,
            last: 0,
            followers,
            unknown: HashMap::new(),
        }
    }

    /// Reads one line, without its line feed; `None` for the header and for blank lines.
    ///
    /// The first line that is not blank decides between a table and messages.
    ///
    /// # Errors
    /// What is wrong with the line, without its number. If [`Parser::is_recording`] is then false, the whole file is
    /// no recording.
    pub fn line<'l>(&mut self, line: &'l [u8]) -> Result<Option<Record<'l>>, String> {
        match self.form {
            Some(Form::Table) => self.row(line),
            Some(Form::Messages) => self.message(line),
            None => self.first(line),
        }
    }

    /// Whether the first line was one of a recording; true also before it.
    #[must_use]
    pub const fn is_recording(&self) -> bool {
        self.form.is_some() || !self.begun
    }

    fn first<'l>(&mut self, line: &'l [u8]) -> Result<Option<Record<'l>>, String> {
        let line = if self.begun { line } else { line.strip_prefix("\u{feff}".as_bytes()).unwrap_or(line) };
        let line = line.trim_ascii();
        if line.is_empty() {
            return Ok(None);
        }
        self.begun = true;
        if line.starts_with(b"{") {
            self.form = Some(Form::Messages);
            return self.message(line);
        }
        let header = String::from_utf8_lossy(line);
        if header.split(',').map(|name| name.trim().trim_matches('"')).eq(HEADER.split(',')) {
            self.form = Some(Form::Table);
            return Ok(None);
        }
        Err(format!(
            "this is no recording: it should begin with the header `{HEADER}`, or with a JSON object a line, but begins with `{}`",
            shown(&header)
        ))
    }

    fn row<'l>(&mut self, line: &'l [u8]) -> Result<Option<Record<'l>>, String> {
        let [time, stand, value] = match columns(line) {
            Some(columns) => columns,
            None if line.trim_ascii().is_empty() => return Ok(None),
            None => return self.quoted_row(line),
        };
        self.cells(time, stand, value).map(Some)
    }

    /// A row with quoted cells (RFC 4180), or a wrong number of them.
    fn quoted_row<'l>(&mut self, line: &[u8]) -> Result<Option<Record<'l>>, String> {
        let text = std::str::from_utf8(line).map_err(|_| "it is not UTF-8 text".to_owned())?;
        let cells = unquoted(text.trim())?;
        let [time, stand, value] = cells.as_slice() else {
            return Err(format!("it has {} columns, not the three of `{HEADER}`", cells.len()));
        };
        self.cells(time.as_bytes(), stand.as_bytes(), value.as_bytes()).map(Some)
    }

    fn cells<'l>(&mut self, time: &[u8], stand: &[u8], value: &[u8]) -> Result<Record<'l>, String> {
        let at = self.time(time)?;
        let stand = std::str::from_utf8(stand.trim_ascii()).map_err(|_| "the stand is not UTF-8 text".to_owned())?;
        let stand = self.stand(stand)?;
        let unit = Unit::Weight(self.units.get(stand).copied().unwrap_or_default());
        match reading::number(value, None, unit) {
            Err(Unreadable::Garbled(why)) => Err(format!("value: {why}")),
            value => Ok(Record { at, body: Body::Reading { stand, value } }),
        }
    }

    /// Stands mostly speak in the same order over and over: the one that followed last time is looked at first,
    /// which spares a search among thousands.
    fn stand(&mut self, id: &str) -> Result<usize, String> {
        let guess = self.followers.get(self.last).copied().unwrap_or_default();
        if self.names.id(Subject::Stand(guess)) == id && !id.is_empty() {
            self.last = guess;
            return Ok(guess);
        }
        let found = self.search(id)?;
        if let Some(follower) = self.followers.get_mut(self.last) {
            *follower = found;
        }
        self.last = found;
        Ok(found)
    }

    /// A recording of another site may name thousands of unknown stands over and over, and to find what each was
    /// meant to be takes time: what was said of the first few is kept.
    fn search(&mut self, id: &str) -> Result<usize, String> {
        const KEPT: usize = 256;
        if !self.unknown.is_empty()
            && let Some(why) = self.unknown.get(id)
        {
            return Err(why.clone());
        }
        self.names.stand(id).inspect_err(|why| {
            if self.unknown.len() < KEPT {
                self.unknown.insert(id.to_owned(), why.clone());
            }
        })
    }

    fn message<'l>(&mut self, line: &'l [u8]) -> Result<Option<Record<'l>>, String> {
        let line = line.trim_ascii();
        if line.is_empty() {
            return Ok(None);
        }
        let text = std::str::from_utf8(line).map_err(|_| "it is not UTF-8 text".to_owned())?;
        let message: Message<'l> = serde_json::from_str(text).map_err(|error| json_error(&error))?;
        let at = self.time(message.tst.as_bytes())?;
        if message.topic.is_empty() {
            return Err("its topic is empty".to_owned());
        }
        let retained = message.retain.unwrap_or_default().0;
        let payload = message.payload.unwrap_or_default().0;
        Ok(Some(Record { at, body: Body::Message { topic: message.topic, payload, retained } }))
    }

    fn time(&mut self, text: &[u8]) -> Result<Wall, String> {
        let text = text.trim_ascii();
        let say = |why: &str| format!("`{}`: {why}", shown(&String::from_utf8_lossy(text)));
        let at = self.stamps.read(text).map_err(say)?;
        if at < EARLIEST {
            Err(say("the clock that wrote this was not set"))
        } else if at >= LATEST {
            Err(say("this lies beyond the year 2099"))
        } else {
            Ok(at)
        }
    }
}

/// The three cells of a row without quotes.
fn columns(line: &[u8]) -> Option<[&[u8]; 3]> {
    let first = line.iter().position(|byte| *byte == b',')?;
    let (time, rest) = (line.get(..first)?, line.get(first + 1..)?);
    let second = rest.iter().position(|byte| *byte == b',')?;
    let (stand, value) = (rest.get(..second)?, rest.get(second + 1..)?);
    let plain = !line.contains(&b'"') && !value.contains(&b',');
    plain.then_some([time, stand, value])
}

/// The cells of a row, quotes taken off and doubled quotes made one.
fn unquoted(text: &str) -> Result<Vec<String>, String> {
    let mut cells = Vec::new();
    let mut rest = Some(text);
    while let Some(text) = rest {
        let Some(mut quoted) = text.trim_start().strip_prefix('"') else {
            let (cell, after) = text.split_once(',').map_or((text, None), |(cell, after)| (cell, Some(after)));
            cells.push(cell.to_owned());
            rest = after;
            continue;
        };
        let mut cell = String::new();
        loop {
            let (part, after) = quoted.split_once('"').ok_or("a quote is not closed")?;
            cell.push_str(part);
            let Some(more) = after.strip_prefix('"') else {
                quoted = after;
                break;
            };
            cell.push('"');
            quoted = more;
        }
        cells.push(cell);
        let after = quoted.trim_start();
        rest = after.strip_prefix(',');
        if rest.is_none() && !after.is_empty() {
            return Err("something stands behind a closing quote".to_owned());
        }
    }
    Ok(cells)
}

/// A message as general MQTT command-line clients print it; other keys are let be.
#[derive(Deserialize)]
struct Message<'l> {
    #[serde(borrow)]
    tst: Cow<'l, str>,
    #[serde(borrow)]
    topic: Cow<'l, str>,
    #[serde(borrow, default)]
    payload: Option<Payload<'l>>,
    #[serde(default)]
    retain: Option<Flag>,
}

/// A payload as text, or as the JSON that it was. (Clients print an empty one as `null`, which serde leaves out.)
#[derive(Default)]
struct Payload<'l>(Cow<'l, [u8]>);

impl<'de: 'l, 'l> Deserialize<'de> for Payload<'l> {
    fn deserialize<D: Deserializer<'de>>(json: D) -> Result<Self, D::Error> {
        json.deserialize_any(PayloadVisitor)
    }
}

struct PayloadVisitor;

impl PayloadVisitor {
    fn embedded<'l, E: Error>(value: &Value) -> Result<Payload<'l>, E> {
        serde_json::to_vec(value).map(|bytes| Payload(bytes.into())).map_err(E::custom)
    }
}

impl<'l> Visitor<'l> for PayloadVisitor {
    type Value = Payload<'l>;

    fn expecting(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str("a payload")
    }

    fn visit_borrowed_str<E: Error>(self, text: &'l str) -> Result<Self::Value, E> {
        Ok(Payload(text.as_bytes().into()))
    }

    fn visit_str<E: Error>(self, text: &str) -> Result<Self::Value, E> {
        Ok(Payload(text.as_bytes().to_vec().into()))
    }

    fn visit_bool<E: Error>(self, value: bool) -> Result<Self::Value, E> {
        Self::embedded(&value.into())
    }

    fn visit_i64<E: Error>(self, value: i64) -> Result<Self::Value, E> {
        Self::embedded(&value.into())
    }

    fn visit_u64<E: Error>(self, value: u64) -> Result<Self::Value, E> {
        Self::embedded(&value.into())
    }

    fn visit_f64<E: Error>(self, value: f64) -> Result<Self::Value, E> {
        Self::embedded(&value.into())
    }

    fn visit_map<A: serde::de::MapAccess<'l>>(self, map: A) -> Result<Self::Value, A::Error> {
        Self::embedded(&Value::deserialize(serde::de::value::MapAccessDeserializer::new(map))?)
    }

    fn visit_seq<A: serde::de::SeqAccess<'l>>(self, items: A) -> Result<Self::Value, A::Error> {
        Self::embedded(&Value::deserialize(serde::de::value::SeqAccessDeserializer::new(items))?)
    }
}

/// `0`, `1`, `true` or `false`.
#[derive(Default)]
struct Flag(bool);

impl<'l> Deserialize<'l> for Flag {
    fn deserialize<D: Deserializer<'l>>(json: D) -> Result<Self, D::Error> {
        match Value::deserialize(json)? {
            Value::Bool(on) => Ok(Self(on)),
            Value::Number(number) if number.as_u64() == Some(0) => Ok(Self(false)),
            Value::Number(number) if number.as_u64() == Some(1) => Ok(Self(true)),
            other => Err(D::Error::custom(format!("retain is {other}, neither 0 nor 1"))),
        }
    }
}
