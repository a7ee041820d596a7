//! Runs with all that was stored of them, for other programs.

use crate::archive::decisions::{Decision, Decisions};
use crate::archive::filter::Filter;
use crate::archive::open::open_to_read;
use crate::archive::sql::{Row, Store, Value as Cell, Values};
use crate::archive::store::CHUNK;
use crate::error::{Error, invalid};
use crate::record;
use clap::ValueEnum;
use serde_json::{Map, Value, json};
use std::collections::HashMap;
use std::path::Path;

/// Columns of a run.
const RUN: &str = "id, started, script, digest, version, serial, model, simulated, seed, faults, \
    provoked, operator, verdict, exit_code, failure, not_reached, took, row_digest, record_digest";

/// Tables with details of a run, and their columns.
const PARTS: [(&str, &str); 4] = [
    ("identity", "name, value"),
    ("params", "name, value"),
    (
        "checks",
        "time, label, condition, value, unit, uncertainty, coverage, rule, low, low_conforms, high, \
         high_conforms, margin, probability, outcome",
    ),
    ("quantities", "time, label, value, unit, shown_unit"),
];

/// Columns of the CSV table: those of the run, then those of its details.
const COLUMNS: &str = "run, started, script, version, serial, model, simulated, seed, faults, \
    provoked, operator, verdict, kind, label, time, value, unit, uncertainty, coverage, rule, low, \
    high, margin, probability, outcome, text, record_digest, excluded";

#[derive(Clone, Copy, PartialEq, ValueEnum)]
pub(crate) enum Format {
    Csv,
    Jsonl,
}

type Object = Map<String, Value>;

/// Hands over the runs that a filter selects, oldest first, as text in pieces.
pub(crate) fn export(
    place: &Path,
    format: Format,
    filter: &Filter,
    emit: &mut dyn FnMut(&str),
) -> Result<(), Error> {
    let mut archive = open_to_read(place)?;
    let excluded = Decisions::read(&mut *archive)?.excluded;
    if format == Format::Csv {
        emit(&format!("{}\r\n", COLUMNS.replace(' ', "")));
    }
    let mut from = first(&mut *archive, filter)?;
    while let Some(start) = from.take() {
        let mut values = Values::default();
        let conditions = filter.conditions(&mut values);
        let sql = format!(
            "SELECT started, id FROM runs WHERE {conditions} AND (started, id) >= ({}, {})
            ORDER BY started, id LIMIT {}",
            values.bind(start.0),
            values.bind(start.1),
            CHUNK + 1
        );
        let mut ids = Vec::new();
        archive.query(&sql, &values.0, &mut |row| match ids.len() {
            CHUNK => from = Some((row.text(0).into_owned(), row.value(1).whole())),
            _ => ids.push(row.value(1).whole()),
        })?;
        let mut runs = read(&mut *archive, &ids)?;
        let runs = ids.iter().filter_map(|id| {
            let mut run = runs.remove(id)?;
            run.insert("excluded".to_string(), json!(excluded.get(id).map(Decision::told)));
            Some(run)
        });
        emit(&match format {
            Format::Jsonl => runs.map(|run| format!("{}\n", Value::Object(run))).collect(),
            Format::Csv => table(runs).map_err(|error| invalid!("{error}"))?,
        });
    }
    Ok(())
}

/// Start and number of the oldest run of those that a filter selects.
fn first(archive: &mut dyn Store, filter: &Filter) -> Result<Option<(String, i64)>, Error> {
    let mut values = Values::default();
    let conditions = filter.conditions(&mut values);
    let newest = |most| format!("ORDER BY started DESC, id DESC LIMIT {most}");
    let order = filter.most().map_or("ORDER BY started, id LIMIT 1".to_string(), newest);
    let sql = format!("SELECT started, id FROM runs WHERE {conditions} {order}");
    let mut first = None;
    archive.query(&sql, &values.0, &mut |row| {
        first = Some((row.text(0).into_owned(), row.value(1).whole()));
    })?;
    Ok(first)
}

