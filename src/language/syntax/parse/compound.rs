//! Statements with blocks or an `else`.

use crate::source::Span;
use crate::syntax::keyword::Keyword;
use crate::syntax::parse::expression::name;
use crate::syntax::parse::recover::{broken, header, key};
use crate::syntax::parse::{Failure, Rule, Shared, one};
use crate::syntax::token::Token;
use crate::syntax::tree::{Block, Expression, Name, Statement, StatementKind};
use chumsky::prelude::{IterParser, Parser, custom, just};

/// What follows `else`.
pub(super) fn action<'t, F: Failure<'t>>(
    block: Rule<'t, Block, F>,
    simple: Rule<'t, StatementKind, F>,
) -> Rule<'t, Block, F> {
    let single = simple
        .map_with(|kind, e| {
            let span: Span = e.span();
            let statement = Statement { kind, span, doc: None };
            Block { statements: vec![statement], span }
        })
        .boxed();
    custom(move |inp| match inp.peek() {
        Some(Token::BlockOpen) => inp.parse(&block),
        _ => inp.parse(&single),
    })
    .boxed()
}

fn otherwise<'t, F: Failure<'t>>(action: Rule<'t, Block, F>) -> Rule<'t, Option<Block>, F> {
    key(Keyword::Else).ignore_then(action).or_not().boxed()
}

/// What compound statements are made of.
pub(super) struct Compound<'t, F: Failure<'t>> {
    pub shared: Shared<'t, F>,
    /// A whole expression.
    pub whole: Rule<'t, Expression, F>,
    pub block: Rule<'t, Block, F>,
    /// What follows `else`.
    pub action: Rule<'t, Block, F>,
}

impl<'t, F: Failure<'t>> Compound<'t, F> {
    /// `if … { } else if … { } else …`
    pub(super) fn if_rule(&self) -> Rule<'t, StatementKind, F> {
        let arm = just(Token::Keyword(Keyword::If))
            .ignore_then(header(self.shared.clone(), self.whole.clone(), broken))
            .then(self.block.clone())
            .boxed();
        let else_if = just([Token::Keyword(Keyword::Else), Token::Keyword(Keyword::If)])
            .rewind()
            .ignore_then(key(Keyword::Else))
            .ignore_then(arm.clone());
        arm.then(else_if.repeated().collect::<Vec<_>>())
            .then(otherwise(self.action.clone()))
            .map(|((first, rest), otherwise)| {
                let mut arms = Vec::with_capacity(rest.len() + 1);
                arms.push(first);
                arms.extend(rest);
                StatementKind::If { arms, otherwise }
            })
            .boxed()
    }

    /// `for k in … { }`
    pub(super) fn for_rule(&self) -> Rule<'t, StatementKind, F> {
        just(Token::Keyword(Keyword::For))
            .ignore_then(name())
            .then_ignore(key(Keyword::In))
            .then(header(self.shared.clone(), self.whole.clone(), broken))
            .then(self.block.clone())
            .map(|((name, over), body)| StatementKind::For { name, over, body })
            .boxed()
    }

    /// `repeat at most 4 times { } until … else …`
    pub(super) fn repeat_rule(&self) -> Rule<'t, StatementKind, F> {
        let head = key(Keyword::At)
            .then(key(Keyword::Most))
            .or_not()
            .then(self.whole.clone())
            .then_ignore(key(Keyword::Times))
            .map(|(at_most, times)| (at_most.is_some(), times))
            .boxed();
        just(Token::Keyword(Keyword::Repeat))
            .ignore_then(header(self.shared.clone(), head, |span| (true, broken(span))))
            .then(self.block.clone())
            .then(key(Keyword::Until).ignore_then(self.whole.clone()).or_not())
            .then(otherwise(self.action.clone()))
            .map(|((((at_most, times), body), until), otherwise)| StatementKind::Repeat {
                at_most,
                times,
                body,
                until,
                otherwise,
            })
            .boxed()
    }

    /// `while … at most 100 times { } else …`
    pub(super) fn while_rule(&self) -> Rule<'t, StatementKind, F> {
        let head = self
            .whole
            .clone()
            .then_ignore(key(Keyword::At).then(key(Keyword::Most)))
            .then(self.whole.clone())
            .then_ignore(key(Keyword::Times))
            .boxed();
        just(Token::Keyword(Keyword::While))
            .ignore_then(header(self.shared.clone(), head, |span| (broken(span), broken(span))))
            .then(self.block.clone())
            .then(otherwise(self.action.clone()))
            .map(|(((condition, times), body), otherwise)| StatementKind::While {
                condition,
                times,
                body,
                otherwise,
            })
            .boxed()
    }

    /// `wait until … within … every … else …`
    pub(super) fn wait_rule(&self) -> Rule<'t, StatementKind, F> {
        key(Keyword::Wait)
            .ignore_then(key(Keyword::Until))
            .ignore_then(self.whole.clone())
            .then_ignore(key(Keyword::Within))
            .then(self.whole.clone())
            .then(key(Keyword::Every).ignore_then(self.whole.clone()).or_not())
            .then(otherwise(self.action.clone()))
            .map(|(((condition, within), every), otherwise)| StatementKind::WaitUntil {
                condition,
                within,
                every,
                otherwise,
            })
            .boxed()
    }

    /// `hold … , … every … { }`
    pub(super) fn hold_rule(&self) -> Rule<'t, StatementKind, F> {
        let comma = one(Token::Comma, "`,`");
        let conditions = self.whole.clone().separated_by(comma).at_least(1).collect::<Vec<_>>();
        let head =
            conditions.then(key(Keyword::Every).ignore_then(self.whole.clone()).or_not()).boxed();
        just(Token::Keyword(Keyword::Hold))
            .ignore_then(header(self.shared.clone(), head, |span| (vec![broken(span)], None)))
            .then(self.block.clone())
            .map(|((conditions, every), body)| StatementKind::Hold { conditions, every, body })
            .boxed()
    }

    /// `arm at 35 % { }`
    pub(super) fn arm_rule(&self) -> Rule<'t, StatementKind, F> {
        let head = key(Keyword::At).ignore_then(self.whole.clone()).boxed();
        just(Token::Keyword(Keyword::Arm))
            .ignore_then(header(self.shared.clone(), head, broken))
            .then(self.block.clone())
            .map(|(power, body)| StatementKind::Arm { power, body })
            .boxed()
    }

    /// `try { } catch problem { } finally { }`
    pub(super) fn try_rule(&self) -> Rule<'t, StatementKind, F> {
        let named = name().map(Some).boxed();
        let catch = key(Keyword::Catch)
            .ignore_then(header(self.shared.clone(), named, |_| None::<Name>))
            .then(self.block.clone())
            .map(|(name, block)| name.map(|name| (name, block)));
        just(Token::Keyword(Keyword::Try))
            .ignore_then(self.block.clone())
            .then(catch.or_not())
            .then(key(Keyword::Finally).ignore_then(self.block.clone()).or_not())
            .map(|((body, catch), finally)| StatementKind::Try {
                body,
                catch: catch.flatten(),
                finally,
            })
            .boxed()
    }
}
