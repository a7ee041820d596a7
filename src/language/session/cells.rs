//! Rows of a CSV file by RFC 4180 with the place of every cell, so that what is wrong with a cell can be
//! shown there. Uses csv, source and diagnostics.

use crate::diagnostics::Diagnostic;
use crate::source::{SourceId, Span};
use core::ops::Range;
use csv::{ReaderBuilder, StringRecord};

/// A row.
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

/// A file that is being read.
pub(super) struct Reading<'a> {
    pub source: SourceId,
    pub text: &'a str,
    /// What stands between two cells.
    pub separator: char,
    /// The code of all its reports.
    pub code: &'static str,
    /// Everything wrong with it so far.
    pub problems: Vec<Diagnostic>,
}

impl Reading<'_> {
    pub(super) fn place(&self, range: Range<usize>) -> Span {
        Span::new(self.source, range.start, range.end)
    }

    pub(super) fn wrong(&mut self, range: Range<usize>, headline: impl Into<String>, help: &str) {
        let place = self.place(range);
        self.problems.push(Diagnostic::error(self.code, headline, place).help(help));
    }

    /// Reports what stands there twice.
    pub(super) fn twice(
        &mut self,
        first: Range<usize>,
        again: Range<usize>,
        headline: impl Into<String>,
        help: &str,
    ) {
        let first = self.place(first);
        let report = Diagnostic::error(self.code, headline, self.place(again));
        self.problems.push(report.label(first, "the first one").help(help));
    }

    /// At most `most` rows with the places of their cells. Ends at a row whose form is broken, for what
    /// stands behind it may belong to it.
    pub(super) fn rows(&mut self, most: usize) -> Vec<Row> {
        let text = self.text;
        let mut reader = ReaderBuilder::new();
        let reader = reader.has_headers(false).flexible(true).delimiter(self.separator as u8);
        let mut reader = reader.from_reader(text.as_bytes());
        let (mut rows, mut record) = (Vec::new(), StringRecord::new());
        let (mut line, mut counted) = (1, 0);
        while rows.len() < most && matches!(reader.read_record(&mut record), Ok(true)) {
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
            let whole =
                behind.is_some_and(|b| b.is_empty() || b.starts_with([self.separator, '\r', '\n']));
            if !whole || (quoted && !rest.get(..length).is_some_and(|raw| raw.ends_with('"'))) {
                let place = at..at + rest.find(['\r', '\n']).unwrap_or(rest.len());
                let help = "a cell that begins with a quote ends with one, and a quote inside it \
                            is doubled";
                self.wrong(place, "the quotes of this cell do not fit", help);
                return None;
            }
            if !quoted && quotes > 0 {
                let help = match said.trim_start().starts_with('"') {
                    true => "a quote begins its cell: take the blank before it away",
                    false => "put quotes around the whole cell, and double those inside it",
                };
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
}
