//! Diagnostics for machines, in a schema of our own: `docs/diagnostics.md` describes it. Uses
//! source and the diagnostics beside it.

use crate::diagnostics::{Diagnostic, Help, Label, Severity};
use crate::source::{SourceMap, Span};
use serde_json::{Value, json};
use std::collections::BTreeSet;

/// The name of the schema. Fields may be added under it, and none changes its meaning.
pub(crate) const SCHEMA: &str = "spintrue-diagnostics-1";

/// The name under which arguments of `--set` stand among the sources.
pub(crate) const ARGUMENT: &str = "--set";

/// What checking one script came to.
pub struct Checked<'a> {
    /// The script, as it was named.
    pub script: &'a str,
    /// All texts.
    pub sources: &'a SourceMap,
    /// What is to be said.
    pub diagnostics: &'a [Diagnostic],
    /// Nothing forbids it to run.
    pub may_run: bool,
    /// More fields of the script's own entry.
    pub more: Value,
}

/// One run of a checker over some scripts.
pub struct Report<'a> {
    /// Scripts that were read.
    pub checked: &'a [Checked<'a>],
    /// Scripts that could not be read, and why.
    pub unread: &'a [(String, String)],
}

impl<'a> Report<'a> {
    /// Each diagnostic once, though several scripts use the file that it is in.
    pub(super) fn diagnostics(&self) -> Vec<(&'a Diagnostic, &'a SourceMap)> {
        let mut seen = BTreeSet::new();
        let all = self.checked.iter().flat_map(|checked| {
            checked.diagnostics.iter().map(move |diagnostic| (diagnostic, checked.sources))
        });
        all.filter(|(diagnostic, sources)| {
            let span = diagnostic.span();
            let text = sources.get(span.source);
            let argument = text.filter(|text| text.name == ARGUMENT).map(|text| text.text.clone());
            let file = text.map_or("", |text| text.name.as_str());
            let place = (file, argument, span.start, span.end);
            seen.insert((place, diagnostic.code, diagnostic.headline.as_str()))
        })
        .collect()
    }

    /// The names of all files that were read, each once.
    pub(super) fn files(&self) -> Vec<&'a str> {
        let mut seen = BTreeSet::new();
        let names = self.checked.iter().flat_map(|checked| checked.sources.iter());
        names
            .map(|(_, source)| source.name.as_str())
            .filter(|name| *name != ARGUMENT && seen.insert(*name))
            .collect()
    }
}

/// The whole report as one object.
pub fn json(report: &Report<'_>) -> Value {
    let scripts: Vec<Value> = report.checked.iter().map(script).collect();
    let unread: Vec<Value> = report
        .unread
        .iter()
        .map(|(script, reason)| json!({"script": script, "reason": reason}))
        .collect();
    let diagnostics: Vec<Value> = report
        .diagnostics()
        .into_iter()
        .map(|(diagnostic, sources)| object(diagnostic, sources))
        .collect();
    json!({
        "schema": SCHEMA,
        "tool": {"name": "spintrue", "version": env!("CARGO_PKG_VERSION")},
        "files": report.files(),
        "scripts": scripts,
        "unread": unread,
        "diagnostics": diagnostics,
    })
}

fn script(checked: &Checked<'_>) -> Value {
    let count = |severity| checked.diagnostics.iter().filter(|d| d.severity == severity).count();
    let entry = json!({
        "script": checked.script,
        "may_run": checked.may_run,
        "errors": count(Severity::Error),
        "warnings": count(Severity::Warning),
    });
    with(entry, checked.more.clone())
}

/// An object with the fields of another.
pub(super) fn with(mut value: Value, more: Value) -> Value {
    if let (Value::Object(fields), Value::Object(more)) = (&mut value, more) {
        fields.extend(more);
    }
    value
}

fn object(diagnostic: &Diagnostic, sources: &SourceMap) -> Value {
    let file = sources.get(diagnostic.span().source).map(|source| source.name.as_str());
    let labels: Vec<Value> = diagnostic
        .labels
        .iter()
        .enumerate()
        .map(|(at, label)| label_object(label, at == 0, sources))
        .collect();
    let help: Vec<&str> = diagnostic.help.iter().map(|help| help.text.as_str()).collect();
    let told = json!({
        "code": diagnostic.code,
        "severity": word(diagnostic.severity),
        "headline": diagnostic.headline,
        "file": file,
        "labels": labels,
        "help": help,
    });
    let fixes: Vec<Value> = diagnostic.fixes().map(|help| fix_object(help, sources)).collect();
    if fixes.is_empty() { told } else { with(told, json!({"fixes": fixes})) }
}

fn fix_object(help: &Help, sources: &SourceMap) -> Value {
    let edits = help.edits.iter();
    let edits = edits.map(|edit| with(place(edit.span, sources), json!({"text": edit.text})));
    json!({"help": help.text, "safe": help.is_safe, "edits": edits.collect::<Value>()})
}

fn label_object(label: &Label, main: bool, sources: &SourceMap) -> Value {
    with(place(label.span, sources), json!({"text": label.text, "main": main}))
}

/// `{file, start, end}` of a span; an argument of `--set` comes with its text.
pub fn place(span: Span, sources: &SourceMap) -> Value {
    let position = |offset: u32| {
        let (line, column) = sources.line_column(span.source, offset);
        json!({"line": line, "column": column, "byte": offset})
    };
    let source = sources.get(span.source);
    let value = json!({
        "file": source.map(|source| source.name.as_str()),
        "start": position(span.start),
        "end": position(span.end),
    });
    match source {
        Some(source) if source.name == ARGUMENT => {
            with(value, json!({"argument": source.text.as_ref()}))
        }
        _ => value,
    }
}

/// `error` or `warning`.
pub(super) fn word(severity: Severity) -> &'static str {
    match severity {
        Severity::Error => "error",
        Severity::Warning => "warning",
    }
}
