//! The language server: an editor of a few lines speaks the protocol to the
//! program (Language Server Protocol 3.17, JSON-RPC 2.0) and looks at every answer.

mod client;
mod features;
mod shown;
mod wild;

use crate::program::at_root;
use crate::support::scripts;
use client::{Client, byte, position};
use serde_json::{Value, json};
use std::fs;

const LIBRARY: &str = "\
/// Spins up and holds until the head reports lock.
routine spin_up(target: rotation, patience: time = 20 s) {
    spin(target)
    wait until locked() within patience else fail \"no lock at {target in rpm}\"
}

/// Largest residual that may ship.
let largest = 6 um

routine scaled(x: D, by: number) -> D for any D {
    let made: D = x * by
    return made
}
";

const SCRIPT: &str = "\
use \"lib/motion.spt\"

/// Polygon speed in 🙂 µ.
param speed = 4800 rpm
spin_up(speed, patience: 10 s)
let plan = plan_line(speed, length: 304.8 mm, resolution: 300 dpi)
let twice = scaled(largest, by: 2)
for k in facets() {
    note \"µ🙂 {k} {plan.line_rate in Hz : 1} {twice in µm}\"
}
";

/// A client with a script and the library that it uses, both open.
fn two_files() -> Client {
    let mut client = Client::new();
    client.file("lib/motion.spt", LIBRARY);
    client.open("main.spt", SCRIPT);
    client.open("lib/motion.spt", LIBRARY);
    assert_eq!(client.diagnostics("main.spt"), [] as [Value; 0]);
    assert_eq!(client.diagnostics("lib/motion.spt"), [] as [Value; 0]);
    client
}

fn ends_well(client: Client) {
    let (code, errors) = client.finish();
    assert_eq!((code, errors.as_str()), (0, ""));
}

#[test]
fn it_says_what_it_can_do_and_says_goodbye() {
    let mut client = Client::raw();
    let early = client.request("textDocument/hover", json!({})).unwrap_err();
    assert_eq!(early["code"], -32002);
    let params = json!({"processId": null, "rootUri": null, "capabilities": {}});
    let hello = client.request("initialize", params.clone()).unwrap();
    let can = &hello["capabilities"];
    assert_eq!(can["positionEncoding"], "utf-16");
    assert_eq!(can["textDocumentSync"]["change"], 2);
    for feature in
        ["hoverProvider", "definitionProvider", "referencesProvider", "documentSymbolProvider"]
    {
        assert_eq!(can[feature], true, "{feature}");
    }
    for feature in ["completionProvider", "signatureHelpProvider", "renameProvider"] {
        assert!(can[feature].is_object(), "{feature}");
    }
    assert_eq!(client.request("initialize", params).unwrap_err()["code"], -32600);
    assert_eq!(client.request("workspace/unheard", json!([])).unwrap_err()["code"], -32601);
    client.request("shutdown", Value::Null).unwrap();
    assert_eq!(client.request("textDocument/hover", json!({})).unwrap_err()["code"], -32600);
    client.notify("exit", Value::Null);
    assert_eq!(client.end(), (0, String::new()));
}

#[test]
fn news_of_files_are_asked_for_where_the_editor_has_them() {
    let mut client = Client::raw();
    let watched = json!({"didChangeWatchedFiles": {"dynamicRegistration": true}});
    let params = json!({"processId": null, "capabilities": {"workspace": watched}});
    client.request("initialize", params).unwrap();
    client.notify("initialized", json!({}));
    let asked = client.receive();
    assert_eq!(asked["method"], "client/registerCapability");
    let registration = &asked["params"]["registrations"][0];
    assert_eq!(
        registration["registerOptions"]["watchers"][0]["globPattern"],
        "**/*.{spt,csv,toml}"
    );
    client.send(&json!({"jsonrpc": "2.0", "id": asked["id"], "result": null}));
    ends_well(client);
}

#[test]
fn going_without_a_goodbye_is_told_apart() {
    let mut client = Client::new();
    client.notify("exit", Value::Null);
    assert_eq!(client.end(), (1, String::new()));
    let mut client = Client::new();
    assert_eq!(client.end(), (1, String::new()));
}

#[test]
fn reports_follow_what_is_typed() {
    let mut client = Client::new();
    client.open("a.spt", "note \"µ🙂\"; let x = 3 rpm + 2 Hz\n");
    let list = client.diagnostics("a.spt");
    let first = list.iter().find(|d| d["code"] == "E0501").unwrap();
    assert_eq!(first["severity"], 1);
    assert_eq!(first["source"], "spintrue");
    assert!(first["message"].as_str().unwrap().contains("frequency"), "{first}");
    let text = client.under("a.spt", &first["range"]);
    assert!("3 rpm + 2 Hz".contains(&text), "{text}");
    client.change("a.spt", "spin(3 rpm)\nspin(largest)\n");
    assert_eq!(client.codes("a.spt"), ["E0401"]);
    client.edit("a.spt", "largest", "\"µ🙂\" 4 rpm");
    assert!(!client.codes("a.spt").is_empty());
    client.edit("a.spt", "\"µ🙂\" 4", "4");
    assert_eq!(client.codes("a.spt"), [] as [&str; 0]);
    // Several parts at once, each after the one before.
    let range = |a: u32, b: u32| json!({"start": {"line": 0, "character": a}, "end": {"line": 0, "character": b}});
    client.changes(
        "a.spt",
        json!([{"range": range(5, 6), "text": "🙂🙂"}, {"range": range(5, 9), "text": "5"}]),
    );
    assert_eq!(client.codes("a.spt"), [] as [&str; 0]);
    ends_well(client);
}

