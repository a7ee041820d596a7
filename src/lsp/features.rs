//! What the server can do, and which function answers which request. A new feature is a line in
//! [`capabilities`] and an arm in [`answer`].

use crate::lsp::Workspace;
use crate::lsp::analysis::Analyses;
use crate::lsp::complete::{self, Asked};
use crate::lsp::documents::Documents;
use crate::lsp::place::Place;
use crate::lsp::{hover, navigate, rename, signature, style, symbols, uri};
use lsp_server::{ErrorCode, Request, ResponseError};
use lsp_types::{
    CompletionItem, CompletionOptions, CompletionParams, DocumentFormattingParams,
    DocumentHighlightParams, DocumentSymbolParams, GotoDefinitionParams, HoverParams,
    HoverProviderCapability, OneOf, PositionEncodingKind, ReferenceParams, RenameOptions,
    RenameParams, SaveOptions, ServerCapabilities, SignatureHelpOptions, SignatureHelpParams,
    TextDocumentPositionParams, TextDocumentSyncCapability, TextDocumentSyncKind,
    TextDocumentSyncOptions, TextDocumentSyncSaveOptions, Uri, WorkDoneProgressOptions,
};
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::{Value, json};

/// What the server can do.
pub fn capabilities() -> ServerCapabilities {
    let triggers = |marks: &[&str]| Some(marks.iter().map(|mark| (*mark).to_string()).collect());
    ServerCapabilities {
        position_encoding: Some(PositionEncodingKind::UTF16),
        text_document_sync: Some(TextDocumentSyncCapability::Options(TextDocumentSyncOptions {
            open_close: Some(true),
            change: Some(TextDocumentSyncKind::INCREMENTAL),
            save: Some(TextDocumentSyncSaveOptions::SaveOptions(SaveOptions {
                include_text: Some(false),
            })),
            ..TextDocumentSyncOptions::default()
        })),
        hover_provider: Some(HoverProviderCapability::Simple(true)),
        completion_provider: Some(CompletionOptions {
            resolve_provider: Some(true),
            trigger_characters: triggers(&[".", "\"", "/", ":", "(", ","]),
            ..CompletionOptions::default()
        }),
        signature_help_provider: Some(SignatureHelpOptions {
            trigger_characters: triggers(&["(", ","]),
            retrigger_characters: triggers(&[":"]),
            ..SignatureHelpOptions::default()
        }),
        definition_provider: Some(OneOf::Left(true)),
        references_provider: Some(OneOf::Left(true)),
        document_highlight_provider: Some(OneOf::Left(true)),
        document_symbol_provider: Some(OneOf::Left(true)),
        document_formatting_provider: Some(OneOf::Left(true)),
        rename_provider: Some(OneOf::Right(RenameOptions {
            prepare_provider: Some(true),
            work_done_progress_options: WorkDoneProgressOptions::default(),
        })),
        ..ServerCapabilities::default()
    }
}

/// What an answer is made from.
pub struct Known<'a> {
    /// The open documents.
    pub documents: &'a Documents,
    /// Their checks, up to date.
    pub analyses: &'a Analyses,
    /// The folders that the editor has open.
    pub folders: &'a [String],
    /// The editor understands snippets.
    pub snippets: bool,
    /// The files around.
    pub workspace: &'a mut dyn Workspace,
}

