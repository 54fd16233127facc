//! `${VAR}` in any value, replaced from the environment after parsing.

use super::problem::Place;
use super::reader::Reader;
use super::tree::{Content, Node};

/// Replaces every `${VAR}` below `node`; one that cannot be replaced is told, and its value is broken.
pub(super) fn expand(node: &mut Node, reader: &Reader<'_>) {
    match &mut node.content {
        Content::List(items) => items.iter_mut().for_each(|item| expand(item, reader)),
        Content::Map(entries) => entries.iter_mut().for_each(|entry| expand(&mut entry.value, reader)),
        Content::Text(scalar) if scalar.raw.contains("${") => match replaced(&scalar.raw, node.place, reader) {
            Some(text) => scalar.text = text,
            None => node.content = Content::Broken,
        },
        Content::Text(_) | Content::Nothing | Content::Broken => {}
    }
}

fn replaced(raw: &str, place: Place, reader: &Reader<'_>) -> Option<String> {
    let mut text = String::with_capacity(raw.len());
    let mut rest = raw;
    let mut whole = true;
    while let Some((before, after)) = rest.split_once("${") {
        text.push_str(before);
        let Some((name, after)) = after.split_once('}') else {
            tell(reader, place, "${", "`${` is never closed with `}`".to_owned(), None);
            return None;
        };
        match variable(name, reader) {
            Ok(value) => text.push_str(&value),
            Err((wrong, hint)) => {
                tell(reader, place, &format!("${{{name}}}"), wrong, Some(hint));
                whole = false;
            }
        }
        rest = after;
    }
    text.push_str(rest);
    whole.then_some(text)
}

fn variable(name: &str, reader: &Reader<'_>) -> Result<String, (String, String)> {
    let good = |c: char| c.is_ascii_alphanumeric() || c == '_';
    if name.is_empty() || !name.chars().all(good) || name.starts_with(|c: char| c.is_ascii_digit()) {
        let wrong = format!("`${{{name}}}` is not the name of an environment variable");
        return Err((wrong, "Write ${NAME}, of letters, digits and `_` alone.".to_owned()));
    }
    (reader.around.environment)(name).ok_or_else(|| {
        let wrong = format!("`${{{name}}}` is not set in the environment");
        (wrong, format!("Set {name} before tarewell starts, such as in the unit file or the shell."))
    })
}

/// Shows the variable alone: the rest of such a value may be part of a secret that was written out.
fn tell(reader: &Reader<'_>, place: Place, variable: &str, wrong: String, hint: Option<String>) {
    reader.tell(place, variable, wrong, "this value could not be known".to_owned(), hint);
}