#[test]
fn reports_carry_places_help_and_further_places() {
    let mut client = Client::new();
    let text = "let a = 1 mm\nnote \"µ🙂 {a}\"\nlet a = 2 mm\nnote \"{a}\"; spinn(3 rpm)\n";
    client.open("a.spt", text);
    let list = client.diagnostics("a.spt");
    let twice = list.iter().find(|d| d["code"] == "E0403").unwrap();
    assert_eq!(client.under("a.spt", &twice["range"]), "a");
    assert_eq!(twice["range"]["start"], json!({"line": 2, "character": 4}));
    let related = &twice["relatedInformation"][0];
    assert_eq!(related["location"]["uri"], client.uri("a.spt"));
    assert_eq!(related["location"]["range"]["start"], json!({"line": 0, "character": 4}));
    assert_eq!(related["message"], "first declared here");
    let near = list.iter().find(|d| d["code"] == "E0402").unwrap();
    assert!(near["message"].as_str().unwrap().contains("help: did you mean `spin`?"), "{near}");
    client.change("a.spt", "let unread = 1\n");
    let list = client.diagnostics("a.spt");
    assert_eq!(list[0]["severity"], 2);
    assert_eq!(list[0]["tags"], json!([1]));
    ends_well(client);
}

#[test]
fn unsaved_texts_win_over_the_disk() {
    let mut client = two_files();
    client.edit("lib/motion.spt", "routine spin_up", "routine spun_up");
    client.wait_for("main.spt", &["E0402"]);
    client.edit("lib/motion.spt", "routine spun_up", "routine spin_up");
    client.wait_for("main.spt", &[]);
    client.edit("lib/motion.spt", "spin(target)", "spin(target, 1)");
    client.wait_for("lib/motion.spt", &["E0601"]);
    // Closed: what stands on the disk counts again.
    client.close("lib/motion.spt");
    client.wait_for("lib/motion.spt", &[]);
    client.edit("main.spt", "10 s", "11 s");
    assert_eq!(client.codes("main.spt"), [] as [&str; 0]);
    // Mistakes in a file that is not open are shown where they are.
    client.file("lib/motion.spt", &LIBRARY.replace("spin(target)", "spin(1 mm)"));
    let uri = client.uri("lib/motion.spt");
    client.notify("workspace/didChangeWatchedFiles", json!({"changes": [{"uri": uri, "type": 2}]}));
    client.wait_for("lib/motion.spt", &["E0605"]);
    // A closed file has no reports.
    client.close("main.spt");
    client.wait_for("lib/motion.spt", &[]);
    ends_well(client);
}

#[test]
fn a_used_file_alone_is_no_script() {
    let mut client = Client::new();
    client.open("lib.spt", LIBRARY);
    assert_eq!(client.codes("lib.spt"), [] as [&str; 0]);
    client.edit("lib.spt", "spin(target)", "spin(1 mm)");
    assert_eq!(client.codes("lib.spt"), ["E0605"]);
    client.edit("lib.spt", "spin(1 mm)", "spin(target)");
    client.open("new.spt", "use \"lib.spt\"\nspin_up(1 rpm)\n");
    assert_eq!(client.codes("new.spt"), [] as [&str; 0]);
    // A script of its own, for now: the routine that is never called is reported.
    client.change("new.spt", "routine f() {\n}\nspin(1 rpm)\n");
    assert_eq!(client.codes("new.spt"), ["W0804"]);
    assert!(client.hover("lib.spt", "spin_|up(target").contains("routine spin_up"));
    ends_well(client);
}

