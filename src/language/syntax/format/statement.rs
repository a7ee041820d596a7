//! How statements and blocks are laid out. Uses token and the stream.

use crate::syntax::format::bracket::Element;
use crate::syntax::format::print::Op;
use crate::syntax::format::stream::Formatter;
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
            if self.token(at) == Some(Token::End) {
                at += 1;
                continue;
            }
            if !first {
                self.add(Op::Hard { blank: true });
            }
            first = false;
            let next = self.statement(at);
            at = next.max(at + 1);
        }
    }

    fn is(&self, at: usize, keyword: Keyword) -> bool {
        self.token(at) == Some(Token::Keyword(keyword))
    }

    /// Words with one blank behind each.
    pub(super) fn words(&mut self, from: usize, count: usize) -> usize {
        for at in from..from + count {
            self.put(at);
            self.add(Op::Space);
        }
        from + count
    }

    fn statement(&mut self, at: usize) -> usize {
        match self.token(at) {
            Some(Token::Keyword(Keyword::Routine)) => self.routine(at),
            Some(Token::Keyword(
                Keyword::If
                | Keyword::For
                | Keyword::Repeat
                | Keyword::While
                | Keyword::Hold
                | Keyword::Arm
                | Keyword::Try,
            )) => self.compound(at),
            Some(Token::Keyword(Keyword::Wait)) if self.is(at + 1, Keyword::Until) => {
                self.compound(at)
            }
            _ => self.simple(at),
        }
    }

    /// A statement of several clauses.
    fn compound(&mut self, at: usize) -> usize {
        let waits = self.is(at, Keyword::Wait);
        self.add(Op::Open { broken: false });
        let mut at = self.clause(at);
        while let Some(Token::Keyword(
            Keyword::Else | Keyword::Until | Keyword::Catch | Keyword::Finally,
        )) = self.token(at)
        {
            let braced = self.token(at + 1) == Some(Token::BlockOpen);
            let single = self.is(at, Keyword::Else) && !braced && !self.is(at + 1, Keyword::If);
            let steps = if waits && single { ON } else { 0 };
            self.add(Op::In(steps));
            self.add(if waits { Op::Fill } else { Op::Space });
            at = if single {
                let at = self.words(at, 1);
                self.simple(at)
            } else {
                self.clause(at)
            };
            self.add(Op::Out(steps));
        }
        self.add(Op::Close);
        at
    }

    /// A keyword with its words and operands, and its block where it has one.
    fn clause(&mut self, from: usize) -> usize {
        let is_last =
            [Keyword::Wait, Keyword::Until, Keyword::Ask].iter().any(|k| self.is(from, *k));
        let steps = if is_last { ON } else { HEAD };
        let (mut at, mut is_operand, mut is_indented) = (from, false, false);
        while let Some(mut token) = self.token(at) {
            let lists = token == Token::Comma && self.is(from, Keyword::Hold);
            if lists && is_operand {
                self.put(at);
                at += 1;
                token = self.token(at).unwrap_or(token);
            }
            match token {
                Token::Keyword(Keyword::At | Keyword::Within | Keyword::Every) if is_operand => {
                    self.clause_goes_on(&mut is_indented, steps);
                }
                _ if lists && is_operand => self.clause_goes_on(&mut is_indented, steps),
                Token::Keyword(Keyword::In | Keyword::Times) => self.add(Op::Space),
                _ if is_operand || token == Token::BlockOpen => break,
                _ if at > from => self.add(Op::Space),
                _ => {}
            }
            is_operand = self.expression_end(at) > at;
            if is_operand {
                at = self.expression(at, steps);
            } else {
                self.put(at);
                at += 1;
            }
        }
        if is_indented {
            self.add(Op::Out(steps));
        }
        if self.token(at) == Some(Token::BlockOpen) { self.block(at) } else { at }
    }

    /// The next part of a clause stands on the same line where it fits.
    fn clause_goes_on(&mut self, is_indented: &mut bool, steps: u8) {
        if !*is_indented {
            self.add(Op::In(steps));
        }
        *is_indented = true;
        self.add(Op::Fill);
    }

    /// A statement without a block.
    fn simple(&mut self, at: usize) -> usize {
        match self.token(at) {
            Some(Token::Keyword(Keyword::Let | Keyword::Var | Keyword::Param)) => {
                let at = self.words(at, 1);
                self.put(at);
                let at = self.annotation(at + 1);
                let at = self.value(at);
                self.within(at)
            }
            Some(Token::Keyword(Keyword::Expect | Keyword::Record)) => self.labelled(at),
            Some(Token::Keyword(Keyword::Ask)) => self.ask(at),
            Some(Token::Keyword(Keyword::Allow)) => {
                let at = self.words(at, 2);
                self.expression(at, ON)
            }
            Some(Token::Keyword(Keyword::Not | Keyword::True | Keyword::False)) => {
                self.assignment(at)
            }
            Some(Token::Keyword(_)) => {
                self.put(at);
                if self.expression_end(at + 1) == at + 1 {
                    return at + 1;
                }
                self.add(Op::Space);
                self.expression(at + 1, ON)
            }
            _ => self.assignment(at),
        }
    }

    fn assignment(&mut self, at: usize) -> usize {
        let at = self.expression(at, ON);
        self.value(at)
    }

    /// A check or a record: label, colon and value. A check also has how it is decided, or how all
    /// are.
    fn labelled(&mut self, at: usize) -> usize {
        self.put(at);
        if self.token(at + 1) == Some(Token::Colon) {
            return self.choices(at + 1);
        }
        self.add(Op::Space);
        let mut colon = self.expression(at + 1, ON);
        if self.token(colon) == Some(Token::Comma) {
            colon = self.choices(colon);
        }
        self.words(colon, 1);
        self.expression(colon + 1, ON)
    }

    /// Words with values behind some of them, each behind a comma or, the first, a colon.
    fn choices(&mut self, from: usize) -> usize {
        let mut at = from;
        while at == from || self.token(at) == Some(Token::Comma) {
            at = self.words(at, 1);
            self.put(at);
            at += 1;
            if self.expression_end(at) > at {
                self.add(Op::Space);
                at = self.expression(at, ON);
            }
        }
        at
    }

    /// `: type`, where there is one.
    fn annotation(&mut self, at: usize) -> usize {
        if self.token(at) != Some(Token::Colon) {
            return at;
        }
        let at = self.words(at, 1);
        self.type_(at)
    }

    /// `= value`, where there is one.
    fn value(&mut self, at: usize) -> usize {
        if self.token(at) != Some(Token::Assign) {
            return at;
        }
        self.add(Op::Space);
        let at = self.words(at, 1);
        if self.is(at, Keyword::Ask) { self.ask(at) } else { self.expression(at, ON) }
    }

    /// A question with its time limit, and what its answer must be.
    fn ask(&mut self, at: usize) -> usize {
        let at = self.clause(at);
        let at = self.annotation(at);
        self.within(at)
    }

    /// `within low .. high`, where there is one.
    fn within(&mut self, at: usize) -> usize {
        if !self.is(at, Keyword::Within) {
            return at;
        }
        self.add(Op::In(ON));
        self.add(Op::Fill);
        let at = self.words(at, 1);
        let end = self.expression_end(at);
        self.band(at, end, ON);
        self.add(Op::Out(ON));
        end
    }

    fn routine(&mut self, at: usize) -> usize {
        self.add(Op::Open { broken: false });
        let at = self.words(at, 1);
        self.put(at);
        self.elements(at + 1, Element::Parameter);
        let mut at = self.partner(at + 1) + 1;
        self.add(Op::In(HEAD));
        if self.token(at) == Some(Token::Arrow) {
            self.add(Op::Space);
            at = self.words(at, 1);
            at = self.type_(at);
        }
        if self.is(at, Keyword::For) {
            self.add(Op::Space);
            at = self.words(at, 2);
            at = self.names(at);
        }
        if self.is(at, Keyword::May) {
            self.add(Op::Fill);
            at = self.words(at, 1);
            at = self.names(at);
        }
        if self.is(at, Keyword::Within) {
            self.add(Op::Fill);
            at = self.words(at, 1);
            self.put(at);
            at += 1;
        }
        self.add(Op::Out(HEAD));
        let at = self.block(at);
        self.add(Op::Close);
        at
    }

    /// `a, b`
    fn names(&mut self, mut at: usize) -> usize {
        self.put(at);
        while self.token(at + 1) == Some(Token::Comma) {
            self.mark(",");
            self.add(Op::Space);
            at += 2;
            self.put(at);
        }
        at + 1
    }

    /// A block after a blank. One simple statement stays on the line of the brace where the
    /// author put it there and the whole statement fits.
    fn block(&mut self, open: usize) -> usize {
        let close = self.partner(open);
        self.add(Op::Space);
        self.put(open);
        if close == open + 1 && !self.comment_before(close) {
            self.put(close);
            return close + 1;
        }
        let one_line = !self.breaks_after(open) && self.is_simple(open + 1, close);
        let line = if one_line { Op::Line { blank: false } } else { Op::Hard { blank: true } };
        self.add(Op::In(1));
        self.add(line);
        self.statements(open + 1, close);
        self.add(Op::Leave);
        self.add(line);
        self.put(close);
        close + 1
    }

    fn is_simple(&self, from: usize, to: usize) -> bool {
        let mut at = from;
        while at < to {
            if matches!(self.token(at), Some(Token::End | Token::BlockOpen)) {
                return false;
            }
            at = self.partner(at) + 1;
        }
        from < to
    }
}
