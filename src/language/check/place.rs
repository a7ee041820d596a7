//! Fields and elements: reading them, and assigning to them.

use crate::builtins;
use crate::builtins::Builtin;
use crate::check::scope::{Role, Variable};
use crate::check::typed::{Makeup, Typed};
use crate::check::{Checker, advice};
use crate::diagnostics::{Diagnostic, Edit, Help, codes};
use crate::program::tree as program;
use crate::program::tree::{Access, Flag, Hop, Number, Ref, Slot, Statement};
use crate::program::types::{Layout, Type};
use crate::source::Span;
use crate::syntax::foreign::method;
use crate::syntax::names::Symbol;
use crate::syntax::tree::{Binary, Expression, ExpressionKind, Name};
use spintrue_head::{nearest_name, parse_unit};

/// What an assignment writes to.
struct Target {
    variable: usize,
    hops: Vec<Hop>,
    kind: Type,
}

/// Fields of lines and marks that are as good on one side of zero as on the other.
const SIGNED: &[&str] = &[
    "bow",
    "cross_scan",
    "cross_scan_end",
    "cross_scan_start",
    "even",
    "in_scan",
    "in_scan_end",
    "in_scan_start",
    "length_error",
    "odd",
    "skew",
];

impl Checker<'_> {
    pub(super) fn field(&mut self, of: &Expression, name: Name, span: Span) -> Typed {
        let of = self.expression(of, None);
        let Some((offset, kind)) = self.field_of(&of, name) else { return Typed::unknown(span) };
        let of_kind = of.kind.clone();
        let text = self.names.text(name.symbol);
        let written = of.fields.iter().flat_map(|fields| fields.iter());
        let unit = written.filter(|(n, _)| **n == *text).map(|(_, unit)| unit.clone()).next();
        let access = match of.reference() {
            // A field of a list's element is read in one step.
            Ref::Record(access, _) => Access { offset: access.offset.plus(offset), span, ..access },
            of => Access { of: Box::new(of), index: None, stride: Layout::default(), offset, span },
        };
        let kind_of_failure = matches!(&of_kind, Type::Record(r) if r.name == Some("failure"));
        let of_line =
            matches!(&of_kind, Type::Record(r) if matches!(r.name, Some("line" | "mark")));
        let own = match text {
            "kind" if kind_of_failure => Makeup::KIND,
            _ if of_line && SIGNED.contains(&text) => Makeup::SIGNED,
            _ => Makeup::BARE,
        };
        let makeup = Makeup::GIVEN | own;
        accessed(kind, access, span).with_unit(unit).with_makeup(makeup)
    }

    /// Where a field lies and its type; reports a field that is not there.
    fn field_of(&mut self, of: &Typed, name: Name) -> Option<(Layout, Type)> {
        self.saw_field(&of.kind, name);
        let text = self.text(name.symbol);
        match &of.kind {
            Type::Unknown => None,
            Type::Record(record) => {
                if let Some((offset, kind)) = record.field(&text) {
                    return Some((offset, kind.clone()));
                }
                let headline = format!("{} has no field `{text}`", self.a_kind(&of.kind));
                let known = || record.fields.iter().map(|(field, _)| &**field);
                let report = Diagnostic::error(codes::UNKNOWN_FIELD, headline, name.span);
                self.report(report.meant(nearest_name(&text, known()), || {
                    format!("it has {}", advice::listed(known()))
                }));
                None
            }
            other => {
                let kind = self.a_kind(other);
                let headline = format!("{kind} has no fields");
                let mut report = Diagnostic::error(codes::UNKNOWN_FIELD, headline, name.span)
                    .label(of.span, kind);
                let (words, place) = (self.offered(of.span, &[]), of.span.to(name.span));
                if let Some(field) = self.field_of_each(of, &text, place) {
                    report = report.way_out(field);
                } else if let Some(record) = other.item().and_then(Type::record) {
                    let known = record.fields.iter().map(|(field, _)| field);
                    let known = advice::listed(known);
                    report = report.help(format!("its elements have {known}, as in `xs[0].name`"));
                }
                let is_list = matches!(other, Type::List(_));
                let of_one =
                    |b: &&&Builtin| is_list && b.name == text && b.page().parameters.len() == 1;
                self.report(match method(&text, &words, "") {
                    Some((why, Some(call))) => {
                        report.here(why).suggest(format!("write `{call}`"), place, call)
                    }
                    Some((why, None)) => report.help(why),
                    None if builtins::table().iter().any(|builtin| of_one(&builtin)) => {
                        let call = format!("{text}({words})");
                        report.suggest(format!("write `{call}`"), place, call)
                    }
                    None => report,
                });
                None
            }
        }
    }

    /// A column of a list of records, or with an index behind it the field of that element.
    fn field_of_each(&self, list: &Typed, field: &str, place: Span) -> Option<Help> {
        list.kind.item()?.record()?.field(field)?;
        let words = self.offered(list.span, &[]);
        let behind = self.sources.text(place.source).get(place.end as usize..)?;
        let index = behind.strip_prefix('[').and_then(|rest| rest.split_once(']'));
        let index = index.filter(|(index, _)| !index.contains(['[', '(', '{', '\n']));
        let (help, span, text) = match index {
            Some((index, _)) => {
                let end = place.end as usize + index.len() + 2;
                let span = Span::new(place.source, place.start as usize, end);
                ("a field belongs to an element", span, format!("{words}[{index}].{field}"))
            }
            None => ("its elements have it", place, format!("[x.{field} for x in {words}]")),
        };
        let edits = vec![Edit { span, text: text.clone() }];
        Some(Help { text: format!("{help}: `{text}`"), edits, is_safe: false })
    }

    pub(super) fn element(&mut self, of: &Expression, index: &Expression, span: Span) -> Typed {
        let of_span = of.span;
        let of = self.expression(of, None);
        if let ExpressionKind::Binary { operator: Binary::Range, left, right, .. } = &index.kind {
            let [list, first, end] =
                [of_span, left.span, right.span].map(|span| self.offered(span, &[]));
            let part = format!("slice({list}, {first}, {end})");
            let headline = "an index is one number, not a range";
            let report = Diagnostic::error(codes::BAD_INDEX, headline, index.span);
            self.report(report.suggest(format!("a part of a list is `{part}`"), span, part));
            return Typed::unknown(span);
        }
        let Some(kind) = self.item_at(&of, index, span) else { return Typed::unknown(span) };
        let number = self.index(index);
        let (unit, fields) = (of.unit.clone(), of.fields.clone());
        let access = Access {
            of: Box::new(of.reference()),
            index: Some(Box::new(number)),
            stride: kind.layout(),
            offset: Layout::default(),
            span,
        };
        accessed(kind, access, span).with_unit(unit).with_fields(fields)
    }

    /// The kind of an element; where there is none, a field named by a text or a unit may be meant.
    fn item_at(&mut self, of: &Typed, index: &Expression, whole: Span) -> Option<Type> {
        let brackets = Span { start: of.span.end, ..whole };
        let written = self.sources.slice(brackets).trim();
        let inside = written.trim_start_matches('[').trim_end_matches(']').trim();
        let report = match (&of.kind, &index.kind) {
            (Type::Record(record), ExpressionKind::Text(_)) => {
                let field = inside.trim_matches('"');
                record.field(field)?;
                let headline = "a field is read by its name behind a point";
                let report = Diagnostic::error(codes::NOT_A_LIST, headline, index.span);
                report.fix(format!("write `.{field}`"), brackets, format!(".{field}"))
            }
            (Type::List(item), ExpressionKind::Text(_)) if let Some(record) = item.record() => {
                let field = inside.trim_matches(['"', '\'']);
                let headline = format!("a list has no field `{field}`");
                let report = Diagnostic::error(codes::BAD_INDEX, headline, index.span);
                let known = record.fields.iter().map(|(name, _)| name);
                match self.field_of_each(of, field, Span { end: whole.end, ..of.span }) {
                    Some(help) => report.way_out(help),
                    None => report.help(format!("its elements have {}", advice::listed(known))),
                }
            }
            (Type::Quantity(_), ExpressionKind::Name(_)) if parse_unit(inside).is_ok() => {
                let headline = "a unit stands right behind its number, without brackets";
                let report = Diagnostic::error(codes::NOT_A_LIST, headline, index.span);
                let text = format!("{} {inside}", self.sources.slice(of.span));
                report.fix(format!("write `{text}`"), whole, text)
            }
            _ => return self.item_of(of),
        };
        self.report(report);
        None
    }

    fn index(&mut self, index: &Expression) -> Number {
        let typed = self.expect_kind(index, &Type::NUMBER, codes::BAD_INDEX, "an index");
        if let Some(value) = typed.constant()
            && (value < 0.0 || value.fract() != 0.0)
        {
            let headline = "an index is a whole number from 0";
            let report = self.error(codes::BAD_INDEX, headline, typed.span);
            if value < 0.0 {
                report.help("the last element of `xs` is `xs[count(xs) - 1]`");
            }
        }
        typed.number()
    }

    fn item_of(&mut self, of: &Typed) -> Option<Type> {
        match &of.kind {
            Type::List(item) => Some((**item).clone()),
            Type::Unknown => None,
            other => {
                let headline = format!("{} has no elements", self.a_kind(other));
                let mut report = Diagnostic::error(codes::NOT_A_LIST, headline, of.span);
                if let Type::Record(record) = other {
                    let words = self.offered(of.span, &[]);
                    let fields = record.fields.iter().take(3);
                    let fields = fields.map(|(name, _)| format!("`{words}.{name}`"));
                    let fields = fields.collect::<Vec<_>>().join(", ");
                    report = report.help(format!("a field is read by its name: {fields}"));
                }
                self.report(report);
                None
            }
        }
    }

    pub(super) fn assign(
        &mut self,
        place: &Expression,
        value: &Expression,
        into: &mut Vec<Statement>,
    ) {
        let Some(target) = self.target(place) else {
            let stands_in = self.stands_in(place);
            let typed = self.expression(value, None);
            if let Some(variable) = stands_in.and_then(|index| self.variables.get_mut(index)) {
                variable.kind = typed.kind;
            }
            return;
        };
        let what = format!("`{}`", self.words(place.span));
        let typed = self.expect_kind(value, &target.kind, codes::WRONG_TYPE, &what);
        let Some(variable) = self.variables.get_mut(target.variable) else { return };
        variable.makeup = variable.makeup | typed.makeup;
        if variable.fields.is_none() && variable.kind == typed.kind {
            // A list that began empty shows the fields in the units of what it grows by.
            variable.fields = typed.fields.clone();
        }
        let slot = variable.slot;
        if typed.kind == Type::Unknown {
            return;
        }
        into.extend(stored(slot, target.hops, typed));
    }

    /// Puts what was worked out already into a place.
    pub(super) fn assign_typed(
        &mut self,
        place: &Expression,
        value: Typed,
        into: &mut Vec<Statement>,
    ) {
        let Some(target) = self.target(place) else {
            self.stands_in(place);
            return;
        };
        let what = format!("`{}`", self.words(place.span));
        let Some(slot) = self.variables.get(target.variable).map(|v| v.slot) else { return };
        if !self.fits(&value, &target.kind, &what) {
            return;
        }
        into.extend(stored(slot, target.hops, value));
    }

    /// Reports a value of another kind than wanted; tells whether it can be taken.
    pub(super) fn fits(&mut self, value: &Typed, wanted: &Type, what: &str) -> bool {
        if value.kind == Type::Unknown || *wanted == Type::Unknown {
            return false;
        }
        if value.kind == *wanted {
            return true;
        }
        let [is, should] = [&value.kind, wanted].map(|kind| self.a_kind(kind));
        self.error(codes::WRONG_TYPE, format!("{what} must be {should}, not {is}"), value.span)
            .here(format!("this is {is}"));
        false
    }

    fn target(&mut self, place: &Expression) -> Option<Target> {
        match &place.kind {
            ExpressionKind::Name(symbol) => {
                let Some(variable) = self.scope.find(*symbol) else {
                    return self.not_assignable(*symbol, place.span);
                };
                self.saw_value(variable, place.span);
                self.changes_undeclared(variable);
                let found = self.variables.get(variable)?;
                if found.role == Role::Var {
                    let kind = found.kind.clone();
                    return (kind != Type::Unknown).then_some(Target {
                        variable,
                        hops: Vec::new(),
                        kind,
                    });
                }
                self.keeps_its_value(*symbol, variable, place.span);
                None
            }
            ExpressionKind::Field { of, name } => {
                let mut target = self.target(of)?;
                let of = Typed { kind: target.kind.clone(), ..Typed::unknown(of.span) };
                let (offset, kind) = self.field_of(&of, *name)?;
                match target.hops.last_mut() {
                    Some(hop) => hop.offset = hop.offset.plus(offset),
                    None => target.hops.push(Hop {
                        index: None,
                        stride: Layout::default(),
                        offset,
                        span: place.span,
                    }),
                }
                Some(Target { kind, ..target })
            }
            ExpressionKind::Element { of, index } => {
                let mut target = self.target(of)?;
                let number = self.index(index);
                let of = Typed { kind: target.kind.clone(), ..Typed::unknown(of.span) };
                let kind = self.item_of(&of)?;
                target.hops.push(Hop {
                    index: Some(number),
                    stride: kind.layout(),
                    offset: Layout::default(),
                    span: place.span,
                });
                Some(Target { kind, ..target })
            }
            // The parser has said so already.
            _ => None,
        }
    }

    fn keeps_its_value(&mut self, symbol: Symbol, variable: usize, span: Span) {
        let Some(Variable { role, name, .. }) = self.variables.get(variable) else { return };
        let (text, declared, role) = (self.text(symbol), name.span, *role);
        let changed = format!("`{text}` is {} and keeps its value", role.text());
        // What another file declares is not changed there.
        let is_own = declared.source == span.source;
        let help = match role {
            Role::Let | Role::Constant if is_own => format!("declare it with `var {text} = ...`"),
            _ => format!("make a copy that may change: `var other = {text}`"),
        };
        let before = Span { start: 0, end: declared.start, ..declared };
        let before = self.sources.slice(before).trim_end();
        let word = before.strip_suffix("let").map(|rest| rest.len());
        let report = Diagnostic::error(codes::NOT_ASSIGNABLE, changed, span)
            .here("assigned to here")
            .label(declared, "declared here");
        self.report(match word.filter(|_| is_own && matches!(role, Role::Let | Role::Constant)) {
            Some(at) => report.suggest(help, Span::new(declared.source, at, at + 3), "var"),
            None => report.help(help),
        });
    }

    fn not_assignable(&mut self, symbol: Symbol, span: Span) -> Option<Target> {
        let text = self.text(symbol);
        let module = self.module();
        if let Some(known) = module.and_then(|m| m.values.get(&symbol)).copied() {
            self.saw_value(known, span);
            self.keeps_its_value(symbol, known, span);
            return None;
        }
        if let (Some(place), Some(_)) = (self.top_level.get(&symbol).copied(), self.inside.routine)
        {
            let headline = format!("a routine cannot set `{text}`, which belongs to the script");
            self.error(codes::NOT_CONSTANT, headline, span)
                .here("set here")
                .label(place, "declared here")
                .help(
                    "give the new value back with `return`, and set it where the routine is called",
                );
            return None;
        }
        if self.is_told_in_another_block(symbol) {
            return None;
        }
        let report =
            Diagnostic::error(codes::UNKNOWN_NAME, format!("there is no `{text}` here"), span);
        let known = self.scope.symbols().map(|s| self.names.text(s));
        let near = self.near_name(&text, known);
        let or = match self.scope.at_top() {
            true => "where it changes later",
            false => "before this block where it is used behind it",
        };
        let help = format!("declare it: `let {text} = ...`, or `var {text} = ...` {or}");
        let source = self.sources.text(span.source);
        let behind = source.get(span.end as usize..).unwrap_or("").trim_start();
        if let Some(value) = behind.strip_prefix('=')
            && self.builtins.contains_key(&symbol)
        {
            let value = value.split(['\n', ';']).next().unwrap_or("");
            let value = value.split("//").next().unwrap_or("").trim_end();
            let end = source.len() - behind.len() + 1 + value.len();
            let place = Span::new(span.source, span.start as usize, end);
            let headline = format!("`{text}` is a routine, and cannot be given a value");
            let report = Diagnostic::error(codes::UNKNOWN_NAME, headline, span);
            let call = format!("{text}({})", value.trim());
            self.report(report.suggest(format!("call it: `{call}`"), place, call));
            return None;
        }
        self.report(match near {
            Some(near) => report.meant(Some(near), String::new),
            // A field or an element of it is set.
            None if !behind.starts_with('=') => report.help(help),
            // In a block the name would end with it.
            None => report.way_out(Help {
                text: help,
                edits: vec![Edit { span: Span { end: span.start, ..span }, text: "let ".into() }],
                is_safe: self.scope.at_top(),
            }),
        });
        None
    }

    /// An undeclared name that is assigned to once more has to be a variable.
    fn changes_undeclared(&mut self, variable: usize) {
        let Some(variable) = self.variables.get(variable).filter(|v| v.quiet && v.used) else {
            return;
        };
        let place = variable.name.span;
        let told = |d: &&mut Diagnostic| d.code == codes::UNKNOWN_NAME && d.span() == place;
        let edits = self.diagnostics.iter_mut().find(told).into_iter().flat_map(|d| &mut d.help);
        for edit in edits.flat_map(|help| &mut help.edits).filter(|edit| edit.text == "let ") {
            edit.text = "var ".to_string();
        }
    }

    /// Whether a name was assigned to in a block that ended, and is reported there.
    pub(super) fn is_told_in_another_block(&self, symbol: Symbol) -> bool {
        let gone = self.scope.gone(symbol).and_then(|gone| self.variables.get(gone));
        gone.filter(|gone| gone.quiet).is_some_and(|gone| {
            let told = |d: &Diagnostic| d.code == codes::UNKNOWN_NAME && d.span() == gone.name.span;
            self.diagnostics.iter().any(told)
        })
    }

    /// A name that is assigned to and cannot be is reported once: from here on it is there, of an
    /// unknown kind.
    fn stands_in(&mut self, place: &Expression) -> Option<usize> {
        let symbol = match &place.kind {
            ExpressionKind::Name(symbol) => *symbol,
            ExpressionKind::Field { of, .. } | ExpressionKind::Element { of, .. } => {
                self.stands_in(of);
                return None;
            }
            _ => return None,
        };
        if self.variable_of(symbol).is_some() {
            return None;
        }
        if let Some(gone) =
            self.scope.gone(symbol).filter(|_| self.is_told_in_another_block(symbol))
        {
            self.scope.bind(symbol, gone);
            return Some(gone);
        }
        let unknown = Typed::unknown(place.span);
        let (index, _) = self.declare(Name { symbol, span: place.span }, unknown, Role::Var);
        if let Some(variable) = self.variables.get_mut(index) {
            (variable.used, variable.quiet) = (true, true);
        }
        Some(index)
    }
}

/// Puts a value into a variable, or where the hops from there lead.
fn stored(slot: Slot, hops: Vec<Hop>, value: Typed) -> Option<Statement> {
    match slot {
        _ if hops.is_empty() => Some(Statement::Set(slot, value.code)),
        Slot::Ref(root) => Some(Statement::Store { root, hops, value: value.part() }),
        _ => None,
    }
}

/// Reads a value of some type out of a list or record.
fn accessed(kind: Type, access: Access, span: Span) -> Typed {
    let code = match &kind {
        Type::Flag => program::Expression::Flag(Flag::Access(access)),
        Type::Text | Type::List(_) => program::Expression::Ref(Ref::Access(access)),
        Type::Record(_) => program::Expression::Ref(Ref::Record(access, kind.layout())),
        _ => program::Expression::Number(Number::Access(access)),
    };
    Typed::new(kind, code, span)
}

#[cfg(test)]
mod tests {
    use super::SIGNED;
    use crate::builtins;

    #[test]
    fn what_has_a_sign_is_a_field_of_lines() {
        let line = builtins::record("line").unwrap();
        let fields = &line.page().fields;
        assert!(SIGNED.iter().all(|name| fields.iter().any(|field| field.name == *name)));
    }
}
