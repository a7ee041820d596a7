//! Expressions and text literals.

use crate::diagnostics::{Diagnostic, codes};
use crate::source::Span;
use crate::syntax::keyword::Keyword;
use crate::syntax::parse::{Failure, Rule, Shared};
use crate::syntax::token::Token;
use crate::syntax::tree::{
    Argument, Binary, Expression, ExpressionKind, Name, Piece, Unary, UnitName,
};
use chumsky::pratt::{infix, left, none, postfix, prefix};
use chumsky::prelude::{IterParser, Parser, choice, custom, just, recursive, select};

/// The rules other rules build on.
pub(super) struct Expressions<'t, F: Failure<'t>> {
    /// A whole expression.
    pub whole: Rule<'t, Expression, F>,
    /// A sum: what bounds of `within` are.
    pub sum: Rule<'t, Expression, F>,
    /// A text literal.
    pub text: Rule<'t, Vec<Piece>, F>,
}

/// One expression and nothing else.
pub(super) fn alone<'t, F: Failure<'t>>(shared: Shared<'t, F>) -> Rule<'t, Expression, F> {
    expressions(shared).whole
}

/// A name.
pub(super) fn name<'t, F: Failure<'t>>() -> Rule<'t, Name, F> {
    select! { Token::Name(symbol) = e => Name { symbol, span: e.span() } }
        .labelled("a name")
        .boxed()
}

fn make(kind: ExpressionKind, span: Span) -> Expression {
    Expression { kind, span }
}

fn binary(
    left: Expression,
    (operator, operator_span): (Binary, Span),
    right: Expression,
    span: Span,
) -> Expression {
    let kind = ExpressionKind::Binary {
        operator,
        operator_span,
        left: Box::new(left),
        right: Box::new(right),
    };
    make(kind, span)
}

/// An operator that binds as tightly as `like` does.
fn operator<'t, F: Failure<'t>>(like: Binary) -> Rule<'t, (Binary, Span), F> {
    select! { Token::Operator(op) = e if op.level() == like.level() => (op, e.span()) }
        .labelled("an operator")
        .boxed()
}

/// Every rule of expressions.
pub(super) fn expressions<'t, F: Failure<'t>>(shared: Shared<'t, F>) -> Expressions<'t, F> {
    let mut sum_rule = None;
    let mut text_rule = None;
    let whole = recursive(|expression| {
        let expression = expression.boxed();
        let text = text(shared.clone(), expression.clone());
        let atom = atom(shared.clone(), expression.clone(), text.clone());
        let sum = sum(expression, atom);
        sum_rule = Some(sum.clone());
        text_rule = Some(text);
        logic(comparison(sum))
    })
    .boxed();
    Expressions {
        sum: sum_rule.unwrap_or_else(|| whole.clone()),
        text: text_rule.unwrap_or_else(|| just(Token::Quote).to(Vec::new()).boxed()),
        whole,
    }
}

/// `+ - * / mod`, the minus sign, powers, fields and elements.
fn sum<'t, F: Failure<'t>>(
    expression: Rule<'t, Expression, F>,
    atom: Rule<'t, Expression, F>,
) -> Rule<'t, Expression, F> {
    let power = select! { Token::Power(exponent) => exponent }.labelled("an operator");
    let field =
        just(Token::Dot).labelled("an operator").ignore_then(name().labelled("a field name"));
    let index = just(Token::ListOpen)
        .labelled("an operator")
        .ignore_then(expression)
        .then_ignore(just(Token::ListClose).labelled("`]`"));
    atom.pratt((
        postfix(5, field, |of, name, e| {
            let of = Box::new(of);
            make(ExpressionKind::Field { of, name }, e.span())
        }),
        postfix(5, index, |of, index, e| {
            let (of, index) = (Box::new(of), Box::new(index));
            make(ExpressionKind::Element { of, index }, e.span())
        }),
        postfix(4, power, |base, exponent, e| {
            let base = Box::new(base);
            make(ExpressionKind::Power { base, exponent }, e.span())
        }),
        infix(left(2), operator(Binary::Multiply), |l, op, r, e| binary(l, op, r, e.span())),
        infix(left(1), operator(Binary::Add), |l, op, r, e| binary(l, op, r, e.span())),
        prefix(
            3,
            just(Token::Operator(Binary::Subtract)).labelled("an expression"),
            |_, operand, e| {
                let kind =
                    ExpressionKind::Unary { operator: Unary::Minus, operand: Box::new(operand) };
                make(kind, e.span())
            },
        ),
    ))
    .boxed()
}

