//! The formatter through its own door and through the command: what it writes, that writing it
//! twice changes nothing, and that the script stays the same program with the same comments.

// Tests read the corpus and fail by panicking.
#![allow(clippy::disallowed_methods, clippy::unwrap_used, clippy::panic, clippy::indexing_slicing)]

use proptest::prelude::{ProptestConfig, Strategy, any, prop, proptest};
use spintrue::source::SourceId;
use spintrue::syntax::format::{NotFormatted, format};
use spintrue::syntax::names::Names;
use spintrue::syntax::{KEYWORDS, Parsed, parse};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

#[path = "syntax/dump.rs"]
mod dump;
#[path = "format/generate.rs"]
mod generate;

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// Every script under a folder.
fn scripts(folder: &str) -> Vec<PathBuf> {
    let mut folders = vec![root().join(folder)];
    let mut found = Vec::new();
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|e| e == "spt") {
                found.push(path);
            }
        }
    }
    found.sort();
    found
}

fn parsed(text: &str) -> (Parsed, Names) {
    let mut names = Names::default();
    let parsed = parse(SourceId(0), text, &mut names);
    (parsed, names)
}

/// What must hold for any text. Gives what it was formatted to, where it parses.
fn holds(text: &str) -> Option<String> {
    let (before, names) = parsed(text);
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
    let (after, names_after) = parsed(&formatted);
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
    let mut settings = insta::Settings::clone_current();
    settings.set_prepend_module_to_snapshot(false);
    settings.set_omit_expression(true);
    settings.bind(|| {
        insta::glob!("corpus/format", "*.spt", |path| {
            let text = fs::read_to_string(path).unwrap();
            let mut settings = insta::Settings::clone_current();
            settings.set_snapshot_path(path.parent().unwrap());
            settings.remove_snapshot_suffix();
            settings.remove_input_file();
            settings.remove_info();
            let name = path.file_stem().unwrap().to_str().unwrap().to_string();
            settings.bind(|| {
                let formatted = holds(&text).expect("the corpus parses");
                insta::assert_snapshot!(name, formatted);
            });
        });
    });
}

#[test]
fn shipped_scripts_are_formatted() {
    let scripts = scripts("scripts");
    assert!(scripts.len() > 4);
    for path in scripts {
        let text = fs::read_to_string(&path).unwrap();
        let formatted = holds(&text).unwrap();
        assert!(text == formatted, "run `spintrue fmt` on {}:\n{formatted}", path.display());
    }
}

#[test]
fn the_whole_corpus() {
    let mut formatted = 0;
    for path in scripts("tests/corpus") {
        let Ok(text) = fs::read_to_string(&path) else { continue };
        formatted += usize::from(holds(&text).is_some());
    }
    assert!(formatted > 50, "only {formatted} scripts of the corpus parse");
}

/// Words and marks of the language, and line ends and comments.
fn soup() -> impl Strategy<Value = String> {
    let marks = [
        "\n", "\n", ";", "{", "}", "(", ")", "[", "]", ",", ":", ".", "..", "=", "==", "+", "-",
        "*", "^2", "->", "\"", "\"x\"", "{x}", "//\n", "/// d\n", "a", "b", "mm", "3", "µ", "±",
        "\r\n", "\t", " ",
    ];
    let mut words: Vec<&'static str> = KEYWORDS.to_vec();
    words.extend(marks);
    prop::collection::vec((prop::sample::select(words), any::<bool>()), 0..40).prop_map(|parts| {
        let blank = |blank: bool| if blank { " " } else { "" };
        parts.iter().flat_map(|(part, after)| [*part, blank(*after)]).collect()
    })
}

/// A script of the corpus with line ends, comments and blanks put in or taken out, so that most
/// still parse.
fn stirred() -> impl Strategy<Value = String> {
    let texts: Vec<String> =
        scripts("tests/corpus").iter().filter_map(|path| fs::read_to_string(path).ok()).collect();
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
        let (parsed, _) = parsed(&text);
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
        "a()\n// b\n".repeat(5_000),
        "//\n".repeat(20_000),
    ];
    for text in texts {
        assert!(holds(&text).is_some(), "{}", text.chars().take(80).collect::<String>());
    }
}

fn spintrue(arguments: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_spintrue"));
    command.args(arguments).env("NO_COLOR", "1").stdin(Stdio::null()).output().unwrap()
}

