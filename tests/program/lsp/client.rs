//! An editor for the tests: speaks the protocol to the program over its standard streams. Every
//! wait has an end.

use serde_json::{Value, json};
use std::collections::HashMap;
use std::fs;
use std::io::{BufRead, BufReader, Read, Write};
use std::path::PathBuf;
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

/// No answer takes this long, not even on a loaded machine.
pub const PATIENCE: Duration = Duration::from_secs(120);

static FOLDERS: AtomicUsize = AtomicUsize::new(0);

/// An editor with a folder of its own.
pub struct Client {
    child: Child,
    stdin: Option<ChildStdin>,
    incoming: Receiver<Value>,
    next: i64,
    versions: HashMap<String, i64>,
    texts: HashMap<String, String>,
    /// The last reports on each file.
    reports: HashMap<String, (Option<i64>, Value)>,
    pub logged: Vec<String>,
    /// What was shown to the user.
    pub shown: Vec<String>,
    /// What the server says that it can do.
    pub can: Value,
    pub folder: PathBuf,
}

impl Client {
    /// Starts the program; it waits for `initialize`.
    pub fn raw() -> Client {
        let number = FOLDERS.fetch_add(1, Ordering::Relaxed);
        let name = format!("spintrue-lsp-{}-{number}", std::process::id());
        let folder = std::env::temp_dir().join(name);
        let _ = fs::remove_dir_all(&folder);
        fs::create_dir_all(&folder).unwrap();
        let mut child = Command::new(env!("CARGO_BIN_EXE_spintrue"))
            .arg("lsp")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let stdin = child.stdin.take();
        let mut output = BufReader::new(child.stdout.take().unwrap());
        let (sender, incoming) = channel();
        std::thread::spawn(move || {
            while let Some(message) = read(&mut output) {
                if sender.send(message).is_err() {
                    break;
                }
            }
        });
        let (versions, texts) = (HashMap::new(), HashMap::new());
        Client {
            child,
            stdin,
            incoming,
            next: 1,
            versions,
            texts,
            reports: HashMap::new(),
            logged: Vec::new(),
            shown: Vec::new(),
            can: Value::Null,
            folder,
        }
    }

    /// Starts the program and says hello.
    pub fn new() -> Client {
        let mut client = Client::raw();
        let capabilities = json!({"textDocument": {
            "publishDiagnostics": {"relatedInformation": true},
            "completion": {"completionItem": {"snippetSupport": true}},
        }});
        client.hello(capabilities, Value::Null);
        client
    }

    /// Says hello with what the editor can do and its options.
    pub fn hello(&mut self, capabilities: Value, options: Value) {
        let root = self.uri("");
        let folders = json!([{"uri": root.trim_end_matches('/'), "name": "test"}]);
        let params = json!({"processId": null, "rootUri": null, "capabilities": capabilities,
            "workspaceFolders": folders, "initializationOptions": options});
        let hello = self.request("initialize", params).unwrap();
        self.can = hello["capabilities"].clone();
        self.notify("initialized", json!({}));
    }

    pub fn uri(&self, name: &str) -> String {
        let name = name.replace(' ', "%20").replace('µ', "%C2%B5");
        format!("file://{}/{name}", self.folder.display())
    }

    pub fn send_bytes(&mut self, bytes: &[u8]) {
        // A program that has ended says so when it is asked for its end.
        let _ = self.stdin.as_mut().unwrap().write_all(bytes);
    }

    pub fn send_body(&mut self, body: &[u8]) {
        let mut bytes = format!("Content-Length: {}\r\n\r\n", body.len()).into_bytes();
        bytes.extend_from_slice(body);
        self.send_bytes(&bytes);
    }

    pub fn send(&mut self, message: &Value) {
        self.send_body(message.to_string().as_bytes());
    }

    pub fn notify(&mut self, method: &str, params: Value) {
        self.send(&json!({"jsonrpc": "2.0", "method": method, "params": params}));
    }

    /// The next message that is no report, log or old news.
    pub fn receive(&mut self) -> Value {
        loop {
            let message = self.incoming.recv_timeout(PATIENCE).expect("no answer");
            match message["method"].as_str() {
                Some("textDocument/publishDiagnostics") => {
                    let params = &message["params"];
                    let uri = params["uri"].as_str().unwrap().to_string();
                    let told = (params["version"].as_i64(), params["diagnostics"].clone());
                    self.reports.insert(uri, told);
                    return message;
                }
                Some(method @ ("window/logMessage" | "window/showMessage")) => {
                    let text = message["params"]["message"].as_str().unwrap().to_string();
                    let is_shown = method == "window/showMessage";
                    if is_shown { self.shown.push(text) } else { self.logged.push(text) }
                }
                _ => return message,
            }
        }
    }

