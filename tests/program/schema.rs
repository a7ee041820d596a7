//! Every record that a test of the program leaves holds to the schemas that are published for it
//! (`docs/schema`), by the general-purpose validator jsonschema. Readers must take keys that a schema does
//! not name; here a key without a place in it is an error.

use crate::program::recorded;
use crate::support::root;
use jsonschema::Validator;
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::sync::OnceLock;

/// Version of the format that the schemas are for.
const VERSION: u64 = 2;

struct Schemas {
    record: Validator,
    /// By the name of the event, so that an error is told where it is.
    events: BTreeMap<String, Validator>,
}

/// A schema that takes no other keys than it names.
fn closed(schema: &Value) -> Value {
    match schema {
        Value::Object(keys) => {
            let mut keys: serde_json::Map<String, Value> =
                keys.iter().map(|(key, value)| (key.clone(), closed(value))).collect();
            if keys.contains_key("properties") && keys.get("type") == Some(&json!("object")) {
                keys.entry("additionalProperties").or_insert(json!(false));
            }
            Value::Object(keys)
        }
        Value::Array(items) => items.iter().map(closed).collect(),
        other => other.clone(),
    }
}

fn read(name: &str) -> Value {
    let text = fs::read_to_string(root().join("docs/schema").join(name)).unwrap();
    let schema: Value = serde_json::from_str(&text).unwrap();
    jsonschema::meta::validate(&schema).unwrap();
    closed(&schema)
}

fn schemas() -> &'static Schemas {
    static SCHEMAS: OnceLock<Schemas> = OnceLock::new();
    SCHEMAS.get_or_init(|| {
        let all = read("events.json");
        let named = all["oneOf"].as_array().unwrap().iter();
        let events = named.map(|event| {
            let place = event["$ref"].as_str().unwrap();
            let one = json!({"$ref": place, "$defs": all["$defs"]});
            let name = place.trim_start_matches("#/$defs/").to_string();
            (name, jsonschema::validator_for(&one).unwrap())
        });
        let record = jsonschema::validator_for(&read("record.json")).unwrap();
        Schemas { record, events: events.collect() }
    })
}

fn valid(schema: &Validator, value: &Value, place: &str) {
    let errors: Vec<String> =
        schema.iter_errors(value).map(|e| format!("{}: {e}", e.instance_path())).collect();
    assert!(errors.is_empty(), "{place}: {}\n{value}", errors.join("\n"));
}

fn valid_event(line: &str, place: &str) {
    let event: Value = serde_json::from_str(line).unwrap();
    let name = event["event"].as_str().unwrap();
    let schema = schemas().events.get(name);
    valid(schema.unwrap_or_else(|| panic!("{place}: no schema of {name}")), &event, place);
}

/// Holds every record in a folder and below it against the schemas. What a test damaged is left out: its
/// digest no longer fits.
pub(crate) fn hold(folder: &Path) {
    for entry in fs::read_dir(folder).into_iter().flatten().flatten() {
        let path = entry.path();
        if path.is_dir() {
            hold(&path);
        }
    }
    let Ok(text) = fs::read_to_string(folder.join("record.json")) else { return };
    let Ok(record) = serde_json::from_str::<Value>(&text) else { return };
    let events = folder.join("events.jsonl.gz");
    let is_untouched = record["version"] == VERSION
        && record["files"]["events.jsonl.gz"]["bytes"].as_u64()
            == fs::metadata(&events).ok().map(|file| file.len());
    if !is_untouched {
        return;
    }
    let place = folder.display().to_string();
    valid(&schemas().record, &record, &place);
    for line in recorded(folder.join("events.jsonl")).lines() {
        valid_event(line, &place);
    }
}

#[test]
fn a_key_that_the_schema_does_not_name_is_found() {
    let note = r#"{"event": "note", "time": 0.5, "text": "locked"}"#;
    valid_event(note, "here");
    for (wrong, what) in [
        (note.replace("text", "words"), "words"),
        (note.replace("0.5", "-0.5"), "-0.5"),
        (note.replace(r#""time": 0.5, "#, ""), "time"),
    ] {
        let told = std::panic::catch_unwind(|| valid_event(&wrong, "here")).unwrap_err();
        assert!(told.downcast_ref::<String>().is_some_and(|told| told.contains(what)), "{wrong}");
    }
}
