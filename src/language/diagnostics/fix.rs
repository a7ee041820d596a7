//! Ways out as changes of a text: which can be gone together, and the text that they leave.

use crate::diagnostics::{Diagnostic, Edit, Help};
use crate::source::SourceId;

/// The safe ways out of reports on a source, one of each report, as far as their edits leave each
/// other's places alone.
pub(crate) fn safe_fixes(
    source: SourceId,
    diagnostics: &[Diagnostic],
) -> Vec<(&Diagnostic, &Help)> {
    let mut chosen: Vec<(&Diagnostic, &Help)> = Vec::new();
    for diagnostic in diagnostics {
        let Some(fix) = diagnostic.fixes().find(|help| help.is_safe) else { continue };
        let taken = || chosen.iter().flat_map(|(_, help)| &help.edits);
        let fits =
            |edit: &Edit| edit.span.source == source && !taken().any(|other| touches(edit, other));
        if fix.edits.iter().all(fits) {
            chosen.push((diagnostic, fix));
        }
    }
    chosen
}

/// Two edits share characters, or a place where both insert.
fn touches(one: &Edit, other: &Edit) -> bool {
    let (one, other) = (one.span, other.span);
    one.start < other.end && other.start < one.end || one.start == other.start
}

/// A text after edits that leave each other's places alone.
pub fn edited<'e>(text: &str, edits: impl IntoIterator<Item = &'e Edit>) -> String {
    let mut edits: Vec<&Edit> = edits.into_iter().collect();
    edits.sort_by_key(|edit| (edit.span.start, edit.span.end));
    let (mut out, mut at) = (String::with_capacity(text.len()), 0);
    for edit in edits {
        let range = edit.span.range();
        out.push_str(text.get(at..range.start).unwrap_or(""));
        out.push_str(&edit.text);
        at = range.end;
    }
    out.push_str(text.get(at..).unwrap_or(""));
    out
}
