//! The loop: messages in, answers and reports out. Documents are checked when nothing else waits,
//! so that a burst of keys costs one check, and before every request.

use crate::lsp::convert::address;
use crate::lsp::documents::{Document, Documents, changed};
use crate::lsp::features::{State, answer, capabilities, error, read};
use crate::lsp::transport::Incoming;
use crate::lsp::{publish, transport, uri};
use lsp_server::{ErrorCode, Message, Notification, Request, RequestId, Response, ResponseError};
use lsp_types::{
    CancelParams, DidChangeTextDocumentParams, DidChangeWatchedFilesParams,
    DidChangeWorkspaceFoldersParams, DidCloseTextDocumentParams, DidOpenTextDocumentParams,
    DidSaveTextDocumentParams, InitializeParams, NumberOrString, PublishDiagnosticsParams,
};
use serde_json::{Value, json};
use spintrue_language::{Project, Workspace};
use std::collections::{BTreeMap, VecDeque};
use std::io::{self, Write};
use std::sync::mpsc::{Receiver, TryRecvError};

/// Most messages that are read ahead, to find requests that were cancelled.
const MAX_AHEAD: usize = 256;

/// Most changes before a check is made even though more are waiting.
const MAX_CHANGES: usize = 64;

/// Serves an editor until it says `exit` or its stream ends; gives the exit code, 0 where it said
/// `shutdown` before.
///
/// # Errors
/// Where the output fails.
pub(crate) fn serve(
    incoming: &Receiver<Incoming>,
    output: &mut dyn Write,
    workspace: &mut dyn Workspace,
) -> io::Result<u8> {
    let mut server = Server {
        workspace,
        output,
        stage: Stage::New,
        documents: Documents::new(),
        project: Project::default(),
        published: BTreeMap::new(),
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
        while waiting.len() < MAX_AHEAD
            && let Ok(message) = incoming.try_recv()
        {
            waiting.push_back(message);
        }
        let Some(next) = waiting.pop_front() else { continue };
        if let Some(id) = cancelled(&next, &waiting) {
            let error = error(ErrorCode::RequestCanceled, "cancelled");
            server.send(Response { id, response_result: Err(error) })?;
            continue;
        }
        if let Some(code) = server.handle(next)? {
            return Ok(code);
        }
    }
}

/// The id of a request that a later message cancels.
fn cancelled(message: &Incoming, later: &VecDeque<Incoming>) -> Option<RequestId> {
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
    project: Project,
    /// What was published last for each file, and for which version of it.
    published: BTreeMap<String, (Option<i32>, Vec<lsp_types::Diagnostic>)>,
    snippets: bool,
    related: bool,
    /// The editor reports changed files on request.
    watches: bool,
    /// Changes since the last check.
    changes: usize,
}

