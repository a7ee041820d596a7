//! What a line editor asks of a text while it is typed: whether it goes on, and what each word in
//! it is. Uses raw and token.

use crate::syntax::keyword::KEYWORDS;
use crate::syntax::raw::{Raw, lexemes};
use std::ops::Range;

/// What a piece of a text is, as far as it shows at once.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mark {
    /// A reserved word.
    Keyword,
    /// A name with a bracket behind it.
    Called,
    /// A number, or the unit right behind it.
    Quantity,
    /// Text in quotes.
    Text,
    /// A comment.
    Comment,
}

/// The pieces of a text that are worth telling apart, in their order.
pub fn marks(text: &str) -> Vec<(Mark, Range<usize>)> {
    let lexemes = lexemes(text);
    let mut found = Vec::new();
    let mut number = false;
    for (index, lexeme) in lexemes.iter().enumerate() {
        let range = lexeme.range();
        let word = text.get(range.clone()).unwrap_or("");
        let next = lexemes.get(index + 1).map(|next| next.raw);
        let mark = match lexeme.raw {
            Raw::Comment | Raw::BlockComment => Some(Mark::Comment),
            Raw::Quote | Raw::Plain | Raw::Unquote => Some(Mark::Text),
            Raw::Number | Raw::Percent => Some(Mark::Quantity),
            Raw::Word if KEYWORDS.contains(&word) => Some(Mark::Keyword),
            Raw::Word if number => Some(Mark::Quantity),
            Raw::Word if next == Some(Raw::ParenOpen) => Some(Mark::Called),
            _ => None,
        };
        number = lexeme.raw == Raw::Number;
        found.extend(mark.map(|mark| (mark, range)));
    }
    found
}

/// A bracket is open, or the last line ends where an operand must follow, or documents what comes
/// next.
pub fn unfinished(text: &str) -> bool {
    let lexemes = lexemes(text);
    let mut open = 0_i64;
    for lexeme in &lexemes {
        match lexeme.raw {
            Raw::ParenOpen | Raw::ListOpen | Raw::BraceOpen => open += 1,
            Raw::ParenClose | Raw::ListClose | Raw::BraceClose => open -= 1,
            _ => {}
        }
    }
    let passed = |raw: &Raw| !matches!(raw, Raw::Newline | Raw::Comment | Raw::BlockComment);
    let last = lexemes.iter().map(|lexeme| lexeme.raw).rfind(passed);
    let waits = matches!(last, Some(Raw::Comma | Raw::Assign | Raw::Arrow | Raw::Operator(_)));
    let documents = lexemes.iter().rev().find(|lexeme| lexeme.raw != Raw::Newline);
    let documents = documents.is_some_and(|lexeme| {
        let text = text.get(lexeme.start as usize..).unwrap_or("");
        lexeme.raw == Raw::Comment && text.starts_with("///")
    });
    open > 0 || waits || documents
}

#[cfg(test)]
mod tests {
    use super::{Mark, marks, unfinished};

    #[test]
    fn goes_on_while_something_is_open() {
        for text in
            ["arm at 35 % {", "let x = [1,", "1 +", "let x =", "spin(", "if a {\n  b()", "/// x\n"]
        {
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

    #[test]
    fn words_are_told_apart() {
        let text = "let x = spin(4800 rpm) // \"no\"";
        let found: Vec<(Mark, &str)> =
            marks(text).into_iter().map(|(mark, range)| (mark, &text[range])).collect();
        let wanted = [
            (Mark::Keyword, "let"),
            (Mark::Called, "spin"),
            (Mark::Quantity, "4800"),
            (Mark::Quantity, "rpm"),
            (Mark::Comment, "// \"no\""),
        ];
        assert_eq!(found, wanted);
    }
}
