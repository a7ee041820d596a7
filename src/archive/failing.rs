//! Which checks fail most often: counted and ranked in each group of runs (a Pareto table).

use crate::archive::filter::{Filter, Group, Grouped, Grouping};
use crate::archive::open::open_to_read;
use crate::archive::sql::{Store, Values};
use crate::archive::trend::runs_text;
use crate::error::Error;
use crate::terminal::columns::{Line, Side, columns};
use crate::terminal::{BOLD, DIM, styled, wrapped};
use spintrue_head::visible_line;
use std::collections::BTreeMap;
use std::path::Path;

/// In how many runs a check did what.
#[derive(Clone, Copy, Default)]
struct Count {
    failing: usize,
    undecided: usize,
    not_reached: usize,
}

/// The runs of a group, and the checks of which not all conform.
#[derive(Default)]
struct Failing {
    runs: usize,
    rehearsals: usize,
    checks: BTreeMap<String, Count>,
}

type All = BTreeMap<Group, Failing>;

/// How runs are selected and kept apart.
struct Selected<'a> {
    filter: &'a Filter,
    grouping: &'a Grouping,
    simulated: &'static str,
}

impl Selected<'_> {
    /// A statement made of its groups and conditions, and its parameters.
    fn statement(
        &self,
        sql: impl Fn(&Grouped, &str) -> String,
    ) -> Result<(Grouped, String, Values), Error> {
        let mut values = Values::default();
        let grouped = self.grouping.grouped(&mut values)?;
        let conditions = self.filter.conditions(&mut values);
        let sql = sql(&grouped, &conditions);
        Ok((grouped, sql, values))
    }
}

/// The checks that do not conform in the runs that a filter selects, as tables.
pub(crate) fn failing(
    place: &Path,
    filter: &Filter,
    grouping: &Grouping,
    with_simulated: bool,
    colour: bool,
) -> Result<String, Error> {
    filter.check_whole()?;
    let mut archive = open_to_read(place)?;
    let simulated = if with_simulated { "" } else { " AND runs.simulated = 0" };
    let selected = Selected { filter, grouping, simulated };
    let mut all = All::new();
    count_runs(&mut *archive, &selected, &mut all)?;
    count_checks(&mut *archive, &selected, &mut all)?;
    count_not_reached(&mut *archive, &selected, &mut all)?;
    if all.is_empty() {
        return Ok("no such runs\n".to_string());
    }
    let texts =
        all.iter().map(|(group, of)| table(&grouping.name(group), of, with_simulated, colour));
    let mut text = texts.collect::<Vec<_>>().join("\n");
    let note = "Each check counts once a run. Failing: its values do not conform. The share is that of all \
        failing ones, and the total that of this check and those above it.";
    text.push_str(&format!("\n{}", styled(&wrapped(note, ""), DIM, colour)));
    Ok(text)
}

fn count_runs(
    archive: &mut dyn Store,
    selected: &Selected<'_>,
    all: &mut All,
) -> Result<(), Error> {
    let (grouped, sql, values) = selected.statement(|grouped, conditions| {
        format!(
            "SELECT {}runs.simulated, count(*) FROM runs{} WHERE {conditions} {}",
            grouped.columns,
            grouped.joins,
            grouped.clause(1)
        )
    })?;
    let from = grouped.count;
    archive.query(&sql, &values.0, &mut |row| {
        let of = all.entry(grouped.of(row)).or_default();
        let count = row.value(from + 1).whole() as usize;
        let is_simulated = row.value(from).whole() != 0;
        of.rehearsals += if is_simulated { count } else { 0 };
        of.runs += if is_simulated && !selected.simulated.is_empty() { 0 } else { count };
    })
}

fn count_checks(
    archive: &mut dyn Store,
    selected: &Selected<'_>,
    all: &mut All,
) -> Result<(), Error> {
    let (grouped, sql, values) = selected.statement(|grouped, conditions| {
        format!(
            "SELECT {}checks.label, checks.outcome, count(DISTINCT checks.run)
            FROM checks JOIN runs ON runs.id = checks.run{}
            WHERE checks.outcome <> 'conforms' AND {conditions}{} {}",
            grouped.columns,
            grouped.joins,
            selected.simulated,
            grouped.clause(2)
        )
    })?;
    let from = grouped.count;
    archive.query(&sql, &values.0, &mut |row| {
        let of = all.entry(grouped.of(row)).or_default();
        let check = of.checks.entry(row.text(from).into_owned()).or_default();
        let count = row.value(from + 2).whole() as usize;
        match &*row.text(from + 1) {
            "undecided" => check.undecided += count,
            _ => check.failing += count,
        }
    })
}

fn count_not_reached(
    archive: &mut dyn Store,
    selected: &Selected<'_>,
    all: &mut All,
) -> Result<(), Error> {
    let (grouped, sql, values) = selected.statement(|grouped, conditions| {
        format!(
            "SELECT {}runs.not_reached, count(*) FROM runs{}
            WHERE runs.not_reached <> '[]' AND {conditions}{} {}",
            grouped.columns,
            grouped.joins,
            selected.simulated,
            grouped.clause(1)
        )
    })?;
    let from = grouped.count;
    archive.query(&sql, &values.0, &mut |row| {
        let of = all.entry(grouped.of(row)).or_default();
        let labels: Vec<String> = serde_json::from_str(&row.text(from)).unwrap_or_default();
        for label in labels {
            let count = row.value(from + 1).whole() as usize;
            of.checks.entry(label).or_default().not_reached += count;
        }
    })
}

fn table(name: &str, of: &Failing, with_simulated: bool, colour: bool) -> String {
    let name = if name.is_empty() { String::new() } else { format!("{}: ", visible_line(name)) };
    let rehearsals = match (of.rehearsals, with_simulated) {
        (0, _) => String::new(),
        (count, true) => format!(", {count} of them on simulated heads"),
        (count, false) => format!("; {count} on simulated heads left out"),
    };
    let title = format!("{name}{}{rehearsals}", runs_text(of.runs));
    let mut text = format!("{}\n", styled(&title, BOLD, colour));
    if of.checks.is_empty() {
        text.push_str(if of.runs > 0 { "every check conforms\n" } else { "" });
        return text;
    }
    let mut checks: Vec<(&String, &Count)> = of.checks.iter().collect();
    checks.sort_by_key(|(_, of)| std::cmp::Reverse((of.failing, of.undecided, of.not_reached)));
    let all: usize = checks.iter().map(|(_, of)| of.failing).sum();
    let share = |count: usize| match all {
        0 => "–".to_string(),
        all => format!("{:.1} %", 100.0 * count as f64 / all as f64),
    };
    let mut above = 0;
    let lines = checks.into_iter().map(|(label, of)| {
        above += of.failing;
        Line::from(vec![
            of.failing.to_string(),
            share(of.failing),
            share(above),
            of.undecided.to_string(),
            of.not_reached.to_string(),
            label.clone(),
        ])
    });
    let heads = [
        ("failing", Side::Right),
        ("share", Side::Right),
        ("total", Side::Right),
        ("undecided", Side::Right),
        ("not reached", Side::Right),
        ("check", Side::Wrap),
    ];
    text + &columns(&heads, &lines.collect::<Vec<_>>(), colour)
}
