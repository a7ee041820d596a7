//! `ask`: a question to the operator, alone or behind a `=`.

use crate::syntax::keyword::Keyword;
use crate::syntax::parse::expression::Expressions;
use crate::syntax::parse::item::{range_rule, type_rule};
use crate::syntax::parse::recover::key;
use crate::syntax::parse::{Failure, Rule, one};
use crate::syntax::token::Token;
use crate::syntax::tree::{Ask, Expression, Kept, StatementKind};
use chumsky::prelude::{Parser, custom};

/// What stands behind a `=`.
#[derive(Clone)]
pub(super) enum Given {
    /// A value.
    Value(Expression),
    /// A question.
    Ask(Box<Ask>),
}

/// `ask "gap" within 5 min: length within 0 mm .. 5 mm`
pub(super) fn ask_rule<'t, F: Failure<'t>>(
    expressions: &Expressions<'t, F>,
) -> Rule<'t, Box<Ask>, F> {
    let whole = expressions.whole.clone();
    key(Keyword::Ask)
        .then(whole.clone())
        .then(key(Keyword::Within).ignore_then(whole).or_not())
        .then_ignore(one(Token::Colon, "`:`"))
        .then(type_rule())
        .then(range_rule(expressions).or_not())
        .map(|((((keyword, question), within), answer), range)| {
            let kept = Kept::Recorded;
            Box::new(Ask { keyword, kept, question, within, answer, range })
        })
        .boxed()
}

/// A question, or else a value.
pub(super) fn given<'t, F: Failure<'t>>(
    ask: Rule<'t, Box<Ask>, F>,
    value: Rule<'t, Expression, F>,
) -> Rule<'t, Given, F> {
    custom(move |inp| match inp.peek() {
        Some(Token::Keyword(Keyword::Ask)) => inp.parse(&ask).map(Given::Ask),
        _ => inp.parse(&value).map(Given::Value),
    })
    .boxed()
}

/// A question whose answer is kept.
pub(super) fn kept(ask: Box<Ask>, kept: Kept) -> StatementKind {
    StatementKind::Ask(Box::new(Ask { kept, ..*ask }))
}
