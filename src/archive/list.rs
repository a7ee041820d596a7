//! The runs of an archive, newest first, 80 columns wide.

use crate::archive::decisions::{Decision, Decisions};
use crate::archive::filter::Filter;
use crate::archive::open::open_to_read;
use crate::archive::sql::{Row, Values};
use crate::archive::store::day_and_minute;
use crate::error::Error;
use crate::record::Origin;
use crate::terminal::columns::{Line, Side, columns};
use crate::terminal::{DIM, YELLOW, styled, verdict_style};
use std::path::Path;

/// Runs that are listed without `--limit`.
const DEFAULT_LIMIT: u32 = 50;

/// The columns; the second is styled.
const HEADS: [(&str, Side); 7] = [
    ("run", Side::Right),
    ("started (UTC)", Side::Left),
    ("verdict", Side::Left),
    ("checks", Side::Right),
    ("head", Side::Left),
    ("serial", Side::Left),
    ("script", Side::Left),
];

/// The newest runs that a filter selects, as a table.
pub(crate) fn list(place: &Path, filter: &Filter, colour: bool) -> Result<String, Error> {
    let mut archive = open_to_read(place)?;
    let mut values = Values::default();
    let conditions = filter.conditions(&mut values);
    let count = format!("SELECT count(*) FROM runs WHERE {conditions}");
    let mut all = 0;
    archive.query(&count, &values.0, &mut |row| all = row.value(0).whole())?;
    if all == 0 {
        return Ok("no such runs\n".to_string());
    }
    let excluded = Decisions::read(&mut *archive)?.excluded;
    let sql = format!(
        "SELECT id, started, verdict,
            (SELECT count(*) FROM checks WHERE run = runs.id AND outcome = 'conforms'),
            (SELECT count(*) FROM checks WHERE run = runs.id), not_reached,
            serial, script, simulated, faults, provoked
        FROM runs WHERE {conditions} ORDER BY started DESC, id DESC LIMIT {}",
        filter.most().unwrap_or(DEFAULT_LIMIT)
    );
    let mut lines = Vec::new();
    archive.query(&sql, &values.0, &mut |row| {
        lines.push(line(row, excluded.get(&row.value(0).whole())));
    })?;
    let older = all - lines.len() as i64;
    let mut text = columns(&HEADS, &lines, colour);
    if older > 0 {
        let said = format!("and {older} older: --limit shows more");
        text.push_str(&format!("{}\n", styled(&said, DIM, colour)));
    }
    Ok(text)
}

/// A run as it is listed.
fn line(row: &dyn Row, excluded: Option<&Decision>) -> Line {
    let verdict = row.text(2).into_owned();
    let style = verdict_style(&verdict);
    let not_reached: Vec<String> = serde_json::from_str(&row.text(5)).unwrap_or_default();
    let checks = row.value(4).whole() + not_reached.len() as i64;
    let origin = Origin {
        simulated: Some(row.value(8).whole() != 0),
        faults: serde_json::from_str(&row.text(9)).unwrap_or_default(),
        provoked: serde_json::from_str(&row.text(10)).ok(),
        ..Origin::default()
    };
    let faults = Some(origin.faults_text()).filter(|faults| !faults.is_empty());
    let excluded = excluded.map(|decision| format!("excluded {}", decision.told()));
    Line {
        cells: vec![
            row.value(0).whole().to_string(),
            day_and_minute(&row.text(1)),
            verdict,
            format!("{}/{checks}", row.value(3).whole()),
            origin.kind().to_string(),
            row.text(6).into_owned(),
            row.text(7).into_owned(),
        ],
        style: Some((2, style)),
        notes: faults.into_iter().chain(excluded).map(|note| (note, YELLOW)).collect(),
    }
}
