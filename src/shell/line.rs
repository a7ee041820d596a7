//! The line editor's help: completion, hints, colours, and whether an entry goes on.

use crate::shell::colour::coloured;
use crate::shell::complete::complete;
use crate::shell::hint::hint;
use crate::shell::known::Shared;
use crate::syntax::unfinished;
use crate::terminal::columns;
use rustyline::completion::{Completer, Pair};
use rustyline::highlight::{CmdKind, Highlighter};
use rustyline::hint::{Hint, Hinter};
use rustyline::validate::{ValidationContext, ValidationResult, Validator};
use rustyline::{Context, Result};
use std::borrow::Cow;
use std::cell::Cell;

/// Helps whoever types.
pub struct Helper {
    known: Shared,
    colour: bool,
    /// An entry is typed, and not the answer to a question.
    entry: bool,
    /// Columns that stand before what is typed.
    before: usize,
    /// Something stood in the line when it was looked at last.
    typed: Cell<bool>,
}

impl Helper {
    /// Over what is known of a session.
    pub fn new(known: Shared, colour: bool) -> Helper {
        Helper { known, colour, entry: true, before: 0, typed: Cell::new(false) }
    }

    /// A new line begins.
    pub fn begin(&mut self, entry: bool, prompt: &str) {
        self.entry = entry;
        self.before = prompt.chars().count();
        self.typed.set(false);
    }

    /// Something stood in the line that was dropped.
    pub fn typed(&self) -> bool {
        self.typed.get()
    }
}

impl rustyline::Helper for Helper {}

impl Completer for Helper {
    type Candidate = Pair;

    fn complete(&self, line: &str, at: usize, _: &Context<'_>) -> Result<(usize, Vec<Pair>)> {
        if !self.entry {
            return Ok((at, Vec::new()));
        }
        let (start, found) = self.known.with(|known| complete(known, line, at));
        let pair = |(text, shown)| Pair { display: shown, replacement: text };
        Ok((start, found.into_iter().map(pair).collect()))
    }
}

/// A hint that is only shown: no key takes it over.
pub struct Dim(String);

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
        if !self.entry || at < line.len() {
            return None;
        }
        let hint = self.known.with(|known| hint(known, line))?;
        // A hint that took another line would make the screen jump.
        let typed = line.rsplit('\n').next().unwrap_or(line).chars().count();
        let room = columns().saturating_sub(self.before + typed + 1);
        let shown = if hint.chars().count() <= room {
            hint
        } else {
            hint.chars().take(room.saturating_sub(1)).chain(['\u{2026}']).collect()
        };
        (room > 3).then_some(Dim(shown))
    }
}

impl Highlighter for Helper {
    fn highlight<'l>(&self, line: &'l str, _: usize) -> Cow<'l, str> {
        if !self.colour || !self.entry {
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

    fn highlight_prompt<'b, 's: 'b, 'p: 'b>(&'s self, prompt: &'p str, _: bool) -> Cow<'b, str> {
        let mut text = prompt.to_string();
        if self.entry {
            // The head goes on while somebody types; the room for its words stays the same.
            let now = self.known.prompt();
            let width = prompt.chars().count();
            text = if now.chars().count() <= width {
                format!("{now:<width$}")
            } else {
                now.chars().take(width.saturating_sub(2)).chain("> ".chars()).collect()
            };
        }
        Cow::Owned(if self.colour { format!("\u{1b}[1m{text}\u{1b}[0m") } else { text })
    }

    fn highlight_char(&self, _: &str, _: usize, _: CmdKind) -> bool {
        self.colour && self.entry
    }
}

impl Validator for Helper {
    fn validate(&self, context: &mut ValidationContext<'_>) -> Result<ValidationResult> {
        let text = context.input();
        // An empty line is the way out of an entry that never closes.
        let goes_on = self.entry && unfinished(text) && !text.ends_with('\n');
        Ok(if goes_on { ValidationResult::Incomplete } else { ValidationResult::Valid(None) })
    }
}

#[cfg(test)]
mod tests {
    use super::Helper;
    use crate::shell::known::{Known, Name, Shared};
    use rustyline::Context;
    use rustyline::completion::Completer;
    use rustyline::highlight::Highlighter;
    use rustyline::hint::Hinter;
    use rustyline::history::FileHistory;
    use std::time::Instant;

    /// What a key press costs with 2,000 names: run by hand, `cargo test --release --lib -- --ignored
    /// --nocapture key_press`.
    #[test]
    #[ignore = "measures, and tests nothing"]
    fn key_press() {
        let known = Shared::default();
        let mut all = Known::default();
        for number in 0..2000 {
            let fields = vec![("in_scan".to_string(), "length".to_string())];
            let name = Name { kind: "length".into(), text: "3 mm".into(), fields };
            all.values.insert(format!("value_{number}"), name);
        }
        known.set(all);
        let helper = Helper::new(known, true);
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
