//! The rows of a run, as they are stored and as they are digested: an edited row has another digest.

use crate::archive::sql::{Row, Store, Table, Value};
use crate::archive::store::{Heard, quantity};
use crate::error::Error;
use crate::record::{Identity, canonical_digest};
use serde_json::{Map, Value as Json, json};
use spintrue_language::{CheckBound, CheckEvent, Finished, Measured, Shown};
use std::collections::HashMap;

/// The table of runs. Columns that an older version did not have are behind the others and empty there.
pub(super) const RUNS: Table<'_> = Table {
    name: "runs",
    columns: "started, script, digest, version, serial, model, simulated, seed, faults, operator, \
        verdict, exit_code, failure, not_reached, took, provoked",
};

/// Tables with details of a run, in the order of `place`.
pub(super) const PARTS: [Table<'_>; 4] = [
    Table { name: "identity", columns: "run, place, name, value" },
    Table { name: "params", columns: "run, place, name, value" },
    Table {
        name: "checks",
        columns: "run, place, time, label, condition, value, unit, shown_unit, uncertainty, coverage, \
            rule, low, low_conforms, high, high_conforms, margin, probability, outcome",
    },
    Table { name: "quantities", columns: "run, place, time, label, value, unit, shown_unit" },
];

/// The first columns of each part, which the digest leaves out.
const NUMBERS: usize = 2;

/// A run with its details.
#[derive(Default)]
pub(crate) struct Rows {
    pub(super) run: Vec<Value>,
    /// For each of [`PARTS`], its rows behind run and place.
    pub(super) parts: [Vec<Vec<Value>>; 4],
}

impl Rows {
    /// Of a run; `digest` is that of the script and what it uses.
    pub(crate) fn new(
        identity: &Identity,
        digest: &str,
        heard: Heard,
        finished: &Finished,
    ) -> Rows {
        let pairs = |pairs: &[(String, String)]| -> Vec<Vec<Value>> {
            pairs
                .iter()
                .map(|(name, value)| vec![name.as_str().into(), value.as_str().into()])
                .collect()
        };
        let files = identity.sources.iter();
        let files = files.map(|file| (format!("sha256 {}", file.name), file.sha256.clone()));
        let named: Vec<(String, String)> = identity.named.iter().cloned().chain(files).collect();
        let parts = [pairs(&named), pairs(&identity.params), heard.checks, heard.quantities];
        Rows { run: run(identity, digest, finished), parts }
    }

    /// SHA-256 of the canonical form (RFC 8785) of all that is there. An empty cell is left out, so that a
    /// column of a later version changes nothing.
    pub(crate) fn digest(&self) -> String {
        let mut all = object(&RUNS, 0, &self.run);
        for (table, rows) in PARTS.iter().zip(&self.parts) {
            let rows = rows.iter().map(|row| Json::Object(object(table, NUMBERS, row)));
            all.insert(table.name.to_string(), rows.collect());
        }
        canonical_digest(&Json::Object(all))
    }
}

/// A row by the names of its columns, the first of which is at `from`.
pub(super) fn object(table: &Table<'_>, from: usize, row: &[Value]) -> Map<String, Json> {
    let cells = table.columns.split(", ").skip(from).zip(row);
    let cells = cells.filter_map(|(name, cell)| {
        let value = match cell {
            Value::Nothing => return None,
            Value::Whole(number) => json!(number),
            Value::Real(number) if number.is_finite() => json!(number),
            // JSON has no such number.
            Value::Real(number) => json!(number.to_string()),
            Value::Text(text) => json!(text),
        };
        Some((name.to_string(), value))
    });
    cells.collect()
}

/// What a row of the archive says of its digests.
pub(crate) struct Stored {
    pub id: i64,
    pub started: String,
    pub serial: String,
    /// The row's own digest as stored; none of an older version.
    pub row: Option<String>,
    /// Whether its content has that digest.
    pub is_unchanged: bool,
    /// Digest of its record.
    pub record: Option<String>,
}

