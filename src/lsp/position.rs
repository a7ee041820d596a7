//! Positions as the protocol counts them (lines, and units of the agreed encoding inside a line) to bytes
//! and back. Lines end with LF, CR LF or a lone CR, as the protocol says.

use lsp_types::{Position, Range};

/// What the characters of a position count.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) enum Encoding {
    /// UTF-16 units, where nothing else was agreed.
    #[default]
    Utf16,
    /// Bytes.
    Utf8,
}

impl Encoding {
    /// The encoding of a name in the protocol, if it is known here.
    pub(super) fn named(name: &str) -> Option<Encoding> {
        [Encoding::Utf16, Encoding::Utf8].into_iter().find(|encoding| encoding.name() == name)
    }

    /// Its name in the protocol.
    pub(super) fn name(self) -> &'static str {
        match self {
            Encoding::Utf16 => "utf-16",
            Encoding::Utf8 => "utf-8",
        }
    }

    fn units(self, character: char) -> usize {
        match self {
            Encoding::Utf16 => character.len_utf16(),
            Encoding::Utf8 => character.len_utf8(),
        }
    }
}

/// A text with the starts of its lines.
#[derive(Clone, Debug)]
pub(super) struct Lines<'t> {
    text: &'t str,
    encoding: Encoding,
    starts: Vec<usize>,
}

impl<'t> Lines<'t> {
    /// Finds the lines of a text.
    pub(super) fn new(text: &'t str, encoding: Encoding) -> Lines<'t> {
        let bytes = text.as_bytes();
        let mut starts = vec![0];
        for (at, byte) in bytes.iter().enumerate() {
            if *byte == b'\n' || (*byte == b'\r' && bytes.get(at + 1) != Some(&b'\n')) {
                starts.push(at + 1);
            }
        }
        Lines { text, encoding, starts }
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
            units += self.encoding.units(character);
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
        let units = before.chars().map(|c| self.encoding.units(c)).sum::<usize>();
        let count = |number: usize| u32::try_from(number).unwrap_or(u32::MAX);
        Position::new(count(line), count(units))
    }

    /// The bytes of a range; none where it ends before it begins.
    pub(super) fn bytes(&self, range: Range) -> std::ops::Range<usize> {
        let start = self.offset(range.start);
        start..self.offset(range.end).max(start)
    }

    /// The range of some bytes.
    pub(super) fn range(&self, bytes: std::ops::Range<usize>) -> Range {
        Range::new(self.position(bytes.start), self.position(bytes.end))
    }
}

#[cfg(test)]
mod tests {
    use super::{Encoding, Lines};
    use lsp_types::Position;

    #[test]
    fn positions_count_utf16_units() {
        let text = "a µ b\r\n🙂x\rz\n";
        let lines = Lines::new(text, Encoding::Utf16);
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

    #[test]
    fn positions_count_bytes_where_that_is_agreed() {
        let lines = Lines::new("a µ🙂b\nx", Encoding::Utf8);
        for (character, offset) in [(2, 2), (4, 4), (8, 8), (9, 9)] {
            assert_eq!(lines.offset(Position::new(0, character)), offset);
            assert_eq!(lines.position(offset), Position::new(0, character));
        }
        assert_eq!(lines.offset(Position::new(0, 6)), 4, "inside the emoji");
        assert_eq!(lines.position(10), Position::new(1, 0));
    }
}
