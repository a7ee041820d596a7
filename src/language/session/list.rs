//! A list of heads: a CSV file by RFC 4180 whose first row names the columns. Every cell keeps its
//! place, so that whatever is wrong with it can be shown there. Uses csv, source and diagnostics.

use crate::diagnostics::{Diagnostic, codes};
use crate::source::{SourceId, Span};
use core::ops::Range;
use csv::{ReaderBuilder, StringRecord};

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

/// A row that has a cell for each column.
#[derive(Clone, Debug)]
pub struct Row {
    /// Its line in the file, from 1.
    pub line: usize,
    /// Where it stands in the file.
    pub range: Range<usize>,
    /// Its cells, with their places in the file.
    pub cells: Vec<Cell>,
}

/// A cell without the quotes around it, and without blanks around it where it has no quotes.
#[derive(Clone, Debug)]
pub struct Cell {
    /// What it says.
    pub text: String,
    /// Where that stands.
    pub range: Range<usize>,
    /// It says a quote, which stands doubled in the file.
    pub doubled: bool,
}

const SEPARATED: &str = "a list is CSV by RFC 4180: cells between commas, a row a line, quotes \
                         around a cell that holds a comma";

/// Reads a list; tells what is wrong with its form. Without columns nothing can be said of rows.
pub(super) fn read(source: SourceId, text: &str) -> (List, Vec<Diagnostic>) {
    let mut reading = Reading { source, text, problems: Vec::new() };
    let mut list = List::default();
    let rows = reading.rows();
    let mut rows = rows.into_iter();
    let Some(first) = rows.next() else {
        let help = format!("its first row names the columns: `serial` and params; {SEPARATED}");
        reading.wrong(0..0, "this list is empty", &help);
        return (list, reading.problems);
    };
    let before = reading.problems.len();
    let columns = reading.columns(first);
    if reading.problems.len() > before {
        return (list, reading.problems);
    }
    for row in rows {
        if list.rows.len() == MAX_ROWS {
            let help = "make several lists of it, each with a folder of its own";
            reading.wrong(row.range, &format!("more than {MAX_ROWS} heads in one list"), help);
            break;
        }
        let (has, wanted) = (row.cells.len(), columns.len());
        if has == wanted {
            list.rows.push(row);
        } else {
            let place = row.cells.get(wanted).map_or(row.range, |cell| cell.range.clone());
            let what = format!("this row has {has} cells, and there are {wanted} columns");
            reading.wrong(place, &what, SEPARATED);
        }
    }
    if list.rows.is_empty() && reading.problems.is_empty() {
        let end = text.trim_end().len();
        reading.wrong(0..end, "this list names columns and no head", "add a row for each head");
    }
    list.columns = columns;
    (list, reading.problems)
}

struct Reading<'a> {
    source: SourceId,
    text: &'a str,
    problems: Vec<Diagnostic>,
}

impl Reading<'_> {
    fn wrong(&mut self, range: Range<usize>, headline: &str, help: &str) {
        let place = Span::new(self.source, range.start, range.end);
        self.problems.push(Diagnostic::error(codes::BAD_HEAD_LIST, headline, place).help(help));
    }

    /// Every row with the places of its cells. Ends at a row whose form is broken, for what stands
    /// behind it may belong to it.
    fn rows(&mut self) -> Vec<Row> {
        let text = self.text;
        let mut reader =
            ReaderBuilder::new().has_headers(false).flexible(true).from_reader(text.as_bytes());
        let (mut rows, mut record) = (Vec::new(), StringRecord::new());
        let (mut line, mut counted) = (1, 0);
        // One row beyond the most, to see that there is one, and that of the names.
        while rows.len() <= MAX_ROWS + 1 && matches!(reader.read_record(&mut record), Ok(true)) {
            let start = record.position().map_or(0, |at| at.byte() as usize);
            let blank = text.get(start..).unwrap_or("");
            let start = start + (blank.len() - blank.trim_start_matches(['\r', '\n']).len());
            line += text.get(counted..start).unwrap_or("").matches('\n').count();
            counted = start;
            match self.row(start, line, &record) {
                Some(row) => rows.push(row),
                None => break,
            }
        }
        rows
    }

    /// Finds the cells of a row again in the text, which tells whether it is written as it should.
    fn row(&mut self, start: usize, line: usize, record: &StringRecord) -> Option<Row> {
        let mut at = start;
        let mut cells = Vec::new();
        for (number, said) in record.iter().enumerate() {
            if number > 0 {
                at += 1;
            }
            let rest = self.text.get(at..).unwrap_or("");
            let quoted = rest.starts_with('"');
            let quotes = said.matches('"').count();
            let length = if quoted { said.len() + quotes + 2 } else { said.len() };
            let behind = rest.get(length..);
            let whole = behind.is_some_and(|b| b.is_empty() || b.starts_with([',', '\r', '\n']));
            if !whole || (quoted && !rest.get(..length).is_some_and(|raw| raw.ends_with('"'))) {
                let place = at..at + rest.find(['\r', '\n']).unwrap_or(rest.len());
                let help = "a cell that begins with a quote ends with one, and a quote inside it \
                            is doubled";
                self.wrong(place, "the quotes of this cell do not fit", help);
                return None;
            }
            if !quoted && quotes > 0 {
                let help = "put quotes around the whole cell, and double those inside it";
                self.wrong(at..at + length, "there is a quote inside this cell", help);
                return None;
            }
            let inner = if quoted { at + 1..at + length - 1 } else { at..at + length };
            let (text, range) = if quoted {
                (said, inner)
            } else {
                let kept = said.trim();
                let before = said.len() - said.trim_start().len();
                (kept, inner.start + before..inner.start + before + kept.len())
            };
            cells.push(Cell { text: text.to_string(), range, doubled: quotes > 0 });
            at += length;
        }
        Some(Row { line, range: start..at, cells })
    }

    fn columns(&mut self, row: Row) -> Vec<Cell> {
        let mut columns: Vec<Cell> = Vec::new();
        if row.cells.len() == 1 && row.cells.iter().any(|cell| cell.text.contains([';', '\t'])) {
            self.wrong(row.range, "these columns are not separated by commas", SEPARATED);
            return columns;
        }
        for cell in row.cells {
            let place = cell.range.clone();
            if cell.text.is_empty() {
                let help = "the first row names every column: `serial`, `head`, `fault` or a param";
                self.wrong(place, "this column has no name", help);
            } else if let Some(first) = columns.iter().find(|known| known.text == cell.text) {
                let first = Span::new(self.source, first.range.start, first.range.end);
                let place = Span::new(self.source, place.start, place.end);
                let headline = format!("there are two columns `{}`", cell.text);
                let report = Diagnostic::error(codes::BAD_HEAD_LIST, headline, place)
                    .label(first, "the first one")
                    .help("take one of them out");
                self.problems.push(report);
            }
            columns.push(cell);
        }
        if !columns.iter().any(|column| column.text == "serial") {
            let help = "one column is `serial`, the serial number of each head";
            self.wrong(row.range, "no column of this list is `serial`", help);
        }
        columns
    }
}
