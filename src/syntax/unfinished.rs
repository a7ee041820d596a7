//! Whether a text that is typed line by line goes on. Uses raw.

use crate::source::SourceId;
use crate::syntax::raw::{Raw, scan};
use crate::syntax::reports::Reports;

/// A bracket is open, or the last line ends where an operand must follow.
pub fn unfinished(text: &str) -> bool {
    let lexemes = scan(SourceId(0), text, &mut Reports::default());
    let mut open = 0_i64;
    for lexeme in &lexemes {
        match lexeme.raw {
            Raw::ParenOpen | Raw::ListOpen | Raw::BraceOpen => open += 1,
            Raw::ParenClose | Raw::ListClose | Raw::BraceClose => open -= 1,
            _ => {}
        }
    }
    let passed = |raw: &Raw| !matches!(raw, Raw::Newline | Raw::Comment | Raw::BlockComment);
    let last = lexemes.iter().map(|lexeme| lexeme.raw).filter(passed).next_back();
    let waits = last.is_some_and(|raw| {
        matches!(
            raw,
            Raw::Comma
                | Raw::Range
                | Raw::Assign
                | Raw::Arrow
                | Raw::Equal
                | Raw::Unequal
                | Raw::Less
                | Raw::LessEqual
                | Raw::Greater
                | Raw::GreaterEqual
                | Raw::PlusMinus
                | Raw::Plus
                | Raw::Minus
                | Raw::Times
                | Raw::Over
        )
    });
    open > 0 || waits
}

#[cfg(test)]
mod tests {
    use super::unfinished;

    #[test]
    fn goes_on_while_something_is_open() {
        for text in ["arm at 35 % {", "let x = [1,", "1 +", "let x =", "spin(", "if a {\n  b()"] {
            assert!(unfinished(text), "{text}");
        }
    }

    #[test]
    fn ends_where_nothing_is_open() {
        let ended = ["", "spin(4800 rpm)", "note \"{1 + 2} {\"", "arm at 35 % {\n}", "a }", "35 %"];
        for text in ended {
            assert!(!unfinished(text), "{text}");
        }
    }
}
