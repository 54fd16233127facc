//! The JSON Schema (draft 2020-12) of the file, made from the same tables that the readers go by.

use super::shape::{Key, Shape, Table};
use super::table;
use serde_json::{Map, Value, json};

const NUMBER: &str = r"[-+]?(\d+(\.\d*)?|\.\d+)([eE][-+]?\d+)?";
const ID: &str = "^[a-z0-9][a-z0-9-]{0,62}$";

/// The schema as a JSON document.
#[must_use]
pub fn schema() -> Value {
    let mut definitions = Map::new();
    for table in table::ALL.iter().filter(|table| table.name != table::FILE.name) {
        definitions.insert(table.name.to_owned(), object(table));
    }
    for (name, scalar) in scalars() {
        definitions.insert(name.to_owned(), scalar);
    }
    let mut root = object(&table::FILE);
    if let Value::Object(root) = &mut root {
        root.insert("$schema".to_owned(), json!("https://json-schema.org/draft/2020-12/schema"));
        root.insert("title".to_owned(), json!("Configuration of tarewell"));
        root.insert("description".to_owned(), json!("What is watched and watered, and who is told."));
        root.insert("$defs".to_owned(), Value::Object(definitions));
    }
    root
}

fn object(table: &Table) -> Value {
    let properties: Map<String, Value> = table.keys.iter().map(|key| (key.name.to_owned(), property(key))).collect();
    let required: Vec<&str> = table.keys.iter().filter(|key| key.needed.is_some()).map(|key| key.name).collect();
    let mut out = json!({ "type": ["object", "null"], "properties": properties, "additionalProperties": false });
    if let Value::Object(map) = &mut out {
        if !required.is_empty() {
            map.insert("type".to_owned(), json!("object"));
            map.insert("required".to_owned(), json!(required));
        }
        if !table.one_of.is_empty() {
            map.insert("type".to_owned(), json!("object"));
            let any: Vec<Value> = table.one_of.iter().map(|name| json!({ "required": [name] })).collect();
            map.insert("anyOf".to_owned(), json!(any));
        }
    }
    out
}

fn property(key: &Key) -> Value {
    let mut about = key.about.to_owned();
    if let Some(default) = key.default {
        about = format!("{about} Default: {default}.");
    }
    let mut out = shape(&key.shape);
    if let Value::Object(map) = &mut out {
        map.insert("description".to_owned(), json!(about));
    }
    out
}

fn shape(shape: &Shape) -> Value {
    let named = |name: &str| json!({ "$ref": format!("#/$defs/{name}") });
    match shape {
        Shape::Words(words) => self::words(words),
        Shape::Text | Shape::Template | Shape::Path => named("text"),
        Shape::Whole => named("whole-number"),
        Shape::Number => named("number"),
        Shape::Mass => named("mass"),
        Shape::Volume => named("volume"),
        Shape::Flow => named("flow"),
        Shape::Drying => named("drying"),
        Shape::Span => named("time-span"),
        Shape::Fraction => named("fraction"),
        Shape::Date => named("date"),
        Shape::Time => named("time-of-day"),
        Shape::Hours => named("hours"),
        Shape::Topic => named("topic"),
        Shape::Pointer => named("json-pointer"),
        Shape::Id => named("id"),
        Shape::Listen => named("listen"),
        Shape::Url => named("url"),
        Shape::Secret => named("secret"),
        Shape::Object(table) => named(table.name),
        Shape::ById(inner) => json!({
            "type": ["object", "null"],
            "propertyNames": { "pattern": ID },
            "additionalProperties": self::shape(inner),
        }),
        Shape::ByName(inner) => json!({ "type": ["object", "null"], "additionalProperties": self::shape(inner) }),
        Shape::List(inner) => json!({ "type": "array", "items": self::shape(inner) }),
        Shape::Either(shapes) => {
            let any: Vec<Value> = shapes.iter().map(self::shape).collect();
            json!({ "anyOf": any })
        }
    }
}

/// Words as an editor's own YAML reader may see them: `true` may be a boolean, `off` too.
fn words(words: &[&str]) -> Value {
    let mut all: Vec<Value> = words.iter().map(|word| json!(word)).collect();
    for (word, boolean) in [("true", true), ("false", false), ("off", false)] {
        if words.contains(&word) && !all.contains(&json!(boolean)) {
            all.push(json!(boolean));
        }
    }
    json!({ "anyOf": [{ "enum": all }, { "$ref": "#/$defs/from-environment" }] })
}

/// Values of one kind; `${VAR}` may stand in any.
fn scalars() -> Vec<(&'static str, Value)> {
    let quantity = |units: &str, examples: &[&str]| {
        json!({
            "type": "string",
            "pattern": format!(r"^\s*{NUMBER}\s*({units})\s*$|\$\{{"),
            "examples": examples,
        })
    };
    let text = |pattern: &str, examples: &[&str]| json!({ "type": "string", "pattern": pattern, "examples": examples });
    let pounds = format!(r"g|kg|lb|oz|lb\s*{NUMBER}\s*oz");
    let number_or_text = |pattern: &str| json!({ "type": ["number", "string"], "pattern": pattern });
    vec![
        ("from-environment", json!({ "type": "string", "pattern": r"\$\{" })),
        ("text", json!({ "type": ["string", "number", "boolean"], "minLength": 1 })),
        ("secret", json!({ "type": ["string", "number", "boolean"], "minLength": 1 })),
        ("whole-number", json!({ "type": ["integer", "string"], "minimum": 0, "pattern": r"^\d+$|\$\{" })),
        ("number", number_or_text(&format!(r"^{NUMBER}$|\$\{{"))),
        ("fraction", number_or_text(&format!(r"^\s*{NUMBER}\s*%?\s*$|\$\{{"))),
        ("mass", quantity(&pounds, &["2900 g", "2.9 kg", "6 lb 5 oz"])),
        ("volume", quantity(r"m[lL]|[lL]|fl oz|gal", &["180 mL", "3 L"])),
        ("flow", quantity(r"(m[lL]|[lL]|fl oz|gal)\s*/\s*(min|h)", &["2 L/h", "40 mL/min"])),
        ("drying", quantity(r"(g|kg|lb|oz)\s*/\s*h", &["180 g/h"])),
        ("time-span", quantity("s|min|h|d", &["10 min", "72 h"])),
        ("date", text(r"^\d{4}-\d{2}-\d{2}$|\$\{", &["2026-02-14"])),
        ("time-of-day", text(r"^([01]?\d|2[0-3]):[0-5]\d$|\$\{", &["07:00"])),
        ("hours", text(r"^([01]?\d|2[0-3]):[0-5]\d\s*[-–]\s*([01]?\d|2[0-3]):[0-5]\d$|\$\{", &["06:00-14:00"])),
        ("topic", text(r"^[^+#]+$", &["glass/bench/weight"])),
        ("json-pointer", text(r"^(/([^/~]|~[01])*)*$|\$\{", &["/weight"])),
        ("id", text(r"^[a-z0-9][a-z0-9-]{0,62}$|\$\{", &["bench-1"])),
        ("listen", text(r"^(\[[0-9A-Fa-f:.]+\]|[0-9.]+|localhost):\d{1,5}$|\$\{", &["127.0.0.1:8470"])),
        ("url", text(r"^(https?|mqtts?)://|\$\{", &["mqtt://192.168.1.10:1883"])),
    ]
}
