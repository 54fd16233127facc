//! A map of known keys, read by its table; and one value, read as what its key says it is.

use super::problem::{Place, nearest};
use super::reader::Reader;
use super::shape::{Key, Shape, Table};
use super::table;
use super::tree::{Content, Entry, Node, Scalar};

/// A map whose keys a table knows.
pub(super) struct Section<'a> {
    pub reader: &'a Reader<'a>,
    pub place: Place,
    /// For a person: ``flat `leek-3` ``.
    pub what: String,
    table: &'static Table,
    entries: &'a [Entry],
}

impl<'a> Section<'a> {
    /// Takes a node for such a map, telling of unknown and missing keys; `None` when it is none at all.
    pub fn open(reader: &'a Reader<'a>, node: &'a Node, table: &'static Table, what: &str, at: Place) -> Option<Self> {
        let entries: &[Entry] = match &node.content {
            Content::Map(entries) => entries,
            Content::Nothing => &[],
            Content::Broken => return None,
            Content::Text(_) | Content::List(_) => {
                if table.keys.iter().any(|key| hides(&key.shape)) {
                    reader.hide(node);
                }
                let names: Vec<&str> = table.keys.iter().map(|key| key.name).collect();
                reader.tell(
                    node.place,
                    shown(node),
                    format!("{what} takes keys with values, not {}", kind(node)),
                    "nothing of it could be read".to_owned(),
                    Some(format!("Known keys: {}.", names.join(", "))),
                );
                return None;
            }
        };
        let section = Self { reader, place: at, what: what.to_owned(), table, entries };
        section.look_over();
        Some(section)
    }

    fn look_over(&self) {
        for entry in self.entries {
            match self.table.key(&entry.key) {
                None => self.unknown(entry),
                Some(Key { later: Some(told), name, .. }) if shown(&entry.value) != "false" => {
                    self.reader.later(name, told, entry.key_place.line);
                }
                Some(_) => {}
            }
        }
        for key in self.table.keys {
            if let Some(without) = key.needed.filter(|_| !self.has(key.name)) {
                self.missing(&format!("`{}`", key.name), without, &format!("Add `{}:`.", key.name));
            }
        }
        if !self.table.one_of.is_empty() && !self.table.one_of.iter().any(|name| self.has(name)) {
            let names: Vec<String> = self.table.one_of.iter().map(|name| format!("`{name}`")).collect();
            let add = format!("Add `{}:`.", self.table.one_of.first().copied().unwrap_or_default());
            self.missing(&names.join(" or "), "nothing could be read", &add);
        }
    }

    fn unknown(&self, entry: &Entry) {
        let much = self.reader.told_much();
        let near = if much { None } else { nearest(&entry.key, self.table.keys.iter().map(|key| key.name)) };
        if much || sounds_secret(&entry.key) {
            self.reader.hide(&entry.value);
        }
        let hint = match near {
            Some(near) if self.has(near) => format!("Did you mean `{near}`? It is there already."),
            Some(near) => format!("Did you mean `{near}`?"),
            None => self.elsewhere(&entry.key),
        };
        self.reader.tell(
            entry.key_place,
            &entry.key,
            format!("`{}` is no key of {}", entry.key, self.what),
            "it would be ignored".to_owned(),
            Some(hint),
        );
    }

    fn elsewhere(&self, name: &str) -> String {
        let owners = table::ALL.iter().filter(|other| other.key(name).is_some());
        let owners: Vec<&str> = owners.map(|other| other.what).collect();
        if owners.is_empty() {
            let names: Vec<&str> = self.table.keys.iter().map(|key| key.name).collect();
            format!("Known keys: {}.", names.join(", "))
        } else {
            format!("`{name}` is a key of {}.", owners.join(", "))
        }
    }

    fn missing(&self, names: &str, without: &str, add: &str) {
        self.reader.tell(
            self.place,
            "",
            format!("{} has no {names}", self.what),
            without.to_owned(),
            Some(add.to_owned()),
        );
    }

    /// Whether the key is written, with whatever behind it.
    pub fn has(&self, name: &str) -> bool {
        self.entry(name).is_some()
    }

