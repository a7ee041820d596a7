//! The language server: a stream of bytes as its input, framed or not, after a good beginning.
#![no_main]

use libfuzzer_sys::fuzz_target;
use lsp::serve;
use lsp::transport::{message, read};
use spintrue_language::{FileError, Files, HeadAsked, KnownHead, SourceText, Workspace};
use std::io::{BufReader, sink};
use std::sync::mpsc::channel;

// The program has no library, so its server is compiled in.
#[path = "../../../src/lsp/mod.rs"]
mod lsp;

struct Nothing;

impl Files for Nothing {
    fn read(&mut self, _from: Option<&str>, path: &str) -> Result<SourceText, FileError> {
        Err(format!("there is no file {path}").into())
    }
}

impl Workspace for Nothing {
    fn resolve(&self, _from: &str, path: &str) -> String {
        path.to_string()
    }
    fn folder(&mut self, _folder: &str) -> Vec<String> {
        Vec::new()
    }
    fn scripts(&mut self, _folder: &str, _most: usize) -> Vec<String> {
        Vec::new()
    }
    fn head(&mut self, _asked: &HeadAsked) -> Result<Box<dyn KnownHead>, FileError> {
        Err("there is no head".to_string().into())
    }
}

fuzz_target!(|data: &[u8]| {
    let (send, receive) = channel();
    for start in [
        r#"{"jsonrpc":"2.0","id":1,"method":"initialize","params":{"capabilities":{}}}"#,
        r#"{"jsonrpc":"2.0","method":"initialized","params":{}}"#,
    ] {
        let _ = send.send(message(start.as_bytes()));
    }
    // The first part is a document, the rest messages: one a line, and the same bytes framed.
    let split = data.iter().position(|byte| *byte == 0).unwrap_or(data.len());
    let (document, rest) = data.split_at(split);
    let text = String::from_utf8_lossy(document);
    let open = serde_json::json!({
        "jsonrpc": "2.0", "method": "textDocument/didOpen",
        "params": {"textDocument": {"uri": "file:///a.spt", "languageId": "spintrue", "version": 1, "text": text}}
    });
    let _ = send.send(message(open.to_string().as_bytes()));
    let asked = [
        "hover",
        "completion",
        "definition",
        "references",
        "signatureHelp",
        "documentHighlight",
        "documentSymbol",
        "documentLink",
        "selectionRange",
        "foldingRange",
        "semanticTokens/full",
        "semanticTokens/range",
        "inlayHint",
        "codeLens",
        "codeAction",
        "diagnostic",
        "formatting",
        "rangeFormatting",
    ];
    for (id, method) in asked.iter().enumerate() {
        let line = rest.first().copied().unwrap_or(0) % 8;
        let character = rest.get(1).copied().unwrap_or(0) % 40;
        let at = serde_json::json!({"line": line, "character": character});
        let ask = serde_json::json!({
            "jsonrpc": "2.0", "id": id + 10, "method": format!("textDocument/{method}"),
            "params": {
                "textDocument": {"uri": "file:///a.spt"}, "position": at, "positions": [at],
                "range": {"start": at, "end": {"line": line + 3, "character": 0}},
                "options": {"tabSize": 4, "insertSpaces": true},
                "context": {"includeDeclaration": true, "diagnostics": [], "triggerKind": 1, "isRetrigger": false},
            }
        });
        let _ = send.send(message(ask.to_string().as_bytes()));
    }
    for line in rest.split(|byte| *byte == b'\n') {
        let _ = send.send(message(line));
    }
    let mut framed = BufReader::new(rest);
    while let Ok(Some(incoming)) = read(&mut framed) {
        let _ = send.send(incoming);
    }
    drop(send);
    let _ = serve(&receive, &mut sink(), &mut Nothing);
});
