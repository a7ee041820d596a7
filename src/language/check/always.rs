//! Comparisons that come out the same in every run, by what their sides can be at most, and
//! limits that their uncertainty can never decide.

use crate::builtins;
use crate::builtins::Trait;
use crate::check::Checker;
use crate::check::typed::Typed;
use crate::diagnostics::{Diagnostic, codes};
use crate::program::show::Shower;
use crate::program::tree::{Number, Over};
use crate::program::types::Type;
use crate::program::value::Datum;
use crate::source::Span;
use crate::syntax::tree::{Binary, Expression, ExpressionKind, Unary};

impl Checker<'_> {
    /// Remembers between which values the variable of a counting loop stays.
    pub(super) fn counts_within(&mut self, variable: usize, over: &Over) {
        let Over::Range(from, to) = over else { return };
        if self.variables.get(variable).is_none_or(|v| v.kind == Type::Unknown) {
            return;
        }
        if let (Number::Constant(from), Number::Constant(to)) = (&**from, &**to)
            && to <= from
            && let Some(span) = self.variables.get(variable).map(|v| v.name.span)
        {
            let headline = "this loop runs in no run: its range holds nothing";
            let help = "a range counts up from its first number, up to but without its second";
            self.warning(codes::CONSTANT_COMPARISON, headline, span).help(help);
            return;
        }
        if let (Number::Constant(from), Number::Constant(to), Some(variable)) =
            (&**from, &**to, self.variables.get_mut(variable))
            && from.fract() == 0.0
            && to > from
        {
            variable.range = Some((*from, to.ceil() - 1.0));
        }
    }

    /// Warns of a comparison that is the same in every run.
    pub(super) fn always(
        &mut self,
        operator: Binary,
        left: (&Expression, &Typed),
        right: (&Expression, &Typed),
        span: Span,
    ) {
        let (Some(a), Some(b)) = (self.range(left.0, left.1), self.range(right.0, right.1)) else {
            return;
        };
        // As what is known of both ends allows it: certainly, certainly not, or open.
        let below = |x: (f64, f64), y: (f64, f64), or_equal: bool| {
            if x.1 < y.0 || (or_equal && x.1 <= y.0) {
                Some(true)
            } else if x.0 > y.1 || (!or_equal && x.0 >= y.1) {
                Some(false)
            } else {
                None
            }
        };
        let equal = || {
            if a.0 == a.1 && a == b {
                Some(true)
            } else {
                (a.1 < b.0 || b.1 < a.0).then_some(false)
            }
        };
        let known = match operator {
            Binary::Less => below(a, b, false),
            Binary::LessEqual => below(a, b, true),
            Binary::Greater => below(b, a, false),
            Binary::GreaterEqual => below(b, a, true),
            Binary::Equal => equal(),
            _ => equal().map(|same| !same),
        };
        let Some(known) = known else { return };
        let headline = format!("`{}` is {known} in every run", self.words(span));
        let constants = left.1.constant().is_some() && right.1.constant().is_some();
        let mut report = Diagnostic::warning(codes::CONSTANT_COMPARISON, headline, span);
        if !constants {
            let known = |written: &Expression, range: (f64, f64), typed: &Typed| {
                if typed.constant().is_some() {
                    return None;
                }
                let words = self.words(written.span);
                let shower = Shower::of(&typed.kind, typed.unit.clone(), None)?;
                let shown = |value| shower.text(&Datum::Number(value));
                Some(match range {
                    (0.0, f64::INFINITY) => format!("`{words}` is never negative"),
                    (low, high) => format!("`{words}` is from {} to {}", shown(low), shown(high)),
                })
            };
            let known = [known(left.0, a, left.1), known(right.0, b, right.1)];
            report = report.here(known.into_iter().flatten().collect::<Vec<_>>().join(", "));
        }
        self.report(report);
    }

    /// Between which values an expression stays, where that is known.
    fn range(&self, written: &Expression, typed: &Typed) -> Option<(f64, f64)> {
        if let Some(value) = typed.constant() {
            return Some((value, value));
        }
        match &written.kind {
            ExpressionKind::Name(symbol) => self.variable_of(*symbol)?.range,
            ExpressionKind::Call { name, .. } => {
                let builtin = builtins::table().get(*self.builtins.get(&name.symbol)?)?;
                builtin.is(Trait::NotNegative).then_some((0.0, f64::INFINITY))
            }
            ExpressionKind::Unary { operator: Unary::Minus, operand } => {
                let (low, high) = self.range(operand, &Typed::unknown(operand.span))?;
                Some((-high, -low))
            }
            ExpressionKind::Shown { value, .. } => self.range(value, typed),
            _ => None,
        }
    }

    /// Warns of limits that are too tight for the uncertainty to ever conform.
    pub(super) fn decidable(
        &mut self,
        uncertainty: Option<&Typed>,
        low: Option<&(Typed, bool)>,
        high: Option<&(Typed, bool)>,
    ) {
        let Some(stated) = uncertainty else { return };
        let Some(u) = stated.constant() else { return };
        let end = |limit: Option<&(Typed, bool)>| limit.and_then(|(limit, _)| limit.constant());
        let headline = match (end(low), end(high)) {
            (Some(low), Some(high)) if high - low < 2.0 * u => {
                "no value can conform: the limits lie closer together than the uncertainty reaches"
            }
            (None, Some(high)) if high > 0.0 && u >= high => {
                "the uncertainty is as large as the limit: no value from zero up can conform"
            }
            _ => return,
        };
        let report = self.warning(codes::UNDECIDABLE_LIMIT, headline, stated.span)
            .help("measure more often, or with a better gauge, until the uncertainty is a small part of the limit");
        if let Some((limit, _)) = high.or(low) {
            report.label(limit.span, "the limit");
        }
    }
}
