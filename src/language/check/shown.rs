//! The unit that a value is shown in, and `in` where other languages look into a list.

use crate::check::Checker;
use crate::check::typed::Typed;
use crate::diagnostics::{Diagnostic, codes};
use crate::program::types::Type;
use crate::source::Span;
use crate::syntax::tree::{Expression, UnitName};
use spintrue_head::{Dimension, parse_unit};

impl Checker<'_> {
    /// `3 in xs`, which asks in other languages whether a list holds a value; tells whether it was reported.
    fn looked_into(&mut self, value: &Typed, unit: UnitName, span: Span) -> bool {
        let Some(variable) = self.variable_of(unit.symbol) else { return false };
        if parse_unit(self.names.text(unit.symbol)).is_ok() {
            return false;
        }
        let (kind, name) = (variable.kind.clone(), self.text(unit.symbol));
        let is = self.offered(value.span, &[]);
        let report = match (&kind, &value.kind) {
            (Type::List(item), kind) if **item == *kind || *kind == Type::Unknown => {
                Some(("whether a list holds a value", format!("count(find({name}, {is})) > 0")))
            }
            (Type::Text, Type::Text) => {
                Some(("whether a text holds another", format!("contains({name}, {is})")))
            }
            _ => None,
        };
        if let Some(variable) = self.find(unit.symbol).and_then(|at| self.variables.get_mut(at)) {
            variable.used = true;
        }
        let headline = format!("`in` chooses a unit, and `{name}` is {}", self.a_kind(&kind));
        let wrong = Diagnostic::error(codes::UNKNOWN_UNIT, headline, unit.span);
        self.report(match report {
            Some((what, call)) => wrong.suggest(format!("{what} is `{call}`"), span, call),
            None => wrong.help("a unit stands behind `in`: `\"{x in mm}\"`"),
        });
        true
    }

    pub(super) fn shown(&mut self, value: &Expression, unit: UnitName, span: Span) -> Typed {
        let typed = self.expression(value, None);
        if self.looked_into(&typed, unit, span) {
            return Typed::unknown(span);
        }
        let Some(found) = self.unit(unit) else { return Typed::unknown(span) };
        let scalar = typed.kind.item().unwrap_or(&typed.kind).clone();
        let wanted = Type::in_unit(&found);
        let fits = scalar == wanted
            || (scalar == Type::Temperature && found.dimension == Dimension::TEMPERATURE)
            || scalar == Type::Unknown;
        if !fits {
            let kind = self.a_kind(&scalar);
            let headline = format!("`{}` cannot show {kind}", found.text);
            let unit_kind = self.kind_name(&wanted);
            let report = Diagnostic::error(codes::UNSUITABLE_UNIT, headline, unit.span)
                .here(format!("a unit of {unit_kind}"))
                .label(typed.span, kind);
            let item = Typed { kind: scalar, ..typed.clone() };
            self.report_with(report, self.way(Some(value), &item, &wanted, None));
            return Typed { span, ..typed };
        }
        Typed { span, ..typed.with_unit(Some(found)) }
    }
}