#[test]
fn hover_tells_type_unit_words_and_effects() {
    let mut client = two_files();
    let cases = [
        ("main.spt", "param spe|ed", "param speed: rotation"),
        ("main.spt", "spin_up(spee|d", "Polygon speed in 🙂 µ."),
        ("main.spt", "spin_up(|speed", "Written in `rpm`"),
        ("main.spt", "|spin_up(speed", "routine spin_up(target: rotation, patience: time = 20 s)"),
        ("main.spt", "spin_up|(speed", "Spins up and holds until the head reports lock."),
        ("main.spt", "spin_u|p(speed", "Effects on the head: reads, spins"),
        ("main.spt", "pat|ience: 10 s", "parameter patience: time"),
        ("main.spt", "plan_|line(", "plan_line("),
        ("main.spt", "plan_|line(", "Effects on the head: "),
        ("main.spt", "len|gth: 304", "Parameter of `plan_line`"),
        ("main.spt", "plan.line_|rate", "plan.line_rate: frequency"),
        ("main.spt", "plan.line_|rate", "lines per second"),
        ("main.spt", "for |k in", "loop variable k: number"),
        ("main.spt", "µ🙂 {|k}", "loop variable k: number"),
        ("main.spt", "4800 r|pm", "turns per minute"),
        ("main.spt", "twice in |µm", "metre, with a prefix"),
        ("main.spt", "304.8 m|m", "Kind: length"),
        ("main.spt", "larg|est", "constant largest: length"),
        ("lib/motion.spt", "target: rota|tion", "rad/s"),
        ("lib/motion.spt", "x: |D", "open dimension"),
        ("lib/motion.spt", "return ma|de", "let made: D"),
        ("main.spt", "fo|r k", "Runs a block once for each element"),
    ];
    for (file, pattern, words) in cases {
        let hover = client.hover(file, pattern);
        assert!(hover.contains(words), "{pattern}: `{words}` is not in:\n{hover}");
    }
    let nothing = client.ask("hover", "main.spt", "use \"lib/mo|tion").unwrap();
    assert_eq!(nothing, Value::Null);
    let hover = client.ask("hover", "main.spt", "µ🙂 {k} {plan.line_|rate").unwrap();
    assert_eq!(client.under("main.spt", &hover["range"]), "line_rate");
    client.change("main.spt", "allow W0803 \"only wakes it\"\nmeasured_speed()\n");
    assert!(client.hover("main.spt", "W08|03").contains("W0803"));
    ends_well(client);
}

#[test]
fn completion_offers_what_fits() {
    let mut client = two_files();
    let end = "\nlet seen = plan.\nspin_up(speed, \nlet y = 3 m\nnote \"{twice in }\"\nsp";
    client.change("main.spt", &format!("{SCRIPT}{end}"));
    let cases: &[(&str, &[&str], &[&str])] = &[
        ("plan.|\n", &["line_rate", "feasible"], &["spin", "let"]),
        ("plan.line_ra|te", &["line_rate"], &["spin"]),
        ("speed, |\nlet y", &["patience:", "speed", "plan", "now"], &["target:", "k"]),
        ("3 m|\n", &["mm", "rpm", "m", "degC"], &["speed", "spin"]),
        ("twice in |}", &["um", "inch"], &["speed"]),
        ("\"\nsp|", &["spin", "spin_up", "speed", "wait", "largest", "scaled"], &["k", "target"]),
        ("{|k}", &["k", "plan", "twice"], &["target"]),
        ("use \"|lib", &["lib/"], &["spin", "main.spt"]),
        ("use \"lib/|motion", &["motion.spt"], &["lib/"]),
        ("let pl|an =", &[], &["spin", "plan"]),
    ];
    for (pattern, with, without) in cases {
        let offered = client.offered("main.spt", pattern);
        for name in *with {
            assert!(offered.iter().any(|o| o == name), "{pattern}: no `{name}` in {offered:?}");
        }
        for name in *without {
            assert!(!offered.iter().any(|o| o == name), "{pattern}: `{name}` is offered");
        }
    }
    let inside = client.offered("lib/motion.spt", "    spin(|target");
    assert!(inside.iter().any(|o| o == "target") && inside.iter().any(|o| o == "patience"));
    assert!(inside.iter().any(|o| o == "speed:"), "{inside:?}");
    let kinds = client.offered("lib/motion.spt", "x: |D");
    assert!(kinds.iter().any(|o| o == "length") && kinds.iter().any(|o| o == "plan"));
    assert!(kinds.iter().any(|o| o == "D"));
    // The text that is put in, and what a look at the item adds.
    let items = client.ask("completion", "main.spt", "{plan.line_|rate in").unwrap();
    let item = items.as_array().unwrap().iter().find(|i| i["label"] == "line_rate").unwrap();
    assert_eq!(item["detail"], "frequency");
    assert_eq!(client.under("main.spt", &item["textEdit"]["range"]), "line_");
    let items = client.ask("completion", "main.spt", "\"\nsp|").unwrap();
    let item = items.as_array().unwrap().iter().find(|i| i["label"] == "spin").unwrap().clone();
    assert_eq!(item["textEdit"]["newText"], "spin($0)");
    let whole = client.request("completionItem/resolve", item).unwrap();
    let words = whole["documentation"]["value"].as_str().unwrap();
    assert!(words.contains("Runs the polygon up") && words.contains("spins"), "{words}");
    ends_well(client);
}

