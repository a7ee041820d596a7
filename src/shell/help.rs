//! `help`: what a name means, from the tables of the language and from what was typed.

use crate::builtins::{TOPICS, records, table};
use crate::diagnostics::codes;
use crate::lsp::describe;
use crate::shell::bench::{Bench, Came};
use crate::shell::reader::Reader;
use crate::shell::words::{WORDS, Word};
use crate::syntax::Keyword;
use crate::terminal::reference::{code as code_text, explained, fields, keyword};
use crate::terminal::{BOLD, complain, say, styled, units, wrapped};

/// `help`
pub fn help(bench: &mut Bench, _: &Reader, rest: &str) -> Came {
    let name = rest.trim().trim_end_matches("()");
    if name.is_empty() {
        say(&overview(bench.colour));
        return Came::Well;
    }
    match about(bench, name) {
        Some(text) => {
            say(&text);
            Came::Well
        }
        None => {
            let way = match near(bench, name) {
                Some(near) => format!("did you mean `{near}`?"),
                None => "`help` alone lists what there is".to_string(),
            };
            complain(&format!("nothing is known of `{name}`; {way}\n"));
            Came::Ill(2)
        }
    }
}

/// Everything that is known of a name; a name may be more than one thing.
fn about(bench: &Bench, name: &str) -> Option<String> {
    let colour = bench.colour;
    let mut parts = Vec::new();
    if let Some(word) = WORDS.iter().find(|word| word.name == name) {
        parts.push(word_text(word, colour));
    }
    bench.known.with(|known| {
        if let Some(value) = known.values.get(name) {
            let line = format!("{name}: {}", value.kind);
            parts.push(format!("{}\n  {}\n", styled(&line, BOLD, colour), value.text));
        }
        if let Some(routine) = known.routines.get(name) {
            let line = format!("routine {}", routine.signature());
            let meaning = wrapped(&describe::words(&routine.meaning), "  ");
            parts.push(format!("{}\n{meaning}", styled(&line, BOLD, colour)));
        }
    });
    if name == "units" {
        parts.push(units::list(colour));
    }
    let wanted = name.to_uppercase();
    let code = codes::find(&wanted);
    parts.extend(code.map(|found| code_text(found, colour)));
    let builtin = table().iter().find(|builtin| builtin.name == name);
    parts.extend(builtin.map(|builtin| explained(builtin, colour)));
    let record = records().iter().find(|record| record.name == name);
    match record {
        Some(record) => parts.push(fields(record, colour)),
        None => parts.extend(describe::kind(name).map(|text| titled("kind", name, &text, colour))),
    }
    parts.extend(describe::unit(name).map(|text| titled("unit", name, &text, colour)));
    parts.extend(Keyword::of(name).map(|found| keyword(found, colour)));
    (!parts.is_empty()).then(|| parts.join("\n"))
}

fn titled(what: &str, name: &str, text: &str, colour: bool) -> String {
    let text = text.replace('`', "").replace("\n\n", "\n");
    let lines: String = text.lines().map(|line| wrapped(line, "  ")).collect();
    format!("{}\n{lines}", styled(&format!("{what} {name}"), BOLD, colour))
}

fn word_text(word: &Word, colour: bool) -> String {
    let head = format!("{} {}", word.name, word.takes);
    let meaning = wrapped(word.meaning, "  ");
    format!("{}\n{meaning}  such as: {}\n", styled(head.trim_end(), BOLD, colour), word.example)
}

fn overview(colour: bool) -> String {
    let mut text = wrapped(
        "What is typed is the language: `spin(4800 rpm)`, `let p = plan_line(...)`, `arm at 35 % \
         { ... }`. A value that stands alone is shown. An entry goes on while a bracket is open; \
         an empty line ends it.",
        "",
    );
    text.push_str(&format!("\n{}\n", styled("Words of the shell", BOLD, colour)));
    for word in WORDS {
        let head = format!("{} {}", word.name, word.takes);
        let head = head.trim_end();
        text.push_str(&format!("  {}\n", styled(head, BOLD, colour)));
        text.push_str(&wrapped(word.meaning, "      "));
    }
    text.push_str(&format!("\n{}\n", styled("Built-ins", BOLD, colour)));
    for topic in TOPICS {
        let names: Vec<&str> = topic.builtins.iter().map(|builtin| builtin.name).collect();
        text.push_str(&wrapped(&format!("{}: {}", topic.title, names.join(", ")), "  "));
    }
    text.push('\n');
    text.push_str(&wrapped(
        "`help NAME` explains one of them, a record, a kind, a unit, the code of a report or a \
         name of yours; `help units` lists all units.",
        "",
    ));
    text.push_str("Ctrl-C stops what runs and makes the head safe. Ctrl-D leaves.\n");
    text
}

/// The known name that comes nearest.
fn near(bench: &Bench, name: &str) -> Option<String> {
    let mut all: Vec<String> = bench
        .known
        .with(|known| known.values.keys().chain(known.routines.keys()).cloned().collect());
    all.extend(table().iter().map(|builtin| builtin.name.to_string()));
    all.extend(records().iter().map(|record| record.name.to_string()));
    all.extend(WORDS.iter().map(|word| word.name.to_string()));
    crate::units::near(name, all.iter().map(String::as_str)).map(str::to_string)
}
