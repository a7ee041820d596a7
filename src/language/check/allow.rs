//! `allow W0803 "reason"`: one warning about the next statement is meant.

use crate::check::{Checker, Module};
use crate::diagnostics::{Diagnostic, Severity, codes};
use crate::source::Span;
use crate::syntax::tree::{Name, Statement, StatementKind};
use crate::syntax::walk::blocks;
use spintrue_head::nearest_name;

/// A mark and the statement it is about.
struct Mark {
    code: Name,
    reason_span: Span,
    empty: bool,
    about: Option<Span>,
}

impl Checker<'_> {
    /// Leaves out the warnings that are meant; reports marks that mean nothing.
    pub(super) fn allowed(&mut self, modules: &[Module<'_>]) {
        let mut marks = Vec::new();
        for module in modules {
            collect(&module.file.statements, &mut marks);
        }
        for mark in marks {
            self.mark(&mark);
        }
    }

    fn mark(&mut self, mark: &Mark) {
        let code = self.text(mark.code.symbol);
        let warnings = || codes::ALL.iter().copied().filter(|code| code.starts_with('W'));
        if !warnings().any(|known| known == code) {
            if code.starts_with('E') {
                let headline = format!("`{code}` is an error, and only warnings can be allowed");
                self.error(codes::BAD_ALLOW, headline, mark.code.span);
                return;
            }
            let headline = format!("there is no warning `{code}`");
            let report = self.error(codes::BAD_ALLOW, headline, mark.code.span);
            if let Some(near) = nearest_name(&code, warnings()) {
                report.help(format!("did you mean `{near}`?"));
            }
            return;
        }
        if mark.empty {
            self.error(
                codes::BAD_ALLOW,
                "this does not say why the warning is meant",
                mark.reason_span,
            )
            .help("whoever reads the script next wants to know");
        }
        // What a head refuses is only known when there is one.
        if code == codes::PARAM_BEYOND_HEAD {
            self.program.meant.extend(mark.about);
            return;
        }
        let inside = |d: &Diagnostic| {
            let (about, at) = (mark.about, d.span());
            about.is_some_and(|about| {
                about.source == at.source && about.start <= at.start && at.end <= about.end
            })
        };
        let before = self.diagnostics.len();
        self.diagnostics
            .retain(|d| d.severity != Severity::Warning || d.code != code || !inside(d));
        // With errors about, some warnings are not looked for, nor are they in an entry.
        let failed = self.diagnostics.iter().any(Diagnostic::is_error);
        if self.diagnostics.len() == before && !failed && self.live.is_none() {
            self.warning(
                codes::USELESS_ALLOW,
                format!("the statement after this gives no warning `{code}`"),
                mark.code.span,
            )
            .help("delete the mark");
        }
    }
}

fn collect(statements: &[Statement], marks: &mut Vec<Mark>) {
    for (index, statement) in statements.iter().enumerate() {
        if let StatementKind::Allow { code, reason, reason_span } = &statement.kind {
            // Several marks may stand before one statement.
            let next = statements.iter().skip(index + 1);
            let about = next.map(|s| (&s.kind, s.span));
            let about =
                about.into_iter().find(|(kind, _)| !matches!(kind, StatementKind::Allow { .. }));
            marks.push(Mark {
                code: *code,
                reason_span: *reason_span,
                empty: reason.trim().is_empty(),
                about: about.map(|(_, span)| span),
            });
        }
        for block in blocks(statement) {
            collect(&block.statements, marks);
        }
    }
}
