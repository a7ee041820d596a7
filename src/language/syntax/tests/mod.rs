//! Scripts beside what they parse to, or beside the report that they yield; and texts that try to break
//! the parser.

#![allow(clippy::disallowed_methods, reason = "tests read the corpus")]

use crate::diagnostics::Diagnostic;
use crate::diagnostics::codes::ALL;
use crate::diagnostics::render::{render, summary};
use crate::source::{SourceId, SourceMap, Span};
use crate::syntax::names::Names;
use crate::syntax::parse::Parsed;
use crate::syntax::tree::ExpressionKind;
use crate::syntax::walk::{blocks, each_expression, each_statement, expressions};
use crate::syntax::{KEYWORDS, parse, parse_expression};
use proptest::prelude::{ProptestConfig, Strategy, any, prop, proptest};
use std::collections::BTreeSet;
use std::path::Path;

mod dump;
mod format;
mod generate;

fn parsed(text: &str) -> (Parsed, Names, SourceMap) {
    let mut sources = SourceMap::new();
    let id = sources.add("script.spt", text);
    let mut names = Names::default();
    let parsed = parse(id, text, &mut names);
    (parsed, names, sources)
}

/// Compares what is shown of each script of a corpus with the snapshot beside it.
fn corpus(pattern: &str, shown: impl Fn(&str) -> String) {
    insta::glob!("../../../../tests/corpus", pattern, |path| {
        let mut settings = insta::Settings::new();
        settings.set_prepend_module_to_snapshot(false);
        settings.set_omit_expression(true);
        settings.set_snapshot_path(path.parent().unwrap());
        let name = path.file_stem().unwrap().to_str().unwrap();
        let shown = shown(&std::fs::read_to_string(path).unwrap());
        settings.bind(|| insta::assert_snapshot!(name, shown));
    });
}

/// Every script in a folder below the corpora, and below that.
fn scripts(folder: &str) -> Vec<String> {
    let (mut folders, mut scripts) = (vec![root().join(folder)], Vec::new());
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|extension| extension == "spt") {
                scripts.push(path);
            }
        }
    }
    scripts.sort();
    scripts.iter().filter_map(|path| std::fs::read_to_string(path).ok()).collect()
}

/// The folder of the repository.
fn root() -> &'static Path {
    let mut folders = Path::new(env!("CARGO_MANIFEST_DIR")).ancestors();
    folders.find(|folder| folder.join("Cargo.lock").is_file()).unwrap()
}

#[test]
fn what_must_parse() {
    corpus("syntax/accept/*.spt", |text| {
        let (parsed, names, sources) = parsed(text);
        let report = render(&parsed.diagnostics, &sources, false, 80);
        assert!(parsed.diagnostics.is_empty(), "wrongly refused:\n{report}");
        dump::dumped(&parsed.file, &names)
    });
}

#[test]
fn what_must_be_refused() {
    corpus("syntax/refuse/*.spt", |text| {
        let (parsed, _, sources) = parsed(text);
        assert!(!parsed.diagnostics.is_empty(), "wrongly accepted:\n{text}");
        let report = render(&parsed.diagnostics, &sources, false, 80);
        let total = summary(&parsed.diagnostics);
        format!("{}\n{}\n{report}{total}\n", text.trim_end(), "─".repeat(80))
    });
}

/// What holds for any text at all.
fn holds(text: &str) {
    let (parsed, names, sources) = parsed(text);
    let mut last = 0;
    for diagnostic in &parsed.diagnostics {
        assert!(!diagnostic.headline.is_empty());
        assert!(last <= diagnostic.span().start, "out of order");
        last = diagnostic.span().start;
        for label in &diagnostic.labels {
            let place = text.get(label.span.range());
            assert!(place.is_some(), "{diagnostic:?} points nowhere");
        }
    }
    render(&parsed.diagnostics, &sources, false, 80);
    let tree = dump::dumped(&parsed.file, &names);
    if parsed.diagnostics.is_empty() {
        assert!(!tree.contains("BROKEN"), "broken without a report:\n{text}");
    }
    for comment in &parsed.comments {
        assert!(text[comment.range()].starts_with("//"));
    }
}

