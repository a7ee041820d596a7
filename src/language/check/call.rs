//! Calls of routines and built-ins: arguments to parameters, open kinds, results.

use crate::builtins;
use crate::builtins::{Effect, Trait};
use crate::check::advice::with_article;
use crate::check::choose::chosen;
use crate::check::flow::{CallSite, Callee, UNDER_LIGHT, put};
use crate::check::generic::{Bindings, Fit};
use crate::check::typed::{Makeup, Typed};
use crate::check::{Checker, advice};
use crate::diagnostics::{Diagnostic, Edit, codes};
use crate::program::tree as program;
use crate::program::tree::{Flag, Number, Ref};
use crate::program::types::{Layout, Type};
use crate::source::Span;
use crate::syntax::tree::{Argument, ExpressionKind, Name};
use crate::syntax::without_comma;
use spintrue_head::{Dimension, nearest_name};
use std::rc::Rc;

/// What a routine or built-in takes and gives.
#[derive(Debug)]
pub(super) struct Signature {
    pub parameters: Vec<ParameterInfo>,
    pub returns: Type,
    /// Names of its open dimensions.
    pub open: Vec<Rc<str>>,
}

/// A parameter as callers see it.
#[derive(Debug)]
pub(super) struct ParameterInfo {
    pub name: Rc<str>,
    pub kind: Type,
    pub default: DefaultValue,
}

/// What holds where an argument is left out.
#[derive(Debug)]
pub(super) enum DefaultValue {
    /// It cannot be left out.
    Required,
    /// The built-in sees that it is absent.
    Absent,
    /// A constant expression.
    Code(program::Expression),
}

impl Signature {
    /// Parameters that must be given and have no argument.
    fn missing(&self, slots: &[Option<usize>]) -> Vec<usize> {
        let all = self.parameters.iter().zip(slots).enumerate();
        let missing = all
            .filter(|(_, (p, slot))| slot.is_none() && matches!(p.default, DefaultValue::Required));
        missing.map(|(at, _)| at).collect()
    }

    /// Which parameters were left out, by the kinds of the arguments that are there; none where
    /// these do not tell.
    fn left_out(
        &self,
        slots: &[Option<usize>],
        arguments: &[Argument],
        kinds: &[Type],
    ) -> Option<Vec<usize>> {
        let named = |slot: &usize| arguments.get(*slot).is_some_and(|a| a.name.is_some());
        let mut found: Vec<Option<usize>> = slots.iter().map(|slot| slot.filter(named)).collect();
        let mut bindings = Bindings::default();
        let mut next = 0;
        for (index, kind) in kinds.iter().enumerate().filter(|(index, _)| !named(index)) {
            let parameters = self.parameters.iter().zip(&found).enumerate().skip(next);
            let mut free = parameters.filter(|(_, (_, slot))| slot.is_none());
            let (at, _) = free.find(|(_, (p, _))| bindings.fit(&p.kind, kind) != Fit::Unlike)?;
            *found.get_mut(at)? = Some(index);
            next = at + 1;
        }
        Some(self.missing(&found))
    }
}