    /// Asks, and waits for the answer: the result or the error.
    pub fn request(&mut self, method: &str, params: Value) -> Result<Value, Value> {
        let id = self.next;
        self.next += 1;
        self.send(&json!({"jsonrpc": "2.0", "id": id, "method": method, "params": params}));
        self.answer(&json!(id))
    }

    /// The answer to an id.
    pub fn answer(&mut self, id: &Value) -> Result<Value, Value> {
        loop {
            let message = self.receive();
            if message.get("method").is_none() && message["id"] == *id {
                assert_eq!(message["jsonrpc"], "2.0");
                return match message.get("error") {
                    Some(error) => Err(error.clone()),
                    None => Ok(message.get("result").expect("a result").clone()),
                };
            }
        }
    }

    /// Puts a file on the disk.
    pub fn file(&self, name: &str, text: &str) {
        let path = self.folder.join(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, text).unwrap();
    }

    pub fn open(&mut self, name: &str, text: &str) {
        let uri = self.uri(name);
        let document = json!({"uri": uri, "languageId": "spintrue", "version": 1, "text": text});
        self.versions.insert(name.to_string(), 1);
        self.texts.insert(name.to_string(), text.to_string());
        self.notify("textDocument/didOpen", json!({"textDocument": document}));
    }

    pub fn close(&mut self, name: &str) {
        let uri = self.uri(name);
        self.reports.remove(&uri);
        self.notify("textDocument/didClose", json!({"textDocument": {"uri": uri}}));
    }

    /// Replaces the whole text.
    pub fn change(&mut self, name: &str, text: &str) {
        self.changes(name, json!([{"text": text}]));
        self.texts.insert(name.to_string(), text.to_string());
    }

    /// Replaces the first `old` by `new`, as a change of a part.
    pub fn edit(&mut self, name: &str, old: &str, new: &str) {
        let text = self.texts[name].clone();
        let at = text.find(old).unwrap();
        let range = json!({"start": position(&text, at), "end": position(&text, at + old.len())});
        self.changes(name, json!([{"range": range, "text": new}]));
        self.texts.insert(name.to_string(), text.replacen(old, new, 1));
    }

    pub fn changes(&mut self, name: &str, changes: Value) {
        let version = self.versions.get_mut(name).unwrap();
        *version += 1;
        let version = *version;
        let document = json!({"uri": self.uri(name), "version": version});
        let params = json!({"textDocument": document, "contentChanges": changes});
        self.notify("textDocument/didChange", params);
    }

    /// The reports on an open document as it stands now.
    pub fn diagnostics(&mut self, name: &str) -> Vec<Value> {
        let (uri, version) = (self.uri(name), self.versions.get(name).copied());
        let end = Instant::now() + PATIENCE;
        loop {
            if let Some((told, list)) = self.reports.get(&uri)
                && *told == version
            {
                return list.as_array().unwrap().clone();
            }
            assert!(Instant::now() < end, "no reports on {name}");
            self.receive();
        }
    }

    /// The last reports on a file; none where there were none.
    pub fn reported(&self, name: &str) -> Vec<Value> {
        let found = self.reports.get(&self.uri(name));
        found.map(|(_, list)| list.as_array().unwrap().clone()).unwrap_or_default()
    }

    /// Waits until the reports on a file, open or not, have these codes.
    pub fn wait_for(&mut self, name: &str, codes: &[&str]) {
        loop {
            let list = self.reported(name);
            if list.iter().map(|d| d["code"].as_str().unwrap_or("")).eq(codes.iter().copied()) {
                return;
            }
            self.receive();
        }
    }

    /// Codes of the reports on a document.
    pub fn codes(&mut self, name: &str) -> Vec<String> {
        let list = self.diagnostics(name);
        list.iter().map(|d| d["code"].as_str().unwrap_or("").to_string()).collect()
    }

    /// Where the first `|` of a pattern lies in a document: `"plan_|line("`.
    pub fn at(&self, name: &str, pattern: &str) -> Value {
        let text = &self.texts[name];
        let bar = pattern.find('|').unwrap();
        let words = pattern.replacen('|', "", 1);
        let at = text.find(&words).unwrap_or_else(|| panic!("{words} is not in {name}"));
        let position = position(text, at + bar);
        json!({"textDocument": {"uri": self.uri(name)}, "position": position})
    }

    /// Asks about a place.
    pub fn ask(&mut self, method: &str, name: &str, pattern: &str) -> Result<Value, Value> {
        let at = self.at(name, pattern);
        self.request(&format!("textDocument/{method}"), at)
    }

