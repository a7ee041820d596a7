//! What an editor asks beside the basics, each feature by a table of cases.

use super::client::{Client, byte, position};
use super::{ends_well, two_files};
use crate::support::repository;
use serde_json::{Value, json};

const CHECKS: &str = "\
use \"lib/motion.spt\"
expect: guard, coverage 2
routine noisy() may reads, provokes {
    provoke(\"stuck_trim(facet=3)\", after: 1 ms)
    provoke(\"\")
}
try {
    noisy()
} catch problem {
    if problem.kind == \"timeout\" {
        note \"late\"
    }
    if problem.kind != \"\" {
        note \"other\"
    }
}
record \"speeds\", bars, high 5 um: [1 um]
allow W0803 \"only wakes it\"
measured_speed()
";

fn document(client: &Client, name: &str) -> Value {
    json!({"textDocument": {"uri": client.uri(name)}})
}

/// The parameters about a document with more.
fn with(client: &Client, name: &str, more: Value) -> Value {
    let mut params = document(client, name);
    for (key, value) in more.as_object().unwrap() {
        params[key] = value.clone();
    }
    params
}

#[test]
fn what_is_advertised_is_answered() {
    let mut client = two_files();
    let start = json!({"line": 0, "character": 0});
    let range = json!({"start": start, "end": {"line": 3, "character": 0}});
    let options = json!({"tabSize": 4, "insertSpaces": true});
    let at = json!({"position": start});
    let cases: &[(&str, &str, Value)] = &[
        ("hoverProvider", "textDocument/hover", at.clone()),
        ("definitionProvider", "textDocument/definition", at.clone()),
        ("documentHighlightProvider", "textDocument/documentHighlight", at.clone()),
        ("signatureHelpProvider", "textDocument/signatureHelp", at.clone()),
        ("completionProvider", "textDocument/completion", at.clone()),
        (
            "referencesProvider",
            "textDocument/references",
            json!({"position": start, "context": {"includeDeclaration": true}}),
        ),
        ("documentSymbolProvider", "textDocument/documentSymbol", json!({})),
        ("documentLinkProvider", "textDocument/documentLink", json!({})),
        ("foldingRangeProvider", "textDocument/foldingRange", json!({})),
        ("codeLensProvider", "textDocument/codeLens", json!({})),
        ("semanticTokensProvider", "textDocument/semanticTokens/full", json!({})),
        ("semanticTokensProvider", "textDocument/semanticTokens/range", json!({"range": range})),
        ("inlayHintProvider", "textDocument/inlayHint", json!({"range": range})),
        ("selectionRangeProvider", "textDocument/selectionRange", json!({"positions": [start]})),
        ("diagnosticProvider", "textDocument/diagnostic", json!({})),
        (
            "codeActionProvider",
            "textDocument/codeAction",
            json!({"range": range, "context": {"diagnostics": []}}),
        ),
        ("documentFormattingProvider", "textDocument/formatting", json!({"options": options})),
        (
            "documentRangeFormattingProvider",
            "textDocument/rangeFormatting",
            json!({"range": range, "options": options}),
        ),
        ("renameProvider", "textDocument/rename", json!({"position": start, "newName": "x"})),
    ];
    for (capability, method, more) in cases {
        assert!(
            client.can[capability] == true || client.can[capability].is_object(),
            "{capability}"
        );
        let params = with(&client, "main.spt", more.clone());
        match client.request(method, params.clone()) {
            Ok(_) => {}
            Err(error) => assert_eq!(error["code"], -32803, "{method}: {error}"),
        }
        // Parameters that make no sense, and a document that is not there, are errors and no end.
        let wrong = client.request(method, json!({"textDocument": 3})).unwrap_err();
        assert_eq!(wrong["code"], -32602, "{method}");
        let mut missing = params;
        missing["textDocument"]["uri"] = json!("file:///nowhere.spt");
        assert_eq!(client.request(method, missing).unwrap_err()["code"], -32602, "{method}");
    }
    let advertised = client.can.as_object().unwrap().keys();
    let advertised = advertised.filter(|key| key.ends_with("Provider"));
    let asked = |key: &&String| cases.iter().any(|(capability, ..)| capability == key);
    let rest: Vec<_> = advertised.filter(|key| !asked(key)).collect();
    assert_eq!(rest, ["workspaceSymbolProvider"], "what is not asked above is asked below");
    assert_eq!(client.request("workspace/symbol", json!({})).unwrap_err()["code"], -32602);
    ends_well(client);
}

