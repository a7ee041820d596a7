//! The runs of an archive, newest first, 80 columns wide.

use crate::cli::history::filter::Filter;
use crate::cli::history::schema::{open_to_read, trouble};
use crate::cli::history::text::{cut, day_and_minute, plain};
use crate::terminal::{DIM, GREEN, RED, YELLOW, colour_output, say, styled};
use rusqlite::{Connection, Error, params_from_iter};
use std::path::Path;

/// Runs that are listed where no number was asked for.
const USUAL: i64 = 50;

/// A run as it is listed.
struct Row {
    started: String,
    verdict: String,
    conforming: i64,
    checks: i64,
    serial: String,
    script: String,
}

pub(super) fn list(path: &Path, filter: &Filter) -> Result<(), String> {
    let archive = open_to_read(path)?;
    let most = if filter.most() < 0 { USUAL } else { filter.most() };
    let (rows, of) = read(&archive, filter, most).map_err(|error| trouble(path, &error))?;
    say(&table(&rows, of, colour_output()));
    Ok(())
}

/// The newest runs that a filter lets through, and how many it does in all.
fn read(archive: &Connection, filter: &Filter, most: i64) -> Result<(Vec<Row>, i64), Error> {
    let (conditions, values) = filter.conditions();
    let count = format!("SELECT count(*) FROM runs WHERE {conditions}");
    let of = archive.query_row(&count, params_from_iter(&values), |row| row.get(0))?;
    let sql = format!(
        "SELECT started, verdict,
            (SELECT count(*) FROM checks WHERE run = runs.id AND outcome = 'conforms'),
            (SELECT count(*) FROM checks WHERE run = runs.id) + json_array_length(not_reached),
            serial, script
        FROM runs WHERE {conditions} ORDER BY started DESC, id DESC LIMIT {most}"
    );
    let mut query = archive.prepare(&sql)?;
    let rows = query.query_map(params_from_iter(&values), |row| {
        Ok(Row {
            started: row.get(0)?,
            verdict: row.get(1)?,
            conforming: row.get(2)?,
            checks: row.get(3)?,
            serial: row.get(4)?,
            script: row.get(5)?,
        })
    })?;
    Ok((rows.collect::<Result<_, _>>()?, of))
}

fn table(rows: &[Row], of: i64, colour: bool) -> String {
    if rows.is_empty() {
        return "no such runs\n".to_string();
    }
    let head = "started (UTC)     verdict       checks   serial          script";
    let mut text = format!("{}\n", styled(head, DIM, colour));
    for row in rows {
        let style = match row.verdict.as_str() {
            "passed" => GREEN,
            "undecided" | "unanswered" | "interrupted" => YELLOW,
            _ => RED,
        };
        let verdict = format!("{:<12}", plain(&row.verdict));
        let line = format!(
            "{}  {}  {:>7}  {:<14}  {}",
            day_and_minute(&row.started),
            styled(&verdict, style, colour),
            format!("{}/{}", row.conforming, row.checks),
            cut(&plain(&row.serial), 14),
            cut(&plain(&row.script), 25),
        );
        text.push_str(&format!("{line}\n"));
    }
    let older = of - rows.len() as i64;
    if older > 0 {
        let said = format!("and {older} older: --limit shows more");
        text.push_str(&format!("{}\n", styled(&said, DIM, colour)));
    }
    text
}
