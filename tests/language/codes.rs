//! Every code explains itself: the wrong example yields the code, and the right one no report. Examples
//! take the way that scripts take.

use crate::example::Example;
use crate::support::root;
use spintrue_head::{FaultInjector, Head};
use spintrue_language::{
    ALL_CODES, BAD_HEAD_DESCRIPTION, BAD_HEAD_LIST, Code, Diagnostic, Effect, FailureKind,
    FileError, Files, Prepared, SourceText, TAKES_TOO_LONG, builtin_records, code_topics,
    effects_beyond, prepare, render_diagnostics,
};
use spintrue_sim::open;
use std::collections::BTreeSet;

fn codes() -> impl Iterator<Item = &'static Code> {
    code_topics().iter().flat_map(|topic| &topic.codes)
}

/// Codes whose examples are scripts that a check alone decides.
fn of_scripts() -> impl Iterator<Item = &'static Code> {
    let others = [BAD_HEAD_DESCRIPTION, TAKES_TOO_LONG, BAD_HEAD_LIST];
    codes().filter(move |code| !others.contains(&code.code))
}

/// Every report on an example, first those of the check.
fn reports(mut example: Example) -> (Vec<Diagnostic>, Prepared) {
    let settings = std::mem::take(&mut example.settings);
    let (allowed, answers) = (example.allowed.take(), example.answers.take());
    let mut prepared = prepare(&mut example, "example.spt", &settings).unwrap();
    let mut reports = prepared.diagnostics.clone();
    if let Some(answers) = answers {
        reports.extend(prepared.answers(&mut example, &answers).err().into_iter().flatten());
    }
    let file = example.head.take().map(|file| example.read(None, &file).unwrap());
    let file = file.as_ref().map(|file| (file.name.as_str(), file.text.as_str()));
    let (mut head, _) = open(file, 1).unwrap();
    let provoking = head.injector();
    let described = head.describe().unwrap();
    reports.extend(prepared.unfit(&described, true, &|fault| provoking.check_can_inject(fault)));
    reports.extend(prepared.risky(&described, &mut || true).unwrap());
    if let Some(allowed) = allowed {
        let named = allowed.split(',').map(|word| Effect::named(word).unwrap());
        let allowed: Vec<Effect> = named.collect();
        let way_out = |effect: Effect| format!("add {}", effect.text());
        reports.extend(effects_beyond(&prepared.effects, &allowed, &way_out, &prepared.sources));
    }
    (reports, prepared)
}

impl Files for Example {
    fn read(&mut self, from: Option<&str>, path: &str) -> Result<SourceText, FileError> {
        // Paths are taken from the folder of the file that names them.
        let folder = from.and_then(|from| from.rsplit_once('/')).map_or("", |(folder, _)| folder);
        let near = format!("{folder}/{path}");
        let found = self.files.iter().find(|(name, _)| *name == near || name == path);
        let (name, text) = found.ok_or_else(|| format!("there is no file {path}"))?;
        Ok(SourceText { name: name.clone(), text: text.clone() })
    }

    fn bytes(&mut self, from: &str, path: &str) -> Result<Vec<u8>, FileError> {
        Ok(self.read(Some(from), path)?.text.into_bytes())
    }
}

#[test]
fn wrong_examples_yield_their_code_and_no_other() {
    let mut wrong = Vec::new();
    for code in of_scripts() {
        let (said, prepared) = reports(Example::new(&code.wrong));
        let met: BTreeSet<&str> = said.iter().map(|one| one.code).collect();
        // That there are too many errors is said behind the errors.
        let expected = match code.code {
            "E0206" => BTreeSet::from(["E0206", "E0318"]),
            other => BTreeSet::from([other]),
        };
        if met != expected {
            let report = render_diagnostics(&said, &prepared.sources, false, 80);
            wrong.push(format!("{}: yields {met:?}\n{report}", code.code));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn right_examples_have_nothing_to_be_said_of() {
    let mut wrong = Vec::new();
    for code in of_scripts() {
        let (said, prepared) = reports(Example::new(&code.right));
        if !said.is_empty() || prepared.program.is_none() {
            let report = render_diagnostics(&said, &prepared.sources, false, 80);
            wrong.push(format!("{}:\n{report}", code.code));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// Lists in explanations and pages are those of the tables.
#[test]
fn lists_are_those_of_the_tables() {
    let page = |name: &str| std::fs::read_to_string(root().join(name)).unwrap();
    let explained = |wanted: &str| codes().find(|code| code.code == wanted).unwrap().why.as_str();
    let effects = Effect::ALL.map(Effect::text);
    assert!(explained("E0715").contains(&effects.join(", ")), "{}", explained("E0715"));
    let (last, before) = effects.split_last().unwrap();
    let quoted = before.iter().map(|word| format!("`{word}`")).collect::<Vec<_>>().join(", ");
    let told = page("docs/diagnostics.md").replace('\n', " ");
    assert!(told.contains(&format!("({quoted} or `{last}`)")), "docs/diagnostics.md: {quoted}");
    let failures: Vec<&str> = FailureKind::caught().collect();
    assert!(explained("E0521").contains(&failures.join(", ")), "{}", explained("E0521"));
    let failure = builtin_records().iter().find(|record| record.name == "failure").unwrap();
    let kind = failure.page().fields.iter().find(|field| field.name == "kind").unwrap().meaning();
    let language = page("docs/language.md");
    for failure in failures {
        assert!(kind.contains(failure), "{failure}");
        assert!(language.contains(&format!("`{failure}`")), "docs/language.md: {failure}");
    }
}

#[test]
fn every_code_is_explained_once_and_in_order() {
    let all: Vec<&str> = codes().map(|code| code.code).collect();
    assert_eq!(all, ALL_CODES, "the pages of the codes and the table of constants differ");
    let digits = |code: &&str| code[1..].parse::<u32>().unwrap();
    assert!(all.iter().map(digits).is_sorted_by(|a, b| a < b), "{all:?}");
    assert!(all.len() > 90, "only {} codes", all.len());
    for code in codes() {
        assert!(code.meaning.len() > 10 && !code.meaning.ends_with('.'), "{}", code.code);
        assert!(code.why.ends_with('.'), "{}", code.code);
        assert!(code.why.len() > code.meaning.len(), "{} explains nothing more", code.code);
        assert_ne!(code.wrong, code.right, "{}", code.code);
    }
}