#[test]
fn hover_tells_words_that_are_no_names() {
    let mut client = two_files();
    client.change("main.spt", CHECKS);
    let cases = [
        ("may re|ads", "Effect `reads`: reads the state of the head"),
        ("pro|vokes {", "Effect `provokes`: makes a simulated head fail"),
        ("gu|ard, cov", "Check `guard`: the expanded uncertainty is a guard band"),
        ("cover|age 2", "Check `coverage`: the factor"),
        ("ba|rs, high", "Plot `bars`: drawn as bars"),
        ("hi|gh 5", "Plot `high`: the upper limit"),
        ("\"stuck|_trim", "Fault `stuck_trim(facet=3)`: "),
        ("\"time|out\"", "Failure `timeout`: A wait reached its limit."),
        ("W08|03", "`W0803`: "),
        ("re|cord", "record"),
    ];
    for (pattern, words) in cases {
        let hover = client.hover("main.spt", pattern);
        assert!(hover.contains(words), "{pattern}: `{words}` is not in:\n{hover}");
    }
    ends_well(client);
}

/// Labels that must be offered first, and one that must not be offered.
#[test]
fn completion_knows_kinds_faults_and_files() {
    let mut client = Client::raw();
    let head = repository("scripts/heads/ten_with_station.toml");
    client.hello(json!({}), json!({"head": format!("sim:{head}")}));
    client.file("tables/marks.csv", "at [mm]\n1\n");
    client.file("page.pbm", "P4\n8 1\n0");
    let cases: &[(&str, &str, &str)] = &[
        ("spin(4800 |)", "rpm", "mm"),
        ("let x: length = 3 |", "m", "rpm"),
        ("param x: pressure = 3 |", "MPa", "mm"),
        ("wait 3 |", "h", "rpm"),
        ("wait until locked() within 5 |", "h", "rpm"),
        ("wait until locked() within 5 s every 3 |", "h", "rpm"),
        ("let gap = ask \"gap\" within 5 |", "h", "mm"),
        ("let a = 3 mm\nlet b = a + 3 |", "m", "rpm"),
        ("let a = 3 mm\nif a > 3 |", "m", "rpm"),
        ("let a = 3 mm\nlet b = 2 * a + 3 |", "A", ""),
        ("let a = 3 mm\nvar b = a\nb = 3 |", "m", "rpm"),
        ("let p = plan_line(1 rpm, 1 mm, 1 dpi)\nif p.line_rate > 3 |", "MHz", "rpm"),
        ("let p = plan_line(1 rpm, 1 mm, 1 dpi)\nlet x = p.line_rate in |", "MHz", "rpm"),
        ("if measured_speed() < 3 |", "rpm", "Hz"),
        ("if status().temperature > 3 |", "degC", "mm"),
        ("param a = 3 mm within 1 mm .. 5 |", "m", "rpm"),
        ("param a = 3 mm within 1 |", "m", "rpm"),
        ("arm at 35 |", "%", "rpm"),
        ("let a = 3 |", "A", ""),
        ("routine f() -> length {\n    return 3 |\n}", "m", "rpm"),
        ("routine f() -> trim {\n    return {in_scan: 3 |}\n}", "h", "rpm"),
        ("load([{in_scan: 3 |}])", "h", "rpm"),
        ("load([\n    {in_scan: 1 us, cross_scan: -3 |},\n])", "mrad", "h"),
        ("let ts: list of trim = [{in_scan: 3 |}]", "h", "rpm"),
        ("let a = [{x: 1 mm}, {x: 3 |}]", "m", "rpm"),
        ("var p = {n: 3 rpm, q: {m: 1 mm}}\np = {n: 4 |}", "rpm", "mm"),
        ("var p = {n: 3 rpm, q: {m: 1 mm}}\np = {n: 4 rpm, q: {m: 4 |}}", "mm", "rpm"),
        ("let a = {x: 3 |}", "A", ""),
        ("spin(\n    4800 |\n)", "rpm", "mm"),
        ("provoke(\"|\")", "no_lock", "spin"),
        ("provoke(\"stuck|\")", "no_lock", "spin"),
        ("try { } catch p {\nif p.kind == \"|\" {\n}\n}", "timeout", "interrupted"),
        ("table(\"|\")", "tables/", "page.pbm"),
        ("table(\"tables/|\")", "marks.csv", "page.pbm"),
        ("let p = expose(\"|\")", "page.pbm", "a.spt"),
        ("if signal(\"|\") {\n}", "clamped", "vacuum"),
        ("channel(\"|\", like: 1 kPa)", "vacuum", "clamped"),
        ("switch_on(\"|\")", "clamp", "clamped"),
        ("set_channel(\"|\", -20 kPa)", "pump", "vacuum"),
        ("note \"|\"", "", "spin"),
    ];
    client.open("a.spt", "");
    for (pattern, first, without) in cases {
        client.change("a.spt", &pattern.replacen('|', "", 1));
        let offered = client.offered("a.spt", pattern);
        let is_there = |label: &str| offered.iter().any(|offered| offered == label);
        assert!(first.is_empty() || is_there(first), "{pattern}: {offered:?}");
        assert!(!is_there(without), "{pattern}: `{without}` is offered");
    }
    client.change("a.spt", "provoke(\"stuck\")");
    let items = client.ask("completion", "a.spt", "stuck|").unwrap();
    let item = items.as_array().unwrap().iter().find(|i| i["label"] == "stuck_trim(facet=3)");
    let item = item.unwrap();
    assert_eq!(client.under("a.spt", &item["textEdit"]["range"]), "stuck");
    assert!(item["documentation"]["value"].as_str().unwrap().ends_with('.'), "{item}");
    ends_well(client);
}

