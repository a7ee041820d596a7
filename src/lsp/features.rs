//! What the server can do, and which function answers which request. A new feature is a line in
//! [`capabilities`] and an arm in [`answer`].

use crate::lsp::actions::actions;
use crate::lsp::documents::Documents;
use crate::lsp::position::Lines;
use crate::lsp::{convert, uri};
use lsp_server::{ErrorCode, Request, ResponseError};
use lsp_types::{
    CodeActionKind, CodeActionParams, CompletionItem, CompletionParams, DocumentFormattingParams,
    DocumentHighlight, DocumentHighlightParams, DocumentSymbolParams, GotoDefinitionParams,
    HoverParams, PositionEncodingKind, ReferenceParams, RenameParams, SignatureHelpParams,
    TextDocumentPositionParams, TextDocumentSyncKind, TextEdit, Uri,
};
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::{Value, json};
use spintrue_language::{
    CursorPlace, NameScope, Project, SourceId, Workspace, active_call, cursor_at, definition_at,
    format_source, highlights_at, hover_at, outline_of, prepare_rename, references_at, rename_at,
};

/// What the server can do.
pub(super) fn capabilities() -> Value {
    json!({
        "positionEncoding": PositionEncodingKind::UTF16,
        "textDocumentSync": {
            "openClose": true,
            "change": TextDocumentSyncKind::INCREMENTAL,
            "save": {"includeText": false},
        },
        "hoverProvider": true,
        "completionProvider": {
            "resolveProvider": true,
            "triggerCharacters": [".", "\"", "/", ":", "(", ","],
        },
        "signatureHelpProvider": {
            "triggerCharacters": ["(", ","],
            "retriggerCharacters": [":"],
        },
        "definitionProvider": true,
        "referencesProvider": true,
        "documentHighlightProvider": true,
        "documentSymbolProvider": true,
        "documentFormattingProvider": true,
        "codeActionProvider": {
            "codeActionKinds": [CodeActionKind::QUICKFIX, CodeActionKind::SOURCE_FIX_ALL],
        },
        "renameProvider": {"prepareProvider": true},
    })
}

/// What the server knows when a request comes.
pub(super) struct State<'a> {
    /// The open documents with their checks, up to date.
    pub project: &'a Project,
    /// The same documents as the editor has them.
    pub documents: &'a Documents,
    /// The editor shows further places of a report.
    pub related: bool,
    /// The editor understands snippets.
    pub snippets: bool,
    /// The files around.
    pub workspace: &'a mut dyn Workspace,
}

