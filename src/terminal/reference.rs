//! The tables of built-ins, records and codes in words, for whoever reads them in a terminal.

use crate::builtins::{Builtin, Default, OPEN_NAMES, RecordSpec, TOPICS, records};
use crate::diagnostics::codes::Code;
use crate::syntax::Keyword;
use crate::terminal::{BOLD, beside, styled, wrapped};
use crate::visible;

/// `test_line(facet: number, plan: plan, [readings: number]) -> line`
pub fn signature(builtin: &Builtin) -> String {
    let parameters: Vec<String> = builtin
        .parameters
        .iter()
        .map(|parameter| {
            let kind = parameter.spec.to_type().name(&OPEN_NAMES);
            match parameter.default {
                Default::Required => format!("{}: {kind}", parameter.name),
                Default::Optional(_) => format!("[{}: {kind}]", parameter.name),
            }
        })
        .collect();
    let returns = builtin.returns.to_type().name(&OPEN_NAMES);
    let returns = if returns == "nothing" { String::new() } else { format!(" -> {returns}") };
    format!("{}({}){returns}", builtin.name, parameters.join(", "))
}

/// Every built-in by topic, and every record.
pub fn overview(colour: bool) -> String {
    let mut text = String::new();
    for topic in TOPICS {
        text.push_str(&format!("{}\n", styled(topic.title, BOLD, colour)));
        for builtin in topic.builtins {
            text.push_str(&format!("  {}\n", signature(builtin)));
        }
        text.push('\n');
    }
    let names: Vec<&str> = records().iter().map(|record| record.name).collect();
    text.push_str(&format!("{}\n  {}\n", styled("Records", BOLD, colour), names.join(", ")));
    text
}

/// A built-in: what it does, takes, gives and needs.
pub fn explained(builtin: &Builtin, colour: bool) -> String {
    let mut text = format!("{}\n\n", styled(&signature(builtin), BOLD, colour));
    text.push_str(&wrapped(builtin.meaning, ""));
    if !builtin.parameters.is_empty() {
        text.push('\n');
    }
    for parameter in builtin.parameters {
        let absent = match parameter.default {
            Default::Required => String::new(),
            Default::Optional(holds) => format!("; without it: {holds}"),
        };
        let line = format!("{}: {}{absent}", parameter.name, parameter.meaning);
        text.push_str(&wrapped(&line, "  "));
    }
    let effects: Vec<&str> = builtin.effects.iter().map(|effect| effect.text()).collect();
    let effects = if effects.is_empty() { "none".to_string() } else { effects.join(", ") };
    text.push_str(&format!("\nEffects on the head: {effects}\n"));
    text.push_str(&wrapped(&format!("Takes at most: {}", builtin.time.text()), ""));
    text.push_str("\nExample:\n");
    for line in builtin.example.lines() {
        text.push_str(&format!("  {line}\n"));
    }
    text
}

/// A keyword: what it means, and an example.
pub fn keyword(keyword: Keyword, colour: bool) -> String {
    let heading = styled(&format!("keyword {}", keyword.text()), BOLD, colour);
    let mut text = format!("{heading}\n\n{}\nExample:\n", wrapped(keyword.meaning(), ""));
    for line in keyword.example().lines() {
        text.push_str(&format!("  {line}\n"));
    }
    text
}

/// A record and its fields.
pub fn fields(record: &RecordSpec, colour: bool) -> String {
    let mut text = format!("{}\n\n", styled(&format!("record {}", record.name), BOLD, colour));
    text.push_str(&wrapped(record.meaning, ""));
    text.push('\n');
    let width = record.fields.iter().map(|(name, ..)| name.len()).fold(18, usize::max);
    for (name, spec, meaning) in record.fields {
        let kind = spec.to_type().name(&OPEN_NAMES);
        text.push_str(&beside(&format!("  {name:<width$} {kind:<14}"), meaning));
    }
    text
}

/// A code: what it means, why, and a wrong and a right example.
pub fn code(code: &Code, colour: bool) -> String {
    let heading = format!("{}: {}", code.code, code.meaning);
    let mut text = format!("{}\n\n", styled(&heading, BOLD, colour));
    text.push_str(&wrapped(&code.why, ""));
    for (title, example) in [("Wrong", &code.wrong), ("Right", &code.right)] {
        text.push_str(&format!("\n{}\n", styled(title, BOLD, colour)));
        for line in example.trim_matches('\n').lines() {
            text.push_str(&format!("  {}\n", visible::line(line)));
        }
    }
    text
}
