//! The line editor's help: completion, hints, colours, and whether an entry goes on.

use crate::shell::colour::coloured;
use crate::shell::complete::complete;
use crate::shell::context::Shared;
use crate::shell::hint::hint;
use crate::shell::prompt::{PAUSED, is_alarmed};
use crate::shell::reader::InputKind;
use crate::terminal::columns;
use crate::terminal::width::{fitting, width};
use rustyline::completion::{Completer, Pair};
use rustyline::highlight::{CmdKind, Highlighter};
use rustyline::hint::{Hint, Hinter};
use rustyline::validate::{ValidationContext, ValidationResult, Validator};
use rustyline::{Context, Result};
use spintrue_language::is_unfinished;
use std::borrow::Cow;
use std::cell::Cell;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

/// Lines that follow each other faster than this were pasted.
const PASTED: Duration = Duration::from_millis(5);

/// Completion, hints, colours and validation of the line that is typed.
pub(super) struct Helper {
    known: Shared,
    colour: bool,
    /// What is typed.
    what: InputKind,
    /// Columns that stand before what is typed.
    before: usize,
    /// Something stood in the line when it was looked at last.
    typed: Cell<bool>,
    /// When Enter was pressed last.
    entered: Cell<Option<Instant>>,
    /// The history is searched, with a prompt of its own.
    searching: Arc<AtomicBool>,
}

/// Shown behind the empty last line of an entry.
const GOES_ON: &str =
    "the entry goes on: an empty line ends it, Ctrl-C drops it (Ctrl-D does nothing)";

impl Helper {
    /// Over what is known of a session.
    pub(super) fn new(known: Shared, colour: bool, searching: Arc<AtomicBool>) -> Helper {
        Helper {
            searching,
            known,
            colour,
            what: InputKind::Entry,
            before: 0,
            typed: Cell::new(false),
            entered: Cell::new(None),
        }
    }

    /// A new line begins.
    pub(super) fn begin(&mut self, what: InputKind, prompt: &str) {
        self.what = what;
        self.before = width(prompt);
        self.typed.set(false);
    }

    fn is_entry(&self) -> bool {
        self.what == InputKind::Entry
    }

    /// Something stood in the line that was dropped.
    pub(super) fn typed(&self) -> bool {
        self.typed.get()
    }
}

impl rustyline::Helper for Helper {}

impl Completer for Helper {
    type Candidate = Pair;

    fn complete(&self, line: &str, at: usize, _: &Context<'_>) -> Result<(usize, Vec<Pair>)> {
        if !self.is_entry() {
            return Ok((at, Vec::new()));
        }
        let (start, found) = self.known.with(|known| complete(known, line, at));
        let pair = |(text, shown)| Pair { display: shown, replacement: text };
        Ok((start, found.into_iter().map(pair).collect()))
    }
}

/// A hint that is only shown: no key takes it over.
pub(super) struct Dim(String);

impl Hint for Dim {
    fn display(&self) -> &str {
        &self.0
    }

    fn completion(&self) -> Option<&str> {
        None
    }
}

impl Hinter for Helper {
    type Hint = Dim;

    fn hint(&self, line: &str, at: usize, _: &Context<'_>) -> Option<Dim> {
        self.typed.set(!line.is_empty());
        if !self.is_entry() || at < line.len() {
            return None;
        }
        let hint = match line.ends_with('\n') {
            true => GOES_ON.to_string(),
            false => self.known.with(|known| hint(&known.scope, line))?,
        };
        // A hint that took another line would make the screen jump.
        let typed = width(line.rsplit('\n').next().unwrap_or(line));
        let room = columns().saturating_sub(self.before + typed + 1);
        let shown = if width(&hint) <= room {
            hint
        } else {
            format!("{}\u{2026}", fitting(&hint, room.saturating_sub(1)))
        };
        (room > 3).then_some(Dim(shown))
    }
}

