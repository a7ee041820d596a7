//! `junit.xml`: test results as build servers read them.

use crate::record::data::Record;
use crate::record::tap::RUN;
use crate::record::test_report::{Case, Suite};
use quick_xml::SeError;
use spintrue_language::Outcome;

/// A test case for each check, and a last one for the run itself. Undecided checks are failures of
/// the type `undecided`, and those that
/// were planned and not reached are failures too: nothing may pass that was not decided.
pub(crate) fn junit(record: &Record) -> Result<String, SeError> {
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
        let facts = check.facts.iter().map(|(key, value)| format!("{key}: {value}\n"));
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
    let [conforming, failing, undecided] = record.more;
    if conforming + failing + undecided > 0 {
        let message =
            format!("{conforming} conform, {failing} do not conform, {undecided} are undecided");
        let case = Case::new("further checks", class, None, &message);
        let is_good = failing + undecided == 0;
        suite.add(if is_good { case } else { case.failed("does not conform", &message) });
    }
    if let Some(end) = &record.end {
        let out = format!("verdict: {}\nhead: {}\n", end.verdict.text(), end.left());
        let case = Case::new(RUN, class, Some(end.took - before), &out);
        suite.add(match end.trouble() {
            None => case,
            Some(message) => case.broken(end.verdict.text(), &message),
        });
        suite.set_time(end.took);
    }
    suite.xml("spintrue")
}

/// The schema has date and time to the second, without a zone; ours is in UTC.
fn zoneless(started: &str) -> &str {
    started.get(..19).unwrap_or(started)
}
