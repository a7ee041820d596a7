//! How many heads pass: at their first attempt and at their last one, for each script.

use crate::archive::filter::Filter;
use crate::archive::open::open_to_read;
use crate::error::Error;
use crate::terminal::{DIM, styled, wrapped};
use spintrue_head::visible_line;
use spintrue_language::Verdict;
use std::collections::{BTreeMap, HashMap};
use std::path::Path;

/// The attempts at a head by a script.
#[derive(Default)]
struct Head {
    /// Whether the first attempt passed; none where that is not among the runs.
    first: Option<bool>,
    last: bool,
    attempts: usize,
}

/// The yield of the runs that a filter selects, as a table.
pub(crate) fn yields(place: &Path, filter: &Filter, colour: bool) -> Result<String, Error> {
    filter.check_whole()?;
    let mut archive = open_to_read(place)?;
    let (conditions, values) = filter.conditions(0);
    // A head whose first attempt lies before the runs that are asked for has no first attempt among them.
    let sql = format!(
        "SELECT script, simulated, serial, verdict, CAST(CASE WHEN EXISTS (SELECT 1 FROM runs AS others
            WHERE others.serial = runs.serial AND others.script = runs.script
                AND others.simulated = runs.simulated AND (others.started < runs.started
                    OR (others.started = runs.started AND others.id < runs.id))) THEN 1 ELSE 0 END AS BIGINT)
        FROM runs WHERE {conditions} ORDER BY started, id"
    );
    let mut scripts: BTreeMap<(String, bool), HashMap<String, Head>> = BTreeMap::new();
    archive.query(&sql, &values, &mut |row| {
        let text = |at: usize| row.value(at).text();
        let heads = scripts.entry((text(0), row.value(1).whole() != 0)).or_default();
        let head = heads.entry(text(2)).or_default();
        let passed = text(3) == Verdict::Passed.kept_as();
        if row.value(4).whole() == 0 {
            head.first = Some(passed);
        }
        head.last = passed;
        head.attempts += 1;
    })?;
    archive.roll_back()?;
    if scripts.is_empty() {
        return Ok("no such runs\n".to_string());
    }
    let head = "head       heads  re-tests     first attempt      last attempt  script";
    let mut text = format!("{}\n", styled(head, DIM, colour));
    for ((script, simulated), heads) in scripts {
        let all = heads.len();
        let firsts: Vec<bool> = heads.values().filter_map(|head| head.first).collect();
        let retests: usize = heads.values().map(|head| head.attempts).sum::<usize>() - all;
        let line = format!(
            "{:<9}  {all:>5}  {retests:>8}  {:>16}  {:>16}  {}",
            if simulated { "simulated" } else { "real" },
            share(firsts.iter().filter(|passed| **passed).count(), firsts.len()),
            share(heads.values().filter(|head| head.last).count(), all),
            visible_line(&script),
        );
        text.push_str(line.trim_end());
        text.push('\n');
    }
    let note = "First attempt: heads that passed the first time, of those whose first run is among these. \
        Last attempt: heads that passed the last time, of all. Runs of another script, or on a \
        simulated head, are attempts of their own.";
    text.push_str(&styled(&wrapped(note, ""), DIM, colour));
    Ok(text)
}

/// A count and its share.
fn share(count: usize, all: usize) -> String {
    match all {
        0 => "none".to_string(),
        all => format!("{count}/{all} {:.1} %", 100.0 * count as f64 / all as f64),
    }
}
