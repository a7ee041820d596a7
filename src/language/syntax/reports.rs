//! A bounded heap of reports: a file of nothing but mistakes must not fill the memory.
//! Uses source and diagnostics.

use crate::diagnostics::Diagnostic;
use crate::source::Span;

/// Most errors of a file; the rest is left out.
pub(super) const MOST_ERRORS: usize = 100;

/// Reports of one stage, as many as are worth showing.
#[derive(Debug, Default)]
pub(super) struct Reports {
    kept: Vec<Diagnostic>,
    /// The first one left out.
    left_out: Option<Span>,
}

impl Reports {
    /// Keeps a report, if there is room.
    pub(super) fn push(&mut self, report: Diagnostic) {
        if self.kept.len() < MOST_ERRORS {
            self.kept.push(report);
        } else {
            self.left_out.get_or_insert(report.span());
        }
    }

    /// The last one kept.
    pub(super) fn last(&self) -> Option<&Diagnostic> {
        self.kept.last()
    }

    /// What was kept, and where the first report was left out.
    pub(super) fn take(self) -> (Vec<Diagnostic>, Option<Span>) {
        (self.kept, self.left_out)
    }
}
