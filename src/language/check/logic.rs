//! `and` and `or`, and what other languages make of them.

use crate::check::Checker;
use crate::check::typed::Typed;
use crate::diagnostics::{Diagnostic, codes};
use crate::program::tree::Flag;
use crate::program::types::Type;
use crate::source::Span;
use crate::syntax::tree::{Binary, Expression, ExpressionKind};

impl Checker<'_> {
    /// `a and b`, `a or b`
    pub(super) fn logic(
        &mut self,
        operator: Binary,
        left: &Expression,
        right: &Expression,
        span: Span,
    ) -> Typed {
        let (flag, code) = (Type::Flag, codes::BAD_OPERAND);
        let what = format!("each side of `{}`", operator.text());
        let one = match &left.kind {
            ExpressionKind::Binary { operator: Binary::And, left: asked, right: value, .. }
                if operator == Binary::Or =>
            {
                let what = "each side of `and`";
                let asked = self.expect_kind(asked, &flag, code, what);
                let typed = self.expression(value, Some(&flag));
                if asked.kind == flag && ![flag.clone(), Type::Unknown].contains(&typed.kind) {
                    return self.choice(&asked, &typed, right, span);
                }
                let typed = self.of_kind(value, typed, &flag, code, what);
                flags(Binary::And, asked, typed, left.span)
            }
            _ => self.expect_kind(left, &flag, code, &what),
        };
        let other = self.expression(right, Some(&flag));
        let is_wrong = other.kind != flag && other.kind != Type::Unknown;
        let other = match &left.kind {
            // One report is enough where both sides are of another kind.
            _ if one.kind == Type::Unknown => other,
            ExpressionKind::Binary { operator: compares, left: first, .. }
                if is_wrong && compares.compares() =>
            {
                let (first, second) = (self.words(first.span), self.words(right.span));
                let headline = format!("{what} must be a flag, not {}", self.a_kind(&other.kind));
                let meant = format!("{first} {} {second}", compares.text());
                let report = Diagnostic::error(code, headline, right.span);
                let help = format!("each comparison is written out: `{meant}`");
                self.report(report.suggest(help, right.span, meant));
                other
            }
            _ => self.of_kind(right, other, &flag, code, &what),
        };
        flags(operator, one, other, span)
    }

    /// `a and x or y`, which chooses a value in other languages.
    fn choice(&mut self, asked: &Typed, value: &Typed, other: &Expression, span: Span) -> Typed {
        let otherwise = self.expression(other, Some(&value.kind));
        let [a, b, c] = [asked.span, value.span, other.span].map(|span| self.offered(span, &[]));
        let text = format!("choose({a}, {b}, {c})");
        let headline = "`and` and `or` join flags, and choose no values";
        let report = Diagnostic::error(codes::BAD_OPERAND, headline, span);
        let help = format!("one of two values is `{text}`");
        self.report(match otherwise.kind == value.kind {
            true => report.fix(help, span, text),
            false => report.suggest(help, span, text),
        });
        Typed::unknown(span)
    }
}

/// Two flags joined; unknown where one of them is none.
fn flags(operator: Binary, one: Typed, other: Typed, span: Span) -> Typed {
    if one.kind != Type::Flag || other.kind != Type::Flag {
        return Typed::unknown(span);
    }
    let (one, other) = (Box::new(one.flag()), Box::new(other.flag()));
    let code = match operator {
        Binary::And => Flag::And(one, other),
        _ => Flag::Or(one, other),
    };
    Typed::new(Type::Flag, code, span)
}
