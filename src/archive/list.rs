//! The runs of an archive, newest first, 80 columns wide.

use crate::archive::filter::Filter;
use crate::archive::open::open_to_read;
use crate::archive::sql::{Purpose, Store};
use crate::archive::trend::{cut, day_and_minute};
use crate::error::Error;
use crate::record::Origin;
use crate::terminal::{DIM, GREEN, RED, YELLOW, styled, wrapped};
use spintrue_head::visible_line;
use std::path::Path;

/// Runs that are listed without `--limit`.
const DEFAULT_LIMIT: u32 = 50;

/// A run as it is listed.
struct Row {
    started: String,
    verdict: String,
    conforming: i64,
    checks: i64,
    serial: String,
    script: String,
    origin: Origin,
}

/// The newest runs that a filter selects, as a table.
pub(crate) fn list(place: &Path, filter: &Filter, colour: bool) -> Result<String, Error> {
    let mut archive = open_to_read(place)?;
    archive.begin(Purpose::Read)?;
    let (rows, of) = read(&mut *archive, filter, filter.most().unwrap_or(DEFAULT_LIMIT))?;
    Ok(table(&rows, of, colour))
}

/// The newest runs that a filter lets through, and how many it does in all.
fn read(archive: &mut dyn Store, filter: &Filter, most: u32) -> Result<(Vec<Row>, i64), Error> {
    let (conditions, values) = filter.conditions(0);
    let count = format!("SELECT count(*) FROM runs WHERE {conditions}");
    let mut of = 0;
    archive.query(&count, &values, &mut |row| of = row.value(0).whole())?;
    let sql = format!(
        "SELECT started, verdict,
            (SELECT count(*) FROM checks WHERE run = runs.id AND outcome = 'conforms'),
            (SELECT count(*) FROM checks WHERE run = runs.id), not_reached,
            serial, script, simulated, faults, provoked
        FROM runs WHERE {conditions} ORDER BY started DESC, id DESC LIMIT {most}"
    );
    let mut rows = Vec::new();
    archive.query(&sql, &values, &mut |row| {
        let text = |at: usize| row.value(at).text().to_string();
        let not_reached: Vec<String> = serde_json::from_str(&text(4)).unwrap_or_default();
        rows.push(Row {
            started: text(0),
            verdict: text(1),
            conforming: row.value(2).whole(),
            checks: row.value(3).whole() + not_reached.len() as i64,
            serial: text(5),
            script: text(6),
            origin: Origin {
                simulated: Some(row.value(7).whole() != 0),
                faults: serde_json::from_str(&text(8)).unwrap_or_default(),
                provoked: serde_json::from_str(&text(9)).ok(),
                ..Origin::default()
            },
        });
    })?;
    Ok((rows, of))
}

fn table(rows: &[Row], of: i64, colour: bool) -> String {
    if rows.is_empty() {
        return "no such runs\n".to_string();
    }
    let head = "started (UTC)     verdict       checks   head       serial        script";
    let mut text = format!("{}\n", styled(head, DIM, colour));
    for row in rows {
        let style = match row.verdict.as_str() {
            "passed" => GREEN,
            "undecided" | "unanswered" | "interrupted" => YELLOW,
            _ => RED,
        };
        let verdict = format!("{:<12}", visible_line(&row.verdict));
        let line = format!(
            "{}  {}  {:>7}  {:<9}  {:<12}  {}",
            day_and_minute(&row.started),
            styled(&verdict, style, colour),
            format!("{}/{}", row.conforming, row.checks),
            row.origin.kind(),
            cut(&visible_line(&row.serial), 12),
            cut(&visible_line(&row.script), 14),
        );
        text.push_str(&format!("{line}\n"));
        let faults = row.origin.faults_text();
        if !faults.is_empty() {
            let lines = wrapped(&visible_line(&faults), &" ".repeat(18));
            text.push_str(&format!("{}\n", styled(lines.trim_end(), YELLOW, colour)));
        }
    }
    let older = of - rows.len() as i64;
    if older > 0 {
        let said = format!("and {older} older: --limit shows more");
        text.push_str(&format!("{}\n", styled(&said, DIM, colour)));
    }
    text
}
