//! What routines promise: the effects they may have at most.

use crate::builtins::Effect;
use crate::check::flow::Graph;
use crate::check::{Checker, advice};
use crate::diagnostics::{Diagnostic, codes};
use crate::source::Span;
use crate::syntax::tree::Routine;
use spintrue_head::nearest_name;

/// The effects that a routine is declared to have at most: `may reads, spins`.
pub(super) struct Promise {
    effects: Vec<Effect>,
    span: Span,
}

impl Checker<'_> {
    /// What is declared behind `may`; reports words that are no effects.
    pub(super) fn promise(&mut self, routine: &Routine) -> Option<Promise> {
        let words = routine.may.as_ref()?;
        let first = words.first()?.span;
        let span = words.iter().fold(first, |all, word| all.to(word.span));
        let mut effects = Vec::new();
        let mut known_all = true;
        for word in words {
            let text = self.text(word.symbol);
            if text == "nothing" && words.len() == 1 {
                continue;
            }
            if let Some(effect) = Effect::ALL.into_iter().find(|e| e.text() == text) {
                effects.push(effect);
                continue;
            }
            let headline = format!("there is no effect `{text}`");
            let known = Effect::ALL.map(Effect::text);
            let report = Diagnostic::error(codes::UNKNOWN_EFFECT, headline, word.span);
            self.report(report.meant(nearest_name(&text, known), || {
                let known = advice::listed(known);
                format!("effects are {known}; without any, write `may nothing`")
            }));
            known_all = false;
        }
        // What an unknown word would have allowed is not known.
        known_all.then_some(Promise { effects, span })
    }

    /// Reports routines that do more than they promise.
    pub(super) fn promises(&mut self, graph: &Graph) {
        let mut reports = Vec::new();
        for (routine, effects) in self.routines.iter().zip(&graph.effects) {
            let Some(promise) = &routine.may else { continue };
            let name = self.names.text(routine.name.symbol);
            for (effect, brought) in effects {
                if promise.effects.contains(effect) {
                    continue;
                }
                let call = self.sources.slice(brought.span);
                let headline = format!("`{name}` does not promise that it {}", effect.text());
                let report = Diagnostic::error(codes::BROKEN_PROMISE, headline, brought.span)
                    .here(format!("`{call}` {}", effect.text()))
                    .label(promise.span, "all that it may do")
                    .help(format!(
                        "add `{}` to what it may do, or leave the call out",
                        effect.text()
                    ));
                reports.push(report);
            }
        }
        self.diagnostics.extend(reports);
    }
}
