//! One test: a whole run on a simulated head, compared with what was expected.

use crate::disk::Disk;
use crate::error::{Error, invalid};
use crate::record::NOT_REACHED;
use crate::setup::options::Answers;
use crate::setup::{Stage, simulated};
use crate::suite::TestResult;
use crate::suite::file::{Expected, REFUSED, Test};
use spintrue_language::{
    Diagnostic, Event, Given, Observer, Outcome, Prepared, SourceMap, Verdict, prepare, run_script,
};
use std::collections::BTreeMap;

/// Most reports and checks that are told of a run.
const MAX_TOLD: usize = 3;

/// How a run ended.
#[derive(Default)]
struct Ended {
    verdict: String,
    exit_code: u8,
    /// What stopped it: the kind, and the message.
    failure: Option<(String, String)>,
    /// Every outcome of checks by their labels.
    checks: BTreeMap<String, Vec<String>>,
    /// The last recorded value of each label.
    recorded: BTreeMap<String, String>,
    /// Codes and headlines of the reports that refused it.
    reports: Vec<(String, String)>,
    took: f64,
}

impl Observer for Ended {
    fn event(&mut self, _: f64, event: Event) {
        match event {
            Event::Check(check) => {
                let outcomes = self.checks.entry(check.label.to_string()).or_default();
                outcomes.push(check.outcome.text().to_string());
            }
            Event::Recorded { label, shown, .. } => {
                self.recorded.insert(label, shown.to_string());
            }
            _ => {}
        }
    }
}

/// Runs a test; its result and the head time that it took in s.
pub(super) fn run(test: &Test) -> (TestResult, f64) {
    let ended = match ended(test) {
        Ok(ended) => ended,
        // What cannot be run does not fail as is known.
        Err(error) => return (TestResult::Failed(vec![format!("it cannot be run: {error}")]), 0.0),
    };
    let differs = differences(&test.expected, &ended);
    let result = match (&test.known_failure, differs.is_empty()) {
        (None, true) => TestResult::Passed,
        (None, false) => TestResult::Failed(differs),
        (Some(reason), false) => TestResult::Known(reason.clone()),
        (Some(reason), true) => TestResult::Failed(vec![format!(
            "it ends as expected, and is marked as a known failure ({reason}): remove `known_failure`"
        )]),
    };
    (result, ended.took)
}

fn ended(test: &Test) -> Result<Ended, Error> {
    let heads = simulated(&test.head, &test.faults)?;
    if heads.memory.is_some() || heads.seed.is_some() {
        let why =
            "tests share no memory, and `seeds` gives their seeds: leave what follows `?` out";
        return Err(invalid!("`{}`: {why}", test.head));
    }
    let mut prepared = prepare(&mut Disk, &test.script, &test.settings)?;
    if prepared.program.is_none() {
        return Ok(refused(&prepared.diagnostics, &prepared.sources));
    }
    let answers = Answers { file: test.answers.clone() };
    let given = match answers.read(&mut prepared, false) {
        Ok(given) => given.unwrap_or_default(),
        Err(reports) => return Ok(refused(&reports, &prepared.sources)),
    };
    let mut stage = match Stage::open(heads.make(test.seed)?, &test.script) {
        Ok(stage) => stage,
        Err(Error::HeadFailed(fault)) => {
            let failure = Some(("no_answer".to_string(), fault.to_string()));
            let verdict = Verdict::HeadFailed;
            let (verdict, exit_code) = (verdict.kept_as(), verdict.exit_code());
            return Ok(Ended { verdict, exit_code, failure, ..Ended::default() });
        }
        Err(other) => return Err(other),
    };
    on(&mut stage, &prepared, given)
}

/// Runs a script on a head, where it may run.
fn on(stage: &mut Stage, prepared: &Prepared, given: Given) -> Result<Ended, Error> {
    let runnable = match stage.admit(prepared, None) {
        Ok((runnable, _)) => runnable,
        Err(Error::Reports(reports)) => {
            return Ok(refused(reports.diagnostics(), &prepared.sources));
        }
        Err(other) => return Err(other),
    };
    stage.station.set_operator(Box::new(given));
    let mut ended = Ended::default();
    let finished = run_script(runnable, &mut stage.station, &mut ended);
    for check in &finished.unreached {
        let outcomes = ended.checks.entry(check.label.to_string()).or_default();
        outcomes.push(NOT_REACHED.to_string());
    }
    ended.verdict = finished.verdict().kept_as();
    ended.exit_code = finished.verdict().exit_code();
    ended.took = finished.took;
    let unsafe_left = finished.safe.trouble();
    ended.failure = match &finished.failure {
        Some(failure) => Some((failure.kind.text().to_string(), failure.message.clone())),
        None => unsafe_left.map(|trouble| ("not left safe".to_string(), trouble)),
    };
    Ok(ended)
}

fn refused(reports: &[Diagnostic], sources: &SourceMap) -> Ended {
    let errors = reports.iter().filter(|report| report.is_error());
    let told = errors.map(|report| {
        let place = sources.place(report.span());
        (report.code.to_string(), format!("{place}: {}", report.headline))
    });
    Ended {
        verdict: REFUSED.to_string(),
        exit_code: Verdict::ScriptWrong.exit_code(),
        reports: told.collect(),
        ..Ended::default()
    }
}

/// What of a run is not as expected, a line each, and then how it ended.
fn differences(expected: &Expected, ended: &Ended) -> Vec<String> {
    let mut differs = Vec::new();
    let mut compare = |what: &str, wanted: Option<&str>, seen: &str| {
        if let Some(wanted) = wanted.filter(|wanted| *wanted != seen) {
            differs.push(format!("{what} is {seen}, expected {wanted}"));
        }
    };
    compare("the verdict", expected.verdict.as_deref(), &ended.verdict);
    let exit_code = expected.exit_code.map(|code| code.to_string());
    compare("the exit code", exit_code.as_deref(), &ended.exit_code.to_string());
    let kind = ended.failure.as_ref().map_or("none", |(kind, _)| kind);
    compare("the failure", expected.failure.as_deref(), kind);
    for (label, wanted) in &expected.checks {
        let outcomes = ended.checks.get(label);
        let other = |all: &'_ Vec<String>| all.iter().position(|outcome| outcome != wanted);
        let seen = outcomes.and_then(|all| all.get(other(all).unwrap_or(0)));
        let seen = seen.map_or("not decided", String::as_str);
        compare(&format!("check {label}"), Some(wanted), seen);
    }
    for (label, wanted) in &expected.recorded {
        let seen = ended.recorded.get(label).map_or("not recorded", String::as_str);
        compare(&format!("recorded {label}"), Some(wanted), seen);
    }
    if let Some(code) = &expected.report
        && ended.reports.iter().all(|(reported, _)| reported != code)
    {
        differs.push(format!("no report has the code {code}"));
    }
    if !differs.is_empty() {
        differs.extend(ended.told());
    }
    differs
}

impl Ended {
    /// What led to its end, a line each.
    fn told(&self) -> impl Iterator<Item = String> {
        let reports = self.reports.iter().take(MAX_TOLD);
        let reports = reports.map(|(code, headline)| format!("[{code}] {headline}"));
        let failure = self.failure.iter().map(|(kind, message)| format!("{kind}: {message}"));
        let decided = |(label, outcomes): (&String, &Vec<String>)| {
            let good = Outcome::Conforms.text();
            let bad = outcomes.iter().find(|outcome| *outcome != good)?;
            Some(format!("check {label}: {bad}"))
        };
        reports.chain(failure).chain(self.checks.iter().filter_map(decided).take(MAX_TOLD))
    }
}
