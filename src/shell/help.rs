//! `help`: topics, and what a name means, from the tables of the language and from what was typed.
//! What is longer than the screen is shown page by page.

use crate::shell::commands::{ALIASES, COMMANDS, Command, named};
use crate::shell::console::Console;
use crate::shell::head_watch::Heard;
use crate::shell::outcome::EntryOutcome;
use crate::shell::reader::{Input, InputKind};
use crate::shell::topics::{TOPICS, Topic};
use crate::terminal::reference::{code as code_text, explained, fields, keyword};
use crate::terminal::{BOLD, beside, rows, say, styled, units, wrapped};
use spintrue_head::{FAULTS, InjectableFault};
use spintrue_language::{
    Callable, Keyword, builtin_named, builtin_records, builtins, find_code, kind_text,
    one_line_text, topics, unit_text,
};
use std::fmt::Display;

/// Shown where a text goes on.
const MORE: &str = "-- Enter shows more, q ends: ";

/// `help`
pub(super) fn help(console: &mut Console, rest: &str) -> EntryOutcome {
    let name = rest.trim().trim_end_matches("()");
    if name.is_empty() {
        return paged(console, &overview(console.watch.colour));
    }
    let Some(text) = about(console, name) else {
        let way = match near(console, name) {
            Some(near) => format!("did you mean `{near}`?"),
            None => "`help` alone lists what there is".to_string(),
        };
        return EntryOutcome::wrong(format!("there is no `{name}` here; {way}"));
    };
    paged(console, &text)
}

/// Shows a text, a screenful at a time where a person reads it. The head is watched meanwhile.
fn paged(console: &mut Console, text: &str) -> EntryOutcome {
    let lines: Vec<&str> = text.lines().collect();
    let fits = rows().saturating_sub(2).max(5);
    if !console.watch.attended || lines.len() <= fits {
        return EntryOutcome::done(text);
    }
    let mut pages = lines.chunks(fits).peekable();
    while let Some(page) = pages.next() {
        say(&format!("{}\n", page.join("\n")));
        if pages.peek().is_none() {
            break;
        }
        console.watch.reader.ask(InputKind::Answer, MORE);
        match console.watch.wait(&mut console.station) {
            Heard::Input(Input::Entry(typed)) => match typed.trim() {
                "" => {}
                "q" => break,
                entry => return super::enter_recorded(console, entry),
            },
            Heard::Input(Input::End) => return EntryOutcome::Leave,
            // What else it was is dealt with at the prompt.
            Heard::Input(_) | Heard::Stop | Heard::Leave => break,
        }
    }
    EntryOutcome::Done
}

/// A topic: a paragraph for each line, and what can be typed, indented, as it stands.
fn topic_text(topic: &Topic, colour: bool) -> String {
    let line = |line: &str| match line.starts_with(' ') {
        true => format!("{line}\n"),
        false => wrapped(line, ""),
    };
    let text: String = topic.text.lines().map(line).collect();
    let faults = FAULTS.iter().filter(|_| topic.name == "faults");
    let faults = rows_of(faults.map(|fault| (fault.example(), fault.does())), 24);
    format!("{}\n\n{text}{faults}", styled(topic.title, BOLD, colour))
}

fn fault_text(fault: &InjectableFault, colour: bool) -> String {
    let heading = styled(&format!("fault {}", fault.example()), BOLD, colour);
    let (does, symptom) = (wrapped(fault.does(), "  "), wrapped(fault.symptom(), "  "));
    format!("{heading}\n{does}{symptom}  such as: provoke(\"{}\", after: 0 s)\n", fault.example())
}

/// Everything that is known of a name; a name may be more than one thing.
fn about(console: &Console, name: &str) -> Option<String> {
    let colour = console.watch.colour;
    let mut parts = Vec::new();
    let topic = TOPICS.iter().find(|topic| topic.name == name);
    parts.extend(topic.map(|topic| topic_text(topic, colour)));
    parts.extend(named(name).map(|command| command_text(command, colour)));
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
    parts.extend(builtin_named(name).map(|builtin| explained(builtin, colour)));
    let record = builtin_records().iter().find(|record| record.name == name);
    match record {
        Some(record) => parts.push(fields(record, colour)),
        None => parts.extend(kind_text(name).map(|text| titled("kind", name, &text, colour))),
    }
    let fault = FAULTS.iter().find(|fault| fault.name == name);
    parts.extend(fault.map(|fault| fault_text(fault, colour)));
    let of_topic = topics().iter().filter(|topic| titled_by(topic.title, name));
    for topic in of_topic {
        let names = topic.builtins.iter();
        let names = names.map(|b| wrapped(&Callable::builtin(b).signature(), "  "));
        let heading = styled(&format!("built-ins: {}", topic.title), BOLD, colour);
        parts.push(format!("{heading}\n{}", names.collect::<String>()));
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
    let also = ALIASES.iter().filter(|(_, present)| *present == command.name);
    let also: Vec<&str> = also.map(|(alias, _)| *alias).collect();
    let also = match also.is_empty() {
        true => String::new(),
        false => format!("  also called: {}\n", also.join(", ")),
    };
    format!("{usage}\n{meaning}  such as: {}\n{also}", command.example)
}

/// Whether a name is a word of a title, in capitals or not.
fn titled_by(title: &str, name: &str) -> bool {
    let mut words = title.split(|c: char| !c.is_alphanumeric());
    name.len() > 3 && words.any(|word| word.eq_ignore_ascii_case(name))
}

/// Names beside what they mean, or above it where they are too long.
fn rows_of<'t>(
    rows: impl Iterator<Item = (impl AsRef<str> + Display, &'t str)>,
    width: usize,
) -> String {
    rows.map(|(name, meaning)| match name.as_ref().len() > width {
        true => format!("  {name}\n{}", wrapped(meaning, &" ".repeat(width + 3))),
        false => beside(&format!("  {:<width$}", name.as_ref()), meaning),
    })
    .collect()
}

fn overview(colour: bool) -> String {
    let heading = |text: &str| format!("\n{}\n", styled(text, BOLD, colour));
    let mut text = wrapped(
        "Type statements of the language, such as `spin(4800 rpm)`; a value by itself is shown. Or a \
         command:",
        "",
    );
    text.push_str(&heading("Commands"));
    text.push_str(&rows_of(COMMANDS.iter().map(|c| (c.usage, c.meaning)), 22));
    text.push_str(&heading("Topics: `help TOPIC`"));
    text.push_str(&rows_of(TOPICS.iter().map(|topic| (topic.name, topic.title)), 10));
    text.push_str(&heading("Built-ins: `help` and a word of the title"));
    let titles: Vec<&str> = topics().iter().map(|topic| topic.title).collect();
    text.push_str(&wrapped(&titles.join("; "), "  "));
    text.push('\n');
    text.push_str(&wrapped(
        "`help NAME` explains a built-in, a keyword, a record type, a kind of quantity, a unit, a fault, \
         the code of a report, or a name of yours; `help units` lists all units.",
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
    all.extend(TOPICS.iter().map(|topic| topic.name.to_string()));
    all.extend(FAULTS.iter().map(|fault| fault.name.to_string()));
    spintrue_head::nearest_name(name, all.iter().map(String::as_str)).map(str::to_string)
}
