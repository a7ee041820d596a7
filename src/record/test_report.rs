//! Test results in the XML of JUnit: the parts of it that build servers read, as plain data.

use quick_xml::SeError;
use quick_xml::se::Serializer;
use serde::Serialize;
use spintrue_head::{visible_line, visible_lines};

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
pub(super) struct Suite {
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
pub(super) struct Case {
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
    pub(super) fn new(name: &str, timestamp: Option<&str>) -> Suite {
        let timestamp = timestamp.map(str::to_string);
        Suite { name: visible_line(name), timestamp, time: seconds(0.0), ..Suite::default() }
    }

    pub(super) fn set_time(&mut self, time: f64) {
        self.time = seconds(time);
    }

    pub(super) fn add_property(&mut self, name: String, value: &str) {
        let value = visible_line(value);
        self.properties.get_or_insert_default().property.push(Property { name, value });
    }

    pub(super) fn add(&mut self, case: Case) {
        self.tests += 1;
        self.failures += usize::from(case.failure.is_some());
        self.errors += usize::from(case.error.is_some());
        self.cases.push(case);
    }

    /// The report as XML, which takes no character that shows nothing: U+FFFE makes a file unreadable.
    pub(super) fn xml(self, name: &str) -> Result<String, SeError> {
        let (tests, failures, errors) = (self.tests, self.failures, self.errors);
        let report = Report { name, tests, failures, errors, testsuite: self };
        let mut text = "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n".to_string();
        let mut serializer = Serializer::new(&mut text);
        serializer.indent(' ', 4);
        report.serialize(serializer)?;
        text.push('\n');
        Ok(visible_lines(&text).into_owned())
    }
}

impl Case {
    /// A success, with what the test printed.
    pub(super) fn new(name: &str, class: &str, time: Option<f64>, out: &str) -> Case {
        Case {
            name: visible_line(name),
            class: visible_line(class),
            time: time.map(seconds),
            failure: None,
            error: None,
            out: visible_lines(out).into_owned(),
        }
    }

    /// A failure: what was tested is wrong.
    pub(super) fn failed(self, kind: &str, message: &str) -> Case {
        Case { failure: Some(trouble(kind, message)), ..self }
    }

    /// An error: the test could not be done.
    pub(super) fn broken(self, kind: &str, message: &str) -> Case {
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
