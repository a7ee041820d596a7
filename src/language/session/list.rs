//! A list of heads: a CSV file by RFC 4180 whose first row names the columns. Uses source and
//! diagnostics.

use crate::diagnostics::{Diagnostic, codes};
use crate::session::cells::{Cell, Reading, Row};
use crate::source::SourceId;

/// Most rows of a list.
pub(crate) const MAX_ROWS: usize = 10_000;

/// What stands in a list.
#[derive(Clone, Debug, Default)]
pub struct List {
    /// The names of the columns, with their places in the file.
    pub columns: Vec<Cell>,
    /// A row for each head.
    pub rows: Vec<Row>,
}

const SEPARATED: &str = "a list is CSV by RFC 4180: cells between commas, a row a line, quotes \
                         around a cell that holds a comma";

/// Reads a list; tells what is wrong with its form. Without columns nothing can be said of rows.
pub(super) fn read(source: SourceId, text: &str) -> (List, Vec<Diagnostic>) {
    let (separator, code, problems) = (',', codes::BAD_HEAD_LIST, Vec::new());
    let mut reading = Reading { source, text, separator, code, problems };
    let mut list = List::default();
    // One row beyond the most, to see that there is one, and that of the names.
    let rows = reading.rows(MAX_ROWS + 2);
    let mut rows = rows.into_iter();
    let Some(first) = rows.next() else {
        let help = format!("its first row names the columns: `serial` and params; {SEPARATED}");
        reading.wrong(0..0, "this list is empty", &help);
        return (list, reading.problems);
    };
    let before = reading.problems.len();
    let columns = columns(&mut reading, first);
    if reading.problems.len() > before {
        return (list, reading.problems);
    }
    for row in rows {
        if list.rows.len() == MAX_ROWS {
            let help = "make several lists of it, each with a folder of its own";
            reading.wrong(row.range, format!("more than {MAX_ROWS} heads in one list"), help);
            break;
        }
        let (has, wanted) = (row.cells.len(), columns.len());
        if has == wanted {
            list.rows.push(row);
        } else {
            let place = row.cells.get(wanted).map_or(row.range, |cell| cell.range.clone());
            let what = format!("this row has {has} cells, and there are {wanted} columns");
            reading.wrong(place, what, SEPARATED);
        }
    }
    if list.rows.is_empty() && reading.problems.is_empty() {
        let end = text.trim_end().len();
        reading.wrong(0..end, "this list names columns and no head", "add a row for each head");
    }
    list.columns = columns;
    (list, reading.problems)
}

fn columns(reading: &mut Reading<'_>, row: Row) -> Vec<Cell> {
    let mut columns: Vec<Cell> = Vec::new();
    if row.cells.len() == 1 && row.cells.iter().any(|cell| cell.text.contains([';', '\t'])) {
        reading.wrong(row.range, "these columns are not separated by commas", SEPARATED);
        return columns;
    }
    for cell in row.cells {
        let place = cell.range.clone();
        if cell.text.is_empty() {
            let help = "the first row names every column: `serial`, `head`, `fault` or a param";
            reading.wrong(place, "this column has no name", help);
        } else if let Some(first) = columns.iter().find(|known| known.text == cell.text) {
            let headline = format!("there are two columns `{}`", cell.text);
            reading.twice(first.range.clone(), place, headline, "take one of them out");
        }
        columns.push(cell);
    }
    if !columns.iter().any(|column| column.text == "serial") {
        let help = "one column is `serial`, the serial number of each head";
        reading.wrong(row.range, "no column of this list is `serial`", help);
    }
    columns
}
