//! Payloads of stands: bytes → a finite number, or why not.

use super::nearest::hint;
use super::seek::{Found, Take, seek};
use super::wiring::Pointer;
use crate::site::Unreadable;
use crate::units::WeightUnit;
use serde_json::Value;

/// Longer payloads are refused unread, in bytes.
pub const MAX_PAYLOAD: usize = 4096;

/// What a number is of; a suffix in the payload is held against it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unit {
    /// A weight in the stand's unit.
    Weight(WeightUnit),
    /// Degrees Celsius.
    Celsius,
    /// The number alone, of what the configuration says.
    Plain,
}

/// Reads the number in a payload: bare, in a string, or where `at` points to in a JSON document.
///
/// Blanks around it are nothing; a suffix must be that of `unit`.
///
/// # Errors
/// [`Unreadable::Missing`] for what says itself that there is no value (`nan`, `null`, `None`, `unavailable`,
/// `unknown`, nothing at all); [`Unreadable::Garbled`] with a sentence that says what is there and what would do.
pub fn number(payload: &[u8], at: Option<&Pointer>, unit: Unit) -> Result<f64, Unreadable> {
    if payload.len() <= MAX_PAYLOAD
        && let Some(value) = bare_number(payload.trim_ascii())
        && at.is_none_or(|pointer| pointer.0.is_empty())
    {
        return finite(value, "the number");
    }
    let text = text_of(payload)?;
    match at {
        Some(pointer) if !is_missing(text) => in_json(text, pointer, unit),
        _ => bare(text, unit),
    }
}

/// Reads whether a stand is there: the payload, or what `at` points to, held against two words.
///
/// The same word in other letters counts too; so does `{"state":…}` without a pointer, as radio bridges send it.
///
/// # Errors
/// [`Unreadable::Garbled`] for anything else.
pub fn availability(payload: &[u8], at: Option<&Pointer>, online: &str, offline: &str) -> Result<bool, Unreadable> {
    let text = text_of(payload)?;
    let state = Pointer(vec!["state".to_owned()]);
    let pointer = at.or_else(|| text.starts_with('{').then_some(&state));
    let said = match pointer {
        Some(pointer) => match seek(text, pointer, Word) {
            Ok(Found::Here(word)) => word,
            Ok(Found::Nowhere) => return Err(garbled(not_there(text, pointer))),
            Err(error) => return Err(garbled(format!("it is not JSON: {}", json_error(&error)))),
        },
        None => text.to_owned(),
    };
    if said == online || (said != offline && said.eq_ignore_ascii_case(online)) {
        Ok(true)
    } else if said.eq_ignore_ascii_case(offline) {
        Ok(false)
    } else {
        Err(garbled(format!("`{}` is neither `{online}` nor `{offline}`", shown(&said))))
    }
}

/// A word, number, `true` or `false`, as a device said it.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Said {
    /// By its text.
    Text(String),
    /// However it was written.
    Number(f64),
}

impl Said {
    /// Whether it is this word, letter by letter; or this number.
    pub(super) fn is(&self, word: &str) -> bool {
        match self {
            Self::Text(text) => text == word,
            Self::Number(number) => word.parse::<f64>() == Ok(*number),
        }
    }
}

impl std::fmt::Display for Said {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Text(text) => out.write_str(&shown(text)),
            Self::Number(number) => number.fmt(out),
        }
    }
}

/// What is said in a payload: the bare text, a JSON text, or what `at` points to in a JSON document.
///
/// # Errors
/// [`Unreadable::Missing`] for null and for nothing at all; [`Unreadable::Garbled`] for what is no word or number.
pub(super) fn word(payload: &[u8], at: Option<&Pointer>) -> Result<Said, Unreadable> {
    let text = text_of(payload)?;
    if text.is_empty() {
        return Err(Unreadable::Missing);
    }
    let whole = Pointer::default();
    let pointer = match at {
        Some(pointer) => pointer,
        None if text.starts_with(['"', '{', '[']) => &whole,
        None => return Ok(Said::Text(text.to_owned())),
    };
    match seek(text, pointer, Scalar(pointer)) {
        Ok(Found::Here(said)) => said,
        Ok(Found::Nowhere) => Err(garbled(not_there(text, pointer))),
        Err(error) => Err(garbled(format!("`{}` is not JSON: {}", shown(text), json_error(&error)))),
    }
}

/// Takes what can be said in one word.
#[derive(Clone, Copy)]
struct Scalar<'a>(&'a Pointer);

