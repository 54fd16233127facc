//! Valves: orders → what to publish; what devices, wet floors and tanks say → the engine's words.

use super::reading::{self, Unit};
use super::wiring::{Binding, Pointer, Role, ValveWiring, Wiring};
use crate::site::{Input, Unreadable, ValveOrder};
use crate::units::Millilitres;

/// One message to a valve's device.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OrderMessage {
    /// Where.
    pub topic: String,
    /// What.
    pub payload: String,
}

impl ValveWiring {
    /// What to publish for an order, in this order: what has to go before opening, then the order itself.
    #[must_use]
    pub fn messages(&self, order: ValveOrder) -> Vec<OrderMessage> {
        let message = |topic: &str, payload: String| OrderMessage { topic: topic.to_owned(), payload };
        match order {
            ValveOrder::Close => vec![message(&self.topic, self.close.clone())],
            ValveOrder::Open { seconds } => {
                let before =
                    self.before_open.as_ref().map(|(topic, template)| message(topic, filled(template, seconds)));
                before.into_iter().chain([message(&self.topic, filled(&self.open, seconds))]).collect()
            }
        }
    }

    /// Whether what is published there is for this valve.
    #[must_use]
    pub fn is_ordered_on(&self, topic: &str) -> bool {
        self.topic == topic || self.before_open.as_ref().is_some_and(|(before, _)| before == topic)
    }

    /// The topics on which this valve is ordered.
    pub fn order_topics(&self) -> impl Iterator<Item = &str> {
        let before = self.before_open.as_ref().map(|(topic, _)| topic.as_str());
        std::iter::once(self.topic.as_str()).chain(before)
    }

    /// Whether this could be an order to this valve, as this program gives them on this topic.
    fn gives(&self, topic: &str, payload: &str) -> bool {
        let before = self.before_open.as_ref().is_some_and(|(at, template)| at == topic && fits(template, payload));
        before || (self.topic == topic && (payload == self.close || fits(&self.open, payload)))
    }
}

/// What a message on the command topic of a valve is, seen on the connection that the valve has for itself, where our own orders to
/// it do not come back.
///
/// `None` for an empty one, which clears the topic, and for what is an order to another valve of this site: two outlets of one
/// device may share a topic.
#[must_use]
pub fn foreign_order(valves: &[ValveWiring], valve: usize, payload: &[u8], retained: bool) -> Option<Input> {
    let own = valves.get(valve)?;
    if payload.is_empty() {
        return None;
    }
    let closes = payload == own.close.as_bytes();
    let text = std::str::from_utf8(payload).unwrap_or_default();
    let of_another = |(at, other): (usize, &ValveWiring)| at != valve && other.gives(&own.topic, text);
    if !own.gives(&own.topic, text) && valves.iter().enumerate().any(of_another) {
        return None;
    }
    Some(Input::ForeignOrder { valve, closes, retained })
}

/// What the topics of valves and supplies are, to be subscribed to.
pub(super) fn bindings(wiring: &Wiring) -> impl Iterator<Item = Binding> + '_ {
    let binding =
        |topic: &String, value: &Option<Pointer>, role| Binding { topic: topic.clone(), value: value.clone(), role };
    let reports = wiring.valves.iter().enumerate().filter_map(move |(valve, wiring)| {
        let (topic, value, open, closed) = wiring.report.as_ref()?;
        Some(binding(topic, value, Role::Report { valve, open: open.clone(), closed: closed.clone() }))
    });
    let holds =
        wiring.valves.iter().enumerate().flat_map(move |(valve, wiring)| {
            wiring.never_while.iter().enumerate().map(move |(which, (topic, value, is))| {
                binding(topic, value, Role::Hold { valve, which, is: is.clone() })
            })
        });
    let levels = wiring.levels.iter().enumerate().filter_map(move |(supply, level)| {
        let (topic, value, unit) = level.as_ref()?;
        Some(binding(topic, value, Role::Level { supply, unit: *unit }))
    });
    reports.chain(holds).chain(levels)
}

/// Whether a valve reports open.
pub(super) fn report(payload: &[u8], at: Option<&Pointer>, open: &str, closed: &str) -> Result<bool, Unreadable> {
    let said = reading::word(payload, at)?;
    if said.is(open) {
        Ok(true)
    } else if said.is(closed) {
        Ok(false)
    } else {
        Err(Unreadable::Garbled(format!("`{said}` is neither `{open}` nor `{closed}`")))
    }
}

/// Whether a topic says what holds a valve.
pub(super) fn hold(payload: &[u8], at: Option<&Pointer>, is: &str) -> Result<bool, Unreadable> {
    reading::word(payload, at).map(|said| said.is(is))
}

