//! The layout of a part of a script: the statements that a range touches are written anew, all others stay.

use crate::source::SourceId;
use crate::syntax::format::{NotFormatted, format};
use crate::syntax::names::Names;
use crate::syntax::parse;
use crate::syntax::tree::Statement;
use crate::syntax::walk::blocks;
use std::ops::Range;

/// The bytes to be replaced so that the statements of a text that `within` touches are laid out, and the
/// text that comes there; none where they are laid out already.
///
/// # Errors
/// As [`format()`].
pub fn format_part(
    source: SourceId,
    text: &str,
    within: &Range<usize>,
) -> Result<Option<(Range<usize>, String)>, NotFormatted> {
    let formatted = format(source, text)?;
    let tree = |text: &str| parse(source, text, &mut Names::default()).file.statements;
    let (old, new) = (tree(text), tree(&formatted));
    let Some((old, new)) = touched(&old, &new, within) else { return Ok(None) };
    // The blanks before the first one belong to it where it begins its line.
    let start = line_start(text, old.start);
    let new_start = line_start(&formatted, new.start);
    let (old, new) = match (start, new_start) {
        (Some(start), Some(new_start)) => (start..old.end, new_start..new.end),
        _ => (old, new),
    };
    let insert = formatted.get(new).unwrap_or_default();
    let is_same = text.get(old.clone()) == Some(insert);
    Ok((!is_same).then(|| (old, insert.to_string())))
}

/// Where the line of a byte begins, if only blanks stand before the byte.
fn line_start(text: &str, at: usize) -> Option<usize> {
    let before = text.get(..at)?;
    let line = before.rfind('\n').map_or(0, |end| end + 1);
    before.get(line..)?.trim().is_empty().then_some(line)
}

/// The bytes of the statements that a range touches, in the old text and in the new one; both have the same
/// statements.
fn touched(
    old: &[Statement],
    new: &[Statement],
    within: &Range<usize>,
) -> Option<(Range<usize>, Range<usize>)> {
    let is_touched = |statement: &Statement| {
        let span = statement.span.range();
        span.start <= within.end && span.end >= within.start
    };
    let first = old.iter().position(is_touched)?;
    let last = old.iter().rposition(is_touched)?;
    let (from, to) = (old.get(first)?, old.get(last)?);
    let (new_from, new_to) = (new.get(first)?, new.get(last)?);
    if first == last {
        for (block, new_block) in blocks(from).into_iter().zip(blocks(new_from)) {
            let inside = block.span.range();
            if inside.start < within.start && within.end < inside.end {
                return touched(&block.statements, &new_block.statements, within);
            }
        }
    }
    let whole = from.span.to(to.span).range();
    Some((whole, new_from.span.to(new_to.span).range()))
}

#[cfg(test)]
mod tests {
    use super::format_part;
    use crate::source::SourceId;

    /// The text with the part between two bars laid out.
    fn laid(text: &str) -> String {
        let (start, end) = (text.find('|').unwrap(), text.rfind('|').unwrap() - 1);
        let mut plain = text.replace('|', "");
        if let Some((range, new)) = format_part(SourceId(0), &plain, &(start..end)).unwrap() {
            plain.replace_range(range, &new);
        }
        plain
    }

    #[test]
    fn only_touched_statements_change() {
        let text = "let a=1\nif a>0 {\n  let b=|2 // keep\n  // and this\n      let c|=b\n  let d=c\n}\nnote  \"{a}\"\n";
        let wanted = "let a=1\nif a>0 {\n    let b = 2 // keep\n    // and this\n    let c = b\n  let d=c\n}\nnote  \"{a}\"\n";
        assert_eq!(laid(text), wanted);
        assert_eq!(laid("let a=|1|; let b=2\nlet c=3\n"), "let a = 1; let b=2\nlet c=3\n");
        assert_eq!(laid("let a = 1\n|let b = 2|\n"), "let a = 1\nlet b = 2\n");
        let whole = laid("if true {|\nnote \"x\"\n}|\nlet  a=1\n");
        assert_eq!(whole, "if true {\n    note \"x\"\n}\nlet  a=1\n");
    }
}
