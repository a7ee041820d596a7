//! Which checks fail most often: counted and ranked in each group of runs (a Pareto table).

use crate::archive::counts::{Counts, Table};
use crate::archive::filter::{Filter, Group, Grouping};
use crate::archive::open::open_to_read;
use crate::archive::sql::{Row, Store, Values};
use crate::error::Error;
use crate::terminal::columns::Side;
use crate::terminal::counted;
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
}

/// What is counted of runs.
struct Counted<'a> {
    /// What a count is kept for, so many columns, and the count.
    columns: &'a str,
    kept: usize,
    from: &'a str,
    /// Which of the selected runs, with what is read of them.
    which: &'a str,
}

impl Selected<'_> {
    /// Reads counts; `each` takes those of a group from a row, and the place of the first column in it.
    fn count(
        &self,
        archive: &mut dyn Store,
        all: &mut All,
        counted: &Counted<'_>,
        each: impl Fn(&mut Failing, &dyn Row, usize),
    ) -> Result<(), Error> {
        let mut values = Values::default();
        let grouped = self.grouping.grouped(&mut values)?;
        let conditions = self.filter.conditions(&mut values);
        let Counted { columns, kept, from, which } = counted;
        let sql = format!(
            "SELECT {}{columns} FROM {from}{} WHERE {conditions}{which} {}",
            grouped.columns,
            grouped.joins,
            grouped.clause(*kept)
        );
        archive.query(&sql, &values.0, &mut |row| {
            each(all.entry(grouped.of(row)).or_default(), row, grouped.count);
        })
    }
}

/// The checks that do not conform in the runs that a filter selects.
pub(crate) fn failing(
    place: &Path,
    filter: &Filter,
    grouping: &Grouping,
    with_simulated: bool,
) -> Result<Counts, Error> {
    filter.check_whole()?;
    let mut archive = open_to_read(place)?;
    let selected = Selected { filter, grouping };
    let mut all = All::new();
    let mut count = |counted: Counted<'_>, each: &dyn Fn(&mut Failing, &dyn Row, usize)| {
        selected.count(&mut *archive, &mut all, &counted, each)
    };
    let runs = Counted { columns: "runs.simulated, count(*)", kept: 1, from: "runs", which: "" };
    count(runs, &|of, row, at| {
        let count = row.value(at + 1).whole() as usize;
        let is_simulated = row.value(at).whole() != 0;
        of.rehearsals += if is_simulated { count } else { 0 };
        of.runs += if is_simulated && !with_simulated { 0 } else { count };
    })?;
    let real = if with_simulated { "" } else { " AND runs.simulated = 0" };
    let checks = Counted {
        columns: "checks.label, checks.outcome, count(DISTINCT checks.run)",
        kept: 2,
        from: "checks JOIN runs ON runs.id = checks.run",
        which: &format!("{real} AND checks.outcome <> 'conforms'"),
    };
    count(checks, &|of, row, at| {
        let check = of.checks.entry(row.text(at).into_owned()).or_default();
        let count = row.value(at + 2).whole() as usize;
        match &*row.text(at + 1) {
            "undecided" => check.undecided += count,
            _ => check.failing += count,
        }
    })?;
    let not_reached = Counted {
        columns: "runs.not_reached, count(*)",
        kept: 1,
        from: "runs",
        which: &format!("{real} AND runs.not_reached <> '[]'"),
    };
    count(not_reached, &|of, row, at| {
        let labels: Vec<String> = serde_json::from_str(&row.text(at)).unwrap_or_default();
        let count = row.value(at + 1).whole() as usize;
        for label in labels {
            of.checks.entry(label).or_default().not_reached += count;
        }
    })?;
    Ok(Counts {
        title: "Failing checks",
        tables: all
            .iter()
            .map(|(group, of)| table(&grouping.name(group), of, with_simulated))
            .collect(),
        note: "Each check counts once a run. Failing: its values do not conform. The share is that of \
            all failing ones, and the total that of this check and those above it.",
    })
}

fn table(name: &str, of: &Failing, with_simulated: bool) -> Table {
    let name = if name.is_empty() { String::new() } else { format!("{name}: ") };
    let rehearsals = match (of.rehearsals, with_simulated) {
        (0, _) => String::new(),
        (count, true) => format!(", {count} of them on simulated heads"),
        (count, false) => format!("; {count} on simulated heads left out"),
    };
    let mut checks: Vec<(&String, &Count)> = of.checks.iter().collect();
    checks.sort_by_key(|(_, of)| std::cmp::Reverse((of.failing, of.undecided, of.not_reached)));
    let all: usize = checks.iter().map(|(_, of)| of.failing).sum();
    let share = |count: usize| match all {
        0 => "–".to_string(),
        all => format!("{:.1} %", 100.0 * count as f64 / all as f64),
    };
    let mut above = 0;
    let rows = checks.iter().map(|(label, of)| {
        above += of.failing;
        let Count { failing, undecided, not_reached } = of;
        let counts = [failing.to_string(), share(*failing), share(above)];
        let others = [undecided.to_string(), not_reached.to_string(), label.to_string()];
        [counts, others].concat()
    });
    let heads = ["failing", "share", "total", "undecided", "not reached"];
    let heads = heads.map(|head| (head.to_string(), Side::Right)).into_iter();
    Table {
        name: format!("{name}{}{rehearsals}", counted(of.runs, "run")),
        heads: heads.chain([("check".to_string(), Side::Wrap)]).collect(),
        rows: rows.collect(),
        nothing: if of.runs > 0 { "every check conforms" } else { "" },
        drawn: (
            "Runs in which a check fails",
            "runs",
            checks.iter().map(|(_, of)| of.failing as f64).collect(),
        ),
    }
}
