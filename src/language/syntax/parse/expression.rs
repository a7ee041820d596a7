//! Expressions and text literals.

use crate::diagnostics::{Diagnostic, codes};
use crate::source::Span;
use crate::syntax::keyword::Keyword;
use crate::syntax::parse::habits::{decimal_comma, with_points};
use crate::syntax::parse::{Failure, OneToken, Rule, Shared, Tokens, missed, one, pick};
use crate::syntax::token::Token;
use crate::syntax::tree::{
    Argument, Binary, Expression, ExpressionKind, Name, Piece, Unary, UnitName,
};
use chumsky::input::InputRef;
use chumsky::prelude::{IterParser, Parser, choice, custom, extra, just, recursive, select};

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
pub(super) fn name<'t, F: Failure<'t>>() -> impl OneToken<'t, Name, F> {
    named("a name")
}

/// A name, as reports are to call it.
pub(super) fn named<'t, F: Failure<'t>>(label: &'static str) -> impl OneToken<'t, Name, F> {
    pick(label, |token, span| match token {
        Token::Name(symbol) => Some(Name { symbol, span }),
        _ => None,
    })
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

fn at_level(token: Option<Token>, like: Binary) -> Option<Binary> {
    match token {
        Some(Token::Operator(operator)) => Some(operator).filter(|op| op.level() == like.level()),
        _ => None,
    }
}

/// Every rule of expressions.
pub(super) fn expressions<'t, F: Failure<'t>>(shared: Shared<'t, F>) -> Expressions<'t, F> {
    let mut sum_rule = None;
    let mut text_rule = None;
    let whole = recursive(|expression| {
        let expression = expression.boxed();
        let text = text(shared.clone(), expression.clone());
        let atom = atom(shared.clone(), expression.clone(), text.clone());
        // Behind an operand there may be an operator, which is not tried but looked for.
        let hint = pick("an operator", |_, _| None::<()>).or_not().boxed();
        let hint = Some(hint).filter(|_| shared.recovers);
        let signed = signed(expression, atom, hint.clone());
        let sum = chain(&signed, Binary::Multiply, Binary::Add);
        sum_rule = Some(sum.clone());
        text_rule = Some(text);
        let shown = shown(sum.clone(), hint);
        logic(comparison(chain(&shown, Binary::Range, Binary::PlusMinus), sum))
    })
    .boxed();
    Expressions {
        sum: sum_rule.unwrap_or_else(|| whole.clone()),
        text: text_rule.unwrap_or_else(|| just(Token::Quote).to(Vec::new()).boxed()),
        whole,
    }
}

/// Fails nowhere, and leaves behind what reports name.
type Hint<'t, F> = Option<Rule<'t, Option<()>, F>>;

/// An operand with its minus signs, powers, fields and elements.
fn signed<'t, F: Failure<'t>>(
    expression: Rule<'t, Expression, F>,
    atom: Rule<'t, Expression, F>,
    hint: Hint<'t, F>,
) -> Rule<'t, Expression, F> {
    let field = one(Token::Dot, "an operator").ignore_then(named("a field name")).or_not();
    let index = one(Token::ListOpen, "an operator")
        .ignore_then(expression)
        .then_ignore(one(Token::ListClose, "`]`"))
        .or_not();
    custom(move |inp| {
        let mut signs = Vec::new();
        while inp.peek() == Some(Token::Operator(Binary::Subtract)) {
            signs.push(inp.cursor());
            inp.skip();
        }
        let start = inp.cursor();
        let mut value = inp.parse(&atom)?;
        loop {
            let kind = match inp.peek() {
                Some(Token::Dot) => {
                    let Some(name) = inp.parse(&field)? else { break };
                    ExpressionKind::Field { of: Box::new(value), name }
                }
                Some(Token::ListOpen) => {
                    let Some(index) = inp.parse(&index)? else { break };
                    ExpressionKind::Element { of: Box::new(value), index: Box::new(index) }
                }
                Some(Token::Power(exponent)) => {
                    inp.skip();
                    ExpressionKind::Power { base: Box::new(value), exponent }
                }
                _ => break,
            };
            value = make(kind, inp.span_since(&start));
        }
        if let Some(hint) = &hint {
            inp.parse(hint)?;
        }
        for sign in signs.iter().rev() {
            let (operator, operand) = (Unary::Minus, Box::new(value));
            value = make(ExpressionKind::Unary { operator, operand }, inp.span_since(sign));
        }
        Ok(value)
    })
    .boxed()
}

/// Operators of one level, and what stands on their right.
type Level<'t, F> = (Rule<'t, Option<Expression>, F>, Binary);

fn level<'t, F: Failure<'t>>(right: &Rule<'t, Expression, F>, like: Binary) -> Level<'t, F> {
    (right.clone().or_not().boxed(), like)
}

/// An operator and its right side.
type Link = ((Binary, Span), Expression);

/// The next operator of one of these levels with its right side; where that is missing, nothing is taken.
fn link<'t, F: Failure<'t>>(
    inp: &mut InputRef<'t, '_, Tokens<'t>, extra::Err<F>>,
    levels: &[Level<'t, F>],
) -> Result<Option<Link>, F> {
    let next = inp.peek();
    let level = levels.iter().find_map(|(right, like)| Some((right, at_level(next, *like)?)));
    let Some((right, operator)) = level else { return Ok(None) };
    let before = inp.save();
    inp.skip();
    let span = inp.span_since(before.cursor());
    let right = inp.parse(right)?;
    let alone = matches!(operator, Binary::Range | Binary::PlusMinus);
    if right.is_none() || (alone && at_level(inp.peek(), operator).is_some()) {
        inp.rewind(before);
        return Ok(None);
    }
    Ok(right.map(|right| ((operator, span), right)))
}

/// Operands with operators between them that bind as `tight` does or as `loose` does: from the left, or one alone of
/// `..` and of `±`.
fn chain<'t, F: Failure<'t>>(
    operand: &Rule<'t, Expression, F>,
    tight: Binary,
    loose: Binary,
) -> Rule<'t, Expression, F> {
    let inner = linked(operand.clone(), vec![level(operand, tight)]);
    linked(operand.clone(), vec![level(operand, tight), level(&inner, loose)])
}

/// The same with any levels of operators, each with what stands on their right.
fn linked<'t, F: Failure<'t>>(
    operand: Rule<'t, Expression, F>,
    levels: Vec<Level<'t, F>>,
) -> Rule<'t, Expression, F> {
    custom(move |inp| {
        let start = inp.cursor();
        let mut value = inp.parse(&operand)?;
        while let Some((operator, right)) = link(inp, &levels)? {
            value = binary(value, operator, right, inp.span_since(&start));
        }
        Ok(value)
    })
    .boxed()
}

/// A sum, and the unit in which it is shown.
fn shown<'t, F: Failure<'t>>(
    sum: Rule<'t, Expression, F>,
    hint: Hint<'t, F>,
) -> Rule<'t, Expression, F> {
    let unit = pick("a unit", |token, span| match token {
        Token::Unit(symbol) => Some(UnitName { symbol, span }),
        _ => None,
    });
    let unit = one(Token::ShownIn, "an operator").ignore_then(unit).or_not();
    custom(move |inp| {
        let start = inp.cursor();
        let value = inp.parse(&sum)?;
        if inp.peek() != Some(Token::ShownIn) {
            return Ok(value);
        }
        let Some(unit) = inp.parse(&unit)? else { return Ok(value) };
        let kind = ExpressionKind::Shown { value: Box::new(value), unit };
        let shown = make(kind, inp.span_since(&start));
        if let Some(hint) = &hint {
            inp.parse(hint)?;
        }
        Ok(shown)
    })
    .boxed()
}

