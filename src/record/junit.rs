//! `junit.xml`: test results as build servers read them, of a run and of a batch.

use crate::record::data::{End, Record};
use crate::record::tap::RUN;
use quick_xml::SeError;
use quick_xml::se::Serializer;
use serde::Serialize;
use spintrue_head::{visible_line, visible_lines};
use spintrue_language::Outcome;

/// A test case for each check, and a last one for the run itself. Undecided checks are failures of
/// the type `undecided`, and those that were planned and not reached are failures too: nothing may pass
/// that was not decided.
pub(crate) fn junit(record: &Record, end: &End<'_>) -> Result<String, SeError> {
    let identity = &record.identity;
    let class = identity.script.as_str();
    let mut suite = Suite::new(class, Some(zoneless(&identity.started)));
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
    let known = known.chain(identity.named.iter().cloned());
    let faults = identity.faults.iter().map(|fault| ("fault on purpose", fault));
    let provoked = identity.provoked.iter().map(|fault| ("provoked by the script", fault));
    let faults = faults.chain(provoked).map(|(name, fault)| (name.to_string(), fault.clone()));
    let params = identity.params.iter().map(|(name, v)| (format!("param {name}"), v.clone()));
    let sources = identity.sources.iter().map(|s| (format!("sha256 {}", s.name), s.sha256.clone()));
    for (name, value) in known.chain(faults).chain(params).chain(sources) {
        suite.add_property(name, &value);
    }
    let mut before = 0.0;
    for check in &record.checks.items {
        let facts = check.facts_to_tell().into_iter();
        let facts = facts.map(|(key, value)| format!("{key}: {value}\n"));
        let took = Some(check.time - before);
        let case = Case::new(&check.label, class, took, &facts.collect::<String>());
        suite.add(match check.outcome {
            Outcome::Conforms => case,
            Outcome::Fails | Outcome::Undecided => {
                case.failed(check.outcome_text(), &check.message())
            }
        });
        before = check.time;
    }
    let [conforming, failing, undecided] = end.left_out(&record.checks);
    if conforming + failing + undecided > 0 {
        let message =
            format!("{conforming} conform, {failing} do not conform, {undecided} are undecided");
        let case = Case::new("further checks", class, None, &message);
        let is_good = failing + undecided == 0;
        suite.add(if is_good { case } else { case.failed("does not conform", &message) });
    }
    let (verdict, took) = (end.finished.verdict().text(), end.finished.took);
    let out = format!("verdict: {verdict}\nhead: {}\n", end.left());
    let case = Case::new(RUN, class, Some(took - before), &out);
    suite.add(match end.trouble() {
        None => case,
        Some(message) => case.broken(verdict, &message),
    });
    suite.time = seconds(took);
    suite.xml("spintrue")
}

/// The schema has date and time to the second, without a zone; ours is in UTC.
fn zoneless(started: &str) -> &str {
    started.get(..19).unwrap_or(started)
}

/// The result of one of many: of a head in a batch, of a test.
#[derive(Clone, Debug)]
pub(crate) struct ResultCase {
    /// Its serial number, or the name of the test.
    pub name: String,
    /// What it belongs to: the script, or the file of the test.
    pub class: String,
    pub result: CaseResult,
    /// Head time in s.
    pub took: f64,
    /// Names and values of further facts.
    pub facts: Vec<(&'static str, String)>,
}

/// How a case ended.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum CaseResult {
    Passed,
    /// It did not pass: a word for how, and why.
    Failed(String, String),
    /// It fails as is known; why.
    Known(String),
}

/// A test case for each result; `name` is that of the whole report, `suite` of what holds the cases.
pub(crate) fn cases_junit(
    name: &str,
    suite: &str,
    cases: &[ResultCase],
) -> Result<String, SeError> {
    let mut suite = Suite::new(suite, None);
    let mut sum = 0.0;
    for one in cases {
        let facts =
            one.facts.iter().map(|(key, value)| format!("{key}: {}\n", visible_line(value)));
        let case = Case::new(&one.name, &one.class, Some(one.took), &facts.collect::<String>());
        suite.add(match &one.result {
            CaseResult::Passed => case,
            CaseResult::Failed(kind, message) => case.failed(kind, message),
            CaseResult::Known(reason) => {
                let reason = format!("known failure: {}", visible_line(reason));
                Case { skipped: Some(reason), ..case }
            }
        });
        sum += one.took.max(0.0);
    }
    suite.time = seconds(sum);
    suite.xml(name)
}

