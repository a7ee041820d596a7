//! The open documents as the editor has them; their texts lie in the project.

use crate::lsp::position::Lines;
use lsp_types::{TextDocumentContentChangeEvent, Uri};
use std::collections::BTreeMap;

/// An open document.
#[derive(Debug)]
pub(super) struct Document {
    /// Its address, as the editor wrote it.
    pub uri: Uri,
    /// The editor's count of its changes.
    pub version: i32,
}

/// Open documents by the names of their files.
pub(super) type Documents = BTreeMap<String, Document>;

/// A text with changes applied in order; those with a range change a part.
pub(super) fn changed(mut text: String, changes: Vec<TextDocumentContentChangeEvent>) -> String {
    for change in changes {
        let Some(range) = change.range else {
            text = change.text;
            continue;
        };
        let lines = Lines::new(&text);
        let start = lines.offset(range.start);
        let end = lines.offset(range.end).max(start);
        text.replace_range(start..end, &change.text);
    }
    text
}

#[cfg(test)]
mod tests {
    use super::changed;
    use lsp_types::{Position, Range, TextDocumentContentChangeEvent};

    #[test]
    fn changes_apply_one_after_another() {
        let change =
            |from: (u32, u32), to: (u32, u32), text: &str| TextDocumentContentChangeEvent {
                range: Some(Range::new(Position::new(from.0, from.1), Position::new(to.0, to.1))),
                range_length: None,
                text: text.to_string(),
            };
        let text = "let µ = 1\nlet b = 2\n".to_string();
        let text = changed(text, vec![change((0, 4), (0, 5), "🙂"), change((0, 6), (1, 3), "!")]);
        assert_eq!(text, "let 🙂! b = 2\n");
        let text = changed(text, vec![change((9, 9), (3, 0), "x"), change((0, 3), (0, 1), "")]);
        assert_eq!(text, "let 🙂! b = 2\nx");
    }
}