#[test]
fn a_selection_grows_step_by_step() {
    let mut client = Client::new();
    let text = "let a = 1 mm\nif a > 0 mm {\n    note \"{a + 2 mm}\"\n    wait 1 s\n}\n";
    client.open("a.spt", text);
    let positions = json!({"positions": [client.at("a.spt", "a + |2")["position"], client.at("a.spt", "wait| 1")["position"]]});
    let found = client.request("textDocument/selectionRange", with(&client, "a.spt", positions));
    let found = found.unwrap();
    let steps = |mut at: &Value| {
        let mut words = Vec::new();
        while at.is_object() {
            words.push(client.under("a.spt", &at["range"]));
            at = &at["parent"];
        }
        words
    };
    let block = &text[text.find('{').unwrap()..text.len() - 1];
    let inner = "note \"{a + 2 mm}\"\n    wait 1 s";
    let wanted = [
        "2",
        "2 mm",
        "a + 2 mm",
        "\"{a + 2 mm}\"",
        "note \"{a + 2 mm}\"",
        inner,
        block,
        &text[13..text.len() - 1],
        text,
    ];
    assert_eq!(steps(&found[0]), wanted);
    assert_eq!(steps(&found[1])[..3], ["wait", "wait 1 s", inner]);
    ends_well(client);
}

#[test]
fn declarations_are_found_in_all_files() {
    let mut client = two_files();
    client.file("far/away.spt", "routine spun_down() {\n}\nparam spare_🙂 = 1\nlet now_ = now()\n");
    client.edit("lib/motion.spt", "let largest", "let supper");
    let search = |client: &mut Client, query: &str| -> Vec<String> {
        let found = client.request("workspace/symbol", json!({"query": query})).unwrap();
        let shown = |symbol: &Value| {
            let uri = symbol["location"]["uri"].as_str().unwrap().to_string();
            assert!(uri.ends_with(symbol["containerName"].as_str().unwrap()), "{symbol}");
            format!("{} {}", symbol["name"].as_str().unwrap(), symbol["kind"])
        };
        found.as_array().unwrap().iter().map(shown).collect()
    };
    assert_eq!(search(&mut client, "SpU"), ["spun_down 12", "spin_up 12"]);
    assert_eq!(search(&mut client, "supper"), ["supper 14"], "as it is typed, not as it is saved");
    assert_eq!(search(&mut client, "now_"), [] as [&str; 0], "no constant");
    let all = search(&mut client, "");
    let wanted = ["spun_down 12", "spare_ 14", "spin_up 12", "supper 14", "scaled 12", "speed 14"];
    assert_eq!(all, wanted, "of files in their order");
    let many: String = (0..3000).map(|n| format!("let many_{n} = {n}\n")).collect();
    client.file("many.spt", &many);
    assert_eq!(search(&mut client, "many").len(), 1000);
    ends_well(client);
}

