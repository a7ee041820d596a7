//! Random messages: whatever comes, the program answers every question, writes nothing but the
//! protocol, and ends when it is told to. The seeds are fixed, so a failure comes back.

use super::client::{Client, position};
use serde_json::{Value, json};
use std::fs;
use std::path::Path;

/// SplitMix64 (Steele, Lea and Flood 2014; constants from memory): enough for mutations.
struct Random(u64);

impl Random {
    fn below(&mut self, end: usize) -> usize {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) % end.max(1) as u64) as usize
    }

    fn pick<'a, T: ?Sized>(&mut self, from: &[&'a T]) -> &'a T {
        from[self.below(from.len())]
    }

    /// A byte of a text that begins a character.
    fn place(&mut self, text: &str) -> usize {
        let mut at = self.below(text.len() + 1);
        while !text.is_char_boundary(at) {
            at -= 1;
        }
        at
    }
}

const PIECES: &[&str] = &[
    "",
    " ",
    "\n",
    "\r",
    "\r\n",
    "µ",
    "🙂",
    "\u{FEFF}",
    "\u{0}",
    "\"",
    "{",
    "}",
    "(",
    ")",
    "[",
    "]",
    ".",
    ",",
    ":",
    "use \"",
    "routine ",
    "let ",
    "in ",
    "may ",
    "rpm",
    "1 ",
    "1e999 ",
    "..",
    "//",
    "arm at ",
    "spin(",
    "plan",
    "for k in ",
    "allow W",
    "within ",
    "else ",
    "\\",
    "'",
    "e\u{301}",
    "x",
];

const METHODS: &[&str] = &[
    "hover",
    "definition",
    "references",
    "documentHighlight",
    "completion",
    "signatureHelp",
    "documentSymbol",
    "prepareRename",
    "rename",
    "formatting",
    "rangeFormatting",
    "selectionRange",
    "foldingRange",
    "documentLink",
    "semanticTokens/full",
    "semanticTokens/range",
    "inlayHint",
    "codeLens",
    "codeAction",
    "diagnostic",
    "unheard",
];

fn corpus() -> Vec<String> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut paths = Vec::new();
    let mut folders = vec![root.join("scripts"), root.join("tests/corpus")];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|e| e == "spt") {
                paths.push(path);
            }
        }
    }
    paths.sort();
    let texts = paths.iter().filter_map(|path| fs::read_to_string(path).ok());
    let texts: Vec<String> = texts.filter(|text| text.len() < 100_000).collect();
    assert!(texts.len() > 30);
    texts
}

#[test]
fn random_edits_and_questions_are_all_answered() {
    for seed in 0..4 {
        let mut random = Random(seed);
        let texts = corpus();
        let mut client = Client::new();
        let mut open: Vec<(String, String)> = Vec::new();
        for name in ["a.spt", "lib/b.spt", "c µ.spt"] {
            let text = texts[random.below(texts.len())].clone();
            client.open(name, &text);
            open.push((name.to_string(), text));
        }
        for _ in 0..150 {
            let which = random.below(open.len());
            let (name, text) = open[which].clone();
            let (a, b) = (random.place(&text), random.place(&text));
            let (start, end) = (a.min(b), a.max(b).min(a.min(b) + 40));
            let end = (end..=text.len()).find(|at| text.is_char_boundary(*at)).unwrap();
            if random.below(3) == 0 {
                let piece = match random.below(8) {
                    0 => texts[random.below(texts.len())].clone(),
                    _ => random.pick(PIECES).to_string(),
                };
                let mut changed = text.clone();
                changed.replace_range(start..end, &piece);
                // A place between CR and LF is none to the protocol.
                if text[..start].ends_with('\r') || text[..end].ends_with('\r') {
                    client.change(&name, &changed);
                } else {
                    let range =
                        json!({"start": position(&text, start), "end": position(&text, end)});
                    client.changes(&name, json!([{"range": range, "text": piece}]));
                }
                open[which].1 = changed;
            }
            let method = random.pick(METHODS);
            let mut params = json!({
                "textDocument": {"uri": client.uri(&name)},
                "position": position(&text, start),
                "positions": [position(&text, end), position(&text, start)],
                "range": {"start": position(&text, start), "end": position(&text, end)},
                "newName": random.pick(PIECES),
            });
            if method.ends_with("ormatting") {
                params["options"] = json!({"tabSize": 4, "insertSpaces": true});
            }
            if *method == *"codeAction" {
                params["context"] = json!({"diagnostics": []});
            }
            if *method == *"references" {
                params["context"] = json!({"includeDeclaration": random.below(2) == 0});
            }
            let answer = client.request(&format!("textDocument/{method}"), params);
            if let Err(error) = answer {
                let code = error["code"].as_i64().unwrap();
                let wanted = match method {
                    "rename" | "prepareRename" => -32803,
                    _ => -32601,
                };
                assert_eq!(code, wanted, "{method}: {error}");
            }
        }
        let (code, errors) = client.finish();
        assert_eq!((code, errors.as_str()), (0, ""), "seed {seed}");
    }
}