/// An answer is a value like any other, and what it must be is a type.
#[test]
fn questions_are_understood() {
    let mut client = Client::new();
    let script = "let gap = ask \"gap\" within 5 min: length within 0 mm .. 5 mm\n\
                  var far = gap\nfar = ask \"gap {gap}\": length\nnote \"{far} {}\"\nask \"x\": \n";
    client.open("asks.spt", script);
    assert!(client.hover("asks.spt", "note \"{fa|r").contains("var far: length"));
    assert!(client.hover("asks.spt", "gap {g|ap").contains("let gap: length"));
    assert!(client.hover("asks.spt", "min: len|gth").contains("length"));
    let kinds = client.offered("asks.spt", "ask \"x\": |\n");
    assert!(kinds.iter().any(|o| o == "flag") && kinds.iter().any(|o| o == "length"), "{kinds:?}");
    assert!(!kinds.iter().any(|o| o == "spin"), "{kinds:?}");
    let kinds = client.offered("asks.spt", "within 5 min: |length");
    assert!(kinds.iter().any(|o| o == "length"), "{kinds:?}");
    let values = client.offered("asks.spt", "{far} {|}");
    assert!(values.iter().any(|o| o == "gap") && values.iter().any(|o| o == "far"), "{values:?}");
    let document = json!({"textDocument": {"uri": client.uri("asks.spt")}});
    let symbols = client.request("textDocument/documentSymbol", document).unwrap();
    assert_eq!(symbols[0]["name"], "gap");
    assert_eq!(symbols[0]["detail"], "length");
    ends_well(client);
}

#[test]
fn completion_works_before_anything_is_typed() {
    let mut client = Client::new();
    client.open("a.spt", "");
    assert!(client.offered("a.spt", "|").iter().any(|o| o == "param"));
    client.change("a.spt", "for l in [test_line(k, plan_line(1 rpm, 1 mm, 1 dpi)) for k in facets()] {\n    note \"{l.}\"\n}\nroutine f() may \nallow W\n");
    assert!(client.offered("a.spt", "l.|}").iter().any(|o| o == "in_scan"));
    assert!(client.offered("a.spt", "may |\n").iter().any(|o| o == "emits"));
    assert!(client.offered("a.spt", "allow W|\n").iter().any(|o| o == "W0803"));
    ends_well(client);
}

#[test]
fn definitions_lie_in_any_file() {
    let mut client = two_files();
    let cases = [
        ("|spin_up(speed", "lib/motion.spt", "spin_up"),
        ("pa|tience: 10", "lib/motion.spt", "patience"),
        ("larg|est", "lib/motion.spt", "largest"),
        ("by|: 2", "lib/motion.spt", "by"),
        ("spin_up(spe|ed", "main.spt", "speed"),
        ("{pl|an.line_rate", "main.spt", "plan"),
        ("µ🙂 {k|}", "main.spt", "k"),
    ];
    for (pattern, file, name) in cases {
        let found = client.ask("definition", "main.spt", pattern).unwrap();
        assert_eq!(found["uri"], client.uri(file), "{pattern}");
        assert_eq!(client.under(file, &found["range"]), name, "{pattern}");
    }
    let opened = client.ask("definition", "main.spt", "use \"lib/mo|tion").unwrap();
    assert_eq!(opened["uri"], client.uri("lib/motion.spt"));
    assert_eq!(client.ask("definition", "main.spt", "plan_l|ine(").unwrap(), Value::Null);
    ends_well(client);
}

#[test]
fn references_are_found_in_every_file() {
    let mut client = two_files();
    client.file("other.spt", "use \"lib/motion.spt\"\nspin_up(100 rpm, patience: 1 s)\n");
    let context = |with: bool| json!({"context": {"includeDeclaration": with}});
    let files = |found: Value| {
        let list = found.as_array().unwrap().clone();
        let name =
            |place: &Value| place["uri"].as_str().unwrap().rsplit_once('/').unwrap().1.to_string();
        list.iter().map(name).collect::<Vec<_>>()
    };
    let at = ("lib/motion.spt", "routine spin_|up");
    let found = client.ask_with("references", at, context(true)).unwrap();
    assert_eq!(files(found), ["motion.spt", "main.spt", "other.spt"]);
    let at = ("main.spt", "pat|ience: 10");
    let found = client.ask_with("references", at, context(false)).unwrap();
    assert_eq!(files(found), ["motion.spt", "main.spt", "other.spt"]);
    let at = ("main.spt", "µ🙂 {k|}");
    let found = client.ask_with("references", at, context(true)).unwrap();
    assert_eq!(files(found), ["main.spt", "main.spt"]);
    let marks = client.ask("documentHighlight", "main.spt", "let pl|an").unwrap();
    assert_eq!(marks.as_array().unwrap().len(), 2);
    ends_well(client);
}

