//! Positions as the protocol counts them (lines, and UTF-16 units inside a line) to bytes and
//! back. Lines end with LF, CR LF or a lone CR, as the protocol says.

use lsp_types::{Position, Range};

/// A text with the starts of its lines.
#[derive(Clone, Debug)]
pub(super) struct Lines<'t> {
    text: &'t str,
    starts: Vec<usize>,
}

impl<'t> Lines<'t> {
    /// Finds the lines of a text.
    pub(super) fn new(text: &'t str) -> Lines<'t> {
        let bytes = text.as_bytes();
        let mut starts = vec![0];
        for (at, byte) in bytes.iter().enumerate() {
            if *byte == b'\n' || (*byte == b'\r' && bytes.get(at + 1) != Some(&b'\n')) {
                starts.push(at + 1);
            }
        }
        Lines { text, starts }
    }

    /// The byte at a position. What lies past the end of its line is the end of the line, what
    /// lies past the last line is the end of the text; half a character is its start.
    pub(super) fn offset(&self, position: Position) -> usize {
        let line = position.line as usize;
        let Some(start) = self.starts.get(line).copied() else { return self.text.len() };
        let end = self.starts.get(line + 1).copied().unwrap_or(self.text.len());
        let content = self.text.get(start..end).unwrap_or("").trim_end_matches(['\r', '\n']);
        let mut units = 0;
        for (at, character) in content.char_indices() {
            units += character.len_utf16();
            if units > position.character as usize {
                return start + at;
            }
        }
        start + content.len()
    }

    /// The position of a byte; one inside a character counts as the start of the character.
    pub(super) fn position(&self, offset: usize) -> Position {
        let mut at = offset.min(self.text.len());
        while !self.text.is_char_boundary(at) {
            at -= 1;
        }
        let line = self.starts.partition_point(|start| *start <= at).saturating_sub(1);
        let start = self.starts.get(line).copied().unwrap_or(0);
        let before = self.text.get(start..at).unwrap_or("");
        let units = before.chars().map(char::len_utf16).sum::<usize>();
        let count = |number: usize| u32::try_from(number).unwrap_or(u32::MAX);
        Position::new(count(line), count(units))
    }

    /// The range of some bytes.
    pub(super) fn range(&self, bytes: std::ops::Range<usize>) -> Range {
        Range::new(self.position(bytes.start), self.position(bytes.end))
    }
}

#[cfg(test)]
mod tests {
    use super::Lines;
    use lsp_types::Position;

    #[test]
    fn positions_count_utf16_units() {
        let text = "a µ b\r\n🙂x\rz\n";
        let lines = Lines::new(text);
        let cases = [
            (0, 0, 0),
            (0, 2, 2),
            (0, 3, 4),
            (0, 5, 6),
            (1, 0, 8),
            (1, 2, 12),
            (1, 3, 13),
            (2, 0, 14),
            (3, 0, 16),
        ];
        for (line, character, offset) in cases {
            let position = Position::new(line, character);
            assert_eq!(lines.offset(position), offset, "{position:?}");
            assert_eq!(lines.position(offset), position, "{offset}");
        }
        assert_eq!(lines.offset(Position::new(1, 1)), 8, "half an emoji");
        assert_eq!(lines.offset(Position::new(0, 99)), 6, "past the line");
        assert_eq!(lines.offset(Position::new(99, 0)), text.len());
        assert_eq!(lines.position(3), Position::new(0, 2), "inside µ");
        assert_eq!(lines.position(999), Position::new(3, 0));
    }
}