/// What the server holds after many changes is what the editor holds.
#[test]
fn changes_of_parts_add_up() {
    let mut random = Random(77);
    let mut client = Client::new();
    let mut text = "param speed = 4800 rpm // µ🙂\nspin(speed)\n".to_string();
    client.open("a.spt", &text);
    for _ in 0..200 {
        let (a, b) = (random.place(&text), random.place(&text));
        let (start, end) = (a.min(b), a.max(b));
        let end = if random.below(4) == 0 { end } else { start };
        if text[..start].ends_with('\r') || text[..end].ends_with('\r') {
            continue;
        }
        let piece = random.pick(&["µ", "🙂", "\n", "a", "spin(1 rpm)\n", "// ", "é", "\r\n"]);
        let range = json!({"start": position(&text, start), "end": position(&text, end)});
        client.changes("a.spt", json!([{"range": range, "text": piece}]));
        text.replace_range(start..end, piece);
    }
    let after_parts = client.diagnostics("a.spt");
    client.change("a.spt", &text);
    assert_eq!(client.diagnostics("a.spt"), after_parts);
    let (code, errors) = client.finish();
    assert_eq!((code, errors.as_str()), (0, ""));
}

#[test]
fn mutated_messages_do_no_harm() {
    let mut random = Random(4242);
    let mut client = Client::new();
    let uri = client.uri("a.spt");
    let document = json!({"uri": uri, "languageId": "spintrue", "version": 1,
        "text": "param speed = 4800 rpm\nspin(speed)\n"});
    let at = json!({"textDocument": {"uri": uri}, "position": {"line": 1, "character": 7}});
    let change = json!({"textDocument": {"uri": uri, "version": 2}, "contentChanges": [{"text": "spin(",
        "range": {"start": {"line": 0, "character": 3}, "end": {"line": 1, "character": 2}}}]});
    let messages: Vec<Value> = vec![
        json!({"jsonrpc": "2.0", "method": "textDocument/didOpen", "params": {"textDocument": document}}),
        json!({"jsonrpc": "2.0", "method": "textDocument/didChange", "params": change}),
        json!({"jsonrpc": "2.0", "id": 7, "method": "textDocument/hover", "params": at}),
        json!({"jsonrpc": "2.0", "id": "b", "method": "textDocument/completion", "params": at}),
        json!({"jsonrpc": "2.0", "id": 8, "method": "textDocument/rename", "params": at}),
        json!({"jsonrpc": "2.0", "method": "$/cancelRequest", "params": {"id": 8}}),
        json!({"jsonrpc": "2.0", "id": 9, "result": null}),
    ];
    for _ in 0..1500 {
        let mut body = messages[random.below(messages.len())].to_string().into_bytes();
        for _ in 0..random.below(4) {
            let at = random.below(body.len());
            match random.below(4) {
                0 => body[at] = random.below(256) as u8,
                1 => {
                    body.remove(at);
                }
                2 => body.insert(at, b"{}[]\",:0-e\\"[random.below(11)]),
                _ => body.truncate(at),
            }
            if body.is_empty() {
                break;
            }
        }
        // A mutation may spell out a goodbye only by a miracle; it is not among the messages.
        client.send_body(&body);
    }
    let (code, errors) = client.finish();
    assert_eq!((code, errors.as_str()), (0, ""));
}

/// Streams that are no protocol at all end without an outcry.
#[test]
fn mutated_streams_end_well() {
    let hello = json!({"jsonrpc": "2.0", "id": 1, "method": "initialize",
        "params": {"processId": null, "rootUri": null, "capabilities": {}}})
    .to_string();
    let framed = format!("Content-Length: {}\r\n\r\n{hello}", hello.len());
    let mut random = Random(99);
    for _ in 0..12 {
        let mut bytes = framed.repeat(3).into_bytes();
        for _ in 0..=random.below(6) {
            let at = random.below(bytes.len().min(120));
            bytes[at] = random.below(256) as u8;
        }
        let mut client = Client::raw();
        client.send_bytes(&bytes);
        let (code, errors) = client.end();
        assert_eq!((code, errors.as_str()), (1, ""), "{}", String::from_utf8_lossy(&bytes));
    }
}
