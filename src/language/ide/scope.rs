//! The names that can be used at a place.

use crate::check::index::Target;
use crate::ide::describe::Callable;
use crate::ide::place::Place;
use crate::ide::workspace::Workspace;
use crate::source::{SourceId, Span, one_line};
use crate::syntax::tree::{ExpressionKind, Name, Statement, StatementKind};
use crate::syntax::walk::{answer, blocks, each_expression, expressions};
use std::collections::BTreeMap;

/// A value that can be used.
#[derive(Clone, Debug, Default)]
pub struct Value {
    /// `param`, `constant`, …; empty where that does not matter.
    pub noun: &'static str,
    /// Its type.
    pub kind: String,
    /// Names and types of its fields, where it is a record or a list of records that was computed.
    pub fields: Vec<(String, String)>,
    /// The value itself, where it was computed.
    pub text: String,
    /// Where it is declared, if that is in the checked files.
    pub declared: Option<Span>,
}

/// The names that can be used at a place.
#[derive(Clone, Debug, Default)]
pub struct Scope {
    /// Values; an inner one hides an outer one of the same name.
    pub values: BTreeMap<String, Value>,
    /// Routines of scripts.
    pub routines: BTreeMap<String, Callable>,
    /// Open dimensions of the routine around.
    pub open: Vec<String>,
    /// What the routine around gives, in words.
    pub returns: Option<String>,
}

impl Scope {
    /// The names that can be used at a place of a checked file.
    pub fn at(place: Place<'_>, workspace: &dyn Workspace) -> Scope {
        let mut scope = Scope::default();
        let Some(file) = place.analysis.file(place.source) else { return scope };
        for statement in &file.statements {
            if let StatementKind::Use { path, .. } = &statement.kind
                && let Some(name) = place.file_name()
                && let Some(used) = place.analysis.source(&workspace.resolve(name, path))
            {
                scope.add_top_level(place, used);
            }
        }
        scope.add_top_level(place, place.source);
        scope.add_inner(place, &file.statements);
        scope
    }

    fn add(&mut self, place: Place<'_>, name: Name) {
        let text = place.analysis.slice(name.span).to_string();
        let mut value = Value { declared: Some(name.span), ..Value::default() };
        if let Some(info) = place.analysis.examined.index.value(name.span) {
            value.noun = info.noun;
            value.kind.clone_from(&info.kind_name);
        }
        self.values.insert(text, value);
    }

    /// Routines, params and constants: visible everywhere in a file and where it is used.
    fn add_top_level(&mut self, place: Place<'_>, source: SourceId) {
        let Some(file) = place.analysis.file(source) else { return };
        for statement in &file.statements {
            match &statement.kind {
                StatementKind::Routine(routine) => {
                    let callable = Callable::routine(place.analysis, routine.name.span);
                    let name = place.analysis.slice(routine.name.span).to_string();
                    self.routines.extend(callable.map(|callable| (name, callable)));
                }
                StatementKind::Param { name, .. } | StatementKind::Let { name, .. } => {
                    let info = place.analysis.examined.index.value(name.span);
                    if info.is_some_and(|info| matches!(info.noun, "constant" | "param")) {
                        self.add(place, *name);
                    }
                }
                _ => {}
            }
        }
    }

    /// What the statements before a place and around it declare.
    fn add_inner(&mut self, place: Place<'_>, statements: &[Statement]) {
        for statement in statements {
            let named = match &statement.kind {
                StatementKind::Let { name, .. } => Some(*name),
                StatementKind::Ask(ask) => answer(ask),
                _ => None,
            };
            if let Some(name) = named
                && (statement.span.end as usize) < place.offset
            {
                self.add(place, name);
            }
        }
        let Some(statement) = statements.iter().rfind(|s| place.is_in(s.span)) else { return };
        match &statement.kind {
            StatementKind::For { name, .. } => self.add(place, *name),
            StatementKind::Try { catch: Some((name, block)), .. } if place.is_in(block.span) => {
                self.add(place, *name);
            }
            _ => {}
        }
        for expression in expressions(statement) {
            each_expression(expression, &mut |e| {
                if let ExpressionKind::Comprehension { name, .. } = &e.kind
                    && place.is_in(e.span)
                {
                    self.add(place, *name);
                }
            });
        }
        if let StatementKind::Routine(routine) = &statement.kind {
            let open = routine.open.iter().map(|name| place.analysis.slice(name.span).to_string());
            self.open = open.collect();
            let returns = routine.returns.as_ref();
            self.returns = returns.map(|kind| one_line(place.analysis.slice(kind.span)));
            routine.parameters.iter().for_each(|parameter| self.add(place, parameter.name));
        }
        // The condition behind `until` sees the names of the body.
        let until = match &statement.kind {
            StatementKind::Repeat { body, until: Some(until), .. } if place.is_in(until.span) => {
                Some(body)
            }
            _ => None,
        };
        for block in blocks(statement) {
            if place.is_in(block.span) || until.is_some_and(|body| std::ptr::eq(body, block)) {
                self.add_inner(place, &block.statements);
            }
        }
    }

    /// The routine or built-in of a name.
    pub fn callable(&self, name: &str) -> Option<Callable> {
        self.routines.get(name).cloned().or_else(|| Callable::builtin_named(name))
    }

    /// The declaration behind a value or routine of the scope.
    pub fn target(&self, name: &str, is_routine: bool) -> Option<Target> {
        if is_routine {
            return self.routines.get(name)?.declared.map(Target::Routine);
        }
        self.values.get(name)?.declared.map(Target::Value)
    }
}
