//! `history export`: runs with all that was stored of them, for other programs.

use crate::cli::history::archive::{Purpose, Row, Store, Value as Cell, open_to_read};
use crate::cli::history::filter::Filter;
use crate::record;
use crate::terminal::emit;
use clap::{Args, ValueEnum};
use serde_json::{Map, Value, json};
use std::collections::HashMap;
use std::path::PathBuf;

/// Bytes that are gathered before they are written.
const GATHERED: usize = 1 << 16;

#[derive(Args)]
pub(super) struct Options {
    /// The archive: a file, or postgres://USER@HOST/DATABASE
    #[arg(value_name = "ARCHIVE")]
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
    let mut archive = open_to_read(&options.file)?;
    let mut out = Out { text: String::new() };
    written(&mut *archive, options, &mut out)?;
    emit(&out.text);
    Ok(())
}

struct Out {
    text: String,
}

impl Out {
    fn line(&mut self, line: &str) {
        self.text.push_str(line);
        if self.text.len() > GATHERED {
            emit(&self.text);
            self.text.clear();
        }
    }
}

/// Runs that are read at once.
const AT_ONCE: usize = 200;

const RUN: [&str; 17] = [
    "id",
    "started",
    "script",
    "digest",
    "version",
    "serial",
    "model",
    "simulated",
    "seed",
    "faults",
    "provoked",
    "operator",
    "verdict",
    "exit_code",
    "failure",
    "not_reached",
    "took",
];

/// Tables that hang on a run, and what is told of each row.
const PARTS: [(&str, &[&str]); 3] = [
    ("params", &["name", "value"]),
    (
        "checks",
        &[
            "time",
            "label",
            "condition",
            "value",
            "unit",
            "uncertainty",
            "coverage",
            "rule",
            "low",
            "low_conforms",
            "high",
            "high_conforms",
            "margin",
            "probability",
            "outcome",
        ],
    ),
    ("quantities", &["time", "label", "value", "unit", "shown_unit"]),
];

fn written(archive: &mut dyn Store, options: &Options, out: &mut Out) -> Result<(), String> {
    // Of one moment, whatever is stored meanwhile.
    archive.begin(Purpose::Read)?;
    let (conditions, values) = options.filter.conditions(0);
    let most = options.filter.most().map(|most| format!(" LIMIT {most}")).unwrap_or_default();
    let sql =
        format!("SELECT id FROM runs WHERE {conditions} ORDER BY started DESC, id DESC{most}");
    let mut ids = Vec::new();
    archive.query(&sql, &values, &mut |row| ids.push(row.value(0).whole()))?;
    ids.reverse();
    if options.format == Format::Csv {
        out.line(&format!("{}\r\n", COLUMNS.join(",")));
    }
    for ids in ids.chunks(AT_ONCE) {
        let mut runs = read(archive, ids)?;
        for run in ids.iter().filter_map(|id| runs.remove(id)) {
            match options.format {
                Format::Jsonl => out.line(&format!("{}\n", Value::Object(run))),
                Format::Csv => out.line(&csv(&run)),
            }
        }
    }
    Ok(())
}

type Object = Map<String, Value>;

/// Runs with all that hangs on them, by their numbers.
fn read(archive: &mut dyn Store, ids: &[i64]) -> Result<HashMap<i64, Object>, String> {
    let among = ids.iter().map(i64::to_string).collect::<Vec<_>>().join(", ");
    let mut runs = HashMap::new();
    let sql = format!("SELECT {} FROM runs WHERE id IN ({among})", RUN.join(", "));
    archive.query(&sql, &[], &mut |row| {
        let mut run = object(row, 0, &RUN);
        for name in ["faults", "provoked", "not_reached"] {
            // An older version did not keep what was provoked.
            if run.get(name).is_none_or(Value::is_null) {
                continue;
            }
            let text = run.get(name).and_then(Value::as_str).unwrap_or("[]");
            let list = serde_json::from_str(text).unwrap_or_else(|_| json!(text));
            run.insert(name.to_string(), list);
        }
        for (name, _) in PARTS {
            run.insert(name.to_string(), json!([]));
        }
        runs.insert(row.value(0).whole(), run);
    })?;
    for (name, columns) in PARTS {
        let sql = format!(
            "SELECT run, {} FROM {name} WHERE run IN ({among}) ORDER BY run, place",
            columns.join(", ")
        );
        archive.query(&sql, &[], &mut |row| {
            let run = runs.get_mut(&row.value(0).whole());
            if let Some(list) = run.and_then(|run| run.get_mut(name)?.as_array_mut()) {
                list.push(Value::Object(object(row, 1, columns)));
            }
        })?;
    }
    Ok(runs)
}

/// A row by the names of its columns, from one on.
fn object(row: &dyn Row, from: usize, names: &[&str]) -> Object {
    let cells = (from..).zip(names).map(|(at, name)| {
        let value = match row.value(at) {
            Cell::Whole(number) if is_flag(name) => json!(number != 0),
            Cell::Whole(number) => json!(number),
            Cell::Real(number) => json!(number),
            Cell::Text(text) => json!(text),
            Cell::Nothing => Value::Null,
        };
        ((*name).to_string(), value)
    });
    cells.collect()
}

fn is_flag(column: &str) -> bool {
    column == "simulated" || column.ends_with("_conforms")
}

/// Columns of the table: those of the run, then those of what hangs on it.
const COLUMNS: [&str; 26] = [
    "run",
    "started",
    "script",
    "version",
    "serial",
    "model",
    "simulated",
    "seed",
    "faults",
    "provoked",
    "operator",
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
            "started" | "script" | "version" | "serial" | "model" | "simulated" | "seed"
            | "operator" | "verdict" => cell(run.get(column)),
            "faults" | "provoked" => cell(Some(&json!(listed(run.get(column))))),
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

/// A list of texts in one cell; `unknown` where none was kept.
fn listed(value: Option<&Value>) -> String {
    let Some(list) = value.and_then(Value::as_array) else { return "unknown".to_string() };
    list.iter().filter_map(Value::as_str).collect::<Vec<_>>().join("; ")
}

fn cell(value: Option<&Value>) -> String {
    match value {
        None | Some(Value::Null) => String::new(),
        Some(Value::String(text)) => {
            let text = record::cell(text);
            match text.contains([',', '"', '\n', '\r']) {
                true => format!("\"{}\"", text.replace('"', "\"\"")),
                false => text.into_owned(),
            }
        }
        Some(other) => other.to_string(),
    }
}
