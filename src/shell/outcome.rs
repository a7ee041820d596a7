//! What entries and commands leave behind: their outcome, what `save` writes of them, and the lines
//! at which stepping pauses.

use crate::terminal::{complain, say, wrapped};
use spintrue_language::{SourceId, Verdict};
use std::fmt::Display;
use thiserror::Error;

/// The outcome of an entry or a command.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum EntryOutcome {
    /// It ran to its end.
    Done,
    /// It was refused or stopped by a failure; the exit code that says so.
    Failed(u8),
    /// The shell ends.
    Leave,
}

impl EntryOutcome {
    /// What was typed is wrong, and that was printed.
    pub(super) const WRONG: EntryOutcome = EntryOutcome::Failed(Verdict::ScriptWrong.exit_code());

    /// Prints what a command has to say or has done.
    pub(super) fn done(text: &str) -> EntryOutcome {
        say(text);
        EntryOutcome::Done
    }

    /// Prints what is wrong with what was typed.
    pub(super) fn wrong(why: impl Display) -> EntryOutcome {
        complain(&wrapped(&why.to_string(), ""));
        EntryOutcome::WRONG
    }

    /// Prints why the head did not do what was asked.
    pub(super) fn head_failed(why: &str) -> EntryOutcome {
        complain(&wrapped(why, ""));
        EntryOutcome::Failed(Verdict::HeadFailed.exit_code())
    }
}

/// What is wrong with what follows a command, in words.
#[derive(Debug, Error, PartialEq)]
#[error("{0}")]
pub(super) struct UsageError(pub String);

/// Something that was done, in order.
#[derive(Clone, Debug)]
pub(super) struct Action {
    /// An entry as it was typed, or a statement of the language that does what a command did.
    pub text: String,
    /// Where the text of an entry that ran to its end stands; none for a statement.
    pub entry: Option<SourceId>,
    /// A saved script leaves it out.
    pub is_dropped: bool,
}

impl Action {
    /// An entry that ran to its end.
    pub(super) fn entry(text: &str, source: SourceId) -> Action {
        Action { text: text.to_string(), entry: Some(source), is_dropped: false }
    }

    /// A command, as a statement of the language.
    pub(super) fn statement(text: impl Into<String>) -> Action {
        Action { text: text.into(), entry: None, is_dropped: false }
    }
}

/// A line at which stepping pauses: the file's name, and the line from 1.
pub(super) type Breakpoint = (String, usize);
