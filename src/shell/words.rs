//! The words that the shell adds to the language: one table, read by help, completion and the
//! shell itself. A line is one of these only where it cannot be a statement: `watch = 3` and
//! `watch(3)` stay with the language.

use crate::shell::bench::{Bench, Came};
use crate::shell::reader::Reader;
use crate::shell::{facets, help, pauses, poke, save, step, watch};
use crate::units::near;

/// A word of the shell.
pub struct Word {
    /// What is typed.
    pub name: &'static str,
    /// What may follow.
    pub takes: &'static str,
    /// What it does.
    pub meaning: &'static str,
    /// How it is used.
    pub example: &'static str,
    /// Does it.
    pub run: fn(&mut Bench, &Reader, &str) -> Came,
}

/// Every word, in the order that help lists them.
pub const WORDS: &[Word] = &[
    Word {
        name: "help",
        takes: "[NAME]",
        meaning: "explains a built-in, a record, a routine, a unit or a word of the shell",
        example: "help test_line",
        run: help::help,
    },
    Word {
        name: "names",
        takes: "",
        meaning: "lists the values and routines that entries and the script left",
        example: "names",
        run: poke::names,
    },
    Word {
        name: "stand",
        takes: "",
        meaning: "tells how the head stands: speed, lock, interlock, rails, mirror",
        example: "stand",
        run: poke::stand,
    },
    Word {
        name: "watch",
        takes: "VALUE [every TIME] [for TIME]",
        meaning: "reads a value again and again and draws how it goes",
        example: "watch measured_speed() every 200 ms for 10 s",
        run: watch::watch,
    },
    Word {
        name: "trace",
        takes: "ENTRY",
        meaning: "runs an entry and draws the polygon's speed meanwhile, with the moment of lock",
        example: "trace spin_up(4800 rpm)",
        run: watch::trace,
    },
    Word {
        name: "facets",
        takes: "",
        meaning: "draws the trims in force and what was measured with them, facet by facet",
        example: "facets",
        run: facets::facets,
    },
    Word {
        name: "safe",
        takes: "",
        meaning: "laser off, mirror parked, polygon down, no matter which client controls the head, and tells what \
                  was measured then",
        example: "safe",
        run: poke::safe,
    },
    Word {
        name: "take",
        takes: "",
        meaning: "takes control of a head that several clients can reach; what moves it does so as well",
        example: "take",
        run: poke::take,
    },
    Word {
        name: "give",
        takes: "",
        meaning: "makes the head safe and gives control back, so that another client can take it",
        example: "give",
        run: poke::give,
    },
    Word {
        name: "undo",
        takes: "",
        meaning: "loads the trims that were in force before the last load; stores nothing",
        example: "undo",
        run: poke::undo,
    },
    Word {
        name: "read",
        takes: "[FILE]",
        meaning: "reads the routines, params and constants of a script, or the last one again; \
                  they take the place of all before",
        example: "read scripts/bring_up.spt",
        run: poke::read,
    },
    Word {
        name: "run",
        takes: "",
        meaning: "runs what the script that was read does, its params and routines as they stand",
        example: "run",
        run: step::run,
    },
    Word {
        name: "step",
        takes: "[ENTRY]",
        meaning: "goes through the script that was read, or through an entry, statement by \
                  statement; `help` at a pause lists how to go on. Nothing pauses inside `arm`",
        example: "step spin_up(4800 rpm)",
        run: step::step,
    },
    Word {
        name: "pause",
        takes: "at|off [FILE:]LINE",
        meaning: "sets a line at which stepping pauses, or takes it away; `pause off` takes all",
        example: "pause at motion.spt:20",
        run: pauses::pause,
    },
    Word {
        name: "pauses",
        takes: "",
        meaning: "lists the lines at which stepping pauses",
        example: "pauses",
        run: pauses::pauses,
    },
    Word {
        name: "save",
        takes: "FILE",
        meaning: "writes what ran to its end as a script: what failed is left out, quantities that \
                  repeat become params, and `check` is asked whether it passes",
        example: "save mine.spt",
        run: save::save,
    },
    Word {
        name: "leave",
        takes: "",
        meaning: "makes the head safe and ends the shell, as Ctrl-D does",
        example: "leave",
        run: |_, _, _| Came::Leave,
    },
];

/// The word that a line begins with, and what follows it; none where the line is the language's.
pub fn of(line: &str) -> Option<(&'static Word, &str)> {
    let line = line.trim();
    let end = line.find(|c: char| !(c.is_alphanumeric() || c == '_')).unwrap_or(line.len());
    let (name, rest) = line.split_at(end);
    let word = WORDS.iter().find(|word| word.name == name)?;
    let next = rest.trim_start();
    // What follows says that the name is a variable or a call of the language.
    let language = next.starts_with(['(', '=', '[', '.', '+', '*', '<', '>', '/', '^'])
        && !(word.takes.contains("FILE")
            && (next.starts_with("./") || next.starts_with("..") || next.starts_with('/')));
    (!language && (rest.is_empty() || rest.starts_with(char::is_whitespace)))
        .then_some((word, next))
}

/// What people of other shells type to leave.
const FAREWELLS: [&str; 4] = ["exit", "quit", "bye", "logout"];

/// What people type who want everything to stand still.
const STOPS: [&str; 4] = ["stop", "halt", "abort", "off"];

/// The word that was meant by a line that is no statement.
pub fn meant(line: &str) -> Option<&'static str> {
    let first = line.split_whitespace().next()?;
    if FAREWELLS.contains(&first.trim_end_matches("()")) {
        return Some("leave");
    }
    if STOPS.contains(&first.trim_end_matches("()")) {
        return Some("safe");
    }
    near(first, WORDS.iter().map(|word| word.name))
}

#[cfg(test)]
mod tests {
    use super::{meant, of};

    #[test]
    fn a_word_that_is_misspelt_is_found() {
        assert_eq!(meant("wacth measured_speed()"), Some("watch"));
        assert_eq!(meant("quit"), Some("leave"));
        assert_eq!(meant("stop"), Some("safe"));
        assert_eq!(meant("spin(3000 rpm)"), None);
    }

    #[test]
    fn the_language_comes_first() {
        assert!(of("help spin").is_some_and(|(word, rest)| word.name == "help" && rest == "spin"));
        assert!(of("leave").is_some());
        for line in ["help = 3", "read(3)", "leave + 1", "helper", "let help = 3", "undo.x"] {
            assert!(of(line).is_none(), "{line}");
        }
        assert!(of("read ../x.spt").is_some());
    }
}
