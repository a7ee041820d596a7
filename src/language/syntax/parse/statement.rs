//! Statements and blocks, and how the parser goes on behind what cannot be read.

use crate::diagnostics::{Diagnostic, codes};
use crate::source::Span;
use crate::syntax::keyword::Keyword;
use crate::syntax::parse::Parser;
use crate::syntax::token::Token;
use crate::syntax::tree::{
    Ask, Binary, Block, Choice, Expression, ExpressionKind, Kept, Statement, StatementKind,
};

/// What stands behind a `=`.
enum Given {
    Value(Expression),
    Ask(Box<Ask>),
}

fn ends(token: Option<Token>) -> bool {
    matches!(token, None | Some(Token::End | Token::BlockClose))
}

/// Stands for an expression that could not be read.
fn broken(span: Span) -> Expression {
    Expression { kind: ExpressionKind::Broken, span }
}

impl Parser<'_> {
    pub(super) fn statements(&mut self) -> Vec<Statement> {
        let mut all = Vec::new();
        while !ends(self.peek()) {
            all.push(self.statement());
            if self.take(Token::End, "the end of the statement").is_none() {
                return all;
            }
        }
        self.expected("a statement");
        all
    }

    /// Any one statement with its documentation; one that cannot be read is gone past.
    fn statement(&mut self) -> Statement {
        let start = self.at;
        let kind = self.kind();
        let span = self.span_from(start);
        if kind.is_none() || !self.at_end() {
            self.fail();
            if kind.is_none() {
                self.at = start;
            }
            self.skip();
        }
        match kind {
            Some(kind) => Statement { kind, span, doc: self.doc(span.start) },
            None => {
                let span = self.span_from(start);
                Statement { kind: StatementKind::Broken, span, doc: None }
            }
        }
    }

    /// The next token ends the statement; it stays.
    fn at_end(&mut self) -> bool {
        let at_end = ends(self.peek());
        if !at_end {
            self.expected("the end of the statement");
        }
        at_end
    }

    /// Skips to the end of the statement; blocks on the way are parsed for their mistakes, each
    /// once.
    fn skip(&mut self) {
        while !ends(self.peek()) {
            if self.peek() == Some(Token::BlockOpen) && self.at >= self.parsed {
                if self.block().is_none() {
                    return;
                }
                continue;
            }
            let mut depth = 0_usize;
            loop {
                match self.peek() {
                    Some(Token::BlockOpen) => depth += 1,
                    Some(Token::BlockClose) => depth -= 1,
                    Some(_) => {}
                    None => return,
                }
                self.at += 1;
                if depth == 0 {
                    break;
                }
            }
        }
    }

    pub(super) fn block(&mut self) -> Option<Block> {
        let start = self.at;
        self.take(Token::BlockOpen, "`{`")?;
        let statements = self.statements();
        self.take(Token::BlockClose, "`}`")?;
        self.parsed = self.parsed.max(self.at);
        Some(Block { statements, span: self.span_from(start) })
    }

    /// What stands between a keyword and its block: a mistake there leaves the block readable.
    pub(super) fn header<T>(
        &mut self,
        rule: impl FnOnce(&mut Self) -> Option<T>,
        fallback: impl FnOnce(Span) -> T,
    ) -> Option<T> {
        let rule = |p: &mut Self| {
            let made = rule(p)?;
            p.take(Token::BlockOpen, "`{`")?;
            p.at -= 1;
            Some(made)
        };
        self.recovering(rule, fallback, |token| token == Some(Token::BlockOpen))
    }

    /// An expression that reaches to the end of its statement.
    pub(super) fn value_to_end(&mut self) -> Option<Expression> {
        let rule = |p: &mut Self| {
            let value = p.expression()?;
            let stops = p.peek() == Some(Token::Keyword(Keyword::Within)) || p.at_end();
            stops.then_some(value)
        };
        self.recovering(rule, broken, ends)
    }

    /// Something that may be replaced by what stands for it, where the rest of the statement can
    /// be read.
    fn recovering<T>(
        &mut self,
        rule: impl FnOnce(&mut Self) -> Option<T>,
        fallback: impl FnOnce(Span) -> T,
        stops: fn(Option<Token>) -> bool,
    ) -> Option<T> {
        let start = self.at;
        let made = self.optional(rule);
        if made.is_some() {
            return made;
        }
        while !stops(self.peek()) {
            if ends(self.peek()) || self.peek() == Some(Token::BlockOpen) {
                return None;
            }
            self.at += 1;
        }
        self.fail();
        Some(fallback(self.span_from(start)))
    }

    fn is(&self, keyword: Keyword) -> bool {
        self.peek() == Some(Token::Keyword(keyword))
    }

    fn kind(&mut self) -> Option<StatementKind> {
        let Some(Token::Keyword(keyword)) = self.peek() else { return self.simple() };
        match keyword {
            Keyword::Use => self.use_(),
            Keyword::Allow => self.allow(),
            Keyword::Param => self.param(),
            Keyword::Routine => self.routine(),
            Keyword::If => self.if_(),
            Keyword::For => self.for_(),
            Keyword::Repeat => self.repeat(),
            Keyword::While => self.while_(),
            Keyword::Wait if self.ahead(1) == Some(Token::Keyword(Keyword::Until)) => {
                self.wait_until()
            }
            Keyword::Arm => self.arm(),
            Keyword::Try => self.try_(),
            _ => self.simple(),
        }
    }

    /// Statements without blocks of their own: those that may stand alone after `else`.
    fn simple(&mut self) -> Option<StatementKind> {
        let Some(Token::Keyword(keyword)) = self.peek() else { return self.assignment() };
        if keyword == Keyword::Ask {
            return self.ask().map(StatementKind::Ask);
        }
        let rule: fn(&mut Self) -> Option<StatementKind> = match keyword {
            Keyword::Let => |p| p.binding(false),
            Keyword::Var => |p| p.binding(true),
            Keyword::Break => |_| Some(StatementKind::Break),
            Keyword::Continue => |_| Some(StatementKind::Continue),
            Keyword::Return => |p| Some(StatementKind::Return(p.optional(Self::expression))),
            Keyword::Wait => |p| p.expression().map(StatementKind::Wait),
            Keyword::Fail => |p| p.expression().map(StatementKind::Fail),
            Keyword::Note => |p| p.expression().map(StatementKind::Note),
            Keyword::Expect => Self::expect,
            Keyword::Record => |p| {
                let label = p.expression()?;
                p.take(Token::Colon, "`:`")?;
                Some(StatementKind::Record { label, value: p.expression()? })
            },
            _ => return self.assignment(),
        };
        self.at += 1;
        rule(self)
    }

    /// `let x: length = …`
    fn binding(&mut self, mutable: bool) -> Option<StatementKind> {
        let name = self.name("a name")?;
        let annotation = self.annotation();
        self.take(Token::Assign, "`=`")?;
        Some(match self.given()? {
            Given::Value(value) => StatementKind::Let { mutable, name, annotation, value },
            Given::Ask(ask) => kept(ask, Kept::Named { mutable, name, annotation }),
        })
    }

    /// A question, or else a value.
    fn given(&mut self) -> Option<Given> {
        match self.is(Keyword::Ask) {
            true => self.ask().map(Given::Ask),
            false => self.value_to_end().map(Given::Value),
        }
    }

    /// `ask "gap" within 5 min: length within 0 mm .. 5 mm`
    fn ask(&mut self) -> Option<Box<Ask>> {
        let keyword = self.token();
        let question = self.expression()?;
        let within = self.optional(|p| {
            p.key(Keyword::Within, "`within`")?;
            p.expression()
        });
        self.take(Token::Colon, "`:`")?;
        let answer = self.type_()?;
        let range = self.optional(Self::within);
        let kept = Kept::Recorded;
        Some(Box::new(Ask { keyword, kept, question, within, answer, range }))
    }

    /// `expect "what", risk 2 %: condition`, or `expect: guard` for all checks.
    fn expect(&mut self) -> Option<StatementKind> {
        if self.peek() == Some(Token::Colon) {
            self.at += 1;
            let first = self.choice()?;
            return Some(StatementKind::Deciding([vec![first], self.choices()].concat()));
        }
        let label = self.expression()?;
        let choices = self.choices();
        self.take(Token::Colon, "`:`")?;
        Some(StatementKind::Expect { label, choices, condition: self.expression()? })
    }

    fn choices(&mut self) -> Vec<Choice> {
        self.repeated(|p| {
            p.take(Token::Comma, "`,`")?;
            p.choice()
        })
    }

    fn choice(&mut self) -> Option<Choice> {
        let name = self.name("how it is decided")?;
        // `expect "locked", locked()`: a comma where a colon was meant.
        let call = [self.peek(), self.ahead(1)];
        let is_call = call == [Some(Token::ParenOpen), Some(Token::ParenClose)];
        let value = if is_call { None } else { self.optional(Self::expression) };
        Some(Choice { name, value })
    }

    /// An expression on its own, or a place, `=` and a value.
    fn assignment(&mut self) -> Option<StatementKind> {
        let left = self.called("a statement", Self::expression)?;
        let assigned = self.optional(|p| {
            let sign = p.take(Token::Assign, "")?;
            Some((sign, p.given()?))
        });
        if self.slice(left.span).starts_with('-') {
            self.note(
                Diagnostic::error(
                    codes::LEADING_MINUS,
                    "a statement begins with a minus sign",
                    Span { end: left.span.start + 1, ..left.span },
                )
                .help("to go on with the line before, end that line with the `-`"),
            );
        }
        let Some((sign, value)) = assigned else {
            return Some(StatementKind::Expression(left));
        };
        if let Some(help) = not_a_place(&left) {
            self.note(
                Diagnostic::error(codes::NOT_A_PLACE, "this cannot be assigned to", left.span)
                    .here("neither a variable, nor a field or an element of one")
                    .label(sign, "assigned here")
                    .help(help),
            );
        }
        Some(match value {
            Given::Value(value) => StatementKind::Assign { place: left, value },
            Given::Ask(ask) => kept(ask, Kept::Assigned(left)),
        })
    }

    /// `else` with a block or a single statement.
    fn otherwise(&mut self) -> Option<Block> {
        self.optional(|p| {
            p.key(Keyword::Else, "`else`")?;
            if p.peek() == Some(Token::BlockOpen) {
                return p.block();
            }
            let start = p.at;
            let kind = p.simple()?;
            let span = p.span_from(start);
            Some(Block { statements: vec![Statement { kind, span, doc: None }], span })
        })
    }

    /// `if … { } else if … { } else …`
    fn if_(&mut self) -> Option<StatementKind> {
        let arm = |p: &mut Self| {
            p.key(Keyword::If, "")?;
            Some((p.header(Self::expression, broken)?, p.block()?))
        };
        let mut arms = vec![arm(self)?];
        arms.extend(self.repeated(|p| {
            p.key(Keyword::Else, "`else`")?;
            arm(p)
        }));
        Some(StatementKind::If { arms, otherwise: self.otherwise() })
    }

    /// `for k in … { }`
    fn for_(&mut self) -> Option<StatementKind> {
        self.at += 1;
        let name = self.name("a name")?;
        self.key(Keyword::In, "`in`")?;
        let over = self.header(Self::expression, broken)?;
        Some(StatementKind::For { name, over, body: self.block()? })
    }

    /// `repeat at most 4 times { } until … else …`
    fn repeat(&mut self) -> Option<StatementKind> {
        self.at += 1;
        let head = |p: &mut Self| {
            let at_most = p.optional(Self::at_most).is_some();
            let times = p.expression()?;
            p.key(Keyword::Times, "`times`")?;
            Some((at_most, times))
        };
        let (at_most, times) = self.header(head, |span| (true, broken(span)))?;
        let body = self.block()?;
        let until = self.optional(|p| {
            p.key(Keyword::Until, "`until`")?;
            p.expression()
        });
        Some(StatementKind::Repeat { at_most, times, body, until, otherwise: self.otherwise() })
    }

    fn at_most(&mut self) -> Option<Span> {
        self.key(Keyword::At, "`at`")?;
        self.key(Keyword::Most, "`most`")
    }

    /// `while … at most 100 times { } else …`
    fn while_(&mut self) -> Option<StatementKind> {
        self.at += 1;
        let head = |p: &mut Self| {
            let condition = p.expression()?;
            p.at_most()?;
            let times = p.expression()?;
            p.key(Keyword::Times, "`times`")?;
            Some((condition, times))
        };
        let (condition, times) = self.header(head, |span| (broken(span), broken(span)))?;
        let body = self.block()?;
        Some(StatementKind::While { condition, times, body, otherwise: self.otherwise() })
    }

    /// `wait until … within … every … else …`
    fn wait_until(&mut self) -> Option<StatementKind> {
        self.at += 2;
        let condition = self.expression()?;
        self.key(Keyword::Within, "`within`")?;
        let within = self.expression()?;
        let every = self.optional(|p| {
            p.key(Keyword::Every, "`every`")?;
            p.expression()
        });
        Some(StatementKind::WaitUntil { condition, within, every, otherwise: self.otherwise() })
    }

    /// `arm at 35 % { }`
    fn arm(&mut self) -> Option<StatementKind> {
        self.at += 1;
        let head = |p: &mut Self| {
            p.key(Keyword::At, "`at`")?;
            p.expression()
        };
        let power = self.header(head, broken)?;
        Some(StatementKind::Arm { power, body: self.block()? })
    }

    /// `try { } catch problem { } finally { }`
    fn try_(&mut self) -> Option<StatementKind> {
        self.at += 1;
        let body = self.block()?;
        let catch = self.optional(|p| {
            p.key(Keyword::Catch, "`catch`")?;
            let name = p.header(|p| p.name("a name").map(Some), |_| None)?;
            let block = p.block()?;
            Some(name.map(|name| (name, block)))
        });
        let finally = self.optional(|p| {
            p.key(Keyword::Finally, "`finally`")?;
            p.block()
        });
        Some(StatementKind::Try { body, catch: catch.flatten(), finally })
    }
}

/// A question whose answer is kept.
fn kept(ask: Box<Ask>, kept: Kept) -> StatementKind {
    StatementKind::Ask(Box::new(Ask { kept, ..*ask }))
}

fn not_a_place(expression: &Expression) -> Option<&'static str> {
    match &expression.kind {
        ExpressionKind::Name(_) | ExpressionKind::Broken => None,
        ExpressionKind::Field { of, .. } | ExpressionKind::Element { of, .. } => not_a_place(of),
        ExpressionKind::Binary { operator: Binary::And | Binary::Or, .. }
        | ExpressionKind::Unary { .. } => Some("two values are compared with `==`"),
        _ => Some("a new value is named with `let name = …`; two values are compared with `==`"),
    }
}
