//! Blocks that end with their indentation or with a word, and the edits that put them into braces.

use crate::diagnostics::Edit;
use crate::source::{SourceId, Span};
use crate::syntax::foreign::line::Line;
use crate::syntax::foreign::{Foreign, Habit};

/// A word that ends a block in another language.
pub(crate) fn ends_block(word: &str) -> bool {
    let word = word.to_ascii_lowercase();
    word.starts_with("end") || ["fi", "done", "next", "wend", "od", "esac"].contains(&word.as_str())
}

/// A line of a text: where it begins, how far it is indented, and what it says.
fn line_at(text: &str, start: usize) -> (usize, &str) {
    let line = text.get(start..).and_then(|rest| rest.split('\n').next()).unwrap_or("");
    let said = line.trim_start();
    (line.len() - said.len(), said.trim_end())
}

/// A head of a block that is ended by its indentation or by a word, with the edits that put the block into
/// braces; none where nothing is indented below it.
pub(super) fn block(source: SourceId, text: &str, start: usize, mut habit: Habit) -> Option<Habit> {
    let (indent, _) = line_at(text, start);
    let margin = text.get(start..start + indent).unwrap_or("");
    let (mut edits, mut last, mut at, mut is_closed) = (Vec::new(), None, start, false);
    while let Some(length) = text.get(at..).and_then(|rest| rest.find('\n')) {
        at += length + 1;
        let (depth, said) = line_at(text, at);
        let place = Span::new(source, at + depth, at + depth + said.len());
        if said.is_empty() || said.starts_with("//") || said.starts_with('#') {
            continue;
        }
        if depth > indent {
            last = Some(place.after());
            continue;
        }
        let line = Line::from(source, text, at + depth);
        if depth == indent
            && let Some(next) = line.find(Foreign::Continuation, 0, line.lexemes.len())
            && last.is_some()
        {
            edits.extend(next.help.into_iter().flat_map(|help| help.edits));
            if next.why.contains("until") {
                last = None;
                is_closed = true;
            }
            continue;
        }
        let word = said.split(|c: char| !c.is_alphanumeric() && c != '_').next().unwrap_or("");
        if depth == indent && ends_block(word) && (last.is_some() || is_closed) {
            edits.push(Edit { span: place, text: if is_closed { "" } else { "}" }.to_string() });
            last = None;
        }
        break;
    }
    if let Some(behind) = last {
        edits.push(Edit { span: behind, text: format!("\n{margin}}}") });
    } else if edits.is_empty() {
        return None;
    }
    for help in habit.help.iter_mut().filter(|help| !help.edits.is_empty()) {
        help.edits.extend(edits.iter().cloned());
    }
    Some(habit)
}
