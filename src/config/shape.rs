//! The words in which the table of keys is written: what kind of value a key takes.

/// What may stand behind a key.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Shape {
    /// Any text that is not empty.
    Text,
    /// One of these words.
    Words(&'static [&'static str]),
    /// A whole number.
    Whole,
    /// A number without a unit.
    Number,
    Mass,
    Volume,
    Flow,
    Drying,
    Span,
    Fraction,
    /// `2026-02-14`
    Date,
    /// `07:00`
    Time,
    /// `06:00-14:00`
    Hours,
    /// An MQTT topic without wildcards.
    Topic,
    /// A JSON Pointer.
    Pointer,
    /// The id of something else in the file, or one given up.
    Id,
    /// `127.0.0.1:8470`
    Listen,
    Url,
    Path,
    Secret,
    /// A payload with places to fill.
    Template,
    /// Known keys.
    Object(&'static Table),
    /// Any id with this behind it.
    ById(&'static Shape),
    /// Any name with this behind it.
    ByName(&'static Shape),
    List(&'static Shape),
    Either(&'static [Shape]),
}

/// One key of a map.
#[derive(Debug, PartialEq)]
pub(super) struct Key {
    pub name: &'static str,
    pub shape: Shape,
    /// One sentence for people, in the schema too.
    pub about: &'static str,
    /// What holds without it.
    pub default: Option<&'static str>,
    /// It must be there; and what would happen without it.
    pub needed: Option<&'static str>,
    /// Read and checked, but the part that uses it is not built yet.
    pub later: Option<&'static str>,
}

/// The keys that a map may have.
#[derive(Debug, PartialEq)]
pub(super) struct Table {
    /// Its name in the schema.
    pub name: &'static str,
    /// For a person: `a stand`.
    pub what: &'static str,
    pub keys: &'static [Key],
    /// One of these must be there.
    pub one_of: &'static [&'static str],
}

impl Table {
    pub fn key(&self, name: &str) -> Option<&'static Key> {
        self.keys.iter().find(|key| key.name == name)
    }
}

/// A key that may be left out.
pub(super) const fn key(name: &'static str, shape: Shape, about: &'static str) -> Key {
    Key { name, shape, about, default: None, needed: None, later: None }
}

impl Key {
    pub const fn default(mut self, default: &'static str) -> Self {
        self.default = Some(default);
        self
    }

    pub const fn needed(mut self, without: &'static str) -> Self {
        self.needed = Some(without);
        self
    }

    #[allow(dead_code, reason = "no key waits for its part at this moment; the next one that does says so with it")]
    pub const fn later(mut self, told: &'static str) -> Self {
        self.later = Some(told);
        self
    }
}

pub(super) const fn table(name: &'static str, what: &'static str, keys: &'static [Key]) -> Table {
    Table { name, what, keys, one_of: &[] }
}
