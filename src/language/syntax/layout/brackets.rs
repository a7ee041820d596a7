//! Brackets of the layout: opening, closing, repairing and bounding them.

use crate::diagnostics::{Diagnostic, codes};
use crate::source::Span;
use crate::syntax::keyword::Keyword;
use crate::syntax::layout::{DEEPEST, HIGHEST, Layout};
use crate::syntax::raw::{Lexeme, Raw};
use crate::syntax::token::Token;

/// What is open.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    Paren,
    List,
    Record,
    Block,
    Value,
}

impl Kind {
    /// Its tokens, and how the closing one is written.
    fn tokens(self) -> (Token, Token, &'static str) {
        match self {
            Kind::Paren => (Token::ParenOpen, Token::ParenClose, ")"),
            Kind::List => (Token::ListOpen, Token::ListClose, "]"),
            Kind::Record => (Token::RecordOpen, Token::RecordClose, "}"),
            Kind::Block => (Token::BlockOpen, Token::BlockClose, "}"),
            Kind::Value => (Token::ValueOpen, Token::ValueClose, "}"),
        }
    }
}

/// An open bracket, and how high the expression in it has grown.
pub(super) struct Frame {
    pub kind: Kind,
    pub open: Span,
    /// Operators of the element being read.
    pub levels: u32,
    /// Height of the brackets closed inside the element being read.
    pub below: u32,
    /// Height of the highest element before it.
    highest: u32,
    /// The levels above a block, which begins afresh.
    outer_path: u32,
    /// A `for` waits for its `in`.
    pub in_for: bool,
    /// Where the line of the opening bracket begins.
    indent: u32,
}

impl Frame {
    pub(super) fn new(kind: Kind, open: Span, outer_path: u32, indent: u32) -> Self {
        Frame { kind, open, levels: 0, below: 0, highest: 0, outer_path, in_for: false, indent }
    }

    /// Goes on to the next element, and gives how many levels that leaves.
    pub(super) fn next_element(&mut self) -> u32 {
        self.highest = self.highest.max(self.levels + self.below);
        self.below = 0;
        std::mem::take(&mut self.levels)
    }
}

/// The report on an expression that grew too high.
pub(super) fn too_many_parts(span: Span) -> Diagnostic {
    Diagnostic::error(codes::TOO_MANY_PARTS, "this expression has too many parts", span)
        .here(format!("more than {HIGHEST} operators and brackets up to here"))
        .help("give parts of it a name with `let`")
}

