//! `history export`: runs with all that was stored of them, for other programs.

use crate::cli::history::filter::Filter;
use crate::cli::history::schema::{open_to_read, trouble};
use crate::terminal::say;
use clap::{Args, ValueEnum};
use rusqlite::{Connection, Error, Row, params_from_iter};
use serde_json::{Map, Value, json};
use std::path::PathBuf;

/// Bytes that are gathered before they are written.
const GATHERED: usize = 1 << 16;

#[derive(Args)]
pub(super) struct Options {
    /// The archive
    file: PathBuf,
    /// `jsonl`: an object a line for each run; `csv`: a line for each run, param, check and value
    #[arg(long, value_name = "FORMAT")]
    format: Format,
    #[command(flatten)]
    filter: Filter,
}

#[derive(Clone, Copy, PartialEq, ValueEnum)]
enum Format {
    Csv,
    Jsonl,
}

pub(super) fn export(options: &Options) -> Result<(), String> {
    let archive = open_to_read(&options.file)?;
    let mut out = Out { text: String::new() };
    written(&archive, options, &mut out).map_err(|error| trouble(&options.file, &error))?;
    say(&out.text);
    Ok(())
}

struct Out {
    text: String,
}

impl Out {
    fn line(&mut self, line: &str) {
        self.text.push_str(line);
        if self.text.len() > GATHERED {
            say(&self.text);
            self.text.clear();
        }
    }
}

/// Columns of a run; the others hang on its number.
const RUN: &str = "id, started, script, digest, version, serial, model, simulated, seed, faults,
    verdict, exit_code, failure, not_reached, took";
const CHECK: &str = "SELECT time, label, condition, value, unit, uncertainty, coverage, rule, low,
    low_conforms, high, high_conforms, margin, probability, outcome
    FROM checks WHERE run = ? ORDER BY place";
const QUANTITY: &str = "SELECT time, label, value, unit, shown_unit
    FROM quantities WHERE run = ? ORDER BY place";
const PARAM: &str = "SELECT name, value FROM params WHERE run = ? ORDER BY place";

fn written(archive: &Connection, options: &Options, out: &mut Out) -> Result<(), Error> {
    // Of one moment, whatever is stored meanwhile.
    let archive = archive.unchecked_transaction()?;
    let (conditions, values) = options.filter.conditions();
    let most = options.filter.most();
    let sql = format!(
        "SELECT {RUN} FROM (SELECT * FROM runs WHERE {conditions}
            ORDER BY started DESC, id DESC LIMIT {most}) ORDER BY started, id"
    );
    let mut runs = archive.prepare(&sql)?;
    let mut parts = [
        ("params", archive.prepare(PARAM)?),
        ("checks", archive.prepare(CHECK)?),
        ("quantities", archive.prepare(QUANTITY)?),
    ];
    let mut rows = runs.query(params_from_iter(&values))?;
    if options.format == Format::Csv {
        out.line(&format!("{}\r\n", COLUMNS.join(",")));
    }
    while let Some(row) = rows.next()? {
        let mut run = object(row)?;
        let id: i64 = row.get(0)?;
        for name in ["faults", "not_reached"] {
            let text = run.get(name).and_then(Value::as_str).unwrap_or("[]");
            let list = serde_json::from_str(text).unwrap_or_else(|_| json!(text));
            run.insert(name.to_string(), list);
        }
        run.insert("simulated".to_string(), json!(row.get::<_, bool>(7)?));
        for (name, query) in &mut parts {
            let mut rows = query.query([id])?;
            let mut list = Vec::new();
            while let Some(row) = rows.next()? {
                list.push(Value::Object(object(row)?));
            }
            run.insert(name.to_string(), Value::Array(list));
        }
        match options.format {
            Format::Jsonl => out.line(&format!("{}\n", Value::Object(run))),
            Format::Csv => out.line(&csv(&run)),
        }
    }
    Ok(())
}

/// A row by the names of its columns.
fn object(row: &Row<'_>) -> Result<Map<String, Value>, Error> {
    let names = row.as_ref().column_names();
    let cells = names.enumerate().map(|(at, name)| {
        let value = match row.get_ref(at)? {
            rusqlite::types::ValueRef::Integer(number) => match name.ends_with("_conforms") {
                true => json!(number != 0),
                false => json!(number),
            },
            rusqlite::types::ValueRef::Real(number) => json!(number),
            rusqlite::types::ValueRef::Text(text) => json!(String::from_utf8_lossy(text)),
            _ => Value::Null,
        };
        Ok((name.to_string(), value))
    });
    cells.collect()
}

/// Columns of the table: those of the run, then those of what hangs on it.
const COLUMNS: [&str; 21] = [
    "run",
    "started",
    "script",
    "version",
    "serial",
    "model",
    "verdict",
    "kind",
    "label",
    "time",
    "value",
    "unit",
    "uncertainty",
    "coverage",
    "rule",
    "low",
    "high",
    "margin",
    "probability",
    "outcome",
    "text",
];

/// A line for the run itself, and one for each thing that hangs on it (RFC 4180).
fn csv(run: &Map<String, Value>) -> String {
    let mut text = String::new();
    let mut line = |kind: &str, of: &Map<String, Value>| {
        let cells = COLUMNS.map(|column| match column {
            "run" => cell(run.get("id")),
            "kind" => kind.to_string(),
            "started" | "script" | "version" | "serial" | "model" | "verdict" => {
                cell(run.get(column))
            }
            _ => cell(of.get(column)),
        });
        text.push_str(&cells.join(","));
        text.push_str("\r\n");
    };
    let whole = json!({
        "label": "took", "value": run.get("took"), "unit": "s", "text": run.get("failure"),
    });
    line("run", whole.as_object().unwrap_or(run));
    let of = |name: &str| run.get(name).and_then(Value::as_array).into_iter().flatten();
    for param in of("params") {
        let param = json!({"label": param.get("name"), "text": param.get("value")});
        line("param", param.as_object().unwrap_or(run));
    }
    for check in of("checks") {
        let mut check = check.as_object().cloned().unwrap_or_default();
        let condition = check.get("condition").cloned().unwrap_or_default();
        check.insert("text".to_string(), condition);
        line("check", &check);
    }
    for quantity in of("quantities").filter_map(Value::as_object) {
        line("quantity", quantity);
    }
    text
}

fn cell(value: Option<&Value>) -> String {
    match value {
        None | Some(Value::Null) => String::new(),
        Some(Value::String(text)) if text.contains([',', '"', '\n', '\r']) => {
            format!("\"{}\"", text.replace('"', "\"\""))
        }
        Some(Value::String(text)) => text.clone(),
        Some(other) => other.to_string(),
    }
}
