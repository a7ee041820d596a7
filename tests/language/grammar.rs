//! What stands in `grammar/`: the test by which `tests/extra/grammar.sh` asks which texts parse,
//! and the highlighting grammar, which is made from the tables of the language.

use crate::support::root;
use spintrue_language::{SourceId, SymbolNames, parse};
use std::fs;

#[path = "grammar/highlight.rs"]
mod highlight;

/// Answers for each line of a file, `{"text": "…"}`, whether the text parses; `tests/extra`
/// says which file, and compares the answers with what the written grammar makes of the texts.
#[test]
#[ignore = "asked by tests/extra/grammar.sh"]
fn which_texts_parse() {
    let file = |name: &str| std::env::var(name).unwrap_or_else(|_| panic!("{name} is not set"));
    let texts = fs::read_to_string(file("SPINTRUE_TEXTS")).unwrap();
    let mut answers = String::new();
    for line in texts.lines() {
        let entry: serde_json::Value = serde_json::from_str(line).unwrap();
        let text = entry["text"].as_str().unwrap();
        let parsed = parse(SourceId(0), text, &mut SymbolNames::default());
        let answer = match parsed.diagnostics.first() {
            None => "parses".to_string(),
            Some(first) => format!("{} {}", first.code, first.headline),
        };
        answers.push_str(&answer);
        answers.push('\n');
    }
    fs::write(file("SPINTRUE_ANSWERS"), answers).unwrap();
}

#[test]
fn every_keyword_is_highlighted_once() {
    assert_eq!(highlight::misplaced(), Vec::<String>::new());
}

/// `INSTA_UPDATE=always` writes it anew, as it does the snapshots.
#[test]
fn the_highlighting_grammar_is_not_stale() {
    let path = root().join("grammar/spintrue.tmLanguage.json");
    let made = highlight::grammar();
    if std::env::var("INSTA_UPDATE").is_ok_and(|how| how == "always") {
        fs::write(&path, &made).unwrap();
    }
    let kept = fs::read_to_string(path).unwrap_or_default();
    assert!(
        kept == made,
        "grammar/spintrue.tmLanguage.json is stale: INSTA_UPDATE=always cargo test --test language grammar"
    );
}
