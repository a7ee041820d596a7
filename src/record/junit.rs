//! `junit.xml`: test results as build servers read them.

use crate::record::data::Record;
use crate::record::tap::RUN;
use quick_junit::{NonSuccessKind, Report, SerializeError, TestCase, TestCaseStatus, TestSuite};
use spintrue_head::{visible_line, visible_lines};
use spintrue_language::Outcome;
use std::time::Duration;

/// A test case for each check, and a last one for the run itself. Undecided checks are failures of
/// the type `undecided`, and those that
/// were planned and not reached are failures too: nothing may pass that was not decided.
pub(crate) fn junit(record: &Record) -> Result<String, SerializeError> {
    let identity = &record.identity;
    let mut suite = TestSuite::new(visible_line(&identity.script));
    suite.extra.insert("timestamp".into(), zoneless(&identity.started).into());
    let is = |is: bool| is.to_string();
    let known = [
        ("spintrue", Some(identity.spintrue.clone())),
        ("head model", Some(identity.model.clone())),
        ("head serial", Some(identity.serial.clone())),
        ("simulated", Some(is(identity.simulated))),
        ("replay", Some(is(identity.replay))),
        ("seed", identity.seed.map(|seed| seed.to_string())),
        ("operator", identity.operator.clone()),
        ("started", Some(identity.started.clone())),
    ];
    let known = known.into_iter().filter_map(|(name, value)| Some((name.to_string(), value?)));
    let faults = identity.faults.iter().map(|fault| ("fault on purpose", fault));
    let provoked = identity.provoked.iter().map(|fault| ("provoked by the script", fault));
    let faults = faults.chain(provoked).map(|(name, fault)| (name.to_string(), fault.clone()));
    let params = identity.params.iter().map(|(name, v)| (format!("param {name}"), v.clone()));
    let sources = identity.sources.iter().map(|s| (format!("sha256 {}", s.name), s.sha256.clone()));
    for (name, value) in known.chain(faults).chain(params).chain(sources) {
        suite.add_property((name.as_str(), visible_line(&value).as_str()));
    }
    let class = visible_line(&identity.script);
    let mut before = 0.0;
    for check in &record.checks.items {
        let status = match check.outcome {
            Outcome::Conforms => TestCaseStatus::success(),
            Outcome::Fails | Outcome::Undecided => failed(check.outcome_text(), check.message()),
        };
        let mut case = TestCase::new(visible_line(&check.label), status);
        case.set_classname(class.as_str()).set_time(seconds(check.time - before));
        let facts = check.facts.iter().map(|(key, value)| format!("{key}: {value}\n"));
        case.set_system_out(visible_lines(&facts.collect::<String>()).as_ref());
        before = check.time;
        suite.add_test_case(case);
    }
    let [conforming, failing, undecided] = record.more;
    if conforming + failing + undecided > 0 {
        let message =
            format!("{conforming} conform, {failing} do not conform, {undecided} are undecided");
        let good = failing + undecided == 0;
        let status = if good {
            TestCaseStatus::success()
        } else {
            failed("does not conform", message.clone())
        };
        let mut case = TestCase::new("further checks", status);
        case.set_classname(class.as_str()).set_system_out(message);
        suite.add_test_case(case);
    }
    if let Some(end) = &record.end {
        let status = match end.trouble() {
            None => TestCaseStatus::success(),
            Some(message) => {
                let mut status = TestCaseStatus::non_success(NonSuccessKind::Error);
                status.set_type(end.verdict.text()).set_message(visible_line(&message));
                status
            }
        };
        let mut case = TestCase::new(RUN, status);
        case.set_classname(class.as_str()).set_time(seconds(end.took - before));
        let out = format!("verdict: {}\nhead: {}\n", end.verdict.text(), end.left());
        case.set_system_out(visible_lines(&out).as_ref());
        suite.add_test_case(case).set_time(seconds(end.took));
    }
    let mut report = Report::new("spintrue");
    report.add_test_suite(suite);
    xml(&report)
}

/// A report as XML, which takes no character that shows nothing: U+FFFE makes a file unreadable.
pub(super) fn xml(report: &Report) -> Result<String, SerializeError> {
    // The schema knows no count of skipped tests at the outermost element, and none is skipped.
    let text = report.to_string()?.replacen(" skipped=\"0\"", "", 1);
    Ok(visible_lines(&text).into_owned())
}

pub(super) fn failed(kind: &str, message: String) -> TestCaseStatus {
    let mut status = TestCaseStatus::non_success(NonSuccessKind::Failure);
    status.set_type(kind).set_message(visible_line(&message));
    status
}

/// A length of head time; nothing where a head's clock went astray.
pub(super) fn seconds(time: f64) -> Duration {
    Duration::try_from_secs_f64(time.max(0.0)).unwrap_or_default()
}

/// The schema has date and time to the second, without a zone; ours is in UTC.
fn zoneless(started: &str) -> &str {
    started.get(..19).unwrap_or(started)
}