    fn entry(&self, name: &str) -> Option<&'a Entry> {
        debug_assert!(self.table.key(name).is_some(), "{name} is not in the table of {}", self.table.what);
        self.entries.iter().find(|entry| entry.key == name)
    }

    /// The value of a key, if it is there.
    pub fn value(&self, name: &'static str) -> Option<Value<'a>> {
        let entry = self.entry(name)?;
        let default = self.table.key(name).and_then(|key| key.default);
        let would = match default {
            Some(default) => format!("{} would go on with the default, {default}", self.what),
            None => format!("{} would go on without `{name}`", self.what),
        };
        Some(Value {
            reader: self.reader,
            node: &entry.value,
            key_place: entry.key_place,
            name: format!("`{name}` of {}", self.what),
            would,
        })
    }

    /// The map of known keys behind a key.
    pub fn section(&self, name: &'static str, table: &'static Table) -> Option<Section<'a>> {
        let entry = self.entry(name)?;
        let what =
            if self.what == table::FILE.what { format!("`{name}`") } else { format!("`{name}` of {}", self.what) };
        Section::open(self.reader, &entry.value, table, &what, entry.key_place)
    }

    /// The entries behind a key that takes any id or name; empty when it is not there or no map.
    pub fn entries(&self, name: &'static str) -> &'a [Entry] {
        let Some(entry) = self.entry(name) else { return &[] };
        match &entry.value.content {
            Content::Map(entries) => entries,
            Content::Nothing | Content::Broken => &[],
            Content::Text(_) | Content::List(_) => {
                if self.table.key(name).is_some_and(|key| hides(&key.shape)) {
                    self.reader.hide(&entry.value);
                }
                self.reader.tell(
                    entry.value.place,
                    shown(&entry.value),
                    format!("`{name}` takes names with something behind each, not {}", kind(&entry.value)),
                    "none of it could be read".to_owned(),
                    Some(format!("Write `{name}:` and below it, indented, `some-name:` for each.")),
                );
                &[]
            }
        }
    }

    /// Whether a key of many entries is left out, or has none.
    pub fn is_empty(&self, name: &'static str) -> bool {
        self.entry(name).is_none_or(|entry| match &entry.value.content {
            Content::Map(entries) => entries.is_empty(),
            content => matches!(content, Content::Nothing),
        })
    }

    /// The entries behind a key, without a word when there is no map.
    pub fn entries_quietly(&self, name: &'static str) -> &'a [Entry] {
        match self.entry(name).map(|entry| &entry.value.content) {
            Some(Content::Map(entries)) => entries,
            _ => &[],
        }
    }

    /// The items behind a key that takes a list; empty when it is not there or no list.
    pub fn items(&self, name: &'static str) -> &'a [Node] {
        let Some(entry) = self.entry(name) else { return &[] };
        match &entry.value.content {
            Content::List(items) => items,
            Content::Nothing | Content::Broken => &[],
            Content::Text(_) | Content::Map(_) => {
                self.reader.tell(
                    entry.value.place,
                    shown(&entry.value),
                    format!("`{name}` of {} takes a list, not {}", self.what, kind(&entry.value)),
                    "none of it could be read".to_owned(),
                    Some("Begin each item with `- `, or write [ ] around them.".to_owned()),
                );
                &[]
            }
        }
    }

    /// Tells of something wrong with a key of this section.
    pub fn problem(&self, name: &'static str, wrong: String, would: &str, hint: impl Into<Option<String>>) {
        let entry = self.entry(name);
        let place = entry.map_or(self.place, |entry| entry.key_place);
        self.reader.tell(place, entry.map_or("", |entry| &entry.key), wrong, would.to_owned(), hint.into());
    }
}

/// Whether an unknown key may be a mistyped or misplaced one that holds a secret.
fn sounds_secret(name: &str) -> bool {
    let keys = table::ALL.iter().flat_map(|table| table.keys);
    let likely = nearest(name, keys.clone().map(|key| key.name));
    super::reader::may_hold_secret(name) || keys.clone().any(|key| Some(key.name) == likely && hides(&key.shape))
}

/// Whether what stands behind such a key must not be printed.
fn hides(shape: &Shape) -> bool {
    match shape {
        Shape::Secret | Shape::Url => true,
        Shape::ByName(inner) => hides(inner),
        Shape::Either(shapes) => shapes.iter().any(hides),
        _ => false,
    }
}

/// One value with what to say about it.
pub(super) struct Value<'a> {
    pub reader: &'a Reader<'a>,
    pub node: &'a Node,
    pub key_place: Place,
    /// For a person: `` `tare` of fill `x` ``.
    pub name: String,
    /// What a wrong one would do.
    pub would: String,
}

impl<'a> Value<'a> {
    /// Tells what is wrong with it.
    pub fn problem(&self, wrong: String, hint: impl Into<Option<String>>) {
        let place = if matches!(self.node.content, Content::Nothing) { self.key_place } else { self.node.place };
        self.reader.tell(place, shown(self.node), wrong, self.would.clone(), hint.into());
    }

    /// The scalar, if it is one.
    pub fn scalar(&self) -> Option<&'a Scalar> {
        match &self.node.content {
            Content::Text(scalar) if scalar.text.trim().is_empty() => {
                self.problem(format!("{} is empty", self.name), "Write a value, or remove the key.".to_owned());
                None
            }
            Content::Text(scalar) => Some(scalar),
            Content::Broken => None,
            Content::Nothing => {
                let hint = "Write a value, or remove the key.".to_owned();
                self.problem(format!("nothing is written behind {}", self.name), hint);
                None
            }
            Content::List(_) | Content::Map(_) => {
                let wrong = format!("{} takes one value, not {}", self.name, kind(self.node));
                self.problem(wrong, "Quote text that has braces or brackets in it: '{…}'.".to_owned());
                None
            }
        }
    }

    /// The text of the scalar.
    pub fn text(&self) -> Option<&'a str> {
        self.scalar().map(|scalar| scalar.text.as_str())
    }

    /// How the text may be printed: what came from the environment may not.
    pub fn printed(scalar: &Scalar) -> String {
        format!("`{}`", scalar.raw)
    }
}

/// What a node is, for a person.
pub(super) fn kind(node: &Node) -> &'static str {
    match node.content {
        Content::List(_) => "a list",
        Content::Map(_) => "a map",
        Content::Text(_) => "a single value",
        Content::Nothing | Content::Broken => "nothing",
    }
}

/// The text of a node as it stands in the file; nothing for lists and maps.
pub(super) fn shown(node: &Node) -> &str {
    match &node.content {
        Content::Text(scalar) => &scalar.raw,
        _ => "",
    }
}