/// `in`, `..`, `±`, comparisons and `within`.
fn comparison<'t, F: Failure<'t>>(sum: Rule<'t, Expression, F>) -> Rule<'t, Expression, F> {
    let unit = select! { Token::Unit(symbol) = e => UnitName { symbol, span: e.span() } };
    let shown = sum
        .clone()
        .then(
            just(Token::ShownIn)
                .labelled("an operator")
                .ignore_then(unit.labelled("a unit"))
                .or_not(),
        )
        .map_with(|(value, unit), e| match unit {
            Some(unit) => {
                let value = Box::new(value);
                make(ExpressionKind::Shown { value, unit }, e.span())
            }
            None => value,
        });
    let within = just(Token::Keyword(Keyword::Within))
        .labelled("an operator")
        .ignore_then(sum.clone())
        .then_ignore(operator(Binary::Range).labelled("`..`"))
        .then(sum);
    let uncertain = shown
        .pratt((
            infix(none(2), operator(Binary::Range), |l, op, r, e| binary(l, op, r, e.span())),
            infix(none(1), operator(Binary::PlusMinus), |l, op, r, e| binary(l, op, r, e.span())),
        ))
        .boxed();
    enum Rest {
        Compared((Binary, Span), Expression),
        Within(Expression, Expression),
    }
    let compared = operator(Binary::Equal)
        .then(uncertain.clone())
        .map(|(operator, right)| Rest::Compared(operator, right));
    let within = within.map(|(low, high)| Rest::Within(low, high));
    uncertain
        .then(choice((compared, within)).or_not())
        .map_with(|(value, rest), e| match rest {
            None => value,
            Some(Rest::Compared(operator, right)) => binary(value, operator, right, e.span()),
            Some(Rest::Within(low, high)) => {
                let kind = ExpressionKind::Within {
                    value: Box::new(value),
                    low: Box::new(low),
                    high: Box::new(high),
                };
                make(kind, e.span())
            }
        })
        .boxed()
}

/// `not`, `and`, `or`.
fn logic<'t, F: Failure<'t>>(comparison: Rule<'t, Expression, F>) -> Rule<'t, Expression, F> {
    let negated = just(Token::Keyword(Keyword::Not))
        .labelled("an expression")
        .map_with(|_, e| e.span())
        .repeated()
        .foldr(comparison, |not: Span, operand: Expression| {
            let span = not.to(operand.span);
            let kind = ExpressionKind::Unary { operator: Unary::Not, operand: Box::new(operand) };
            make(kind, span)
        });
    negated
        .pratt((
            infix(left(2), operator(Binary::And), |l, op, r, e| binary(l, op, r, e.span())),
            infix(left(1), operator(Binary::Or), |l, op, r, e| binary(l, op, r, e.span())),
        ))
        .boxed()
}

/// What operators stand between.
fn atom<'t, F: Failure<'t>>(
    shared: Shared<'t, F>,
    expression: Rule<'t, Expression, F>,
    text: Rule<'t, Vec<Piece>, F>,
) -> Rule<'t, Expression, F> {
    let unit = select! { Token::Unit(symbol) = e => UnitName { symbol, span: e.span() } };
    let number = select! { Token::Number(value) => value }
        .then(unit.or_not())
        .map_with(|(value, unit), e| make(ExpressionKind::Number { value, unit }, e.span()))
        .boxed();
    let text = text.map_with(|pieces, e| make(ExpressionKind::Text(pieces), e.span())).boxed();
    let call = call(shared.clone(), expression.clone());
    let list = list(expression.clone());
    let record = record(shared, expression.clone());
    let group = just(Token::ParenOpen)
        .ignore_then(expression)
        .then_ignore(just(Token::ParenClose).labelled("`)`"))
        .map_with(|inner, e| make(inner.kind, e.span()))
        .boxed();
    let other = select! {
        Token::Keyword(Keyword::True) = e => make(ExpressionKind::Flag(true), e.span()),
        Token::Keyword(Keyword::False) = e => make(ExpressionKind::Flag(false), e.span()),
        Token::Hole = e => make(ExpressionKind::Broken, e.span()),
    }
    .labelled("an expression")
    .boxed();
    custom(move |inp| match inp.peek() {
        Some(Token::Number(_)) => inp.parse(&number),
        Some(Token::Name(_)) => inp.parse(&call),
        Some(Token::Quote) => inp.parse(&text),
        Some(Token::ParenOpen) => inp.parse(&group),
        Some(Token::ListOpen) => inp.parse(&list),
        Some(Token::RecordOpen) => inp.parse(&record),
        _ => inp.parse(&other),
    })
    .boxed()
}

fn call<'t, F: Failure<'t>>(
    shared: Shared<'t, F>,
    expression: Rule<'t, Expression, F>,
) -> Rule<'t, Expression, F> {
    let named = name()
        .then_ignore(just(Token::Colon))
        .then(expression.clone())
        .map(|(name, value)| Argument { name: Some(name), value });
    let positional = expression.map(|value| Argument { name: None, value });
    let arguments = choice((named, positional))
        .separated_by(just(Token::Comma).labelled("`,`"))
        .allow_trailing()
        .collect::<Vec<Argument>>()
        .delimited_by(
            just(Token::ParenOpen).labelled("`(`"),
            just(Token::ParenClose).labelled("`)`"),
        );
    name()
        .then(arguments.or_not())
        .map_with(move |(name, arguments), e| match arguments {
            Some(arguments) => {
                check_order(&shared, &arguments);
                make(ExpressionKind::Call { name, arguments }, e.span())
            }
            None => make(ExpressionKind::Name(name.symbol), name.span),
        })
        .boxed()
}

