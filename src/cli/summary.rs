//! The closing summary: what was recorded, each facet before and after, how the head was left,
//! and the verdict. Made to be read in ten seconds.

use crate::cli::duration;
use crate::cli::terminal::{BOLD, GREEN, RED, YELLOW, styled};
use crate::head::SafeState;
use crate::interpret::Check;
use crate::program::failure::Failure;
use crate::program::show::{Shown, places};
use crate::program::tree::COVERAGE;
use crate::session::{Finished, Prepared, Verdict};
use crate::source::SourceMap;
use crate::units::{Dimension, parse_unit, show, show_number, suited};

pub(super) fn summary(
    finished: &Finished,
    prepared: &Prepared,
    recorded: &[(String, Shown)],
    at_most: Option<f64>,
    colour: bool,
) -> String {
    let mut text = format!("{}\n", styled("Summary", BOLD, colour));
    text.push_str(&values(recorded, colour));
    let width = label_width(recorded);
    text.push_str(&format!("  {:<width$}  {}\n", "checks", checks(finished)));
    for check in &finished.unreached {
        let said = format!("not reached: {} ({})", check.label, prepared.sources.place(check.span));
        text.push_str(&format!("  {:<width$}  {}\n", "", styled(&said, YELLOW, colour)));
    }
    text.push_str(&format!("  {:<width$}  {}\n", "head", head(&finished.safe)));
    for trouble in &finished.safe.troubles {
        text.push_str(&format!("  {:<width$}  {}\n", "", styled(trouble, RED, colour)));
    }
    let took = show(finished.took, Dimension::TIME, None, None);
    text.push_str(&format!("  {:<width$}  {took} of head time, {}\n", "took", most(at_most)));
    if let Some(failure) = &finished.failure {
        text.push_str(&format!("\n{}", failed(failure, &prepared.sources, colour)));
    }
    let verdict = finished.verdict();
    let style = match verdict {
        Verdict::Passed => GREEN,
        Verdict::Interrupted | Verdict::Undecided => YELLOW,
        _ => RED,
    };
    let checked = finished.conforming + finished.failing + finished.undecided > 0;
    let remark = if verdict == Verdict::Passed && !checked { " (nothing was checked)" } else { "" };
    let said = styled(verdict.text(), &format!("{BOLD};{style}"), colour);
    text.push_str(&format!("\n{said}{remark}\n"));
    text
}

/// Recorded values, single ones first, then lists as tables.
pub(super) fn values(recorded: &[(String, Shown)], colour: bool) -> String {
    let mut text = String::new();
    let (lists, single): (Vec<_>, Vec<_>) =
        recorded.iter().partition(|(_, shown)| rows(shown).is_some());
    let width = label_width(recorded);
    for (label, shown) in single {
        text.push_str(&format!("  {label:<width$}  "));
        match shown {
            Shown::Record(fields) => text.push_str(&fields_of(fields)),
            other => text.push_str(&format!("{other}\n")),
        }
    }
    let lists = tables(&lists, colour);
    if !lists.is_empty() {
        text.push_str(&lists);
        text.push('\n');
    }
    text
}

/// Columns that the labels of single values take.
fn label_width(recorded: &[(String, Shown)]) -> usize {
    let single = recorded.iter().filter(|(_, shown)| rows(shown).is_none());
    let labels = single.map(|(label, _)| label.chars().count());
    labels.filter(|length| *length <= LABEL_MOST).max().unwrap_or(0).max(8)
}

/// Longest label that the others are lined up with.
const LABEL_MOST: usize = 28;

/// A single record, a line for each field.
fn fields_of(fields: &[(std::sync::Arc<str>, Shown)]) -> String {
    let width = fields.iter().map(|(name, _)| name.chars().count()).max().unwrap_or(0);
    let lines = fields.iter().map(|(name, shown)| format!("\n    {name:<width$}  {shown}"));
    format!("{}\n", lines.collect::<String>())
}

fn most(at_most: Option<f64>) -> String {
    match at_most {
        Some(most) => format!("at most {}", duration::text(most)),
        None => "no bound known".to_string(),
    }
}