#[test]
fn a_range_is_laid_out_by_itself() {
    let mut client = Client::new();
    let text =
        "let µ=3mm\nif µ>1 mm {\n  note   \"{µ}\"\n      wait   1 s\n}\nlet b=2\nnote \"{b}\"\n";
    client.open("a.spt", text);
    let format = |client: &mut Client, from: &str, to: &str| {
        let range = json!({"start": position(text, text.find(from).unwrap()),
            "end": position(text, text.find(to).unwrap() + to.len())});
        let options = json!({"tabSize": 4, "insertSpaces": true});
        let params = with(client, "a.spt", json!({"range": range, "options": options}));
        let edits = client.request("textDocument/rangeFormatting", params).unwrap();
        let mut changed = text.to_string();
        for edit in edits.as_array().unwrap() {
            let bytes = byte(text, &edit["range"]["start"])..byte(text, &edit["range"]["end"]);
            changed.replace_range(bytes, edit["newText"].as_str().unwrap());
        }
        changed
    };
    let one = text.replace("  note   \"", "    note \"");
    assert_eq!(format(&mut client, "note   ", "{µ}"), one);
    let block = text.replace(
        "if µ>1 mm {\n  note   \"{µ}\"\n      wait   1 s",
        "if µ > 1 mm {\n    note \"{µ}\"\n    wait 1 s",
    );
    assert_eq!(format(&mut client, "if µ", "wait"), block);
    assert_eq!(format(&mut client, "note \"{b", "{b}"), text, "laid out already");
    client.change("a.spt", &text.replace("let b=2", "let b=("));
    assert_eq!(format(&mut client, "note   ", "{µ}"), text, "a document with mistakes");
    ends_well(client);
}

#[test]
fn reports_are_pulled_once() {
    let mut client = Client::raw();
    let refresh = json!({"diagnostics": {"refreshSupport": true}});
    client.hello(json!({"textDocument": {"diagnostic": {}}, "workspace": refresh}), json!(null));
    client.file("lib.spt", "routine f(x: length) {\n    note \"{x}\"\n}\n");
    client.open("a.spt", "use \"lib.spt\"\nf(1 rpm)\n");
    let pull = |client: &mut Client, before: Value| {
        let params = with(client, "a.spt", json!({"previousResultId": before}));
        client.request("textDocument/diagnostic", params).unwrap()
    };
    let first = pull(&mut client, Value::Null);
    assert_eq!((&first["kind"], &first["items"][0]["code"]), (&json!("full"), &json!("E0605")));
    let again = pull(&mut client, first["resultId"].clone());
    assert_eq!(again, json!({"kind": "unchanged", "resultId": first["resultId"]}));
    client.edit("a.spt", "1 rpm", "1 mm");
    let fixed = pull(&mut client, first["resultId"].clone());
    assert_eq!((&fixed["kind"], &fixed["items"]), (&json!("full"), &json!([])));
    assert_ne!(fixed["resultId"], first["resultId"]);
    // A change of another file: the editor is told to ask again, and files that it has not open are told.
    client.file("lib.spt", "routine f(x: time) {\n    note \"{y}\"\n}\n");
    let changes = json!([{"uri": client.uri("lib.spt"), "type": 2}]);
    client.notify("workspace/didChangeWatchedFiles", json!({"changes": changes}));
    let asked = loop {
        let message = client.receive();
        if message["method"] == "workspace/diagnostic/refresh" {
            break message;
        }
    };
    client.send(&json!({"jsonrpc": "2.0", "id": asked["id"], "result": null}));
    let now = pull(&mut client, fixed["resultId"].clone());
    assert_eq!(now["items"][0]["code"], "E0605", "{now}");
    client.wait_for("lib.spt", &["E0401"]);
    assert!(client.reported("a.spt").is_empty(), "nothing is told twice");
    ends_well(client);
}

