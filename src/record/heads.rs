//! `junit.xml` of a batch: a test case for each head.

use crate::record::junit::{failed, seconds, xml};
use quick_junit::{Report, SerializeError, TestCase, TestCaseStatus, TestSuite};
use spintrue_head::visible_line;

/// The result of a head in a batch.
#[derive(Clone, Debug)]
pub(crate) struct HeadCase {
    /// Its serial number.
    pub serial: String,
    /// Its verdict, or `not run`.
    pub verdict: String,
    /// Whether it passed.
    pub passed: bool,
    /// Why it did not pass.
    pub message: String,
    /// Head time in s.
    pub took: f64,
    /// Names and values of further facts.
    pub facts: Vec<(&'static str, String)>,
}

/// A test case for each head. A head that was not run counts as a failure.
pub(crate) fn heads_junit(script: &str, heads: &[HeadCase]) -> Result<String, SerializeError> {
    let script = visible_line(script);
    let mut suite = TestSuite::new(script.as_str());
    let mut sum = 0.0;
    for head in heads {
        let status = if head.passed {
            TestCaseStatus::success()
        } else {
            failed(&head.verdict, head.message.clone())
        };
        let mut case = TestCase::new(visible_line(&head.serial), status);
        case.set_classname(script.as_str()).set_time(seconds(head.took));
        let facts =
            head.facts.iter().map(|(key, value)| format!("{key}: {}\n", visible_line(value)));
        case.set_system_out(facts.collect::<String>());
        sum += head.took.max(0.0);
        suite.add_test_case(case);
    }
    suite.set_time(seconds(sum));
    let mut report = Report::new("spintrue batch");
    report.add_test_suite(suite);
    xml(&report)
}
