//! What each file declares: routines, params and constants; then the bodies in turn.

use crate::builtins;
use crate::check::call::{DefaultValue, ParameterInfo, Signature};
use crate::check::given::is_text_at;
use crate::check::scope::Role;
use crate::check::typed::{Makeup, Typed};
use crate::check::{
    Checker, Inside, Module, ModuleNames, Origin, RoutineInfo, Setting, Unset, advice,
};
use crate::diagnostics::{Diagnostic, codes};
use crate::program::show::Shower;
use crate::program::tree as program;
use crate::program::types::Type;
use crate::source::Span;
use crate::syntax::names::Symbol;
use crate::syntax::tree::{
    Expression, ExpressionKind, Kept, Name, Routine, Statement, StatementKind,
};
use crate::syntax::walk::parts;
use spintrue_head::nearest_name;
use std::collections::HashSet;
use std::rc::Rc;
use std::sync::Arc;

impl Checker<'_> {
    pub(super) fn collect(&mut self, modules: &[Module<'_>], settings: &[Setting]) {
        let mut asked = HashSet::new();
        for (index, module) in modules.iter().enumerate() {
            let script = index + 1 == modules.len();
            self.inside = Inside { module: index, constant: true, ..Inside::default() };
            self.modules.push(ModuleNames { missing: module.missing, ..ModuleNames::default() });
            self.imports(module);
            if script {
                self.revive();
            }
            let exported = !script || is_library(module);
            // Routines first: a constant's place in the file does not matter to them.
            let first = self.routines.len();
            for (_, routine) in module.file.routines() {
                self.routine_name(routine, exported);
            }
            self.scope.enter();
            for statement in &module.file.statements {
                self.top_level(statement, (script, exported), settings, &mut asked);
            }
            self.scope.leave();
            for ((_, routine), index) in module.file.routines().zip(first..) {
                self.signature(routine, index);
            }
        }
        for setting in settings.iter().filter(|s| !asked.contains(&s.name)) {
            if setting.origin == Origin::Last {
                continue;
            }
            self.unknown_setting(setting);
        }
    }

    /// Brings in what the used files declare themselves.
    fn imports(&mut self, module: &Module<'_>) {
        let mut brought: Vec<(Symbol, usize, Span)> = Vec::new();
        for (span, used) in &module.uses {
            let Some(other) = self.modules.get(*used) else { continue };
            let mut values = other.values.clone();
            values.retain(|_, v| self.variables.get(*v).is_some_and(|v| v.module == *used));
            let mut routines = other.routines.clone();
            routines.retain(|_, r| self.routines.get(*r).is_some_and(|r| r.module == *used));
            let symbols = values.iter().chain(&routines).map(|(s, _)| *s);
            for symbol in symbols {
                if let Some((_, before, first)) = brought.iter().find(|(s, ..)| *s == symbol)
                    && before != used
                {
                    let text = self.names.text(symbol);
                    let headline = format!("two used files both declare `{text}`");
                    self.error(codes::DUPLICATE_NAME, headline, *span)
                        .here("declares it again")
                        .label(*first, "declares it first")
                        .help("give it another name in one of them");
                }
                brought.push((symbol, *used, *span));
            }
            let Some(names) = self.modules.last_mut() else { continue };
            names.values.extend(values);
            names.routines.extend(routines);
        }
    }

    /// Declares a routine; one that is `exported` is there for other files to call.
    fn routine_name(&mut self, routine: &Routine, exported: bool) {
        let name = routine.name;
        self.saw_routine(routine);
        let text = self.text(name.symbol);
        let module = self.inside.module;
        if self.builtins.contains_key(&name.symbol) {
            let headline = format!("`{text}` is the name of a built-in");
            self.error(codes::DUPLICATE_NAME, headline, name.span).here("needs another name");
        }
        let before = self.modules.get(module).and_then(|m| m.routines.get(&name.symbol)).copied();
        if let Some(before) = before.and_then(|b| self.routines.get(b)) {
            let first = before.name.span;
            let headline = format!("routine `{text}` is declared twice");
            self.error(codes::DUPLICATE_NAME, headline, name.span)
                .label(first, "first declared here");
        }
        let used = exported || text.starts_with('_');
        let open = routine.open.iter().map(|o| Rc::from(self.names.text(o.symbol))).collect();
        let signature =
            Rc::new(Signature { parameters: Vec::new(), returns: Type::Unknown, open: Vec::new() });
        let (armed, may) = (routine.armed, self.promise(routine));
        let (arms, tells) = (None, None);
        let info = RoutineInfo { name, module, open, signature, arms, tells, armed, may, used };
        self.routines.push(info);
        self.program.routines.push(program::Routine {
            name: Arc::from(text.as_str()),
            parameters: Vec::new(),
            result: None,
            refs: 0..0,
            body: Vec::new(),
        });
        let index = self.routines.len() - 1;
        if let Some(names) = self.modules.get_mut(module) {
            names.routines.insert(name.symbol, index);
        }
    }

    /// What a routine takes and gives.
    fn signature(&mut self, routine: &Routine, index: usize) {
        let open = self.routines.get(index).map(|r| r.open.clone()).unwrap_or_default();
        if open.len() > spintrue_head::OPEN_DIMENSION {
            let span = routine.open.last().map(|n| n.span).unwrap_or_default();
            let headline =
                format!("a routine has at most {} open dimensions", spintrue_head::OPEN_DIMENSION);
            self.error(codes::UNKNOWN_TYPE, headline, span);
        }
        self.inside.open = open.clone();
        let mut parameters = Vec::new();
        for parameter in &routine.parameters {
            let kind = self.annotation(&parameter.annotation);
            let default = match &parameter.default {
                None => DefaultValue::Required,
                Some(value) => {
                    let what = format!("`{}`", self.text(parameter.name.symbol));
                    let typed = self.expect_kind(value, &kind, codes::WRONG_TYPE, &what);
                    DefaultValue::Code(typed.code)
                }
            };
            let name = Rc::from(self.names.text(parameter.name.symbol));
            parameters.push(ParameterInfo { name, kind, default });
        }
        let returns = match &routine.returns {
            Some(written) => self.annotation(written),
            None => Type::Nothing,
        };
        self.inside.open.clear();
        if let Some(info) = self.routines.get_mut(index) {
            info.signature = Rc::new(Signature { parameters, returns, open });
        }
    }

    fn top_level(
        &mut self,
        statement: &Statement,
        (script, exported): (bool, bool),
        settings: &[Setting],
        asked: &mut HashSet<String>,
    ) {
        self.near = Makeup::BARE;
        match &statement.kind {
            StatementKind::Let { mutable: false, name, annotation, value }
                if self.is_constant(value, &mut Vec::new()) =>
            {
                let mut setup = Vec::new();
                let variable =
                    self.variable(Role::Constant, *name, annotation.as_ref(), value, &mut setup);
                self.program.setup.append(&mut setup);
                self.publish(name.symbol, variable, exported);
                self.constants.insert(name.span);
            }
            StatementKind::Param { name, .. } if !script => {
                let headline = "a used file holds only routines and constants, no params";
                self.error(codes::NOT_A_LIBRARY, headline, name.span)
                    .help("declare the param in the script and pass it to the routine");
            }
            StatementKind::Param { .. } => {
                if let StatementKind::Param { name, .. } = &statement.kind {
                    asked.insert(self.text(name.symbol));
                }
                self.param(statement, settings);
            }
            StatementKind::Let { name, .. } if script => {
                self.supersede(name.symbol);
                self.top_level.insert(name.symbol, name.span);
            }
            StatementKind::Ask(ask) if script => {
                if let Kept::Named { name, .. } = &ask.kept {
                    self.top_level.insert(name.symbol, name.span);
                }
            }
            StatementKind::Use { .. }
            | StatementKind::Routine(_)
            | StatementKind::Allow { .. }
            | StatementKind::Broken => {}
            StatementKind::Let { mutable: false, value, .. } if !script => {
                self.error(
                    codes::NOT_A_LIBRARY,
                    "a used file holds only routines and constants",
                    value.span,
                )
                .here("this is not known before the script runs");
            }
            _ if !script => {
                let headline = "a used file holds only routines and constants";
                self.error(codes::NOT_A_LIBRARY, headline, statement.span)
                    .help("put it into a routine, and call that from the script");
            }
            _ => {}
        }
    }

    fn publish(&mut self, symbol: Symbol, variable: usize, quiet: bool) {
        if let Some(names) = self.modules.get_mut(self.inside.module) {
            names.values.insert(symbol, variable);
        }
        if quiet && let Some(variable) = self.variables.get_mut(variable) {
            variable.quiet = true;
        }
    }

    fn param(&mut self, statement: &Statement, settings: &[Setting]) {
        let StatementKind::Param { name, annotation, default, range } = &statement.kind else {
            return;
        };
        let text = self.text(name.symbol);
        let what = format!("`{text}`");
        let mut wanted = annotation.as_ref().map(|written| self.annotation(written));
        let mut chosen = None;
        if let Some(default) = default {
            let typed = match annotation.as_ref().zip(wanted.as_mut()) {
                Some((written, kind)) => self.as_declared(default, kind, written.span, &what),
                None => self.expression(default, None),
            };
            wanted.get_or_insert(typed.kind.clone());
            chosen = Some(typed);
        }
        if wanted.is_none() {
            let headline = format!("nothing tells of which kind param `{text}` is");
            self.error(codes::UNTOLD_TYPE, headline, name.span)
                .help(format!("give it a default, or say its kind: `param {text}: length`"));
        }
        let kind = wanted.unwrap_or(Type::Unknown);
        let unit = chosen.as_ref().and_then(|typed| typed.unit.clone());
        let makeup = chosen.as_ref().map_or(Makeup::GIVEN, |typed| typed.makeup);
        let given = settings.iter().filter(|s| s.name == text);
        let mut given: Vec<&Setting> = given.collect();
        given.sort_by_key(|setting| setting.origin);
        for (first, again) in given.iter().zip(given.iter().skip(1)) {
            if first.origin == again.origin {
                let headline = format!("param `{text}` is set twice");
                self.error(codes::BAD_SETTING, headline, again.name_span)
                    .label(first.name_span, "first set here");
            }
        }
        if let Some(setting) = given.last() {
            chosen = Some(self.set_from_outside(setting, &kind, unit.as_ref()));
        }
        if chosen.is_none() && kind != Type::Unknown {
            let kind = self.kind_name(&kind);
            self.unset.push(Unset { name: text.clone(), kind, span: name.span });
        }
        let like = Typed { kind: kind.clone(), unit, makeup, ..Typed::unknown(name.span) };
        let (variable, slot) = self.declare(*name, like, Role::Param);
        self.publish(name.symbol, variable, false);
        let mut ends = None;
        if let Some(range) = range {
            let known = self.in_range(&text, &kind, chosen.as_ref(), &range.0, &range.1);
            if let Some(variable) = self.variables.get_mut(variable) {
                variable.range = known;
            }
            let words = [&range.0, &range.1].map(|end| self.words(end.span));
            ends = known.map(|(low, high)| program::ParamRange { low, high, words });
        }
        let Some(chosen) = chosen.filter(|c| c.kind != Type::Unknown) else { return };
        let shown = program::Param {
            name: self.names.shared(name.symbol),
            text: self.sources.slice(chosen.span).to_string(),
            slot,
            dimension: match chosen.kind {
                Type::Quantity(dimension) => Some(dimension),
                _ => None,
            },
            ends,
            span: name.span,
            shower: Shower::of(&chosen.kind, chosen.unit.clone(), None),
        };
        self.program.params.push(shown);
        self.program.setup.push(program::Statement::Set(slot, chosen.code));
    }

    /// The value that a param is given by `--set`.
    fn set_from_outside(
        &mut self,
        setting: &Setting,
        kind: &Type,
        unit: Option<&Rc<spintrue_head::UnitText>>,
    ) -> Typed {
        if *kind == Type::Text && !setting.raw.trim_start().starts_with('"') {
            let text = Rc::from(setting.raw.as_str());
            return Typed::new(Type::Text, program::Ref::Text(text), setting.value_span);
        }
        if *kind == Type::Flag && !matches!(setting.raw.trim(), "true" | "false") {
            let headline = format!("param `{}` is a flag, not `{}`", setting.name, setting.raw);
            self.error(codes::BAD_SETTING, headline, setting.value_span)
                .help("it is `true` or `false`");
            return Typed::unknown(setting.value_span);
        }
        let Some(value) = &setting.value else {
            self.diagnostics.extend(setting.problems.iter().cloned());
            return Typed::unknown(setting.value_span);
        };
        let value = &self.with_texts(value, kind);
        let unread = |d: &&Diagnostic| !is_text_at(value, d.span());
        let problems: Vec<Diagnostic> = setting.problems.iter().filter(unread).cloned().collect();
        if !problems.is_empty() {
            self.diagnostics.extend(problems);
            return Typed::unknown(setting.value_span);
        }
        let is_written_out =
            matches!(value.kind, ExpressionKind::List(_) | ExpressionKind::Record(_));
        if is_written_out && !self.parts_fit(value, kind, &format!("param `{}`", setting.name)) {
            return Typed::unknown(setting.value_span);
        }
        let typed = self.expression(value, Some(kind));
        if typed.kind == *kind || typed.kind == Type::Unknown || *kind == Type::Unknown {
            return typed;
        }
        let (should, is) = (self.kind_name(kind), self.kind_name(&typed.kind));
        let headline = format!("param `{}` is of kind {should}, not {is}", setting.name);
        let report = Diagnostic::error(codes::BAD_SETTING, headline, setting.value_span)
            .here(format!("this is of kind {is}"));
        let words = self.words(setting.value_span);
        if typed.kind == Type::NUMBER
            && let Some(unit) = unit
        {
            let (name, unit) = (&setting.name, &unit.text);
            let way = match setting.origin {
                Origin::Sheet | Origin::Last => {
                    format!("add a unit: `{name} = \"{words} {unit}\"`")
                }
                Origin::List => format!("add a unit: `{words} {unit}`"),
                Origin::Option => format!("add a unit: `--set {name}=\"{words} {unit}\"`"),
            };
            self.report(report.help(way));
        } else if typed.kind == Type::Text && setting.origin == Origin::Option {
            let words = words.trim_matches('"');
            let way =
                format!("a value has no quotes of its own: `--set '{}={words}'`", setting.name);
            self.report(report.help(way));
        } else {
            self.report_with(report, self.way(Some(value), &typed, kind, None));
        }
        Typed::unknown(setting.value_span)
    }

    fn in_range(
        &mut self,
        name: &str,
        kind: &Type,
        chosen: Option<&Typed>,
        low: &Expression,
        high: &Expression,
    ) -> Option<(f64, f64)> {
        let low = self.expect_kind(low, kind, codes::WRONG_TYPE, "the smallest value of a param");
        let high = self.expect_kind(high, kind, codes::WRONG_TYPE, "the largest value of a param");
        if !self.ends_in_order(&low, &high) {
            return None;
        }
        let ends = low.constant().zip(high.constant());
        let Some((least, most)) = ends else {
            if low.kind != Type::Unknown && high.kind != Type::Unknown {
                let headline = "the range of a param must be known before the run";
                self.error(codes::BAD_RANGE, headline, low.span.to(high.span));
            }
            return None;
        };
        if let Some(chosen) = chosen
            && let Some(value) = chosen.constant()
            && !(least..=most).contains(&value)
        {
            let (words, a, b) =
                (self.words(chosen.span), self.words(low.span), self.words(high.span));
            let headline = format!("`{name}` must lie within {a} and {b}, not {words}");
            self.error(codes::BAD_RANGE, headline, chosen.span)
                .label(low.span.to(high.span), "the range declared here");
        }
        Some((least, most))
    }

    fn unknown_setting(&mut self, setting: &Setting) {
        let headline = format!("the script has no param `{}`", setting.name);
        let report = Diagnostic::error(codes::UNKNOWN_NAME, headline, setting.name_span);
        let params = self.variables.iter().filter(|v| v.role == Role::Param);
        let known: Vec<String> = params.map(|v| self.text(v.name.symbol)).collect();
        let near = nearest_name(&setting.name, known.iter().map(String::as_str));
        let is_param = |name: &Name| known.iter().any(|known| *known == self.text(name.symbol));
        if let Some(Expression { kind: ExpressionKind::Record(fields), .. }) = &setting.value
            && fields.iter().any(|(name, _)| is_param(name))
        {
            let help =
                format!("the lines of a data sheet need no heading: delete `[{}]`", setting.name);
            self.report(report.help(help));
            return;
        }
        self.report(report.meant(near, || match known.as_slice() {
            [] => "it has no params at all".to_string(),
            known => format!("it has {}", advice::listed(known)),
        }));
    }

    /// The same in every run: made of literals, constants, params and built-ins that do not
    /// ask the head. `bound` holds the variables of comprehensions around.
    fn is_constant(&self, e: &Expression, bound: &mut Vec<Symbol>) -> bool {
        match &e.kind {
            ExpressionKind::Broken => return false,
            ExpressionKind::Name(symbol) => {
                let is_known = |module: &ModuleNames| module.values.contains_key(symbol);
                let is_bound = bound.contains(symbol) || self.module().is_some_and(is_known);
                return is_bound || builtins::constant(self.names.text(*symbol)).is_some();
            }
            ExpressionKind::Comprehension { element, name, over, only_if } => {
                if !self.is_constant(over, bound) {
                    return false;
                }
                bound.push(name.symbol);
                let constant = self.is_constant(element, bound)
                    && only_if.as_ref().is_none_or(|e| self.is_constant(e, bound));
                bound.pop();
                return constant;
            }
            ExpressionKind::Call { name, .. } => {
                let builtin = self.builtins.get(&name.symbol);
                let builtin = builtin.and_then(|index| builtins::table().get(*index));
                if !builtin.is_some_and(|builtin| builtin.page().effects.is_empty()) {
                    return false;
                }
            }
            _ => {}
        }
        parts(e).into_iter().all(|part| self.is_constant(part, bound))
    }

    /// Checks every routine, and then the script.
    pub(super) fn bodies(&mut self, modules: &[Module<'_>]) {
        if let Some((script, _)) = modules.split_last() {
            self.inside = Inside { module: modules.len() - 1, ..Inside::default() };
            self.deciding_of_all(script.file.statements.iter());
        }
        let mut indices = 0..;
        for (number, module) in modules.iter().enumerate() {
            for ((_, routine), index) in module.file.routines().zip(&mut indices) {
                self.body(routine, index, number);
            }
        }
        let Some((last, script)) =
            modules.len().checked_sub(1).and_then(|i| Some((i, modules.get(i)?)))
        else {
            return;
        };
        self.inside = Inside { module: last, ..Inside::default() };
        self.scope.enter();
        self.bind_kept();
        let running: Vec<&Statement> = script
            .file
            .statements
            .iter()
            .filter(|s| match &s.kind {
                _ if self.declares_only() => false,
                StatementKind::Use { .. }
                | StatementKind::Param { .. }
                | StatementKind::Deciding(_)
                | StatementKind::Routine(_) => false,
                // Constants are set already.
                StatementKind::Let { name, .. } => !self.constants.contains(&name.span),
                _ => true,
            })
            .collect();
        let (code, _) = self.statements(running);
        self.leave_behind();
        self.scope.leave();
        self.program.body = code;
    }

    fn body(&mut self, routine: &Routine, index: usize, module: usize) {
        let Some(info) = self.routines.get(index) else { return };
        let (signature, open) = (info.signature.clone(), info.open.clone());
        let armed = routine.armed;
        self.inside = Inside { module, routine: Some(index), open, armed, ..Inside::default() };
        let first_ref = self.program.refs;
        let result = match &signature.returns {
            Type::Nothing => None,
            kind => Some((kind.clone(), self.slot(kind))),
        };
        self.inside.result = result.clone();
        self.scope.enter();
        let mut slots = Vec::new();
        for (parameter, info) in routine.parameters.iter().zip(&signature.parameters) {
            let like = Typed { kind: info.kind.clone(), ..Typed::unknown(parameter.name.span) };
            let (_, slot) = self.declare(parameter.name, like, Role::Parameter);
            slots.push(slot);
        }
        let (body, leaves) = self.block(&routine.body);
        self.scope.leave();
        if let Some((kind, _)) = &result
            && !leaves
            && *kind != Type::Unknown
        {
            let (name, kind) = (self.text(routine.name.symbol), self.kind_name(kind));
            let told = self.forgot_return(routine, &name, &kind);
            let end = Span { start: routine.body.span.end.saturating_sub(1), ..routine.body.span };
            let headline = format!("`{name}` may end without returning its {kind}");
            let returns = routine.returns.as_ref().map(|r| r.span).unwrap_or(routine.head);
            if !told {
                self.error(codes::MISSING_RETURN, headline, end)
                    .here("the end is reached without a `return`")
                    .label(returns, "promised here");
            }
        }
        let refs = first_ref..self.program.refs;
        if let Some(made) = self.program.routines.get_mut(index) {
            made.parameters = slots;
            made.result = result.map(|(_, slot)| slot);
            made.refs = refs;
            made.body = body;
        }
    }
}

impl Checker<'_> {
    /// A last statement that works something out and drops it was meant to be returned: one report
    /// for both.
    fn forgot_return(&mut self, routine: &Routine, name: &str, kind: &str) -> bool {
        let Some(last) = routine.body.statements.last() else { return false };
        let StatementKind::Expression(value) = &last.kind else { return false };
        let dropped = |d: &Diagnostic| {
            matches!(d.code, codes::UNUSED_VALUE | codes::DROPPED_RESULT) && d.span() == value.span
        };
        // Nothing is reported behind the last statement.
        if self.diagnostics.pop_if(|last| dropped(last)).is_none() {
            return false;
        }
        let words = self.words(value.span);
        let headline = format!("`{name}` works this out and does not return it");
        let report = self.error(codes::MISSING_RETURN, headline, value.span);
        let report = report.help(format!("write `return {words}`"));
        if let Some(returns) = &routine.returns {
            report.label(returns.span, format!("its {kind} is promised here"));
        }
        true
    }
}

/// A file that does nothing itself: its routines and constants are there for others.
fn is_library(module: &Module<'_>) -> bool {
    let only = module.file.statements.iter().all(|statement| {
        matches!(
            statement.kind,
            StatementKind::Routine(_)
                | StatementKind::Use { .. }
                | StatementKind::Allow { .. }
                | StatementKind::Let { mutable: false, .. }
        )
    });
    only && module.file.routines().next().is_some()
}
