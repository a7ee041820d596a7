//! The whole screen of a terminal, drawn again and again in place.

use crate::terminal::{columns, draws_progress, emit, rows};
use spintrue_head::visible_line;
use std::io::{IsTerminal, stdout};

/// A screen of its own; what was shown before is there again when it is dropped. Its last row is left to what is
/// typed.
pub(crate) struct Screen;

impl Screen {
    /// None where a terminal cannot be drawn on.
    pub(crate) fn open() -> Option<Screen> {
        (stdout().is_terminal() && draws_progress()).then(|| {
            // The alternate screen, as xterm's control sequences name it (from memory).
            emit("\u{1b}[?1049h\u{1b}[2J");
            Screen
        })
    }

    /// Columns and rows, as they are now.
    pub(crate) fn size() -> (usize, usize) {
        (columns().saturating_sub(1).max(20), rows().saturating_sub(1).max(6))
    }

    /// Shows these lines in place of those before, as far as there is room; `last` lines stand at the bottom.
    pub(crate) fn draw(&self, lines: &[String], last: &[String]) {
        let (columns, rows) = Screen::size();
        let body = rows.saturating_sub(last.len());
        let (blank, more) = (String::new(), "  there is more than fits".to_string());
        let is_cut = lines.len() > body;
        let lines = lines.iter().take(if is_cut { body.saturating_sub(1) } else { body });
        let lines = lines.chain(is_cut.then_some(&more)).chain(std::iter::repeat(&blank));
        let lines = lines.take(body).chain(last);
        let cut = |line: &String| line.chars().take(columns).collect::<String>();
        let lines = lines.map(|line| format!("{}\u{1b}[K\r\n", visible_line(&cut(line))));
        emit(&format!("\u{1b}[H{}\u{1b}[K", lines.collect::<String>()));
    }
}

impl Drop for Screen {
    fn drop(&mut self) {
        emit("\u{1b}[?1049l");
    }
}