/// Comparisons and `within`.
fn comparison<'t, F: Failure<'t>>(
    uncertain: Rule<'t, Expression, F>,
    sum: Rule<'t, Expression, F>,
) -> Rule<'t, Expression, F> {
    let within = one(Token::Keyword(Keyword::Within), "an operator")
        .ignore_then(sum.clone())
        .then_ignore(one(Token::Operator(Binary::Range), "`..`"))
        .then(sum)
        .or_not();
    let compared = [level(&uncertain, Binary::Equal)];
    custom(move |inp| {
        let start = inp.cursor();
        let value = inp.parse(&uncertain)?;
        if let Some((operator, right)) = link(inp, &compared)? {
            return Ok(binary(value, operator, right, inp.span_since(&start)));
        }
        if inp.peek() != Some(Token::Keyword(Keyword::Within)) {
            return Ok(value);
        }
        let Some((low, high)) = inp.parse(&within)? else { return Ok(value) };
        let (value, low, high) = (Box::new(value), Box::new(low), Box::new(high));
        Ok(make(ExpressionKind::Within { value, low, high }, inp.span_since(&start)))
    })
    .boxed()
}

/// `not`, `and`, `or`.
fn logic<'t, F: Failure<'t>>(comparison: Rule<'t, Expression, F>) -> Rule<'t, Expression, F> {
    let negated = one(Token::Keyword(Keyword::Not), "an expression").repeated().foldr(
        comparison,
        |not: Span, operand: Expression| {
            let span = not.to(operand.span);
            let kind = ExpressionKind::Unary { operator: Unary::Not, operand: Box::new(operand) };
            make(kind, span)
        },
    );
    // A rule of its own would report a mistake behind `not` as one of the whole.
    let behind = |operand: Rule<'t, Expression, F>, levels: Vec<Level<'t, F>>| {
        let more = custom(move |inp| {
            let before = inp.cursor();
            let link = link(inp, &levels)?;
            link.ok_or_else(|| missed("an operator", inp.next(), inp.span_since(&before)))
        });
        operand
            .foldl_with(more.repeated(), |left, (operator, right), e| {
                binary(left, operator, right, e.span())
            })
            .boxed()
    };
    let negated = negated.boxed();
    let both = behind(negated.clone(), vec![level(&negated, Binary::And)]);
    behind(negated.clone(), vec![level(&negated, Binary::And), level(&both, Binary::Or)])
}

/// What operators stand between.
fn atom<'t, F: Failure<'t>>(
    shared: Shared<'t, F>,
    expression: Rule<'t, Expression, F>,
    text: Rule<'t, Vec<Piece>, F>,
) -> Rule<'t, Expression, F> {
    let text = text.map_with(|pieces, e| make(ExpressionKind::Text(pieces), e.span())).boxed();
    let call = call(shared.clone(), expression.clone());
    let list = list(expression.clone());
    let record = record(shared, expression.clone());
    let group = just(Token::ParenOpen)
        .ignore_then(expression)
        .then_ignore(one(Token::ParenClose, "`)`"))
        .map_with(|inner, e| make(inner.kind, e.span()))
        .boxed();
    let other = pick("an expression", |token, span| match token {
        Token::Keyword(Keyword::True) => Some(make(ExpressionKind::Flag(true), span)),
        Token::Keyword(Keyword::False) => Some(make(ExpressionKind::Flag(false), span)),
        Token::Hole => Some(make(ExpressionKind::Broken, span)),
        _ => None,
    });
    custom(move |inp| match inp.peek() {
        Some(Token::Number(value)) => {
            let start = inp.cursor();
            inp.skip();
            let behind = inp.cursor();
            let unit = match inp.peek() {
                Some(Token::Unit(symbol)) => {
                    inp.skip();
                    Some(UnitName { symbol, span: inp.span_since(&behind) })
                }
                _ => None,
            };
            Ok(make(ExpressionKind::Number { value, unit }, inp.span_since(&start)))
        }
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
    let label = name().then_ignore(just(Token::Colon)).or_not();
    let arguments = label
        .then(expression)
        .map(|(name, value)| Argument { name, value })
        .separated_by(one(Token::Comma, "`,`"))
        .allow_trailing()
        .collect::<Vec<Argument>>()
        .delimited_by(one(Token::ParenOpen, "`(`"), one(Token::ParenClose, "`)`"));
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
    let late = arguments.iter().skip(first).position(|argument| argument.name.is_none());
    let late = late.and_then(|at| arguments.get(first + at - 1..)?.first_chunk::<2>());
    let named = arguments.get(first).and_then(|argument| argument.name);
    if let (Some([before, late]), Some(named)) = (late, named) {
        let commas = decimal_comma(&before.value, &late.value).into_iter().collect();
        shared.note(with_points(
            Diagnostic::error(
                codes::POSITIONAL_AFTER_NAMED,
                "an argument without a name follows one with a name",
                late.value.span,
            )
            .here("give it its name, or move it to the front")
            .label(named.span, "named from here on"),
            commas,
        ));
    }
}

fn list<'t, F: Failure<'t>>(expression: Rule<'t, Expression, F>) -> Rule<'t, Expression, F> {
    enum Rest {
        For(Name, Expression, Option<Expression>),
        More(Vec<Expression>),
    }
    let comma = one(Token::Comma, "`,`");
    let comprehension = one(Token::Keyword(Keyword::For), "`for`")
        .ignore_then(name())
        .then_ignore(one(Token::Keyword(Keyword::In), "`in`"))
        .then(expression.clone())
        .then(one(Token::Keyword(Keyword::If), "`if`").ignore_then(expression.clone()).or_not())
        .map(|((name, over), only_if)| Rest::For(name, over, only_if));
    let more = comma
        .clone()
        .ignore_then(expression.clone())
        .repeated()
        .collect::<Vec<Expression>>()
        .then_ignore(comma.or_not())
        .map(Rest::More);
    expression
        .then(choice((comprehension, more)))
        .or_not()
        .delimited_by(just(Token::ListOpen), one(Token::ListClose, "`]`"))
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
    named("a field name")
        .then_ignore(one(Token::Colon, "`:`"))
        .then(expression)
        .separated_by(one(Token::Comma, "`,`"))
        .allow_trailing()
        .collect::<Vec<(Name, Expression)>>()
        .delimited_by(just(Token::RecordOpen), one(Token::RecordClose, "`}`"))
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
        .then_ignore(one(Token::ValueClose, "`}`"))
        .map(|(value, decimals)| Piece::Value { value, decimals });
    choice((plain, value))
        .repeated()
        .collect::<Vec<Piece>>()
        .delimited_by(one(Token::Quote, "a text"), just(Token::Unquote))
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