    /// Asks about a place and adds to the question.
    pub fn ask_with(
        &mut self,
        method: &str,
        (name, pattern): (&str, &str),
        more: Value,
    ) -> Result<Value, Value> {
        let mut at = self.at(name, pattern);
        for (key, value) in more.as_object().unwrap() {
            at[key] = value.clone();
        }
        self.request(&format!("textDocument/{method}"), at)
    }

    /// What hover says in markdown.
    pub fn hover(&mut self, name: &str, pattern: &str) -> String {
        let hover = self.ask("hover", name, pattern).unwrap();
        hover["contents"]["value"].as_str().unwrap_or("").to_string()
    }

    /// Labels that completion offers.
    pub fn offered(&mut self, name: &str, pattern: &str) -> Vec<String> {
        let items = self.ask("completion", name, pattern).unwrap();
        let items = items.as_array().unwrap().iter();
        items.map(|item| item["label"].as_str().unwrap().to_string()).collect()
    }

    /// A text with the changes of a rename made.
    pub fn renamed(&self, edit: &Value, name: &str) -> String {
        let text = match self.texts.get(name) {
            Some(text) => text.clone(),
            None => fs::read_to_string(self.folder.join(name)).unwrap(),
        };
        let edits = edit["changes"][self.uri(name)].as_array().cloned().unwrap_or_default();
        let mut edits: Vec<(usize, usize, String)> = edits
            .iter()
            .map(|edit| {
                let range = &edit["range"];
                let new = edit["newText"].as_str().unwrap().to_string();
                (byte(&text, &range["start"]), byte(&text, &range["end"]), new)
            })
            .collect();
        edits.sort();
        let mut text = text;
        for (start, end, new) in edits.into_iter().rev() {
            text.replace_range(start..end, &new);
        }
        text
    }

    /// The words of a document under a range.
    pub fn under(&self, name: &str, range: &Value) -> String {
        let text = &self.texts[name];
        text[byte(text, &range["start"])..byte(text, &range["end"])].to_string()
    }

    /// Says goodbye; the exit code, and what stood on the error stream.
    pub fn finish(mut self) -> (i32, String) {
        self.request("shutdown", Value::Null).unwrap();
        self.notify("exit", Value::Null);
        self.end()
    }

    /// Closes the input and waits for the end.
    pub fn end(&mut self) -> (i32, String) {
        self.stdin = None;
        let end = Instant::now() + PATIENCE;
        let status = loop {
            if let Some(status) = self.child.try_wait().unwrap() {
                break status;
            }
            assert!(Instant::now() < end, "it does not end");
            std::thread::sleep(Duration::from_millis(5));
        };
        let mut errors = String::new();
        self.child.stderr.take().unwrap().read_to_string(&mut errors).unwrap();
        (status.code().unwrap_or(-1), errors)
    }
}

impl Drop for Client {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
        let _ = fs::remove_dir_all(&self.folder);
    }
}

/// The next message of the program; anything else on its output fails the test.
fn read(output: &mut impl BufRead) -> Option<Value> {
    let mut header = String::new();
    if output.read_line(&mut header).ok()? == 0 {
        return None;
    }
    let length = header.trim().strip_prefix("Content-Length: ").expect(&header);
    let mut blank = String::new();
    output.read_line(&mut blank).ok()?;
    assert_eq!(blank, "\r\n");
    let mut body = vec![0; length.parse().unwrap()];
    output.read_exact(&mut body).ok()?;
    Some(serde_json::from_slice(&body).unwrap())
}

/// Where the lines of a text start; a lone CR ends one too.
fn starts(text: &str) -> Vec<usize> {
    let breaks = text
        .char_indices()
        .filter(|(at, c)| *c == '\n' || (*c == '\r' && !text[at + 1..].starts_with('\n')));
    std::iter::once(0).chain(breaks.map(|(at, _)| at + 1)).collect()
}

/// A byte as line and UTF-16 unit, counted without the help of the program.
pub fn position(text: &str, at: usize) -> Value {
    let starts = starts(text);
    let line = starts.iter().filter(|start| **start <= at).count() - 1;
    json!({"line": line, "character": text[starts[line]..at].encode_utf16().count()})
}

/// The other way round.
pub fn byte(text: &str, position: &Value) -> usize {
    let mut at = starts(text)[position["line"].as_u64().unwrap() as usize];
    let mut units = position["character"].as_u64().unwrap() as usize;
    for c in text[at..].chars() {
        if units == 0 {
            break;
        }
        units = units.saturating_sub(c.len_utf16());
        at += c.len_utf8();
    }
    at
}
