//! The open documents as the editor has them; their texts lie in the project.

use crate::lsp::position::{Encoding, Lines};
use crate::lsp::uri;
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

/// Open documents.
#[derive(Debug, Default)]
pub(super) struct Documents {
    /// What positions in them count.
    pub encoding: Encoding,
    /// By the names of their files.
    pub open: BTreeMap<String, Document>,
}

impl Documents {
    /// The lines of a text.
    pub(super) fn lines<'t>(&self, text: &'t str) -> Lines<'t> {
        Lines::new(text, self.encoding)
    }

    /// The address of a file, as the editor wrote it where the file is open.
    pub(super) fn address(&self, name: &str) -> Option<Uri> {
        self.open.get(name).map(|document| document.uri.clone()).or_else(|| uri::of(name))
    }
}

/// A text with changes applied in order; those with a range change a part.
pub(super) fn changed(
    mut text: String,
    changes: Vec<TextDocumentContentChangeEvent>,
    encoding: Encoding,
) -> String {
    for change in changes {
        let Some(range) = change.range else {
            text = change.text;
            continue;
        };
        let lines = Lines::new(&text, encoding);
        let bytes = lines.bytes(range);
        text.replace_range(bytes, &change.text);
    }
    text
}

#[cfg(test)]
mod tests {
    use super::changed;
    use crate::lsp::position::Encoding::Utf16;
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
        let text =
            changed(text, vec![change((0, 4), (0, 5), "🙂"), change((0, 6), (1, 3), "!")], Utf16);
        assert_eq!(text, "let 🙂! b = 2\n");
        let text =
            changed(text, vec![change((9, 9), (3, 0), "x"), change((0, 3), (0, 1), "")], Utf16);
        assert_eq!(text, "let 🙂! b = 2\nx");
    }
}
