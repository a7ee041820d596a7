//! Answers that help to write and change documents: completion, signatures, actions, layout and renaming.

use crate::lsp::features::{State, failed, read, written};
use crate::lsp::position::Lines;
use crate::lsp::{actions, convert};
use lsp_server::ResponseError;
use lsp_types::{
    CodeActionParams, CompletionItem, CompletionParams, DocumentFormattingParams,
    DocumentRangeFormattingParams, RenameParams, SignatureHelpParams, TextDocumentPositionParams,
    TextEdit,
};
use serde_json::{Value, json};
use spintrue_language::{NameScope, active_call, cursor_at, format_part, format_source, rename_at};

pub(super) fn completion(state: &mut State<'_>, params: Value) -> Result<Value, ResponseError> {
    let at = read::<CompletionParams>(params)?.text_document_position;
    let how = (state.documents, state.editor.snippets);
    state.at(&at, |place, workspace| Some(convert::completion(place, how, workspace)))
}

pub(super) fn resolve(_: &mut State<'_>, params: Value) -> Result<Value, ResponseError> {
    written(convert::resolved(read::<CompletionItem>(params)?))
}

pub(super) fn signature(state: &mut State<'_>, params: Value) -> Result<Value, ResponseError> {
    let at = read::<SignatureHelpParams>(params)?.text_document_position_params;
    state.at(&at, |place, workspace| {
        let cursor = cursor_at(place.text(), place.offset);
        let scope = NameScope::at(place, workspace);
        Some(convert::signature(&active_call(&scope, place.text(), &cursor)?))
    })
}

pub(super) fn actions(state: &mut State<'_>, params: Value) -> Result<Value, ResponseError> {
    let params: CodeActionParams = read(params)?;
    let place = state.document(&params.text_document.uri)?;
    let related = state.editor.related;
    let documents = state.documents;
    let context = &params.context;
    written(actions::actions(place, params.range, context, documents, related, state.workspace))
}

/// No edits where the document has errors, which are reported already.
pub(super) fn format(state: &mut State<'_>, params: Value) -> Result<Value, ResponseError> {
    let params: DocumentFormattingParams = read(params)?;
    let place = state.document(&params.text_document.uri)?;
    let (text, lines) = (place.text(), state.documents.lines(place.text()));
    let formatted = format_source(place.source, text).ok().filter(|new| new != text);
    written(edits(&lines, formatted.map(|new| (0..text.len(), new))))
}

/// The same for what a range touches.
pub(super) fn format_range(state: &mut State<'_>, params: Value) -> Result<Value, ResponseError> {
    let params: DocumentRangeFormattingParams = read(params)?;
    let place = state.document(&params.text_document.uri)?;
    let lines = state.documents.lines(place.text());
    let within = lines.bytes(params.range);
    let part = format_part(place.source, place.text(), &within).ok().flatten();
    written(edits(&lines, part))
}

fn edits(lines: &Lines<'_>, change: Option<(std::ops::Range<usize>, String)>) -> Vec<TextEdit> {
    let edit = change.map(|(bytes, new_text)| TextEdit { range: lines.range(bytes), new_text });
    edit.into_iter().collect()
}

pub(super) fn prepare_rename(state: &mut State<'_>, params: Value) -> Result<Value, ResponseError> {
    let place = state.place(&read::<TextDocumentPositionParams>(params)?)?;
    let span = spintrue_language::prepare_rename(place).map_err(|e| failed(e.to_string()))?;
    let range = convert::range(place.analysis, state.documents, span);
    Ok(json!({"range": range, "placeholder": place.analysis.slice(span)}))
}

pub(super) fn rename(state: &mut State<'_>, params: Value) -> Result<Value, ResponseError> {
    let params: RenameParams = read(params)?;
    let place = state.place(&params.text_document_position)?;
    let uses = rename_at(place, &params.new_name, state.workspace);
    let uses = uses.map_err(|e| failed(e.to_string()))?;
    written(convert::edit(&uses, state.documents, &params.new_name))
}
