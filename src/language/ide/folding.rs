//! Parts of a text that can be folded: what stands between brackets, runs of comments and of `use`. Judged
//! from the lexemes, since unfinished text has no tree.

use crate::syntax::{Lexeme, Raw, lexemes};
use std::ops::Range;

/// What can be folded.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FoldKind {
    /// What stands between two brackets.
    Block,
    /// Comments on lines of their own.
    Comment,
    /// Used files.
    Uses,
}

/// A part of a text that can be folded: it begins on one line and ends on a later one.
#[derive(Clone, Debug, PartialEq)]
pub struct Fold {
    /// What it is.
    pub kind: FoldKind,
    /// From its first byte to the last one that is hidden.
    pub range: Range<usize>,
}

/// Everything in a text that can be folded, in the order of its ends.
pub fn folds(text: &str) -> Vec<Fold> {
    let (mut folds, mut open) = (Vec::new(), Vec::<Lexeme>::new());
    let mut run = Run::default();
    let mut line: Vec<Lexeme> = Vec::new();
    for lexeme in lexemes(text).iter().filter(|lexeme| lexeme.start < lexeme.end) {
        match lexeme.raw {
            Raw::ParenOpen | Raw::ListOpen | Raw::BraceOpen => open.push(*lexeme),
            Raw::ParenClose | Raw::ListClose | Raw::BraceClose => {
                let inside = open.pop().map(|begin| begin.end as usize..lexeme.start as usize);
                folds.extend(inside.and_then(|inside| block(text, inside)));
            }
            Raw::Newline => {
                folds.extend(run.line(text, &line));
                line.clear();
                continue;
            }
            _ => {}
        }
        line.push(*lexeme);
    }
    folds.extend(run.line(text, &line));
    folds.extend(run.line(text, &[]));
    folds
}

/// Lines one after the other that hold a comment or a `use` each.
#[derive(Default)]
struct Run {
    lines: usize,
    of: Option<(FoldKind, Range<usize>)>,
}

impl Run {
    /// One line more; gives the run that it ends.
    fn line(&mut self, text: &str, line: &[Lexeme]) -> Option<Fold> {
        let kind = kind_of(text, line);
        let range = line.first().zip(line.last());
        let range = range.map_or(0..0, |(first, last)| first.start as usize..last.end as usize);
        if let Some((of, whole)) = &mut self.of
            && kind == Some(*of)
        {
            whole.end = range.end;
            self.lines += 1;
            return None;
        }
        let ended = self.of.take().filter(|_| self.lines > 1);
        (self.lines, self.of) = (1, kind.map(|kind| (kind, range)));
        ended.map(|(kind, range)| Fold { kind, range })
    }
}

fn kind_of(text: &str, line: &[Lexeme]) -> Option<FoldKind> {
    let first = line.first()?;
    match first.raw {
        Raw::Comment if line.len() == 1 => Some(FoldKind::Comment),
        Raw::Word if text.get(first.range()) == Some("use") => Some(FoldKind::Uses),
        _ => None,
    }
}

/// Between two brackets up to the end of the line before the last one, so that the bracket stays in sight.
fn block(text: &str, inside: Range<usize>) -> Option<Fold> {
    let hidden = text.get(inside.clone())?;
    let last = hidden.rfind('\n')?;
    let hidden = hidden.get(..last)?.trim_end();
    let end = inside.start + hidden.len();
    hidden.contains('\n').then_some(Fold { kind: FoldKind::Block, range: inside.start..end })
}

#[cfg(test)]
mod tests {
    use super::{FoldKind, folds};

    #[test]
    fn brackets_comments_and_uses_fold() {
        let text = "// a\n// b\nuse \"x.spt\"\nuse \"y.spt\"\n\nfor k in 0..3 {\n    f(\n        1,\n        2,\n    )\n}\nlet x = [1, 2]\n// alone\nif a {\n";
        let lines = |at: usize| text[..at].matches('\n').count();
        let found: Vec<_> = folds(text)
            .into_iter()
            .map(|fold| (fold.kind, lines(fold.range.start), lines(fold.range.end)))
            .collect();
        let wanted = [
            (FoldKind::Comment, 0, 1),
            (FoldKind::Uses, 2, 3),
            (FoldKind::Block, 6, 8),
            (FoldKind::Block, 5, 9),
        ];
        assert_eq!(found, wanted);
    }
}