/// Words and marks of the language, to build texts that come far.
fn soup() -> impl Strategy<Value = String> {
    let marks = [
        "\n", "\n", ";", "{", "}", "(", ")", "[", "]", ",", ":", ".", "..", "=", "==", "<", "+",
        "-", "*", "/", "^", "^2", "%", "->", "\"", "\"x\"", "{x}", "\\", "'", "//", "//\n", "///",
        "/// d\n", "a", "b", "mm", "3", "2.5", "µ", "±", "+-", "&&", "\r\n", "\t", " ",
    ];
    let words = [KEYWORDS, &marks].concat();
    prop::collection::vec((prop::sample::select(words), any::<bool>()), 0..60).prop_map(|parts| {
        let blank = |blank: bool| if blank { " " } else { "" };
        parts.iter().flat_map(|(part, after)| [*part, blank(*after)]).collect()
    })
}

/// A script of the corpus with some of it cut out, doubled or replaced.
fn mutated() -> impl Strategy<Value = String> {
    let change = (any::<prop::sample::Index>(), 0..12_usize, soup(), 0..4_u8);
    let changes = prop::collection::vec(change, 1..4);
    (prop::sample::select(scripts("tests/corpus/syntax")), changes).prop_map(|(script, changes)| {
        let mut text: Vec<char> = script.chars().take(3000).collect();
        for (at, length, soup, how) in changes {
            let at = at.index(text.len() + 1);
            let end = (at + length).min(text.len());
            let part: Vec<char> = match how {
                0 => Vec::new(),
                1 => text[at..end].repeat(2),
                2 => soup.chars().take(8).collect(),
                _ => text[at..end].iter().rev().copied().collect(),
            };
            text.splice(at..end, part);
        }
        text.into_iter().collect()
    })
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: 400,
        failure_persistence: None,
        ..ProptestConfig::default()
    })]

    #[test]
    fn any_text_is_taken(text in any::<String>()) {
        holds(&text);
    }

    #[test]
    fn any_bytes_are_taken(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
        holds(&String::from_utf8_lossy(&bytes));
    }

    #[test]
    fn any_soup_of_words_is_taken(text in soup()) {
        holds(&text);
    }

    #[test]
    fn any_mutated_script_is_taken(text in mutated()) {
        holds(&text);
    }

    #[test]
    fn any_span_is_rendered(
        text in any::<String>(),
        spans in prop::collection::vec((0..3_u32, 0..200_u32, 0..200_u32), 1..4),
    ) {
        let mut sources = SourceMap::new();
        sources.add("one.spt", text.as_str());
        sources.add("two.spt", "let µ = 1\r\n\tx\n");
        let mut spans = spans
            .into_iter()
            .map(|(source, start, end)| Span { source: SourceId(source), start, end });
        let mut diagnostic = Diagnostic::error("E0301", "x", spans.next().unwrap()).help("y");
        for span in spans {
            diagnostic = diagnostic.label(span, "z");
        }
        for colour in [false, true] {
            let report = render(std::slice::from_ref(&diagnostic), &sources, colour, 0);
            assert!(report.contains("E0301"));
        }
    }
}

