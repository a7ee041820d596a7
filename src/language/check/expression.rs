//! Literals, names, texts, lists, comprehensions and records.

use crate::builtins;
use crate::check::annotation::defaults;
use crate::check::scope::Role;
use crate::check::typed::{Typed, read};
use crate::check::{Checker, advice};
use crate::diagnostics::{Diagnostic, codes};
use crate::program::show::Shower;
use crate::program::tree as program;
use crate::program::tree::{Flag, Number, Over, Ref};
use crate::program::types::Type;
use crate::source::Span;
use crate::syntax::foreign::{Foreign, comment_mark};
use crate::syntax::names::Symbol;
use crate::syntax::tree::{Binary, Expression, ExpressionKind, Name, Piece, UnitName};
use crate::syntax::{decimal_commas, with_points};
use spintrue_head::{UnitError, UnitText, letter_distance, parse_unit};
use std::rc::Rc;
use std::sync::Arc;

/// How a value from outside is written.
const VALUES: &str =
    "a value is written out, as in `4800 rpm`, `3`, `true`, `\"text\"` or `table(\"x.csv\")`";

impl Checker<'_> {
    /// Checks an expression that must have a value. `expected` helps an empty list to a type.
    pub(super) fn expression(&mut self, e: &Expression, expected: Option<&Type>) -> Typed {
        let around = std::mem::take(&mut self.parts);
        let typed = match &e.kind {
            ExpressionKind::Number { value, unit } => self.number(*value, *unit, e.span),
            ExpressionKind::Text(pieces) => self.text_literal(pieces, e.span),
            ExpressionKind::Flag(flag) => Typed::new(Type::Flag, Flag::Constant(*flag), e.span),
            ExpressionKind::Name(symbol) => self.name(*symbol, e.span),
            ExpressionKind::List(items) => self.list(items, expected, e.span),
            ExpressionKind::Comprehension { element, name, over, only_if } => {
                self.comprehension(element, *name, over, only_if.as_deref(), expected, e.span)
            }
            ExpressionKind::Record(fields) => self.record(fields, expected, e.span),
            ExpressionKind::Call { name, arguments } => {
                let typed = self.call(*name, arguments, e.span);
                if typed.kind == Type::Nothing {
                    let text = self.text(name.symbol);
                    let headline = format!("`{text}` gives no value");
                    let report = Diagnostic::error(codes::NO_VALUE, headline, e.span)
                        .here("stands where a value is needed");
                    match self.routine_of(*name) {
                        Some(routine) => self.valueless.push((routine, report)),
                        None => self.report(report),
                    }
                    return Typed::unknown(e.span);
                }
                typed
            }
            ExpressionKind::Field { of, name } => self.field(of, *name, e.span),
            ExpressionKind::Element { of, index } => self.element(of, index, e.span),
            ExpressionKind::Unary { operator, operand } => self.unary(*operator, operand, e.span),
            ExpressionKind::Binary { operator, operator_span, left, right } => {
                self.binary(*operator, *operator_span, left, right, expected, e.span)
            }
            ExpressionKind::Power { base, exponent } => self.power(base, *exponent, e.span),
            ExpressionKind::Shown { value, unit } => self.shown(value, *unit, e.span),
            ExpressionKind::Within { value, low, high } => self.within(value, low, high, e.span),
            ExpressionKind::Broken => Typed::unknown(e.span),
        };
        let makeup = self.makeup_of(e, &typed, self.parts);
        self.parts = around | makeup;
        self.near = self.near | makeup;
        self.swallowed(&typed, e.span);
        Typed { span: e.span, makeup, ..typed }
    }

    /// Checks an expression that must be of one type; reports otherwise.
    pub(super) fn expect_kind(
        &mut self,
        e: &Expression,
        wanted: &Type,
        code: &'static str,
        what: &str,
    ) -> Typed {
        let typed = self.whole(e, Some(wanted), wanted);
        self.of_kind(e, typed, wanted, code, what)
    }

    /// An expression; unknown where it is of another kind than wanted and something in it was reported, since
    /// that may be the reason.
    pub(super) fn whole(
        &mut self,
        e: &Expression,
        expected: Option<&Type>,
        wanted: &Type,
    ) -> Typed {
        let before = self.diagnostics.len();
        let typed = self.expression(e, expected);
        match typed.kind != *wanted && self.is_wrong_since(before) {
            true => Typed::unknown(typed.span),
            false => typed,
        }
    }

    /// Whether an error was reported behind so many reports.
    pub(super) fn is_wrong_since(&self, before: usize) -> bool {
        self.diagnostics.iter().skip(before).any(Diagnostic::is_error)
    }

    /// The same of an expression that is checked already.
    pub(super) fn of_kind(
        &mut self,
        e: &Expression,
        typed: Typed,
        wanted: &Type,
        code: &'static str,
        what: &str,
    ) -> Typed {
        if typed.kind == *wanted || typed.kind == Type::Unknown || *wanted == Type::Unknown {
            return typed;
        }
        let (is, should) = (self.a_kind(&typed.kind), self.a_kind(wanted));
        let headline = format!("{what} must be {should}, not {is}");
        let report = Diagnostic::error(code, headline, typed.span).here(format!("this is {is}"));
        self.report_with(report, self.way(Some(e), &typed, wanted, None));
        Typed::unknown(typed.span)
    }

    /// The ends of a range; none where one of them is no number.
    pub(super) fn range_ends(
        &mut self,
        left: &Expression,
        right: &Expression,
    ) -> Option<(Number, Number)> {
        let what = "an end of a range, which counts in steps of one,";
        let from = self.expect_kind(left, &Type::NUMBER, codes::BAD_OPERAND, what);
        // One report is enough where both ends are of another kind.
        let wanted = if from.kind == Type::Unknown { Type::Unknown } else { Type::NUMBER };
        let to = self.expect_kind(right, &wanted, codes::BAD_OPERAND, what);
        let are_numbers = [&from.kind, &to.kind].iter().all(|kind| **kind == Type::NUMBER);
        are_numbers.then(|| (from.number(), to.number()))
    }

    /// A unit by its name; reports one that does not exist, once for each place.
    pub(super) fn unit(&mut self, unit: UnitName) -> Option<Rc<UnitText>> {
        self.saw_unit(unit);
        self.bracketed_variables(unit);
        if let Some(known) = self.units.get(&unit.symbol) {
            return Some(known.clone());
        }
        let text = self.text(unit.symbol);
        match parse_unit(&text) {
            Ok(found) => {
                let found = Rc::new(found);
                self.units.insert(unit.symbol, found.clone());
                Some(found)
            }
            Err(error) => {
                let report = Diagnostic::error(codes::UNKNOWN_UNIT, error.to_string(), unit.span);
                self.report(match &error {
                    UnitError::Unknown { near: Some(near), name, is_sure: true, .. } => {
                        let whole = text.replacen(name.as_str(), near, 1);
                        report.fix(format!("it is written `{near}`"), unit.span, whole)
                    }
                    UnitError::Unknown { near: Some(near), name, .. } => {
                        let is_one = !near.contains("` or `");
                        near.split("` or `").fold(report, |report, near| {
                            let whole = text.replacen(name.as_str(), near, 1);
                            let help = match is_one {
                                true => format!("did you mean `{near}`?"),
                                false => format!("`{near}` may be meant"),
                            };
                            report.suggest(help, unit.span, whole)
                        })
                    }
                    UnitError::Unknown { worth: Some((one, meant)), name, .. } => {
                        match self.number_before(unit.span, "").filter(|_| *name == text) {
                            Some((place, number, value)) => {
                                let value = (value * one * 1e9).round() / 1e9;
                                let sum = format!("{value} {meant}");
                                let help = format!("`{number} {name}` is `{sum}`");
                                report.suggest(help, place.to(unit.span), sum)
                            }
                            None => report,
                        }
                    }
                    UnitError::Unknown { .. } => report.help("`spintrue units` lists them all"),
                    _ => report,
                });
                None
            }
        }
    }

    /// A word in the bracket of a unit that names a variable as well: which one is meant, only the
    /// author knows.
    fn bracketed_variables(&mut self, unit: UnitName) {
        let text = self.text(unit.symbol);
        let inside = text.split_once('(').map_or("", |(_, inside)| inside);
        let words = inside.split(|c: char| !c.is_alphabetic()).filter(|word| !word.is_empty());
        let is_variable =
            |word: &&str| self.names.find(word).is_some_and(|s| self.variable_of(s).is_some());
        let Some(word) = words.into_iter().find(is_variable) else { return };
        let headline = format!("`{word}` is a unit in this bracket, and a variable");
        let blank = self.sources.slice(unit.span).replacen('/', " / ", 1);
        self.error(codes::MALFORMED_UNIT, headline, unit.span)
            .help(format!("to divide by variables, leave a blank: `{blank}`"))
            .help(format!("for the unit, give the variable `{word}` another name"));
    }

    pub(super) fn number(&mut self, value: f64, unit: Option<UnitName>, span: Span) -> Typed {
        let constant = |value| program::Expression::Number(Number::Constant(value));
        let Some(unit) = unit else { return Typed::new(Type::NUMBER, constant(value), span) };
        let Some(unit) = self.unit(unit) else { return Typed::unknown(span) };
        let value = constant(unit.to_si(value));
        Typed::new(Type::in_unit(&unit), value, span).with_unit(Some(unit))
    }

    fn text_literal(&mut self, pieces: &[Piece], span: Span) -> Typed {
        let mut made = Vec::new();
        for piece in pieces {
            match piece {
                Piece::Plain(text) => made.push(program::Piece::Plain(Rc::from(text.as_str()))),
                Piece::Value { value, decimals } => {
                    let typed = self.expression(value, None);
                    if typed.kind == Type::Unknown {
                        continue;
                    }
                    if decimals.is_some() && !self.takes_decimals(&typed.kind) {
                        let kind = self.a_kind(&typed.kind);
                        let headline = format!("{kind} has no digits after the point");
                        self.error(codes::NOT_SHOWABLE, headline, typed.span);
                        continue;
                    }
                    if let Some(shower) = self.shower(&typed, *decimals) {
                        made.push(program::Piece::Value(typed.code, shower));
                    }
                }
            }
        }
        let code = match made.as_slice() {
            [] => Ref::Text(Rc::from("")),
            [program::Piece::Plain(text)] => Ref::Text(text.clone()),
            _ => Ref::Interpolated(made, span),
        };
        Typed::new(Type::Text, code, span)
    }

    fn takes_decimals(&self, kind: &Type) -> bool {
        match kind {
            Type::Quantity(_) | Type::Temperature => true,
            Type::List(item) => self.takes_decimals(item),
            Type::Record(_) => true,
            _ => false,
        }
    }

    /// How a value is shown; reports what cannot be.
    pub(super) fn shower(&mut self, typed: &Typed, decimals: Option<u8>) -> Option<Shower> {
        let shower = Shower::of(&typed.kind, typed.unit.clone(), decimals);
        let shower = match (&typed.fields, shower) {
            (Some(fields), Some(shower)) => Some(shower.with_fields(fields)),
            (_, shower) => shower,
        };
        if shower.is_none() && typed.kind != Type::Unknown {
            let kind = self.kind_name(&typed.kind);
            self.error(
                codes::NOT_SHOWABLE,
                format!("a value of the open dimension `{kind}` cannot be shown here"),
                typed.span,
            )
            .here("its unit is known only to the caller")
            .help("return it, and show it where its kind is known");
        }
        shower
    }

    fn name(&mut self, symbol: Symbol, span: Span) -> Typed {
        let Some(index) = self.find(symbol) else {
            return match builtins::constant(self.names.text(symbol)) {
                Some(value) => Typed::new(Type::NUMBER, Number::Constant(value), span),
                None => self.unknown_name(symbol, span),
            };
        };
        self.saw_value(index, span);
        self.until_sees(index, span);
        let Some(variable) = self.variables.get_mut(index) else { return Typed::unknown(span) };
        variable.used = true;
        let fixed = matches!(variable.role, Role::Constant | Role::Param | Role::Loop);
        if self.inside.constant && !fixed {
            let text = self.text(symbol);
            let headline = format!("`{text}` is not known before the script runs");
            self.error(codes::NOT_CONSTANT, headline, span).here("must be a constant");
            return Typed::unknown(span);
        }
        if self.inside.routine.is_none()
            && variable.role == Role::Constant
            && variable.name.span.source == span.source
            && variable.name.span.start > span.start
        {
            let (text, declared) = (self.names.text(symbol).to_string(), variable.name.span);
            let headline = format!("`{text}` is used before it is declared");
            self.error(codes::UNKNOWN_NAME, headline, span).label(declared, "declared here");
            return Typed::unknown(span);
        }
        Typed::new(variable.kind.clone(), read(variable.slot), span)
            .with_unit(variable.unit.clone())
            .with_fields(variable.fields.clone())
            .with_makeup(variable.makeup)
    }

    /// A condition after `until` may not read what a `continue` may have jumped over.
    fn until_sees(&mut self, variable: usize, span: Span) {
        let Some(until) = &self.inside.until else { return };
        if variable < until.first {
            return;
        }
        let skipped = until.continues.iter().find(|(_, declared)| variable >= *declared);
        let Some((place, _)) = skipped.copied() else { return };
        let text = self.words(span);
        self.error(
            codes::MAYBE_UNSET,
            format!("`{text}` may not be set when `until` looks at it"),
            span,
        )
        .label(place, "this `continue` may come before it is set")
        .help(format!("declare `var {text} = ...` before the loop"));
    }

    fn reported(&mut self, report: Diagnostic, span: Span) -> Typed {
        self.report(report);
        Typed::unknown(span)
    }

    fn unknown_name(&mut self, symbol: Symbol, span: Span) -> Typed {
        if self.module().is_some_and(|module| module.missing) {
            return Typed::unknown(span);
        }
        let text = self.text(symbol);
        let routines = self.module().map(|m| &m.routines);
        let callable = self.builtins.contains_key(&symbol)
            || routines.is_some_and(|routines| routines.contains_key(&symbol));
        let made = self.top_level.get(&symbol).copied().filter(|_| self.inside.routine.is_some());
        if self.is_told_in_another_block(symbol) {
            return Typed::unknown(span);
        }
        if self.names_a_thing(span) {
            let (headline, quoted) = (format!("there is no `{text}` here"), format!("\"{text}\""));
            let report = Diagnostic::error(codes::UNKNOWN_NAME, headline, span);
            self.report(report.suggest(format!("its name is a text: `{quoted}`"), span, quoted));
        } else if callable {
            let call = self.call_of(symbol);
            let headline = format!("`{text}` is a routine, not a value");
            let report = Diagnostic::error(codes::UNKNOWN_NAME, headline, span);
            let help = format!("call it: `{call}`");
            self.report(match call.ends_with("()") {
                true => report.fix(help, span, call),
                false => report.help(help),
            });
        } else if let Some(made) = made {
            let headline =
                format!("a routine cannot see `{text}`, which is worked out while the script runs");
            self.error(codes::NOT_CONSTANT, headline, span)
                .label(made, "made here")
                .help("pass it as an argument");
        } else {
            let headline = format!("there is no `{text}` here");
            let report = Diagnostic::error(codes::UNKNOWN_NAME, headline, span);
            let values = || self.module().into_iter().flat_map(|m| m.values.keys().copied());
            let known = || self.scope.symbols().chain(values()).map(|s| self.names.text(s));
            let report = match self.with_habit(Foreign::Value, report) {
                Ok(report) => return self.reported(report, span),
                Err(report) => report,
            };
            let source = self.sources.get(span.source);
            let is_given = source.is_some_and(|s| &*s.name == "--set" || s.name.ends_with(".toml"));
            let source = source.map_or("", |source| source.text.as_ref());
            let report = if let Some(mark) = comment_mark(source, span) {
                report.suggest("a comment begins with `//`", mark, "//")
            } else if let Some(gone) = self.scope.gone(symbol) {
                let declared = self.variables.get(gone).map(|v| v.name.span).unwrap_or(span);
                report
                    .label(declared, "this one ends with its block")
                    .help(format!("declare `var {text} = ...` before the block, and set it there"))
            } else if let Some(near) = self.near_name(&text, known()) {
                self.with_near(report, &text, near)
            } else if let Some(near) = self.near_name(&text, self.callables())
                && letter_distance(near, &text) < 2
            {
                report.help(format!("did you mean `{near}(...)`?"))
            } else if parse_unit(&text).is_ok() {
                match self.number_before(span, "*") {
                    Some((place, number, _)) => {
                        let place = place.to(span);
                        let text = format!("{number} {text}");
                        report.fix(
                            format!("a unit stands behind its number: `{text}`"),
                            place,
                            text,
                        )
                    }
                    None => report.help(format!("a unit stands behind a number: `1 {text}`")),
                }
            } else if self.live.is_some() {
                report
            } else if is_given {
                report.help(VALUES)
            } else {
                report.help(format!("declare it before this line: `let {text} = ...`"))
            };
            self.report(report);
        }
        Typed::unknown(span)
    }

    /// `3*mm`: a number before a name, with what stands between: its place, its digits and its value.
    fn number_before(&self, name: Span, between: &str) -> Option<(Span, &str, f64)> {
        let text = self.sources.text(name.source);
        let before = text.get(..name.start as usize)?.trim_end().strip_suffix(between)?.trim_end();
        let inside = |c: char| c.is_ascii_digit() || c == '.' || c == '_';
        let number = before.rfind(|c| !inside(c)).map_or(before, |at| {
            let width =
                before.get(at..).and_then(|rest| rest.chars().next()).map_or(1, char::len_utf8);
            before.get(at + width..).unwrap_or("")
        });
        let is_word = before.strip_suffix(number)?.ends_with(|c: char| c.is_alphanumeric());
        let value = number.replace('_', "").parse::<f64>().ok().filter(|_| !is_word)?;
        let start = before.len() - number.len();
        Some((Span::new(name.source, start, before.len()), number, value))
    }

    fn list(&mut self, items: &[Expression], expected: Option<&Type>, span: Span) -> Typed {
        let wanted = expected.and_then(Type::item);
        let mut kind = None;
        let mut unit = None;
        let mut fields = None;
        let mut first = span;
        let mut parts = Vec::new();
        for (at, item) in items.iter().enumerate() {
            let typed = self.expression(item, wanted.or(kind.as_ref()));
            match &kind {
                _ if typed.kind == Type::Unknown => continue,
                None => {
                    first = typed.span;
                    unit = typed.unit.clone();
                    fields = typed.fields.clone();
                    kind = Some(typed.kind.clone());
                }
                Some(kind) if *kind != typed.kind => {
                    let [one, other] = [kind, &typed.kind].map(|kind| self.kind_name(kind));
                    let commas = decimal_commas(items, at);
                    let is_decimal = !commas.is_empty();
                    let headline = format!("a list holds one type, not {one} and {other}");
                    let [one, other] = [one, other].map(|name| advice::with_article(&name));
                    let report = Diagnostic::error(codes::MIXED_LIST, headline, typed.span)
                        .here(format!("this is {other}"))
                        .label(first, format!("the list began with {one}"));
                    self.report(with_points(report, commas));
                    if is_decimal {
                        return Typed::unknown(span);
                    }
                    continue;
                }
                Some(_) => {}
            }
            parts.push(typed.part());
        }
        let Some(kind) = kind.or_else(|| wanted.filter(|_| items.is_empty()).cloned()) else {
            if items.is_empty() {
                self.error(codes::UNTOLD_TYPE, "nothing tells what this list holds", span).help(
                    "say it where the list is declared, for example \
                         `var lengths: list of length = []`; it grows with `xs = xs + [x]`",
                );
            }
            return Typed::unknown(span);
        };
        Typed::new(kind.list(), Ref::Made(parts, span), span).with_unit(unit).with_fields(fields)
    }

    fn record(
        &mut self,
        fields: &[(Name, Expression)],
        expected: Option<&Type>,
        span: Span,
    ) -> Typed {
        let mut kinds = Vec::new();
        let mut parts = Vec::new();
        let mut units = Vec::new();
        for (name, value) in fields {
            let wanted = expected.and_then(Type::record);
            let wanted = wanted.and_then(|record| record.field(self.names.text(name.symbol)));
            let typed = self.expression(value, wanted.map(|(_, kind)| kind));
            kinds.push((*name, typed.kind.clone()));
            if let Some(unit) = &typed.unit {
                units.push((self.names.shared(name.symbol), unit.clone()));
            }
            parts.push((self.text(name.symbol), typed.part()));
        }
        let mut kind = self.record_type(kinds);
        if kind == Type::Unknown {
            return Typed::unknown(span);
        }
        if let (Type::Record(made), Some(Type::Record(wanted))) = (&kind, expected) {
            let (mut filled, own) = (made.clone(), parts.len());
            for (name, value) in defaults(wanted).filter(|(name, _)| made.field(name).is_none()) {
                let part = Typed::new(Type::NUMBER, Number::Constant(value), span).part();
                parts.push((name.to_string(), part));
                Rc::make_mut(&mut filled).fields.push((Arc::from(name), Type::NUMBER));
            }
            Rc::make_mut(&mut filled).fields.sort_by(|a, b| a.0.cmp(&b.0));
            // A report on another record says what its author wrote.
            match filled == *wanted {
                true => kind = Type::Record(filled),
                false => parts.truncate(own),
            }
        }
        parts.sort_by(|a, b| a.0.cmp(&b.0));
        let parts = parts.into_iter().map(|(_, part)| part).collect();
        let written = (!units.is_empty()).then(|| Rc::new(units));
        Typed::new(kind, Ref::Made(parts, span), span).with_fields(written)
    }

    fn comprehension(
        &mut self,
        element: &Expression,
        name: Name,
        over: &Expression,
        only_if: Option<&Expression>,
        expected: Option<&Type>,
        span: Span,
    ) -> Typed {
        let (over, item) = self.over(over);
        self.scope.enter();
        let (_, target) = self.declare(name, item, Role::Loop);
        let only_if = only_if.map(|e| self.condition(e, "the condition behind `if`"));
        let element = self.expression(element, expected.and_then(Type::item));
        self.scope.leave();
        if element.kind == Type::Unknown {
            return Typed::unknown(span);
        }
        let (kind, unit) = (element.kind.clone().list(), element.unit.clone());
        let fields = element.fields.clone();
        let element = element.part();
        let made = program::Comprehension { target, over, only_if, element, span };
        Typed::new(kind, Ref::Comprehension(Box::new(made)), span)
            .with_unit(unit)
            .with_fields(fields)
    }

    /// What a loop runs over, with the type and units of its items.
    pub(super) fn over(&mut self, e: &Expression) -> (Over, Typed) {
        // After a mistake nothing is known of the ends, not even that they are equal.
        let nothing = || {
            let end = || Box::new(Number::Constant(f64::NAN));
            Over::Range(end(), end())
        };
        if let ExpressionKind::Binary { operator: Binary::Range, left, right, .. } = &e.kind {
            let ends = self.range_ends(left, right);
            let kind = if ends.is_some() { Type::NUMBER } else { Type::Unknown };
            let item = Typed { kind, ..Typed::unknown(e.span) };
            let over = ends.map(|(from, to)| Over::Range(Box::new(from), Box::new(to)));
            return (over.unwrap_or_else(nothing), item);
        }
        let typed = self.expression(e, None);
        match typed.kind.clone() {
            Type::List(item) => {
                let layout = item.layout();
                let record = matches!(*item, Type::Record(_));
                let item = Typed { kind: (*item).clone(), ..typed.clone() };
                let list = Box::new(typed.reference());
                (Over::List { list, item: layout, record }, item)
            }
            Type::Unknown => (nothing(), typed),
            other => {
                let (kind, words) = (self.a_kind(&other), self.words(e.span));
                let headline = format!("a loop runs over a list or a range, not over {kind}");
                let report = self.error(codes::NOT_A_LIST, headline, e.span);
                let report = report.here(format!("this is {kind}"));
                if other == Type::NUMBER {
                    report.help(format!("to count from 0 write `0..{words}`"));
                }
                (nothing(), Typed::unknown(e.span))
            }
        }
    }
}
