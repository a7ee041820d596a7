//! Test files: which script is run on which simulated heads, with which faults, and how that is
//! expected to end. A script by itself is a test that is expected to pass.

use crate::disk::{read_text, resolve};
use crate::error::{Error, invalid, line_of};
use crate::project;
use crate::record::NOT_REACHED;
use crate::suite::ENDING;
use serde::Deserialize;
use spintrue_language::{FailureKind, Outcome, Verdict};
use std::collections::{BTreeMap, HashSet};
use std::path::Path;

/// Most seeds of one test.
const MAX_SEEDS: u64 = 10_000;

/// The word for a script that no head runs.
pub(super) const REFUSED: &str = "refused";

/// One run that is a test.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Test {
    /// The file that describes it.
    pub file: String,
    /// Its name, with its seed where it has several.
    pub name: String,
    /// Paths are those of the disk, not those of the file.
    pub script: String,
    pub head: String,
    pub seed: u64,
    pub faults: Vec<String>,
    pub settings: Vec<String>,
    pub answers: Option<String>,
    pub expected: Expected,
    /// Why it is known to end otherwise.
    pub known_failure: Option<String>,
}

/// How a run is expected to end; what is not said is not compared.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Expected {
    pub verdict: Option<String>,
    pub exit_code: Option<u8>,
    /// The kind of the failure that ends it.
    pub failure: Option<String>,
    /// Checks by their labels, each with its outcome.
    pub checks: BTreeMap<String, String>,
    /// Recorded values by their labels, each as it is shown.
    pub recorded: BTreeMap<String, String>,
    /// The code of a report that refuses the script.
    pub report: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct TestFile {
    /// Of each test that names none.
    script: Option<String>,
    head: Option<String>,
    #[serde(default)]
    set: Vec<String>,
    #[serde(default)]
    test: Vec<Entry>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Entry {
    name: String,
    script: Option<String>,
    head: Option<String>,
    #[serde(default)]
    seeds: Seeds,
    #[serde(default)]
    faults: Vec<String>,
    #[serde(default)]
    set: Vec<String>,
    answers: Option<String>,
    verdict: Option<String>,
    exit_code: Option<u8>,
    failure: Option<String>,
    #[serde(default)]
    checks: BTreeMap<String, String>,
    #[serde(default)]
    recorded: BTreeMap<String, String>,
    report: Option<String>,
    known_failure: Option<String>,
}

/// Seeds: one, several, or from the first to the last, such as `"1..20"`.
#[derive(Deserialize)]
#[serde(untagged, expecting = "seeds are a number, a list of numbers, or a text such as \"1..20\"")]
enum Seeds {
    One(u64),
    Several(Vec<u64>),
    Range(String),
}

impl Default for Seeds {
    fn default() -> Self {
        Seeds::One(1)
    }
}

impl Seeds {
    fn all(&self) -> Result<Vec<u64>, String> {
        let (first, last) = match self {
            Seeds::One(seed) => (*seed, *seed),
            Seeds::Several(seeds) if seeds.is_empty() => return Err("has no seed".to_string()),
            Seeds::Several(seeds) if seeds.len() as u64 <= MAX_SEEDS => return Ok(seeds.clone()),
            Seeds::Several(_) => return Err(format!("has more than {MAX_SEEDS} seeds")),
            Seeds::Range(text) => {
                let ends = text.split_once("..").map(|(a, b)| (a.trim().parse(), b.trim().parse()));
                let Some((Ok(first), Ok(last))) = ends else {
                    return Err(format!("has the seeds `{text}`: write `\"1..20\"`"));
                };
                (first, last)
            }
        };
        match last.checked_sub(first) {
            Some(more) if more < MAX_SEEDS => Ok((first..=last).collect()),
            Some(_) => Err(format!("has more than {MAX_SEEDS} seeds")),
            None => Err(format!("has the seeds {first} to {last}: write the smaller one first")),
        }
    }
}

/// The tests that a file describes, each with each of its seeds.
pub(super) fn read(path: &Path) -> Result<Vec<Test>, Error> {
    let file = path.to_string_lossy().replace('\\', "/");
    if !file.ends_with(ENDING) {
        if !file.ends_with(".spt") {
            return Err(invalid!(
                "{file} is no test: name a file that ends in {ENDING}, or a script"
            ));
        }
        let expected = Expected { verdict: Some(Verdict::Passed.kept_as()), ..Expected::default() };
        return Ok(vec![Test {
            name: "passes".to_string(),
            script: file.clone(),
            file,
            head: "sim".to_string(),
            seed: 1,
            faults: Vec::new(),
            settings: Vec::new(),
            answers: None,
            expected,
            known_failure: None,
        }]);
    }
    parse(&file, &read_text(path)?)
}

fn parse(file: &str, text: &str) -> Result<Vec<Test>, Error> {
    let whole: TestFile = toml::from_str(text).map_err(|error| {
        let line = line_of(text, error.span());
        invalid!("{file}:{line}: {}", error.message().trim_end())
    })?;
    let (mut tests, mut names) = (Vec::new(), HashSet::new());
    for entry in &whole.test {
        let name = &entry.name;
        let wrong = |what: String| invalid!("{file}: the test `{name}` {what}");
        if name.trim().is_empty() || !names.insert(name) {
            return Err(invalid!("{file}: each test needs a name of its own, and one is `{name}`"));
        }
        let seeds = entry.seeds.all().map_err(wrong)?;
        let script = entry.script.as_ref().or(whole.script.as_ref());
        let script = script.ok_or_else(|| wrong("names no `script`".to_string()))?;
        let test = Test {
            file: file.to_string(),
            name: name.clone(),
            script: placed(file, script),
            head: entry.head.as_ref().or(whole.head.as_ref()).map_or_else(
                || "sim".to_string(),
                |head| project::placed(head, |path| placed(file, path)),
            ),
            seed: 1,
            faults: entry.faults.clone(),
            settings: whole.set.iter().chain(&entry.set).map(|set| setting(file, set)).collect(),
            answers: entry.answers.as_ref().map(|answers| placed(file, answers)),
            expected: expected(entry).map_err(wrong)?,
            known_failure: entry.known_failure.clone(),
        };
        let several = seeds.len() > 1;
        tests.extend(seeds.into_iter().map(|seed| {
            let name = if several { format!("{name}, seed {seed}") } else { name.clone() };
            Test { name, seed, ..test.clone() }
        }));
    }
    Ok(tests)
}

/// A path that stands in a test file, from the present folder.
fn placed(file: &str, path: &str) -> String {
    resolve(Some(file), path).to_string_lossy().replace('\\', "/")
}

/// A setting; the path of a data sheet is taken from the folder of the file.
fn setting(file: &str, set: &str) -> String {
    match set.strip_prefix('@') {
        Some(sheet) => format!("@{}", placed(file, sheet)),
        None => set.to_string(),
    }
}

/// How a test is expected to end: as it says, or with the verdict of its failure, or passed.
fn expected(entry: &Entry) -> Result<Expected, String> {
    let known = |word: &str, known: &[String], what: &str| match known.iter().any(|one| one == word)
    {
        true => Ok(()),
        false => Err(format!("expects the {what} `{word}`; known: {}", known.join(", "))),
    };
    let mut verdicts: Vec<String> = Verdict::ALL.map(Verdict::kept_as).to_vec();
    verdicts.push(REFUSED.to_string());
    let kinds: Vec<String> = FailureKind::ALL.iter().map(|kind| kind.text().to_string()).collect();
    let outcomes = [Outcome::Conforms, Outcome::Fails, Outcome::Undecided].map(Outcome::text);
    let outcomes: Vec<String> =
        outcomes.into_iter().chain([NOT_REACHED]).map(str::to_string).collect();
    let Entry { exit_code, failure, checks, recorded, report, .. } = entry;
    failure.iter().try_for_each(|kind| known(kind, &kinds, "failure"))?;
    checks.values().try_for_each(|outcome| known(outcome, &outcomes, "outcome of a check"))?;
    let of_failure = || {
        let kind = FailureKind::ALL.iter().find(|kind| Some(kind.text()) == failure.as_deref());
        kind.map(|kind| Verdict::of(*kind).kept_as())
    };
    let verdict = match &entry.verdict {
        Some(verdict) => known(verdict, &verdicts, "verdict").map(|()| Some(verdict.clone()))?,
        None if report.is_some() => Some(REFUSED.to_string()),
        None if failure.is_some() => of_failure(),
        None if exit_code.is_some() => None,
        None => Some(Verdict::Passed.kept_as()),
    };
    if report.is_some() && verdict.as_deref() != Some(REFUSED) {
        return Err("expects a `report`, which only a refused script has".to_string());
    }
    Ok(Expected {
        verdict,
        exit_code: *exit_code,
        failure: failure.clone(),
        checks: checks.clone(),
        recorded: recorded.clone(),
        report: report.clone(),
    })
}

#[cfg(test)]
mod tests {
    use super::parse;

    fn names(text: &str) -> Result<Vec<String>, String> {
        let tests = parse("a/b.test.toml", text).map_err(|error| error.to_string())?;
        Ok(tests
            .into_iter()
            .map(|test| format!("{} {} {}", test.name, test.script, test.head))
            .collect())
    }

    #[test]
    fn paths_are_those_of_the_file_and_seeds_are_spread() {
        let text = "script = '../x.spt'\nhead = 'sim:heads/h.toml'\n[[test]]\nname = 'n'\nseeds = '3..4'\n";
        let seen = names(text).unwrap();
        assert_eq!(
            seen,
            ["n, seed 3 x.spt sim:a/heads/h.toml", "n, seed 4 x.spt sim:a/heads/h.toml"]
        );
    }

    #[test]
    fn mistakes_are_named_with_their_place() {
        let test = "script = 'x.spt'\n[[test]]\nname = 'n'\n";
        for (text, why) in [
            ("[[test]]\nname = 'n'\n", "the test `n` names no `script`"),
            (
                &format!("{test}verdict = 'fine'\n"),
                "expects the verdict `fine`; known: passed, failed",
            ),
            (&format!("{test}failure = 'lock'\n"), "expects the failure `lock`; known: "),
            (
                &format!("{test}[test.checks]\na = 'ok'\n"),
                "expects the outcome of a check `ok`; known: conforms",
            ),
            (&format!("{test}seeds = '5..2'\n"), "write the smaller one first"),
            (&format!("{test}seeds = '1..999999'\n"), "more than 10000 seeds"),
            (&format!("{test}seeds = []\n"), "has no seed"),
            (&format!("{test}seeds = true\n"), "a/b.test.toml:4: seeds are a number"),
            (&format!("{test}fault = 'x'\n"), "a/b.test.toml:4: unknown field `fault`"),
            (
                &format!("{test}report = 'E0401'\nverdict = 'failed'\n"),
                "which only a refused script has",
            ),
            (&format!("{test}[[test]]\nname = 'n'\n"), "each test needs a name of its own"),
        ] {
            let error = names(text).unwrap_err();
            assert!(error.contains(why), "{error}");
        }
    }
}
