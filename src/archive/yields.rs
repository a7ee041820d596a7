//! How many heads pass, at their first attempt and at their last one, in each group of runs.

use crate::archive::counts::{Counts, Table};
use crate::archive::filter::{Filter, Group, Grouping};
use crate::archive::open::open_to_read;
use crate::archive::sql::Values;
use crate::error::Error;
use crate::terminal::columns::Side;
use spintrue_language::Verdict;
use std::collections::BTreeMap;
use std::path::Path;

/// The attempts at a head by a script, within a group.
#[derive(Default)]
struct Attempts {
    /// Whether the first attempt of all passed; none where that is in no or another group.
    first: Option<bool>,
    last: bool,
    count: usize,
}

/// Counts of a group.
#[derive(Default)]
struct Yield {
    heads: usize,
    retests: usize,
    firsts: usize,
    first_passed: usize,
    last_passed: usize,
}

impl Yield {
    fn add(&mut self, head: &Attempts) {
        self.heads += 1;
        self.retests += head.count - 1;
        self.firsts += usize::from(head.first.is_some());
        self.first_passed += usize::from(head.first == Some(true));
        self.last_passed += usize::from(head.last);
    }
}

/// The yield of the runs that a filter selects.
pub(crate) fn yields(place: &Path, filter: &Filter, grouping: &Grouping) -> Result<Counts, Error> {
    filter.check_whole()?;
    let mut grouping = grouping.clone();
    if grouping.by.is_empty() {
        grouping.by.push("script".to_string());
    }
    let mut archive = open_to_read(place)?;
    let mut values = Values::default();
    // Runs that are not selected are read too: they may be first attempts.
    let grouped = grouping.grouped(&mut values)?;
    // In the order in which they were stored: a clock may step back.
    let sql = |conditions: &str| {
        format!(
            "SELECT {}runs.serial, runs.script, runs.simulated, runs.verdict,
                CAST(CASE WHEN {conditions} THEN 1 ELSE 0 END AS BIGINT)
            FROM runs{} ORDER BY runs.serial, runs.script, runs.simulated, runs.id",
            grouped.columns, grouped.joins
        )
    };
    let sql = sql(&filter.conditions(&mut values));
    let mut totals: BTreeMap<(Group, bool), Yield> = BTreeMap::new();
    let mut head: (String, String, i64) = Default::default();
    let mut attempts: BTreeMap<Group, Attempts> = BTreeMap::new();
    let mut count = |attempts: &mut BTreeMap<Group, Attempts>, simulated: bool| {
        for (group, head) in std::mem::take(attempts) {
            totals.entry((group, simulated)).or_default().add(&head);
        }
    };
    let from = grouped.count;
    let mut is_first = true;
    archive.query(&sql, &values.0, &mut |row| {
        let (serial, script, simulated) =
            (row.text(from), row.text(from + 1), row.value(from + 2).whole());
        if (&*serial, &*script, simulated) != (&*head.0, &*head.1, head.2) || is_first {
            count(&mut attempts, head.2 != 0);
            head = (serial.into_owned(), script.into_owned(), simulated);
            is_first = true;
        }
        if row.value(from + 4).whole() != 0 {
            let of = attempts.entry(grouped.of(row)).or_default();
            of.last = row.text(from + 3) == Verdict::Passed.kept_as();
            of.count += 1;
            if is_first {
                of.first = Some(of.last);
            }
        }
        is_first = false;
    })?;
    count(&mut attempts, head.2 != 0);
    let names = grouping.by.iter().map(|name| (name.clone(), Side::Left));
    let numbers = ["heads", "re-tests", "first attempt", "last attempt"];
    let numbers = numbers.map(|head| (head.to_string(), Side::Right));
    let last = totals.values().map(|of| 100.0 * of.last_passed as f64 / of.heads as f64).collect();
    let rows = totals.into_iter().map(|((group, simulated), of)| {
        let shown = |value: String| if value.is_empty() { "–".to_string() } else { value };
        let mut cells: Vec<String> = group.into_iter().map(shown).collect();
        cells.extend([
            if simulated { "simulated" } else { "real" }.to_string(),
            of.heads.to_string(),
            of.retests.to_string(),
            share(of.first_passed, of.firsts),
            share(of.last_passed, of.heads),
        ]);
        cells
    });
    let table = Table {
        name: String::new(),
        heads: names.chain([("head".to_string(), Side::Left)]).chain(numbers).collect(),
        rows: rows.collect(),
        nothing: "",
        drawn: ("Heads that passed at their last attempt", "share in %", last),
    };
    Ok(Counts {
        title: "Yield",
        tables: Some(table).filter(|table| !table.rows.is_empty()).into_iter().collect(),
        note: "First attempt: heads that passed the first time, of those whose first run is among \
            these. Last attempt: heads that passed the last time, of all. Runs of another script, or \
            on a simulated head, are attempts of their own.",
    })
}

/// A count and its share.
fn share(count: usize, all: usize) -> String {
    match all {
        0 => "none".to_string(),
        all => format!("{count}/{all} {:>5.1} %", 100.0 * count as f64 / all as f64),
    }
}
