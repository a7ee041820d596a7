//! Items and types: `use`, `param`, `routine`.

use crate::diagnostics::{Diagnostic, codes};
use crate::source::Span;
use crate::syntax::keyword::Keyword;
use crate::syntax::parse::expression::{Expressions, name, named};
use crate::syntax::parse::recover::{header, until_end};
use crate::syntax::parse::{Failure, Rule, Shared, one};
use crate::syntax::token::Token;
use crate::syntax::tree::{
    Binary, Block, Expression, ExpressionKind, Name, Parameter, Piece, Routine, StatementKind,
    Type, TypeKind,
};
use chumsky::prelude::{IterParser, Parser, choice, just, recursive, select};

/// A type as written.
pub(super) fn type_rule<'t, F: Failure<'t>>() -> Rule<'t, Type, F> {
    recursive(|inner| {
        let list = just(Token::Keyword(Keyword::List))
            .ignore_then(one(Token::Keyword(Keyword::Of), "`of`"))
            .ignore_then(inner.clone())
            .map(|element| TypeKind::List(Box::new(element)));
        let record = named("a field name")
            .then_ignore(one(Token::Colon, "`:`"))
            .then(inner)
            .separated_by(one(Token::Comma, "`,`"))
            .at_least(1)
            .allow_trailing()
            .collect::<Vec<(Name, Type)>>()
            .delimited_by(just(Token::RecordOpen), one(Token::RecordClose, "`}`"))
            .map(TypeKind::Record);
        choice((list, record, product()))
            .map_with(|kind, e| Type { kind, span: e.span() })
            .labelled("a type")
    })
    .boxed()
}

/// `D/time`, `length^2`, `1/time`
fn product<'t, F: Failure<'t>>() -> Rule<'t, TypeKind, F> {
    let factor = name()
        .then(select! { Token::Power(exponent) => exponent }.or_not())
        .map(|(name, exponent)| (name, exponent.unwrap_or(1)));
    let slash = just(Token::Operator(Binary::Divide));
    let times = just(Token::Operator(Binary::Multiply));
    let over_one = select! { Token::Number(1.0) => () }.then(slash);
    let more = choice((slash.to(true), times.to(false))).then(factor.clone());
    over_one
        .or_not()
        .then(factor)
        .map(|(over, (name, exponent))| {
            let sign = if over.is_some() { -1 } else { 1 };
            vec![(name, exponent.saturating_mul(sign))]
        })
        .foldl(more.repeated(), |mut factors, (over, (name, exponent))| {
            let sign = if over { -1 } else { 1 };
            factors.push((name, exponent.saturating_mul(sign)));
            factors
        })
        .map(TypeKind::Product)
        .boxed()
}

/// A text without values, with its place.
fn plain_text<'t, F: Failure<'t>>(
    shared: Shared<'t, F>,
    expressions: &Expressions<'t, F>,
    headline: &'static str,
    help: &'static str,
) -> Rule<'t, (String, Span), F> {
    expressions
        .text
        .clone()
        .map_with(move |pieces, e| {
            let mut plain = String::new();
            for piece in pieces {
                match piece {
                    Piece::Plain(text) => plain.push_str(&text),
                    Piece::Value { value, .. } => shared.note(
                        Diagnostic::error(codes::VALUE_IN_PLAIN_TEXT, headline, value.span)
                            .here("a value cannot stand here")
                            .help(help),
                    ),
                }
            }
            (plain, e.span())
        })
        .boxed()
}

/// `use "path.spt"`
pub(super) fn use_rule<'t, F: Failure<'t>>(
    shared: Shared<'t, F>,
    expressions: &Expressions<'t, F>,
) -> Rule<'t, StatementKind, F> {
    let help = "files are found before anything runs, so write the path out";
    just(Token::Keyword(Keyword::Use))
        .ignore_then(plain_text(shared, expressions, "a path is a plain text", help))
        .map(|(path, path_span)| StatementKind::Use { path, path_span })
        .boxed()
}

/// `allow W0803 "only wakes the head up"`
pub(super) fn allow_rule<'t, F: Failure<'t>>(
    shared: Shared<'t, F>,
    expressions: &Expressions<'t, F>,
) -> Rule<'t, StatementKind, F> {
    let help = "warnings are given before anything runs, so write the reason out";
    just(Token::Keyword(Keyword::Allow))
        .ignore_then(named("the code of a warning"))
        .then(plain_text(shared, expressions, "a reason is a plain text", help))
        .map(|(code, (reason, reason_span))| StatementKind::Allow { code, reason, reason_span })
        .boxed()
}

