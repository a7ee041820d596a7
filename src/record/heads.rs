//! `junit.xml` of a batch: a test case for each head.

use crate::record::test_report::{Case, Suite};
use quick_xml::SeError;
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
pub(crate) fn heads_junit(script: &str, heads: &[HeadCase]) -> Result<String, SeError> {
    let mut suite = Suite::new(script, None);
    let mut sum = 0.0;
    for head in heads {
        let facts =
            head.facts.iter().map(|(key, value)| format!("{key}: {}\n", visible_line(value)));
        let case = Case::new(&head.serial, script, Some(head.took), &facts.collect::<String>());
        suite.add(if head.passed { case } else { case.failed(&head.verdict, &head.message) });
        sum += head.took.max(0.0);
    }
    suite.set_time(sum);
    suite.xml("spintrue batch")
}
