//! Items and types: `use`, `param`, `routine`.

use crate::diagnostics::Diagnostic;
use crate::source::Span;
use crate::syntax::parse::expression::{Expressions, name};
use crate::syntax::parse::statement::{header, until_end};
use crate::syntax::parse::{Failure, Rule, Shared};
use crate::syntax::token::{Keyword, Token};
use crate::syntax::tree::{
    Binary, Block, Expression, ExpressionKind, Name, Parameter, Piece, Routine, StatementKind,
    Type, TypeKind,
};
use chumsky::prelude::{IterParser, Parser, choice, just, recursive, select};

/// A type as written.
pub fn type_rule<'t, F: Failure<'t>>() -> Rule<'t, Type, F> {
    recursive(|inner| {
        let list = just(Token::Keyword(Keyword::List))
            .ignore_then(just(Token::Keyword(Keyword::Of)).labelled("`of`"))
            .ignore_then(inner.clone())
            .map(|element| TypeKind::List(Box::new(element)));
        let record = name()
            .labelled("a field name")
            .then_ignore(just(Token::Colon).labelled("`:`"))
            .then(inner)
            .separated_by(just(Token::Comma).labelled("`,`"))
            .at_least(1)
            .allow_trailing()
            .collect::<Vec<(Name, Type)>>()
            .delimited_by(
                just(Token::RecordOpen),
                just(Token::RecordClose).labelled("`}`"),
            )
            .map(TypeKind::Record);
        choice((list, record, product()))
            .map_with(|kind, e| Type {
                kind,
                span: e.span(),
            })
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

/// `use "path.spt"`
pub fn use_rule<'t, F: Failure<'t>>(
    shared: Shared<'t, F>,
    expressions: &Expressions<'t, F>,
) -> Rule<'t, StatementKind, F> {
    just(Token::Keyword(Keyword::Use))
        .ignore_then(
            expressions
                .text
                .clone()
                .map_with(|pieces, e| (pieces, e.span())),
        )
        .map(move |(pieces, path_span): (Vec<Piece>, Span)| {
            let mut path = String::new();
            for piece in pieces {
                match piece {
                    Piece::Plain(text) => path.push_str(&text),
                    Piece::Value { value, .. } => shared.note(
                        Diagnostic::error("E0317", "a path is a plain text", value.span)
                            .here("a value cannot stand here")
                            .help("files are found before anything runs, so write the path out"),
                    ),
                }
            }
            StatementKind::Use { path, path_span }
        })
        .boxed()
}

/// `param speed: rotation = 4800 rpm within 1000 rpm .. 9000 rpm`
pub fn param_rule<'t, F: Failure<'t>>(
    shared: Shared<'t, F>,
    expressions: &Expressions<'t, F>,
) -> Rule<'t, StatementKind, F> {
    let annotation = just(Token::Colon).labelled("`:`").ignore_then(type_rule());
    let value = just(Token::Assign)
        .labelled("`=`")
        .ignore_then(until_end(shared, expressions.whole.clone()));
    let range = just(Token::Keyword(Keyword::Within))
        .labelled("`within`")
        .ignore_then(expressions.sum.clone())
        .then_ignore(just(Token::Operator(Binary::Range)).labelled("`..`"))
        .then(expressions.sum.clone())
        .map(Box::new);
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
            StatementKind::Param {
                name,
                annotation,
                default,
                range,
            }
        })
        .boxed()
}

/// What an expression reads as a comparison is the range of the parameter.
#[allow(clippy::type_complexity)]
fn bounded(value: Expression) -> (Option<Expression>, Option<Box<(Expression, Expression)>>) {
    match value.kind {
        // In parentheses it begins before its value, and is a comparison.
        ExpressionKind::Within {
            value: inner,
            low,
            high,
        } if inner.span.start == value.span.start => (Some(*inner), Some(Box::new((*low, *high)))),
        kind => (
            Some(Expression {
                kind,
                span: value.span,
            }),
            None,
        ),
    }
}

type Head = (Vec<Parameter>, Option<Type>, Vec<Name>);

/// `routine spin_up(target: rotation, patience: time = 20 s) -> flag for any D { … }`
pub fn routine_rule<'t, F: Failure<'t>>(
    shared: Shared<'t, F>,
    expressions: &Expressions<'t, F>,
    block: Rule<'t, Block, F>,
) -> Rule<'t, StatementKind, F> {
    let parameter = name()
        .labelled("a parameter")
        .then_ignore(just(Token::Colon).labelled("`:`"))
        .then(type_rule())
        .then(
            just(Token::Assign)
                .labelled("`=`")
                .ignore_then(expressions.whole.clone())
                .or_not(),
        )
        .map(|((name, annotation), default)| Parameter {
            name,
            annotation,
            default,
        });
    let parameters = parameter
        .separated_by(just(Token::Comma).labelled("`,`"))
        .allow_trailing()
        .collect::<Vec<Parameter>>()
        .delimited_by(
            just(Token::ParenOpen).labelled("`(`"),
            just(Token::ParenClose).labelled("`)`"),
        );
    let returns = just(Token::Arrow).labelled("`->`").ignore_then(type_rule());
    let open = just(Token::Keyword(Keyword::For))
        .labelled("`for any`")
        .ignore_then(just(Token::Keyword(Keyword::Any)).labelled("`any`"))
        .ignore_then(
            name()
                .separated_by(just(Token::Comma).labelled("`,`"))
                .at_least(1)
                .collect::<Vec<Name>>(),
        );
    let rest = parameters
        .then(returns.or_not())
        .then(open.or_not())
        .map(|((parameters, returns), open)| (parameters, returns, open.unwrap_or_default()));
    let rest: Rule<'t, Head, F> = header(shared, rest.boxed(), |_| (Vec::new(), None, Vec::new()));
    just(Token::Keyword(Keyword::Routine))
        .ignore_then(name())
        .then(rest)
        .map_with(|parts, e| (parts, e.span()))
        .then(block)
        .map(|(((name, (parameters, returns, open)), head), body)| {
            StatementKind::Routine(Box::new(Routine {
                name,
                parameters,
                returns,
                open,
                body,
                head,
            }))
        })
        .boxed()
}