impl Highlighter for Helper {
    fn highlight<'l>(&self, line: &'l str, _: usize) -> Cow<'l, str> {
        if !self.colour || !self.is_entry() {
            return Cow::Borrowed(line);
        }
        Cow::Owned(coloured(line))
    }

    fn highlight_hint<'h>(&self, hint: &'h str) -> Cow<'h, str> {
        if self.colour {
            Cow::Owned(format!("\u{1b}[2m{hint}\u{1b}[0m"))
        } else {
            Cow::Borrowed(hint)
        }
    }

    fn highlight_prompt<'b, 's: 'b, 'p: 'b>(
        &'s self,
        prompt: &'p str,
        is_own: bool,
    ) -> Cow<'b, str> {
        self.searching.store(!is_own, Ordering::SeqCst);
        if !is_own {
            return Cow::Borrowed(prompt);
        }
        // The head goes on while a line is typed; the room for the prompt stays the same.
        let now = self.known.prompt();
        let text = match self.what {
            InputKind::Entry => within(now, prompt.chars().count()),
            InputKind::Pause => within(format!("{PAUSED}{now}"), prompt.chars().count()),
            InputKind::Answer => prompt.to_string(),
        };
        let style = if is_alarmed(&text) { "1;31" } else { "1" };
        Cow::Owned(if self.colour { format!("\u{1b}[{style}m{text}\u{1b}[0m") } else { text })
    }

    fn highlight_char(&self, _: &str, _: usize, _: CmdKind) -> bool {
        self.colour && self.is_entry()
    }
}

impl Validator for Helper {
    fn validate(&self, context: &mut ValidationContext<'_>) -> Result<ValidationResult> {
        let text = context.input();
        // An empty line is the way out of an entry that never closes.
        // Pasted lines may be empty.
        let pasted = self.entered.replace(Some(Instant::now()));
        let pasted = pasted.is_some_and(|last| last.elapsed() < PASTED);
        let goes_on = self.is_entry() && is_unfinished(text) && (pasted || !text.ends_with('\n'));
        Ok(if goes_on { ValidationResult::Incomplete } else { ValidationResult::Valid(None) })
    }
}

/// The words that fit whole into a width.
fn within(mut words: String, columns: usize) -> String {
    if words.chars().count() > columns {
        while words.chars().count() + 3 > columns && !words.is_empty() {
            let end = words.trim_end().rfind(' ').unwrap_or(0);
            words.truncate(end);
        }
        words.push_str("\u{2026}> ");
    }
    format!("{words:<columns$}")
}

#[cfg(test)]
mod tests {
    use super::{Helper, within};
    use crate::shell::context::{PromptContext, Shared};
    use rustyline::Context;
    use rustyline::completion::Completer;
    use rustyline::highlight::Highlighter;
    use rustyline::hint::Hinter;
    use rustyline::history::FileHistory;
    use spintrue_language::NamedValue;
    use std::sync::Arc;
    use std::time::Instant;

    #[test]
    fn no_number_is_cut_before_an_entry() {
        let words = || "no lock 2961 rpm> ".to_string();
        assert_eq!(within(words(), 20), "no lock 2961 rpm>   ");
        for (columns, shown) in
            [(16, "no lock 2961\u{2026}> "), (14, "no lock\u{2026}> "), (9, "no\u{2026}> ")]
        {
            assert_eq!(within(words(), columns).trim_end(), shown.trim_end());
            assert_eq!(within(words(), columns).chars().count(), columns);
        }
    }

    /// What a key press costs with 2,000 names: run by hand, `cargo test --release --lib -- --ignored
    /// --nocapture key_press`.
    #[test]
    #[ignore = "measures, and tests nothing"]
    fn key_press() {
        let known = Shared::default();
        let mut all = PromptContext::default();
        for number in 0..2000 {
            let fields = vec![("in_scan".to_string(), "length".to_string())];
            let value = NamedValue {
                kind: "length".into(),
                text: "3 mm".into(),
                fields,
                ..NamedValue::default()
            };
            all.scope.values.insert(format!("value_{number}"), value);
        }
        known.with(|known| *known = all);
        let helper = Helper::new(known, true, Arc::default());
        let history = FileHistory::new();
        let context = Context::new(&history);
        let line = "let found = plan_line(value_1999, length: 304.8 mm, resolution: val";
        let mut times: Vec<f64> = (0..1000)
            .map(|_| {
                let started = Instant::now();
                let hinted = helper.hint(line, line.len(), &context).is_some();
                let coloured = helper.highlight(line, line.len()).len();
                let offered = helper.complete(line, line.len(), &context).unwrap().1.len();
                assert!(coloured > line.len() && offered > 0, "{hinted}");
                started.elapsed().as_secs_f64() * 1e6
            })
            .collect();
        times.sort_by(f64::total_cmp);
        println!("a key press with a Tab: {:.0} us median, {:.0} us worst", times[500], times[999]);
    }
}