#[test]
fn positions_count_bytes_where_the_editor_prefers_it() {
    let mut client = Client::raw();
    let general = json!({"positionEncodings": ["utf-32", "utf-8", "utf-16"]});
    client.hello(json!({"general": general}), json!(null));
    assert_eq!(client.can["positionEncoding"], "utf-8");
    client.open("a.spt", "note \"µ🙂\"; let x = 1; note \"{x}\"\n");
    let at = json!({"position": {"line": 0, "character": 33}});
    let found = client.request("textDocument/definition", with(&client, "a.spt", at)).unwrap();
    assert_eq!(found["range"]["start"], json!({"line": 0, "character": 19}));
    let range = json!({"start": {"line": 0, "character": 19}, "end": {"line": 0, "character": 20}});
    client.changes("a.spt", json!([{"range": range, "text": "µ"}]));
    let lenses = client.request("textDocument/documentSymbol", document(&client, "a.spt")).unwrap();
    assert_eq!(lenses[0]["name"], "µ");
    assert_eq!(lenses[0]["selectionRange"]["end"], json!({"line": 0, "character": 21}));
    ends_well(client);
}

#[test]
fn scripts_are_held_against_the_head_of_the_options() {
    let mut client = Client::raw();
    let refresh = json!({"inlayHint": {"refreshSupport": true}});
    client.file("head.toml", "[rotor]\nspeed_most = \"5000 rpm\"\n");
    client.hello(json!({"workspace": refresh}), json!({"head": "head.toml"}));
    let script = "param speed = 4800 rpm within 1000 rpm .. 9000 rpm\nspin(speed)\nspin(5500 rpm)\n\
                  note \"{signal(\"door\")}\"\n";
    client.open("a.spt", script);
    client.wait_for("a.spt", &["E0908", "E0910", "W0827"]);
    let list = client.reported("a.spt");
    let beyond = list.iter().find(|report| report["code"] == "E0910").unwrap();
    assert_eq!(client.under("a.spt", &beyond["range"]), "5500 rpm");
    let lenses = client.request("textDocument/codeLens", document(&client, "a.spt")).unwrap();
    let title = lenses[0]["command"]["title"].as_str().unwrap();
    assert!(title.ends_with(" on `head.toml`"), "{title}");
    // The description changes, and what was said of the head with it.
    client.file("head.toml", "[rotor]\nspeed_most = \"5600 rpm\"\n");
    let changes = json!([{"uri": client.uri("head.toml"), "type": 2}]);
    client.notify("workspace/didChangeWatchedFiles", json!({"changes": changes}));
    client.wait_for("a.spt", &["E0908", "W0827"]);
    client.file("head.toml", "[rotor]\nspeed_most = 7\n");
    client.notify("workspace/didChangeWatchedFiles", json!({"changes": changes}));
    client.wait_for("a.spt", &[]);
    assert!(client.shown[0].contains("the head: "), "{:?}", client.shown);
    ends_well(client);
}

#[test]
fn a_head_that_cannot_be_used_is_told_and_forgotten() {
    let cases = [
        (json!({"head": "tcp://127.0.0.1:5025"}), "connects to none"),
        (json!({"head": "serial:///dev/ttyUSB0"}), "connects to none"),
        (json!({"head": "sim:nowhere.toml"}), "nowhere.toml"),
        (json!({"head": "what"}), "unknown head address `what`"),
        (json!({"head": 3}), "`head` is no text"),
        (json!({"fixtures": "x"}), "`fixtures` is no list"),
        (json!({"fixtures": ["x.toml"]}), "x.toml"),
        (json!(["head"]), "no object"),
    ];
    for (options, words) in cases {
        let mut client = Client::raw();
        client.hello(json!({}), options.clone());
        client.open("a.spt", "spin(48000 rpm)\n");
        assert_eq!(client.codes("a.spt"), [] as [&str; 0], "nothing is said of heads");
        let lenses = client.request("textDocument/codeLens", document(&client, "a.spt")).unwrap();
        assert_eq!(lenses[0]["command"]["title"], "the script spins");
        assert_eq!(client.shown.len(), 1, "{options}");
        assert!(client.shown[0].contains(words), "{options}: {:?}", client.shown);
        ends_well(client);
    }
}