#[test]
fn a_rename_changes_every_file() {
    let mut client = two_files();
    client.file("other.spt", "use \"lib/motion.spt\"\nspin_up(100 rpm, patience: 1 s)\n");
    let named = |name: &str| json!({"newName": name});
    let ready = client.ask("prepareRename", "main.spt", "spin_|up(speed").unwrap();
    assert_eq!(ready["placeholder"], "spin_up");
    let edit = client.ask_with("rename", ("main.spt", "spin_|up("), named("run_up_é")).unwrap();
    for name in ["main.spt", "lib/motion.spt", "other.spt"] {
        let text = client.renamed(&edit, name);
        assert!(text.contains("run_up_é(") && !text.contains("spin_up"), "{text}");
    }
    let edit = client.ask_with("rename", ("main.spt", "pati|ence"), named("limit")).unwrap();
    assert!(client.renamed(&edit, "main.spt").contains("spin_up(speed, limit: 10 s)"));
    assert!(client.renamed(&edit, "other.spt").contains("limit: 1 s"));
    assert!(client.renamed(&edit, "lib/motion.spt").contains("limit: time = 20 s"));
    assert!(client.renamed(&edit, "lib/motion.spt").contains("within limit else"));
    let edit = client.ask_with("rename", ("main.spt", "|k in"), named("facet")).unwrap();
    assert!(client.renamed(&edit, "main.spt").contains("\"µ🙂 {facet} {plan.line"));
    let edit = client.ask_with("rename", ("lib/motion.spt", "x: |D"), named("Kind")).unwrap();
    let text = client.renamed(&edit, "lib/motion.spt");
    assert!(text.contains("scaled(x: Kind, by: number) -> Kind for any Kind"), "{text}");
    assert!(text.contains("let made: Kind ="), "{text}");
    ends_well(client);
}

#[test]
fn a_rename_that_would_break_something_is_refused() {
    let mut client = two_files();
    let cases = [
        ("main.spt", "plan_l|ine(", "x", "`plan_line` is a built-in"),
        ("main.spt", "leng|th: 304", "x", "parameter of a built-in"),
        ("main.spt", "plan.line_|rate", "x", "is a field"),
        ("main.spt", "4800 r|pm", "x", "is a unit"),
        ("lib/motion.spt", "target: rota|tion", "x", "is a type"),
        ("main.spt", "fo|r k", "x", "no name here"),
        ("main.spt", "let pla|n", "let", "is a keyword"),
        ("main.spt", "let pla|n", "2x", "cannot be a name"),
        ("main.spt", "let pla|n", "a b", "cannot be a name"),
        ("main.spt", "let pla|n", "", "cannot be a name"),
        ("main.spt", "let pla|n", "twice", "is taken"),
        ("main.spt", "let pla|n", "speed", "is taken"),
        ("main.spt", "|k in", "plan", "would hide"),
        ("main.spt", "spin_|up(", "spin", "built-in"),
        ("main.spt", "spin_|up(", "scaled", "declared twice"),
        ("lib/motion.spt", "targ|et:", "patience", "patience"),
        ("lib/motion.spt", "x: |D", "number", "something else"),
    ];
    for (file, pattern, name, words) in cases {
        let error = client.ask_with("rename", (file, pattern), json!({"newName": name}));
        let error = error.expect_err(&format!("{pattern} to `{name}`"));
        let message = error["message"].as_str().unwrap();
        assert!(message.contains(words), "{pattern} to `{name}`: {message}");
    }
    // The other name lies in a file that only the disk has.
    client.file(
        "other.spt",
        "use \"lib/motion.spt\"\nlet most = 1 rpm\nspin(most)\nnote \"{largest}\"\n",
    );
    let at = ("lib/motion.spt", "let larg|est");
    let error = client.ask_with("rename", at, json!({"newName": "most"})).unwrap_err();
    assert!(error["message"].as_str().unwrap().contains("most"), "{error}");
    ends_well(client);
}

#[test]
fn signatures_follow_the_arguments() {
    let mut client = two_files();
    client.change("main.spt", &format!("{SCRIPT}spin_up(speed, \nplan_line(1 rpm, resolution: "));
    let help = client.ask("signatureHelp", "main.spt", "(speed, |\n").unwrap();
    let signature = &help["signatures"][0];
    assert_eq!(signature["label"], "spin_up(target: rotation, patience: time = 20 s)");
    assert_eq!(help["activeParameter"], 1);
    assert!(signature["documentation"]["value"].as_str().unwrap().contains("reports lock"));
    let help = client.ask("signatureHelp", "main.spt", "1 rpm, resolution: |").unwrap();
    let active = help["activeParameter"].as_u64().unwrap() as usize;
    let label = help["signatures"][0]["parameters"][active]["label"].as_str().unwrap();
    assert!(label.starts_with("resolution"), "{label}");
    assert!(help["signatures"][0]["label"].as_str().unwrap().contains(label));
    let none = client.ask("signatureHelp", "main.spt", "param spe|ed").unwrap();
    assert_eq!(none, Value::Null);
    ends_well(client);
}

#[test]
fn the_outline_shows_every_item() {
    let mut client = two_files();
    let outline = |client: &mut Client, name: &str| {
        let document = json!({"textDocument": {"uri": client.uri(name)}});
        let symbols = client.request("textDocument/documentSymbol", document).unwrap();
        symbols.as_array().unwrap().clone()
    };
    let symbols = outline(&mut client, "main.spt");
    let names: Vec<&str> = symbols.iter().map(|s| s["name"].as_str().unwrap()).collect();
    assert_eq!(names, ["lib/motion.spt", "speed", "plan", "twice"]);
    let symbols = outline(&mut client, "lib/motion.spt");
    assert_eq!(symbols[0]["name"], "spin_up");
    assert_eq!(symbols[0]["children"][1]["name"], "patience");
    assert_eq!(symbols[2]["detail"], "(x: D, by: number) -> D");
    for symbol in &symbols {
        let whole = client.under("lib/motion.spt", &symbol["range"]);
        assert!(whole.contains(symbol["name"].as_str().unwrap()), "{whole}");
    }
    ends_well(client);
}

