//! Quantities as people write them: `2.9 kg`, `6 lb 5 oz`, `2 L/h`, `10 min`, `30%`.

use super::{Flow, Fraction, Grams, GramsPerHour, Millilitres, OUNCE, POUND, US_FLUID_OUNCE, US_GALLON};
use crate::moment::Span;
use std::fmt;

/// Why a text is not the quantity it should be.
#[derive(Debug, Clone, PartialEq)]
pub enum QuantityError {
    /// Nothing there.
    Empty,
    /// Does not begin with a number.
    NotANumber {
        /// The text as given.
        text: String,
    },
    /// NaN or infinity, or beyond what a number can hold.
    NotFinite {
        /// The text as given.
        text: String,
    },
    /// A comma where a decimal point belongs.
    CommaDecimal {
        /// The text with the comma made a point.
        with_point: String,
    },
    /// A number alone where a unit is needed.
    NoUnit {
        /// The number as written.
        number: String,
        /// The units that would do.
        units: &'static [&'static str],
    },
    /// A unit that is not one of this quantity.
    UnknownUnit {
        /// The unit as written.
        unit: String,
        /// The units that would do.
        units: &'static [&'static str],
    },
}

impl fmt::Display for QuantityError {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Empty => write!(out, "nothing is written here"),
            Self::NotANumber { text } => write!(out, "`{text}` does not begin with a number"),
            Self::NotFinite { text } => write!(out, "`{text}` is not a finite number"),
            Self::CommaDecimal { with_point } => match thousands(with_point) {
                Some(whole) => write!(
                    out,
                    "a comma may part thousands or decimals: write `{whole}` for the one, or `{with_point}` for the other"
                ),
                None => write!(out, "a decimal point is written as a point: `{with_point}`"),
            },
            Self::NoUnit { number, units } => {
                write!(out, "`{number}` has no unit; write `{number} {}`", units[0])?;
                if units.len() > 1 {
                    write!(out, " (or {})", units[1..].join(", "))?;
                }
                Ok(())
            }
            Self::UnknownUnit { unit, units } => {
                write!(out, "`{unit}` is not a unit that fits here; one of {}", units.join(", "))
            }
        }
    }
}

impl std::error::Error for QuantityError {}

/// Units a mass may be written in.
pub const MASS_UNITS: &[&str] = &["g", "kg", "lb", "oz"];
/// Units a volume may be written in.
pub const VOLUME_UNITS: &[&str] = &["mL", "L", "fl oz", "gal"];
/// Units a flow may be written in.
pub const FLOW_UNITS: &[&str] = &["L/h", "mL/h", "L/min", "mL/min", "gal/h", "gal/min", "fl oz/h", "fl oz/min"];
/// Units a rate of drying may be written in.
pub const DRYING_UNITS: &[&str] = &["g/h", "kg/h", "lb/h", "oz/h"];
/// Units a time may be written in.
pub const SPAN_UNITS: &[&str] = &["s", "min", "h", "d"];

/// A mass: `2900 g`, `2.9 kg`, `6.4 lb`, `6 lb 5 oz`.
///
/// # Errors
/// See [`QuantityError`]; a sign is let through, so that the caller can say why a weight must be above 0.
pub fn parse_mass(text: &str) -> Result<Grams, QuantityError> {
    let (number, rest) = number_and_rest(text)?;
    if let Some(after) = strip_unit(rest, "lb").filter(|after| !after.trim().is_empty()) {
        let (ounces, unit) = number_and_rest(after)?;
        let ounces = ounces.value * known(unit, &ounces, &["oz"], |unit| (unit == "oz").then_some(OUNCE))?;
        return finite(number.value * POUND + ounces.copysign(number.value), text).map(Grams::new);
    }
    let factor = known(rest, &number, MASS_UNITS, mass_factor)?;
    finite(number.value * factor, text).map(Grams::new)
}

/// A volume: `180 mL`, `1.5 L`, `6 fl oz`, `1 gal` (US).
///
/// # Errors
/// See [`QuantityError`].
pub fn parse_volume(text: &str) -> Result<Millilitres, QuantityError> {
    let (number, rest) = number_and_rest(text)?;
    let factor = known(rest, &number, VOLUME_UNITS, volume_factor)?;
    finite(number.value * factor, text).map(Millilitres::new)
}

/// A flow: a volume per `min` or `h`.
///
/// # Errors
/// See [`QuantityError`].
pub fn parse_flow(text: &str) -> Result<Flow, QuantityError> {
    let (number, rest) = number_and_rest(text)?;
    let factor = known(rest, &number, FLOW_UNITS, |unit| {
        let (volume, time) = unit.split_once('/')?;
        let seconds = match time.trim() {
            "min" => 60.0,
            "h" => 3600.0,
            _ => return None,
        };
        Some(volume_factor(volume.trim())? / seconds)
    })?;
    finite(number.value * factor, text).map(Flow::new)
}

/// A rate of drying: a mass per `h`.
///
/// # Errors
/// See [`QuantityError`].
pub fn parse_drying(text: &str) -> Result<GramsPerHour, QuantityError> {
    let (number, rest) = number_and_rest(text)?;
    let factor = known(rest, &number, DRYING_UNITS, |unit| {
        let (mass, time) = unit.split_once('/')?;
        (time.trim() == "h").then(|| mass_factor(mass.trim())).flatten()
    })?;
    finite(number.value * factor, text).map(GramsPerHour::new)
}

