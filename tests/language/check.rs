//! The checker: scripts that it must refuse or warn of, each beside the report that it must give, sorted
//! by the stage that has to find it. A used file lies in a folder
//! named `lib` beside them.

use crate::inside::Sources;
use crate::support::{corpus, file_name, root, scripts};
use spintrue_language::{
    ALL_CODES, FileError, Files, Prepared, Severity, SourceText, diagnostics_summary, prepare,
    render_diagnostics,
};
use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

/// Scripts from the corpus, named as they lie below it.
struct Corpus(PathBuf);

impl Files for Corpus {
    fn read(&mut self, from: Option<&str>, path: &str) -> Result<SourceText, FileError> {
        let beside = from.and_then(|from| Path::new(from).parent()).unwrap_or(Path::new(""));
        let name = beside.join(path).display().to_string();
        let text = fs::read_to_string(self.0.join(&name));
        let text = text.map_err(|_| format!("there is no file {path}"))?;
        Ok(SourceText { name, text })
    }

    fn bytes(&mut self, from: &str, path: &str) -> Result<Vec<u8>, FileError> {
        let beside = Path::new(from).parent().unwrap_or(Path::new("")).join(path);
        Ok(fs::read(self.0.join(beside)).map_err(|error| error.to_string())?)
    }
}

/// Checks a file of the corpus. Its first lines may hold `//! --set NAME=VALUE`.
fn prepared(path: &Path) -> Prepared {
    let text = fs::read_to_string(path).unwrap();
    let settings = text.lines().filter_map(|line| line.strip_prefix("// --set "));
    let settings: Vec<String> = settings.map(str::to_string).collect();
    let folder = path.parent().unwrap().to_path_buf();
    prepare(&mut Corpus(folder), file_name(path), &settings).unwrap()
}

fn report(prepared: &Prepared) -> String {
    let mut text = String::new();
    for (_, source) in prepared.sources.iter() {
        text.push_str(&format!("──── {}\n{}\n", source.name, source.text.trim_end()));
    }
    text.push_str("────\n\n");
    text.push_str(&render_diagnostics(&prepared.diagnostics, &prepared.sources, false, 80));
    text.push_str(&diagnostics_summary(&prepared.diagnostics));
    text
}

/// The folders of the corpus but for that of warnings, by stage.
const STAGES: &[&str] = &["lexical", "layout", "parse", "names", "kinds", "calls", "flow", "files"];

#[test]
fn refused_scripts_are_refused_with_these_words() {
    for stage in STAGES {
        corpus(&format!("check/{stage}/*.spt"), |path| {
            let prepared = prepared(path);
            assert!(prepared.program.is_none(), "{} is accepted", path.display());
            assert!(prepared.errors() > 0, "{} has no error", path.display());
            report(&prepared)
        });
    }
}

#[test]
fn doubtful_scripts_are_warned_of_with_these_words() {
    corpus("check/warn/*.spt", |path| {
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
    let in_lib = |path: &Path| path.parent().is_some_and(|folder| folder.ends_with("lib"));
    let mut scripts = scripts("tests/corpus/check");
    scripts.retain(|path| !in_lib(path));
    assert!(scripts.len() > 120, "only {} scripts", scripts.len());
    let prepared = scripts.iter().map(|path| prepared(path));
    let mut seen: BTreeSet<&str> =
        prepared.flat_map(|prepared| prepared.diagnostics).map(|d| d.code).collect();
    let of = |topics: [&str; 3]| -> BTreeSet<&str> {
        let of_topics = |code: &&str| topics.iter().any(|topic| code[1..].starts_with(topic));
        ALL_CODES.iter().copied().filter(of_topics).collect()
    };
    let syntax = of(["01", "02", "03"]);
    let known: BTreeSet<&str> =
        of(["04", "05", "06"]).union(&of(["07", "08", "08"])).copied().collect();
    // Depends on the run: tests/corpus/run has its script.
    seen.extend(["E0718", "W0827"]);
    let missing: Vec<_> = known.difference(&seen).collect();
    assert!(missing.is_empty(), "no script yields {missing:?}");
    let stray: Vec<_> =
        seen.iter().filter(|c| !known.contains(*c) && !syntax.contains(*c)).collect();
    assert!(stray.is_empty(), "codes without a meaning: {stray:?}");
}

/// Shipped scripts have nothing to be said of.
#[test]
fn shipped_scripts_are_clean() {
    let folder = root().join("scripts");
    let mut count = 0;
    for path in scripts("scripts").iter().filter(|path| path.parent() == Some(&folder)) {
        // What a last record would give.
        let last = [
            "left_by_ratios=0um",
            "time_to_lock=7s",
            "turn_jitter=2ppm",
            "worst_in_scan=1um",
            "worst_in_scan_u=0.1um",
            "worst_cross_scan=1um",
            "worst_cross_scan_u=0.1um",
            "planned_speed=4800rpm",
            "planned_length=304.8mm",
            "dots=3600",
            "dot_period=208.3ns",
            "made_dot_period=208.3ns",
            "start_delay=250us",
            "dot_clock_ratios=[]",
        ];
        let last = last.map(|setting| format!("last_{setting}"));
        let name = file_name(path);
        let settings: &[String] = if name == "requalify.spt" { &last } else { &[] };
        let prepared = prepare(&mut Corpus(folder.clone()), name, settings).unwrap();
        let said = render_diagnostics(&prepared.diagnostics, &prepared.sources, false, 80);
        assert!(prepared.diagnostics.is_empty(), "{said}");
        count += 1;
    }
    assert!(count >= 3, "only {count} scripts");
}

/// Unknown names take time in proportion to their number: eight times as many take eight times as long, and
/// not the square of it. The bar lies between, far from both, so that a busy machine changes nothing.
#[test]
#[ignore = "it takes times: .ci/full"]
fn unknown_names_take_time_in_proportion() {
    let shapes: [fn(usize) -> String; 3] =
        [|i| format!("let a{i} = b{i}\n"), |i| format!("c{i} = 3\n"), |i| format!("call{i}()\n")];
    for shape in shapes {
        let took = |count: usize| {
            let text: String = (0..count).map(shape).collect();
            let start = std::time::Instant::now();
            let prepared = prepare(&mut Sources::of(&text), "many.spt", &[]).unwrap();
            assert!(prepared.errors() >= count, "{}", shape(0));
            start.elapsed().as_secs_f64()
        };
        let few = took(1000).min(took(1000));
        let many = took(8000).min(took(8000));
        assert!(many < 32.0 * few, "{}: {few} s, {many} s", shape(0));
    }
}
