//! `help`: what a name means, from the tables of the language and from what was typed.

use crate::shell::commands::{COMMANDS, Command};
use crate::shell::console::Console;
use crate::shell::outcome::EntryOutcome;
use crate::terminal::reference::{code as code_text, explained, fields, keyword};
use crate::terminal::{BOLD, styled, units, wrapped};
use spintrue_language::{
    Keyword, builtin_records, builtins, find_code, kind_text, one_line_text, topics, unit_text,
};

/// `help`
pub(super) fn help(console: &Console, rest: &str) -> EntryOutcome {
    let name = rest.trim().trim_end_matches("()");
    if name.is_empty() {
        return EntryOutcome::done(&overview(console.watch.colour));
    }
    let Some(text) = about(console, name) else {
        let way = match near(console, name) {
            Some(near) => format!("did you mean `{near}`?"),
            None => "`help` alone lists what there is".to_string(),
        };
        return EntryOutcome::wrong(format!("there is no `{name}` here; {way}"));
    };
    EntryOutcome::done(&text)
}

/// Everything that is known of a name; a name may be more than one thing.
fn about(console: &Console, name: &str) -> Option<String> {
    let colour = console.watch.colour;
    let mut parts = Vec::new();
    if let Some(command) = COMMANDS.iter().find(|command| command.name == name) {
        parts.push(command_text(command, colour));
    }
    console.watch.shared.with(|known| {
        let known = &known.scope;
        if let Some(value) = known.values.get(name) {
            let line = format!("{name}: {}", value.kind);
            parts.push(format!("{}\n  {}\n", styled(&line, BOLD, colour), value.text));
        }
        if let Some(routine) = known.routines.get(name) {
            let line = format!("routine {}", routine.signature());
            let meaning = wrapped(&one_line_text(&routine.meaning), "  ");
            parts.push(format!("{}\n{meaning}", styled(&line, BOLD, colour)));
        }
    });
    if name == "units" {
        parts.push(units::list(colour));
    }
    let wanted = name.to_uppercase();
    let code = find_code(&wanted);
    parts.extend(code.map(|found| code_text(found, colour)));
    let builtin = builtins().iter().find(|builtin| builtin.name == name);
    parts.extend(builtin.map(|builtin| explained(builtin, colour)));
    let record = builtin_records().iter().find(|record| record.name == name);
    match record {
        Some(record) => parts.push(fields(record, colour)),
        None => parts.extend(kind_text(name).map(|text| titled("kind", name, &text, colour))),
    }
    parts.extend(unit_text(name).map(|text| titled("unit", name, &text, colour)));
    parts.extend(Keyword::of(name).map(|found| keyword(found, colour)));
    (!parts.is_empty()).then(|| parts.join("\n"))
}

fn titled(what: &str, name: &str, text: &str, colour: bool) -> String {
    let text = text.replace('`', "").replace("\n\n", "\n");
    let lines: String = text.lines().map(|line| wrapped(line, "  ")).collect();
    format!("{}\n{lines}", styled(&format!("{what} {name}"), BOLD, colour))
}

fn command_text(command: &Command, colour: bool) -> String {
    let (usage, meaning) = (styled(command.usage, BOLD, colour), wrapped(command.meaning, "  "));
    format!("{usage}\n{meaning}  such as: {}\n", command.example)
}

fn overview(colour: bool) -> String {
    let mut text = wrapped(
        "Type statements of the language: `spin(4800 rpm)`, `let p = plan_line(...)`, `arm at 35 % \
         { ... }`. A value by itself is shown. An entry goes on while a bracket is open; an \
         empty line ends it.",
        "",
    );
    text.push_str(&format!("\n{}\n", styled("Commands", BOLD, colour)));
    for command in COMMANDS.iter() {
        text.push_str(&format!("  {}\n", styled(command.usage, BOLD, colour)));
        text.push_str(&wrapped(command.meaning, "      "));
    }
    text.push_str(&format!("\n{}\n", styled("Built-ins", BOLD, colour)));
    for topic in topics() {
        let names: Vec<&str> = topic.builtins.iter().map(|builtin| builtin.name).collect();
        text.push_str(&wrapped(&format!("{}: {}", topic.title, names.join(", ")), "  "));
    }
    text.push('\n');
    text.push_str(&wrapped(
        "`help NAME` explains one of them, a record type, a kind of quantity, a unit, the code of a \
         report or a name of yours; `help units` lists all units.",
        "",
    ));
    text.push_str("Ctrl-C stops what runs and makes the head safe. Ctrl-D leaves.\n");
    text
}

/// The known name that is most like another.
fn near(console: &Console, name: &str) -> Option<String> {
    let mut all: Vec<String> = console.watch.shared.with(|known| {
        known.scope.values.keys().chain(known.scope.routines.keys()).cloned().collect()
    });
    all.extend(builtins().iter().map(|builtin| builtin.name.to_string()));
    all.extend(builtin_records().iter().map(|record| record.name.to_string()));
    all.extend(COMMANDS.iter().map(|command| command.name.to_string()));
    spintrue_head::nearest_name(name, all.iter().map(String::as_str)).map(str::to_string)
}