/// Reads runs by their numbers.
pub(super) fn stored(store: &mut dyn Store, ids: &[i64]) -> Result<Vec<Stored>, Error> {
    let among = ids.iter().map(i64::to_string).collect::<Vec<_>>().join(", ");
    let text = |row: &dyn Row, at: usize| match row.value(at) {
        Value::Text(text) => Some(text),
        _ => None,
    };
    let cells = |row: &dyn Row, from: usize, table: &Table<'_>, skip: usize| -> Vec<Value> {
        let count = table.columns.split(", ").count() - skip;
        (from..from + count).map(|at| row.value(at)).collect()
    };
    let mut all: HashMap<i64, Rows> = HashMap::new();
    let mut found = Vec::new();
    let sql = format!(
        "SELECT id, row_digest, record_digest, {} FROM runs WHERE id IN ({among}) ORDER BY id",
        RUNS.columns
    );
    store.query(&sql, &[], &mut |row| {
        let run = cells(row, 3, &RUNS, 0);
        let named = |name: &str| {
            let at = RUNS.columns.split(", ").position(|column| column == name);
            at.and_then(|at| run.get(at)).cloned().map(Value::text).unwrap_or_default()
        };
        found.push(Stored {
            id: row.value(0).whole(),
            started: named("started"),
            serial: named("serial"),
            row: text(row, 1),
            is_unchanged: false,
            record: text(row, 2),
        });
        all.insert(row.value(0).whole(), Rows { run, ..Rows::default() });
    })?;
    for (at, table) in PARTS.iter().enumerate() {
        let columns = table.columns;
        let sql = format!(
            "SELECT {columns} FROM {} WHERE run IN ({among}) ORDER BY run, place",
            table.name
        );
        store.query(&sql, &[], &mut |row| {
            let rows = all.get_mut(&row.value(0).whole());
            if let Some(part) = rows.and_then(|rows| rows.parts.get_mut(at)) {
                part.push(cells(row, NUMBERS, table, NUMBERS));
            }
        })?;
    }
    for run in &mut found {
        let digest = all.get(&run.id).map(Rows::digest);
        run.is_unchanged = run.row.is_some() && run.row == digest;
    }
    Ok(found)
}

/// The row of a run.
fn run(identity: &Identity, digest: &str, finished: &Finished) -> Vec<Value> {
    let verdict = finished.verdict();
    let unreached: Vec<&str> = finished.unreached.iter().map(|c| c.label.as_ref()).collect();
    vec![
        identity.started.as_str().into(),
        identity.script.as_str().into(),
        digest.into(),
        identity.spintrue.as_str().into(),
        identity.serial.as_str().into(),
        identity.model.as_str().into(),
        identity.simulated.into(),
        // A seed may be larger than any whole number of a store.
        identity.seed.map(|seed| seed.to_string()).into(),
        json!(identity.faults).to_string().into(),
        identity.operator.as_deref().into(),
        verdict.kept_as().into(),
        i64::from(verdict.exit_code()).into(),
        finished.failure.as_ref().map(|failure| failure.message.as_str()).into(),
        json!(unreached).to_string().into(),
        finished.took.into(),
        json!(finished.provoked).to_string().into(),
    ]
}

/// The row of a check, behind its run and place.
pub(super) fn check_row(time: f64, check: &CheckEvent) -> Vec<Value> {
    let measured = check.measured.as_ref();
    let (value, unit, shown_unit) = match measured.and_then(|m| quantity(&m.value)) {
        Some((value, unit, shown)) => (value.into(), unit.into(), shown.into()),
        None => (Value::Nothing, Value::Nothing, Value::Nothing),
    };
    let sure = measured.filter(|m| m.uncertainty.is_some());
    let limit = |of: fn(&Measured) -> Option<&CheckBound>| measured.and_then(of);
    let (low, high) = (limit(|m| m.low.as_ref()), limit(|m| m.high.as_ref()));
    vec![
        time.into(),
        check.label.as_str().into(),
        check.text.as_ref().into(),
        value,
        unit,
        shown_unit,
        sure.and_then(|m| si(m.uncertainty.as_ref()?)).into(),
        sure.map(|m| m.coverage).into(),
        sure.map(|m| m.rule.text()).into(),
        low.and_then(|low| si(&low.at)).into(),
        low.map(|low| low.closed).into(),
        high.and_then(|high| si(&high.at)).into(),
        high.map(|high| high.closed).into(),
        measured.and_then(|m| si(m.margin.as_ref()?)).into(),
        measured.and_then(|m| m.probability).into(),
        check.outcome.text().into(),
    ]
}

fn si(shown: &Shown) -> Option<f64> {
    quantity(shown).map(|(value, ..)| value)
}