/// The reports on every script, and those that the editor has already are not sent again.
#[test]
fn scripts_that_are_not_open_are_reported_where_an_editor_asks() {
    let mut client = Client::raw();
    client.file("lib/motion.spt", "routine up() may spins {\n    spin(3 mm)\n}\n");
    client.file("main.spt", "use \"lib/motion.spt\"\nup()\n");
    client.file("fine.spt", "note \"x\"\n");
    client.file("broken.spt", "steer(3 mm)\n");
    client.hello(json!({"textDocument": {"diagnostic": {}}}), json!(null));
    client.open("open.spt", "spin(3 deg)\n");
    let ask = |client: &mut Client, known: &Value| {
        let asked = json!({"previousResultIds": known});
        let answer = client.request("workspace/diagnostic", asked).unwrap();
        answer["items"].as_array().unwrap().clone()
    };
    let told = |client: &Client, items: &[Value]| {
        let folder = client.uri("");
        let told = items.iter().map(|item| {
            let name = item["uri"].as_str().unwrap().strip_prefix(folder.as_str()).unwrap();
            let codes = item["items"].as_array().map(|all| all.iter().map(|r| r["code"].clone()));
            let codes: Vec<Value> = codes.into_iter().flatten().collect();
            (name.to_string(), item["kind"].as_str().unwrap().to_string(), codes)
        });
        told.collect::<Vec<_>>()
    };
    let full = |name: &str, codes: &[&str]| {
        let codes = codes.iter().map(|code| json!(code)).collect();
        (name.to_string(), "full".to_string(), codes)
    };
    let first = ask(&mut client, &json!([]));
    let wanted = [
        full("broken.spt", &["E0605"]),
        full("fine.spt", &[]),
        full("lib/motion.spt", &["E0605"]),
        full("main.spt", &[]),
        full("open.spt", &["E0605"]),
    ];
    assert_eq!(told(&client, &first), wanted);
    let known = first.iter().map(|item| json!({"uri": item["uri"], "value": item["resultId"]}));
    let known = json!(known.collect::<Vec<_>>());
    assert!(ask(&mut client, &known).iter().all(|item| item["kind"] == "unchanged"));
    client.file("broken.spt", "steer(3 deg)\n");
    std::fs::remove_file(client.folder.join("fine.spt")).unwrap();
    std::fs::remove_file(client.folder.join("main.spt")).unwrap();
    let changes = ["broken.spt", "main.spt"].map(|n| json!({"uri": client.uri(n), "type": 2}));
    client.notify("workspace/didChangeWatchedFiles", json!({"changes": changes}));
    let items = ask(&mut client, &known);
    let mut again = told(&client, &items);
    again.retain(|(_, kind, _)| kind == "full");
    assert_eq!(again, [full("broken.spt", &[])]);
    ends_well(client);
}

/// Files that comments name, such as the data sheet that a script is run with.
#[test]
fn comments_lead_to_files() {
    let mut client = Client::new();
    client.file("sheets/ten.toml", "speed = \"3000 rpm\"\n");
    client.file("scripts/marks.csv", "at [mm]\n1\n");
    let script =
        "// run with --set @sheets/ten.toml, and marks.csv. Not with gone.toml.\nnote \"x\"\n";
    client.open("scripts/main.spt", script);
    let links = client.request("textDocument/documentLink", document(&client, "scripts/main.spt"));
    let links = links.unwrap();
    let links: Vec<(String, Value)> = links
        .as_array()
        .unwrap()
        .iter()
        .map(|link| (client.under("scripts/main.spt", &link["range"]), link["target"].clone()))
        .collect();
    let wanted = [("sheets/ten.toml", "sheets/ten.toml"), ("marks.csv", "scripts/marks.csv")];
    let wanted = wanted.map(|(words, file)| (words.to_string(), json!(client.uri(file))));
    assert_eq!(links, wanted);
    ends_well(client);
}
