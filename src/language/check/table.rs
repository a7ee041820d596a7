//! Tables: their rows are known before the check, so that a call is the rows themselves.

use crate::check::Checker;
use crate::check::flow::Callee;
use crate::check::typed::Typed;
use crate::diagnostics::codes;
use crate::program::tree::Ref;
use crate::source::Span;
use crate::syntax::tree::Argument;

impl Checker<'_> {
    /// The rows of a table, where a call reads one.
    pub(super) fn table(
        &mut self,
        callee: Callee,
        arguments: &[Argument],
        span: Span,
    ) -> Option<Typed> {
        callee.builtin().filter(|builtin| builtin.reads_table())?;
        let path = arguments.first()?;
        if path.value.plain_text().is_none() {
            self.error(
                codes::BAD_TABLE,
                "the path of a table is not a plain text",
                path.value.span,
            )
            .here("a table is read before anything runs")
            .help("write the path itself: `table(\"marks.csv\")`");
            return Some(Typed::unknown(span));
        }
        let Some(Some(table)) = self.tables.get(&path.value.span) else {
            // What keeps it from being read is reported.
            return Some(Typed::unknown(span));
        };
        let rows = Ref::Kept(table.rows.clone());
        Some(Typed::new(table.kind.clone(), rows, span).with_fields(Some(table.units.clone())))
    }
}
