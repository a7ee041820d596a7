//! Recorded values for people: a record field by field, lists of records as tables side by side.

use crate::program::show::{Shown, places};
use crate::terminal::{BOLD, styled};
use crate::units::{noise, parse_unit, show_number, suited};

/// A single record, a line for each field.
pub fn fields_of(fields: &[(std::sync::Arc<str>, Shown)]) -> String {
    let width = fields.iter().map(|(name, _)| name.chars().count()).max().unwrap_or(0);
    let lines = fields.iter().map(|(name, shown)| format!("\n    {name:<width$}  {shown}"));
    format!("{}\n", lines.collect::<String>())
}

/// The rows of a recorded list of records: a key and the fields worth a column.
pub type Row<'a> = (String, Vec<(&'a str, &'a Shown)>);

/// A row for each record of a list of records; none for anything else.
pub fn rows(shown: &Shown) -> Option<Vec<Row<'_>>> {
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
pub fn tables(recorded: &[&(String, Shown)], colour: bool) -> String {
    let groups = recorded.iter().flat_map(|(label, shown)| {
        let facets = of_facets(shown);
        let parts = parted(columns(&rows(shown).unwrap_or_default()));
        parts.into_iter().map(move |columns| Group { label, columns, facets })
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

/// Columns in as many parts as it takes for each to fit beside the number of the facet.
fn parted(columns: Vec<Column>) -> Vec<Vec<Column>> {
    let mut parts: Vec<Vec<Column>> = Vec::new();
    let mut used = WIDTH;
    for column in columns {
        let width = column.width() + 2;
        match parts.last_mut() {
            Some(part) if used + width <= WIDTH => part.push(column),
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
    let facets = groups.first().is_some_and(|group| group.facets);
    let mut heads = format!("  {:<width$}", if facets { "facet" } else { "no." }, width = KEY - 2);
    let mut lines: Vec<String> =
        keys.iter().map(|key| format!("  {key:<width$}", width = KEY - 2)).collect();
    for (at, Group { label, columns, .. }) in groups.iter().enumerate() {
        let widths: Vec<usize> = columns.iter().map(Column::width).collect();
        let all = widths.iter().map(|width| width + 2).sum::<usize>().saturating_sub(2);
        let room = if at + 1 == groups.len() { WIDTH - KEY } else { all };
        let label: String = label.chars().take(room).collect();
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
    // Three digits of the largest, and two of what tells the values apart.
    let numbers = values.iter().filter_map(|(_, shown)| match shown {
        Shown::Quantity { value, .. } if value.is_finite() => Some(unit.from_si(*value)),
        _ => None,
    });
    let (low, high) = numbers.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), number| {
        (low.min(number), high.max(number))
    });
    let apart = if high - low > noise(unit.from_si(size)) { high - low } else { 0.0 };
    let decimals = match apart {
        0.0 => None,
        apart => Some(places(unit.from_si(size), 3).max(places(apart, 2))),
    };
    let cells = values.iter().map(|(key, shown)| {
        let text = match shown {
            Shown::Quantity { value, .. } => show_number(unit.from_si(*value), decimals),
            other => other.to_string(),
        };
        ((*key).clone(), text)
    });
    Column { head: format!("{head} {}", unit.text), cells: cells.collect() }
}