impl Take for Scalar<'_> {
    type Out = Result<Said, Unreadable>;

    fn number(self, value: f64) -> Self::Out {
        Ok(Said::Number(value))
    }

    fn text(self, text: &str) -> Self::Out {
        Ok(Said::Text(text.to_owned()))
    }

    fn null(self) -> Self::Out {
        Err(Unreadable::Missing)
    }

    fn other(self, what: &str) -> Self::Out {
        match what {
            "true" | "false" => Ok(Said::Text(what.to_owned())),
            _ => Err(garbled(format!("at {} there is {what}, not a word", self.0))),
        }
    }
}

/// The number in a text that is no JSON document, as in a column of a table.
///
/// # Errors
/// As [`number`].
pub fn bare(text: &str, unit: Unit) -> Result<f64, Unreadable> {
    let text = text.trim();
    if let Some(value) = bare_number(text.as_bytes()) {
        return finite(value, "the number");
    }
    if is_missing(text) {
        return Err(Unreadable::Missing);
    }
    if text.starts_with(['{', '[']) {
        return Err(garbled(json_without_pointer(text)));
    }
    if let Some(inner) = text.strip_prefix('"').and_then(|rest| rest.strip_suffix('"')).filter(|t| !t.contains('"')) {
        return bare(inner, unit);
    }
    with_suffix(text, unit)
}

/// A number alone, by its characters; infinity when it is beyond what a number can hold.
fn bare_number(bytes: &[u8]) -> Option<f64> {
    if !matches!(bytes.first(), Some(b'0'..=b'9' | b'-' | b'+' | b'.')) {
        return None;
    }
    if let Some(value) = decimal(bytes) {
        return Some(value);
    }
    let plain = |byte: &u8| matches!(byte, b'0'..=b'9' | b'-' | b'+' | b'.' | b'e' | b'E');
    if !bytes.iter().all(plain) {
        return None;
    }
    std::str::from_utf8(bytes).ok()?.parse().ok()
}

/// A short plain decimal number, as stands send it: `3412.5`. Its digits and the power of ten are whole numbers that a
/// binary number holds exactly, so that one division gives the nearest there is (Clinger 1990, the fast path).
fn decimal(bytes: &[u8]) -> Option<f64> {
    const POWERS: [f64; 16] = [1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15];
    let (negative, digits) = match bytes {
        [b'-', digits @ ..] => (true, digits),
        digits => (false, digits),
    };
    if digits.len() > 16 {
        return None;
    }
    let (mut value, mut count, mut decimals) = (0_u64, 0, None);
    for byte in digits {
        match byte {
            b'0'..=b'9' => {
                value = value * 10 + u64::from(byte - b'0');
                count += 1;
            }
            b'.' if decimals.is_none() => decimals = Some(count),
            _ => return None,
        }
    }
    let scale = POWERS.get(decimals.map_or(0, |before| count - before))?;
    #[expect(clippy::cast_precision_loss, reason = "at most 15 digits are exact")]
    let value = (1..=15).contains(&count).then(|| value as f64 / scale)?;
    Some(if negative { -value } else { value })
}

/// Infinities are no numbers here, and a negative zero is a zero.
fn finite(value: f64, what: &str) -> Result<f64, Unreadable> {
    if value.is_finite() { Ok(value + 0.0) } else { Err(garbled(format!("{what} is infinite"))) }
}

fn text_of(payload: &[u8]) -> Result<&str, Unreadable> {
    if payload.len() > MAX_PAYLOAD {
        return Err(garbled(format!("it is {} bytes long; at most {MAX_PAYLOAD} are read", payload.len())));
    }
    let text = std::str::from_utf8(payload).map_err(|_| garbled("it is not UTF-8 text".to_owned()))?;
    if text.starts_with('\u{feff}') {
        return Err(garbled("it begins with a byte order mark; send it without".to_owned()));
    }
    if text.contains('\0') {
        return Err(garbled("it holds a NUL byte; send the text without its terminator".to_owned()));
    }
    Ok(text.trim())
}

/// What devices, scripts and hubs publish when they have no value. `-nan` is how C prints one kind of NaN.
fn is_missing(text: &str) -> bool {
    const WORDS: [&str; 8] = ["", "nan", "-nan", "+nan", "null", "none", "unavailable", "unknown"];
    text.len() <= 11 && WORDS.iter().any(|word| text.eq_ignore_ascii_case(word))
}

fn is_infinite(text: &str) -> bool {
    let word = text.trim_start_matches(['+', '-']);
    word.eq_ignore_ascii_case("inf") || word.eq_ignore_ascii_case("infinity")
}

