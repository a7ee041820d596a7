//! The outline of a document.

use crate::lsp::analysis::Analysis;
use crate::lsp::describe::{self, Callable};
use crate::lsp::outline;
use crate::source::SourceId;
use crate::syntax::tree::{Name, Statement, StatementKind};
use lsp_types::{DocumentSymbol, SymbolKind};

/// Every item at the top level of a file; parameters lie below their routine.
pub fn symbols(analysis: &Analysis, source: SourceId) -> Vec<DocumentSymbol> {
    let statements = analysis.file(source).map_or(&[][..], |file| &file.statements);
    statements.iter().filter_map(|statement| symbol(analysis, statement)).collect()
}

fn symbol(analysis: &Analysis, statement: &Statement) -> Option<DocumentSymbol> {
    let noun = |name: Name| analysis.examined.index.value(name.span);
    match &statement.kind {
        StatementKind::Routine(routine) => {
            let signature = Callable::routine(analysis, routine.name.span)?.signature();
            let name = analysis.slice(routine.name.span);
            let detail = signature.strip_prefix(name).unwrap_or(&signature).to_string();
            let mut made = named(analysis, routine.name, statement, SymbolKind::FUNCTION, detail)?;
            let parameters = routine.parameters.iter().filter_map(|parameter| {
                let span = parameter.name.span.to(parameter.annotation.span);
                let whole = Statement { kind: StatementKind::Broken, span, doc: None };
                let detail = describe::words(analysis.slice(parameter.annotation.span));
                named(analysis, parameter.name, &whole, SymbolKind::VARIABLE, detail)
            });
            made.children = Some(parameters.collect());
            Some(made)
        }
        StatementKind::Param { name, .. } => {
            let detail = noun(*name).map_or(String::new(), |i| format!("param: {}", i.kind_name));
            named(analysis, *name, statement, SymbolKind::CONSTANT, detail)
        }
        StatementKind::Let { name, .. } => {
            let info = noun(*name);
            let kind = match info.map(|info| info.noun) {
                Some("constant") => SymbolKind::CONSTANT,
                _ => SymbolKind::VARIABLE,
            };
            let detail = info.map_or(String::new(), |info| info.kind_name.clone());
            named(analysis, *name, statement, kind, detail)
        }
        StatementKind::Ask(ask) => {
            let name = outline::answer(ask)?;
            let detail = noun(name).map_or(String::new(), |info| info.kind_name.clone());
            named(analysis, name, statement, SymbolKind::VARIABLE, detail)
        }
        StatementKind::Use { path, path_span } => {
            let range = analysis.range(statement.span);
            let selection = analysis.range(*path_span);
            made(path, SymbolKind::MODULE, String::new(), range, selection)
        }
        _ => None,
    }
}

fn named(
    analysis: &Analysis,
    name: Name,
    whole: &Statement,
    kind: SymbolKind,
    detail: String,
) -> Option<DocumentSymbol> {
    let (range, selection) = (analysis.range(whole.span), analysis.range(name.span));
    made(analysis.slice(name.span), kind, detail, range, selection)
}

#[allow(deprecated, reason = "the protocol's type has a field that nobody sets any more")]
fn made(
    name: &str,
    kind: SymbolKind,
    detail: String,
    range: lsp_types::Range,
    selection_range: lsp_types::Range,
) -> Option<DocumentSymbol> {
    // The protocol allows no empty names.
    (!name.trim().is_empty()).then(|| DocumentSymbol {
        name: name.to_string(),
        detail: Some(detail).filter(|detail| !detail.is_empty()),
        kind,
        tags: None,
        deprecated: None,
        range,
        selection_range,
        children: None,
    })
}
