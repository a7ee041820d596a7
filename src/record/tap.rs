//! `results.tap`: the Test Anything Protocol, version 14.

use crate::record::data::{End, Record};
use crate::record::events::moment;
use crate::record::junit::{CaseResult, ResultCase};
use spintrue_head::{visible_line, visible_lines};
use spintrue_language::Outcome;

/// A test for each check, and a last one for the run itself.
pub(crate) fn tap(record: &Record, end: &End<'_>) -> String {
    let [conforming, failing, undecided] = end.left_out(&record.checks);
    let more = conforming + failing + undecided;
    let count = record.checks.items.len() + usize::from(more > 0) + 1;
    let mut text = format!("TAP version 14\n1..{count}\n");
    let identity = &record.identity;
    let kind = if identity.simulated { "simulated head" } else { "head" };
    let about = format!("{} on {kind} {} {}", identity.script, identity.model, identity.serial);
    text.push_str(&format!("# {}\n", visible_line(&about)));
    if identity.replay {
        text.push_str("# replay: a recording was played back, this is no fresh run\n");
    }
    for fault in &identity.faults {
        text.push_str(&format!("# fails on purpose: {}\n", visible_line(fault)));
    }
    for fault in &identity.provoked {
        text.push_str(&format!("# provoked by the script: {}\n", visible_line(fault)));
    }
    let mut number = 0;
    let mut test = |good: bool, name: &str, facts: &[(&str, String)]| {
        number += 1;
        text.push_str(&test_point(number, good, name, None, facts));
    };
    for check in &record.checks.items {
        let mut facts = check.facts_to_tell();
        facts.push(("head_time", format!("{} s", moment(check.time))));
        test(check.outcome == Outcome::Conforms, &check.label, &facts);
    }
    if more > 0 {
        let facts = [
            ("conforming", conforming.to_string()),
            ("failing", failing.to_string()),
            ("undecided", undecided.to_string()),
        ];
        test(failing + undecided == 0, &format!("{more} further checks"), &facts);
    }
    let trouble = end.trouble();
    let verdict = end.finished.verdict().text().to_string();
    let took = format!("{} s", moment(end.finished.took));
    let mut facts = vec![("verdict", verdict), ("head", end.left()), ("head_time", took)];
    facts.extend(trouble.clone().map(|trouble| ("message", trouble)));
    test(trouble.is_none(), RUN, &facts);
    text
}

/// A test for each result.
pub(crate) fn cases_tap(cases: &[ResultCase]) -> String {
    let mut text = format!("TAP version 14\n1..{}\n", cases.len());
    for (number, case) in (1..).zip(cases) {
        let name = format!("{}: {}", case.class, case.name);
        let mut facts = case.facts.clone();
        facts.push(("head_time", format!("{} s", moment(case.took))));
        let (good, known) = match &case.result {
            CaseResult::Passed => (true, None),
            CaseResult::Failed(kind, message) => {
                facts.push(("result", kind.clone()));
                facts.push(("message", message.clone()));
                (false, None)
            }
            CaseResult::Known(reason) => (false, Some(reason.as_str())),
        };
        text.push_str(&test_point(number, good, &name, known, &facts));
    }
    text
}

/// A test point with its facts; one that fails as is known is a TODO test, with the reason.
fn test_point(
    number: usize,
    good: bool,
    name: &str,
    known: Option<&str>,
    facts: &[(&str, String)],
) -> String {
    let word = if good { "ok" } else { "not ok" };
    let known = known.map_or(String::new(), |reason| format!(" # TODO {}", escaped(reason)));
    let facts = facts.iter().map(|(key, value)| format!("  {key}: {}\n", quoted(value)));
    let facts: String = facts.collect();
    format!("{word} {number} - {}{known}\n  ---\n{facts}  ...\n", escaped(name))
}

/// The name of the test of the run itself.
pub(super) const RUN: &str = "the run reaches its end and leaves the head safe";

/// A description: only these two characters mean anything there.
fn escaped(text: &str) -> String {
    visible_line(text).replace('\\', "\\\\").replace('#', "\\#")
}

/// A text in YAML: double quotes as in JSON, without what YAML does not print.
fn quoted(text: &str) -> String {
    serde_json::Value::String(visible_lines(text).into_owned()).to_string()
}
