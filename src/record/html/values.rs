//! Recorded values of a report: single ones as rows, lists of records as tables of their own. And the
//! operator's answers as a table.

use crate::paper::table::{RecordTable, common_unit, head};
use crate::paper::{Head, left_out, section, table, typeset};
use crate::record::checks::CheckRow;
use crate::record::data::{Record, Recorded};
use crate::record::html::tables::Facets;
use maud::{Markup, html};
use spintrue_head::show_number;
use spintrue_language::{Shown, answer_text, decimal_places};

/// Most answers that are shown.
const MAX_ANSWERS: usize = 500;

/// Most rows of a table.
const MAX_ROWS: usize = 100;

/// Most columns beside each other, so that a table fits on paper.
const MAX_BESIDE: usize = 7;

/// Most tables.
const MAX_TABLES: usize = 20;

/// All recorded values; nothing where there are none.
pub(super) fn values(record: &Record) -> Option<Markup> {
    let recorded = &record.recorded;
    if recorded.items.is_empty() && recorded.left_out == 0 {
        return None;
    }
    let lists = recorded.items.iter().filter_map(|r| Some((r, RecordTable::of(&r.shown)?)));
    let lists: Vec<(&Recorded, RecordTable<'_>)> = lists.collect();
    let is_single = |r: &&Recorded| RecordTable::of(&r.shown).is_none();
    let single: Vec<&Recorded> = recorded.items.iter().filter(is_single).collect();
    let hidden = recorded.left_out
        + single.len().saturating_sub(MAX_ROWS)
        + lists.len().saturating_sub(MAX_TABLES);
    let heads = [Head::Text("name"), Head::Text("value"), Head::Number("head time in s")];
    let rows = html! { @for value in single.iter().take(MAX_ROWS) { tr {
        th scope="row" { (value.label) }
        td { (single_text(record, value)) }
        td.number { (format!("{:.3}", value.time)) }
    } } };
    let facets = Facets::of(record);
    let few = |label: &str| {
        let group =
            facets.iter().find(|group| group.lists.iter().any(|(known, _)| *known == label));
        group.map(|group| group.columns.iter().map(|column| column.name).collect::<Vec<_>>())
    };
    let content = html! {
        @if !single.is_empty() { (table("of single values", None, &heads, &rows)) }
        div.tables { @for (number, (list, rows)) in (1..).zip(lists.iter().take(MAX_TABLES)) {
            (record_table(number, &list.label, rows, few(&list.label)))
        } }
        (left_out(hidden, "values", "events.jsonl.gz"))
    };
    Some(section("values", "Recorded values", &content))
}

/// All answers; nothing where nothing was asked.
pub(super) fn answers(record: &Record) -> Option<Markup> {
    let answers = &record.answers;
    if answers.items.is_empty() {
        return None;
    }
    let heads = ["question", "answer", "answered"].map(Head::Text);
    let heads = [&heads[..], &[Head::Number("head time in s")]].concat();
    let rows = html! { @for answer in answers.items.iter().take(MAX_ANSWERS) { tr {
        th scope="row" { (answer.question) }
        td { (typeset::text(&answer_text(&answer.shown))) }
        td { (answer.who) }
        td.number { (format!("{:.3}", answer.time)) }
    } } };
    let hidden = answers.left_out + answers.items.len().saturating_sub(MAX_ANSWERS);
    let content = html! {
        (table("of answers", None, &heads, &rows))
        p.soft { "Given by the operator or by an answers file; nothing was measured." }
        (left_out(hidden, "answers", "events.jsonl.gz"))
    };
    Some(section("answers", "Answers of the operator", &content))
}

/// A value with the digits and the uncertainty of a check that was decided on it.
fn single_text(record: &Record, value: &Recorded) -> String {
    let mut checks = record.checks.items.iter();
    let decided = checks.find(|check| check.decided_on_recorded(value));
    let text = decided.map_or_else(|| value.shown.to_string(), CheckRow::measured);
    typeset::text(&text).into_owned()
}

/// The columns that decide, or all; `number` tells tables of one label apart for those who hear the page.
fn record_table(
    number: usize,
    label: &str,
    rows: &RecordTable<'_>,
    few: Option<Vec<&str>>,
) -> Markup {
    let all = rows.names();
    let is_shown = |name: &&str| few.as_ref().is_none_or(|few| few.contains(name));
    let names: Vec<&str> = all.iter().copied().filter(is_shown).collect();
    let more = all.len() - names.len();
    let columns = names.into_iter().map(|name| {
        let cells = |name: &str| rows.cells(name).take(MAX_ROWS).collect::<Vec<_>>();
        column(name, &cells(name), &cells(&format!("{}_u", name.trim_end_matches("_u"))))
    });
    let columns: Vec<(String, Vec<String>)> = columns.collect();
    let columns_count = columns.len();
    let part_count = columns_count.div_ceil(MAX_BESIDE).max(1);
    let parts = columns.chunks(columns_count.div_ceil(part_count).max(1)).enumerate();
    html! { @for (part, columns) in parts { div {
        @let name = if part == 0 { label.to_string() } else { format!("{label}, continued {part}") };
        div.wide tabindex="0" role="region" aria-label=(format!("table {number}, {name}")) { table.numbers {
            caption { (name) }
            thead { tr {
                th scope="col" { (if rows.is_of_facets { "facet" } else { "no." }) }
                @for (head, _) in columns { th scope="col" { (head) } }
            } }
            tbody { @for (index, key) in rows.keys().take(MAX_ROWS).enumerate() { tr {
                th scope="row" { (key) }
                @for (_, cells) in columns { td { (cells.get(index).map_or("", String::as_str)) } }
            } } }
        } }
        @if part + 1 == part_count {
            (left_out(more, "columns", "the CSV file of this table"))
            (left_out(rows.row_count().saturating_sub(MAX_ROWS), "rows", "the CSV file of this table"))
        }
    } } }
}

/// Head and cells of a column, its quantities all in the unit that suits the largest, with the digits
/// of the smallest of their uncertainties where those are known.
fn column(
    name: &str,
    cells: &[Option<&Shown>],
    uncertainties: &[Option<&Shown>],
) -> (String, Vec<String>) {
    let head = match name.strip_suffix("_u") {
        Some(of) => format!("u({})", head(of)),
        None => head(name),
    };
    let unit = common_unit(cells.iter().flatten().copied());
    let least = uncertainties.iter().flatten().filter_map(|shown| match shown {
        Shown::Quantity { value, .. } if value.is_finite() && *value > 0.0 => Some(*value),
        _ => None,
    });
    let least = least.min_by(f64::total_cmp);
    let text = |shown: &Shown| match (&unit, shown) {
        (Some((size, unit)), Shown::Quantity { value, .. }) => {
            let digits = match least {
                Some(least) => decimal_places(unit.from_si(least) - unit.from_si(0.0), 2),
                None => decimal_places(unit.from_si(*size), 3),
            };
            typeset::text(&show_number(unit.from_si(*value), Some(digits))).into_owned()
        }
        (_, other) => typeset::text(&other.to_string()).into_owned(),
    };
    let head = typeset::in_unit(&head, unit.as_ref().map(|(_, unit)| unit));
    (head, cells.iter().map(|cell| cell.map(text).unwrap_or_default()).collect())
}