fn piped(arguments: &[&str], text: &[u8]) -> Output {
    use std::io::Write;
    let mut child = Command::new(env!("CARGO_BIN_EXE_spintrue"))
        .args(arguments)
        .env("NO_COLOR", "1")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    child.stdin.take().unwrap().write_all(text).unwrap();
    child.wait_with_output().unwrap()
}

fn folder(name: &str) -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("format").join(name);
    let _ = fs::remove_dir_all(&folder);
    fs::create_dir_all(&folder).unwrap();
    folder
}

#[test]
fn the_command_rewrites_only_what_changes() {
    let folder = folder("rewrites");
    let ugly = folder.join("ugly.spt");
    let good = folder.join("good.spt");
    let wrong = folder.join("wrong.spt");
    fs::write(&ugly, "let a=1;let b=2 // two\n").unwrap();
    fs::write(&good, "let a = 1\n").unwrap();
    fs::write(&wrong, "let = 1\n").unwrap();
    let names = [&ugly, &good, &wrong].map(|path| path.to_str().unwrap());
    let written = fs::metadata(&good).unwrap().modified().unwrap();

    let check = spintrue(&["fmt", "--check", names[0], names[1]]);
    assert_eq!(check.status.code(), Some(1));
    assert_eq!(String::from_utf8(check.stdout).unwrap(), format!("{}\n", names[0]));
    assert_eq!(fs::read_to_string(&ugly).unwrap(), "let a=1;let b=2 // two\n");

    let all = spintrue(&["fmt", names[0], names[1], names[2]]);
    assert_eq!(all.status.code(), Some(2));
    assert_eq!(String::from_utf8(all.stdout).unwrap(), format!("formatted {}\n", names[0]));
    assert!(String::from_utf8(all.stderr).unwrap().contains("[E0318]"));
    assert_eq!(fs::read_to_string(&ugly).unwrap(), "let a = 1\nlet b = 2 // two\n");
    assert_eq!(fs::read_to_string(&wrong).unwrap(), "let = 1\n");
    assert_eq!(fs::metadata(&good).unwrap().modified().unwrap(), written);
    assert_eq!(fs::read_dir(&folder).unwrap().count(), 3, "something was left behind");

    let check = spintrue(&["fmt", "--check", names[0], names[1]]);
    assert_eq!((check.status.code(), check.stdout.len()), (Some(0), 0));
}

#[cfg(unix)]
#[test]
fn links_and_permissions_stay() {
    use std::os::unix::fs::PermissionsExt;
    let folder = folder("links");
    let real = folder.join("real.spt");
    let link = folder.join("link.spt");
    fs::write(&real, "let a=1").unwrap();
    fs::set_permissions(&real, fs::Permissions::from_mode(0o640)).unwrap();
    std::os::unix::fs::symlink(&real, &link).unwrap();
    assert!(spintrue(&["fmt", link.to_str().unwrap()]).status.success());
    assert!(fs::symlink_metadata(&link).unwrap().is_symlink());
    assert_eq!(fs::read_to_string(&real).unwrap(), "let a = 1\n");
    assert_eq!(fs::metadata(&real).unwrap().permissions().mode() & 0o777, 0o640);
}

#[test]
fn standard_input_goes_to_standard_output() {
    let done = piped(&["fmt", "-"], "let a=5µs".as_bytes());
    assert!(done.status.success());
    assert_eq!(String::from_utf8(done.stdout).unwrap(), "let a = 5 µs\n");
    let check = piped(&["fmt", "--check", "-"], b"let a=1");
    assert_eq!(check.status.code(), Some(1));
    assert_eq!(String::from_utf8(check.stdout).unwrap(), "standard input\n");
    let wrong = piped(&["fmt", "-"], b"let =");
    assert_eq!((wrong.status.code(), wrong.stdout.len()), (Some(2), 0));
    assert!(String::from_utf8(wrong.stderr).unwrap().contains("standard input:1:"));
    let bytes = piped(&["fmt", "-"], b"let a = \"\xff\"");
    assert_eq!(bytes.status.code(), Some(2));
    assert!(String::from_utf8(bytes.stderr).unwrap().contains("not UTF-8"));
}

#[test]
fn files_that_cannot_be_read() {
    let missing = spintrue(&["fmt", "no/such/file.spt"]);
    assert_eq!(missing.status.code(), Some(2));
    assert!(String::from_utf8(missing.stderr).unwrap().contains("no/such/file.spt"));
    assert_eq!(spintrue(&["fmt", "scripts"]).status.code(), Some(2));
}
