//! What an editor shows of the scripts in `tests/corpus/editor`: hints between the words, lenses above the
//! lines, colours, folds, links and reports, as they come over the wire.

use super::client::{Client, byte, position};
use super::ends_well;
use crate::support::{corpus, repository, scripts};
use serde_json::{Value, json};
use std::fs;
use std::path::Path;

/// An editor that asks for reports, with a document open.
struct Editor {
    client: Client,
    uri: String,
    text: String,
}

impl Editor {
    fn open(path: &Path) -> Editor {
        let mut client = Client::raw();
        client.hello(json!({"textDocument": {"diagnostic": {}}}), json!({"head": "sim"}));
        let text = fs::read_to_string(path).unwrap();
        let uri = format!("file://{}", path.display());
        let document = json!({"uri": uri, "languageId": "spintrue", "version": 1, "text": text});
        client.notify("textDocument/didOpen", json!({"textDocument": document}));
        Editor { client, uri, text }
    }

    fn ask(&mut self, method: &str, more: Value) -> Value {
        let mut params = json!({"textDocument": {"uri": self.uri}});
        for (key, value) in more.as_object().into_iter().flatten() {
            params[key] = value.clone();
        }
        self.client.request(&format!("textDocument/{method}"), params).unwrap()
    }

    fn whole(&self) -> Value {
        json!({"start": {"line": 0, "character": 0}, "end": position(&self.text, self.text.len())})
    }

    fn hints(&mut self) -> Vec<(usize, Value)> {
        let range = json!({"range": self.whole()});
        let hints = self.ask("inlayHint", range);
        let at = |hint: &Value| (byte(&self.text, &hint["position"]), hint.clone());
        hints.as_array().unwrap().iter().map(at).collect()
    }
}

/// The script with lenses and hints, and lists of all else.
fn shown(path: &Path) -> String {
    let mut editor = Editor::open(path);
    let mut text = editor.text.clone();
    let mut added: Vec<(usize, usize, String)> = Vec::new();
    for (at, hint) in editor.hints() {
        added.push((at, 1, format!("⟦{}⟧", hint["label"].as_str().unwrap())));
    }
    for lens in editor.ask("codeLens", json!({})).as_array().unwrap() {
        let line = json!({"line": lens["range"]["start"]["line"], "character": 0});
        let title = lens["command"]["title"].as_str().unwrap();
        added.push((byte(&text, &line), 0, format!("» {title}\n")));
    }
    added.sort();
    for (at, _, words) in added.into_iter().rev() {
        text.insert_str(at, &words);
    }
    text.push_str("\n---- colours\n");
    text.push_str(&colours(&mut editor));
    text.push_str("---- folds\n");
    for fold in editor.ask("foldingRange", json!({})).as_array().unwrap() {
        let line = |end: &str| fold[end].as_u64().unwrap() + 1;
        let kind = fold["kind"].as_str().unwrap_or("block");
        text.push_str(&format!("{}..{} {kind}\n", line("startLine"), line("endLine")));
    }
    text.push_str("---- links\n");
    for link in editor.ask("documentLink", json!({})).as_array().unwrap() {
        let words = &editor.text[bytes(&editor.text, &link["range"])];
        let target = link["target"].as_str().unwrap();
        let target = target.strip_prefix(&format!("file://{}", repository(""))).unwrap();
        text.push_str(&format!("{words} -> {target}\n"));
    }
    text.push_str("---- reports\n");
    let report = editor.ask("diagnostic", json!({}));
    assert_eq!(report["kind"], "full");
    for one in report["items"].as_array().unwrap() {
        let (line, code) = (one["range"]["start"]["line"].as_u64().unwrap() + 1, &one["code"]);
        let words = &editor.text[bytes(&editor.text, &one["range"])];
        let first = one["message"].as_str().unwrap().lines().next().unwrap();
        // The editor names files by whole paths.
        let first = first.replace(&repository(""), "");
        text.push_str(&format!("{line}: {} `{words}` {first}\n", code.as_str().unwrap()));
    }
    ends_well(editor.client);
    text
}

fn bytes(text: &str, range: &Value) -> std::ops::Range<usize> {
    byte(text, &range["start"])..byte(text, &range["end"])
}

/// Each line with what its words are, by the legend that the server gave.
fn colours(editor: &mut Editor) -> String {
    let legend = &editor.client.can["semanticTokensProvider"]["legend"];
    let names = |key: &str| -> Vec<String> {
        let names = legend[key].as_array().unwrap().iter();
        names.map(|name| name.as_str().unwrap().to_string()).collect()
    };
    let (kinds, modifiers) = (names("tokenTypes"), names("tokenModifiers"));
    let tokens = editor.ask("semanticTokens/full", json!({}));
    let whole = json!({"range": editor.whole()});
    assert_eq!(editor.ask("semanticTokens/range", whole), tokens);
    let data: Vec<u64> =
        tokens["data"].as_array().unwrap().iter().map(|n| n.as_u64().unwrap()).collect();
    let (mut line, mut character, mut shown) = (0, 0, String::new());
    for token in data.chunks(5) {
        let [down, right, length, kind, bits] = token else { panic!("{token:?}") };
        if *down > 0 || shown.is_empty() {
            (line, character) = (line + down, 0);
            shown.push_str(&format!("{}{}:", if shown.is_empty() { "" } else { "\n" }, line + 1));
        }
        character += right;
        let at = |character: u64| json!({"line": line, "character": character});
        let range = json!({"start": at(character), "end": at(character + length)});
        let mut said = kinds[*kind as usize].clone();
        for (bit, modifier) in modifiers.iter().enumerate() {
            if bits & (1 << bit) != 0 {
                said.push_str(&format!(".{modifier}"));
            }
        }
        shown.push_str(&format!(" {}={said}", &editor.text[bytes(&editor.text, &range)]));
    }
    shown + "\n"
}

#[test]
fn what_an_editor_shows() {
    corpus("editor/*.spt", shown);
}

/// A hint that can be written down leaves the script as right as it was.
#[test]
fn hints_can_be_written_down() {
    let mut written = 0;
    for path in scripts("scripts") {
        let mut editor = Editor::open(&path);
        let before = editor.ask("diagnostic", json!({}))["items"].clone();
        let mut text = editor.text.clone();
        let mut edits = Vec::new();
        for (_, hint) in editor.hints() {
            for edit in hint["textEdits"].as_array().into_iter().flatten() {
                let at = byte(&text, &edit["range"]["start"]);
                edits.push((at, edit["newText"].as_str().unwrap().to_string()));
            }
        }
        edits.sort();
        written += edits.len();
        for (at, new) in edits.into_iter().rev() {
            text.insert_str(at, &new);
        }
        let document = json!({"uri": editor.uri, "version": 2});
        let params = json!({"textDocument": document, "contentChanges": [{"text": text}]});
        editor.client.notify("textDocument/didChange", params);
        let after = editor.ask("diagnostic", json!({}))["items"].clone();
        let codes = |items: &Value| -> Vec<Value> {
            items.as_array().unwrap().iter().map(|item| item["code"].clone()).collect()
        };
        assert_eq!(codes(&after), codes(&before), "{}:\n{text}", path.display());
        assert!(
            editor.hints().iter().all(|(_, hint)| hint["textEdits"].is_null()),
            "{}",
            path.display()
        );
        ends_well(editor.client);
    }
    assert!(written > 100, "{written}");
}