#[test]
fn a_document_is_brought_into_the_house_style() {
    let mut client = Client::new();
    client.open("a.spt", "let µ=3mm // keep\nnote   \"{µ}\"\n");
    let document = json!({"textDocument": {"uri": client.uri("a.spt")}, "options": {"tabSize": 4, "insertSpaces": true}});
    let edits = client.request("textDocument/formatting", document.clone()).unwrap();
    assert_eq!(edits[0]["newText"], "let µ = 3 mm // keep\nnote \"{µ}\"\n");
    assert_eq!(edits[0]["range"]["end"], json!({"line": 2, "character": 0}));
    client.change("a.spt", "let x = (\n");
    let none = client.request("textDocument/formatting", document).unwrap();
    assert_eq!(none, json!([]), "a document with mistakes is left alone");
    ends_well(client);
}

#[test]
fn ways_out_are_code_actions() {
    let mut client = Client::new();
    client.open(
        "a.spt",
        "let µ = 3 um // µ\nif µ > 2 um && true {\n    print(µ)\n    spin(4800)\n}\n",
    );
    let ask = |client: &mut Client, line: u32, only: Value| {
        let at = json!({"line": line, "character": 5});
        let context = json!({"diagnostics": [], "only": only});
        let uri = client.uri("a.spt");
        let document = json!({"textDocument": {"uri": uri}, "range": {"start": at, "end": at}, "context": context});
        let found = client.request("textDocument/codeAction", document).unwrap();
        found.as_array().unwrap().clone()
    };
    let print = ask(&mut client, 2, json!(["quickfix"]));
    assert_eq!(print.len(), 1);
    assert_eq!(print[0]["title"], "write `note \"{µ}\"`");
    assert_eq!((&print[0]["kind"], &print[0]["isPreferred"]), (&json!("quickfix"), &json!(true)));
    assert_eq!(print[0]["diagnostics"][0]["code"], "E0402");
    let after = client.renamed(&print[0]["edit"], "a.spt");
    assert!(after.contains("    note \"{µ}\"\n    spin(4800)\n"), "{after}");
    // A choice is offered and never preferred; it stands at its own place only.
    let unit = ask(&mut client, 3, json!(["quickfix"]));
    let unit: Vec<&Value> =
        unit.iter().filter(|action| action["title"].as_str().unwrap().contains("rpm")).collect();
    assert!(unit.iter().all(|action| action["isPreferred"].is_null()));
    let all = ask(&mut client, 0, json!(["source.fixAll"]));
    assert_eq!(all.len(), 1, "{all:?}");
    let after = client.renamed(&all[0]["edit"], "a.spt");
    let wanted = "let µ = 3 um // µ\nif µ > 2 um and true {\n    note \"{µ}\"\n    spin(4800)\n}\n";
    assert_eq!(after, wanted);
    assert!(ask(&mut client, 0, json!(["refactor"])).is_empty());
    // All that `check --fix` does, round after round, and nothing that it refuses.
    client.change("a.spt", "import math\nlet n = 3 sec\nprint(max([n, 1 s]))\nnote \"end\"\n");
    let all = ask(&mut client, 1, json!(["source.fixAll"]));
    let after = client.renamed(&all[0]["edit"], "a.spt");
    assert_eq!(after, "let n = 3 s\nnote \"{largest([n, 1 s])}\"\nnote \"end\"\n");
    ends_well(client);
}

#[test]
fn files_with_mistakes_are_understood_as_far_as_can_be() {
    let mut client = Client::new();
    let text = "param speed = 4800 rpm\nlet x = (\nspin(speed\nroutine f(µ: length) {\n    note \"{µ}\n    wait 1 s\n}\nspn(speed)\n";
    client.open("a.spt", "param speed = 4800 rpm\nlet x = \nspin(speed) spin\nroutine f(a: length) {\n    note \"{a}\"\n    wait 1 mm\n}\nspn(speed)\n");
    assert!(client.codes("a.spt").len() >= 3);
    assert!(client.hover("a.spt", "spn(spe|ed").contains("param speed: rotation"));
    assert!(client.hover("a.spt", "{a|}").contains("parameter a: length"));
    let found = client.ask("definition", "a.spt", "spn(spe|ed").unwrap();
    assert_eq!(found["range"]["start"], json!({"line": 0, "character": 6}));
    client.change("a.spt", text);
    client.diagnostics("a.spt");
    assert!(client.hover("a.spt", "param spe|ed").contains("rotation"));
    ends_well(client);
}