fn with_suffix(text: &str, unit: Unit) -> Result<f64, Unreadable> {
    if is_infinite(text) {
        return Err(garbled(format!("`{}` is infinite", shown(text))));
    }
    let (written, suffix) = text.split_at(number_length(text));
    let Ok(value) = written.parse::<f64>() else {
        return Err(garbled(format!("`{}` is not a number", shown(text))));
    };
    if suffix.starts_with(',') {
        return Err(garbled(comma(text)));
    }
    let suffix = suffix.trim();
    if !unit.is_written(suffix) {
        return Err(garbled(unit.disagrees(text, suffix)));
    }
    finite(value, "the number")
}

fn comma(text: &str) -> String {
    let fixed = if text.contains('.') { text.replace(',', "") } else { text.replacen(',', ".", 1) };
    format!("`{}` has a comma in it; a number is written `{}`", shown(text), shown(&fixed))
}

/// How many bytes at the head make a number without exponent: `5 e` is no number that a device sends with a suffix.
fn number_length(text: &str) -> usize {
    let sign = usize::from(text.starts_with(['+', '-']));
    let body = text.bytes().skip(sign).take_while(|byte| byte.is_ascii_digit() || *byte == b'.').count();
    sign + body
}

const WEIGHTS: [WeightUnit; 5] =
    [WeightUnit::Gram, WeightUnit::Kilogram, WeightUnit::Pound, WeightUnit::Ounce, WeightUnit::Counts];

const fn spellings(unit: WeightUnit) -> &'static [&'static str] {
    match unit {
        WeightUnit::Gram => &["g", "gram", "grams"],
        WeightUnit::Kilogram => &["kg", "kgs", "kilogram", "kilograms"],
        WeightUnit::Pound => &["lb", "lbs", "pound", "pounds"],
        WeightUnit::Ounce => &["oz", "ounce", "ounces"],
        WeightUnit::Counts => &["counts", "count", "raw"],
    }
}

fn is_one_of(suffix: &str, words: &[&str]) -> bool {
    words.iter().any(|word| suffix.eq_ignore_ascii_case(word))
}

impl Unit {
    fn is_written(self, suffix: &str) -> bool {
        match self {
            Self::Weight(unit) => is_one_of(suffix, spellings(unit)),
            Self::Celsius => is_one_of(suffix, &["°c", "°C", "c", "celsius"]),
            Self::Plain => false,
        }
    }

    fn disagrees(self, text: &str, suffix: &str) -> String {
        let text = shown(text);
        let own = match self {
            Self::Weight(unit) => unit,
            Self::Celsius => return format!("`{text}` is not in °C; the temperature is read in °C"),
            Self::Plain => return format!("`{text}` is a number with something behind it; send the number alone"),
        };
        let name = own.name();
        match WEIGHTS.iter().find(|unit| is_one_of(suffix, spellings(**unit))).map(|unit| unit.name()) {
            Some(other) => format!(
                "`{text}` is in {other} and the stand is read in {name}; set `unit: {other}` or let it send {name}"
            ),
            None => format!("`{text}` is a number with something behind it; send the number alone, in {name}"),
        }
    }
}

fn in_json(text: &str, pointer: &Pointer, unit: Unit) -> Result<f64, Unreadable> {
    match seek(text, pointer, Weight { pointer, unit }) {
        Ok(Found::Here(value)) => value,
        Ok(Found::Nowhere) => Err(garbled(not_there(text, pointer))),
        // Some libraries print a missing number as a bare NaN, which is no JSON; the rest may well be sound.
        Err(error) => match without_bare_nan(text).map(|mended| seek(&mended, pointer, Weight { pointer, unit })) {
            Some(Ok(Found::Here(value))) => value,
            _ => Err(garbled(format!("`{}` is not JSON: {}", shown(text), json_error(&error)))),
        },
    }
}

/// The document with each `NaN` outside of strings made `null`; `None` if there is none.
pub(super) fn without_bare_nan(text: &str) -> Option<String> {
    let mut mended = String::with_capacity(text.len() + 8);
    let (mut quoted, mut escaped, mut found) = (false, false, false);
    let mut rest = text;
    while let Some(c) = rest.chars().next() {
        if !quoted && let Some(after) = strip_nan(rest) {
            mended.push_str("null");
            rest = after;
            found = true;
            continue;
        }
        quoted ^= c == '"' && !escaped;
        escaped = quoted && c == '\\' && !escaped;
        mended.push(c);
        rest = &rest[c.len_utf8()..];
    }
    found.then_some(mended)
}