/// Value, uncertainty and limits of a check, or its condition.
pub(super) fn measured(check: &Check) -> String {
    let Some(measured) = &check.measured else { return check.text.to_string() };
    let value = match &measured.uncertainty {
        Some(uncertainty) if measured.coverage == COVERAGE => {
            format!("{} ± {uncertainty}", measured.value)
        }
        Some(uncertainty) => {
            let factor = show_number(measured.coverage, None);
            format!("{} ± {uncertainty} (k = {factor})", measured.value)
        }
        None => measured.value.to_string(),
    };
    let value = match [&measured.low, &measured.high]
        .into_iter()
        .flatten()
        .find_map(|limit| hidden_difference(&measured.value, &limit.at))
    {
        Some(difference) => format!("{value} ({difference})"),
        None => value,
    };
    match (&measured.low, &measured.high) {
        (Some(low), Some(high)) if low.at == high.at => format!("{value}, should be {}", low.at),
        (Some(low), Some(high)) => format!("{value} within {} .. {}", low.at, high.at),
        (Some(low), None) => format!("{value} {} {}", if low.closed { ">=" } else { ">" }, low.at),
        (None, Some(high)) => {
            format!("{value} {} {}", if high.closed { "<=" } else { "<" }, high.at)
        }
        (None, None) => value,
    }
}

/// How probable it is that the value conforms, where its uncertainty tells.
pub(super) fn sureness(check: &Check) -> String {
    let sure = check.measured.as_ref().and_then(|measured| measured.sureness());
    sure.map_or_else(String::new, |sure| match sure.starts_with(['>', '<']) {
        true => format!(" (P {sure})"),
        false => format!(" (P = {sure})"),
    })
}

/// By how much a value differs from a limit that looks the same.
fn hidden_difference(value: &Shown, limit: &Shown) -> Option<String> {
    let (Shown::Quantity { value, unit, text, .. }, Shown::Quantity { value: at, text: same, .. }) =
        (value, limit)
    else {
        return None;
    };
    let difference = value - at;
    (text == same && difference != 0.0).then(|| {
        let dimension = parse_unit(unit).map_or(Dimension::NUMBER, |unit| unit.dimension);
        let side = if difference > 0.0 { "more" } else { "less" };
        format!("{} {side}", show(difference.abs(), dimension, None, None))
    })
}

fn checks(finished: &Finished) -> String {
    let all = finished.conforming + finished.failing + finished.undecided;
    if all == 0 {
        return "none".to_string();
    }
    let verb = if finished.conforming == 1 { "conforms" } else { "conform" };
    let mut parts = vec![format!("{} of {all} {verb}", finished.conforming)];
    if finished.failing > 0 {
        let verb = if finished.failing == 1 { "does" } else { "do" };
        parts.push(format!("{} {verb} not", finished.failing));
    }
    if finished.undecided > 0 {
        parts.push(format!("{} undecided", finished.undecided));
    }
    parts.join(", ")
}

/// How the head was left. Whatever is not measured at rest is said to turn, or to be taken so.
fn head(safe: &SafeState) -> String {
    let light = if safe.laser_off { "laser off" } else { "LASER NOT KNOWN TO BE OFF" };
    let mirror = if safe.parked { "mirror parked" } else { "mirror not parked" };
    let speed = show(safe.speed, Dimension::ROTATION, None, Some(0));
    let polygon = if !safe.speed.is_finite() {
        "POLYGON SPEED NOT KNOWN: take it as turning".to_string()
    } else if safe.at_rest {
        "polygon at rest".to_string()
    } else if safe.kept_spinning {
        format!("polygon kept spinning at {speed}")
    } else if safe.speed == 0.0 {
        "POLYGON NOT YET SEEN AT REST: take it as turning".to_string()
    } else {
        format!("POLYGON STILL TURNS at {speed}")
    };
    format!("{light}, {mirror}, {polygon} (measured)")
}

