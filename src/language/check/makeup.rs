//! What a value was made of, as far as a way out depends on it: the same dimension may come from a
//! rotation, which counts turns, or from a lens, where x = f * theta holds in radians.

use crate::builtins;
use crate::builtins::Trait;
use crate::check::Checker;
use crate::check::typed::{Makeup, Typed};
use crate::diagnostics::{Diagnostic, codes};
use crate::program::types::Type;
use crate::source::Span;
use crate::syntax::tree::{Binary, Expression, ExpressionKind, Unary};
use spintrue_head::{Dimension, UnitText};
use std::f64::consts::TAU;

impl Checker<'_> {
    /// What the value of an expression was made of; `parts` went into it.
    pub(super) fn makeup_of(&self, e: &Expression, typed: &Typed, parts: Makeup) -> Makeup {
        let own = Makeup::of(&typed.kind);
        let literal = |unit: &Option<_>| match (unit, typed.constant()) {
            (None, _) => Makeup::BARE,
            (Some(_), Some(value)) if is_turns(&typed.kind, value) => Makeup::GIVEN | Makeup::TURN,
            (Some(_), _) => Makeup::GIVEN,
        };
        let hidden = Makeup::GIVEN | Makeup::HIDDEN;
        match &e.kind {
            ExpressionKind::Number { unit, .. } => own | literal(unit),
            ExpressionKind::Unary { operator: Unary::Minus, operand } => match &operand.kind {
                ExpressionKind::Number { unit, .. } => own | literal(unit),
                _ => parts,
            },
            ExpressionKind::Name(_) => own | typed.makeup,
            ExpressionKind::Call { name, .. } if self.routine_of(*name).is_some() => own | hidden,
            ExpressionKind::Call { name, .. } => {
                // One that takes any kind hands on what it is given.
                let index = self.builtins.get(&name.symbol);
                let builtin = index.and_then(|index| builtins::table().get(*index));
                let signature = index.and_then(|index| self.signatures.get(*index)?.as_ref());
                let open = signature.is_some_and(|signature| is_open(&signature.returns));
                let measured = builtin.is_some_and(|b| b.is(Trait::Measured));
                let measured = if measured { Makeup::MEASURED } else { Makeup::BARE };
                let parts = if open { parts.without(Makeup::SIGNED) } else { Makeup::BARE };
                own | Makeup::GIVEN | measured | parts
            }
            ExpressionKind::Field { .. } if typed.makeup.has(Makeup::KIND) => typed.makeup,
            ExpressionKind::Field { .. } if own == Makeup::BARE && parts.has(Makeup::LENGTH) => {
                hidden
            }
            ExpressionKind::Field { of, .. } => {
                let measured =
                    matches!(of.kind, ExpressionKind::Call { .. } | ExpressionKind::Name(_))
                        && parts.has(Makeup::MEASURED);
                let measured = if measured { Makeup::MEASURED } else { Makeup::BARE };
                own | Makeup::GIVEN | measured | typed.makeup.only(Makeup::SIGNED)
            }
            // A product of a length and an angle is no lens, but a quotient may be one.
            _ if own.has(Makeup::LENGTH) => parts.without(Makeup::OF_ITSELF) | Makeup::LENGTH,
            _ => parts.without(Makeup::OF_ITSELF),
        }
    }

    /// Warns of a measured value that is compared with one number.
    pub(super) fn exactly_measured(&mut self, left: &Typed, right: &Typed, operator: Span) {
        let measured = [left, right].into_iter().find(|side| side.makeup.has(Makeup::MEASURED));
        let Some(span) = measured.map(|side| side.span) else { return };
        let words = self.offered(span, &['<', '>', '=']);
        let headline = "a measured value equals a number by chance only";
        self.warning(codes::EXACT_MEASURED, headline, operator)
            .label(span, "measured")
            .help(format!("compare it with a band: `{words} within low .. high`"));
    }

    /// Warns of one limit for a place that lies to either side of its own.
    pub(super) fn limited_on_one_side(&mut self, value: &Typed, limit: &Typed, is_high: bool) {
        let outside = |limit: f64| if is_high { limit > 0.0 } else { limit < 0.0 };
        if !value.makeup.has(Makeup::SIGNED) || !limit.constant().is_none_or(outside) {
            return;
        }
        let words = self.offered(value.span, &['<', '>', '=']);
        let side = if is_high { "negative" } else { "positive" };
        let headline = format!("any {side} value passes this check");
        let band = match is_high {
            true => format!("compare its size: `abs({words}) <= …`, or give both limits"),
            false => format!("give both limits: `{words} within low .. high`"),
        };
        self.warning(codes::ONE_SIDED_LIMIT, headline, limit.span)
            .here("the only limit")
            .label(value.span, "lies to one side or the other")
            .help(band);
    }

    /// Warns of a comment that begins right behind an operand and reads like another one.
    pub(super) fn swallowed(&mut self, typed: &Typed, span: Span) {
        if !matches!(typed.kind, Type::Quantity(_)) {
            return;
        }
        let Some(source) = self.sources.get(span.source) else { return };
        let behind = source.text.get(span.end as usize..).unwrap_or("");
        let trimmed = behind.trim_start_matches([' ', '\t', ')']);
        let Some(comment) = trimmed.strip_prefix("//") else { return };
        let start = span.end as usize + behind.len() - trimmed.len();
        let comment = comment.lines().next().unwrap_or("").to_string();
        let unit = typed.unit.as_ref().map(|unit| unit.text.as_str());
        if !self.reads_as_operand(&comment, unit) {
            return;
        }
        let place = Span::new(span.source, start, start + 2 + comment.trim_end().len());
        let told = |d: &Diagnostic| {
            d.code == codes::COMMENT_AS_OPERAND && d.labels.iter().any(|l| l.span == place)
        };
        if self.diagnostics.iter().rev().take(8).any(told) {
            return;
        }
        let comment = comment.trim();
        for part in comment.split(|c: char| !c.is_alphanumeric() && c != '_') {
            let variable = self.names.find(part).and_then(|symbol| self.find(symbol));
            if let Some(variable) = variable.and_then(|v| self.variables.get_mut(v)) {
                variable.used = true;
            }
        }
        let whole = format!("floor({} / {comment})", self.words(span));
        let report = Diagnostic::warning(
            codes::COMMENT_AS_OPERAND,
            "`//` begins a comment, and divides nothing",
            span,
        );
        let report = report.here("the value ends here").label(place, "not read");
        let help = format!("a whole division is `{whole}`, what is left of it `a mod b`");
        let report = match comment.contains(['(', ')', '+', '-', ' ']) {
            false => report.suggest(help, span.to(place), whole),
            true => report.help("a whole division is `floor(a / b)`, what is left of it `a mod b`"),
        };
        self.report(report.help("begin a comment that is meant with a word"));
    }

    /// Made of numbers, signs, names of values and the unit of what stands before.
    fn reads_as_operand(&self, comment: &str, unit: Option<&str>) -> bool {
        let mut operands = 0;
        let word = |c: char| c.is_alphanumeric() || c == '_' || c == '.';
        for part in comment.split(|c: char| c.is_whitespace() || "+-*/^()".contains(c)) {
            let named = || self.names.find(part).and_then(|symbol| self.variable_of(symbol));
            match part {
                "" => {}
                part if Some(part) == unit && operands > 0 => {}
                part if part.parse::<f64>().is_ok() && !part.ends_with('.') => operands += 1,
                part if part.chars().all(word) && named().is_some() => operands += 1,
                _ => return false,
            }
        }
        operands > 0
    }

    /// The one plain length in a product that would be a lens: where it was declared, in which
    /// unit, and what it is called. As a length per angle it would change the dimension of the
    /// product by `needed`, a power of the angle.
    pub(super) fn lens_in(&self, e: &Expression, needed: i8) -> Option<Lens> {
        let mut found = Vec::new();
        self.lengths_in(e, 1, &mut found);
        found.retain(|(_, power)| *power == -i32::from(needed));
        found.dedup_by(|a, b| a.0.name == b.0.name);
        match <[_; 1]>::try_from(found) {
            Ok([(lens, _)]) => Some(lens),
            Err(_) => None,
        }
    }

    fn lengths_in(&self, e: &Expression, power: i32, found: &mut Vec<(Lens, i32)>) {
        match &e.kind {
            ExpressionKind::Name(symbol) => {
                let Some(variable) = self.variable_of(*symbol) else { return };
                if variable.kind == Type::Quantity(Dimension::LENGTH) {
                    let place = variable.name.span;
                    let unit = variable.unit.as_deref().cloned();
                    let name = self.text(*symbol);
                    found.push((Lens { name, place, unit, field: false }, power));
                }
            }
            ExpressionKind::Field { name, .. }
                if self.names.text(name.symbol) == "focal_length" =>
            {
                let lens =
                    Lens { name: self.words(e.span), place: e.span, unit: None, field: true };
                found.push((lens, power));
            }
            ExpressionKind::Binary { operator, left, right, .. } => {
                self.lengths_in(left, power, found);
                let over = *operator == Binary::Divide;
                self.lengths_in(right, if over { -power } else { power }, found);
            }
            ExpressionKind::Power { base, exponent } => {
                self.lengths_in(base, power.saturating_mul(*exponent), found);
            }
            ExpressionKind::Unary { operand: e, .. } | ExpressionKind::Shown { value: e, .. } => {
                self.lengths_in(e, power, found);
            }
            _ => {}
        }
    }
}

/// A length that would be a lens.
pub(super) struct Lens {
    pub name: String,
    /// Where it was declared, or where the field is read.
    pub place: Span,
    /// The unit that it was written in.
    pub unit: Option<UnitText>,
    /// It is the focal length of a record.
    pub field: bool,
}

/// Whole turns, in whatever unit.
fn is_turns(kind: &Type, value: f64) -> bool {
    let turns = value / TAU;
    *kind == Type::Quantity(Dimension::ANGLE)
        && turns.round() != 0.0
        && (turns - turns.round()).abs() < 1e-9
}

/// Is of a kind that the arguments of a call decide.
fn is_open(kind: &Type) -> bool {
    match kind {
        Type::List(item) => is_open(item),
        Type::Quantity(dimension) => dimension.is_open(),
        Type::Record(record) => record.fields.iter().any(|(_, kind)| is_open(kind)),
        Type::Any => true,
        _ => false,
    }
}