impl Layout<'_> {
    pub(super) fn frame_kind(&self) -> Kind {
        self.frames.last().map_or(Kind::Block, |frame| frame.kind)
    }

    pub(super) fn in_block(&self) -> bool {
        self.frame_kind() == Kind::Block
    }

    /// The innermost frame that is none of these.
    fn innermost(&self, but: &[Kind]) -> usize {
        self.frames.iter().rposition(|frame| !but.contains(&frame.kind)).unwrap_or(0)
    }

    /// The innermost block or text value.
    pub(super) fn block_below(&self) -> usize {
        self.innermost(&[Kind::Paren, Kind::List, Kind::Record])
    }

    /// The innermost that a `}` closes.
    fn braced(&self) -> usize {
        self.innermost(&[Kind::Paren, Kind::List])
    }

    pub(super) fn open(&mut self, lexeme: Lexeme, kind: Kind) {
        self.begin(lexeme, None);
        let (token, closer, _) = kind.tokens();
        let span = self.span(lexeme);
        let deep = self.frames.len() > DEEPEST;
        if deep || (kind != Kind::Block && self.path >= HIGHEST) {
            self.diagnostics.push(if deep {
                Diagnostic::error(
                    codes::NESTED_TOO_DEEPLY,
                    "brackets and blocks are nested too deeply",
                    span,
                )
                .here(format!("{DEEPEST} are open here already"))
                .help("give inner parts a name with `let`, or move them into a routine")
            } else {
                too_many_parts(span)
            });
            match kind {
                Kind::Record => self.push(Token::Hole, span),
                Kind::Block => {
                    self.push(token, span);
                    self.push(Token::BlockClose, span.after());
                }
                _ => {
                    self.push(token, span);
                    self.push(Token::Hole, span.after());
                    self.push(closer, span.after());
                }
            }
            if kind == Kind::Value {
                self.push(Token::Unquote, span.after());
            }
            return self.give_up(span);
        }
        // An index is one level of a chain; other brackets are left again when they close.
        let operand = !self.wants_operand() && !self.at_statement();
        if kind == Kind::List && operand && !self.count(span) {
            return;
        }
        self.push(token, span);
        self.enter(kind, span);
    }

    fn enter(&mut self, kind: Kind, span: Span) {
        if kind == Kind::Block {
            if let Some(frame) = self.frames.last_mut() {
                self.path -= frame.next_element();
                frame.in_for = false;
            }
            let frame = Frame::new(kind, span, self.path, self.indent);
            self.frames.push(frame);
            self.path = 0;
        } else {
            self.path += 1;
            self.frames.push(Frame::new(kind, span, 0, self.indent));
        }
    }

    /// Leaves the innermost bracket.
    fn leave(&mut self, span: Span) {
        if self.frames.len() < 2 {
            return;
        }
        let Some(mut frame) = self.frames.pop() else {
            return;
        };
        let levels = frame.next_element();
        if frame.kind == Kind::Block {
            self.path = frame.outer_path;
        } else {
            self.path -= levels + 1;
            if let Some(parent) = self.frames.last_mut() {
                parent.below = parent.below.max(frame.highest + 1);
            }
        }
        self.push(frame.kind.tokens().1, span);
        debug_assert!(self.laid.cut.is_some() || self.path <= HIGHEST);
    }

    /// A brace opens a record where an operand is wanted and a field follows; else a block.
    pub(super) fn brace(&mut self, lexeme: Lexeme) {
        let in_text = self.frames.iter().any(|frame| frame.kind == Kind::Value);
        // Outside of brackets a comma parts the conditions of a `hold`, and none of them is a record.
        let sure = match self.last() {
            Some(Token::Comma) => !self.in_block(),
            last => matches!(
                last,
                Some(Token::Assign | Token::Colon | Token::ParenOpen | Token::ListOpen)
            ),
        };
        let same_line = self.peek().is_some_and(|next| next.raw != Raw::Newline);
        let is_all = self.last().is_none();
        let record =
            self.wants_operand() && ((sure && same_line) || is_all || self.record_follows());
        if in_text || record {
            return self.open(lexeme, Kind::Record);
        }
        if !self.in_block() {
            let index = self.block_below();
            self.close_above(index);
        }
        self.open(lexeme, Kind::Block);
    }

    fn record_follows(&self) -> bool {
        let rest = self.lexemes.get(self.at..).unwrap_or(&[]);
        let mut ahead =
            rest.iter().filter(|lexeme| !matches!(lexeme.raw, Raw::Newline | Raw::Comment));
        let next = ahead.next();
        let after = ahead.next();
        match next.map(|lexeme| lexeme.raw) {
            Some(Raw::Word) => after.is_some_and(|lexeme| {
                lexeme.raw == Raw::Colon
                    || (!self.in_block() && matches!(lexeme.raw, Raw::Comma | Raw::Assign))
            }),
            Some(Raw::BraceClose) => {
                rest.first().is_some_and(|lexeme| lexeme.raw == Raw::BraceClose)
            }
            Some(Raw::Quote) => {
                let mut behind = ahead.skip_while(|lexeme| lexeme.raw != Raw::Unquote).skip(1);
                !self.in_block() || behind.next().is_some_and(|next| next.raw == Raw::Colon)
            }
            Some(Raw::Number) => !self.in_block(),
            _ => false,
        }
    }

    pub(super) fn close(&mut self, lexeme: Lexeme, kind: Kind) {
        self.begin(lexeme, None);
        let span = self.span(lexeme);
        let bottom = self.braced();
        let inside = self.frames.get(bottom + 1..).unwrap_or(&[]);
        match inside.iter().rposition(|frame| frame.kind == kind) {
            Some(found) => {
                self.close_above(bottom + 1 + found);
                self.leave(span);
            }
            None => match inside.last() {
                Some(frame) => {
                    let (opener, wrong) = (self.slice(frame.open), self.slice(span));
                    let (.., right) = frame.kind.tokens();
                    self.diagnostics.push(
                        Diagnostic::error(
                            codes::MISMATCHED_CLOSER,
                            format!("`{opener}` is closed by `{wrong}`"),
                            span,
                        )
                        .here(format!("should be `{right}`"))
                        .label(frame.open, "opened here"),
                    );
                    self.leave(span);
                }
                None => self.unmatched(span),
            },
        }
    }

    pub(super) fn close_brace(&mut self, lexeme: Lexeme) {
        let own_line = self.fresh_line;
        self.fresh_line = false;
        let span = self.span(lexeme);
        if own_line {
            self.indent = lexeme.start - self.line_start;
        }
        let found = self.braced();
        let Some(frame) = self.frames.get(found) else {
            return;
        };
        if found == 0 || frame.kind == Kind::Value {
            self.pending = None;
            return self.unmatched(span);
        }
        if frame.kind == Kind::Block
            && own_line
            && self.indent < frame.indent
            && self.suspect.is_none()
        {
            self.suspect = Some((frame.open, span));
        }
        self.close_above(found);
        self.pending = None;
        self.doc.clear();
        if self.last() == Some(Token::End) {
            self.laid.tokens.pop();
        }
        self.leave(span);
    }

    pub(super) fn close_value(&mut self, lexeme: Lexeme) {
        let span = self.span(lexeme);
        let Some(found) = self.frames.iter().rposition(|frame| frame.kind == Kind::Value) else {
            return;
        };
        if self.last() == Some(Token::ValueOpen) {
            if span.start < span.end {
                let open = self.frames.get(found).map_or(span, |frame| frame.open);
                self.diagnostics.push(
                    Diagnostic::error(codes::EMPTY_BRACES, "there is no value between these braces", open.to(span))
                        .help("write a value, as in `{speed in rpm}`; the characters themselves are `\\{` and `\\}`"),
                );
            }
            self.push(Token::Hole, span);
        }
        self.close_above(found);
        self.leave(span);
    }

    fn unmatched(&mut self, span: Span) {
        let closer = self.slice(span);
        let mut report =
            Diagnostic::error(codes::UNMATCHED_CLOSER, format!("`{closer}` closes nothing"), span)
                .here("no bracket is open here");
        if let Some((open, close)) = self.suspect.take() {
            report = report.label(open, "this block").label(close, "was closed here already");
        }
        self.diagnostics.push(report.help("remove it, or open the bracket before it"));
    }

    /// Closes every bracket above one, with one report.
    pub(super) fn close_above(&mut self, index: usize) {
        let open = self.frames.get(index + 1..).unwrap_or(&[]);
        let Some(inner) = open.last() else { return };
        let mut report = Diagnostic::error(
            codes::UNCLOSED_BRACKET,
            format!("`{}` is never closed", self.slice(inner.open)),
            inner.open,
        )
        .here("opened here")
        .label(
            self.behind(),
            format!("`{}` is missing, here at the latest", inner.kind.tokens().2),
        );
        let others = open.len() - 1;
        for frame in open.iter().rev().skip(1).take(3) {
            report = report.label(frame.open, "nor is this one");
        }
        if others > 3 {
            report = report.help(format!("{others} more brackets are open around it"));
        }
        self.diagnostics.push(report);
        self.drop_to(index);
    }

    fn drop_to(&mut self, index: usize) {
        while self.frames.len() > index + 1 {
            let behind = self.behind();
            let value = self.frame_kind() == Kind::Value;
            self.leave(behind);
            if value {
                self.push(Token::Unquote, behind);
            }
        }
    }

    /// Leaves the rest of the text unread.
    pub(super) fn give_up(&mut self, span: Span) {
        if self.wants_operand() || self.last() == Some(Token::Keyword(Keyword::Not)) {
            self.push(Token::Hole, span);
        }
        self.laid.cut = Some(span.start);
        self.at = self.lexemes.len();
        self.pending = None;
        self.drop_to(0);
    }

    /// A word that stands at the top level of a file only, and no further right than the line that
    /// opened a block: where braces are missing, the block should have ended before it.
    pub(super) fn begins_anew(&mut self, lexeme: Lexeme, keyword: Keyword) {
        let under = |frame: &Frame| self.indent <= frame.indent;
        let Some(index) = self.frames.iter().skip(1).position(under) else { return };
        let frame = self.frames.get(index + 1).filter(|frame| frame.kind == Kind::Block);
        let Some(opened) = frame.map(|frame| frame.open) else { return };
        let unclosed = self.unclosed.unwrap_or_else(|| self.braces_missing());
        self.unclosed = Some(unclosed);
        if unclosed == 0 {
            return;
        }
        let missing = format!("`}}` is missing before this `{}`", keyword.text());
        self.never_closed(opened, self.span(lexeme), missing);
        self.unclosed = Some(unclosed.saturating_sub(self.frames.len() - (index + 1)));
        self.drop_to(index);
        if !self.at_statement() {
            self.push(Token::End, self.behind());
        }
    }

    fn never_closed(&mut self, opened: Span, place: Span, missing: impl Into<String>) {
        let (open, close) = self.suspect.take().unzip();
        let open = open.unwrap_or(opened);
        let mut report =
            Diagnostic::error(codes::UNCLOSED_BRACKET, "this block is never closed", open)
                .here("opened here");
        if let Some(close) = close {
            report = report.label(close, "this `}` ends it, though it stands further left");
        }
        self.diagnostics.push(report.label(place, missing));
    }

    /// How many more braces the text opens than it closes.
    fn braces_missing(&self) -> usize {
        let braces = |raw| self.lexemes.iter().filter(|lexeme| lexeme.raw == raw).count();
        braces(Raw::BraceOpen).saturating_sub(braces(Raw::BraceClose))
    }

    /// The end of the text.
    pub(super) fn finish(&mut self) {
        if self.laid.cut.is_some() || self.frames.len() < 2 {
            return;
        }
        let index = self.block_below();
        if index + 1 < self.frames.len() {
            self.close_above(index);
        }
        if self.frames.len() < 2 {
            return;
        }
        let length = self.text.trim_end().len();
        let end = Span::new(self.source, length, length);
        let open = self.frames.last().map_or(end, |frame| frame.open);
        self.never_closed(open, end, "the file ends here, where `}` is missing");
        self.drop_to(0);
    }
}
