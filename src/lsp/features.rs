//! What the server can do: one table of methods, each with what it is advertised as and the function that
//! answers it. A new feature is a row of [`FEATURES`].

use crate::lsp::closed::Closed;
use crate::lsp::documents::Documents;
use crate::lsp::editor::Editor;
use crate::lsp::publish::Told;
use crate::lsp::{reading, showing, uri, writing};
use lsp_server::{ErrorCode, Request, ResponseError};
use lsp_types::{CodeActionKind, TextDocumentPositionParams, TextDocumentSyncKind, Uri};
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::{Value, json};
use spintrue_language::{CursorPlace, Project, TOKEN_KINDS, TOKEN_MODIFIERS, Workspace};

/// Answers a request from its parameters.
type Answer = fn(&mut State<'_>, Value) -> Result<Value, ResponseError>;

/// The name of a capability and its options.
type Capability = (&'static str, fn() -> Value);

/// A method, the capability that advertises it, and its answer. Methods that belong to another one's
/// capability have none.
type Feature = (&'static str, Option<Capability>, Answer);

/// Every method that is answered while the server runs.
const FEATURES: &[Feature] = &[
    ("textDocument/hover", plain("hoverProvider"), reading::hover),
    ("textDocument/definition", plain("definitionProvider"), reading::definition),
    ("textDocument/references", plain("referencesProvider"), reading::references),
    ("textDocument/documentHighlight", plain("documentHighlightProvider"), reading::highlights),
    ("textDocument/documentSymbol", plain("documentSymbolProvider"), reading::outline),
    ("workspace/symbol", plain("workspaceSymbolProvider"), reading::search),
    ("textDocument/documentLink", Some(("documentLinkProvider", links)), reading::links),
    ("textDocument/selectionRange", plain("selectionRangeProvider"), reading::selections),
    ("textDocument/foldingRange", plain("foldingRangeProvider"), showing::folds),
    ("textDocument/semanticTokens/full", Some(("semanticTokensProvider", tokens)), showing::tokens),
    ("textDocument/semanticTokens/range", None, showing::tokens_of_range),
    ("textDocument/inlayHint", plain("inlayHintProvider"), showing::hints),
    ("textDocument/codeLens", Some(("codeLensProvider", lenses)), showing::lenses),
    ("textDocument/diagnostic", Some(("diagnosticProvider", diagnostics)), showing::diagnostics),
    ("workspace/diagnostic", None, showing::all_diagnostics),
    ("textDocument/completion", Some(("completionProvider", completion)), writing::completion),
    ("completionItem/resolve", None, writing::resolve),
    ("textDocument/signatureHelp", Some(("signatureHelpProvider", signature)), writing::signature),
    ("textDocument/codeAction", Some(("codeActionProvider", actions)), writing::actions),
    ("textDocument/formatting", plain("documentFormattingProvider"), writing::format),
    (
        "textDocument/rangeFormatting",
        plain("documentRangeFormattingProvider"),
        writing::format_range,
    ),
    ("textDocument/rename", Some(("renameProvider", rename)), writing::rename),
    ("textDocument/prepareRename", None, writing::prepare_rename),
];

const fn plain(capability: &'static str) -> Option<Capability> {
    Some((capability, || json!(true)))
}

fn links() -> Value {
    json!({"resolveProvider": false})
}

fn lenses() -> Value {
    json!({"resolveProvider": false})
}

fn tokens() -> Value {
    let legend = json!({"tokenTypes": TOKEN_KINDS, "tokenModifiers": TOKEN_MODIFIERS});
    json!({"legend": legend, "full": true, "range": true})
}

fn diagnostics() -> Value {
    json!({"identifier": "spintrue", "interFileDependencies": true, "workspaceDiagnostics": true})
}

fn completion() -> Value {
    json!({"resolveProvider": true, "triggerCharacters": [".", "\"", "/", ":", "(", ","]})
}

fn signature() -> Value {
    json!({"triggerCharacters": ["(", ","], "retriggerCharacters": [":"]})
}

fn actions() -> Value {
    json!({"codeActionKinds": [CodeActionKind::QUICKFIX, CodeActionKind::SOURCE_FIX_ALL]})
}

fn rename() -> Value {
    json!({"prepareProvider": true})
}

/// What the server can do for an editor.
pub(super) fn capabilities(editor: &Editor) -> Value {
    let mut can = json!({
        "positionEncoding": editor.encoding.name(),
        "textDocumentSync": {
            "openClose": true,
            "change": TextDocumentSyncKind::INCREMENTAL,
            "save": {"includeText": false},
        },
        "workspace": {"workspaceFolders": {"supported": true, "changeNotifications": true}},
    });
    for (capability, options) in FEATURES.iter().filter_map(|(_, advertised, _)| *advertised) {
        if let Some(can) = can.as_object_mut() {
            can.insert(capability.to_string(), options());
        }
    }
    can
}

/// What the server knows when a request comes.
pub(super) struct State<'a> {
    /// The open documents with their checks, up to date.
    pub project: &'a Project,
    /// The same documents as the editor has them.
    pub documents: &'a Documents,
    /// What the editor understands.
    pub editor: &'a Editor,
    /// The reports that the editor has.
    pub told: &'a mut Told,
    /// The checks of scripts that are not open.
    pub closed: &'a mut Closed,
    /// The files around.
    pub workspace: &'a mut dyn Workspace,
}

/// Answers a request.
///
/// # Errors
/// Where the method is unknown, its parameters make no sense, or it cannot be done.
pub(super) fn answer(request: Request, state: &mut State<'_>) -> Result<Value, ResponseError> {
    let Request { method, params, .. } = request;
    match FEATURES.iter().find(|(name, ..)| *name == method) {
        Some((_, _, answer)) => answer(state, params),
        None => Err(error(ErrorCode::MethodNotFound, format!("there is no method `{method}`"))),
    }
}

impl<'a> State<'a> {
    /// Answers from a place; null where there is nothing.
    pub(super) fn at<R: Serialize>(
        &mut self,
        at: &TextDocumentPositionParams,
        look: impl FnOnce(CursorPlace<'a>, &mut dyn Workspace) -> Option<R>,
    ) -> Result<Value, ResponseError> {
        let place = self.place(at)?;
        written(look(place, self.workspace))
    }

    /// A place in an open document.
    pub(super) fn place(
        &self,
        at: &TextDocumentPositionParams,
    ) -> Result<CursorPlace<'a>, ResponseError> {
        let place = self.document(&at.text_document.uri)?;
        let offset = self.documents.lines(place.text()).offset(at.position);
        Ok(CursorPlace { offset, ..place })
    }

    /// The start of an open document.
    pub(super) fn document(&self, uri: &Uri) -> Result<CursorPlace<'a>, ResponseError> {
        let name = self.name(uri)?;
        CursorPlace::start_of(self.project, &name)
            .ok_or_else(|| failed(format!("{name} is not checked: it is too large")))
    }

    /// The name of an open document.
    pub(super) fn name(&self, uri: &Uri) -> Result<String, ResponseError> {
        let name = uri::name(uri);
        if self.documents.open.contains_key(&name) {
            return Ok(name);
        }
        let why = format!("the document {} is not open", uri.as_str());
        Err(error(ErrorCode::InvalidParams, why))
    }
}

/// A request that makes sense and cannot be done.
pub(super) fn failed(why: String) -> ResponseError {
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

/// Writes an answer.
pub(super) fn written(value: impl Serialize) -> Result<Value, ResponseError> {
    serde_json::to_value(value)
        .map_err(|why| error(ErrorCode::InternalError, format!("cannot be written: {why}")))
}