fn strip_nan(rest: &str) -> Option<&str> {
    let word = rest.strip_prefix('-').unwrap_or(rest);
    word.strip_prefix("NaN").or_else(|| word.strip_prefix("nan"))
}

fn not_there(text: &str, pointer: &Pointer) -> String {
    if bare_number(text.as_bytes()).is_some() {
        return format!("`{}` is a bare number, with no {pointer} in it; leave out `value:`", shown(text));
    }
    let mut here: Value = serde_json::from_str(text).unwrap_or_default();
    for token in &pointer.0 {
        match super::seek::step(&mut here, token) {
            Some(next) => here = next,
            None => return format!("there is no {pointer} in it{}", what_there_is(&here, token)),
        }
    }
    format!("there is no {pointer} in it")
}

fn what_there_is(here: &Value, token: &str) -> String {
    match here {
        Value::Object(map) if map.is_empty() => "; that object is empty".to_owned(),
        Value::Object(map) => {
            let keys: Vec<&str> = map.keys().map(String::as_str).collect();
            let listed: Vec<String> = keys.iter().take(8).map(|key| shown(key)).collect();
            format!("; there is {}{}", listed.join(", "), hint(token, keys))
        }
        Value::Array(items) => format!("; there is a list of {}", items.len()),
        _ => String::new(),
    }
}

fn json_without_pointer(text: &str) -> String {
    let place = serde_json::from_str(text).ok().and_then(|value| first_number(&value)).unwrap_or_else(|| "/…".into());
    format!("`{}` is JSON, not a plain number; say where in it the value is, as with `value: {place}`", shown(text))
}

/// A place where a number lies, preferring one that sounds like a weight.
fn first_number(value: &Value) -> Option<String> {
    let mut places = Vec::new();
    collect_numbers(value, &Pointer::default(), &mut places);
    let weighty = places.iter().find(|place| place.to_ascii_lowercase().contains("weight"));
    weighty.or(places.first()).cloned()
}

fn collect_numbers(value: &Value, at: &Pointer, places: &mut Vec<String>) {
    let below = |token: String| Pointer(at.0.iter().cloned().chain([token]).collect());
    match value {
        Value::Number(_) => places.push(at.to_string()),
        Value::Object(map) => map.iter().for_each(|(key, item)| collect_numbers(item, &below(key.clone()), places)),
        Value::Array(items) => {
            items.iter().enumerate().for_each(|(i, item)| collect_numbers(item, &below(i.to_string()), places));
        }
        _ => {}
    }
}

/// Takes a weight where the pointer leads.
#[derive(Clone, Copy)]
struct Weight<'a> {
    pointer: &'a Pointer,
    unit: Unit,
}

impl Take for Weight<'_> {
    type Out = Result<f64, Unreadable>;

    fn number(self, value: f64) -> Self::Out {
        finite(value, "the number")
    }

    fn text(self, text: &str) -> Self::Out {
        let text = text.trim();
        if text.starts_with(['{', '[', '"']) {
            return Err(garbled(format!("at {} there is the text `{}`, not a number", self.pointer, shown(text))));
        }
        bare(text, self.unit)
    }

    fn null(self) -> Self::Out {
        Err(Unreadable::Missing)
    }

    fn other(self, what: &str) -> Self::Out {
        Err(garbled(format!("at {} there is {what}, not a number", self.pointer)))
    }
}

/// Takes a word where the pointer leads, whatever its type.
#[derive(Clone, Copy)]
struct Word;

impl Take for Word {
    type Out = String;

    fn number(self, value: f64) -> String {
        value.to_string()
    }

    fn text(self, text: &str) -> String {
        text.trim().to_owned()
    }

    fn null(self) -> String {
        "null".to_owned()
    }

    fn other(self, what: &str) -> String {
        what.to_owned()
    }
}

fn garbled(why: String) -> Unreadable {
    Unreadable::Garbled(why)
}

/// What is wrong with a JSON text; on one line, the place is told without a line that means nothing.
pub(super) fn json_error(error: &serde_json::Error) -> String {
    let text = error.to_string();
    let place = format!(" at line 1 column {}", error.column());
    text.strip_suffix(&place).map_or_else(|| text.clone(), |what| format!("{what} (character {})", error.column()))
}

/// At most 40 characters of what was sent, on one line.
pub(super) fn shown(text: &str) -> String {
    let mut short: String =
        text.chars().take(40).map(|c| if c.is_control() { char::REPLACEMENT_CHARACTER } else { c }).collect();
    if text.chars().nth(40).is_some() {
        short.push('…');
    }
    short
}
