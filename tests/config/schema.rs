//! The schema that is checked in says what the reader reads.

use crate::EVERYTHING;
use serde_json::Value;
use std::fs;

/// What of JSON Schema the schema of the configuration uses: enough to hold a document against it in structure.
fn fits(schema: &Value, root: &Value, at: &str, value: &Value) -> Result<(), String> {
    if let Some(name) = schema["$ref"].as_str() {
        let target = root.pointer(name.trim_start_matches('#')).ok_or(format!("{name} is nowhere"))?;
        fits(target, root, at, value)?;
    }
    if let Some(any) = schema["anyOf"].as_array() {
        let tried: Vec<_> = any.iter().map(|one| fits(one, root, at, value)).collect();
        if !tried.iter().any(Result::is_ok) {
            return Err(format!("{at}: {tried:?}"));
        }
    }
    if schema["enum"].as_array().is_some_and(|words| !words.contains(value)) {
        return Err(format!("{at}: {value} is not in {}", schema["enum"]));
    }
    let kind = match value {
        Value::Null => "null",
        Value::Bool(_) => "boolean",
        Value::Number(_) => "number",
        Value::String(_) => "string",
        Value::Array(_) => "array",
        Value::Object(_) => "object",
    };
    let allowed = |name: &Value| name == kind || (name == "integer" && value.is_i64());
    match &schema["type"] {
        Value::Null => {}
        Value::Array(kinds) if kinds.iter().any(allowed) => {}
        one if allowed(one) => {}
        other => return Err(format!("{at}: {value} is not {other}")),
    }
    for name in schema["required"].as_array().into_iter().flatten().filter_map(Value::as_str) {
        if value.get(name).is_none() {
            return Err(format!("{at} has no {name}"));
        }
    }
    for (key, inner) in value.as_object().into_iter().flatten() {
        let at = format!("{at}/{key}");
        match (&schema["properties"][key], &schema["additionalProperties"]) {
            (Value::Null, Value::Bool(false)) => return Err(format!("{at} is no key")),
            (Value::Null, more @ Value::Object(_)) => fits(more, root, &at, inner)?,
            (Value::Null, _) => {}
            (known, _) => fits(known, root, &at, inner)?,
        }
    }
    for item in value.as_array().into_iter().flatten() {
        if schema["items"].is_object() {
            fits(&schema["items"], root, at, item)?;
        }
    }
    Ok(())
}

#[test]
fn the_schema_checked_in_is_the_one_that_is_printed() {
    let written: Value = serde_json::from_str(include_str!("../../config/tarewell.schema.json")).expect("JSON");
    let printed: Value = serde_json::from_str(&tarewell::command::schema::text()).expect("JSON");
    // When this fails: `tarewell schema > config/tarewell.schema.json`.
    assert!(written == printed, "config/tarewell.schema.json is not what `tarewell schema` prints");
}

#[test]
fn good_files_fit_the_schema_and_wrong_structure_does_not() {
    let schema = tarewell::config::schema();
    let example = include_str!("../../config/tarewell.yaml");
    for text in [example, EVERYTHING] {
        let value: Value = serde_yaml::from_str(text).expect("YAML");
        fits(&schema, &schema, "", &value).unwrap_or_else(|error| panic!("{error}"));
    }
    for name in ["keys", "missing", "shapes", "words"] {
        let path = format!("{}/tests/data/config/{name}.yaml", env!("CARGO_MANIFEST_DIR"));
        let value: Value = serde_yaml::from_str(&fs::read_to_string(path).expect("a text")).expect("YAML");
        assert!(fits(&schema, &schema, "", &value).is_err(), "{name}");
    }
}