/// What is left in a supply; a sensor that reads a little below nothing has nothing to say but that.
pub(super) fn level(payload: &[u8], at: Option<&Pointer>, unit: Millilitres) -> Result<Millilitres, Unreadable> {
    let value = reading::number(payload, at, Unit::Plain)?;
    let left = (value * unit.get()).max(0.0);
    if left.is_finite() {
        Ok(Millilitres::new(left))
    } else {
        Err(Unreadable::Garbled("the number is beyond any supply".to_owned()))
    }
}

// ---- templates

/// What is made of the seconds in a template.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Sum {
    Times(u64),
    Plus(u64),
}

/// Whether this, found in braces, is where the run time goes: `seconds`, `seconds*10`, `seconds+100`.
#[must_use]
pub fn takes_seconds(inner: &str) -> bool {
    sum(inner).is_some()
}

fn sum(inner: &str) -> Option<Sum> {
    const MOST: u64 = 1_000_000;
    let rest = inner.strip_prefix("seconds")?;
    if rest.is_empty() {
        return Some(Sum::Times(1));
    }
    let (sign, digits) = rest.split_at_checked(1)?;
    // A sign of its own would be read too.
    let plain = digits.bytes().all(|byte| byte.is_ascii_digit());
    let number = digits.parse().ok().filter(|number| plain && *number <= MOST)?;
    match sign {
        "*" if number > 0 => Some(Sum::Times(number)),
        "+" => Some(Sum::Plus(number)),
        _ => None,
    }
}

/// A piece of a template.
enum Piece<'t> {
    Text(&'t str),
    Seconds(Sum),
}

/// The pieces of a template, in order. Braces around anything else are text, as in JSON.
fn pieces(template: &str) -> impl Iterator<Item = Piece<'_>> {
    let mut rest = template;
    std::iter::from_fn(move || {
        if rest.is_empty() {
            return None;
        }
        let place = |text: &str| {
            let (inner, _) = text.strip_prefix('{')?.split_once('}')?;
            Some((sum(inner)?, inner.len() + 2))
        };
        if let Some((sum, length)) = place(rest) {
            rest = rest.get(length..).unwrap_or_default();
            return Some(Piece::Seconds(sum));
        }
        let next = rest.match_indices('{').map(|(at, _)| at).find(|at| rest.get(*at..).and_then(place).is_some());
        let (text, after) = rest.split_at_checked(next.unwrap_or(rest.len()))?;
        rest = after;
        Some(Piece::Text(text))
    })
}

/// A template with the run time put in.
fn filled(template: &str, seconds: u32) -> String {
    let seconds = u64::from(seconds);
    let mut out = String::with_capacity(template.len() + 8);
    for piece in pieces(template) {
        match piece {
            Piece::Text(text) => out.push_str(text),
            Piece::Seconds(Sum::Times(by)) => out.push_str(&seconds.saturating_mul(by).to_string()),
            Piece::Seconds(Sum::Plus(more)) => out.push_str(&seconds.saturating_add(more).to_string()),
        }
    }
    out
}

/// Whether a payload could come of a template, with any run time.
fn fits(template: &str, payload: &str) -> bool {
    let mut rest = payload;
    for piece in pieces(template) {
        let after = match piece {
            Piece::Text(text) => rest.strip_prefix(text),
            Piece::Seconds(_) => {
                let after = rest.trim_start_matches(|c: char| c.is_ascii_digit());
                (after.len() < rest.len()).then_some(after)
            }
        };
        match after {
            Some(after) => rest = after,
            None => return false,
        }
    }
    rest.is_empty()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_run_time_goes_where_it_belongs() {
        for (template, expected) in [
            ("ON", "ON"),
            ("{seconds}", "72"),
            (r#"{"state":"ON","on_time":{seconds}}"#, r#"{"state":"ON","on_time":72}"#),
            ("{seconds*10}/{seconds+100}", "720/172"),
            ("{{seconds}}", "{72}"),
            ("{seconds*0} {seconds-1} {second} {", "{seconds*0} {seconds-1} {second} {"),
            ("{seconds*+1}{seconds+}", "{seconds*+1}{seconds+}"),
            ("ü{seconds}ü", "ü72ü"),
        ] {
            assert_eq!(filled(template, 72), expected, "{template}");
            assert!(fits(template, expected), "{template}");
        }
        assert_eq!(filled("{seconds*1000000}", u32::MAX), "4294967295000000");
        assert!(!fits("{seconds}", "") && !fits("on {seconds}", "on x") && !fits("on", "on "));
    }
}
