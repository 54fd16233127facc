//! The words of one message, about one alert or several.

use crate::alert::{Kind, Severity};
use std::fmt::Write;

/// More than this many are counted, not told one by one.
const MOST: usize = 30;

/// What somebody reads.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Letter {
    /// One line.
    pub title: String,
    /// What a person can act on.
    pub text: String,
    /// Of the gravest part.
    pub severity: Severity,
}

/// One alert in a letter.
#[derive(Debug, Clone)]
pub struct Part {
    pub kind: Kind,
    pub severity: Severity,
    pub raised: bool,
    /// It was told before and is still raised.
    pub again: bool,
    pub title: String,
    pub text: String,
}

impl Letter {
    /// One letter of all parts, the gravest first; `None` without any.
    pub fn of(mut parts: Vec<Part>) -> Option<Self> {
        parts.sort_by_key(|part| (!part.raised, std::cmp::Reverse(part.severity), part.again));
        let severity = parts.iter().map(|part| part.severity).max()?;
        let (title, text) = match parts.as_slice() {
            [only] => (only.line(), only.text.clone()),
            _ => (count(&parts), list(&parts)),
        };
        Some(Self { title, text, severity })
    }
}

impl Part {
    fn line(&self) -> String {
        match (self.raised, self.again) {
            (false, _) => format!("Over: {}", self.title),
            (true, true) => format!("Still: {}", self.title),
            (true, false) => self.title.clone(),
        }
    }
}

/// `Dry (3), leak; over: stand-silent`.
fn count(parts: &[Part]) -> String {
    let kinds = |raised: bool| {
        let mut counted: Vec<(Kind, usize)> = Vec::new();
        for part in parts.iter().filter(|part| part.raised == raised) {
            match counted.iter_mut().find(|(kind, _)| *kind == part.kind) {
                Some((_, n)) => *n += 1,
                None => counted.push((part.kind, 1)),
            }
        }
        let named = |&(kind, n): &(Kind, usize)| match n {
            1 => kind.name().to_owned(),
            n => format!("{} ({n})", kind.name()),
        };
        counted.iter().map(named).collect::<Vec<_>>().join(", ")
    };
    let (raised, over) = (kinds(true), kinds(false));
    match (raised.is_empty(), over.is_empty()) {
        (_, true) => capital(&raised),
        (true, _) => format!("Over: {over}"),
        _ => format!("{}; over: {over}", capital(&raised)),
    }
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map(|first| first.to_uppercase().chain(letters).collect()).unwrap_or_default()
}

fn list(parts: &[Part]) -> String {
    let mut text = String::new();
    for part in parts.iter().take(MOST) {
        let _ = write!(text, "{}\n{}\n\n", part.line(), part.text);
    }
    if parts.len() > MOST {
        let _ = write!(text, "… and {} more.", parts.len() - MOST);
    }
    text.trim_end().to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn part(kind: Kind, severity: Severity, raised: bool, title: &str) -> Part {
        Part { kind, severity, raised, again: false, title: title.into(), text: format!("{title}, text.") }
    }

    #[test]
    fn one_alert_is_told_in_its_own_words() {
        let dry = part(Kind::Dry, Severity::Warning, true, "Leeks are dry");
        let letter = Letter::of(vec![dry.clone()]).unwrap();
        assert_eq!((letter.title.as_str(), letter.text.as_str()), ("Leeks are dry", "Leeks are dry, text."));
        assert_eq!(Letter::of(vec![Part { again: true, ..dry }]).unwrap().title, "Still: Leeks are dry");
        assert_eq!(Letter::of(vec![]), None);
    }

    #[test]
    fn several_are_counted_in_the_title_and_listed_gravest_first() {
        let letter = Letter::of(vec![
            part(Kind::StandSilent, Severity::Warning, false, "South 2 is heard again"),
            part(Kind::Dry, Severity::Warning, true, "Leeks are dry"),
            part(Kind::Dry, Severity::Critical, true, "Beets are very dry"),
            part(Kind::Leak, Severity::Warning, true, "Chard leaks"),
        ])
        .unwrap();
        assert_eq!(letter.title, "Dry (2), leak; over: stand-silent");
        assert!(letter.text.starts_with("Beets are very dry\nBeets are very dry, text.\n\nLeeks"), "{}", letter.text);
        assert!(letter.text.ends_with("South 2 is heard again, text."), "{}", letter.text);
        assert_eq!(letter.severity, Severity::Critical);
    }

    #[test]
    fn very_many_are_not_told_one_by_one() {
        let many: Vec<_> =
            (0..200).map(|n| part(Kind::Dry, Severity::Warning, true, &format!("Flat {n} is dry"))).collect();
        let letter = Letter::of(many).unwrap();
        assert_eq!(letter.title, "Dry (200)");
        assert!(letter.text.ends_with("… and 170 more.") && letter.text.len() < 4000, "{}", letter.text);
    }
}
