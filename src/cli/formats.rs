//! Results of `check` for machines: JSON in a schema of our own, and SARIF.

use crate::cli::check::Checked;
use crate::error::Error;
use crate::terminal::emit;
use clap::ValueEnum;
use serde_json::{Value, json};
use spintrue_language::{
    AskedCheck, JsonChecked, JsonReport, PlannedCheck, Prepared, diagnostics_json as report_json,
    diagnostics_sarif, json_place,
};

/// Output format of `check`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(super) enum Format {
    /// Text with the source
    Text,
    /// One JSON object; `spintrue docs diagnostics` describes it
    Json,
    /// A SARIF 2.1.0 log, as editors and build servers read it
    Sarif,
}

/// Prints one object for the whole run. Scripts come with how they were named.
pub(super) fn print(format: Format, scripts: Vec<(&str, Result<Checked, Error>)>) {
    let (mut all, mut unread) = (Vec::new(), Vec::new());
    for (script, checked) in scripts {
        match checked {
            Ok(Checked { mut prepared, bound, too_long }) => {
                prepared.diagnostics.extend(too_long);
                all.push((script, prepared, bound.and_then(|bound| bound.most)));
            }
            Err(error) => unread.push((script.to_string(), error.to_string())),
        }
    }
    let checked: Vec<JsonChecked<'_>> = all
        .iter()
        .map(|(script, prepared, longest)| JsonChecked {
            script,
            sources: &prepared.sources,
            diagnostics: &prepared.diagnostics,
            may_run: prepared.errors() == 0,
            more: json!({
                "effects": effects(prepared),
                "checks": checks(prepared),
                "questions": questions(prepared),
                "unset": unset(prepared),
                "needs": prepared.needs(),
                "longest": longest.map(|seconds| json!({"value": seconds, "unit": "s"})),
            }),
        })
        .collect();
    let report = JsonReport { checked: &checked, unread: &unread };
    let value = match format {
        Format::Sarif => diagnostics_sarif(&report),
        Format::Text | Format::Json => report_json(&report),
    };
    emit(&format!("{value}\n"));
}

/// The checks that a script makes, in the order of the text.
fn checks(prepared: &Prepared) -> Value {
    let checks = prepared.program.iter().flat_map(|program| &program.checks);
    let check = |check: &PlannedCheck| {
        let at = json_place(check.span, &prepared.sources);
        json!({"label": check.label.as_ref(), "optional": check.optional, "at": at})
    };
    checks.map(check).collect()
}

/// The questions that it may ask, in the order of the text.
fn questions(prepared: &Prepared) -> Value {
    let question = |asked: &AskedCheck| {
        let at = json_place(asked.planned.span, &prepared.sources);
        let (question, wanted) = (asked.planned.label.as_ref(), asked.wanted.words());
        json!({"question": question, "wanted": wanted, "at": at})
    };
    prepared.questions().map(question).collect()
}

/// The params that must be set before it can run.
fn unset(prepared: &Prepared) -> Value {
    let unset = prepared.unset.iter().map(|param| {
        let at = json_place(param.span, &prepared.sources);
        json!({"param": param.name, "kind": param.kind, "at": at})
    });
    unset.collect()
}

/// What the script and then each of its routines may do to the head, with the calls that do it.
fn effects(prepared: &Prepared) -> Value {
    let all = prepared.effects.iter().rev().map(|one| {
        let effects = one.effects.iter().map(|(effect, brought)| {
            let call = prepared.sources.slice(brought.span);
            let at = json_place(brought.span, &prepared.sources);
            json!({"effect": effect.text(), "call": call, "at": at})
        });
        json!({"routine": one.routine, "effects": effects.collect::<Value>()})
    });
    all.collect()
}