fn check_order<F>(shared: &Shared<'_, F>, arguments: &[Argument]) {
    let Some(first) = arguments.iter().position(|argument| argument.name.is_some()) else {
        return;
    };
    let late = arguments.iter().skip(first).find(|argument| argument.name.is_none());
    let named = arguments.get(first).and_then(|argument| argument.name);
    if let (Some(late), Some(named)) = (late, named) {
        shared.note(
            Diagnostic::error(
                codes::POSITIONAL_AFTER_NAMED,
                "an argument without a name follows one with a name",
                late.value.span,
            )
            .here("give it its name, or move it to the front")
            .label(named.span, "named from here on"),
        );
    }
}

fn list<'t, F: Failure<'t>>(expression: Rule<'t, Expression, F>) -> Rule<'t, Expression, F> {
    enum Rest {
        For(Name, Expression, Option<Expression>),
        More(Vec<Expression>),
    }
    let comma = just(Token::Comma).labelled("`,`");
    let comprehension = just(Token::Keyword(Keyword::For))
        .labelled("`for`")
        .ignore_then(name())
        .then_ignore(just(Token::Keyword(Keyword::In)).labelled("`in`"))
        .then(expression.clone())
        .then(
            just(Token::Keyword(Keyword::If))
                .labelled("`if`")
                .ignore_then(expression.clone())
                .or_not(),
        )
        .map(|((name, over), only_if)| Rest::For(name, over, only_if));
    let more = comma
        .ignore_then(expression.clone())
        .repeated()
        .collect::<Vec<Expression>>()
        .then_ignore(comma.or_not())
        .map(Rest::More);
    expression
        .then(choice((comprehension, more)))
        .or_not()
        .delimited_by(just(Token::ListOpen), just(Token::ListClose).labelled("`]`"))
        .map_with(|inside, e| {
            let kind = match inside {
                None => ExpressionKind::List(Vec::new()),
                Some((first, Rest::More(rest))) => {
                    let mut all = Vec::with_capacity(rest.len() + 1);
                    all.push(first);
                    all.extend(rest);
                    ExpressionKind::List(all)
                }
                Some((element, Rest::For(name, over, only_if))) => ExpressionKind::Comprehension {
                    element: Box::new(element),
                    name,
                    over: Box::new(over),
                    only_if: only_if.map(Box::new),
                },
            };
            make(kind, e.span())
        })
        .boxed()
}

fn record<'t, F: Failure<'t>>(
    shared: Shared<'t, F>,
    expression: Rule<'t, Expression, F>,
) -> Rule<'t, Expression, F> {
    name()
        .labelled("a field name")
        .then_ignore(just(Token::Colon).labelled("`:`"))
        .then(expression)
        .separated_by(just(Token::Comma).labelled("`,`"))
        .allow_trailing()
        .collect::<Vec<(Name, Expression)>>()
        .delimited_by(just(Token::RecordOpen), just(Token::RecordClose).labelled("`}`"))
        .map_with(move |fields, e| {
            if fields.is_empty() {
                shared.note(
                    Diagnostic::error(
                        codes::EMPTY_RECORD,
                        "a record has at least one field",
                        e.span(),
                    )
                    .help("write it as in `{in_scan: 1 us, cross_scan: 2 arcsec}`"),
                );
            }
            make(ExpressionKind::Record(fields), e.span())
        })
        .boxed()
}

/// A text literal and its values.
fn text<'t, F: Failure<'t>>(
    shared: Shared<'t, F>,
    expression: Rule<'t, Expression, F>,
) -> Rule<'t, Vec<Piece>, F> {
    let plain = select! { Token::Plain = e => e.span() }
        .map(move |span: Span| Piece::Plain(unescape(shared.slice(span))));
    let value = just(Token::ValueOpen)
        .ignore_then(expression)
        .then(select! { Token::Decimals(digits) => digits }.or_not())
        .then_ignore(just(Token::ValueClose).labelled("`}`"))
        .map(|(value, decimals)| Piece::Value { value, decimals });
    choice((plain, value))
        .repeated()
        .collect::<Vec<Piece>>()
        .delimited_by(just(Token::Quote).labelled("a text"), just(Token::Unquote))
        .boxed()
}

/// Resolves escapes; an unknown one is reported by the scan and stands for itself here.
fn unescape(written: &str) -> String {
    if !written.contains('\\') {
        return written.to_string();
    }
    let mut out = String::with_capacity(written.len());
    let mut characters = written.chars();
    while let Some(c) = characters.next() {
        if c != '\\' {
            out.push(c);
            continue;
        }
        match characters.next() {
            Some('n') => out.push('\n'),
            Some('t') => out.push('\t'),
            Some(other) => out.push(other),
            None => {}
        }
    }
    out
}
