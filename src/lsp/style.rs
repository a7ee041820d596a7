//! Formatting a document in the house style.

use crate::lsp::analysis::Analysis;
use crate::source::{SourceId, Span};
use crate::syntax::format::format;
use lsp_types::TextEdit;

/// The edits that bring a document into the house style; none where it has mistakes, which are
/// reported already, or where it has the style.
pub fn edits(analysis: &Analysis, source: SourceId) -> Vec<TextEdit> {
    let text = analysis.text(source);
    match format(source, text) {
        Ok(new_text) if new_text != text => {
            let range = analysis.range(Span::new(source, 0, text.len()));
            vec![TextEdit { range, new_text }]
        }
        _ => Vec::new(),
    }
}