/// Texts made to exhaust the stack or the patience of a parser. That each comes back is the test.
#[test]
fn attacks_end() {
    let many = 20_000;
    let attacks = [
        "(".repeat(many),
        "[".repeat(many),
        "{".repeat(many),
        "\"{".repeat(many),
        "if a {".repeat(many),
        ")]}".repeat(many),
        "1+".repeat(many),
        format!("let a = {}1", "-".repeat(many)),
        format!("let a = {}1", "not ".repeat(many)),
        format!("let a = a{}", ".b".repeat(many)),
        format!("let a = a{}", "[0]".repeat(many)),
        format!("let a = {}", "f(".repeat(many)),
        format!("let a = 3 m{}", "*m".repeat(many)),
        format!("let a: {}b = 3", "list of ".repeat(many)),
        format!("let a: a{} = 3", "*b".repeat(many)),
        format!("if a {{}} {}", "else if a {} ".repeat(many)),
        format!("wait until a within b {}", "else wait until a within b ".repeat(many)),
        format!("let a = [{}]", "b, ".repeat(many)),
        format!("let a = {}1", "1 within ( ".repeat(many)),
        format!("{}{}", "if x { ".repeat(60), "} oops ".repeat(60)),
        format!("{}{}", "if x x { ".repeat(60), "} oops ".repeat(60)),
        format!("{}x x{}", "f(a, b: ".repeat(60), ")".repeat(60)),
        "' ".repeat(many),
        "\"{\n".repeat(many),
        "/* ".repeat(many),
        "/*\n".repeat(many),
        "/* */ ".repeat(many),
        format!("\"{{{}", "/* */ ".repeat(many)),
        format!("{}*/", "\"{ /*\n".repeat(many)),
        "let = 3\n".repeat(many),
        "= {\n\n".repeat(many),
        format!("note \"{}\"", "\\q".repeat(many)),
        format!("note \"{}\"", "{x : ".repeat(many)),
    ];
    for attack in attacks {
        holds(&attack);
    }
}

#[test]
fn a_long_chain_is_one_error() {
    let text = format!("let a = 1{}", " + 1".repeat(100_000));
    let (parsed, _, _) = parsed(&text);
    let codes: Vec<_> = parsed.diagnostics.iter().map(|d| d.code).collect();
    assert_eq!(codes, ["E0205"]);
}

#[test]
fn a_chain_that_fits_is_parsed() {
    let text = format!("let a = 1{}", " + 1".repeat(256));
    assert_eq!(parsed(&text).0.diagnostics, []);
    let (open, close) = ("(".repeat(64), ")".repeat(64));
    assert_eq!(parsed(&format!("let a = {open}1{close}")).0.diagnostics, []);
    // Elements of a list stand beside each other, not above each other.
    let text = format!("let a = [{}]", "1 + f(2) * 3, ".repeat(1000));
    assert_eq!(parsed(&text).0.diagnostics, []);
    let text = format!("note \"{}\"", "{a.b} ".repeat(1000));
    assert_eq!(parsed(&text).0.diagnostics, []);
}

#[test]
fn brackets_at_the_end_of_a_chain_count() {
    let chain = "1 + ".repeat(254);
    for (open, close) in [("(", ")"), ("[", "]"), ("f(", ")"), ("\"{", "}\""), ("{a: ", "}")] {
        for depth in 1..20 {
            let inner = format!("{}1{}", open.repeat(depth), close.repeat(depth));
            let text = format!("let a = {chain}{inner}\nlet b = [{chain}{inner}");
            let found = parsed(&text).0.diagnostics;
            let codes: Vec<&str> = found.iter().map(|d| d.code).collect();
            let fits = depth < 3 && !open.contains('"');
            assert!(
                fits || codes.contains(&"E0205") || open.contains('"'),
                "{depth} {open}: {codes:?}"
            );
            let mut names = Names::default();
            let value = format!("{chain}{inner}");
            let source = SourceMap::new().add("value", &*value);
            let alone = parse_expression(source, &value, &mut names);
            assert_eq!(alone.is_ok(), fits || open.contains('"') && depth < 3, "{value}");
        }
    }
}

#[test]
fn every_code_is_listed_and_met() {
    let syntax = |code: &&str| ["E01", "E02", "E03"].iter().any(|topic| code.starts_with(topic));
    let codes = || ALL.iter().copied().filter(syntax);
    let listed: BTreeSet<&str> = codes().collect();
    assert_eq!(listed.len(), codes().count(), "a code is listed twice");
    let mut met = BTreeSet::new();
    for script in scripts("tests/corpus/syntax") {
        met.extend(parsed(&script).0.diagnostics.iter().map(|d| d.code));
    }
    assert_eq!(listed, met);
}

