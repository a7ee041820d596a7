//! Recorded lists with a row for each facet, and those of their columns that people look at: what checks were
//! decided on.

use crate::paper::table::{RecordTable, is_detail};
use crate::record::checks::CheckRow;
use crate::record::data::Record;
use crate::record::html::limits::{Column, limits_of};
use spintrue_head::{Dimension, parse_unit};
use spintrue_language::Shown;

/// Most columns of a list that no check was decided on.
const MAX_COLUMNS: usize = 8;

/// Lists with the same fields, such as lines before and after trimming.
pub(super) struct Facets<'a> {
    /// Their labels and rows, in order.
    pub lists: Vec<(&'a str, RecordTable<'a>)>,
    /// The columns that were decided on in the last one; those of what was measured where none was.
    pub columns: Vec<FacetColumn<'a>>,
}

/// A column of numbers.
pub(super) struct FacetColumn<'a> {
    /// Its field.
    pub name: &'a str,
    pub dimension: Dimension,
}

impl<'a> Facets<'a> {
    /// The lists of a record that name their facets.
    pub(super) fn of(record: &'a Record) -> Vec<Facets<'a>> {
        let mut groups: Vec<Facets<'a>> = Vec::new();
        for recorded in &record.recorded.items {
            let Some(rows) = RecordTable::of(&recorded.shown) else { continue };
            if rows.cells("facet").any(|cell| cell.is_none()) {
                continue;
            }
            let is_alike = |group: &&mut Facets<'_>| {
                group.lists.first().is_some_and(|(_, other)| other.names() == rows.names())
            };
            match groups.iter_mut().find(is_alike) {
                Some(group) => group.lists.push((&recorded.label, rows)),
                None => groups
                    .push(Facets { lists: vec![(&recorded.label, rows)], columns: Vec::new() }),
            }
        }
        for group in &mut groups {
            if let Some((_, last)) = group.lists.last() {
                group.columns = columns(&record.checks.items, last);
            }
        }
        groups
    }
}

/// The columns of a list that people look at.
fn columns<'a>(checks: &[CheckRow], rows: &RecordTable<'a>) -> Vec<FacetColumn<'a>> {
    let all = rows.names().into_iter().filter_map(|name| {
        let first = rows.cells(name).next().flatten()?;
        let column = FacetColumn { name, dimension: dimension(first)? };
        column.values(rows).iter().any(|(_, value, _)| value.is_finite()).then_some(column)
    });
    let all: Vec<FacetColumn<'a>> = all.collect();
    let is_decided = |column: &&FacetColumn<'a>| {
        let values = column.values(rows);
        let y: Vec<f64> = values.iter().map(|(_, value, _)| *value).collect();
        let x: Vec<f64> = values.iter().map(|(facet, ..)| *facet).collect();
        let (x_dimension, y_dimension) = (Dimension::NUMBER, column.dimension);
        let column = Column { name: column.name, x: &x, y: &y, x_dimension, y_dimension };
        !limits_of(checks, &column).is_empty()
    };
    let decided: Vec<&str> = all.iter().filter(is_decided).map(|column| column.name).collect();
    let is_shown = |column: &FacetColumn<'a>| match decided.is_empty() {
        true => !is_detail(column.name),
        false => decided.contains(&column.name),
    };
    let shown = all.into_iter().filter(is_shown);
    if decided.is_empty() { shown.take(MAX_COLUMNS).collect() } else { shown.collect() }
}

fn dimension(shown: &Shown) -> Option<Dimension> {
    match shown {
        Shown::Quantity { unit, .. } if unit.is_empty() => Some(Dimension::NUMBER),
        Shown::Quantity { unit, .. } => parse_unit(unit).ok().map(|unit| unit.dimension),
        _ => None,
    }
}

impl FacetColumn<'_> {
    /// The facet, the value and its standard uncertainty in each row, in SI; 0 where that is not known.
    pub(super) fn values(&self, rows: &RecordTable<'_>) -> Vec<(f64, f64, f64)> {
        let number = |shown: Option<&Shown>| match shown {
            Some(Shown::Quantity { value, .. }) => *value,
            _ => f64::NAN,
        };
        let uncertainty = format!("{}_u", self.name);
        let cells = rows.cells("facet").zip(rows.cells(self.name)).zip(rows.cells(&uncertainty));
        let cells = cells.map(|((facet, value), u)| {
            let u = number(u);
            (number(facet), number(value), if u.is_finite() { u } else { 0.0 })
        });
        cells.filter(|(facet, value, _)| facet.is_finite() && value.is_finite()).collect()
    }
}