/// The results of a suite.
#[derive(Serialize)]
#[serde(rename = "testsuites")]
struct Report<'a> {
    #[serde(rename = "@name")]
    name: &'a str,
    #[serde(rename = "@tests")]
    tests: usize,
    #[serde(rename = "@failures")]
    failures: usize,
    #[serde(rename = "@errors")]
    errors: usize,
    testsuite: Suite,
}

/// Test cases that belong together.
#[derive(Default, Serialize)]
struct Suite {
    #[serde(rename = "@name")]
    name: String,
    #[serde(rename = "@tests")]
    tests: usize,
    #[serde(rename = "@skipped")]
    skipped: usize,
    #[serde(rename = "@errors")]
    errors: usize,
    #[serde(rename = "@failures")]
    failures: usize,
    #[serde(rename = "@time")]
    time: String,
    #[serde(rename = "@timestamp", skip_serializing_if = "Option::is_none")]
    timestamp: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    properties: Option<Properties>,
    #[serde(rename = "testcase")]
    cases: Vec<Case>,
}

#[derive(Default, Serialize)]
struct Properties {
    property: Vec<Property>,
}

#[derive(Serialize)]
struct Property {
    #[serde(rename = "@name")]
    name: String,
    #[serde(rename = "@value")]
    value: String,
}

/// One result.
#[derive(Serialize)]
struct Case {
    #[serde(rename = "@name")]
    name: String,
    #[serde(rename = "@classname")]
    class: String,
    #[serde(rename = "@time", skip_serializing_if = "Option::is_none")]
    time: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    failure: Option<Trouble>,
    #[serde(skip_serializing_if = "Option::is_none")]
    error: Option<Trouble>,
    #[serde(skip_serializing_if = "Option::is_none")]
    skipped: Option<String>,
    #[serde(rename = "system-out")]
    out: String,
}

#[derive(Serialize)]
struct Trouble {
    #[serde(rename = "@message")]
    message: String,
    #[serde(rename = "@type")]
    kind: String,
}

impl Suite {
    /// An empty suite; it starts at a date and time to the second, without a zone, which the schema
    /// has no room for.
    fn new(name: &str, timestamp: Option<&str>) -> Suite {
        let timestamp = timestamp.map(str::to_string);
        Suite { name: visible_line(name), timestamp, time: seconds(0.0), ..Suite::default() }
    }

    fn add_property(&mut self, name: String, value: &str) {
        let value = visible_line(value);
        self.properties.get_or_insert_default().property.push(Property { name, value });
    }

    fn add(&mut self, case: Case) {
        self.tests += 1;
        self.failures += usize::from(case.failure.is_some());
        self.errors += usize::from(case.error.is_some());
        self.skipped += usize::from(case.skipped.is_some());
        self.cases.push(case);
    }

    /// The report as XML, which takes no character that shows nothing: U+FFFE makes a file unreadable.
    fn xml(self, name: &str) -> Result<String, SeError> {
        let (tests, failures, errors) = (self.tests, self.failures, self.errors);
        let report = Report { name, tests, failures, errors, testsuite: self };
        let mut text = "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n".to_string();
        let mut serializer = Serializer::new(&mut text);
        serializer.indent(' ', 1);
        report.serialize(serializer)?;
        text.push('\n');
        Ok(visible_lines(&text).into_owned())
    }
}

impl Case {
    /// A success, with what the test printed.
    fn new(name: &str, class: &str, time: Option<f64>, out: &str) -> Case {
        Case {
            name: visible_line(name),
            class: visible_line(class),
            time: time.map(seconds),
            failure: None,
            error: None,
            skipped: None,
            out: visible_lines(out).into_owned(),
        }
    }

    /// A failure: what was tested is wrong.
    fn failed(self, kind: &str, message: &str) -> Case {
        Case { failure: Some(trouble(kind, message)), ..self }
    }

    /// An error: the test could not be done.
    fn broken(self, kind: &str, message: &str) -> Case {
        Case { error: Some(trouble(kind, message)), ..self }
    }
}

fn trouble(kind: &str, message: &str) -> Trouble {
    Trouble { message: visible_line(message), kind: kind.to_string() }
}

/// A length of head time in s; nothing where a head's clock went astray.
fn seconds(time: f64) -> String {
    format!("{:.3}", if time.is_finite() { time.max(0.0) } else { 0.0 })
}
