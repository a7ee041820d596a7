//! Recorded lists of records as tables: their rows, columns and units.

use spintrue_head::{UnitText, parse_unit, suited_unit};
use spintrue_language::Shown;
use std::sync::Arc;

/// A list of records, a row each.
pub(crate) struct RecordTable<'a> {
    /// The rows are facets, by a field of that name or as trims are.
    pub is_of_facets: bool,
    rows: Vec<&'a [(Arc<str>, Shown)]>,
}

/// The fields of a trim, of which lists hold one a facet.
const TRIM_FIELDS: [&str; 4] = ["cross_scan", "in_scan", "length", "power"];

/// Whether a field stands beside what was measured: how sure it is, and how it was measured. Tables for a terminal
/// leave it out.
pub(crate) fn is_detail(name: &str) -> bool {
    let suffixes = ["_u", "_digit", "_trim", "_scatter", "_start", "_end"];
    let names = ["readings", "left_out", "marks", "degrees", "rejected", "speed_error"];
    names.contains(&name) || suffixes.iter().any(|suffix| name.ends_with(suffix))
}

impl<'a> RecordTable<'a> {
    /// The table of a value; none where it is no list of records or an empty one.
    pub(crate) fn of(shown: &'a Shown) -> Option<RecordTable<'a>> {
        let Shown::List(items) = shown else { return None };
        let fields = items.iter().map(|item| match item {
            Shown::Record(fields) => Some(fields.as_slice()),
            _ => None,
        });
        let rows = fields.collect::<Option<Vec<_>>>()?;
        let names: Vec<&str> = rows.first()?.iter().map(|(name, _)| &**name).collect();
        let is_of_facets = names.contains(&"facet") || names == TRIM_FIELDS;
        Some(RecordTable { is_of_facets, rows })
    }

    /// How many rows there are.
    pub(crate) fn row_count(&self) -> usize {
        self.rows.len()
    }

    /// The facet or the number of each row.
    pub(crate) fn keys(&self) -> impl Iterator<Item = String> {
        self.rows.iter().enumerate().map(|(index, row)| {
            field(row, "facet").map_or_else(|| index.to_string(), Shown::to_string)
        })
    }

    /// The names of all columns but the facet; people read along the line before across it.
    pub(crate) fn names(&self) -> Vec<&'a str> {
        let fields = self.rows.first().into_iter().flat_map(|row| row.iter());
        let names = fields.map(|(name, _)| &**name).filter(|name| *name != "facet");
        let mut names: Vec<&str> = names.collect();
        names.sort_by_key(|name| !name.starts_with("in_scan"));
        names
    }

    /// The values of a column.
    pub(crate) fn cells(&self, name: &str) -> impl Iterator<Item = Option<&'a Shown>> {
        self.rows.iter().map(move |row| field(row, name))
    }
}

fn field<'a>(row: &'a [(Arc<str>, Shown)], name: &str) -> Option<&'a Shown> {
    row.iter().find(|(known, _)| **known == *name).map(|(_, shown)| shown)
}

/// A field's name as the head of a column.
pub(crate) fn head(name: &str) -> String {
    name.replace("in_scan", "in-scan").replace("cross_scan", "cross-scan").replace('_', " ")
}

/// The largest magnitude of a column in SI, and the unit that suits it; none where no quantity
/// stands in it.
pub(crate) fn common_unit<'a>(cells: impl Iterator<Item = &'a Shown>) -> Option<(f64, UnitText)> {
    let quantities = cells.filter_map(|shown| match shown {
        Shown::Quantity { value, unit, asked, .. } if value.is_finite() => {
            Some((value.abs(), unit, asked))
        }
        _ => None,
    });
    let (size, unit, asked) = quantities.max_by(|a, b| a.0.total_cmp(&b.0))?;
    match asked {
        Some(asked) => Some((size, (**asked).clone())),
        None => Some((size, suited_unit(size, parse_unit(unit).ok()?.dimension)?)),
    }
}