/// What stopped the run, where, and by which calls.
fn failed(failure: &Failure, sources: &SourceMap, colour: bool) -> String {
    let kind = styled(failure.kind.text(), &format!("{BOLD};{RED}"), colour);
    let mut text = format!("{kind}: {}\n", failure.message);
    let line = |place| {
        let words = sources.slice(place).split_whitespace().collect::<Vec<_>>().join(" ");
        let more = if words.chars().count() > 60 { "…" } else { "" };
        let words: String = words.chars().take(60).chain(more.chars()).collect();
        format!("{}  {words}", sources.place(place))
    };
    text.push_str(&format!("  at {}\n", line(failure.place)));
    for call in failure.calls.iter().take(20) {
        text.push_str(&format!("  called at {}\n", line(*call)));
    }
    text
}

/// The rows of a recorded list of records: a key and the fields worth a column.
type Row<'a> = (String, Vec<(&'a str, &'a Shown)>);

fn rows(shown: &Shown) -> Option<Vec<Row<'_>>> {
    let Shown::List(items) = shown else { return None };
    let rows = items.iter().enumerate().map(|(index, item)| {
        let Shown::Record(fields) = item else { return None };
        let key = fields.iter().find(|(name, _)| &**name == "facet");
        let key = key.map_or_else(|| index.to_string(), |(_, facet)| facet.to_string());
        let beside = |name: &str| name == "facet" || name == "readings" || name.ends_with("_u");
        let columns = fields.iter().filter(|(name, _)| !beside(name));
        let mut columns: Vec<_> = columns.map(|(name, shown)| (&**name, shown)).collect();
        // People read along the line before across it.
        columns.sort_by_key(|(name, _)| !name.starts_with("in_scan"));
        Some((key, columns))
    });
    rows.collect::<Option<Vec<Row<'_>>>>().filter(|rows| !rows.is_empty())
}

/// Columns that a table may take.
const WIDTH: usize = 80;

/// A recorded list of records.
struct Group<'a> {
    label: &'a str,
    columns: Vec<Column>,
    /// The rows are facets, by a field of that name or as trims are.
    facets: bool,
}

/// Whether the records of a list are about one facet each.
fn of_facets(shown: &Shown) -> bool {
    let Shown::List(items) = shown else { return false };
    let Some(Shown::Record(fields)) = items.first() else { return false };
    let names: Vec<&str> = fields.iter().map(|(name, _)| &**name).collect();
    names.contains(&"facet") || names == ["cross_scan", "in_scan"]
}

/// All recorded lists of records, one row per facet, as many side by side as fit.
fn tables(recorded: &[&(String, Shown)], colour: bool) -> String {
    let groups = recorded.iter().map(|(label, shown)| Group {
        label,
        columns: columns(&rows(shown).unwrap_or_default()),
        facets: of_facets(shown),
    });
    let mut text = String::new();
    let mut row: Vec<Group<'_>> = Vec::new();
    let mut used = KEY;
    for group in groups {
        let width: usize = group.columns.iter().map(|column| column.width() + 2).sum();
        let other = row.first().is_some_and(|first| first.facets != group.facets);
        if !row.is_empty() && (other || used + width > WIDTH) {
            text.push_str(&table(&row, colour));
            row.clear();
            used = KEY;
        }
        used += width;
        row.push(group);
    }
    text.push_str(&table(&row, colour));
    text
}

/// Columns that the number of the facet takes.
const KEY: usize = 10;