#[test]
fn broken_messages_are_answered_and_forgotten() {
    let mut client = Client::new();
    client.open("a.spt", "spin(1 rpm)\n");
    client.diagnostics("a.spt");
    let refused: &[(&[u8], i64)] = &[
        (b"{", -32700),
        (b"\xff\xfe", -32700),
        (b"", -32700),
        (b"[]", -32600),
        (b"null", -32600),
        (b"{\"jsonrpc\":\"2.0\"}", -32600),
        (b"{\"id\":1.5,\"method\":\"shutdown\"}", -32600),
        (b"{\"method\":7}", -32600),
    ];
    for (body, code) in refused {
        client.send_body(body);
        let answer = loop {
            let message = client.receive();
            if message.get("error").is_some() {
                break message;
            }
        };
        assert_eq!(answer["error"]["code"], *code, "{}", String::from_utf8_lossy(body));
    }
    let deep = "[".repeat(100_000);
    client.send_body(deep.as_bytes());
    assert_eq!(client.receive()["error"]["code"], -32700);
    client.send_bytes(b"Content-Length: many\r\n\r\n");
    assert_eq!(client.receive()["error"]["code"], -32700);
    // Parameters that make no sense, documents that are not there.
    let wrong = client.request("textDocument/hover", json!({"position": 3})).unwrap_err();
    assert_eq!(wrong["code"], -32602);
    let at = json!({"textDocument": {"uri": "file:///nowhere.spt"},
        "position": {"line": 0, "character": 0}});
    for method in ["hover", "definition", "completion", "signatureHelp", "prepareRename"] {
        let wrong = client.request(&format!("textDocument/{method}"), at.clone()).unwrap_err();
        assert_eq!(wrong["code"], -32602, "{method}");
        assert!(wrong["message"].as_str().unwrap().contains("is not open"), "{wrong}");
    }
    client.notify(
        "textDocument/didChange",
        json!({"textDocument": {"uri": "file:///nowhere.spt",
        "version": 3}, "contentChanges": [{"text": ""}]}),
    );
    client.notify("textDocument/didOpen", json!({"textDocument": {"uri": "a b"}}));
    client.notify("$/unheard", json!({}));
    // Places far outside of the text count as its nearest place.
    let far = json!({"textDocument": {"uri": client.uri("a.spt")},
        "position": {"line": 4_000_000_000_u32, "character": 4_000_000_000_u32}});
    assert_eq!(client.request("textDocument/hover", far).unwrap(), Value::Null);
    assert_eq!(client.logged.len(), 2, "{:?}", client.logged);
    ends_well(client);
}

#[test]
fn a_question_that_is_taken_back_is_answered_so() {
    let mut client = Client::new();
    client.open("a.spt", "spin(1 rpm)\n");
    let mut at = client.at("a.spt", "sp|in");
    at["newName"] = json!("x");
    // In one piece, so that the second lies there when the first is looked at.
    let mut bytes = Vec::new();
    for id in 100..140 {
        let message =
            json!({"jsonrpc": "2.0", "id": id, "method": "textDocument/hover", "params": at});
        bytes.push(message);
    }
    bytes.push(json!({"jsonrpc": "2.0", "method": "$/cancelRequest", "params": {"id": 139}}));
    let framed: String = bytes
        .iter()
        .map(|message| {
            let text = message.to_string();
            format!("Content-Length: {}\r\n\r\n{text}", text.len())
        })
        .collect();
    client.send_bytes(framed.as_bytes());
    for id in 100..139 {
        assert!(client.answer(&json!(id)).is_ok());
    }
    // Answered before it was read that it is taken back, or refused for that.
    if let Err(error) = client.answer(&json!(139)) {
        assert_eq!(error["code"], -32800);
    }
    ends_well(client);
}

#[test]
fn documents_of_any_size_are_dealt_with() {
    let mut client = Client::new();
    client.open("small.spt", "spin(1 rpm)\n");
    client.open("huge.spt", &"// µ\n".repeat(1_000_000));
    let list = client.diagnostics("huge.spt");
    assert!(list[0]["message"].as_str().unwrap().contains("4 MiB"), "{list:?}");
    let at = json!({"textDocument": {"uri": client.uri("huge.spt")},
        "position": {"line": 0, "character": 0}});
    let error = client.request("textDocument/hover", at).unwrap_err();
    assert!(error["message"].as_str().unwrap().contains("too large"), "{error}");
    assert!(client.hover("small.spt", "sp|in").contains("Runs the polygon up"));
    client.change("huge.spt", "note \"small again\"\n");
    assert_eq!(client.codes("huge.spt"), [] as [&str; 0]);
    let deep = format!("let x = {}1{}\n", "(".repeat(50_000), ")".repeat(50_000));
    client.change("huge.spt", &deep);
    assert!(!client.codes("huge.spt").is_empty());
    ends_well(client);
}

#[test]
fn a_document_without_a_file_is_checked_too() {
    let mut client = Client::new();
    let document = json!({"uri": "untitled:Untitled-1", "languageId": "spintrue", "version": 1,
        "text": "spn(1 rpm)\n"});
    client.notify("textDocument/didOpen", json!({"textDocument": document}));
    let message = client.receive();
    assert_eq!(message["params"]["uri"], "untitled:Untitled-1");
    assert_eq!(message["params"]["diagnostics"][0]["code"], "E0402");
    ends_well(client);
}

