//! The texts as they stand in the editor.

use crate::lsp::position::Lines;
use lsp_types::{TextDocumentContentChangeEvent, Uri};
use std::collections::BTreeMap;

/// Largest document that is checked while somebody types, in bytes.
pub const CHECKED_MOST: usize = 4 * 1024 * 1024;

/// An open document.
#[derive(Debug)]
pub struct Document {
    /// Its address, as the editor wrote it.
    pub uri: Uri,
    /// The editor's count of its changes.
    pub version: i32,
    /// What stands in it.
    pub text: String,
}

impl Document {
    /// Takes changes over, in their order; those with a range change a part.
    pub fn change(&mut self, changes: Vec<TextDocumentContentChangeEvent>) {
        for change in changes {
            let Some(range) = change.range else {
                self.text = change.text;
                continue;
            };
            let lines = Lines::new(&self.text);
            let start = lines.offset(&self.text, range.start);
            let end = lines.offset(&self.text, range.end).max(start);
            self.text.replace_range(start..end, &change.text);
        }
    }
}

/// Open documents by the names of their files.
pub type Documents = BTreeMap<String, Document>;

#[cfg(test)]
mod tests {
    use super::Document;
    use lsp_types::{Position, Range, TextDocumentContentChangeEvent, Uri};
    use std::str::FromStr;

    #[test]
    fn changes_apply_one_after_another() {
        let uri = Uri::from_str("file:///a.spt").unwrap();
        let mut document =
            Document { uri, version: 1, text: "let µ = 1\nlet b = 2\n".to_string() };
        let change =
            |from: (u32, u32), to: (u32, u32), text: &str| TextDocumentContentChangeEvent {
                range: Some(Range::new(Position::new(from.0, from.1), Position::new(to.0, to.1))),
                range_length: None,
                text: text.to_string(),
            };
        document.change(vec![change((0, 4), (0, 5), "🙂"), change((0, 6), (1, 3), "!")]);
        assert_eq!(document.text, "let 🙂! b = 2\n");
        document.change(vec![change((9, 9), (3, 0), "x"), change((0, 3), (0, 1), "")]);
        assert_eq!(document.text, "let 🙂! b = 2\nx");
    }
}
