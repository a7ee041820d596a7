//! How what stands in brackets is laid out: on one line where it fits, else one element a line
//! with a comma after the last. Brackets that the author broke right after the opening one stay
//! broken; lists of short values fill their lines. Uses token and the stream.

use crate::syntax::format::print::Op;
use crate::syntax::format::stream::Formatter;
use crate::syntax::keyword::Keyword;
use crate::syntax::token::Token;
use crate::syntax::tree::Binary;

/// What stands between the commas.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Element {
    /// `value`, `name: value`
    Value,
    /// `name: type`, `name: type = value`
    Parameter,
}

impl Formatter<'_> {
    /// `(value)`, `[index]`
    pub(super) fn single(&mut self, open: usize, broken: bool) {
        self.bracketed(open, broken, |formatter| formatter.expression(open + 1, 1));
    }

    /// Brackets around what `inside` writes, which gives the closing one.
    fn bracketed(&mut self, open: usize, broken: bool, inside: impl FnOnce(&mut Self) -> usize) {
        self.add(Op::Open { broken });
        self.put(open);
        self.add(Op::In(1));
        self.add(Op::Soft);
        let close = inside(self);
        self.add(Op::Leave);
        self.add(Op::Soft);
        self.put(close);
        self.add(Op::Close);
    }

    /// `[a, b]`, `[a for b in c if d]`
    pub(super) fn list(&mut self, open: usize) {
        let first = self.expression_end(open + 1);
        if self.token(first) == Some(Token::Keyword(Keyword::For)) {
            return self.bracketed(open, self.breaks_after(open), |f| f.comprehension(open + 1));
        }
        self.elements(open, Element::Value);
    }

    fn comprehension(&mut self, from: usize) -> usize {
        let for_ = self.expression(from, 1);
        self.add(Op::Line { blank: false });
        let over = self.words(for_, 3);
        let end = self.expression(over, 1);
        if self.token(end) != Some(Token::Keyword(Keyword::If)) {
            return end;
        }
        self.add(Op::Line { blank: false });
        let condition = self.words(end, 1);
        self.expression(condition, 1)
    }

    /// Elements with commas between them.
    pub(super) fn elements(&mut self, open: usize, element: Element) {
        let close = self.partner(open);
        let broken = self.breaks_after(open);
        let last = match self.token(close.saturating_sub(1)) {
            Some(Token::Comma) => close - 1,
            _ => close,
        };
        if last == open + 1 && !self.comment_before(close) {
            self.put(open);
            return self.put(close);
        }
        if !broken && self.is_one_bracket(open + 1, last) && !self.comment_before(close) {
            self.put(open);
            self.element(open + 1, last, element);
            return self.put(close);
        }
        let fills = self.fills(open, last);
        self.bracketed(open, broken, |formatter| {
            let mut from = open + 1;
            while from < last {
                let to = formatter.comma(from, last);
                formatter.element(from, to, element);
                from = to + 1;
                if from < last {
                    formatter.mark(",");
                    formatter.add(if fills { Op::Fill } else { Op::Line { blank: true } });
                }
            }
            if last > open + 1 {
                formatter.add(Op::LastComma);
            }
            close
        });
    }

    fn comma(&self, from: usize, last: usize) -> usize {
        let mut at = from;
        while at < last && self.token(at) != Some(Token::Comma) {
            at = self.partner(at) + 1;
        }
        at.min(last)
    }

    fn element(&mut self, from: usize, to: usize, element: Element) {
        let named = matches!(self.token(from), Some(Token::Name(_)))
            && self.token(from + 1) == Some(Token::Colon);
        let mut at = from;
        if named {
            self.put(at);
            self.put(at + 1);
            self.add(Op::Space);
            at += 2;
        }
        if element == Element::Value {
            self.expression(at, 1);
            return;
        }
        at = self.type_(at);
        if at < to {
            self.add(Op::Space);
            self.put(at);
            self.add(Op::Space);
            self.expression(at + 1, 1);
        }
    }

    /// One call, list or record, which breaks in place of the brackets around it.
    fn is_one_bracket(&self, from: usize, to: usize) -> bool {
        let Some(opener) = to.checked_sub(1).map(|end| self.partner(end)) else {
            return false;
        };
        let bracket = matches!(
            self.token(opener),
            Some(Token::ParenOpen | Token::ListOpen | Token::RecordOpen)
        );
        let before = opener.checked_sub(from);
        let word = |at: usize| matches!(self.token(at), Some(Token::Name(_)));
        bracket
            && opener + 1 < to
            && match before {
                Some(0) => true,
                Some(1) => word(from) && self.token(opener) == Some(Token::ParenOpen),
                Some(2) => word(from) && self.token(from + 1) == Some(Token::Colon),
                _ => false,
            }
    }

    /// A list of single short values, which fill their lines.
    fn fills(&self, open: usize, last: usize) -> bool {
        self.token(open) == Some(Token::ListOpen)
            && (open + 1..last).all(|at| {
                matches!(
                    self.token(at),
                    Some(
                        Token::Name(_)
                            | Token::Number(_)
                            | Token::Unit(_)
                            | Token::Comma
                            | Token::Operator(Binary::Subtract)
                            | Token::Keyword(Keyword::True | Keyword::False)
                    )
                )
            })
    }
}
