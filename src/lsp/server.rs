//! The loop: messages in, answers and reports out. Documents are checked when nothing else waits,
//! so that a burst of keys costs one check, and before every request.

use crate::lsp::analysis::Analyses;
use crate::lsp::documents::{Document, Documents};
use crate::lsp::features::{Known, answer, capabilities, error, read};
use crate::lsp::transport::{self, Incoming};
use crate::lsp::{Workspace, publish, uri};
use lsp_server::{ErrorCode, Message, Notification, Request, RequestId, Response, ResponseError};
use lsp_types::{
    CancelParams, DidChangeTextDocumentParams, DidChangeWatchedFilesParams,
    DidChangeWorkspaceFoldersParams, DidCloseTextDocumentParams, DidOpenTextDocumentParams,
    DidSaveTextDocumentParams, InitializeParams, NumberOrString, PublishDiagnosticsParams,
};
use serde_json::{Value, json};
use std::collections::{BTreeMap, VecDeque};
use std::io::{self, Write};
use std::sync::mpsc::{Receiver, TryRecvError};

/// Messages that are looked at before they are dealt with, to find those that were taken back.
const AHEAD_MOST: usize = 256;

/// Changes that are taken over before a check is made even though more are waiting.
const CHANGES_MOST: usize = 64;

/// Serves an editor until it says `exit` or its stream ends; gives the exit code, 0 where it said
/// `shutdown` before.
///
/// # Errors
/// Where the output fails.
pub fn serve(
    incoming: &Receiver<Incoming>,
    output: &mut dyn Write,
    workspace: &mut dyn Workspace,
) -> io::Result<u8> {
    let mut server = Server {
        workspace,
        output,
        stage: Stage::New,
        documents: Documents::new(),
        analyses: Analyses::default(),
        published: BTreeMap::new(),
        folders: Vec::new(),
        snippets: false,
        related: false,
        watches: false,
        changes: 0,
    };
    let mut waiting = VecDeque::new();
    loop {
        if waiting.is_empty() {
            match incoming.try_recv() {
                Ok(message) => waiting.push_back(message),
                Err(TryRecvError::Empty) => {
                    server.publish()?;
                    match incoming.recv() {
                        Ok(message) => waiting.push_back(message),
                        Err(_) => return Ok(1),
                    }
                }
                Err(TryRecvError::Disconnected) => return Ok(1),
            }
        }
        while waiting.len() < AHEAD_MOST
            && let Ok(message) = incoming.try_recv()
        {
            waiting.push_back(message);
        }
        let Some(next) = waiting.pop_front() else { continue };
        if let Some(id) = taken_back(&next, &waiting) {
            let error = error(ErrorCode::RequestCanceled, "taken back");
            server.send(Response { id, response_result: Err(error) })?;
            continue;
        }
        if let Some(code) = server.take(next)? {
            return Ok(code);
        }
    }
}

/// The id of a request that a later message takes back.
fn taken_back(message: &Incoming, later: &VecDeque<Incoming>) -> Option<RequestId> {
    let Incoming::Message(Message::Request(request)) = message else { return None };
    let cancels = |message: &Incoming| match message {
        Incoming::Message(Message::Notification(n)) if n.method == "$/cancelRequest" => {
            match serde_json::from_value::<CancelParams>(n.params.clone()).map(|c| c.id) {
                Ok(NumberOrString::Number(id)) => RequestId::from(id) == request.id,
                Ok(NumberOrString::String(id)) => RequestId::from(id) == request.id,
                Err(_) => false,
            }
        }
        _ => false,
    };
    later.iter().any(cancels).then(|| request.id.clone())
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Stage {
    New,
    Running,
    ShutDown,
}

struct Server<'a> {
    workspace: &'a mut dyn Workspace,
    output: &'a mut dyn Write,
    stage: Stage,
    documents: Documents,
    analyses: Analyses,
    /// What the editor was told last of each file, and for which version of it.
    published: BTreeMap<String, (Option<i32>, Vec<lsp_types::Diagnostic>)>,
    folders: Vec<String>,
    snippets: bool,
    related: bool,
    /// The editor tells of changed files to those who ask.
    watches: bool,
    /// Changes since the last check.
    changes: usize,
}

