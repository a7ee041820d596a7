//! What the formatter writes to: words of the script in their order, with breaks and groups
//! between them, and the comments put where they stood. Uses source, token and the printer.

use crate::source::Span;
use crate::syntax::format::print::{Op, columns};
use crate::syntax::layout::Laid;
use crate::syntax::token::Token;

/// Tokens of a script, and the stream that they become.
pub(super) struct Formatter<'s> {
    text: &'s str,
    tokens: &'s [(Token, Span)],
    /// For each opening bracket its closing one, and the other way round.
    partners: Vec<usize>,
    comments: &'s [Span],
    next_comment: usize,
    ops: Vec<Op>,
    /// Breaks, indents and groups that wait for the next word: comments go between them.
    pending: Vec<Op>,
    /// Where the open groups begin in `ops`.
    groups: Vec<usize>,
    /// Inside a text's values nothing breaks.
    one_line: u32,
    /// Where the last word or comment ended.
    behind: u32,
    /// The last word opened a bracket or a block.
    opened: bool,
}

impl<'s> Formatter<'s> {
    pub(super) fn new(text: &'s str, laid: &'s Laid) -> Self {
        Formatter {
            text,
            tokens: &laid.tokens,
            partners: partners(&laid.tokens),
            comments: &laid.comments,
            next_comment: 0,
            ops: Vec::with_capacity(laid.tokens.len() * 2),
            pending: Vec::new(),
            groups: Vec::new(),
            one_line: 0,
            behind: 0,
            opened: false,
        }
    }

    /// The stream, with the comments after the last word.
    pub(super) fn finish(mut self) -> Vec<Op> {
        self.pending.clear();
        self.flush(u32::MAX, false);
        self.ops
    }

    pub(super) fn token(&self, at: usize) -> Option<Token> {
        self.tokens.get(at).map(|(token, _)| *token)
    }

