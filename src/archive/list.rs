//! The runs of an archive, newest first, 80 columns wide.

use crate::archive::filter::Filter;
use crate::archive::open::open_to_read;
use crate::archive::sql::Row;
use crate::archive::trend::{cut, day_and_minute};
use crate::error::Error;
use crate::record::Origin;
use crate::terminal::{DIM, GREEN, RED, YELLOW, styled, wrapped};
use spintrue_head::visible_line;
use std::path::Path;

/// Runs that are listed without `--limit`.
const DEFAULT_LIMIT: u32 = 50;

/// The newest runs that a filter selects, as a table.
pub(crate) fn list(place: &Path, filter: &Filter, colour: bool) -> Result<String, Error> {
    let mut archive = open_to_read(place)?;
    let (conditions, values) = filter.conditions(0);
    let count = format!("SELECT count(*) FROM runs WHERE {conditions}");
    let mut older = 0;
    archive.query(&count, &values, &mut |row| older = row.value(0).whole())?;
    if older == 0 {
        return Ok("no such runs\n".to_string());
    }
    let sql = format!(
        "SELECT started, verdict,
            (SELECT count(*) FROM checks WHERE run = runs.id AND outcome = 'conforms'),
            (SELECT count(*) FROM checks WHERE run = runs.id), not_reached,
            serial, script, simulated, faults, provoked
        FROM runs WHERE {conditions} ORDER BY started DESC, id DESC LIMIT {}",
        filter.most().unwrap_or(DEFAULT_LIMIT)
    );
    let head = "started (UTC)     verdict       checks   head       serial        script";
    let mut text = format!("{}\n", styled(head, DIM, colour));
    archive.query(&sql, &values, &mut |row| {
        older -= 1;
        text.push_str(&lines(row, colour));
    })?;
    if older > 0 {
        let said = format!("and {older} older: --limit shows more");
        text.push_str(&format!("{}\n", styled(&said, DIM, colour)));
    }
    Ok(text)
}

/// A run as it is listed.
fn lines(row: &dyn Row, colour: bool) -> String {
    let text = |at: usize| row.value(at).text();
    let verdict = text(1);
    let style = match verdict.as_str() {
        "passed" => GREEN,
        "undecided" | "unanswered" | "interrupted" => YELLOW,
        _ => RED,
    };
    let verdict = format!("{:<12}", visible_line(&verdict));
    let not_reached: Vec<String> = serde_json::from_str(&text(4)).unwrap_or_default();
    let checks = row.value(3).whole() + not_reached.len() as i64;
    let origin = Origin {
        simulated: Some(row.value(7).whole() != 0),
        faults: serde_json::from_str(&text(8)).unwrap_or_default(),
        provoked: serde_json::from_str(&text(9)).ok(),
        ..Origin::default()
    };
    let line = format!(
        "{}  {}  {:>7}  {:<9}  {:<12}  {}",
        day_and_minute(&text(0)),
        styled(&verdict, style, colour),
        format!("{}/{checks}", row.value(2).whole()),
        origin.kind(),
        cut(&visible_line(&text(5)), 12),
        cut(&visible_line(&text(6)), 14),
    );
    let faults = origin.faults_text();
    if faults.is_empty() {
        return format!("{line}\n");
    }
    let faults = wrapped(&visible_line(&faults), &" ".repeat(18));
    format!("{line}\n{}\n", styled(faults.trim_end(), YELLOW, colour))
}
