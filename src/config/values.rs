//! Single values: quantities, words, times, topics, pointers.

use super::problem::nearest;
use super::section::Value;
use super::tree::Content;
use crate::moment::Span;
use crate::units::{
    Flow, Fraction, Grams, GramsPerHour, Millilitres, QuantityError, parse_drying, parse_flow, parse_fraction,
    parse_mass, parse_span, parse_volume,
};
use crate::wire::Pointer;
use chrono::{NaiveDate, NaiveTime};

/// A limit above this share of the band is a forgotten `%`, not a limit.
const MOST_FRACTION: f64 = 2.0;
/// The longest topic of MQTT 5.0, section 1.5.4, in bytes.
const LONGEST_TOPIC: usize = 65_535;

impl Value<'_> {
    fn quantity<T>(&self, sort: &str, parse: fn(&str) -> Result<T, QuantityError>) -> Option<T> {
        let scalar = self.scalar()?;
        match parse(&scalar.text) {
            Ok(found) => Some(found),
            Err(_) if scalar.hidden() => {
                self.problem(format!("what {} stands for is no {sort}", Self::printed(scalar)), None);
                None
            }
            Err(error) => {
                self.problem(format!("{} is no {sort}: {error}", self.name), quantity_hint(&scalar.text, &error));
                None
            }
        }
    }

    fn above_zero(&self, above: bool, sort: &str) -> Option<()> {
        if !above {
            self.problem(format!("{} must be above 0: a {sort} of nothing or less cannot be", self.name), None);
        }
        above.then_some(())
    }

    /// A weight above 0.
    pub fn mass(&self) -> Option<Grams> {
        let mass = self.quantity("weight", parse_mass)?;
        self.above_zero(mass > Grams::ZERO, "weight")?;
        Some(mass)
    }

    /// A volume above 0.
    pub fn volume(&self) -> Option<Millilitres> {
        let volume = self.quantity("volume", parse_volume)?;
        self.above_zero(volume > Millilitres::ZERO, "volume")?;
        Some(volume)
    }

    /// A flow above 0.
    pub fn flow(&self) -> Option<Flow> {
        let flow = self.quantity("flow", parse_flow)?;
        self.above_zero(flow > Flow::ZERO, "flow")?;
        Some(flow)
    }

    /// A rate of drying above 0.
    pub fn drying(&self) -> Option<GramsPerHour> {
        let rate = self.quantity("rate of drying", parse_drying)?;
        self.above_zero(rate > GramsPerHour::ZERO, "rate of drying")?;
        Some(rate)
    }

    /// A time not below `least`.
    pub fn span(&self, least: Span) -> Option<Span> {
        let span = self.quantity("time", parse_span)?;
        if span >= least {
            return Some(span);
        }
        let wrong = if span < Span::ZERO {
            format!("{} is a negative time", self.name)
        } else {
            format!("{} must be at least {} s", self.name, least.as_seconds())
        };
        self.problem(wrong, None);
        None
    }

    /// A share of the band.
    pub fn fraction(&self) -> Option<Fraction> {
        let fraction = self.quantity("fraction", parse_fraction)?;
        if fraction < Fraction::ZERO {
            self.problem(format!("{} is {:.0} %, below 0", self.name, fraction.percent()), None);
            return None;
        }
        if fraction.get() <= MOST_FRACTION {
            return Some(fraction);
        }
        let scalar = self.scalar()?;
        let written = scalar.text.trim();
        let hint =
            if written.ends_with('%') || scalar.hidden() { None } else { Some(format!("Did you mean `{written}%`?")) };
        self.problem(format!("{} is {:.0} % of the band", self.name, fraction.percent()), hint);
        None
    }

    /// A number without a unit.
    pub fn number(&self) -> Option<f64> {
        let scalar = self.scalar()?;
        let text = scalar.text.trim();
        match text.parse::<f64>() {
            Ok(number) if number.is_finite() => return Some(number),
            Ok(_) => self.problem(format!("{} is not a finite number", self.name), None),
            Err(_) if scalar.hidden() => {
                self.problem(format!("what {} stands for is no number", Self::printed(scalar)), None);
            }
            Err(_) => {
                let head = text.trim_end_matches(|c: char| !c.is_ascii_digit());
                let hint = if head.parse::<f64>().is_ok() {
                    Some(format!("It has no unit: write `{head}`."))
                } else if text.replacen(',', ".", 1).parse::<f64>().is_ok() {
                    Some(comma_meant(&text.replacen(',', ".", 1)))
                } else {
                    None
                };
                self.problem(format!("{} must be a number, and `{text}` is none", self.name), hint);
            }
        }
        None
    }

    /// A whole number from `least` to `most`.
    pub fn whole(&self, least: u32, most: u32) -> Option<u32> {
        let scalar = self.scalar()?;
        let found = scalar.text.trim().parse::<u32>().ok().filter(|number| (least..=most).contains(number));
        if found.is_none() {
            let wrong = format!(
                "{} must be a whole number from {least} to {most}, and {} is none",
                self.name,
                Self::printed(scalar)
            );
            self.problem(wrong, None);
        }
        found
    }

    /// One of some words.
    pub fn word<T: Copy>(&self, words: &[(&'static str, T)]) -> Option<T> {
        let scalar = self.scalar()?;
        let text = scalar.text.trim();
        if let Some((_, found)) = words.iter().find(|(word, _)| *word == text) {
            return Some(*found);
        }
        let known: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
        let near = (!scalar.hidden()).then(|| synonym(text, &known).or_else(|| nearest(text, known.iter().copied())));
        let hint = match near.flatten() {
            Some(near) => format!("Did you mean `{near}`?"),
            None => format!("One of {}.", known.join(", ")),
        };
        self.problem(format!("{} cannot be {}", self.name, Self::printed(scalar)), hint);
        None
    }

    /// `true` or `false`.
    pub fn yes_or_no(&self) -> Option<bool> {
        self.word(&[("true", true), ("false", false)])
    }

    /// A date that there is: `2026-02-14`.
    pub fn date(&self) -> Option<NaiveDate> {
        let scalar = self.scalar()?;
        let text = scalar.text.trim();
        let shaped = text.len() == 10 && text.bytes().all(|b| b.is_ascii_digit() || b == b'-');
        let found = NaiveDate::parse_from_str(text, "%Y-%m-%d").ok().filter(|_| shaped);
        if found.is_none() {
            let wrong = if shaped { "is a date that there is not" } else { "is no date" };
            let hint = "Write year, month and day with two digits: `2026-02-14`.".to_owned();
            self.problem(format!("{} {wrong}: {}", self.name, Self::printed(scalar)), hint);
        }
        found
    }

    /// A time of the day: `07:00`.
    pub fn time(&self) -> Option<NaiveTime> {
        let scalar = self.scalar()?;
        let found = time_of_day(scalar.text.trim());
        if found.is_none() {
            let wrong = format!("{} is no time of the day: {}", self.name, Self::printed(scalar));
            self.problem(wrong, "Write hours and minutes, 00:00 to 23:59: `07:00`.".to_owned());
        }
        found
    }

    /// From one time of the day to another, over midnight too: `22:00-07:00`.
    pub fn hours(&self) -> Option<(NaiveTime, NaiveTime)> {
        let scalar = self.scalar()?;
        let ends = scalar.text.split_once(['-', '–']);
        let Some((from, to)) = ends.and_then(|(from, to)| Some((time_of_day(from.trim())?, time_of_day(to.trim())?)))
        else {
            let wrong =
                format!("{} must be from one time of the day to another, not {}", self.name, Self::printed(scalar));
            self.problem(wrong, "Write hours and minutes, 00:00 to 23:59: `22:00-07:00`.".to_owned());
            return None;
        };
        if from == to {
            let hint = "For all day leave the key out; for no time at all there is no need of it.".to_owned();
            self.problem(format!("{} begins and ends at the same time", self.name), hint);
            return None;
        }
        Some((from, to))
    }

    /// A topic to read or to write; never with a wildcard, never under `base`.
    pub fn topic(&self, base: Option<&str>) -> Option<String> {
        let scalar = self.scalar()?;
        let topic = scalar.text.as_str();
        let printed = Self::printed(scalar);
        if let Some(wildcard) = topic.chars().find(|c| matches!(c, '+' | '#')) {
            let wrong = format!("{printed} has the wildcard `{wildcard}` in it, and stands for many topics");
            self.problem(wrong, "Write out the one topic.".to_owned());
            return None;
        }
        if topic.chars().any(char::is_control) || topic.len() > LONGEST_TOPIC {
            self.problem(format!("{} is no topic: it has control characters or is too long", self.name), None);
            return None;
        }
        if let Some(base) = base.filter(|base| topic == *base || under(topic, base)) {
            let wrong = format!("{printed} lies under `{base}`, which belongs to tarewell alone");
            self.problem(wrong, "Give the device a topic outside of it, or change `base_topic`.".to_owned());
            return None;
        }
        Some(topic.to_owned())
    }

    /// A JSON Pointer (RFC 6901): empty, or tokens that each begin with `/`; `~` only as `~0` and `~1`.
    pub fn pointer(&self) -> Option<Pointer> {
        if matches!(&self.node.content, Content::Text(scalar) if scalar.text.is_empty()) {
            return Some(Pointer::default());
        }
        let scalar = self.scalar()?;
        let text = scalar.text.as_str();
        let Some(rest) = text.strip_prefix('/') else {
            let guess = text.trim_start_matches(['$', '.']).replace('.', "/");
            let wrong = format!("{} is no JSON Pointer: it must begin with `/`", Self::printed(scalar));
            self.problem(wrong, (!scalar.hidden()).then(|| format!("Did you mean `/{guess}`?")));
            return None;
        };
        let tokens: Option<Vec<String>> = rest.split('/').map(unescaped).collect();
        if tokens.is_none() {
            let wrong = format!(
                "{} is no JSON Pointer: a `~` must be written `~0`, a `/` in a name `~1`",
                Self::printed(scalar)
            );
            self.problem(wrong, None);
        }
        tokens.map(Pointer)
    }
}

fn under(topic: &str, base: &str) -> bool {
    topic.strip_prefix(base).is_some_and(|rest| rest.starts_with('/'))
}

fn unescaped(token: &str) -> Option<String> {
    let mut out = String::with_capacity(token.len());
    let mut letters = token.chars();
    while let Some(letter) = letters.next() {
        match letter {
            '~' => match letters.next()? {
                '0' => out.push('~'),
                '1' => out.push('/'),
                _ => return None,
            },
            other => out.push(other),
        }
    }
    Some(out)
}

fn time_of_day(text: &str) -> Option<NaiveTime> {
    let (hours, minutes) = text.split_once(':')?;
    let digits = |part: &str| part.bytes().all(|b| b.is_ascii_digit());
    let shaped = (1..=2).contains(&hours.len()) && minutes.len() == 2 && digits(hours) && digits(minutes);
    shaped.then(|| NaiveTime::from_hms_opt(hours.parse().ok()?, minutes.parse().ok()?, 0)).flatten()
}

/// Words that mean one of the known ones without looking like it.
fn synonym(text: &str, known: &[&'static str]) -> Option<&'static str> {
    let meant = match text.to_ascii_lowercase().as_str() {
        "imperial" | "american" => "us",
        "si" => "metric",
        "yes" | "on" => "true",
        "no" | "none" => "false",
        "gram" | "grams" => "g",
        "kilogram" | "kilograms" | "kilo" => "kg",
        "pound" | "pounds" | "lbs" | "#" => "lb",
        "ounce" | "ounces" => "oz",
        "raw" | "adc" => "counts",
        "manual" => "advise",
        "automatic" => "auto",
        "flood" | "ebb" => "bottom",
        "spray" | "mist" => "overhead",
        "wet" | "moist" => "moistened",
        "disabled" | "false" => "off",
        "yes, accepted" | "true" => "accepted",
        "info" => "notice",
        "error" => "critical",
        _ => return None,
    };
    known.iter().copied().find(|word| *word == meant)
}

fn quantity_hint(text: &str, error: &QuantityError) -> Option<String> {
    let QuantityError::UnknownUnit { unit, units } = error else { return None };
    let near = unit_meant(unit, units)?;
    let number = text.trim().strip_suffix(unit.as_str()).unwrap_or(text).trim();
    Some(if near == "%" { format!("Did you mean `{number}%`?") } else { format!("Did you mean `{number} {near}`?") })
}

fn unit_meant(unit: &str, units: &'static [&'static str]) -> Option<&'static str> {
    let one = |unit: &str| -> Option<&'static str> {
        Some(match unit.trim().to_ascii_lowercase().as_str() {
            "gr" | "gram" | "grams" | "gramme" | "grammes" => "g",
            "kgs" | "kilo" | "kilos" | "kilogram" | "kilograms" => "kg",
            "lbs" | "pound" | "pounds" => "lb",
            "ozs" | "ounce" | "ounces" => "oz",
            "mls" | "milliliter" | "milliliters" | "millilitre" | "millilitres" | "cc" => "mL",
            "liter" | "liters" | "litre" | "litres" | "ltr" | "lt" => "L",
            "floz" | "fl. oz" | "fl.oz." => "fl oz",
            "gallon" | "gallons" | "gals" => "gal",
            "sec" | "secs" | "second" | "seconds" => "s",
            "m" | "mins" | "minute" | "minutes" => "min",
            "hr" | "hrs" | "hour" | "hours" => "h",
            "day" | "days" => "d",
            "percent" | "pct" | "per cent" => "%",
            _ => return None,
        })
    };
    let written_out = |unit: &str| one(unit).map_or_else(|| unit.trim().to_owned(), str::to_owned);
    let spelled = match unit.replace(" per ", "/").split_once('/') {
        Some((above, below)) => format!("{}/{}", written_out(above), written_out(below)),
        None => match (unit.to_ascii_lowercase().as_str(), units.contains(&"L/h")) {
            ("lph", true) => "L/h".to_owned(),
            ("gph", true) => "gal/h".to_owned(),
            ("gpm", true) => "gal/min".to_owned(),
            ("lpm", true) => "L/min".to_owned(),
            _ => written_out(unit),
        },
    };
    let same = units.iter().copied().find(|known| known.eq_ignore_ascii_case(&spelled));
    same.or_else(|| nearest(unit, units.iter().copied().filter(|known| known.len() > 1)))
}

/// What a number with a comma may have been, given with a point in its place.
pub(super) fn comma_meant(with_point: &str) -> String {
    match crate::units::thousands(with_point) {
        Some(whole) => format!("Write `{whole}` if the comma parts thousands, `{with_point}` if it parts decimals."),
        None => format!("A decimal point is written as a point: `{with_point}`."),
    }
}