/// Every script of the corpora gets the same reports in an editor as from `check`: code, severity,
/// place, words, further places and help.
#[test]
fn reports_are_those_of_check() {
    let short = |text: &String| text.len() < 100_000;
    let read = |path| Some((path, fs::read_to_string(path).ok().filter(short)?));
    let scripts = scripts("tests/corpus");
    let scripts: Vec<_> = scripts.iter().filter_map(read).collect();
    assert!(scripts.len() > 150);
    let mut client = Client::raw();
    let publish = json!({"relatedInformation": true});
    client.hello(
        json!({"textDocument": {"publishDiagnostics": publish, "diagnostic": {}}}),
        json!({"head": "sim"}),
    );
    for (path, text) in scripts {
        let name = path.display().to_string();
        let checked = at_root(&["check", "--format", "json", "--head", "sim", &name]).out;
        let checked: Value = serde_json::from_str(&checked).unwrap();
        let reports = checked["diagnostics"].as_array().unwrap();
        // An editor does not know the script that will be run, from whose folder images are taken.
        let of_a_run = |d: &Value| {
            let of_image = d["headline"].as_str().unwrap().contains(".pbm ");
            d["code"] == "E0903" || of_image
        };
        // A circle is told in the file that closes it, which depends on the file where one begins.
        let is_circle = |told: &String| told.starts_with("E0408");
        let own = |d: &&Value| d["file"] == name.as_str() && !of_a_run(d);
        let mut wanted: Vec<String> =
            reports.iter().filter(own).map(|report| told(report, &text)).collect();
        let uri = format!("file://{name}");
        let document = json!({"uri": uri, "languageId": "spintrue", "version": 1, "text": text});
        client.notify("textDocument/didOpen", json!({"textDocument": document}));
        let asked = json!({"textDocument": {"uri": uri}});
        let list = client.request("textDocument/diagnostic", asked).unwrap();
        let list = list["items"].as_array().unwrap();
        let mut got: Vec<String> = list.iter().map(|report| heard(report, &text)).collect();
        got.retain(|told| !is_circle(told));
        wanted.dedup();
        wanted.retain(|told| !is_circle(told));
        if !got.iter().any(|report| report.starts_with("W0804")) {
            // A file that holds routines only is taken for one that others use.
            let only = reports.iter().all(|d| d["code"] == "W0804" || !own(&d));
            if only && !wanted.is_empty() {
                assert!(!text.lines().any(|line| line.starts_with("note")), "{name}");
                wanted.clear();
            }
        }
        assert_eq!(got, wanted, "{name}");
        client.notify("textDocument/didClose", json!({"textDocument": {"uri": uri}}));
    }
    ends_well(client);
}

/// A report of `check --format json`, written down.
fn told(report: &Value, text: &str) -> String {
    let place = |text: &str, label: &Value, end: &str| {
        position(text, floor(text, label[end]["byte"].as_u64().unwrap() as usize))
    };
    let labels = report["labels"].as_array().unwrap();
    let severity = if report["severity"] == "error" { 1 } else { 2 };
    let range = json!([place(text, &labels[0], "start"), place(text, &labels[0], "end")]);
    let words = |value: &Value| value.as_str().unwrap().to_string();
    let mut message = words(&report["headline"]);
    if labels[0]["text"] != "" {
        message.push_str(&format!("\n{}", words(&labels[0]["text"])));
    }
    for help in report["help"].as_array().unwrap() {
        message.push_str(&format!("\nhelp: {}", words(help)));
    }
    let related: Vec<String> = labels[1..]
        .iter()
        .map(|label| {
            let file = words(&label["file"]);
            let start = place(&fs::read_to_string(&file).unwrap(), label, "start");
            format!("{file} {start} {}", words(&label["text"]))
        })
        .collect();
    format!("{} {severity} {range} {message} {related:?}", words(&report["code"]))
}

fn floor(text: &str, at: usize) -> usize {
    let mut at = at.min(text.len());
    while !text.is_char_boundary(at) {
        at -= 1;
    }
    at
}

/// A report of the server, written down in the same way.
fn heard(report: &Value, text: &str) -> String {
    let range = &report["range"];
    let range = json!([
        position(text, byte(text, &range["start"])),
        position(text, byte(text, &range["end"]))
    ]);
    let related: Vec<String> = report["relatedInformation"]
        .as_array()
        .into_iter()
        .flatten()
        .map(|related| {
            let name = related["location"]["uri"].as_str().unwrap().trim_start_matches("file://");
            let start = &related["location"]["range"]["start"];
            format!("{name} {start} {}", related["message"].as_str().unwrap())
        })
        .collect();
    let (code, severity) = (report["code"].as_str().unwrap(), &report["severity"]);
    let message = report["message"].as_str().unwrap();
    format!("{code} {severity} {range} {message} {related:?}")
}
