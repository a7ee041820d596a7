//! One script for many heads: read and parsed once, checked for each row of a list, whose cells
//! give params their values.

use crate::check::{Origin, Setting};
use crate::diagnostics::{Diagnostic, codes};
use crate::session::cells::{Cell, Row};
use crate::session::list;
use crate::session::list::List;
use crate::session::load::{FileError, Files, Prepared, Texts, setting};
use crate::source::{SourceId, SourceMap, Span};

/// A script and the list of heads that it is run on.
pub struct Series {
    texts: Texts,
    given: Vec<Setting>,
    list: List,
    /// The list among the sources.
    source: SourceId,
    /// Columns that are no params.
    own: &'static [&'static str],
}

impl Series {
    /// Reads a script, its settings and a list. `own` names the columns that are no params. Fails
    /// where the script or the list cannot be read at all; what else is wrong with the list is given
    /// beside.
    pub fn read(
        files: &mut dyn Files,
        script: &str,
        settings: &[String],
        list: &str,
        own: &'static [&'static str],
    ) -> Result<(Series, Vec<Diagnostic>), FileError> {
        let (mut texts, given) = Texts::read(files, script, settings)?;
        let text = files.read(None, list)?;
        // Some spreadsheets begin a file with a byte order mark.
        let plain = text.text.strip_prefix('\u{feff}').unwrap_or(&text.text);
        let source = texts.sources.add(text.name, plain);
        let (list, problems) = list::read(source, plain);
        Ok((Series { texts, given, list, source, own }, problems))
    }

    /// The list, as far as it can be read.
    pub fn list(&self) -> &List {
        &self.list
    }

    /// The name of the list.
    pub fn list_name(&self) -> String {
        self.texts.sources.get(self.source).map_or_else(String::new, |s| s.name.clone())
    }

    /// All texts but those of single rows.
    pub fn sources(&self) -> &SourceMap {
        &self.texts.sources
    }

    /// The texts of the script and all it uses.
    pub fn scripts(&self) -> impl Iterator<Item = &str> {
        let sources = self.texts.sources.iter().take(self.texts.modules.len());
        sources.map(|(_, source)| source.text.as_ref())
    }

    /// What was wrong before any row was looked at.
    pub fn diagnostics(&self) -> &[Diagnostic] {
        &self.texts.diagnostics
    }

    /// The source that [`Series::prepared`] adds for its row.
    pub fn row_source(&self) -> SourceId {
        SourceId(u32::try_from(self.texts.sources.iter().count()).unwrap_or(u32::MAX))
    }

    /// The text of a row on the line that it has in the file.
    pub fn row_text(&self, row: &Row) -> String {
        let text = self.texts.sources.text(self.source);
        let text = text.get(row.range.clone()).unwrap_or("");
        format!("{}{text}", "\n".repeat(row.line - 1))
    }

    /// Where a cell stands in that text; the whole row where there is no such column.
    pub fn cell_span(&self, row: &Row, column: &str) -> Span {
        let range = self.cell(row, column).map_or(row.range.clone(), |cell| cell.range.clone());
        self.span(row, range)
    }

    fn span(&self, row: &Row, range: core::ops::Range<usize>) -> Span {
        let moved = |at: usize| at - row.range.start + (row.line - 1);
        Span::new(self.row_source(), moved(range.start), moved(range.end))
    }

    /// A cell by the name of its column.
    pub fn cell<'a>(&self, row: &'a Row, column: &str) -> Option<&'a Cell> {
        let place = self.list.columns.iter().position(|known| known.text == column)?;
        row.cells.get(place)
    }

    /// The script with what a row says, checked.
    pub fn prepared(&mut self, files: &mut dyn Files, row: &Row) -> Prepared {
        let (mut settings, problems) = self.settings(row);
        settings.extend(self.given.clone());
        let before = (self.texts.sources.clone(), self.texts.diagnostics.clone());
        let (name, text) = (self.list_name(), self.row_text(row));
        self.texts.sources.add(name, text);
        self.texts.diagnostics.extend(problems);
        let prepared = self.texts.judged(files, &settings, false).0.or_unset();
        (self.texts.sources, self.texts.diagnostics) = before;
        prepared
    }

    fn settings(&mut self, row: &Row) -> (Vec<Setting>, Vec<Diagnostic>) {
        let (mut settings, mut wrong) = (Vec::new(), Vec::new());
        let columns = self.list.columns.iter().zip(&row.cells);
        for (column, cell) in columns {
            if self.own.contains(&column.text.as_str()) {
                continue;
            }
            let value_span = self.span(row, cell.range.clone());
            let name = &column.text;
            if cell.text.is_empty() {
                let report = Diagnostic::error(
                    codes::BAD_HEAD_LIST,
                    format!("no value for `{name}`"),
                    value_span,
                )
                .help(
                    "every row gives every param: write the value, or a list of its own for \
                           the heads that need none",
                );
                wrong.push(report);
            }
            if cell.doubled {
                let headline = format!("the value of `{name}` has a quote in it");
                let report = Diagnostic::error(codes::BAD_HEAD_LIST, headline, value_span)
                    .help("a list gives values without quotes; write the text without them");
                wrong.push(report);
            }
            let place = Span::new(self.source, column.range.start, column.range.end);
            let (names, name) = (&mut self.texts.names, (name.clone(), place));
            let mut setting = setting(names, Origin::List, name, &cell.text, value_span);
            if cell.text.is_empty() || cell.doubled {
                // What is missing or quoted has been told.
                setting.problems.clear();
            }
            settings.push(setting);
        }
        (settings, wrong)
    }
}
