//! The symbols of a document, for an outline.

use crate::ide::analysis::Analysis;
use crate::ide::describe::Callable;
use crate::source::{SourceId, Span, one_line};
use crate::syntax::tree::{Name, Statement, StatementKind};
use crate::syntax::walk;

/// What a symbol is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SymbolKind {
    /// A routine.
    Routine,
    /// A param or constant.
    Constant,
    /// Another value.
    Variable,
    /// A used file.
    File,
}

/// A declaration at the top level of a file, or a parameter of a routine.
pub struct Symbol {
    /// Its name, never empty.
    pub name: String,
    /// What it is.
    pub kind: SymbolKind,
    /// Its type or signature; may be empty.
    pub detail: String,
    /// The whole declaration.
    pub span: Span,
    /// The name in it.
    pub selection: Span,
    /// Parameters of a routine.
    pub children: Vec<Symbol>,
}

/// Every declaration at the top level of a file; parameters lie below their routine.
pub fn symbols(analysis: &Analysis, source: SourceId) -> Vec<Symbol> {
    let statements = analysis.file(source).map_or(&[][..], |file| &file.statements);
    statements.iter().filter_map(|statement| symbol(analysis, statement)).collect()
}

fn symbol(analysis: &Analysis, statement: &Statement) -> Option<Symbol> {
    let info = |name: Name| analysis.examined.index.value(name.span);
    let kind_name = |name: Name| info(name).map_or(String::new(), |info| info.kind_name.clone());
    let named = |name: Name, span: Span, kind: SymbolKind, detail: String| {
        made(analysis.slice(name.span).to_string(), kind, detail, span, name.span)
    };
    let whole = statement.span;
    match &statement.kind {
        StatementKind::Routine(routine) => {
            let signature = Callable::routine(analysis, routine.name.span)?.signature();
            let name = analysis.slice(routine.name.span);
            let detail = signature.strip_prefix(name).unwrap_or(&signature).to_string();
            let parameters = routine.parameters.iter().filter_map(|parameter| {
                let annotation = parameter.annotation.span;
                let span = parameter.name.span.to(annotation);
                let detail = one_line(analysis.slice(annotation));
                named(parameter.name, span, SymbolKind::Variable, detail)
            });
            let made = named(routine.name, whole, SymbolKind::Routine, detail)?;
            Some(Symbol { children: parameters.collect(), ..made })
        }
        StatementKind::Param { name, .. } => {
            let detail = info(*name).map_or(String::new(), |i| format!("param: {}", i.kind_name));
            named(*name, whole, SymbolKind::Constant, detail)
        }
        StatementKind::Use { path, path_span } => {
            made(path.clone(), SymbolKind::File, String::new(), whole, *path_span)
        }
        _ => {
            let name = walk::declared(statement)?;
            let is_constant = info(name).is_some_and(|info| info.noun == "constant");
            let kind = if is_constant { SymbolKind::Constant } else { SymbolKind::Variable };
            named(name, whole, kind, kind_name(name))
        }
    }
}

fn made(
    name: String,
    kind: SymbolKind,
    detail: String,
    span: Span,
    selection: Span,
) -> Option<Symbol> {
    let is_named = !name.trim().is_empty();
    is_named.then(|| Symbol { name, kind, detail, span, selection, children: Vec::new() })
}