impl Server<'_> {
    /// Deals with one message; gives the exit code where it was the last.
    fn take(&mut self, incoming: Incoming) -> io::Result<Option<u8>> {
        match incoming {
            Incoming::Malformed { code, message, id } => {
                transport::refuse(self.output, &id, code, &message)?;
            }
            Incoming::Message(Message::Request(request)) => {
                let id = request.id.clone();
                let response_result = self.request(request);
                self.send(Response { id, response_result })?;
            }
            Incoming::Message(Message::Notification(notification)) => {
                if notification.method == "exit" {
                    return Ok(Some(u8::from(self.stage != Stage::ShutDown)));
                }
                if self.stage == Stage::Running {
                    self.notification(notification)?;
                }
            }
            // The one thing that is asked for, news of files, may also be denied.
            Incoming::Message(Message::Response(_)) => {}
        }
        Ok(None)
    }

    fn send(&mut self, message: impl Into<Message>) -> io::Result<()> {
        transport::write(self.output, message.into())
    }

    fn request(&mut self, request: Request) -> Result<Value, ResponseError> {
        match (self.stage, request.method.as_str()) {
            (Stage::New, "initialize") => self.initialize(request.params),
            (Stage::New, _) => {
                Err(error(ErrorCode::ServerNotInitialized, "`initialize` comes first"))
            }
            (Stage::Running, "initialize") => {
                Err(error(ErrorCode::InvalidRequest, "`initialize` comes once"))
            }
            (Stage::Running, "shutdown") => {
                self.stage = Stage::ShutDown;
                Ok(Value::Null)
            }
            (Stage::Running, _) => {
                self.analyses.refresh(&self.documents, self.workspace);
                let mut known = Known {
                    documents: &self.documents,
                    analyses: &self.analyses,
                    folders: &self.folders,
                    snippets: self.snippets,
                    workspace: self.workspace,
                };
                answer(request, &mut known)
            }
            (Stage::ShutDown, _) => {
                Err(error(ErrorCode::InvalidRequest, "the server is shut down"))
            }
        }
    }

    fn initialize(&mut self, params: Value) -> Result<Value, ResponseError> {
        let params: InitializeParams = read(params)?;
        let folders = params.workspace_folders.unwrap_or_default();
        self.folders = folders.iter().map(|folder| uri::name(&folder.uri)).collect();
        #[allow(deprecated, reason = "editors that know no workspace folders send this")]
        if self.folders.is_empty() {
            self.folders.extend(params.root_uri.as_ref().map(uri::name));
        }
        let document = params.capabilities.text_document.unwrap_or_default();
        self.snippets = document
            .completion
            .and_then(|completion| completion.completion_item?.snippet_support)
            .unwrap_or(false);
        self.related = document
            .publish_diagnostics
            .and_then(|publish| publish.related_information)
            .unwrap_or(false);
        self.watches = params
            .capabilities
            .workspace
            .and_then(|workspace| workspace.did_change_watched_files?.dynamic_registration)
            .unwrap_or(false);
        self.stage = Stage::Running;
        Ok(json!({
            "capabilities": capabilities(),
            "serverInfo": {"name": "spintrue", "version": env!("CARGO_PKG_VERSION")},
        }))
    }

    /// Takes a notification over; one that makes no sense is told of and left alone, since it has
    /// no answer.
    fn notification(&mut self, notification: Notification) -> io::Result<()> {
        let Notification { method, params } = notification;
        if method == "initialized" && self.watches {
            let scripts = json!({"watchers": [{"globPattern": "**/*.spt"}]});
            let method = "workspace/didChangeWatchedFiles";
            let asked = json!({"id": method, "method": method, "registerOptions": scripts});
            let params = json!({"registrations": [asked]});
            let (id, method) = ("files".to_string().into(), "client/registerCapability".into());
            self.send(Request { id, method, params })?;
        }
        match self.noticed(&method, params) {
            Ok(()) => {}
            Err(why) => {
                let message = format!("{method}: {}", why.message);
                let params = json!({"type": 2, "message": message});
                self.send(Notification { method: "window/logMessage".to_string(), params })?;
            }
        }
        if self.changes >= CHANGES_MOST {
            self.publish()?;
        }
        Ok(())
    }

    fn noticed(&mut self, method: &str, params: Value) -> Result<(), ResponseError> {
        match method {
            "textDocument/didOpen" => {
                let params: DidOpenTextDocumentParams = read(params)?;
                let opened = params.text_document;
                let name = uri::name(&opened.uri);
                self.changed(&name);
                let (uri, version, text) = (opened.uri, opened.version, opened.text);
                self.documents.insert(name, Document { uri, version, text });
            }
            "textDocument/didChange" => {
                let params: DidChangeTextDocumentParams = read(params)?;
                let name = uri::name(&params.text_document.uri);
                let Some(document) = self.documents.get_mut(&name) else {
                    return Err(error(ErrorCode::InvalidParams, format!("{name} is not open")));
                };
                document.version = params.text_document.version;
                document.change(params.content_changes);
                self.changed(&name);
            }
            "textDocument/didClose" => {
                let params: DidCloseTextDocumentParams = read(params)?;
                let name = uri::name(&params.text_document.uri);
                if self.documents.remove(&name).is_none() {
                    return Err(error(ErrorCode::InvalidParams, format!("{name} is not open")));
                }
                self.changed(&name);
            }
            "textDocument/didSave" => {
                let params: DidSaveTextDocumentParams = read(params)?;
                self.changed(&uri::name(&params.text_document.uri));
            }
            "workspace/didChangeWatchedFiles" => {
                let params: DidChangeWatchedFilesParams = read(params)?;
                for change in params.changes {
                    self.changed(&uri::name(&change.uri));
                }
            }
            "workspace/didChangeWorkspaceFolders" => {
                let params: DidChangeWorkspaceFoldersParams = read(params)?;
                let removed = params.event.removed.iter().map(|folder| uri::name(&folder.uri));
                let removed: Vec<String> = removed.collect();
                self.folders.retain(|folder| !removed.contains(folder));
                let added = params.event.added.iter();
                self.folders.extend(added.map(|folder| uri::name(&folder.uri)));
            }
            // Others may be ignored by the protocol; an answer would be against it.
            _ => {}
        }
        Ok(())
    }

    fn changed(&mut self, name: &str) {
        self.analyses.forget(name);
        self.changes += 1;
    }

    /// Checks what has changed and tells the editor where that makes a difference.
    fn publish(&mut self) -> io::Result<()> {
        if self.changes == 0 {
            return Ok(());
        }
        self.changes = 0;
        self.analyses.refresh(&self.documents, self.workspace);
        let mut now = publish::reports(&self.analyses, &self.documents, self.related);
        for name in self.published.keys() {
            now.entry(name.clone()).or_default();
        }
        let mut news = Vec::new();
        for (name, diagnostics) in now {
            let document = self.documents.get(&name);
            let version = document.map(|document| document.version);
            let told = (version, diagnostics);
            if self.published.get(&name) == Some(&told) {
                continue;
            }
            let uri = document.map(|document| document.uri.clone()).or_else(|| uri::of(&name));
            let Some(uri) = uri else { continue };
            let diagnostics = told.1.clone();
            news.push(PublishDiagnosticsParams { uri, diagnostics, version });
            if told.1.is_empty() && version.is_none() {
                self.published.remove(&name);
            } else {
                self.published.insert(name, told);
            }
        }
        for params in news {
            let method = "textDocument/publishDiagnostics".to_string();
            let params = serde_json::to_value(params).unwrap_or_default();
            self.send(Notification { method, params })?;
        }
        Ok(())
    }
}