/// `within 1000 rpm .. 9000 rpm`
pub(super) fn range_rule<'t, F: Failure<'t>>(
    expressions: &Expressions<'t, F>,
) -> Rule<'t, Box<(Expression, Expression)>, F> {
    one(Token::Keyword(Keyword::Within), "`within`")
        .ignore_then(expressions.sum.clone())
        .then_ignore(one(Token::Operator(Binary::Range), "`..`"))
        .then(expressions.sum.clone())
        .map(Box::new)
        .boxed()
}

/// `param speed: rotation = 4800 rpm within 1000 rpm .. 9000 rpm`
pub(super) fn param_rule<'t, F: Failure<'t>>(
    shared: Shared<'t, F>,
    expressions: &Expressions<'t, F>,
) -> Rule<'t, StatementKind, F> {
    let annotation = one(Token::Colon, "`:`").ignore_then(type_rule());
    let value = one(Token::Assign, "`=`").ignore_then(until_end(shared, expressions.whole.clone()));
    let range = range_rule(expressions);
    just(Token::Keyword(Keyword::Param))
        .ignore_then(name())
        .then(annotation.or_not())
        .then(value.or_not())
        .then(range.or_not())
        .map(|(((name, annotation), value), range)| {
            let (default, range) = match value {
                Some(value) if range.is_none() => bounded(value),
                other => (other, range),
            };
            StatementKind::Param { name, annotation, default, range }
        })
        .boxed()
}

/// What an expression reads as a comparison is the range of the parameter.
#[allow(clippy::type_complexity)]
fn bounded(value: Expression) -> (Option<Expression>, Option<Box<(Expression, Expression)>>) {
    match value.kind {
        // In parentheses it begins before its value, and is a comparison.
        ExpressionKind::Within { value: inner, low, high }
            if inner.span.start == value.span.start =>
        {
            (Some(*inner), Some(Box::new((*low, *high))))
        }
        kind => (Some(Expression { kind, span: value.span }), None),
    }
}

/// What stands between the name of a routine and its body.
#[derive(Clone, Default)]
struct Head {
    parameters: Vec<Parameter>,
    returns: Option<Type>,
    open: Vec<Name>,
    may: Option<Vec<Name>>,
    armed: Option<Span>,
}

/// `routine spin_up(target: rotation, patience: time = 20 s) -> flag for any D { … }`
pub(super) fn routine_rule<'t, F: Failure<'t>>(
    shared: Shared<'t, F>,
    expressions: &Expressions<'t, F>,
    block: Rule<'t, Block, F>,
) -> Rule<'t, StatementKind, F> {
    let parameter = named("a parameter")
        .then_ignore(one(Token::Colon, "`:`"))
        .then(type_rule())
        .then(one(Token::Assign, "`=`").ignore_then(expressions.whole.clone()).or_not())
        .map(|((name, annotation), default)| Parameter { name, annotation, default });
    let parameters = parameter
        .separated_by(one(Token::Comma, "`,`"))
        .allow_trailing()
        .collect::<Vec<Parameter>>()
        .delimited_by(one(Token::ParenOpen, "`(`"), one(Token::ParenClose, "`)`"));
    let returns = one(Token::Arrow, "`->`").ignore_then(type_rule());
    let names = || name().separated_by(one(Token::Comma, "`,`")).at_least(1).collect::<Vec<Name>>();
    let open = one(Token::Keyword(Keyword::For), "`for any`")
        .ignore_then(one(Token::Keyword(Keyword::Any), "`any`"))
        .ignore_then(names());
    let may = one(Token::Keyword(Keyword::May), "`may`").ignore_then(names());
    let armed = one(Token::Keyword(Keyword::Within), "`within arm`")
        .then(one(Token::Keyword(Keyword::Arm), "`arm`"))
        .map_with(|_, e| e.span());
    let rest = parameters
        .then(returns.or_not())
        .then(open.or_not())
        .then(may.or_not())
        .then(armed.or_not())
        .map(|((((parameters, returns), open), may), armed)| {
            let open = open.unwrap_or_default();
            Head { parameters, returns, open, may, armed }
        });
    let rest: Rule<'t, Head, F> = header(shared, rest.boxed(), |_| Head::default());
    just(Token::Keyword(Keyword::Routine))
        .ignore_then(name())
        .then(rest)
        .map_with(|parts, e| (parts, e.span()))
        .then(block)
        .map(|(((name, rest), head), body)| {
            let Head { parameters, returns, open, may, armed } = rest;
            let routine = Routine { name, parameters, returns, open, may, armed, body, head };
            StatementKind::Routine(Box::new(routine))
        })
        .boxed()
}
