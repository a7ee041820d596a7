//! Results of tests for people, and as cases of JUnit and TAP.

use crate::record::{Again, CaseResult, ResultCase, shell_words};
use crate::suite::file::Test;
use crate::suite::{TestResult, Tested};
use crate::terminal::{BOLD, DIM, GREEN, RED, YELLOW, styled, wrapped};
use spintrue_head::visible_line;

/// The results, grouped by file, and a closing count.
pub(crate) fn text(results: &[Tested], colour: bool) -> String {
    let mut text = String::new();
    let mut file = "";
    for Tested { test, result, took } in results {
        if test.file != file {
            file = &test.file;
            text.push_str(&format!("{}\n", styled(&visible_line(file), BOLD, colour)));
        }
        let (mark, style) = match result {
            TestResult::Passed => ("passed ", GREEN),
            TestResult::Failed(_) => ("FAILED ", RED),
            TestResult::Known(_) => ("known  ", YELLOW),
            TestResult::NotRun => ("not run", YELLOW),
        };
        let name = visible_line(&test.name);
        let took = styled(&format!("{took:.3} s"), DIM, colour);
        text.push_str(&format!("  {}  {name}  {took}\n", styled(mark, style, colour)));
        match result {
            TestResult::Failed(differs) => {
                for line in differs {
                    text.push_str(&wrapped(&visible_line(line), "           "));
                }
                let again = format!("again: spintrue {}", shell_words(&again(test)));
                text.push_str(&format!("           {}\n", styled(&again, DIM, colour)));
            }
            TestResult::Known(reason) => {
                text.push_str(&wrapped(&format!("fails as is known: {reason}"), "           "));
            }
            _ => {}
        }
    }
    text.push_str(&format!("{}\n", counts(results)));
    text
}

/// How many ended how.
fn counts(results: &[Tested]) -> String {
    let count = |is: fn(&TestResult) -> bool| results.iter().filter(|one| is(&one.result)).count();
    let parts = [
        (count(|result| *result == TestResult::Passed), "passed"),
        (count(|result| matches!(result, TestResult::Failed(_))), "failed"),
        (count(|result| matches!(result, TestResult::Known(_))), "failed as is known"),
        (count(|result| *result == TestResult::NotRun), "not run"),
    ];
    let told = parts.iter().enumerate().filter(|(at, (count, _))| *at < 2 || *count > 0);
    let told: Vec<String> = told.map(|(_, (count, what))| format!("{count} {what}")).collect();
    told.join(", ")
}

/// The arguments of the program that run a test again.
fn again(test: &Test) -> Vec<String> {
    let again = Again {
        script: &test.script,
        address: &test.head,
        seed: Some(test.seed),
        faults: &test.faults,
        fixtures: Vec::new(),
        answers: test.answers.as_deref(),
        print: Vec::new(),
    };
    let settings = test.settings.iter().flat_map(|set| ["--set".to_string(), set.clone()]);
    again.arguments().into_iter().chain(settings).collect()
}

/// The results as cases of a report for build servers.
pub(crate) fn cases(results: &[Tested]) -> Vec<ResultCase> {
    let case = |Tested { test, result, took }: &Tested| ResultCase {
        name: test.name.clone(),
        class: test.file.clone(),
        result: match result {
            TestResult::Passed => CaseResult::Passed,
            TestResult::Failed(differs) => CaseResult::Failed("failed".into(), differs.join("; ")),
            TestResult::Known(reason) => CaseResult::Known(reason.clone()),
            TestResult::NotRun => {
                CaseResult::Failed("not run".into(), "the tests were stopped".into())
            }
        },
        took: *took,
        facts: vec![("again", format!("spintrue {}", shell_words(&again(test))))],
    };
    results.iter().map(case).collect()
}
