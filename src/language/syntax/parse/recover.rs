//! Keywords of statements, and going on behind what cannot be parsed.

use crate::source::Span;
use crate::syntax::keyword::Keyword;
use crate::syntax::parse::{Failure, OneToken, Rule, Shared, Tokens, one};
use crate::syntax::token::Token;
use crate::syntax::tree::{Block, Expression, ExpressionKind, Statement, StatementKind};
use chumsky::input::InputRef;
use chumsky::prelude::{Parser, choice, custom, end, extra, just};

/// A keyword of a statement.
pub(super) fn key<'t, F: Failure<'t>>(keyword: Keyword) -> impl OneToken<'t, Span, F> {
    let wanted = if keyword.begins_statement() { "a statement" } else { keyword.quoted() };
    one(Token::Keyword(keyword), wanted)
}

/// The next token ends the statement; it stays.
fn at_end<'t, F: Failure<'t>>() -> Rule<'t, (), F> {
    choice((just(Token::End).ignored(), just(Token::BlockClose).ignored(), end()))
        .rewind()
        .labelled("the end of the statement")
        .boxed()
}

fn ends(token: Option<Token>) -> bool {
    matches!(token, None | Some(Token::End | Token::BlockClose))
}

/// Goes on behind a statement that cannot be read.
pub(super) fn guarded<'t, F: Failure<'t>>(
    shared: Shared<'t, F>,
    statement: Rule<'t, Statement, F>,
    block: Rule<'t, Block, F>,
) -> Rule<'t, Statement, F> {
    if !shared.recovers {
        return statement;
    }
    let at_end = at_end();
    let nothing = key(Keyword::Let);
    custom(move |inp| {
        if ends(inp.peek()) {
            inp.parse(&nothing)?;
        }
        let before = inp.save();
        let start = inp.cursor();
        match inp.parse(&statement) {
            Ok(statement) => {
                if let Err(failure) = inp.parse(&at_end) {
                    shared.fail(failure);
                    skip(inp, &shared, &block);
                }
                Ok(statement)
            }
            Err(failure) => {
                shared.fail(failure);
                inp.rewind(before);
                skip(inp, &shared, &block);
                Ok(Statement {
                    kind: StatementKind::Broken,
                    span: inp.span_since(&start),
                    doc: None,
                })
            }
        }
    })
    .boxed()
}

/// Skips to the end of the statement; blocks on the way are parsed for their mistakes, each once.
fn skip<'t, F: Failure<'t>>(
    inp: &mut InputRef<'t, '_, Tokens<'t>, extra::Err<F>>,
    shared: &Shared<'t, F>,
    block: &Rule<'t, Block, F>,
) {
    loop {
        match inp.peek() {
            token if ends(token) => return,
            Some(Token::BlockOpen) => {
                let before = inp.save();
                let start = inp.cursor();
                inp.skip();
                let span: Span = inp.span_since(&start);
                if span.start >= shared.parsed.get() {
                    inp.rewind(before);
                    if inp.parse(block).is_ok() {
                        continue;
                    }
                    return;
                }
                let mut depth = 1_usize;
                while depth > 0 {
                    match inp.next() {
                        Some(Token::BlockOpen) => depth += 1,
                        Some(Token::BlockClose) => depth -= 1,
                        Some(_) => {}
                        None => return,
                    }
                }
            }
            _ => inp.skip(),
        }
    }
}

/// What stands between a keyword and its block: a mistake there leaves the block readable.
pub(super) fn header<'t, O: 't, F: Failure<'t>>(
    shared: Shared<'t, F>,
    rule: Rule<'t, O, F>,
    fallback: fn(Span) -> O,
) -> Rule<'t, O, F> {
    let brace = one(Token::BlockOpen, "`{`").rewind();
    recovering(shared, rule.then_ignore(brace).boxed(), fallback, |token| {
        token == Some(Token::BlockOpen)
    })
}

/// An expression that reaches to the end of its statement.
pub(super) fn until_end<'t, F: Failure<'t>>(
    shared: Shared<'t, F>,
    rule: Rule<'t, Expression, F>,
) -> Rule<'t, Expression, F> {
    let stop = choice((just(Token::Keyword(Keyword::Within)).ignored().rewind(), at_end()));
    let rule = if shared.recovers { rule.then_ignore(stop).boxed() } else { rule };
    recovering(shared, rule, broken, ends)
}

/// Stands for an expression that could not be read.
pub(super) fn broken(span: Span) -> Expression {
    Expression { kind: ExpressionKind::Broken, span }
}

fn recovering<'t, O: 't, F: Failure<'t>>(
    shared: Shared<'t, F>,
    rule: Rule<'t, O, F>,
    fallback: fn(Span) -> O,
    stops: fn(Option<Token>) -> bool,
) -> Rule<'t, O, F> {
    if !shared.recovers {
        return rule;
    }
    custom(move |inp| {
        let before = inp.save();
        let start = inp.cursor();
        let failure = match inp.parse(&rule) {
            Ok(output) => return Ok(output),
            Err(failure) => failure,
        };
        inp.rewind(before);
        while !stops(inp.peek()) {
            if ends(inp.peek()) || inp.peek() == Some(Token::BlockOpen) {
                return Err(failure);
            }
            inp.skip();
        }
        shared.fail(failure);
        Ok(fallback(inp.span_since(&start)))
    })
    .boxed()
}
