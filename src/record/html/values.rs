//! Recorded values of a report: single ones as rows, lists of records as tables of their own.

use crate::program::show::{Shown, places};
use crate::record::checks::CheckRow;
use crate::record::data::{Record, Recorded};
use crate::units::{UnitText, parse_unit, show_number, suited};
use maud::{Markup, html};

/// Most rows of a table.
const ROWS_MOST: usize = 100;

/// Most tables.
const TABLES_MOST: usize = 20;

/// All recorded values; nothing where there are none.
pub(super) fn values(record: &Record) -> Option<Markup> {
    let recorded = &record.recorded;
    if recorded.items.is_empty() && recorded.left_out == 0 {
        return None;
    }
    let (lists, single): (Vec<&Recorded>, Vec<&Recorded>) =
        recorded.items.iter().partition(|r| records(&r.shown).is_some());
    let shown = single.iter().take(ROWS_MOST);
    let hidden = recorded.left_out
        + single.len().saturating_sub(ROWS_MOST)
        + lists.len().saturating_sub(TABLES_MOST);
    Some(html! {
        section aria-labelledby="values" {
            h2 id="values" { "Recorded values" }
            @if !single.is_empty() {
                div.wide tabindex="0" role="region" aria-label="table of single values" { table {
                    thead { tr {
                        th scope="col" { "name" }
                        th scope="col" { "value" }
                        th.number scope="col" { "head time in s" }
                    } }
                    tbody { @for value in shown { tr {
                        th scope="row" { (value.label) }
                        td { (single_text(record, value)) }
                        td.number { (format!("{:.3}", value.time)) }
                    } } }
                } }
            }
            div.tables { @for list in lists.iter().take(TABLES_MOST) {
                @if let Some(rows) = records(&list.shown) { (table(&list.label, &rows)) }
            } }
            @if hidden > 0 {
                p.soft { (hidden) " further values are not shown here; events.jsonl has them all." }
            }
        }
    })
}

/// A value with the digits and the uncertainty of a check that was decided on it.
fn single_text(record: &Record, value: &Recorded) -> String {
    let mut checks = record.checks.items.iter();
    let decided = checks.find(|check| check.decided_on_recorded(value));
    decided.map_or_else(|| value.shown.to_string(), CheckRow::measured)
}

type Fields = [(std::sync::Arc<str>, Shown)];

/// The records of a list of records.
fn records(shown: &Shown) -> Option<Vec<&Fields>> {
    let Shown::List(items) = shown else { return None };
    let fields = items.iter().map(|item| match item {
        Shown::Record(fields) => Some(fields.as_slice()),
        _ => None,
    });
    fields.collect::<Option<Vec<_>>>().filter(|rows| !rows.is_empty())
}

fn table(label: &str, rows: &[&Fields]) -> Markup {
    let names: Vec<&str> = rows.first().into_iter().flat_map(|r| r.iter()).map(|f| &*f.0).collect();
    let facets = names.contains(&"facet") || names == ["cross_scan", "in_scan"];
    let mut names: Vec<&str> = names.into_iter().filter(|name| *name != "facet").collect();
    // People read along the line before across it.
    names.sort_by_key(|name| !name.starts_with("in_scan"));
    let field = |row: &Fields, name: &str| -> Option<Shown> {
        row.iter().find(|(known, _)| **known == *name).map(|(_, shown)| shown.clone())
    };
    let columns = names.iter().map(|name| {
        let cells = |name: &str| rows.iter().take(ROWS_MOST).map(|row| field(row, name)).collect();
        column(name, cells(name), &cells(&format!("{}_u", name.trim_end_matches("_u"))))
    });
    let columns: Vec<(String, Vec<String>)> = columns.collect();
    let keys = rows.iter().take(ROWS_MOST).enumerate().map(|(index, row)| {
        field(row, "facet").map_or_else(|| index.to_string(), |facet| facet.to_string())
    });
    let left_out = rows.len().saturating_sub(ROWS_MOST);
    html! { div {
        div.wide tabindex="0" role="region" aria-label=(format!("table {label}")) { table {
            caption { (label) }
            thead { tr {
                th.number scope="col" { (if facets { "facet" } else { "no." }) }
                @for (head, _) in &columns { th.number scope="col" { (head) } }
            } }
            tbody { @for (index, key) in keys.enumerate() { tr {
                th.number scope="row" { (key) }
                @for (_, cells) in &columns {
                    td.number { (cells.get(index).map_or("", String::as_str)) }
                }
            } } }
        } }
        @if left_out > 0 {
            p.soft { (left_out) " further rows are not shown here; values.toml has them all." }
        }
    } }
}

/// Head and cells of a column, its quantities all in the unit that suits the largest, with the digits
/// of the smallest of their uncertainties where those are told.
fn column(
    name: &str,
    cells: Vec<Option<Shown>>,
    uncertainties: &[Option<Shown>],
) -> (String, Vec<String>) {
    let head = name.replace("in_scan", "in-scan").replace("cross_scan", "cross-scan");
    let head = match head.strip_suffix("_u") {
        Some(of) => format!("u({of})"),
        None => head.replace('_', " "),
    };
    let largest = cells.iter().flatten().filter_map(|shown| match shown {
        Shown::Quantity { value, unit, asked, .. } if value.is_finite() => {
            Some((value.abs(), unit, asked))
        }
        _ => None,
    });
    let largest = largest.max_by(|one, other| one.0.total_cmp(&other.0));
    let unit: Option<(f64, UnitText)> = largest.and_then(|(size, unit, asked)| match asked {
        Some(asked) => Some((size, (**asked).clone())),
        None => Some((size, suited(size, parse_unit(unit).ok()?.dimension)?)),
    });
    let least = uncertainties.iter().flatten().filter_map(|shown| match shown {
        Shown::Quantity { value, .. } if value.is_finite() && *value > 0.0 => Some(*value),
        _ => None,
    });
    let least = least.min_by(f64::total_cmp);
    let text = |shown: Shown| match (&unit, shown) {
        (Some((size, unit)), Shown::Quantity { value, .. }) => {
            let digits = match least {
                Some(least) => places(unit.from_si(least) - unit.from_si(0.0), 2),
                None => places(unit.from_si(*size), 3),
            };
            show_number(unit.from_si(value), Some(digits))
        }
        (_, other) => other.to_string(),
    };
    let head = unit.as_ref().map_or(head.clone(), |(_, unit)| format!("{head} in {}", unit.text));
    (head, cells.into_iter().map(|cell| cell.map(text).unwrap_or_default()).collect())
}
