//! Diagnostics as SARIF 2.1.0 (OASIS standard, Static Analysis Results Interchange Format).
//! Uses source and the diagnostics beside it.

use crate::diagnostics::codes::{Code, topics};
use crate::diagnostics::json::{ARGUMENT, Report, with, word};
use crate::diagnostics::{Diagnostic, Help};
use crate::source::{SourceMap, Span};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::fmt::Write as _;

/// The whole report as one log with one run, whose rules are all codes.
pub fn sarif(report: &Report<'_>) -> Value {
    let codes: Vec<&Code> = topics().iter().flat_map(|topic| &topic.codes).collect();
    let rules: Vec<Value> = codes.iter().map(|code| rule(code)).collect();
    let index: BTreeMap<&str, usize> =
        codes.iter().enumerate().map(|(at, code)| (code.code, at)).collect();
    let results: Vec<Value> = report
        .diagnostics()
        .into_iter()
        .map(|(diagnostic, sources)| result(diagnostic, sources, &index))
        .collect();
    let artifacts: Vec<Value> = report
        .files()
        .into_iter()
        .map(|file| json!({"location": {"uri": uri(file)}, "sourceLanguage": "spintrue"}))
        .collect();
    let unread: Vec<Value> = report
        .unread
        .iter()
        .map(|(_, why)| json!({"level": "error", "message": {"text": why}}))
        .collect();
    json!({
        "$schema": "https://docs.oasis-open.org/sarif/sarif/v2.1.0/os/schemas/sarif-schema-2.1.0.json",
        "version": "2.1.0",
        "runs": [{
            "tool": {"driver": {
                "name": "spintrue",
                "version": env!("CARGO_PKG_VERSION"),
                "semanticVersion": env!("CARGO_PKG_VERSION"),
                "rules": rules,
            }},
            "columnKind": "unicodeCodePoints",
            "artifacts": artifacts,
            "invocations": [{
                "executionSuccessful": unread.is_empty(),
                "toolExecutionNotifications": unread,
            }],
            "results": results,
        }],
    })
}

fn rule(code: &Code) -> Value {
    let level = if code.code.starts_with('W') { "warning" } else { "error" };
    let why = &code.why;
    let help = format!("{why}\n\nWrong:\n{}\n\nRight:\n{}", code.wrong.trim(), code.right.trim());
    json!({
        "id": code.code,
        "shortDescription": {"text": code.meaning},
        "fullDescription": {"text": why},
        "help": {"text": help},
        "defaultConfiguration": {"level": level},
    })
}

fn result(diagnostic: &Diagnostic, sources: &SourceMap, index: &BTreeMap<&str, usize>) -> Value {
    let mut text = diagnostic.headline.clone();
    for help in &diagnostic.help {
        let _ = write!(text, "\nhelp: {}", help.text);
    }
    let mut places = diagnostic.labels.iter().map(|label| {
        let place = location(label.span, sources);
        match label.text.as_str() {
            "" => place,
            text => with(place, json!({"message": {"text": text}})),
        }
    });
    let main: Vec<Value> = places.next().into_iter().collect();
    let related: Vec<Value> = places.collect();
    let value = json!({
        "ruleId": diagnostic.code,
        // The standard has the same two words.
        "level": word(diagnostic.severity),
        "message": {"text": text},
        "locations": main,
        "relatedLocations": related,
    });
    let value = match index.get(diagnostic.code) {
        Some(at) => with(value, json!({"ruleIndex": at})),
        None => value,
    };
    let fixes: Vec<Value> = diagnostic.fixes().filter_map(|help| fix(help, sources)).collect();
    if fixes.is_empty() { value } else { with(value, json!({"fixes": fixes})) }
}

/// A way out as a `fix`: its changes stand in one file. Arguments are no files and have none.
fn fix(help: &Help, sources: &SourceMap) -> Option<Value> {
    let source = sources.get(help.edits.first()?.span.source)?;
    if source.name == ARGUMENT {
        return None;
    }
    let replacements = help.edits.iter().map(|edit| {
        let deleted = region(edit.span, sources);
        json!({"deletedRegion": deleted, "insertedContent": {"text": edit.text}})
    });
    Some(json!({
        "description": {"text": help.text},
        "artifactChanges": [{
            "artifactLocation": {"uri": uri(&source.name)},
            "replacements": replacements.collect::<Value>(),
        }],
        "properties": {"safe": help.is_safe},
    }))
}

fn location(span: Span, sources: &SourceMap) -> Value {
    let Some(source) = sources.get(span.source) else { return json!({}) };
    if source.name == ARGUMENT {
        // An argument is no file: the standard has logical locations for such.
        let name = format!("{ARGUMENT} {}", source.text);
        return json!({"logicalLocations": [{"fullyQualifiedName": name, "kind": "parameter"}]});
    }
    json!({"physicalLocation": {
        "artifactLocation": {"uri": uri(&source.name)},
        "region": region(span, sources),
    }})
}

fn region(span: Span, sources: &SourceMap) -> Value {
    let (start_line, start_column) = sources.line_column(span.source, span.start);
    let (end_line, end_column) = sources.line_column(span.source, span.end);
    json!({
        "startLine": start_line,
        "startColumn": start_column,
        "endLine": end_line,
        "endColumn": end_column,
    })
}

/// A path as a URI reference (RFC 3986): relative as it is, absolute with `file://`; what a path
/// may hold and a URI may not is percent-encoded.
fn uri(path: &str) -> String {
    let drive = path.as_bytes().get(1) == Some(&b':');
    let mut uri = match (path.starts_with('/'), drive) {
        (true, _) => "file://".to_string(),
        (false, true) => "file:///".to_string(),
        (false, false) => String::new(),
    };
    for (at, byte) in path.bytes().enumerate() {
        let plain = byte.is_ascii_alphanumeric() || b"-._~/".contains(&byte);
        if plain || (drive && at == 1) {
            uri.push(char::from(byte));
        } else {
            let _ = write!(uri, "%{byte:02X}");
        }
    }
    uri
}

#[cfg(test)]
mod tests {
    use super::uri;

    #[test]
    fn paths_become_uris() {
        assert_eq!(uri("scripts/lib/a.spt"), "scripts/lib/a.spt");
        assert_eq!(uri("/bench/head 7.spt"), "file:///bench/head%207.spt");
        assert_eq!(uri("C:/bench/µ.spt"), "file:///C:/bench/%C2%B5.spt");
        // A colon in the first part of a relative path would read as a scheme.
        assert_eq!(uri("a b:c#d.spt"), "a%20b%3Ac%23d.spt");
    }
}
