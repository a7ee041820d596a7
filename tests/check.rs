//! The checker through its own door: scripts that it must refuse or warn of, each beside the
//! report that it must give, sorted by the stage that has to find it. A used file lies in a folder
//! named `lib` beside them.

#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::disallowed_methods,
    missing_docs,
    reason = "a test fails by panicking, and tries the product from outside"
)]

use insta::{Settings, assert_snapshot, glob};
use spintrue::diagnostics::Severity;
use spintrue::diagnostics::codes;
use spintrue::diagnostics::render::{render, summary};
use spintrue::session::{FileError, Files, Prepared, Text, prepare};
use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Mutex;

static LOCK: Mutex<()> = Mutex::new(());

/// Scripts from the corpus, named as they lie below it.
struct Corpus(PathBuf);

impl Files for Corpus {
    fn read(&mut self, _from: Option<&str>, path: &str) -> Result<Text, FileError> {
        let text = fs::read_to_string(self.0.join(path));
        let text = text.map_err(|_| format!("there is no file {path}"))?;
        Ok(Text { name: path.to_string(), text })
    }

    fn bytes(&mut self, _from: &str, path: &str) -> Result<Vec<u8>, FileError> {
        Ok(fs::read(self.0.join(path)).map_err(|error| error.to_string())?)
    }
}

/// Checks a file of the corpus. Its first lines may hold `//! --set NAME=VALUE`.
fn prepared(path: &Path) -> Prepared {
    let text = fs::read_to_string(path).unwrap();
    let settings = text.lines().filter_map(|line| line.strip_prefix("// --set "));
    let settings: Vec<String> = settings.map(str::to_string).collect();
    let folder = path.parent().unwrap().to_path_buf();
    let name = path.file_name().unwrap().to_string_lossy().to_string();
    prepare(&mut Corpus(folder), &name, &settings).unwrap()
}

fn report(prepared: &Prepared) -> String {
    let mut text = String::new();
    for (_, source) in prepared.sources.iter() {
        text.push_str(&format!("──── {}\n{}\n", source.name, source.text.trim_end()));
    }
    text.push_str("────\n\n");
    text.push_str(&render(&prepared.diagnostics, &prepared.sources, false, 80));
    text.push_str(&summary(&prepared.diagnostics));
    text
}

/// The folders of the corpus but for that of warnings, by stage.
const STAGES: &[&str] = &["lexical", "layout", "parse", "names", "kinds", "calls", "flow", "files"];

/// Runs `check` on each script of a folder; the snapshot lies beside the script.
fn corpus(folder: &str, check: impl Fn(&Path) -> String) {
    // The library keeps its failures in one place for all threads.
    let _one_at_a_time = LOCK.lock().unwrap_or_else(|lock| lock.into_inner());
    let mut settings = Settings::clone_current();
    settings.set_prepend_module_to_snapshot(false);
    settings.set_omit_expression(true);
    settings.bind(|| {
        glob!("corpus/check", &format!("{folder}/*.spt"), |path| {
            let mut settings = Settings::clone_current();
            settings.set_snapshot_path(path.parent().unwrap());
            settings.remove_snapshot_suffix();
            settings.remove_input_file();
            settings.remove_info();
            let name = path.file_stem().unwrap().to_str().unwrap().to_string();
            settings.bind(|| assert_snapshot!(name, check(path)));
        });
    });
}

#[test]
fn refused_scripts_are_refused_with_these_words() {
    for stage in STAGES {
        corpus(stage, |path| {
            let prepared = prepared(path);
            assert!(prepared.program.is_none(), "{} is accepted", path.display());
            assert!(prepared.errors() > 0, "{} has no error", path.display());
            report(&prepared)
        });
    }
}

#[test]
fn doubtful_scripts_are_warned_of_with_these_words() {
    corpus("warn", |path| {
        let prepared = prepared(path);
        assert!(prepared.program.is_some(), "{} is refused", path.display());
        assert!(!prepared.diagnostics.is_empty(), "{} has no warning", path.display());
        let warned = prepared.diagnostics.iter().all(|d| d.severity == Severity::Warning);
        assert!(warned, "{} has an error", path.display());
        report(&prepared)
    });
}

/// Every code of the checker has a script that yields it, and no script yields another.
#[test]
fn every_code_has_its_script() {
    let mut seen = BTreeSet::new();
    let mut scripts = 0;
    for folder in STAGES.iter().chain(&["warn"]) {
        let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/corpus/check").join(folder);
        for entry in fs::read_dir(root).unwrap() {
            let path = entry.unwrap().path();
            if path.extension().is_some_and(|e| e == "spt") {
                seen.extend(prepared(&path).diagnostics.iter().map(|d| d.code));
                scripts += 1;
            }
        }
    }
    assert!(scripts > 120, "only {scripts} scripts");
    let of = |topics: [&str; 3]| -> BTreeSet<&str> {
        let of_topics = |code: &&str| topics.iter().any(|topic| code[1..].starts_with(topic));
        codes::ALL.iter().copied().filter(of_topics).collect()
    };
    let syntax = of(["01", "02", "03"]);
    let known: BTreeSet<&str> =
        of(["04", "05", "06"]).union(&of(["07", "08", "08"])).copied().collect();
    // Depends on the run: tests/corpus/run has its script.
    seen.insert("E0718");
    let missing: Vec<_> = known.difference(&seen).collect();
    assert!(missing.is_empty(), "no script yields {missing:?}");
    let stray: Vec<_> =
        seen.iter().filter(|c| !known.contains(*c) && !syntax.contains(*c)).collect();
    assert!(stray.is_empty(), "codes without a meaning: {stray:?}");
}

/// Shipped scripts have nothing to be said of.
#[test]
fn shipped_scripts_are_clean() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("scripts");
    let mut count = 0;
    for entry in fs::read_dir(&root).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_some_and(|e| e == "spt") {
            let name = path.file_name().unwrap().to_string_lossy().to_string();
            // What a last record would give.
            let last = [
                "time_to_lock=7s",
                "turn_jitter=2ppm",
                "worst_in_scan=1um",
                "worst_cross_scan=1um",
            ];
            let last = last.map(|setting| format!("last_{setting}"));
            let settings: &[String] = if name == "requalify.spt" { &last } else { &[] };
            let prepared = prepare(&mut Corpus(root.clone()), &name, settings).unwrap();
            let said = render(&prepared.diagnostics, &prepared.sources, false, 80);
            assert!(prepared.diagnostics.is_empty(), "{said}");
            count += 1;
        }
    }
    assert!(count >= 3, "only {count} scripts");
}

/// Unknown names take time in proportion to their number: with the square of it, this takes minutes.
#[test]
fn nothing_but_unknown_names_is_checked_in_good_time() {
    struct One(String);
    impl Files for One {
        fn read(&mut self, _from: Option<&str>, path: &str) -> Result<Text, FileError> {
            Ok(Text { name: path.to_string(), text: self.0.clone() })
        }
    }
    let count = 20_000;
    let shapes: [fn(usize) -> String; 3] =
        [|i| format!("let a{i} = b{i}\n"), |i| format!("c{i} = 3\n"), |i| format!("call{i}()\n")];
    for shape in shapes {
        let text: String = (0..count).map(shape).collect();
        let start = std::time::Instant::now();
        let prepared = prepare(&mut One(text), "many.spt", &[]).unwrap();
        assert!(prepared.errors() >= count, "{}", shape(0));
        assert!(start.elapsed().as_secs() < 60, "{} took {:?}", shape(0), start.elapsed());
    }
}