/// Answers a request.
///
/// # Errors
/// Where the method is unknown, its parameters make no sense, or it cannot be done.
pub fn answer(request: Request, known: &mut Known<'_>) -> Result<Value, ResponseError> {
    let Request { method, params, .. } = request;
    let (documents, analyses, folders) = (known.documents, known.analyses, known.folders);
    match method.as_str() {
        "textDocument/hover" => {
            let params: HoverParams = read(params)?;
            let at = &params.text_document_position_params;
            known.at(at, |place, _| hover::hover(place))
        }
        "textDocument/definition" => {
            let params: GotoDefinitionParams = read(params)?;
            let at = &params.text_document_position_params;
            known.at(at, |place, workspace| navigate::definition(place, documents, workspace))
        }
        "textDocument/references" => {
            let params: ReferenceParams = read(params)?;
            let declaration = params.context.include_declaration;
            known.at(&params.text_document_position, |place, files| {
                navigate::references(place, declaration, analyses, documents, folders, files)
            })
        }
        "textDocument/documentHighlight" => {
            let params: DocumentHighlightParams = read(params)?;
            let at = &params.text_document_position_params;
            known.at(at, |place, _| navigate::highlights(place))
        }
        "textDocument/signatureHelp" => {
            let params: SignatureHelpParams = read(params)?;
            let at = &params.text_document_position_params;
            known.at(at, |place, workspace| signature::help(place, workspace))
        }
        "textDocument/completion" => {
            let params: CompletionParams = read(params)?;
            let snippets = known.snippets;
            let name = uri::name(&params.text_document_position.text_document.uri);
            let root = analyses.root(&name).unwrap_or((&name, false));
            known.at(&params.text_document_position, |place, workspace| {
                let asked = Asked { place, root, documents, snippets };
                Some(complete::complete(&asked, workspace))
            })
        }
        "completionItem/resolve" => {
            let item: CompletionItem = read(params)?;
            written(complete::resolve(item))
        }
        "textDocument/documentSymbol" => {
            let params: DocumentSymbolParams = read(params)?;
            let (analysis, source) = known.checked(&params.text_document.uri)?;
            written(symbols::symbols(analysis, source))
        }
        "textDocument/formatting" => {
            let params: DocumentFormattingParams = read(params)?;
            let (analysis, source) = known.checked(&params.text_document.uri)?;
            written(style::edits(analysis, source))
        }
        "textDocument/prepareRename" => {
            let params: TextDocumentPositionParams = read(params)?;
            match rename::prepare(known.place(&params)?) {
                Ok((range, text)) => Ok(json!({"range": range, "placeholder": text})),
                Err(why) => Err(error(ErrorCode::RequestFailed, why)),
            }
        }
        "textDocument/rename" => {
            let params: RenameParams = read(params)?;
            let place = known.place(&params.text_document_position)?;
            let new = params.new_name.as_str();
            let files = &mut *known.workspace;
            match rename::rename(place, new, analyses, documents, folders, files) {
                Ok(edit) => written(edit),
                Err(why) => Err(error(ErrorCode::RequestFailed, why)),
            }
        }
        _ => Err(error(ErrorCode::MethodNotFound, format!("there is no method `{method}`"))),
    }
}

impl<'a> Known<'a> {
    fn at<R: Serialize>(
        &mut self,
        at: &TextDocumentPositionParams,
        look: impl FnOnce(Place<'a>, &mut dyn Workspace) -> Option<R>,
    ) -> Result<Value, ResponseError> {
        let place = self.place(at)?;
        written(look(place, self.workspace))
    }

    fn place(&self, at: &TextDocumentPositionParams) -> Result<Place<'a>, ResponseError> {
        let (analysis, source) = self.checked(&at.text_document.uri)?;
        let offset = analysis.offset(source, at.position);
        Ok(Place { analysis, source, offset })
    }

    fn checked(
        &self,
        uri: &Uri,
    ) -> Result<(&'a crate::lsp::analysis::Analysis, crate::source::SourceId), ResponseError> {
        let name = uri::name(uri);
        if !self.documents.contains_key(&name) {
            let why = format!("the document {} is not open", uri.as_str());
            return Err(error(ErrorCode::InvalidParams, why));
        }
        self.analyses.covering(&name).ok_or_else(|| {
            let why = format!("{name} is not checked: it is too large");
            error(ErrorCode::RequestFailed, why)
        })
    }
}

/// An error to answer.
pub fn error(code: ErrorCode, message: impl Into<String>) -> ResponseError {
    ResponseError { code: code as i32, message: message.into(), data: None }
}

/// Reads the parameters of a request.
pub fn read<P: DeserializeOwned>(params: Value) -> Result<P, ResponseError> {
    serde_json::from_value(params)
        .map_err(|why| error(ErrorCode::InvalidParams, format!("malformed parameters: {why}")))
}

fn written(value: impl Serialize) -> Result<Value, ResponseError> {
    serde_json::to_value(value)
        .map_err(|why| error(ErrorCode::InternalError, format!("cannot be written: {why}")))
}
