//! The loop: messages in, answers and reports out. Documents are checked when nothing else waits,
//! so that a burst of keys costs one check, and before every request.

use crate::lsp::closed::Closed;
use crate::lsp::documents::{Document, Documents, changed};
use crate::lsp::editor::{Editor, head_asked};
use crate::lsp::features::{State, answer, capabilities, error, read};
use crate::lsp::publish::Told;
use crate::lsp::transport::Incoming;
use crate::lsp::{transport, uri};
use lsp_server::{ErrorCode, Message, Notification, Request, RequestId, Response, ResponseError};
use lsp_types::{
    CancelParams, Diagnostic, DidChangeTextDocumentParams, DidChangeWatchedFilesParams,
    DidChangeWorkspaceFoldersParams, DidCloseTextDocumentParams, DidOpenTextDocumentParams,
    DidSaveTextDocumentParams, InitializeParams, NumberOrString, PublishDiagnosticsParams,
};
use serde_json::{Value, json};
use spintrue_language::{HeadAsked, Project, Workspace};
use std::collections::VecDeque;
use std::io::{self, Write};
use std::sync::mpsc::{Receiver, RecvTimeoutError, TryRecvError};
use std::time::Duration;

/// Most messages that are read ahead, to find requests that were cancelled.
const MAX_AHEAD: usize = 256;

/// Most changes before a check is made even though more are waiting.
const MAX_CHANGES: usize = 64;