#[test]
fn a_value_from_outside() {
    let value = |text: &str| {
        let mut names = Names::default();
        parse_expression(SourceId(0), text, &mut names)
    };
    for good in ["5000rpm", "5000 rpm", "-3 mm", "\"a\"", "true", "[1, 2]", "{a: 1 mm}"] {
        assert!(value(good).is_ok(), "{good}");
    }
    for bad in ["", "5000 rpm rpm", "let a = 3", "1; 2", "(", "3 +", "a = b", "1\n2", "µ µ"] {
        let reports = value(bad).unwrap_err();
        assert_eq!(reports.len(), 1, "{bad}: {reports:?}");
        assert!(bad.get(reports[0].span().range()).is_some(), "{bad}");
    }
}

#[test]
fn spans_cover_what_they_name() {
    let text = "/// Doc.\nlet a = (b + c in rpm)[0]  // end\nif x { f(1) }\nelse fail \"y\"\n";
    let (parsed, _, _) = parsed(text);
    let mut spans = Vec::new();
    each_statement(&parsed.file, &mut |statement| {
        spans.push(statement.span);
        for e in expressions(statement) {
            each_expression(e, &mut |e| {
                spans.push(e.span);
                if let ExpressionKind::Shown { unit, .. } = &e.kind {
                    spans.push(unit.span);
                }
            });
        }
        spans.extend(blocks(statement).iter().map(|block| block.span));
    });
    spans.extend(parsed.comments);
    let spans: Vec<&str> = spans.iter().map(|span| &text[span.range()]).collect();
    let first =
        ["let a = (b + c in rpm)[0]", "(b + c in rpm)[0]", "(b + c in rpm)", "rpm", "b + c"];
    let then = ["b", "c", "0", "if x { f(1) }\nelse fail \"y\"", "x", "{ f(1) }", "fail \"y\""];
    let inside = ["f(1)", "f(1)", "1", "fail \"y\"", "\"y\"", "/// Doc.", "// end"];
    assert_eq!(spans, [&first[..], &then, &inside].concat());
}

#[test]
fn the_grammar_names_every_keyword() {
    let grammar = include_str!("../../../../grammar/spintrue.ebnf");
    let start = grammar.find("keyword        =").unwrap();
    let rule = grammar[start..].split(';').next().unwrap();
    let written: Vec<&str> = rule.split('"').skip(1).step_by(2).collect();
    assert_eq!(written, KEYWORDS);
}

#[test]
fn a_report_may_span_sources() {
    let mut sources = SourceMap::new();
    let one = sources.add("one.spt", "let µµ = 1\r\n\tlet b = µ\r\n");
    let two = sources.add("two.spt", "// µµµ\nlet größe = 2\n");
    let report = Diagnostic::error("E0301", "headline", Span::new(one, 24, 26))
        .here("main")
        .label(Span::new(two, 20, 23), "other")
        .help("a way out");
    let shown = render(&[report], &sources, false, 80);
    insta::assert_snapshot!(shown, @r"
    [E0301] Error: headline
       ╭─[ one.spt:2:10 ]
       │
     2 │     let b = µ
       │             ┬
       │             ╰── main
       │
       ├─[ two.spt:2:9 ]
       │
     2 │ let größe = 2
       │         ┬──
       │         ╰──── other
    ───╯
      = help: a way out
    ");
    let again = Diagnostic::warning("E0301", "no place", Span::new(SourceId(9), 1, 2));
    assert_eq!(
        render(std::slice::from_ref(&again), &sources, false, 80),
        "[E0301] Warning: no place\n\n"
    );
    assert_eq!(summary(&[again.clone(), again]), "2 warnings");
    assert_eq!(summary(&[]), "");
}