impl Checker<'_> {
    /// Checks a call; the type is `Nothing` where it gives no value.
    pub(super) fn call(&mut self, name: Name, arguments: &[Argument], span: Span) -> Typed {
        let routine = self.routine_of(name);
        let (callee, signature) = if let Some(index) = routine {
            if let Some(routine) = self.routines.get_mut(index) {
                routine.used = true;
            }
            let signature = self.routines.get(index).map(|r| r.signature.clone());
            (Callee::Routine(index), signature)
        } else if let Some(index) = self.builtins.get(&name.symbol).copied() {
            (Callee::Builtin(index), self.builtin_signature(index))
        } else {
            // What a list is called with is no argument, and a routine that is handed over belongs to the
            // same mistake.
            let is_value = self.find(name.symbol).is_some();
            let before = self.diagnostics.len();
            self.unknown_call(name, span);
            let report = self.diagnostics.get(before);
            let edits = report.into_iter().flat_map(Diagnostic::fixes).flat_map(|fix| &fix.edits);
            let edits: Vec<Edit> = edits.cloned().collect();
            for argument in arguments.iter().filter(|_| !is_value) {
                let (place, words) = (argument.value.span, self.sources.slice(argument.value.span));
                // What the way out writes anew belongs to the same mistake.
                let rewritten = edits.iter().any(|edit| {
                    edit.span.start <= place.start
                        && place.end <= edit.span.end
                        && !edit.text.contains(words)
                });
                if !rewritten && !self.is_routine(&argument.value) {
                    self.expression(&argument.value, None);
                }
            }
            return Typed::unknown(span);
        };
        self.saw_call(callee, name);
        let Some(signature) = signature else { return Typed::unknown(span) };
        let allowed = self.site(callee, name, span);
        let Some(slots) = self.slots_of_arguments(callee, name, arguments, &signature) else {
            return Typed::unknown(span);
        };
        if let Some(table) = self.table(callee, arguments, span) {
            return table;
        }
        let Some((values, returns)) = self.fitted(name, arguments, &slots, &signature, span) else {
            return Typed::unknown(span);
        };
        self.named(callee, arguments, &slots, &values);
        let Some(like) = self.like(callee, &values) else { return Typed::unknown(span) };
        if !allowed {
            return Typed::unknown(span);
        }
        self.coded(callee, &signature, values, (returns, like), span)
    }

    /// The routine that a name means here.
    pub(super) fn routine_of(&self, name: Name) -> Option<usize> {
        self.module()?.routines.get(&name.symbol).copied()
    }

    /// Remembers who calls whom, and refuses light that is not armed. Tells whether the call
    /// may stand here.
    fn site(&mut self, callee: Callee, name: Name, span: Span) -> bool {
        let armed = self.inside.armed;
        let (caller, end) = (self.inside.routine, span.end);
        self.calls.push(CallSite { caller, callee, span: name.span, end, armed, fails: None });
        if let Callee::Routine(index) = callee {
            self.called_in_the_dark(index, name);
        }
        let Some(builtin) = callee.builtin() else { return true };
        if self.inside.constant && !builtin.page().effects.is_empty() {
            let headline = format!("`{}` asks the head, so this is not a constant", builtin.name);
            self.error(codes::NOT_CONSTANT, headline, span);
            return false;
        }
        for (_, report) in UNDER_LIGHT.iter().filter(|(is_bad, _)| is_bad(builtin)) {
            armed.into_iter().for_each(|arm| self.report(report(builtin.name, span, arm)));
        }
        if builtin.has(Effect::Emits) && armed.is_none() {
            self.error(
                codes::LIGHT_OUTSIDE_ARM,
                format!("`{}` lets light out and is not inside an `arm` block", builtin.name),
                span,
            )
            .here("light is possible only where it is armed")
            .help("put it into `arm at 35 % { ... }`, so that it is disarmed on every way out");
        }
        true
    }

    /// A routine that is declared `within arm` needs an `arm` block around its call.
    fn called_in_the_dark(&mut self, routine: usize, name: Name) {
        let declared = self.routines.get(routine).and_then(|r| r.armed);
        let (Some(declared), None) = (declared, self.inside.armed) else { return };
        let text = self.text(name.symbol);
        self.error(
            codes::LIGHT_OUTSIDE_ARM,
            format!("`{text}` lets light out and is called outside of any `arm` block"),
            name.span,
        )
        .label(declared, "it is to be called within an `arm` block")
        .help(format!("call it in `arm at 35 % {{ {text}(...) }}`"));
    }

    /// The names of all that can be called here.
    pub(super) fn callables(&self) -> impl Iterator<Item = &str> {
        let routines = self.module().into_iter().flat_map(|module| module.routines.keys());
        let routines = routines.map(|symbol| self.names.text(*symbol));
        routines.chain(builtins::table().iter().map(|builtin| builtin.name))
    }

    pub(super) fn builtin_signature(&mut self, index: usize) -> Option<Rc<Signature>> {
        if let Some(Some(known)) = self.signatures.get(index) {
            return Some(known.clone());
        }
        let builtin = builtins::table().get(index)?;
        let page = builtin.page();
        let parameters = page.parameters.iter().map(|parameter| ParameterInfo {
            name: Rc::from(parameter.name),
            kind: self.kind(parameter.kind),
            default: match parameter.is_optional {
                true => DefaultValue::Absent,
                false => DefaultValue::Required,
            },
        });
        let signature = Rc::new(Signature {
            parameters: parameters.collect(),
            returns: self.kind(page.returns),
            open: builtins::OPEN_NAMES.iter().map(|name| Rc::from(*name)).collect(),
        });
        put(&mut self.signatures, index, Some(signature.clone()));
        Some(signature)
    }

    /// For each parameter, which argument it gets; none after a report.
    fn slots_of_arguments(
        &mut self,
        called: Callee,
        name: Name,
        arguments: &[Argument],
        signature: &Signature,
    ) -> Option<Vec<Option<usize>>> {
        let mut slots: Vec<Option<usize>> = vec![None; signature.parameters.len()];
        let callee = self.text(name.symbol);
        let mut good = true;
        for (index, argument) in arguments.iter().enumerate() {
            let position = match argument.name {
                None => index,
                Some(named) => {
                    let text = self.text(named.symbol);
                    let found = signature.parameters.iter().position(|p| *p.name == *text);
                    let Some(position) = found else {
                        if self.former_name(name, &text, arguments) {
                            self.kinds_of(arguments);
                            return None;
                        }
                        self.unknown_argument(&callee, &text, named.span, signature);
                        good = false;
                        continue;
                    };
                    self.saw_argument(name, position, named.span);
                    position
                }
            };
            let Some(slot) = slots.get_mut(position) else {
                let takes = advice::count(signature.parameters.len(), "argument");
                let headline = format!("`{callee}` takes {takes}, not {}", arguments.len());
                let grouped = "a `,` parts two arguments, and neither digits nor decimals";
                let mut pairs = 1..arguments.len();
                if let Some(report) = pairs.find_map(|at| self.grouped(arguments, at, grouped)) {
                    self.report(report);
                } else {
                    self.too_many(arguments, index, headline, signature);
                }
                return None;
            };
            if let Some(first) = slot {
                let first = arguments.get(*first).map(|a| a.value.span).unwrap_or_default();
                let parameter = signature.parameters.get(position).map(|p| p.name.to_string());
                let headline = format!("`{}` is given twice", parameter.unwrap_or_default());
                self.error(codes::DUPLICATE_ARGUMENT, headline, argument.value.span)
                    .label(first, "first given here");
                good = false;
                continue;
            }
            *slot = Some(index);
        }
        let missing = signature.missing(&slots);
        if good && missing.is_empty() {
            return Some(slots);
        }
        let kinds = self.kinds_of(arguments);
        if good {
            let missing = signature.left_out(&slots, arguments, &kinds).unwrap_or(missing);
            self.missing(called, name, &missing, signature);
        }
        None
    }

    /// Checks arguments that cannot be matched with parameters; gives their kinds.
    pub(super) fn kinds_of(&mut self, arguments: &[Argument]) -> Vec<Type> {
        arguments.iter().map(|argument| self.expression(&argument.value, None).kind).collect()
    }

    /// Reports arguments that are not given.
    fn missing(&mut self, called: Callee, name: Name, missing: &[usize], signature: &Signature) {
        let missing = missing.iter().filter_map(|at| Some((*at, signature.parameters.get(*at)?)));
        let missing: Vec<(usize, &ParameterInfo)> = missing.collect();
        let open: Vec<&str> = signature.open.iter().map(|o| &**o).collect();
        let kinds = missing.iter().map(|(_, p)| format!("{}: {}", p.name, p.kind.name(&open)));
        let kinds = kinds.collect::<Vec<_>>().join(", ");
        let names = advice::listed(missing.iter().map(|(_, p)| &p.name));
        let headline = format!("`{}` needs {names}", self.text(name.symbol));
        let mut report = Diagnostic::error(codes::MISSING_ARGUMENT, headline, name.span)
            .here(format!("not given: {kinds}"));
        if let Some(builtin) = called.builtin() {
            let parameters = &builtin.page().parameters;
            for parameter in missing.iter().filter_map(|(at, _)| parameters.get(*at)) {
                report = report.help(format!("`{}`: {}", parameter.name, parameter.meaning()));
            }
        }
        self.report(report);
    }

    /// `4,800 rpm`: a report with the number that was meant.
    fn grouped(&self, arguments: &[Argument], index: usize, headline: &str) -> Option<Diagnostic> {
        let (left, right) = (arguments.get(index.checked_sub(1)?)?, arguments.get(index)?);
        let unit = |a: &Argument| match &a.value.kind {
            ExpressionKind::Number { unit, .. } => Some(unit.is_some()),
            _ => None,
        };
        let (first, second) = (unit(left)?, unit(right)?);
        let place = left.value.span.to(right.value.span);
        let words = self.sources.slice(place);
        let (thousands, rest) = words.split_once(',')?;
        let digits = rest.bytes().take_while(u8::is_ascii_digit).count();
        let whole = thousands.bytes().all(|b| b.is_ascii_digit());
        let is_decimal = digits > 0 && !first && second;
        (whole && (digits == 3 || is_decimal)).then(|| {
            let report = Diagnostic::error(codes::TOO_MANY_ARGUMENTS, headline, place);
            without_comma(report, place, thousands, rest)
        })
    }

    fn unknown_argument(&mut self, callee: &str, text: &str, span: Span, signature: &Signature) {
        let headline = format!("`{callee}` has no parameter `{text}`");
        let report = Diagnostic::error(codes::UNKNOWN_ARGUMENT, headline, span);
        let known = || signature.parameters.iter().map(|p| &*p.name);
        self.report(report.meant(nearest_name(text, known()), || {
            format!("it takes {}", advice::listed(known()))
        }));
    }

    /// Checks the arguments against the parameters; gives one value per parameter, and the
    /// type of the result.
    fn fitted(
        &mut self,
        name: Name,
        arguments: &[Argument],
        slots: &[Option<usize>],
        signature: &Signature,
        span: Span,
    ) -> Option<(Vec<Option<Typed>>, Type)> {
        let mut bindings = Bindings::default();
        let mut values = Vec::new();
        let mut later = Vec::new();
        let mut unlike = Vec::new();
        let mut good = true;
        for (position, (parameter, slot)) in signature.parameters.iter().zip(slots).enumerate() {
            let Some(argument) = slot.and_then(|index| arguments.get(index)) else {
                values.push(None);
                continue;
            };
            let wanted = bindings.filled(&parameter.kind);
            let before = self.diagnostics.len();
            let mut typed = self.expression(&argument.value, wanted.as_ref());
            // What is wrong in it is reported already.
            let mut fit = bindings.fit(&parameter.kind, &typed.kind);
            if fit == Fit::Unlike && self.is_wrong_since(before) {
                (typed.kind, fit) = (Type::Unknown, Fit::Fits);
            }
            match fit {
                Fit::Fits => {}
                Fit::Later => later.push(position),
                Fit::Unlike => {
                    good = false;
                    unlike.push((position, argument, typed.clone()));
                }
            }
            good &= typed.kind != Type::Unknown;
            values.push(Some(typed));
        }
        let former = unlike.iter().find_map(|(_, argument, typed)| {
            let index = arguments.iter().position(|a| std::ptr::eq(a, *argument))?;
            Some((index, typed.kind.clone())).filter(|_| argument.name.is_none())
        });
        if former.is_some_and(|(index, kind)| self.former_place(name, arguments, index, &kind)) {
            return None;
        }
        if !unlike.is_empty() {
            let given = (arguments, slots);
            self.unlike_arguments(name, signature, &bindings, given, &values, &unlike);
        }
        for position in later {
            let parameter = signature.parameters.get(position)?;
            let typed = values.get(position).cloned().flatten()?;
            let argument = slots.get(position).copied().flatten();
            let argument = argument.and_then(|index| arguments.get(index))?;
            if bindings.fit(&parameter.kind, &typed.kind) != Fit::Fits {
                good = false;
                let wanted = (parameter, &bindings);
                self.unlike_argument(name, wanted, signature, slots, (argument, &typed));
            }
        }
        if !good {
            return None;
        }
        let returns = bindings.filled(&signature.returns);
        if returns.is_none() {
            let headline = format!("nothing tells which kind `{}` gives", self.text(name.symbol));
            self.error(codes::UNTOLD_KIND, headline, span);
        }
        Some((values, returns?))
    }

    /// Reports arguments of the wrong kind: as one mistake where each fits another parameter.
    fn unlike_arguments(
        &mut self,
        name: Name,
        signature: &Signature,
        bindings: &Bindings,
        (arguments, slots): (&[Argument], &[Option<usize>]),
        values: &[Option<Typed>],
        unlike: &[(usize, &Argument, Typed)],
    ) {
        if let Some(report) = self.moved(name, signature, arguments, values) {
            return self.report(report);
        }
        for (position, argument, typed) in unlike {
            let Some(parameter) = signature.parameters.get(*position) else { continue };
            let wanted = (parameter, bindings);
            self.unlike_argument(name, wanted, signature, slots, (argument, typed));
        }
    }

    fn unlike_argument(
        &mut self,
        name: Name,
        (parameter, bindings): (&ParameterInfo, &Bindings),
        signature: &Signature,
        slots: &[Option<usize>],
        (argument, typed): (&Argument, &Typed),
    ) {
        let callee = self.text(name.symbol);
        let wanted = bindings.filled(&parameter.kind);
        let should = match &wanted {
            Some(kind) => self.kind_name(kind),
            None => match (&parameter.kind, &typed.kind) {
                (Type::List(_), kind) if !matches!(kind, Type::List(_)) => "list".to_string(),
                (Type::Quantity(open) | Type::Point(open), _)
                    if [Dimension::open(0), Dimension::open(1)].contains(open) =>
                {
                    "quantity".to_string()
                }
                _ => {
                    let open: Vec<&str> = signature.open.iter().map(|o| &**o).collect();
                    parameter.kind.name(&open)
                }
            },
        };
        let (is, name, a) = (self.a_kind(&typed.kind), &parameter.name, with_article(&should));
        let headline = format!("`{callee}` takes {a} as `{name}`, not {is}");
        let report = Diagnostic::error(codes::WRONG_ARGUMENT, headline, typed.span)
            .here(format!("this is {is}"));
        let target = wanted.unwrap_or_else(|| parameter.kind.clone());
        // One that stands in its place without a name may be meant for a parameter that has none.
        let bare = typed.kind == Type::NUMBER && typed.makeup == Makeup::BARE;
        let free = signature.parameters.iter().zip(slots).filter(|(_, slot)| slot.is_none());
        let mut others = free.map(|(p, _)| p).filter(|p| p.kind == typed.kind);
        let other = others.next().filter(|_| argument.name.is_none() && !bare);
        let other = other.filter(|_| others.next().is_none());
        if let Some(other) = other {
            let words = self.words(typed.span);
            self.report(report.help(format!("name it: `{}: {words}`", other.name)));
        } else if should.ends_with("^2") {
            self.report(report.help(format!(
                "`{should}` is the square of any dimension, as in `4 mm^2`; a plain number will do too"
            )));
        } else {
            // A text that is wanted elsewhere may have its place taken.
            let way = self.way(Some(&argument.value), typed, &target, None);
            self.report_with(
                report,
                if target == Type::Text { way.map(|way| way.guessed()) } else { way },
            );
        }
    }

    fn coded(
        &mut self,
        callee: Callee,
        signature: &Signature,
        values: Vec<Option<Typed>>,
        (returns, like): (Type, Type),
        span: Span,
    ) -> Typed {
        match callee {
            // These statements are no expressions.
            Callee::Arm { .. } | Callee::Ask => Typed::unknown(span),
            Callee::Routine(routine) => {
                let values = values.into_iter().zip(&signature.parameters);
                let arguments = values.filter_map(|(value, parameter)| match value {
                    Some(typed) => Some(typed.code),
                    None => match &parameter.default {
                        DefaultValue::Code(code) => Some(code.clone()),
                        _ => None,
                    },
                });
                let call = program::Call { routine, arguments: arguments.collect(), span };
                let call = Box::new(call);
                Typed::new(
                    returns.clone(),
                    by_type(&returns, call, Number::Call, Flag::Call, Ref::Call),
                    span,
                )
            }
            Callee::Builtin(builtin) => {
                let (mut unit, mut fields) = (None, None);
                let mut item = Layout::default();
                // A share that goes in does not make a share of a plain number that comes out.
                let kinds = || signature.parameters.iter().map(|parameter| &parameter.kind);
                let kept = |at: usize| {
                    signature.returns != Type::NUMBER && kinds().nth(at) != Some(&Type::NUMBER)
                };
                let given = values.iter().enumerate().rev();
                for (at, typed) in given.filter_map(|(at, value)| Some((at, value.as_ref()?))) {
                    if let Some(kind) = typed.kind.item() {
                        item = kind.layout();
                    }
                    if typed.kind == returns {
                        fields = typed.fields.clone();
                    }
                    let scalar = typed.kind.item().unwrap_or(&typed.kind);
                    if *scalar == returns && typed.unit.is_some() && kept(at) {
                        unit = typed.unit.clone();
                    }
                }
                if callee.builtin().is_some_and(|builtin| builtin.is(Trait::Chooses)) {
                    return chosen(values, returns, span);
                }
                let places = values.iter().map(|v| v.as_ref().map_or(span, |typed| typed.span));
                let places = places.collect();
                let arguments = values.into_iter().map(|v| v.map(|typed| typed.code)).collect();
                let call = program::BuiltinCall { builtin, arguments, places, item, like, span };
                let call = Box::new(call);
                let code = by_type(&returns, call, Number::Builtin, Flag::Builtin, Ref::Builtin);
                Typed::new(returns, code, span).with_unit(unit).with_fields(fields)
            }
        }
    }
}

/// A call as the sort of expression that its result is. A call without a result is taken for a
/// number; only a statement, which takes the call out again, may hold it.
fn by_type<C>(
    returns: &Type,
    call: C,
    number: fn(C) -> Number,
    flag: fn(C) -> Flag,
    reference: fn(C) -> Ref,
) -> program::Expression {
    match returns {
        Type::Flag => program::Expression::Flag(flag(call)),
        Type::Text | Type::List(_) | Type::Record(_) => program::Expression::Ref(reference(call)),
        _ => program::Expression::Number(number(call)),
    }
}