impl Server<'_> {
    /// Handles one message; gives the exit code where it was the last.
    fn handle(&mut self, incoming: Incoming) -> io::Result<Option<u8>> {
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
                self.project.refresh(self.workspace);
                let mut state = State {
                    related: self.related,
                    project: &self.project,
                    documents: &self.documents,
                    snippets: self.snippets,
                    workspace: self.workspace,
                };
                answer(request, &mut state)
            }
            (Stage::ShutDown, _) => {
                Err(error(ErrorCode::InvalidRequest, "the server is shut down"))
            }
        }
    }

    fn initialize(&mut self, params: Value) -> Result<Value, ResponseError> {
        let can = |path: &str| params.pointer(path).and_then(Value::as_bool).unwrap_or(false);
        let document = "/capabilities/textDocument";
        self.snippets = can(&format!("{document}/completion/completionItem/snippetSupport"));
        self.related = can(&format!("{document}/publishDiagnostics/relatedInformation"));
        self.watches = can("/capabilities/workspace/didChangeWatchedFiles/dynamicRegistration");
        let params: InitializeParams = read(params)?;
        let folders = params.workspace_folders.unwrap_or_default();
        self.project.folders = folders.iter().map(|folder| uri::name(&folder.uri)).collect();
        #[allow(deprecated, reason = "editors that know no workspace folders send this")]
        if self.project.folders.is_empty() {
            self.project.folders.extend(params.root_uri.as_ref().map(uri::name));
        }
        self.stage = Stage::Running;
        Ok(json!({
            "capabilities": capabilities(),
            "serverInfo": {"name": "spintrue", "version": env!("CARGO_PKG_VERSION")},
        }))
    }

    /// Handles a notification; one that makes no sense is logged, since it has no answer.
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
        if let Err(why) = self.apply(&method, params) {
            let message = format!("{method}: {}", why.message);
            let params = json!({"type": 2, "message": message});
            self.send(Notification { method: "window/logMessage".to_string(), params })?;
        }
        if self.changes >= MAX_CHANGES {
            self.publish()?;
        }
        Ok(())
    }

    fn apply(&mut self, method: &str, params: Value) -> Result<(), ResponseError> {
        match method {
            "textDocument/didOpen" => {
                let opened = read::<DidOpenTextDocumentParams>(params)?.text_document;
                let name = uri::name(&opened.uri);
                self.set_text(&name, opened.text);
                self.documents.insert(name, Document { uri: opened.uri, version: opened.version });
            }
            "textDocument/didChange" => {
                let params: DidChangeTextDocumentParams = read(params)?;
                let name = uri::name(&params.text_document.uri);
                let document = self.documents.get_mut(&name).ok_or_else(|| not_open(&name))?;
                document.version = params.text_document.version;
                let text = self.project.documents().get(&name).cloned().unwrap_or_default();
                self.set_text(&name, changed(text, params.content_changes));
            }
            "textDocument/didClose" => {
                let params: DidCloseTextDocumentParams = read(params)?;
                let name = uri::name(&params.text_document.uri);
                self.documents.remove(&name).ok_or_else(|| not_open(&name))?;
                self.project.close_document(&name);
                self.changes += 1;
            }
            "textDocument/didSave" => {
                let params: DidSaveTextDocumentParams = read(params)?;
                self.invalidate(&uri::name(&params.text_document.uri));
            }
            "workspace/didChangeWatchedFiles" => {
                let params: DidChangeWatchedFilesParams = read(params)?;
                for change in params.changes {
                    self.invalidate(&uri::name(&change.uri));
                }
            }
            "workspace/didChangeWorkspaceFolders" => {
                let params: DidChangeWorkspaceFoldersParams = read(params)?;
                let removed = params.event.removed.iter().map(|folder| uri::name(&folder.uri));
                let removed: Vec<String> = removed.collect();
                self.project.folders.retain(|folder| !removed.contains(folder));
                let added = params.event.added.iter();
                self.project.folders.extend(added.map(|folder| uri::name(&folder.uri)));
            }
            // Others may be ignored by the protocol; an answer would be against it.
            _ => {}
        }
        Ok(())
    }

    fn set_text(&mut self, name: &str, text: String) {
        self.project.set_document(name, text);
        self.changes += 1;
    }

    fn invalidate(&mut self, name: &str) {
        self.project.invalidate(name);
        self.changes += 1;
    }

    /// Checks what has changed and publishes the reports that differ.
    fn publish(&mut self) -> io::Result<()> {
        if self.changes == 0 {
            return Ok(());
        }
        self.changes = 0;
        self.project.refresh(self.workspace);
        let mut now = publish::reports(&self.project, &self.documents, self.related);
        for name in self.published.keys() {
            now.entry(name.clone()).or_default();
        }
        for (name, diagnostics) in now {
            let version = self.documents.get(&name).map(|document| document.version);
            let report = (version, diagnostics.clone());
            if self.published.get(&name) == Some(&report) {
                continue;
            }
            let Some(uri) = address(&self.documents, &name) else { continue };
            if diagnostics.is_empty() && version.is_none() {
                self.published.remove(&name);
            } else {
                self.published.insert(name, report);
            }
            let method = "textDocument/publishDiagnostics".to_string();
            let params = PublishDiagnosticsParams { uri, diagnostics, version };
            let params = serde_json::to_value(params).unwrap_or_default();
            self.send(Notification { method, params })?;
        }
        Ok(())
    }
}

fn not_open(name: &str) -> ResponseError {
    error(ErrorCode::InvalidParams, format!("{name} is not open"))
}