/// How long nothing must have come before the reports are worked out that take a while.
const QUIET: Duration = Duration::from_millis(200);

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
        documents: Documents::default(),
        project: Project::default(),
        told: Told::default(),
        closed: Closed::default(),
        editor: Editor::default(),
        head: HeadAsked::default(),
        messages: Vec::new(),
        has_new_head: false,
        has_stale: false,
        refreshes: 0,
        changes: 0,
    };
    let mut waiting = VecDeque::new();
    loop {
        if waiting.is_empty() {
            match incoming.try_recv() {
                Ok(message) => waiting.push_back(message),
                Err(TryRecvError::Empty) => {
                    server.publish()?;
                    let next = match server.project.is_complete() {
                        true => incoming.recv().map_err(|_| RecvTimeoutError::Disconnected),
                        false => incoming.recv_timeout(QUIET),
                    };
                    match next {
                        Ok(message) => waiting.push_back(message),
                        Err(RecvTimeoutError::Timeout) => {
                            server.complete(&mut || {
                                waiting.extend(incoming.try_recv());
                                waiting.is_empty()
                            })?;
                        }
                        Err(RecvTimeoutError::Disconnected) => return Ok(1),
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
    told: Told,
    closed: Closed,
    editor: Editor,
    /// The head that the editor asks for.
    head: HeadAsked,
    /// What is wrong with that, until it is shown.
    messages: Vec<String>,
    /// The head was read again.
    has_new_head: bool,
    /// A file has changed that a script reads which is not open.
    has_stale: bool,
    /// Times that the editor was told to ask again.
    refreshes: u64,
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
                if request.method == "workspace/diagnostic" && !self.closed.is_asked {
                    self.take_back()?;
                }
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
            // What is asked for, news of files and to ask again, may also be denied.
            Incoming::Message(Message::Response(_)) => {}
        }
        Ok(None)
    }

    /// From now on the editor asks for the reports on files that are not open: those that it was sent are void.
    fn take_back(&mut self) -> io::Result<()> {
        self.closed.is_asked = true;
        for name in self.told.not_open() {
            self.push(name, None, Vec::new())?;
        }
        Ok(())
    }

    /// Sends the reports on a file.
    fn push(
        &mut self,
        name: String,
        version: Option<i32>,
        diagnostics: Vec<Diagnostic>,
    ) -> io::Result<()> {
        let Some(uri) = self.documents.address(&name) else { return Ok(()) };
        self.told.tell(name, version, diagnostics.clone());
        let method = "textDocument/publishDiagnostics".to_string();
        let params = PublishDiagnosticsParams { uri, diagnostics, version };
        let params = serde_json::to_value(params).unwrap_or_default();
        self.send(Notification { method, params })
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
                    project: &self.project,
                    documents: &self.documents,
                    editor: &self.editor,
                    told: &mut self.told,
                    closed: &mut self.closed,
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
        let editor = Editor::of(&params);
        let params: InitializeParams = read(params)?;
        self.editor = editor;
        self.documents.encoding = self.editor.encoding;
        let folders = params.workspace_folders.unwrap_or_default();
        self.project.folders = folders.iter().map(|folder| uri::name(&folder.uri)).collect();
        #[allow(deprecated, reason = "editors that know no workspace folders send this")]
        if self.project.folders.is_empty() {
            self.project.folders.extend(params.root_uri.as_ref().map(uri::name));
        }
        match head_asked(params.initialization_options.as_ref()) {
            Ok(asked) => {
                self.head = HeadAsked { folder: self.project.folders.first().cloned(), ..asked };
                self.open_head();
            }
            Err(why) => self.messages.push(why.to_string()),
        }
        self.stage = Stage::Running;
        Ok(json!({
            "capabilities": capabilities(&self.editor),
            "serverInfo": {"name": "spintrue", "version": env!("CARGO_PKG_VERSION")},
        }))
    }

    /// Reads what the head is. Where that fails, nothing is said of heads.
    fn open_head(&mut self) {
        let head = self.workspace.head(&self.head);
        self.messages.extend(head.as_ref().err().map(|why| format!("the head: {why}")));
        self.project.set_head(head.ok());
        self.closed.clear();
        self.changes += 1;
    }

    /// Shows what went wrong without a question.
    fn show_messages(&mut self) -> io::Result<()> {
        for message in std::mem::take(&mut self.messages) {
            let params = json!({"type": 1, "message": format!("spintrue: {message}")});
            self.send(Notification { method: "window/showMessage".to_string(), params })?;
        }
        Ok(())
    }

    /// Has the editor ask again for what it shows, where it can be told to.
    fn refresh(&mut self, what: &[&str]) -> io::Result<()> {
        let known = self.editor.refreshed.clone();
        for what in known.into_iter().filter(|known| what.contains(known)) {
            self.refreshes += 1;
            let id = format!("again-{}", self.refreshes).into();
            let method = format!("workspace/{what}/refresh");
            self.send(Request { id, method, params: Value::Null })?;
        }
        Ok(())
    }

    /// Handles a notification; one that makes no sense is logged, since it has no answer.
    fn notification(&mut self, notification: Notification) -> io::Result<()> {
        let Notification { method, params } = notification;
        if method == "initialized" && self.editor.watches {
            let scripts = json!({"watchers": [{"globPattern": "**/*.{spt,csv,toml}"}]});
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
        self.show_messages()?;
        if std::mem::take(&mut self.has_new_head) {
            self.refresh(&["inlayHint", "codeLens"])?;
        }
        if std::mem::take(&mut self.has_stale) {
            self.refresh(&["diagnostic"])?;
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
                let document = Document { uri: opened.uri, version: opened.version };
                self.documents.open.insert(name, document);
            }
            "textDocument/didChange" => {
                let params: DidChangeTextDocumentParams = read(params)?;
                let name = uri::name(&params.text_document.uri);
                let document = self.documents.open.get_mut(&name).ok_or_else(|| not_open(&name))?;
                document.version = params.text_document.version;
                let text = self.project.documents().get(&name).cloned().unwrap_or_default();
                let text = changed(text, params.content_changes, self.documents.encoding);
                self.set_text(&name, text);
            }
            "textDocument/didClose" => {
                let params: DidCloseTextDocumentParams = read(params)?;
                let name = uri::name(&params.text_document.uri);
                self.documents.open.remove(&name).ok_or_else(|| not_open(&name))?;
                self.project.close_document(&name);
                self.closed.invalidate(&name);
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
        self.closed.invalidate(name);
        self.changes += 1;
    }

    /// A file has changed.
    fn invalidate(&mut self, name: &str) {
        self.project.invalidate(name);
        self.has_stale |= self.closed.invalidate(name);
        self.changes += 1;
        let has_files = self.head.address.is_some() || !self.head.fixtures.is_empty();
        if has_files && name.ends_with(".toml") {
            self.open_head();
            self.has_new_head = true;
        }
    }

    /// Checks what has changed and publishes the reports that differ.
    fn publish(&mut self) -> io::Result<()> {
        if self.changes == 0 {
            return Ok(());
        }
        self.changes = 0;
        self.project.refresh(self.workspace);
        self.send_reports()
    }

    /// Works out the reports that take a while, until `go_on` says no.
    fn complete(&mut self, go_on: &mut dyn FnMut() -> bool) -> io::Result<()> {
        self.project.complete(go_on);
        self.send_reports()
    }

    fn send_reports(&mut self) -> io::Result<()> {
        let now = self.told.reports(&self.project, &self.documents, self.editor.related);
        let mut is_stale = false;
        for (name, diagnostics) in now {
            let version = self.documents.open.get(&name).map(|document| document.version);
            if self.editor.pulls && version.is_some() {
                // A change of another file has changed what the editor asked for.
                is_stale |= self.told.is_stale(&name, version, &diagnostics);
                continue;
            }
            let is_asked = self.closed.is_asked && version.is_none();
            if !is_asked && self.told.is_news(&name, version, &diagnostics) {
                self.push(name, version, diagnostics)?;
            }
        }
        if is_stale {
            self.refresh(&["diagnostic"])?;
        }
        Ok(())
    }
}

fn not_open(name: &str) -> ResponseError {
    error(ErrorCode::InvalidParams, format!("{name} is not open"))
}
