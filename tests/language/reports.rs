//! Mistakes that people bring along from elsewhere, many to a file: the report of each, and what its edits
//! make of the script. A case is a heading, the script, and after `=>` the script that was meant, where
//! `check --fix` gets there by itself; after `~>` how far it gets. Lines that begin with `--set ` are options.

use crate::inside::Sources;
use crate::support::{corpus, root, scripts};
use spintrue_language::{
    Diagnostic, FileError, Files, Prepared, SCRIPT_SOURCE, SourceText, edited, mend, prove,
    render_diagnostics,
};
use spintrue_sim::open;
use std::fs;

struct Case<'t> {
    title: &'t str,
    options: Vec<String>,
    wrong: &'t str,
    /// What `check --fix` makes of it, and whether nothing is wrong with that.
    meant: Option<(&'t str, bool)>,
}

fn cases(text: &str) -> Vec<Case<'_>> {
    let cases = text.strip_prefix("## ").unwrap().split("\n## ");
    cases
        .map(|case| {
            let (title, mut body) = case.split_once('\n').unwrap();
            let mut options = Vec::new();
            while let Some((option, rest)) =
                body.strip_prefix("--set ").and_then(|rest| rest.split_once('\n'))
            {
                options.push(option.to_string());
                body = rest;
            }
            let parted = |mark: &str, whole| {
                body.split_once(mark).map(|(wrong, meant)| (wrong, Some((meant, whole))))
            };
            let parted = parted("\n=>\n", true).or_else(|| parted("\n~>\n", false));
            let (wrong, meant) = parted.unwrap_or((body, None));
            Case { title, options, wrong, meant }
        })
        .collect()
}

fn proved(script: &str) -> Prepared {
    prove(&mut Sources::of(script), "case.spt", &[]).unwrap()
}

/// How many reports say the same, up to the place of this one.
fn same(prepared: &Prepared, report: &Diagnostic) -> usize {
    let of = |one: &&Diagnostic| {
        one.code == report.code
            && one.headline == report.headline
            && one.span().start <= report.span().start
    };
    prepared.diagnostics.iter().filter(of).count()
}

/// Goes every way out that has edits, each by itself, and looks whether its report is gone.
fn ways_out_work(name: &str, script: &str, before: &Prepared) {
    for report in &before.diagnostics {
        for help in report.fixes().filter(|h| h.edits[0].span.source == SCRIPT_SOURCE) {
            let after = edited(script, &help.edits);
            let left = same(&proved(&after), report);
            assert!(
                left < same(before, report),
                "{name}: {} is not gone after \"{}\":\n{after}",
                report.headline,
                help.text
            );
        }
    }
}

#[test]
fn mistakes_from_elsewhere_have_these_reports() {
    corpus("reports/*.txt", |path| {
        let text = fs::read_to_string(path).unwrap();
        let mut told = String::new();
        for Case { title, options, wrong, meant } in cases(&text) {
            let prepared = prove(&mut Sources::of(wrong), "case.spt", &options).unwrap();
            assert!(!prepared.diagnostics.is_empty(), "{title}: nothing is said");
            ways_out_work(title, wrong, &prepared);
            let mended = mend(&mut Sources::of(wrong), "case.spt", &[]).unwrap();
            let mended = mended.map(|mended| mended.text);
            let wanted = meant.map(|(text, _)| text.trim_end());
            assert_eq!(mended.as_deref().map(str::trim_end), wanted, "{title}");
            if let (Some(text), Some((_, whole))) = (mended, meant) {
                let left = proved(&text);
                let report = render_diagnostics(&left.diagnostics, &left.sources, false, 80);
                assert_eq!(left.errors() == 0, whole, "{title}: {report}");
            }
            told.push_str(&format!("## {title}\n{}", shown(&prepared)));
        }
        told
    });
}

/// All reports without what is drawn around them.
fn shown(prepared: &Prepared) -> String {
    let report = render_diagnostics(&prepared.diagnostics, &prepared.sources, false, 80);
    let kept = report.lines().filter(|line| {
        let drawn = line.trim();
        !matches!(drawn, "" | "│" | "───╯") && !drawn.starts_with("╭─[")
    });
    kept.map(|line| format!("{line}\n")).collect()
}

/// A script and a data sheet for it.
struct WithSheet<'t> {
    script: &'t str,
    sheet: &'t str,
}

impl Files for WithSheet<'_> {
    fn read(&mut self, _: Option<&str>, path: &str) -> Result<SourceText, FileError> {
        let text = match path {
            "case.spt" => self.script,
            "sheet.toml" => self.sheet,
            _ => return Err(FileError::from(format!("there is no file {path}"))),
        };
        Ok(SourceText { name: path.to_string(), text: text.to_string() })
    }

    fn bytes(&mut self, _: &str, path: &str) -> Result<Vec<u8>, FileError> {
        Err(FileError::from(format!("there is no file {path}")))
    }
}

/// Data sheets that are wrong, for the script that comes first.
#[test]
fn wrong_data_sheets_have_these_reports() {
    corpus("sheets/*.txt", |path| {
        let text = fs::read_to_string(path).unwrap();
        let mut cases = cases(&text).into_iter();
        let script = cases.next().unwrap().wrong;
        let cases = cases.map(|Case { title, wrong: sheet, .. }| {
            let mut files = WithSheet { script, sheet };
            let prepared = prove(&mut files, "case.spt", &["@sheet.toml".to_string()]).unwrap();
            assert!(prepared.errors() > 0, "{title}: nothing is said");
            format!("## {title}\n{}", shown(&prepared))
        });
        cases.collect()
    });
}

/// Head files that are wrong.
#[test]
fn wrong_head_files_have_these_reports() {
    corpus("heads/*.txt", |path| {
        let text = fs::read_to_string(path).unwrap();
        let cases = cases(&text).into_iter().map(|Case { title, wrong, .. }| {
            let Err(mistakes) = open(Some(("head.toml", wrong)), 1) else {
                panic!("{title}: nothing is said")
            };
            let told: String = mistakes.iter().map(|mistake| format!("{mistake}\n")).collect();
            format!("## {title}\n{told}")
        });
        cases.collect()
    });
}

/// The same of all other scripts that are wrong; what is safe leaves no new mistake.
#[test]
fn every_way_out_of_the_corpus_works() {
    let mut edits = 0;
    for folder in ["check", "syntax"] {
        for path in scripts(&format!("tests/corpus/{folder}")) {
            let name = path.strip_prefix(root()).unwrap().display().to_string();
            let Ok(script) = fs::read_to_string(&path) else { continue };
            if name.contains("/lib/") || script.contains("use \"") {
                continue;
            }
            let before = proved(&script);
            ways_out_work(&name, &script, &before);
            edits += before.diagnostics.iter().flat_map(Diagnostic::fixes).count();
            let Some(mended) = mend(&mut Sources::of(&script), "case.spt", &[]).unwrap() else {
                continue;
            };
            let after = proved(&mended.text);
            let errors = |prepared: &Prepared| {
                let all = prepared.diagnostics.iter();
                all.filter(|d| d.is_error() && d.code < "E04").count()
            };
            assert!(errors(&after) <= errors(&before), "{name}:\n{}", mended.text);
        }
    }
    assert!(edits > 60, "only {edits} edits");
}
