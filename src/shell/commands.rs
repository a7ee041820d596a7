//! The shell's commands, in one table that help, completion and the shell read. A line is a command
//! only where it cannot be a statement: `watch = 3` and `watch(3)` are left to the language.

use spintrue_head::nearest_name;
use std::sync::LazyLock;

/// A command of the shell.
pub(super) struct Command {
    /// `watch VALUE [every TIME] [for TIME]`
    pub usage: &'static str,
    /// What is typed.
    pub name: &'static str,
    /// What may follow.
    pub takes: &'static str,
    /// What it does.
    pub meaning: &'static str,
    /// How it is used.
    pub example: &'static str,
}

/// Every command, in the order that help lists them.
pub(super) static COMMANDS: LazyLock<Vec<Command>> = LazyLock::new(|| {
    let command = |section: &'static str| {
        let mut lines = section.lines();
        let (usage, meaning, example) = (lines.next()?, lines.next()?, lines.next()?);
        let (name, takes) = usage.split_once(' ').unwrap_or((usage, ""));
        Some(Command { usage, name, takes, meaning, example })
    };
    include_str!("commands.md").split("## ").skip(1).filter_map(command).collect()
});

/// Other names of commands: what people type elsewhere, and what this shell once called them.
pub(super) const ALIASES: &[(&str, &str)] = &[
    ("exit", "leave"),
    ("quit", "leave"),
    ("status", "state"),
    ("stand", "state"),
    ("trace", "plot"),
    ("facets", "trims"),
];

/// What a command is called by; an alias leads to it.
pub(super) fn present(name: &str) -> &str {
    ALIASES.iter().find(|(alias, _)| *alias == name).map_or(name, |(_, present)| present)
}

/// The command of a name or an alias.
pub(super) fn named(name: &str) -> Option<&'static Command> {
    COMMANDS.iter().find(|command| command.name == present(name))
}

/// The first word of a line and what follows it; none where the line is a statement. Where the word `takes` a file
/// or a value, a path or a list may follow.
fn split<'l>(line: &'l str, takes: &str) -> Option<(&'l str, &'l str)> {
    let line = line.trim();
    let end = line.find(|c: char| !(c.is_alphanumeric() || c == '_')).unwrap_or(line.len());
    let (name, rest) = line.split_at(end);
    let next = rest.trim_start();
    // What follows says that the name is a variable or a call of the language.
    let is_language = next.starts_with(['(', '=', '[', '.', '+', '*', '<', '>', '/', '^'])
        && !(takes.contains("FILE") && ["./", "..", "/"].iter().any(|path| next.starts_with(path)))
        && !(takes.contains("VALUE") && rest.starts_with(' ') && next.starts_with('['));
    let is_word = rest.is_empty() || rest.starts_with(char::is_whitespace);
    (!is_language && is_word).then_some((name, next))
}

/// The command that a line begins with, and what follows it; none where the line is a statement.
pub(super) fn of(line: &str) -> Option<(&'static Command, &str)> {
    COMMANDS.iter().find_map(|command| {
        let (name, rest) = split(line, command.takes)?;
        (present(name) == command.name).then_some((command, rest))
    })
}

/// What people type elsewhere, and the command that does it here.
const FOREIGN: &[(&[&str], &str)] =
    &[(&["bye", "logout"], "leave"), (&["stop", "halt", "abort", "off"], "safe")];

/// The command that was meant by a line that is no statement.
pub(super) fn meant(line: &str) -> Option<&'static str> {
    let first = line.split_whitespace().next()?;
    let bare = first.trim_end_matches("()");
    if let Some((_, command)) = FOREIGN.iter().find(|(words, _)| words.contains(&bare)) {
        return Some(command);
    }
    nearest_name(first, COMMANDS.iter().map(|command| command.name))
}

#[cfg(test)]
mod tests {
    use super::{meant, of};

    #[test]
    fn a_command_that_is_misspelt_is_found() {
        assert_eq!(meant("wacth measured_speed()"), Some("watch"));
        assert_eq!(meant("bye"), Some("leave"));
        assert_eq!(meant("stop"), Some("safe"));
        assert_eq!(meant("spin(3000 rpm)"), None);
    }

    #[test]
    fn an_alias_leads_to_its_command() {
        let name = |line| of(line).map(|(command, rest)| (command.name, rest));
        assert_eq!(name("trace wait 3 s"), Some(("plot", "wait 3 s")));
        assert_eq!(name("status"), Some(("state", "")));
        assert_eq!(name("quit"), Some(("leave", "")));
        for line in ["facets()", "status().speed", "facets = 3", "trace.x", "exit = 1"] {
            assert_eq!(name(line), None, "{line}");
        }
    }

    #[test]
    fn the_language_comes_first() {
        assert!(of("help spin").is_some_and(|(c, rest)| c.name == "help" && rest == "spin"));
        assert!(of("leave").is_some());
        for line in ["help = 3", "read(3)", "leave + 1", "helper", "let help = 3", "undo.x"] {
            assert!(of(line).is_none(), "{line}");
        }
        assert!(of("read ../x.spt").is_some());
        assert!(of("plot [1 mm, 2 mm]").is_some());
        for line in ["plot[0]", "undo [0]"] {
            assert!(of(line).is_none(), "{line}");
        }
    }
}
