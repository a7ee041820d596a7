//! Calls of what is no routine.

use crate::builtins;
use crate::check::Checker;
use crate::diagnostics::{Diagnostic, codes};
use crate::program::types::Type;
use crate::source::Span;
use crate::syntax::foreign::{Foreign, takes_in_wrongly};
use crate::syntax::names::Symbol;
use crate::syntax::tree::{Expression, ExpressionKind, Name};
use spintrue_head::parse_unit;

impl Checker<'_> {
    /// A routine that is named and not called.
    pub(super) fn is_routine(&self, value: &Expression) -> bool {
        let ExpressionKind::Name(symbol) = value.kind else { return false };
        let mine = self.module().is_some_and(|module| module.routines.contains_key(&symbol));
        self.find(symbol).is_none() && (mine || self.builtins.contains_key(&symbol))
    }

    /// A name stands first in a call that takes the name of a signal, a channel, a file or a fault, or where
    /// the kind of a failure is compared.
    pub(super) fn names_a_thing(&self, name: Span) -> bool {
        let text = self.sources.text(name.source);
        let before = text.get(..name.start as usize).unwrap_or("");
        if [".kind ==", ".kind !="].iter().any(|with| before.trim_end().ends_with(with)) {
            return true;
        }
        let before = before.strip_suffix('(');
        let is_part = |c: char| c.is_alphanumeric() || c == '_';
        let callee = before.and_then(|before| before.rsplit(|c| !is_part(c)).next());
        let first =
            callee.and_then(builtins::named).and_then(|builtin| builtin.page().parameters.first());
        first.is_some_and(|p| p.kind != "text" && builtins::kind(p.kind) == Type::Text)
    }

    /// How a routine is called: with empty brackets where it takes nothing.
    pub(super) fn call_of(&mut self, symbol: Symbol) -> String {
        let text = self.text(symbol);
        let routine = self.routine_of(Name { symbol, span: Span::default() });
        let signature = match (routine, self.builtins.get(&symbol).copied()) {
            (Some(routine), _) => self.routines.get(routine).map(|r| r.signature.clone()),
            (None, Some(builtin)) => self.builtin_signature(builtin),
            (None, None) => None,
        };
        let bare = signature.is_some_and(|s| s.parameters.is_empty());
        format!("{text}({})", if bare { "" } else { "..." })
    }

    /// Reports a call of a name that no routine has.
    pub(super) fn unknown_call(&mut self, name: Name, whole: Span) {
        let text = self.text(name.symbol);
        let rest = self.sources.text(name.span.source).get(name.span.start as usize..);
        let line = rest.and_then(|rest| rest.lines().next()).unwrap_or("");
        let takes_in = takes_in_wrongly(line);
        let module = self.module();
        if !takes_in && module.is_some_and(|module| module.missing) {
            return;
        }
        let is_value = self.scope.find(name.symbol).is_some()
            || module.is_some_and(|m| m.values.contains_key(&name.symbol));
        if is_value {
            let headline = format!("`{text}` is a value and cannot be called");
            let report = Diagnostic::error(codes::UNKNOWN_ROUTINE, headline, name.span);
            let brackets = Span { start: name.span.end, ..whole };
            let inside = self.sources.slice(brackets);
            let inside = inside.strip_prefix('(').and_then(|inside| inside.strip_suffix(')'));
            let kind = self.variable_of(name.symbol).map(|variable| &variable.kind);
            self.report(match (kind, inside) {
                (Some(Type::List(_)), Some(inside)) => {
                    if inside.trim() == "end" {
                        let last = format!("{text}[count({text}) - 1]");
                        let help = format!("the last element of a list is `{last}`");
                        let place = name.span.to(brackets);
                        return self.report(report.suggest(help, place, last));
                    }
                    let index = inside.split(',').map(|at| format!("[{}]", at.trim()));
                    let index = match inside.contains(['(', '[', '{']) {
                        true => format!("[{inside}]"),
                        false => index.collect(),
                    };
                    let help = format!("an element of a list, counted from 0, is `{text}{index}`");
                    report.suggest(help, brackets, index)
                }
                _ => report
                    .help("an operator is missing before the bracket, or another name is meant"),
            });
            return;
        }
        let headline = format!("there is no routine `{text}`");
        let report = Diagnostic::error(codes::UNKNOWN_ROUTINE, headline, name.span);
        let call = self.sources.slice(whole);
        let inside = call.strip_prefix(&*text).map(|t| t.trim_matches(['(', ')', ' ']));
        if let Some(number) = inside.filter(|t| t.parse::<f64>().is_ok())
            && parse_unit(&text).is_ok()
        {
            let text = format!("{number} {text}");
            let help = format!("a unit stands behind its number: `{text}`");
            return self.report(report.fix(help, whole, text));
        }
        let near = self.near_name(&text, self.callables());
        self.report(self.with_habit(Foreign::Routine, report).unwrap_or_else(
            |report| match near {
                Some(near) => self.with_near(report, &text, near),
                None => report.help("`spintrue builtins` lists what there is"),
            },
        ));
        if let Some(module) = self.modules.get_mut(self.inside.module) {
            module.missing |= takes_in;
        }
    }
}
