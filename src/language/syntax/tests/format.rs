//! The formatter: what it writes, that writing it twice changes nothing, and that the script stays the same program with the same comments.

use super::{corpus, dump, generate, parsed, scripts, soup};
use crate::source::SourceId;
use crate::syntax::format::{NotFormatted, format};
use crate::syntax::parse::Parsed;
use proptest::prelude::{ProptestConfig, Strategy, any, prop, proptest};

/// What must hold for any text. Gives what it was formatted to, where it parses.
fn holds(text: &str) -> Option<String> {
    let (before, names, _) = parsed(text);
    let formatted = match format(SourceId(0), text) {
        Ok(formatted) => formatted,
        Err(NotFormatted::Mistakes(mistakes)) => {
            assert_eq!(mistakes, before.diagnostics);
            assert!(!mistakes.is_empty());
            return None;
        }
        Err(NotFormatted::Changed) => panic!("would read differently:\n{text}"),
    };
    assert!(before.diagnostics.is_empty());
    let (after, names_after, _) = parsed(&formatted);
    assert_eq!(after.diagnostics, [], "does not parse any more:\n{text}\n─\n{formatted}");
    let same = dump::dumped(&before.file, &names) == dump::dumped(&after.file, &names_after);
    assert!(same, "another tree:\n{text}\n─\n{formatted}");
    let comments = |text: &str, parsed: &Parsed| -> Vec<String> {
        parsed.comments.iter().map(|span| text[span.range()].trim_end().to_string()).collect()
    };
    assert_eq!(comments(text, &before), comments(&formatted, &after));
    let again = format(SourceId(0), &formatted).unwrap();
    assert!(again == formatted, "twice:\n{text}\n─\n{formatted}\n─\n{again}");
    neat(&formatted);
    Some(formatted)
}

/// What can be said of every formatted text.
fn neat(text: &str) {
    assert!(text.is_empty() || text.ends_with('\n'), "{text}");
    assert!(!text.starts_with('\n') && !text.ends_with("\n\n"), "{text}");
    assert!(!text.contains("\n\n\n"), "two empty lines:\n{text}");
    for line in text.lines() {
        assert!(!line.ends_with([' ', '\t', '\r']), "trailing blanks: {line:?}");
        let indent = line.len() - line.trim_start_matches(' ').len();
        assert!(indent % 4 == 0, "indented by {indent}: {line}");
    }
}

#[test]
fn house_style() {
    corpus("format/*.spt", |text| holds(text).expect("the corpus parses"));
}

#[test]
fn shipped_scripts_are_formatted() {
    let scripts = scripts("scripts");
    assert!(scripts.len() > 4);
    for text in scripts {
        let formatted = holds(&text).unwrap();
        assert!(text == formatted, "run `spintrue fmt`:\n{formatted}");
    }
}

#[test]
fn the_whole_corpus() {
    let formatted = scripts("tests/corpus").iter().filter_map(|text| holds(text)).count();
    assert!(formatted > 50, "only {formatted} scripts of the corpus parse");
}

/// A script of the corpus with line ends, comments and blanks put in or taken out, so that most
/// still parse.
fn stirred() -> impl Strategy<Value = String> {
    let texts = scripts("tests/corpus");
    let what =
        prop::sample::select(vec!["\n", " // stirred in\n", "\n/// doc\n", "  ", ";", "", ","]);
    let changes = prop::collection::vec((any::<prop::sample::Index>(), what), 1..5);
    (prop::sample::select(texts), changes).prop_map(|(text, changes)| {
        let mut text: Vec<char> = text.chars().take(4000).collect();
        for (at, what) in changes {
            let gaps: Vec<usize> = (0..text.len()).filter(|at| text[*at].is_whitespace()).collect();
            if gaps.is_empty() {
                continue;
            }
            let at = gaps[at.index(gaps.len())];
            text.splice(at..=at, what.chars());
        }
        text.into_iter().collect()
    })
}

proptest! {
    #![proptest_config(ProptestConfig {
        failure_persistence: None,
        ..ProptestConfig::default()
    })]

    #[test]
    fn generated_programs(bytes in prop::collection::vec(any::<u8>(), 0..600)) {
        let text = generate::program(bytes);
        let (parsed, ..) = parsed(&text);
        assert!(parsed.diagnostics.is_empty(), "{:#?}\n{text}", parsed.diagnostics);
        holds(&text).unwrap();
    }

    #[test]
    fn stirred_scripts(text in stirred()) {
        holds(&text);
    }

    #[test]
    fn any_soup_of_words(text in soup()) {
        holds(&text);
    }

    #[test]
    fn any_text(text in any::<String>()) {
        holds(&text);
    }
}

/// As deep, as high and as wide as a script may be.
#[test]
fn at_the_limits() {
    let (open, close) = ("[".repeat(64), "]".repeat(64));
    let texts = [
        format!("let a = {open}1{close}"),
        format!("let a = {}1{}", "(1 + ".repeat(64), ")".repeat(64)),
        format!("let a = {}1{}", "f(not a, ".repeat(64), ")".repeat(64)),
        format!("{}f(){}", "if a { ".repeat(63), " }".repeat(63)),
        format!("let a = 1{}", " - 1".repeat(255)),
        format!("let a = {}1", "- ".repeat(250)),
        format!("let a = a{}", ".b".repeat(250)),
        format!("let a: {}b = 3", "list of ".repeat(250)),
        format!("let a = [{}]", "b, ".repeat(20_000)),
        format!("let a = [{}]", "{a: 1, b: f(2)}, ".repeat(5_000)),
        format!("if a {{}} {}", "else if a {} ".repeat(5_000)),
        format!("note \"{}\"", "{x:2}".repeat(5_000)),
        // Without a blank, two minus signs and two brackets are a comment of another language.
        "let a = 1 - - -[[1]]".to_string(),
        "a()\n// b\n".repeat(5_000),
        "//\n".repeat(20_000),
    ];
    for text in texts {
        assert!(holds(&text).is_some(), "{}", text.chars().take(80).collect::<String>());
    }
}
