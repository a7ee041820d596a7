//! Answers about what stands in documents and files: what a name is, where it is declared and used.

use crate::lsp::convert;
use crate::lsp::features::{State, read, written};
use lsp_server::ResponseError;
use lsp_types::{
    DocumentHighlight, DocumentHighlightParams, DocumentLink, DocumentLinkParams,
    DocumentSymbolParams, GotoDefinitionParams, HoverParams, Location, OneOf, ReferenceParams,
    SelectionRange, SelectionRangeParams, WorkspaceSymbol, WorkspaceSymbolParams,
};
use serde_json::Value;
use spintrue_language::{
    CursorPlace, definition_at, highlights_at, hover_at, links_of, outline_of, references_at,
    search_declarations, selections_at,
};

pub(super) fn hover(state: &mut State<'_>, params: Value) -> Result<Value, ResponseError> {
    let at = read::<HoverParams>(params)?.text_document_position_params;
    let documents = state.documents;
    state.at(&at, |place, _| Some(convert::hover(place.analysis, documents, hover_at(place)?)))
}

pub(super) fn definition(state: &mut State<'_>, params: Value) -> Result<Value, ResponseError> {
    let at = read::<GotoDefinitionParams>(params)?.text_document_position_params;
    let documents = state.documents;
    state.at(&at, |place, workspace| {
        convert::location(place.analysis, documents, definition_at(place, workspace)?)
    })
}

pub(super) fn references(state: &mut State<'_>, params: Value) -> Result<Value, ResponseError> {
    let params: ReferenceParams = read(params)?;
    let with_declaration = params.context.include_declaration;
    let documents = state.documents;
    state.at(&params.text_document_position, |place, workspace| {
        let uses = references_at(place, with_declaration, workspace)?;
        Some(convert::locations(&uses, documents))
    })
}

pub(super) fn highlights(state: &mut State<'_>, params: Value) -> Result<Value, ResponseError> {
    let at = read::<DocumentHighlightParams>(params)?.text_document_position_params;
    let documents = state.documents;
    state.at(&at, |place, _| {
        let (spans, lines) = (highlights_at(place)?, documents.lines(place.text()));
        let ranges = spans.into_iter().map(|span| lines.range(span.range()));
        let highlights = ranges.map(|range| DocumentHighlight { range, kind: None });
        Some(highlights.collect::<Vec<_>>())
    })
}

pub(super) fn outline(state: &mut State<'_>, params: Value) -> Result<Value, ResponseError> {
    let place = state.document(&read::<DocumentSymbolParams>(params)?.text_document.uri)?;
    let symbols = outline_of(place.analysis, place.source);
    written(convert::document_symbols(&state.documents.lines(place.text()), symbols))
}

pub(super) fn search(state: &mut State<'_>, params: Value) -> Result<Value, ResponseError> {
    let query = read::<WorkspaceSymbolParams>(params)?.query;
    let mut symbols = Vec::new();
    for found in search_declarations(state.project, &query, state.workspace) {
        let Some(uri) = state.documents.address(&found.file) else { continue };
        let range = state.documents.lines(&found.text).range(found.range);
        let folders = state.project.folders.iter();
        let mut inside = folders.filter_map(|folder| found.file.strip_prefix(folder.as_str()));
        let file = inside.next().map_or(found.file.as_str(), |file| file.trim_start_matches('/'));
        symbols.push(WorkspaceSymbol {
            name: found.name,
            kind: convert::symbol_kind(found.kind),
            tags: None,
            container_name: Some(file.to_string()),
            location: OneOf::Left(Location { uri, range }),
            data: None,
        });
    }
    written(symbols)
}

pub(super) fn links(state: &mut State<'_>, params: Value) -> Result<Value, ResponseError> {
    let place = state.document(&read::<DocumentLinkParams>(params)?.text_document.uri)?;
    let lines = state.documents.lines(place.text());
    let links = links_of(place, state.workspace).into_iter().filter_map(|link| {
        Some(DocumentLink {
            range: lines.range(link.span.range()),
            target: Some(state.documents.address(&link.name)?),
            tooltip: None,
            data: None,
        })
    });
    written(links.collect::<Vec<_>>())
}

pub(super) fn selections(state: &mut State<'_>, params: Value) -> Result<Value, ResponseError> {
    let params: SelectionRangeParams = read(params)?;
    let place = state.document(&params.text_document.uri)?;
    let lines = state.documents.lines(place.text());
    let selection = |position| {
        let place = CursorPlace { offset: lines.offset(position), ..place };
        let around = selections_at(place).into_iter().rev().fold(None, |parent, span| {
            Some(SelectionRange { range: lines.range(span.range()), parent: parent.map(Box::new) })
        });
        around.unwrap_or(SelectionRange { range: lines.range(0..0), parent: None })
    };
    written(params.positions.into_iter().map(selection).collect::<Vec<_>>())
}