fn table(groups: &[Group<'_>], colour: bool) -> String {
    if groups.is_empty() {
        return String::new();
    }
    let mut keys: Vec<&String> = Vec::new();
    for (key, _) in groups.iter().flat_map(|group| &group.columns).flat_map(|c| &c.cells) {
        if !keys.contains(&key) {
            keys.push(key);
        }
    }
    let mut top = " ".repeat(KEY);
    let facets = groups.first().is_some_and(|group| group.facets);
    let mut heads = format!("  {:<width$}", if facets { "facet" } else { "no." }, width = KEY - 2);
    let mut lines: Vec<String> =
        keys.iter().map(|key| format!("  {key:<width$}", width = KEY - 2)).collect();
    for Group { label, columns, .. } in groups {
        let widths: Vec<usize> = columns.iter().map(Column::width).collect();
        let all = widths.iter().map(|width| width + 2).sum::<usize>().saturating_sub(2);
        let label: String = label.chars().take(all).collect();
        top.push_str(&format!("  {label:<all$}"));
        for (column, width) in columns.iter().zip(widths) {
            heads.push_str(&format!("  {:>width$}", column.head));
            for (line, key) in lines.iter_mut().zip(&keys) {
                let cell = column.cells.iter().find(|(k, _)| k == *key).map_or("", |(_, c)| c);
                line.push_str(&format!("  {cell:>width$}"));
            }
        }
    }
    let mut text = format!("\n{}\n{}\n", styled(top.trim_end(), BOLD, colour), heads.trim_end());
    for line in lines {
        text.push_str(line.trim_end());
        text.push('\n');
    }
    text
}

struct Column {
    head: String,
    /// Row key and text.
    cells: Vec<(String, String)>,
}

impl Column {
    fn width(&self) -> usize {
        let cells = self.cells.iter().map(|(_, cell)| cell.chars().count());
        cells.chain([self.head.chars().count()]).max().unwrap_or(0)
    }
}

/// One column per field, its quantities all in one unit.
fn columns(rows: &[Row<'_>]) -> Vec<Column> {
    let Some((_, fields)) = rows.first() else { return Vec::new() };
    let names = fields.iter().map(|(name, _)| *name);
    let columns = names.map(|name| {
        let values: Vec<(&String, &Shown)> = rows
            .iter()
            .filter_map(|(key, fields)| {
                fields.iter().find(|(n, _)| *n == name).map(|(_, shown)| (key, *shown))
            })
            .collect();
        column(name, &values)
    });
    columns.collect()
}

fn column(name: &str, values: &[(&String, &Shown)]) -> Column {
    let head = name.replace("in_scan", "in-scan").replace("cross_scan", "cross-scan");
    let head = head.replace('_', " ");
    let largest = values.iter().filter_map(|(_, shown)| match shown {
        Shown::Quantity { value, unit, asked, .. } => Some((value.abs(), unit, asked)),
        _ => None,
    });
    let largest = largest.max_by(|a, b| a.0.total_cmp(&b.0));
    let unit = largest.and_then(|(size, unit, asked)| {
        if let Some(asked) = asked {
            return Some((size, (**asked).clone()));
        }
        let dimension = parse_unit(unit).ok()?.dimension;
        suited(size, dimension).map(|unit| (size, unit))
    });
    let Some((size, unit)) = unit else {
        let cells = values.iter().map(|(key, shown)| ((*key).clone(), shown.to_string()));
        return Column { head, cells: cells.collect() };
    };
    let decimals = places(unit.from_si(size), 3);
    let cells = values.iter().map(|(key, shown)| {
        let text = match shown {
            Shown::Quantity { value, .. } => show_number(unit.from_si(*value), Some(decimals)),
            other => other.to_string(),
        };
        ((*key).clone(), text)
    });
    Column { head: format!("{head} {}", unit.text), cells: cells.collect() }
}

#[cfg(test)]
mod tests {
    use super::head;
    use crate::head::SafeState;

    fn left(speed: f64, at_rest: bool) -> String {
        let safe = SafeState {
            laser_off: true,
            parked: true,
            speed,
            at_rest,
            kept_spinning: false,
            troubles: Vec::new(),
        };
        head(&safe)
    }

    #[test]
    fn only_what_is_measured_at_rest_is_said_to_rest() {
        assert!(left(0.0, true).contains("polygon at rest"));
        assert!(left(10.0, false).contains("POLYGON STILL TURNS at 95 rpm"));
        // Pushed a moment ago, and no pulse has come yet.
        assert!(left(0.0, false).contains("NOT YET SEEN AT REST: take it as turning"));
        assert!(left(f64::NAN, false).contains("SPEED NOT KNOWN: take it as turning"));
    }
}
