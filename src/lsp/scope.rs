//! Which names can be used at a place.

use crate::lsp::Workspace;
use crate::lsp::analysis::Analysis;
use crate::lsp::outline::{answer, blocks, each_expression, expressions};
use crate::lsp::place::Place;
use crate::source::{SourceId, Span};
use crate::syntax::tree::{ExpressionKind, Statement, StatementKind};
use std::collections::BTreeMap;

/// The names that can be used at a place, each with its declaration.
#[derive(Default)]
pub struct Visible {
    /// Values; an inner one hides an outer one of the same name.
    pub values: BTreeMap<String, Span>,
    /// Routines of scripts.
    pub routines: BTreeMap<String, Span>,
    /// Open dimensions of the routine around.
    pub open: BTreeMap<String, Span>,
}

/// What can be used at a place.
pub fn visible(place: Place<'_>, workspace: &dyn Workspace) -> Visible {
    let mut found = Visible::default();
    let analysis = place.analysis;
    let Some(file) = analysis.file(place.source) else { return found };
    for statement in &file.statements {
        if let StatementKind::Use { path, .. } = &statement.kind
            && let Some(name) = analysis.name(place.source)
            && let Some(used) = analysis.source(&workspace.resolve(name, path))
        {
            top_level(analysis, used, &mut found);
        }
    }
    top_level(analysis, place.source, &mut found);
    inside(place, &file.statements, &mut found);
    found
}

/// Routines, params and constants: what is seen from everywhere in a file and where it is used.
fn top_level(analysis: &Analysis, source: SourceId, found: &mut Visible) {
    let Some(file) = analysis.file(source) else { return };
    for statement in &file.statements {
        match &statement.kind {
            StatementKind::Routine(routine) => {
                let text = analysis.slice(routine.name.span).to_string();
                found.routines.insert(text, routine.name.span);
            }
            StatementKind::Param { name, .. } | StatementKind::Let { name, .. } => {
                let info = analysis.examined.index.value(name.span);
                if info.is_some_and(|info| matches!(info.noun, "constant" | "param")) {
                    found.values.insert(analysis.slice(name.span).to_string(), name.span);
                }
            }
            _ => {}
        }
    }
}

/// What the statements before a place and around it declare.
fn inside(place: Place<'_>, statements: &[Statement], found: &mut Visible) {
    let around = |span: Span| {
        (span.start as usize..=span.end as usize).contains(&place.offset)
            && span.source == place.source
    };
    let mut add = |name: Span| {
        found.values.insert(place.analysis.slice(name).to_string(), name);
    };
    for statement in statements {
        let named = match &statement.kind {
            StatementKind::Let { name, .. } => Some(*name),
            StatementKind::Ask(ask) => answer(ask),
            _ => None,
        };
        if let Some(name) = named
            && (statement.span.end as usize) < place.offset
        {
            add(name.span);
        }
    }
    let Some(statement) = statements.iter().rfind(|s| around(s.span)) else { return };
    match &statement.kind {
        StatementKind::For { name, .. } => add(name.span),
        StatementKind::Try { catch: Some((name, block)), .. } if around(block.span) => {
            add(name.span);
        }
        _ => {}
    }
    for expression in expressions(statement) {
        each_expression(expression, &mut |e| {
            if let ExpressionKind::Comprehension { name, .. } = &e.kind
                && around(e.span)
            {
                add(name.span);
            }
        });
    }
    if let StatementKind::Routine(routine) = &statement.kind {
        for name in &routine.open {
            found.open.insert(place.analysis.slice(name.span).to_string(), name.span);
        }
        for parameter in &routine.parameters {
            let text = place.analysis.slice(parameter.name.span).to_string();
            found.values.insert(text, parameter.name.span);
        }
    }
    // The condition behind `until` sees the names of the body.
    let until = match &statement.kind {
        StatementKind::Repeat { body, until: Some(until), .. } if around(until.span) => Some(body),
        _ => None,
    };
    for block in blocks(statement) {
        if around(block.span) || until.is_some_and(|body| std::ptr::eq(body, block)) {
            inside(place, &block.statements, found);
        }
    }
}