/// Answers a request.
///
/// # Errors
/// Where the method is unknown, its parameters make no sense, or it cannot be done.
pub(super) fn answer(request: Request, state: &mut State<'_>) -> Result<Value, ResponseError> {
    let Request { method, params, .. } = request;
    let (documents, snippets) = (state.documents, state.snippets);
    match method.as_str() {
        "textDocument/hover" => {
            let at = read::<HoverParams>(params)?.text_document_position_params;
            state.at(&at, |place, _| Some(convert::hover(place.analysis, hover_at(place)?)))
        }
        "textDocument/definition" => {
            let at = read::<GotoDefinitionParams>(params)?.text_document_position_params;
            state.at(&at, |place, workspace| {
                convert::location(place.analysis, documents, definition_at(place, workspace)?)
            })
        }
        "textDocument/references" => {
            let params: ReferenceParams = read(params)?;
            let with_declaration = params.context.include_declaration;
            state.at(&params.text_document_position, |place, workspace| {
                let uses = references_at(place, with_declaration, workspace)?;
                Some(convert::locations(&uses, documents))
            })
        }
        "textDocument/documentHighlight" => {
            let at = read::<DocumentHighlightParams>(params)?.text_document_position_params;
            state.at(&at, |place, _| {
                let (spans, lines) = (highlights_at(place)?, Lines::new(place.text()));
                let ranges = spans.into_iter().map(|span| lines.range(span.range()));
                let highlights = ranges.map(|range| DocumentHighlight { range, kind: None });
                Some(highlights.collect::<Vec<_>>())
            })
        }
        "textDocument/signatureHelp" => {
            let at = read::<SignatureHelpParams>(params)?.text_document_position_params;
            state.at(&at, |place, workspace| {
                let cursor = cursor_at(place.text(), place.offset);
                let scope = NameScope::at(place, workspace);
                Some(convert::signature(&active_call(&scope, place.text(), &cursor)?))
            })
        }
        "textDocument/completion" => {
            let at = read::<CompletionParams>(params)?.text_document_position;
            state.at(&at, |place, workspace| Some(convert::completion(place, snippets, workspace)))
        }
        "completionItem/resolve" => written(convert::resolved(read::<CompletionItem>(params)?)),
        "textDocument/documentSymbol" => {
            let place = state.document(&read::<DocumentSymbolParams>(params)?.text_document.uri)?;
            let symbols = outline_of(place.analysis, place.source);
            written(convert::document_symbols(&Lines::new(place.text()), symbols))
        }
        "textDocument/codeAction" => {
            let params: CodeActionParams = read(params)?;
            let place = state.document(&params.text_document.uri)?;
            let (range, context) = (params.range, &params.context);
            written(actions(place, range, context, documents, state.related))
        }
        "textDocument/formatting" => {
            let params: DocumentFormattingParams = read(params)?;
            let place = state.document(&params.text_document.uri)?;
            written(format_edits(place.source, place.text()))
        }
        "textDocument/prepareRename" => {
            let place = state.place(&read::<TextDocumentPositionParams>(params)?)?;
            let span = prepare_rename(place).map_err(|e| failed(e.to_string()))?;
            let range = convert::range(place.analysis, span);
            Ok(json!({"range": range, "placeholder": place.analysis.slice(span)}))
        }
        "textDocument/rename" => {
            let params: RenameParams = read(params)?;
            let place = state.place(&params.text_document_position)?;
            let uses = rename_at(place, &params.new_name, state.workspace);
            let uses = uses.map_err(|e| failed(e.to_string()))?;
            written(convert::edit(&uses, documents, &params.new_name))
        }
        _ => Err(error(ErrorCode::MethodNotFound, format!("there is no method `{method}`"))),
    }
}

/// The edits that lay out a document; none where it has errors, which are reported already.
fn format_edits(source: SourceId, text: &str) -> Vec<TextEdit> {
    match format_source(source, text) {
        Ok(new_text) if new_text != text => {
            vec![TextEdit { range: Lines::new(text).range(0..text.len()), new_text }]
        }
        _ => Vec::new(),
    }
}

impl<'a> State<'a> {
    /// Answers from a place; null where there is nothing.
    fn at<R: Serialize>(
        &mut self,
        at: &TextDocumentPositionParams,
        look: impl FnOnce(CursorPlace<'a>, &mut dyn Workspace) -> Option<R>,
    ) -> Result<Value, ResponseError> {
        let place = self.place(at)?;
        written(look(place, self.workspace))
    }

    fn place(&self, at: &TextDocumentPositionParams) -> Result<CursorPlace<'a>, ResponseError> {
        let place = self.document(&at.text_document.uri)?;
        let offset = Lines::new(place.text()).offset(at.position);
        Ok(CursorPlace { offset, ..place })
    }

    fn document(&self, uri: &Uri) -> Result<CursorPlace<'a>, ResponseError> {
        let name = uri::name(uri);
        if !self.documents.contains_key(&name) {
            let why = format!("the document {} is not open", uri.as_str());
            return Err(error(ErrorCode::InvalidParams, why));
        }
        CursorPlace::start_of(self.project, &name)
            .ok_or_else(|| failed(format!("{name} is not checked: it is too large")))
    }
}

fn failed(why: String) -> ResponseError {
    error(ErrorCode::RequestFailed, why)
}

/// An error to answer.
pub(super) fn error(code: ErrorCode, message: impl Into<String>) -> ResponseError {
    ResponseError { code: code as i32, message: message.into(), data: None }
}

/// Reads the parameters of a request.
pub(super) fn read<P: DeserializeOwned>(params: Value) -> Result<P, ResponseError> {
    serde_json::from_value(params)
        .map_err(|why| error(ErrorCode::InvalidParams, format!("malformed parameters: {why}")))
}

fn written(value: impl Serialize) -> Result<Value, ResponseError> {
    serde_json::to_value(value)
        .map_err(|why| error(ErrorCode::InternalError, format!("cannot be written: {why}")))
}
