//! The tables of built-ins, record types and codes, for people at a terminal.

use crate::terminal::{BOLD, beside, styled, wrapped};
use spintrue_head::visible_line;
use spintrue_language::{
    Builtin, Callable, Code, Keyword, RecordSpec, builtin_records, effects_text, topics,
};

/// Every built-in by topic, and every record type.
pub(crate) fn overview(colour: bool) -> String {
    let mut text = String::new();
    for topic in topics() {
        text.push_str(&format!("{}\n", styled(topic.title, BOLD, colour)));
        for builtin in &topic.builtins {
            text.push_str(&format!("  {}\n", Callable::builtin(builtin).signature()));
        }
        text.push('\n');
    }
    let names: Vec<&str> = builtin_records().iter().map(|record| record.name).collect();
    text.push_str(&format!("{}\n  {}\n", styled("Records", BOLD, colour), names.join(", ")));
    text
}

/// A built-in: what it does, its parameters, result, effects and time.
pub(crate) fn explained(builtin: &Builtin, colour: bool) -> String {
    let callable = Callable::builtin(builtin);
    let mut text = format!("{}\n\n", styled(&callable.signature(), BOLD, colour));
    text.push_str(&wrapped(&callable.meaning, ""));
    if !callable.parameters.is_empty() {
        text.push('\n');
    }
    for parameter in &callable.parameters {
        text.push_str(&wrapped(&format!("{}: {}", parameter.name, parameter.meaning), "  "));
    }
    text.push_str(&format!("\n{}\n", effects_text(builtin.page().effects.iter().copied())));
    text.push_str(&wrapped(&format!("Takes at most: {}", builtin.time.text()), ""));
    format!("{text}\nExample:\n{}", indented(builtin.page().example))
}

/// A keyword: what it means, and an example.
pub(crate) fn keyword(keyword: Keyword, colour: bool) -> String {
    let heading = styled(&format!("keyword {}", keyword.text()), BOLD, colour);
    let meaning = wrapped(keyword.meaning(), "");
    format!("{heading}\n\n{meaning}\nExample:\n{}", indented(keyword.example()))
}

fn indented(example: &str) -> String {
    example.lines().map(|line| format!("  {}\n", visible_line(line))).collect()
}

/// A record type and its fields.
pub(crate) fn fields(record: &RecordSpec, colour: bool) -> String {
    let mut text = format!("{}\n\n", styled(&format!("record {}", record.name), BOLD, colour));
    let page = record.page();
    text.push_str(&wrapped(&page.meaning(), ""));
    text.push('\n');
    let width = page.fields.iter().map(|field| field.name.len()).fold(18, usize::max);
    for field in &page.fields {
        let (name, kind) = (field.name, field.kind);
        text.push_str(&beside(&format!("  {name:<width$} {kind:<14}"), &field.meaning()));
    }
    text
}

/// A code: what it means, why, and a wrong and a right example.
pub(crate) fn code(code: &Code, colour: bool) -> String {
    let heading = format!("{}: {}", code.code, code.meaning);
    let mut text = format!("{}\n\n", styled(&heading, BOLD, colour));
    text.push_str(&wrapped(&code.why, ""));
    for (title, example) in [("Wrong", &code.wrong), ("Right", &code.right)] {
        let example = indented(example.trim_matches('\n'));
        text.push_str(&format!("\n{}\n{example}", styled(title, BOLD, colour)));
    }
    text
}
