//! How statements and blocks are laid out. Uses token and the stream.

use crate::syntax::format::Formatter;
use crate::syntax::keyword::Keyword;
use crate::syntax::token::Token;

/// How far a statement's continued lines stand to the right, in steps.
const ON: u8 = 1;
/// The same before a block, so that they stand apart from what is in it.
const HEAD: u8 = 2;

impl Formatter<'_> {
    /// Statements up to a token, one a line.
    pub(super) fn statements(&mut self, from: usize, to: usize) {
        let mut at = from;
        let mut first = true;
        while at < to {
            if self.out.token(at) == Some(Token::End) {
                at += 1;
                continue;
            }
            if !first {
                self.out.hard();
            }
            first = false;
            let next = self.statement(at);
            at = next.max(at + 1);
        }
    }

    fn is(&self, at: usize, keyword: Keyword) -> bool {
        self.out.token(at) == Some(Token::Keyword(keyword))
    }

    /// Words with one blank behind each.
    fn words(&mut self, from: usize, count: usize) -> usize {
        for at in from..from + count {
            self.out.put(at);
            self.out.space();
        }
        from + count
    }

    fn statement(&mut self, at: usize) -> usize {
        let Some(Token::Keyword(keyword)) = self.out.token(at) else {
            return self.simple(at);
        };
        match keyword {
            Keyword::Use => {
                let at = self.words(at, 1);
                self.text_alone(at)
            }
            Keyword::Allow => {
                let at = self.words(at, 2);
                self.text_alone(at)
            }
            Keyword::Param => self.param(at),
            Keyword::Routine => self.routine(at),
            Keyword::If => self.if_(at),
            Keyword::For => {
                self.out.open(false);
                let at = self.words(at, 3);
                let at = self.expression(at, HEAD);
                let at = self.block(at);
                self.out.close();
                at
            }
            Keyword::Repeat => self.repeat(at),
            Keyword::While => self.while_(at),
            Keyword::Wait if self.is(at + 1, Keyword::Until) => self.wait_until(at),
            Keyword::Arm => {
                self.out.open(false);
                let at = self.words(at, 2);
                let at = self.expression(at, HEAD);
                let at = self.block(at);
                self.out.close();
                at
            }
            Keyword::Try => self.try_(at),
            _ => self.simple(at),
        }
    }

    fn text_alone(&mut self, at: usize) -> usize {
        self.text(at);
        self.out.partner(at) + 1
    }

    /// A check with how it is decided, or how all are.
    fn expect(&mut self, at: usize) -> usize {
        self.out.put(at);
        if self.out.token(at + 1) == Some(Token::Colon) {
            return self.choices(at + 1);
        }
        self.out.space();
        let colon = self.expression(at + 1, ON);
        let colon =
            if self.out.token(colon) == Some(Token::Comma) { self.choices(colon) } else { colon };
        self.out.put(colon);
        self.out.space();
        self.expression(colon + 1, ON)
    }

    /// Words with values behind some of them, each behind a comma or, the first, a colon.
    fn choices(&mut self, from: usize) -> usize {
        let mut at = from;
        while at == from || self.out.token(at) == Some(Token::Comma) {
            self.out.put(at);
            self.out.space();
            self.out.put(at + 1);
            at += 2;
            let end = self.expression_end(at);
            if end > at {
                self.out.space();
                at = self.expression(at, ON);
            }
        }
        at
    }

    /// A statement without a block.
    fn simple(&mut self, at: usize) -> usize {
        match self.out.token(at) {
            Some(Token::Keyword(Keyword::Let | Keyword::Var)) => {
                let at = self.words(at, 1);
                self.out.put(at);
                let at = self.annotation(at + 1);
                self.value(at)
            }
            Some(Token::Keyword(Keyword::Expect)) => self.expect(at),
            Some(Token::Keyword(Keyword::Ask)) => self.ask(at),
            Some(Token::Keyword(Keyword::Record)) => {
                let at = self.words(at, 1);
                let colon = self.expression(at, ON);
                self.out.put(colon);
                self.out.space();
                self.expression(colon + 1, ON)
            }
            Some(Token::Keyword(
                Keyword::Break
                | Keyword::Continue
                | Keyword::Return
                | Keyword::Wait
                | Keyword::Fail
                | Keyword::Note,
            )) => {
                self.out.put(at);
                if self.expression_end(at + 1) == at + 1 {
                    return at + 1;
                }
                self.out.space();
                self.expression(at + 1, ON)
            }
            _ => {
                let at = self.expression(at, ON);
                self.value(at)
            }
        }
    }

    /// `: type`, where there is one.
    fn annotation(&mut self, at: usize) -> usize {
        if self.out.token(at) != Some(Token::Colon) {
            return at;
        }
        self.out.put(at);
        self.out.space();
        self.type_(at + 1)
    }

    /// `= value`, where there is one.
    fn value(&mut self, at: usize) -> usize {
        if self.out.token(at) != Some(Token::Assign) {
            return at;
        }
        self.out.space();
        self.out.put(at);
        self.out.space();
        if self.is(at + 1, Keyword::Ask) {
            return self.ask(at + 1);
        }
        self.expression(at + 1, ON)
    }

    /// A question with its time limit, and what its answer must be.
    fn ask(&mut self, at: usize) -> usize {
        let at = self.words(at, 1);
        let mut at = self.expression(at, ON);
        if self.is(at, Keyword::Within) {
            self.out.enter(ON);
            self.out.fill();
            at = self.words(at, 1);
            at = self.expression(at, ON);
            self.out.out(ON);
        }
        let at = self.annotation(at);
        self.within(at)
    }

    fn param(&mut self, at: usize) -> usize {
        let at = self.words(at, 1);
        self.out.put(at);
        let at = self.annotation(at + 1);
        let at = self.value(at);
        self.within(at)
    }

    /// `within low .. high`, where there is one.
    fn within(&mut self, at: usize) -> usize {
        if !self.is(at, Keyword::Within) {
            return at;
        }
        self.out.enter(ON);
        self.out.fill();
        self.out.put(at);
        self.out.space();
        let end = self.expression_end(at + 1);
        self.band(at + 1, end, ON);
        self.out.out(ON);
        end
    }

    fn routine(&mut self, at: usize) -> usize {
        self.out.open(false);
        let at = self.words(at, 1);
        self.out.put(at);
        self.parameters(at + 1);
        let mut at = self.out.partner(at + 1) + 1;
        self.out.enter(HEAD);
        if self.out.token(at) == Some(Token::Arrow) {
            self.out.space();
            self.out.put(at);
            self.out.space();
            at = self.type_(at + 1);
        }
        if self.is(at, Keyword::For) {
            self.out.space();
            self.out.put(at);
            self.out.space();
            self.out.put(at + 1);
            at = self.names(at + 2);
        }
        if self.is(at, Keyword::May) {
            self.out.fill();
            self.out.put(at);
            at = self.names(at + 1);
        }
        if self.is(at, Keyword::Within) {
            self.out.fill();
            self.out.put(at);
            self.out.space();
            self.out.put(at + 1);
            at += 2;
        }
        self.out.out(HEAD);
        let at = self.block(at);
        self.out.close();
        at
    }

    /// ` a, b`
    fn names(&mut self, from: usize) -> usize {
        let mut at = from;
        loop {
            self.out.space();
            self.out.put(at);
            at += 1;
            if self.out.token(at) != Some(Token::Comma) {
                return at;
            }
            self.out.mark(",");
            at += 1;
        }
    }

    fn if_(&mut self, at: usize) -> usize {
        self.out.open(false);
        let mut at = at;
        loop {
            at = self.words(at, 1);
            at = self.expression(at, HEAD);
            at = self.block(at);
            if !(self.is(at, Keyword::Else) && self.is(at + 1, Keyword::If)) {
                break;
            }
            self.out.space();
            at = self.words(at, 1);
        }
        let at = self.otherwise(at);
        self.out.close();
        at
    }

    fn repeat(&mut self, at: usize) -> usize {
        self.out.open(false);
        let count = if self.is(at + 1, Keyword::At) { 3 } else { 1 };
        let at = self.words(at, count);
        let at = self.expression(at, HEAD);
        self.out.space();
        self.out.put(at);
        let mut at = self.block(at + 1);
        if self.is(at, Keyword::Until) {
            self.out.space();
            at = self.words(at, 1);
            at = self.expression(at, ON);
        }
        let at = self.otherwise(at);
        self.out.close();
        at
    }

    fn while_(&mut self, at: usize) -> usize {
        self.out.open(false);
        let at = self.words(at, 1);
        let at = self.expression(at, HEAD);
        self.out.enter(HEAD);
        self.out.fill();
        let at = self.words(at, 2);
        let at = self.expression(at, HEAD);
        self.out.space();
        self.out.put(at);
        self.out.out(HEAD);
        let at = self.block(at + 1);
        let at = self.otherwise(at);
        self.out.close();
        at
    }

    fn wait_until(&mut self, at: usize) -> usize {
        self.out.open(false);
        let at = self.words(at, 2);
        let mut at = self.expression(at, ON);
        self.out.enter(ON);
        for clause in [Keyword::Within, Keyword::Every] {
            if self.is(at, clause) {
                self.out.fill();
                at = self.words(at, 1);
                at = self.expression(at, ON);
            }
        }
        let block = self.out.token(at + 1) == Some(Token::BlockOpen);
        if self.is(at, Keyword::Else) && !block {
            self.out.fill();
            at = self.words(at, 1);
            at = self.simple(at);
        }
        self.out.out(ON);
        if self.is(at, Keyword::Else) {
            self.out.fill();
            self.out.put(at);
            at = self.block(at + 1);
        }
        self.out.close();
        at
    }

    fn try_(&mut self, at: usize) -> usize {
        self.out.open(false);
        self.out.put(at);
        let mut at = self.block(at + 1);
        if self.is(at, Keyword::Catch) {
            self.out.space();
            at = self.words(at, 1);
            self.out.put(at);
            at = self.block(at + 1);
        }
        if self.is(at, Keyword::Finally) {
            self.out.space();
            self.out.put(at);
            at = self.block(at + 1);
        }
        self.out.close();
        at
    }

    /// `else` with what it does, where there is one.
    fn otherwise(&mut self, at: usize) -> usize {
        if !self.is(at, Keyword::Else) {
            return at;
        }
        self.out.space();
        self.out.put(at);
        if self.out.token(at + 1) == Some(Token::BlockOpen) {
            return self.block(at + 1);
        }
        self.out.space();
        self.simple(at + 1)
    }

    /// A block after a blank. One simple statement stays on the line of the brace where the
    /// author put it there and the whole statement fits.
    fn block(&mut self, open: usize) -> usize {
        let close = self.out.partner(open);
        self.out.space();
        self.out.put(open);
        if close == open + 1 && !self.out.comment_before(close) {
            self.out.put(close);
            return close + 1;
        }
        let one_line = !self.out.breaks_after(open) && self.is_simple(open + 1, close);
        self.out.enter(1);
        if one_line {
            self.out.line()
        } else {
            self.out.hard()
        }
        self.statements(open + 1, close);
        self.out.leave();
        if one_line {
            self.out.line()
        } else {
            self.out.hard()
        }
        self.out.put(close);
        close + 1
    }

    fn is_simple(&self, from: usize, to: usize) -> bool {
        let mut at = from;
        while at < to {
            if matches!(self.out.token(at), Some(Token::End | Token::BlockOpen)) {
                return false;
            }
            at = self.out.partner(at) + 1;
        }
        from < to
    }
}