/// Runs with their details, by their numbers.
fn read(archive: &mut dyn Store, ids: &[i64]) -> Result<HashMap<i64, Object>, Error> {
    let among = ids.iter().map(i64::to_string).collect::<Vec<_>>().join(", ");
    let mut runs = HashMap::new();
    let sql = format!("SELECT {RUN} FROM runs WHERE id IN ({among})");
    archive.query(&sql, &[], &mut |row| {
        let mut run = object(row, 0, RUN);
        for name in ["faults", "provoked", "not_reached"] {
            // Older versions did not store injected faults.
            if let Some(Value::String(text)) = run.get(name) {
                let list = serde_json::from_str(text).unwrap_or_else(|_| json!(text));
                run.insert(name.to_string(), list);
            }
        }
        run.extend(PARTS.map(|(name, _)| (name.to_string(), json!([]))));
        runs.insert(row.value(0).whole(), run);
    })?;
    for (name, columns) in PARTS {
        let sql =
            format!("SELECT run, {columns} FROM {name} WHERE run IN ({among}) ORDER BY run, place");
        archive.query(&sql, &[], &mut |row| {
            let run = runs.get_mut(&row.value(0).whole());
            if let Some(list) = run.and_then(|run| run.get_mut(name)?.as_array_mut()) {
                list.push(Value::Object(object(row, 1, columns)));
            }
        })?;
    }
    Ok(runs)
}

/// A row by the names of its columns, the first of which is at `from`.
fn object(row: &dyn Row, from: usize, names: &str) -> Object {
    let cells = (from..).zip(names.split(", ")).map(|(at, name)| {
        let is_flag = name == "simulated" || name.ends_with("_conforms");
        let value = match row.value(at) {
            Cell::Whole(number) if is_flag => json!(number != 0),
            Cell::Whole(number) => json!(number),
            Cell::Real(number) => json!(number),
            Cell::Text(text) => json!(text),
            Cell::Nothing => Value::Null,
        };
        (name.to_string(), value)
    });
    cells.collect()
}

/// A line for each run, and one for each of its details (RFC 4180).
fn table(runs: impl Iterator<Item = Object>) -> Result<String, csv::Error> {
    let terminator = csv::Terminator::CRLF;
    let mut out = csv::WriterBuilder::new().terminator(terminator).from_writer(Vec::new());
    for run in runs {
        for (kind, detail) in details(&run) {
            let cells = COLUMNS.split(", ").map(|column| match column {
                "run" => cell(run.get("id")),
                "kind" => kind.to_string(),
                "started" | "script" | "version" | "serial" | "model" | "simulated" | "seed"
                | "operator" | "verdict" => cell(run.get(column)),
                "faults" | "provoked" => cell(Some(&json!(listed(run.get(column))))),
                _ => cell(detail.get(column)),
            });
            out.write_record(cells)?;
        }
    }
    let bytes = out.into_inner().map_err(|error| error.into_error())?;
    Ok(String::from_utf8_lossy(&bytes).into_owned())
}

/// The run itself and its details, each with its kind and the columns of its own.
fn details(run: &Object) -> Vec<(&'static str, Value)> {
    let of = |name: &str| run.get(name).and_then(Value::as_array).into_iter().flatten();
    let took = json!({
        "label": "took", "value": run.get("took"), "unit": "s", "text": run.get("failure"),
        "record_digest": run.get("record_digest"), "excluded": run.get("excluded"),
    });
    let pairs = [("identity", "identity"), ("params", "param")];
    let pairs = pairs.into_iter().flat_map(|(list, kind)| {
        let pair = |pair: &Value| json!({"label": pair.get("name"), "text": pair.get("value")});
        of(list).map(move |item| (kind, pair(item)))
    });
    let checks = of("checks").cloned().map(|mut check| {
        if let Some(check) = check.as_object_mut()
            && let Some(condition) = check.remove("condition")
        {
            check.insert("text".to_string(), condition);
        }
        ("check", check)
    });
    let quantities = of("quantities").map(|quantity| ("quantity", quantity.clone()));
    [("run", took)].into_iter().chain(pairs).chain(checks).chain(quantities).collect()
}

/// A list of texts in one cell; `unknown` where none was stored.
fn listed(value: Option<&Value>) -> String {
    let Some(list) = value.and_then(Value::as_array) else { return "unknown".to_string() };
    list.iter().filter_map(Value::as_str).collect::<Vec<_>>().join("; ")
}

fn cell(value: Option<&Value>) -> String {
    match value {
        None | Some(Value::Null) => String::new(),
        Some(Value::String(text)) => record::cell(text).into_owned(),
        Some(other) => other.to_string(),
    }
}
