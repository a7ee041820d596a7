//! Recorded values for people: a record field by field, lists of records as tables side by side.

use crate::paper::plot::ends;
use crate::paper::table::{RecordTable, common_unit, head, is_detail};
use crate::terminal::width::{fitting, padded, width as columns_of};
use crate::terminal::{BOLD, styled, table_columns};
use spintrue_head::{noise_of, show_number};
use spintrue_language::{Shown, decimal_places};

/// A single record, a line for each field.
pub(crate) fn fields_of(fields: &[(std::sync::Arc<str>, Shown)]) -> String {
    let width = fields.iter().map(|(name, _)| columns_of(name)).max().unwrap_or(0);
    let lines =
        fields.iter().map(|(name, shown)| format!("\n    {}  {shown}", padded(name, width)));
    format!("{}\n", lines.collect::<String>())
}

/// Whether a value is shown as a table.
pub(crate) fn is_table(shown: &Shown) -> bool {
    RecordTable::of(shown).is_some()
}

/// A recorded list of records.
struct Group<'a> {
    label: &'a str,
    columns: Vec<Column>,
    is_of_facets: bool,
}

/// All recorded lists of records, one row per facet, as many side by side as fit.
pub(crate) fn tables(recorded: &[&(String, Shown)], colour: bool) -> String {
    let all = recorded.iter().filter_map(|(label, shown)| Some((label, RecordTable::of(shown)?)));
    let groups = all.flat_map(|(label, table)| {
        let parts = parted(columns(&table)).into_iter();
        parts.map(move |columns| Group { label, columns, is_of_facets: table.is_of_facets })
    });
    let mut text = String::new();
    let mut row: Vec<Group<'_>> = Vec::new();
    let mut used = KEY;
    for group in groups {
        let width: usize = group.columns.iter().map(|column| column.width() + 2).sum();
        let other = row.first().is_some_and(|first| first.is_of_facets != group.is_of_facets);
        if !row.is_empty() && (other || used + width > table_columns()) {
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

/// Columns in as many parts as it takes for each to fit beside the number of the facet.
fn parted(columns: Vec<Column>) -> Vec<Vec<Column>> {
    let mut parts: Vec<Vec<Column>> = Vec::new();
    let mut used = table_columns();
    for column in columns {
        let width = column.width() + 2;
        match parts.last_mut() {
            Some(part) if used + width <= table_columns() => part.push(column),
            _ => {
                used = KEY;
                parts.push(vec![column]);
            }
        }
        used += width;
    }
    parts
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
    let facets = groups.first().is_some_and(|group| group.is_of_facets);
    let mut heads = format!("  {:<width$}", if facets { "facet" } else { "no." }, width = KEY - 2);
    let mut lines: Vec<String> =
        keys.iter().map(|key| format!("  {key:<width$}", width = KEY - 2)).collect();
    for (at, Group { label, columns, .. }) in groups.iter().enumerate() {
        let widths: Vec<usize> = columns.iter().map(Column::width).collect();
        let all = widths.iter().map(|width| width + 2).sum::<usize>().saturating_sub(2);
        let room = if at + 1 == groups.len() { table_columns() - KEY } else { all };
        top.push_str(&format!("  {}", padded(fitting(label, room), all)));
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
        let cells = self.cells.iter().map(|(_, cell)| columns_of(cell));
        cells.chain([columns_of(&self.head)]).max().unwrap_or(0)
    }
}

/// One column per field, its quantities all in one unit.
fn columns(table: &RecordTable<'_>) -> Vec<Column> {
    let names = table.names().into_iter().filter(|name| !is_detail(name));
    let columns = names.map(|name| {
        let cells = table.keys().zip(table.cells(name));
        column(name, cells.filter_map(|(key, shown)| Some((key, shown?))).collect())
    });
    columns.collect()
}

fn column(name: &str, values: Vec<(String, &Shown)>) -> Column {
    let head = head(name);
    let Some((size, unit)) = common_unit(values.iter().map(|(_, shown)| *shown)) else {
        let cells = values.into_iter().map(|(key, shown)| (key, shown.to_string()));
        return Column { head, cells: cells.collect() };
    };
    // Three digits of the largest, and two of what tells the values apart.
    let numbers = values.iter().filter_map(|(_, shown)| match shown {
        Shown::Quantity { value, .. } if value.is_finite() => Some(unit.from_si(*value)),
        _ => None,
    });
    let (low, high) = ends(numbers);
    let apart = if high - low > noise_of(unit.from_si(size)) { high - low } else { 0.0 };
    let decimals = match apart {
        0.0 => None,
        apart => Some(decimal_places(unit.from_si(size), 3).max(decimal_places(apart, 2))),
    };
    let head = format!("{head} {}", unit.text);
    let cells = values.into_iter().map(|(key, shown)| {
        let text = match shown {
            Shown::Quantity { value, .. } => show_number(unit.from_si(*value), decimals),
            other => other.to_string(),
        };
        (key, text)
    });
    Column { head, cells: cells.collect() }
}
