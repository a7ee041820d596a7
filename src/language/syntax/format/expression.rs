//! How expressions and types are laid out. Uses token, tree and the stream.

use crate::syntax::format::bracket::Element;
use crate::syntax::format::print::Op;
use crate::syntax::format::stream::Formatter;
use crate::syntax::keyword::Keyword;
use crate::syntax::token::Token;
use crate::syntax::tree::{Binary, COMPARISON};

const RANGE: u8 = 6;
const SHOWN: u8 = 7;

/// How tightly an operator binds.
fn level(token: Token) -> Option<u8> {
    match token {
        Token::Operator(operator) => Some(operator.level()),
        Token::Keyword(Keyword::Within) => Some(COMPARISON),
        Token::ShownIn => Some(SHOWN),
        _ => None,
    }
}

impl Formatter<'_> {
    /// Where the expression that begins at a token ends.
    pub(super) fn expression_end(&self, from: usize) -> usize {
        let mut at = from;
        while let Some(token) = self.token(at) {
            match token {
                Token::Keyword(Keyword::Not | Keyword::True | Keyword::False) => {}
                Token::Keyword(Keyword::Within) if self.is_band(at) => {}
                Token::Keyword(_)
                | Token::BlockOpen
                | Token::End
                | Token::Comma
                | Token::Colon
                | Token::Assign
                | Token::Decimals(_)
                | Token::Arrow => break,
                _ if self.partner(at) < at => break,
                _ => {}
            }
            at = self.partner(at) + 1;
        }
        at
    }

    /// The `within` of a band has its `..`.
    fn is_band(&self, within: usize) -> bool {
        let mut at = within + 1;
        while let Some(token) = self.token(at) {
            match token {
                Token::Operator(Binary::Range) => return true,
                Token::Name(_)
                | Token::Number(_)
                | Token::Unit(_)
                | Token::Power(_)
                | Token::Dot
                | Token::Quote
                | Token::ParenOpen
                | Token::ListOpen
                | Token::RecordOpen
                | Token::Keyword(Keyword::True | Keyword::False) => {}
                Token::Operator(_) if level(token) > Some(SHOWN) => {}
                _ => return false,
            }
            at = self.partner(at) + 1;
        }
        false
    }

    /// The expression that begins at a token; gives where it ends. A broken one goes on `steps`
    /// further right.
    pub(super) fn expression(&mut self, from: usize, steps: u8) -> usize {
        let to = self.expression_end(from);
        self.part(from, to, steps);
        to
    }

    /// The operator between operands at a token, with its level.
    fn operator(&self, at: usize, from: usize) -> Option<u8> {
        let token = self.token(at)?;
        let found = level(token)?;
        if token == Token::Operator(Binary::Subtract) {
            let before = at.checked_sub(1).filter(|_| at > from);
            let operand = before.and_then(|before| self.token(before)).is_some_and(|before| {
                matches!(before, Token::Keyword(Keyword::True | Keyword::False))
                    || !matches!(before, Token::Operator(_) | Token::Keyword(_))
            });
            return operand.then_some(found);
        }
        Some(found)
    }

    fn loosest(&self, from: usize, to: usize) -> Option<u8> {
        let mut loosest = None;
        let mut at = from;
        while at < to {
            if let Some(found) = self.operator(at, from)
                && loosest.is_none_or(|old| found < old)
            {
                loosest = Some(found);
            }
            at = self.partner(at) + 1;
        }
        loosest
    }

    /// The next operator of a level from a token on.
    fn next_of(&self, wanted: u8, mut at: usize, from: usize, to: usize) -> usize {
        while at < to && self.operator(at, from) != Some(wanted) {
            at = self.partner(at) + 1;
        }
        at.min(to)
    }

    fn part(&mut self, from: usize, to: usize, steps: u8) {
        if to == from + 1 {
            return self.put(from);
        }
        let mut from = from;
        let loosest = self.loosest(from, to);
        if loosest.is_none_or(|found| found >= COMPARISON) {
            while self.token(from) == Some(Token::Keyword(Keyword::Not)) {
                self.put(from);
                self.add(Op::Space);
                from += 1;
            }
        }
        match loosest {
            None => self.primary(from, to),
            Some(SHOWN) => {
                let at = self.next_of(SHOWN, from, from, to);
                self.part(from, at, steps);
                for word in at..to {
                    self.add(Op::Space);
                    self.put(word);
                }
            }
            Some(RANGE) => self.range(from, to, steps),
            Some(level) => self.chain(level, from, to, steps),
        }
    }

    /// Operands with operators of one level between them.
    fn chain(&mut self, level: u8, from: usize, to: usize, steps: u8) {
        self.add(Op::Open { broken: false });
        let mut at = self.next_of(level, from, from, to);
        self.part(from, at, steps);
        self.add(Op::In(steps));
        while at < to {
            // The `..` of a band is none of the chain.
            let band = self.token(at) == Some(Token::Keyword(Keyword::Within));
            let next = self.next_of(level, at + 1, from, to);
            if band {
                self.add(Op::Line { blank: false });
                self.put(at);
                self.add(Op::Space);
                self.band(at + 1, next, steps);
            } else {
                self.add(Op::Space);
                self.put(at);
                self.add(Op::Line { blank: false });
                self.part(at + 1, next, steps);
            }
            at = next;
        }
        self.add(Op::Out(steps));
        self.add(Op::Close);
    }

    /// `low .. high` of a band.
    pub(super) fn band(&mut self, from: usize, to: usize, steps: u8) {
        self.chain(RANGE, from, to, steps);
    }

    /// `a..b`; with blanks where an operand has blanks of its own.
    fn range(&mut self, from: usize, to: usize, steps: u8) {
        let at = self.next_of(RANGE, from, from, to);
        if !self.is_tight(from, at) || !self.is_tight(at + 1, to) {
            return self.chain(RANGE, from, to, steps);
        }
        self.part(from, at, steps);
        self.put(at);
        self.part(at + 1, to, steps);
    }

    fn is_tight(&self, from: usize, to: usize) -> bool {
        let mut at = from;
        while at < to {
            let wide =
                matches!(self.token(at), Some(Token::Unit(_) | Token::Keyword(_) | Token::Dot));
            if wide || self.operator(at, from).is_some() {
                return false;
            }
            at = self.partner(at) + 1;
        }
        true
    }

    /// An operand with its minus signs, fields, elements and powers.
    fn primary(&mut self, from: usize, to: usize) {
        let mut at = from;
        let mut first = true;
        while at < to {
            let Some(token) = self.token(at) else { return };
            match token {
                Token::Unit(_) => {
                    self.add(Op::Space);
                    self.put(at);
                }
                Token::Power(_) => {
                    // What touches a unit belongs to it.
                    if matches!(self.token(at.wrapping_sub(1)), Some(Token::Unit(_))) {
                        self.add(Op::Space);
                    }
                    self.put_tight(at);
                }
                // `--[[` would begin a comment of another language.
                Token::Operator(_) if self.is_before_lists(at + 1) => {
                    self.put(at);
                    self.add(Op::Space);
                }
                Token::Quote => self.text(at),
                Token::ParenOpen if first => self.single(at, self.breaks_after(at)),
                Token::ListOpen if first => self.list(at),
                Token::ListOpen => self.single(at, false),
                Token::ParenOpen | Token::RecordOpen => self.elements(at, Element::Value),
                _ => self.put(at),
            }
            first &= matches!(token, Token::Operator(_));
            at = self.partner(at) + 1;
        }
    }

    /// A minus sign before a list in a list.
    fn is_before_lists(&self, at: usize) -> bool {
        self.token(at) == Some(Token::Operator(Binary::Subtract))
            && [at + 1, at + 2].iter().all(|at| self.token(*at) == Some(Token::ListOpen))
    }

    /// A text as it stands, but for what is between its braces.
    pub(super) fn text(&mut self, open: usize) {
        let close = self.partner(open);
        let mut from = open;
        self.no_breaks();
        let mut at = open + 1;
        while at < close {
            if self.token(at) != Some(Token::ValueOpen) {
                at += 1;
                continue;
            }
            self.put_span(from, at);
            let end = self.partner(at);
            let next = self.expression(at + 1, 1);
            if let Some(Token::Decimals(_)) = self.token(next) {
                self.add(Op::Space);
                self.put_colon(next);
            }
            from = end;
            at = end + 1;
        }
        self.put_span(from, close);
        self.may_break();
    }

    /// A type; gives where it ends.
    pub(super) fn type_(&mut self, from: usize) -> usize {
        let mut at = from;
        while self.token(at) == Some(Token::Keyword(Keyword::List)) {
            self.put(at);
            self.add(Op::Space);
            self.put(at + 1);
            self.add(Op::Space);
            at += 2;
        }
        if self.token(at) == Some(Token::RecordOpen) {
            self.elements(at, Element::Parameter);
            return self.partner(at) + 1;
        }
        while let Some(token) = self.token(at) {
            match token {
                Token::Name(_) | Token::Number(_) | Token::Operator(_) => self.put(at),
                Token::Power(_) => self.put_tight(at),
                _ => break,
            }
            at += 1;
        }
        at
    }
}
