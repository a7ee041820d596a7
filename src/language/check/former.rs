//! Arguments that built-ins took in version 0.1: each is told apart from a slip, with the edit that leaves it
//! out. One table.

use crate::builtins;
use crate::check::Checker;
use crate::diagnostics::{Diagnostic, codes};
use crate::program::types::Type;
use crate::syntax::tree::{Argument, Name};

/// An argument that stood at one place, and could be named.
struct Former {
    builtin: &'static str,
    parameter: &'static str,
    position: usize,
    /// As pages write kinds.
    kind: &'static str,
    /// Why it is not needed.
    why: &'static str,
}

const FORMER: &[Former] = &[Former {
    builtin: "corrected",
    parameter: "trims",
    position: 0,
    kind: "list of trim",
    why: "lines remember the trims that they were drawn with",
}];

impl Checker<'_> {
    /// Reports an argument of version 0.1 that is named `text`.
    pub(super) fn former_name(&mut self, called: Name, text: &str, arguments: &[Argument]) -> bool {
        let callee = self.text(called.symbol);
        let named = |argument: &Argument| {
            argument.name.is_some_and(|name| self.names.text(name.symbol) == text)
        };
        let Some(index) = arguments.iter().position(named) else { return false };
        let former = FORMER.iter().find(|f| f.builtin == callee && f.parameter == text);
        former.is_some_and(|former| self.report_former(former, arguments, index))
    }

    /// Reports an argument of version 0.1 at its place, by its kind.
    pub(super) fn former_place(
        &mut self,
        called: Name,
        arguments: &[Argument],
        index: usize,
        kind: &Type,
    ) -> bool {
        let callee = self.text(called.symbol);
        let former = FORMER.iter().find(|f| {
            f.builtin == callee && f.position == index && builtins::kind(f.kind) == *kind
        });
        former.is_some_and(|former| self.report_former(former, arguments, index))
    }

    fn report_former(&mut self, former: &Former, arguments: &[Argument], index: usize) -> bool {
        let Some(argument) = arguments.get(index) else { return false };
        let (callee, name) = (former.builtin, former.parameter);
        let whole = argument.name.map_or(argument.value.span, |n| n.span.to(argument.value.span));
        // With the comma that parts it from its neighbour.
        let mut gone = whole;
        if let Some(next) = arguments.get(index + 1) {
            gone.end = next.name.map_or(next.value.span, |n| n.span).start;
        } else if let Some(before) = index.checked_sub(1).and_then(|i| arguments.get(i)) {
            gone.start = before.value.span.end;
        }
        let headline = format!("`{callee}` takes no `{name}`: {}", former.why);
        self.report(
            Diagnostic::error(codes::FORMER_ARGUMENT, headline, whole)
                .here("as version 0.1 took it")
                .fix("leave it out", gone, ""),
        );
        true
    }
}