/// A time: `90 s`, `10 min`, `72 h`, `3 d`. Kept to a millisecond.
///
/// # Errors
/// See [`QuantityError`]; a time beyond a thousand years is not finite.
pub fn parse_span(text: &str) -> Result<Span, QuantityError> {
    let (number, rest) = number_and_rest(text)?;
    let seconds = number.value
        * known(rest, &number, SPAN_UNITS, |unit| match unit {
            "s" => Some(1.0),
            "min" => Some(60.0),
            "h" => Some(3600.0),
            "d" => Some(86_400.0),
            _ => None,
        })?;
    if seconds.abs() > 3.2e10 {
        return Err(QuantityError::NotFinite { text: text.to_owned() });
    }
    finite(seconds, text).map(Span::from_seconds)
}

/// A fraction of the band: `50%`, `50 %`, `0.5`.
///
/// # Errors
/// See [`QuantityError`].
pub fn parse_fraction(text: &str) -> Result<Fraction, QuantityError> {
    let (number, rest) = number_and_rest(text)?;
    let factor = match rest {
        "" => 1.0,
        "%" => 0.01,
        other => {
            return Err(QuantityError::UnknownUnit { unit: other.to_owned(), units: &["%"] });
        }
    };
    finite(number.value * factor, text).map(Fraction::new)
}

struct Number<'a> {
    value: f64,
    written: &'a str,
}

fn number_and_rest(text: &str) -> Result<(Number<'_>, &str), QuantityError> {
    let text = text.trim();
    if text.is_empty() {
        return Err(QuantityError::Empty);
    }
    let end = number_length(text);
    let (written, rest) = text.split_at(end);
    if rest.starts_with(',') && rest[1..].starts_with(|c: char| c.is_ascii_digit()) {
        return Err(QuantityError::CommaDecimal { with_point: text.replacen(',', ".", 1) });
    }
    let value: f64 = written.parse().map_err(|_| not_a_number(text))?;
    finite(value, text)?;
    Ok((Number { value, written }, rest.trim()))
}

/// `1986 g` of `1.986 g`, whose point was a comma before: so many write a thousand. `None` where it can only have been a decimal comma.
pub(crate) fn thousands(with_point: &str) -> Option<String> {
    let (head, tail) = with_point.split_once('.')?;
    let whole = head.trim_start_matches(['+', '-']);
    let digits = tail.chars().take_while(char::is_ascii_digit).count();
    let is_whole = digits == 3 && (1..=3).contains(&whole.len()) && !whole.starts_with('0');
    is_whole.then(|| format!("{head}{tail}"))
}

fn not_a_number(text: &str) -> QuantityError {
    let text = text.to_owned();
    let word = text.trim_start_matches(['+', '-', '.']).to_ascii_lowercase();
    if word.starts_with("nan") || word.starts_with("inf") {
        QuantityError::NotFinite { text }
    } else {
        QuantityError::NotANumber { text }
    }
}

/// How many bytes at the head of `text` make a number: sign, digits, point, exponent.
fn number_length(text: &str) -> usize {
    let bytes = text.as_bytes();
    let digits = |mut at: usize| {
        while bytes.get(at).is_some_and(u8::is_ascii_digit) {
            at += 1;
        }
        at
    };
    let sign = usize::from(matches!(bytes.first(), Some(b'+' | b'-')));
    let mut end = digits(sign);
    if bytes.get(end) == Some(&b'.') {
        end = digits(end + 1);
    }
    if matches!(bytes.get(end), Some(b'e' | b'E')) {
        let sign = usize::from(matches!(bytes.get(end + 1), Some(b'+' | b'-')));
        let exponent = digits(end + 1 + sign);
        if exponent > end + 1 + sign {
            end = exponent;
        }
    }
    end
}

fn known(
    unit: &str,
    number: &Number<'_>,
    units: &'static [&'static str],
    factor: impl Fn(&str) -> Option<f64>,
) -> Result<f64, QuantityError> {
    if unit.is_empty() {
        return Err(QuantityError::NoUnit { number: number.written.to_owned(), units });
    }
    factor(unit).ok_or_else(|| QuantityError::UnknownUnit { unit: unit.to_owned(), units })
}

fn strip_unit<'a>(rest: &'a str, unit: &str) -> Option<&'a str> {
    rest.strip_prefix(unit).filter(|after| !after.starts_with(|c: char| c.is_ascii_alphabetic() || c == '/'))
}

fn mass_factor(unit: &str) -> Option<f64> {
    match unit {
        "g" => Some(1.0),
        "kg" => Some(1000.0),
        "lb" => Some(POUND),
        "oz" => Some(OUNCE),
        _ => None,
    }
}

fn volume_factor(unit: &str) -> Option<f64> {
    match unit {
        "mL" | "ml" => Some(1.0),
        "L" | "l" => Some(1000.0),
        "fl oz" => Some(US_FLUID_OUNCE),
        "gal" => Some(US_GALLON),
        _ => None,
    }
}

fn finite(value: f64, text: &str) -> Result<f64, QuantityError> {
    if value.is_finite() { Ok(value) } else { Err(QuantityError::NotFinite { text: text.to_owned() }) }
}