    pub(super) fn slice(&self, at: usize) -> &'s str {
        self.tokens.get(at).and_then(|(_, span)| self.text.get(span.range())).unwrap_or("")
    }

    pub(super) fn start(&self, at: usize) -> u32 {
        self.tokens.get(at).map_or(u32::MAX, |(_, span)| span.start)
    }

    /// The other bracket of a pair; of any other token, itself.
    pub(super) fn partner(&self, at: usize) -> usize {
        self.partners.get(at).copied().unwrap_or(at)
    }

    /// The author ended the line right after this token, without a comment.
    pub(super) fn breaks_after(&self, at: usize) -> bool {
        let Some((_, span)) = self.tokens.get(at) else { return false };
        let rest = self.text.as_bytes().get(span.end as usize..).unwrap_or(&[]);
        rest.iter().find(|b| !matches!(b, b' ' | b'\t' | b'\r')) == Some(&b'\n')
    }

    /// A comment stands before this token that is not written yet.
    pub(super) fn comment_before(&self, at: usize) -> bool {
        self.comments.get(self.next_comment).is_some_and(|c| c.start < self.start(at))
    }

    /// Writes a word of the script.
    pub(super) fn put(&mut self, at: usize) {
        self.put_parts(at, |formatter, span| formatter.write(span));
    }

    /// Writes the words of a span of which not every blank is kept, such as `^ -2`.
    pub(super) fn put_tight(&mut self, at: usize) {
        self.put_parts(at, |formatter, span| {
            let mut from = span.start;
            for part in formatter.slice(at).split_inclusive([' ', '\t', '\r']) {
                let length = u32::try_from(part.len()).unwrap_or(0);
                let word = u32::try_from(part.trim_end().len()).unwrap_or(0);
                formatter.write(Span { start: from, end: from + word, ..span });
                from += length;
            }
        });
    }

    /// Writes the `: 2` of a text's value.
    pub(super) fn put_colon(&mut self, at: usize) {
        self.put_parts(at, |formatter, span| {
            let digits = formatter.slice(at).trim_start_matches([':', ' ', '\t', '\r']);
            let length = u32::try_from(digits.len()).unwrap_or(0);
            formatter.push(Op::Mark(":"));
            formatter.push(Op::Space);
            formatter.write(Span { start: span.end - length, ..span });
        });
    }

    /// Writes everything from one word to another as it stands.
    pub(super) fn put_span(&mut self, from: usize, to: usize) {
        let Some((_, last)) = self.tokens.get(to).copied() else { return };
        self.put_parts(from, |formatter, first| formatter.write(first.to(last)));
        self.behind = last.end;
        self.opened = false;
    }

    fn put_parts(&mut self, at: usize, write: impl FnOnce(&mut Self, Span)) {
        let Some((token, span)) = self.tokens.get(at).copied() else { return };
        self.flush(span.start, token.closes());
        self.opened = token.opens();
        write(self, span);
        self.behind = span.end;
    }

    fn write(&mut self, span: Span) {
        let slice = self.text.get(span.range()).unwrap_or("");
        if slice.is_empty() {
            return;
        }
        let width = u32::try_from(columns(slice)).unwrap_or(u32::MAX);
        self.push(Op::Text { start: span.start, end: span.end, width });
    }

    /// Writes a mark that no comment may come before.
    pub(super) fn mark(&mut self, mark: &'static str) {
        self.pending.push(Op::Mark(mark));
    }

    /// Writes something that waits for the next word; where nothing may break, a break is a blank
    /// or nothing.
    pub(super) fn add(&mut self, op: Op) {
        let can_break = self.one_line == 0;
        match op {
            Op::Line { .. } | Op::Fill if !can_break => self.pending.push(Op::Space),
            Op::Soft | Op::LastComma | Op::Open { .. } | Op::Close if !can_break => {}
            op => self.pending.push(op),
        }
    }

    /// From here on nothing breaks, until [`Formatter::may_break`].
    pub(super) fn no_breaks(&mut self) {
        self.one_line += 1;
    }

    pub(super) fn may_break(&mut self) {
        self.one_line = self.one_line.saturating_sub(1);
    }

    fn push(&mut self, op: Op) {
        match op {
            Op::Open { .. } => self.groups.push(self.ops.len()),
            Op::Close => {
                let closed = self.groups.pop().and_then(|at| self.ops.get(at).copied());
                if closed == Some(Op::Open { broken: true }) {
                    self.break_group();
                }
            }
            Op::Hard { .. } => self.break_group(),
            _ => {}
        }
        self.ops.push(op);
    }

    fn break_group(&mut self) {
        if let Some(open) = self.groups.last().and_then(|at| self.ops.get_mut(*at)) {
            *open = Op::Open { broken: true };
        }
    }

    /// What is left out between the last word or comment and a byte.
    fn between(&self, to: u32) -> &'s [u8] {
        self.text.as_bytes().get(self.behind as usize..to as usize).unwrap_or(&[])
    }

    /// Nothing but blanks stands before this byte on its line.
    fn on_own_line(&self, at: u32) -> bool {
        let between = self.between(at);
        let line = between.rsplit(|byte| *byte == b'\n').next().unwrap_or(&[]);
        line.len() < between.len() && line.iter().all(|b| matches!(b, b' ' | b'\t' | b'\r'))
    }

    fn line_ends(&self, from: u32, to: u32) -> usize {
        let between = self.text.as_bytes().get(from as usize..to as usize).unwrap_or(&[]);
        between.iter().filter(|byte| **byte == b'\n').take(2).count()
    }

    /// Writes the comments before `start` and what else waits.
    fn flush(&mut self, start: u32, closer: bool) {
        let mut pending = std::mem::take(&mut self.pending);
        let due = |comment: &Span| comment.start < start;
        if !self.comments.get(self.next_comment).is_some_and(due) {
            let empty_line = !self.opened && !closer && self.line_ends(self.behind, start) > 1;
            for op in pending.drain(..) {
                self.push(match op {
                    Op::Line { blank } => Op::Line { blank: blank && empty_line },
                    Op::Hard { blank } => Op::Hard { blank: blank && empty_line },
                    op => op,
                });
            }
            self.pending = pending;
            return;
        }
        // Before the groups that begin with the next word, inside what a closing bracket ends,
        // outside of what just ends.
        let begin = pending.iter().rposition(|op| !matches!(op, Op::Open { .. }));
        let beginning = pending.split_off(begin.map_or(0, |at| at + 1));
        let stop = |op: &Op| blank(*op) || *op == Op::Leave;
        let split = pending.iter().position(stop).unwrap_or(pending.len());
        for op in pending.iter().take(split) {
            self.push(*op);
        }
        while let Some(comment) = self.comments.get(self.next_comment).copied().filter(due) {
            let lines = self.line_ends(self.behind, comment.start);
            let own_line = self.on_own_line(comment.start);
            let after_comment = matches!(self.ops.last(), Some(Op::Comment { .. }));
            if own_line || after_comment || self.behind == 0 {
                self.push(Op::Hard { blank: lines > 1 && !self.opened });
            } else {
                self.push(Op::Space);
            }
            // `///` after a `;` documents nothing, and must not come to stand on its own.
            if !own_line && after_comment && self.between(comment.start).contains(&b';') {
                self.push(Op::Mark(";"));
                self.push(Op::Space);
            }
            self.push(Op::Comment { start: comment.start, end: comment.end });
            self.behind = comment.end;
            self.opened = false;
            self.next_comment += 1;
        }
        for op in pending.drain(..).skip(split).filter(|op| !blank(*op)) {
            self.push(op);
        }
        self.pending = pending;
        if start != u32::MAX {
            let blank = !closer && self.line_ends(self.behind, start) > 1;
            self.push(Op::Hard { blank });
        }
        for op in beginning {
            self.push(op);
        }
    }
}

fn blank(op: Op) -> bool {
    matches!(op, Op::Space | Op::Line { .. } | Op::Soft | Op::Fill | Op::Hard { .. })
}

fn partners(tokens: &[(Token, Span)]) -> Vec<usize> {
    let mut partners: Vec<usize> = (0..tokens.len()).collect();
    let mut open = Vec::new();
    for (at, (token, _)) in tokens.iter().enumerate() {
        if token.opens() {
            open.push(at);
        } else if token.closes()
            && let Some(opener) = open.pop()
        {
            partners.swap(opener, at);
        }
    }
    partners
}
