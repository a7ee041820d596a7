//! `builtins`: lists the built-ins, or explains one.

use crate::builtins::{Builtin, Default, OPEN_NAMES, RecordSpec, TOPICS, records, table};
use crate::cli::WRONG;
use crate::terminal::{BOLD, colour_output, complain, say, styled, wrapped};
use clap::Args;

pub(super) const AFTER_HELP: &str = "\
Examples:
  spintrue builtins
  spintrue builtins test_line
  spintrue builtins plan            the fields of a record";

#[derive(Args)]
pub(super) struct Options {
    /// A built-in or a record
    name: Option<String>,
}

pub(super) fn list(options: &Options) -> u8 {
    let colour = colour_output();
    let Some(name) = &options.name else {
        say(&overview(colour));
        return 0;
    };
    let builtin = table().iter().find(|b| b.name == name);
    let record = records().iter().find(|r| r.name == name);
    if builtin.is_none() && record.is_none() {
        let known: Vec<&str> =
            table().iter().map(|b| b.name).chain(records().iter().map(|r| r.name)).collect();
        let near = known
            .iter()
            .map(|known| (strsim::jaro_winkler(known, name), known))
            .filter(|(score, _)| *score > 0.75)
            .max_by(|a, b| a.0.total_cmp(&b.0));
        let way = match near {
            Some((_, near)) => format!("did you mean `{near}`?"),
            None => "`spintrue builtins` lists them all".to_string(),
        };
        complain(&format!("error: there is no built-in and no record `{name}`; {way}\n"));
        return WRONG;
    }
    if let Some(builtin) = builtin {
        say(&explained(builtin, colour));
    }
    if let Some(record) = record {
        say(&fields(record, colour));
    }
    0
}

/// `test_line(facet: number, plan: plan, [readings: number]) -> line`
fn signature(builtin: &Builtin) -> String {
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

fn overview(colour: bool) -> String {
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
    text.push_str("\n`[x: ...]` may be left out. `spintrue builtins NAME` explains one.\n");
    text
}

fn explained(builtin: &Builtin, colour: bool) -> String {
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
    text.push_str(&wrapped(&format!("Takes at most: {}", builtin.longest.text()), ""));
    text.push_str("\nExample:\n");
    for line in builtin.example.lines() {
        text.push_str(&format!("  {line}\n"));
    }
    text
}

fn fields(record: &RecordSpec, colour: bool) -> String {
    let mut text = format!("{}\n\n", styled(&format!("record {}", record.name), BOLD, colour));
    text.push_str(&wrapped(record.meaning, ""));
    text.push('\n');
    let width = record.fields.iter().map(|(name, ..)| name.len()).fold(18, usize::max);
    for (name, spec, meaning) in record.fields {
        let kind = spec.to_type().name(&OPEN_NAMES);
        text.push_str(&format!("  {name:<width$} {kind:<14} {meaning}\n"));
    }
    text
}
