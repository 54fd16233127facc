//! `notify:`

use super::reader::Reader;
use super::section::{Section, Value};
use super::tree::Entry;
use super::{Phone, Secret, table};
use crate::alert::Severity;
use crate::moment::Span;

const SEVERITIES: &[(&str, Severity)] =
    &[("notice", Severity::Notice), ("warning", Severity::Warning), ("critical", Severity::Critical)];

pub(super) fn read(reader: &Reader<'_>, entries: &[Entry]) -> Vec<Phone> {
    let one = |entry: &Entry| {
        let what = format!("phone `{}`", entry.key);
        let section = Section::open(reader, &entry.value, &table::PHONE, &what, entry.key_place)?;
        phone(&section, &entry.key)
    };
    entries.iter().filter_map(one).collect()
}

fn phone(section: &Section<'_>, name: &str) -> Option<Phone> {
    let url = section.value("url").and_then(|value| value.web_url());
    let phone = Phone {
        name: name.to_owned(),
        url: Secret::new(""),
        headers: section.entries("headers").iter().filter_map(|entry| header(section, entry)).collect(),
        body: section.value("body").and_then(|value| body(&value)),
        least: section.value("least").and_then(|value| value.word(SEVERITIES)).unwrap_or(Severity::Notice),
        quiet: section.value("quiet").and_then(|value| value.hours()),
        digest: section.value("digest").and_then(|value| value.time()),
        repeat: section.value("repeat").and_then(|value| value.span(Span::minutes(1))),
        heartbeat: heartbeat(section),
    };
    Some(Phone { url: url?, ..phone })
}

fn heartbeat(section: &Section<'_>) -> Option<(Secret, Span)> {
    let section = section.section("heartbeat", &table::HEARTBEAT)?;
    let every = match section.value("every") {
        Some(value) => value.span(Span::seconds(10)),
        None => Some(Span::hours(1)),
    };
    let url = section.value("url").and_then(|value| value.web_url());
    Some((url?, every?))
}

/// Names are tokens, values visible text: RFC 9110, sections 5.1 and 5.5.
fn header(section: &Section<'_>, entry: &Entry) -> Option<(String, Secret)> {
    let token = |b: u8| b.is_ascii_alphanumeric() || b"!#$%&'*+-.^_`|~".contains(&b);
    let would = "no message could be sent".to_owned();
    let good = !entry.key.is_empty() && entry.key.bytes().all(token);
    if !good {
        let wrong = format!("`{}` is no name of a header", entry.key);
        section.reader.tell(entry.key_place, &entry.key, wrong, would.clone(), None);
    }
    let name = format!("header `{}`", entry.key);
    let value = Value { reader: section.reader, node: &entry.value, key_place: entry.key_place, name, would };
    let secret = value.secret()?;
    if secret.reveal().chars().any(char::is_control) {
        let hint = "A file's last line end may have come along.".to_owned();
        value.refuse_secret(format!("{} has a line end or another control character in it", value.name), hint);
        return None;
    }
    good.then(|| (entry.key.clone(), secret))
}

fn body(value: &Value<'_>) -> Option<String> {
    value.reader.hide(value.node);
    let text = value.text()?;
    let words = text.split('{').skip(1).filter_map(|piece| piece.split_once('}').map(|(inner, _)| inner));
    let is_word = |inner: &&str| !inner.is_empty() && inner.bytes().all(|b| b.is_ascii_alphabetic() || b == b'_');
    if let Some(wrong) = words.filter(is_word).find(|word| !matches!(*word, "title" | "text")) {
        let hint = "Known are {title} and {text}.".to_owned();
        value.refuse_secret(format!("`{{{wrong}}}` in {} is nothing that can be filled in", value.name), hint);
        return None;
    }
    if text.contains("\"{title}\"") || text.contains("\"{text}\"") {
        let hint = "Remove the quotes around it: {title} and {text} bring their own.".to_owned();
        value.refuse_secret(format!("{} would have two pairs of quotes around a text", value.name), hint);
        return None;
    }
    if !text.contains("{title}") && !text.contains("{text}") {
        value
            .reader
            .note(format!("{} has neither {{title}} nor {{text}}: every message will read the same", value.name));
    }
    Some(text.to_owned())
}
