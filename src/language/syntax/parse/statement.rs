//! Statements and blocks, and how the parser goes on after a mistake.

use crate::diagnostics::{Diagnostic, codes};
use crate::source::Span;
use crate::syntax::keyword::Keyword;
use crate::syntax::parse::ask::{Given, ask_rule, given, kept};
use crate::syntax::parse::compound::{Compound, action};
use crate::syntax::parse::expression::{Expressions, expressions, name, named};
use crate::syntax::parse::item::{allow_rule, param_rule, routine_rule, type_rule, use_rule};
use crate::syntax::parse::recover::{guarded, key, until_end};
use crate::syntax::parse::{Failure, Rule, Shared, one};
use crate::syntax::token::Token;
use crate::syntax::tree::{
    Ask, Binary, Block, Choice, Expression, ExpressionKind, File, Kept, Statement, StatementKind,
};
use chumsky::prelude::{IterParser, Parser, any, choice, custom, just, recursive};

/// A whole file.
pub(super) fn file<'t, F: Failure<'t>>(shared: Shared<'t, F>) -> Rule<'t, File, F> {
    let (statements, _) = statements(shared);
    statements.map(|statements| File { statements }).boxed()
}

type Statements<'t, F> = Rule<'t, Vec<Statement>, F>;

fn statements<'t, F: Failure<'t>>(
    shared: Shared<'t, F>,
) -> (Statements<'t, F>, Rule<'t, Block, F>) {
    let mut block_rule = None;
    let statements = recursive(|statements| {
        let done = shared.clone();
        let block = one(Token::BlockOpen, "`{`")
            .ignore_then(statements)
            .then_ignore(one(Token::BlockClose, "`}`"))
            .map_with(move |statements, e| {
                let span: Span = e.span();
                done.parsed.set(done.parsed.get().max(span.end));
                Block { statements, span }
            })
            .boxed();
        block_rule = Some(block.clone());
        let statement = guarded(shared.clone(), statement(shared, block.clone()), block);
        statement
            .separated_by(one(Token::End, "the end of the statement"))
            .allow_trailing()
            .collect::<Vec<Statement>>()
    })
    .boxed();
    let block = block_rule.unwrap_or_else(|| any().to(Block::default()).boxed());
    (statements, block)
}

/// Any one statement with its documentation.
fn statement<'t, F: Failure<'t>>(
    shared: Shared<'t, F>,
    block: Rule<'t, Block, F>,
) -> Rule<'t, Statement, F> {
    let expressions = expressions(shared.clone());
    let simple = simple(shared.clone(), &expressions);
    let use_ = use_rule(shared.clone(), &expressions);
    let allow = allow_rule(shared.clone(), &expressions);
    let param = param_rule(shared.clone(), &expressions);
    let routine = routine_rule(shared.clone(), &expressions, block.clone());
    let action = action(block.clone(), simple.clone());
    let compound = Compound { shared: shared.clone(), whole: expressions.whole, block, action };
    let (if_, for_, repeat) = (compound.if_rule(), compound.for_rule(), compound.repeat_rule());
    let (while_, wait_until) = (compound.while_rule(), compound.wait_rule());
    let (hold, arm, try_) = (compound.hold_rule(), compound.arm_rule(), compound.try_rule());

    let kind = custom(move |inp| match inp.peek() {
        Some(Token::Keyword(keyword)) => match keyword {
            Keyword::Use => inp.parse(&use_),
            Keyword::Allow => inp.parse(&allow),
            Keyword::Param => inp.parse(&param),
            Keyword::Routine => inp.parse(&routine),
            Keyword::If => inp.parse(&if_),
            Keyword::For => inp.parse(&for_),
            Keyword::Repeat => inp.parse(&repeat),
            Keyword::While => inp.parse(&while_),
            Keyword::Wait => {
                let before = inp.save();
                inp.skip();
                let until = inp.peek() == Some(Token::Keyword(Keyword::Until));
                inp.rewind(before);
                if until { inp.parse(&wait_until) } else { inp.parse(&simple) }
            }
            Keyword::Hold => inp.parse(&hold),
            Keyword::Arm => inp.parse(&arm),
            Keyword::Try => inp.parse(&try_),
            _ => inp.parse(&simple),
        },
        _ => inp.parse(&simple),
    });
    kind.map_with(move |kind, e| {
        let span: Span = e.span();
        Statement { kind, doc: shared.doc(span.start), span }
    })
    .boxed()
}

/// Statements without blocks of their own: those that may stand alone after `else`.
fn simple<'t, F: Failure<'t>>(
    shared: Shared<'t, F>,
    expressions: &Expressions<'t, F>,
) -> Rule<'t, StatementKind, F> {
    let whole = expressions.whole.clone();
    let ask = ask_rule(expressions);
    let binding = |keyword: Keyword, mutable: bool| {
        key(keyword)
            .ignore_then(name())
            .then(one(Token::Colon, "`:`").ignore_then(type_rule()).or_not())
            .then_ignore(one(Token::Assign, "`=`"))
            .then(given(ask.clone(), until_end(shared.clone(), whole.clone())))
            .map(move |((name, annotation), value)| match value {
                Given::Value(value) => StatementKind::Let { mutable, name, annotation, value },
                Given::Ask(ask) => kept(ask, Kept::Named { mutable, name, annotation }),
            })
            .boxed()
    };
    let let_ = binding(Keyword::Let, false);
    let var = binding(Keyword::Var, true);
    let break_ = key(Keyword::Break).to(StatementKind::Break).boxed();
    let continue_ = key(Keyword::Continue).to(StatementKind::Continue).boxed();
    let return_ =
        key(Keyword::Return).ignore_then(whole.clone().or_not()).map(StatementKind::Return).boxed();
    let wait = key(Keyword::Wait).ignore_then(whole.clone()).map(StatementKind::Wait).boxed();
    let fail = key(Keyword::Fail).ignore_then(whole.clone()).map(StatementKind::Fail).boxed();
    let note = key(Keyword::Note).ignore_then(whole.clone()).map(StatementKind::Note).boxed();
    let expect = expect_rule(&whole);
    let record = key(Keyword::Record)
        .ignore_then(whole.clone())
        .then(choices(&whole, "how it is drawn"))
        .then_ignore(one(Token::Colon, "`:`"))
        .then(whole.clone())
        .map(|((label, choices), value)| StatementKind::Record { label, choices, value })
        .boxed();
    let plain = assignment(shared, whole, ask.clone());
    let ask = ask.map(StatementKind::Ask).boxed();
    custom(move |inp| match inp.peek() {
        Some(Token::Keyword(keyword)) => match keyword {
            Keyword::Let => inp.parse(&let_),
            Keyword::Var => inp.parse(&var),
            Keyword::Break => inp.parse(&break_),
            Keyword::Continue => inp.parse(&continue_),
            Keyword::Return => inp.parse(&return_),
            Keyword::Wait => inp.parse(&wait),
            Keyword::Fail => inp.parse(&fail),
            Keyword::Note => inp.parse(&note),
            Keyword::Expect => inp.parse(&expect),
            Keyword::Record => inp.parse(&record),
            Keyword::Ask => inp.parse(&ask),
            _ => inp.parse(&plain),
        },
        _ => inp.parse(&plain),
    })
    .boxed()
}

/// A word with a value behind it, where there is one.
fn chosen<'t, F: Failure<'t>>(
    whole: &Rule<'t, Expression, F>,
    what: &'static str,
) -> Rule<'t, Choice, F> {
    // `expect "locked", locked()`: a comma where a colon was meant.
    let call = just([Token::ParenOpen, Token::ParenClose]).rewind().to(None);
    let value = choice((call, whole.clone().or_not()));
    let chosen = named(what).then(value);
    chosen.map(|(name, value)| Choice { name, value }).boxed()
}

/// Such words, each behind a comma.
fn choices<'t, F: Failure<'t>>(
    whole: &Rule<'t, Expression, F>,
    what: &'static str,
) -> Rule<'t, Vec<Choice>, F> {
    let comma = one(Token::Comma, "`,`");
    comma.ignore_then(chosen(whole, what)).repeated().collect::<Vec<_>>().boxed()
}

/// `expect "what", risk 2 %: condition`, or `expect: guard` for all checks.
fn expect_rule<'t, F: Failure<'t>>(whole: &Rule<'t, Expression, F>) -> Rule<'t, StatementKind, F> {
    let colon = one(Token::Colon, "`:`");
    let chosen = chosen(whole, "how it is decided");
    let more = choices(whole, "how it is decided");
    let check = whole
        .clone()
        .then(more.clone())
        .then_ignore(colon.clone())
        .then(whole.clone())
        .map(|((label, choices), condition)| StatementKind::Expect { label, choices, condition })
        .boxed();
    let all = colon
        .ignore_then(chosen)
        .then(more)
        .map(|(first, more)| StatementKind::Deciding([vec![first], more].concat()))
        .boxed();
    key(Keyword::Expect)
        .ignore_then(custom(move |inp| match inp.peek() {
            Some(Token::Colon) => inp.parse(&all),
            _ => inp.parse(&check),
        }))
        .boxed()
}

/// An expression on its own, or a place, `=` and a value.
fn assignment<'t, F: Failure<'t>>(
    shared: Shared<'t, F>,
    whole: Rule<'t, Expression, F>,
    ask: Rule<'t, Box<Ask>, F>,
) -> Rule<'t, StatementKind, F> {
    let assign = just(Token::Assign).map_with(|_, e| -> Span { e.span() });
    let value = given(ask, until_end(shared.clone(), whole.clone()));
    whole
        .labelled("a statement")
        .then(assign.then(value).or_not())
        .map(move |(left, assigned)| {
            if shared.slice(left.span).starts_with('-') {
                shared.note(
                    Diagnostic::error(
                        codes::LEADING_MINUS,
                        "a statement begins with a minus sign",
                        Span { end: left.span.start + 1, ..left.span },
                    )
                    .help("to go on with the line before, end that line with the `-`"),
                );
            }
            let Some((sign, value)) = assigned else {
                return StatementKind::Expression(left);
            };
            if let Some(help) = not_a_place(&left) {
                shared.note(
                    Diagnostic::error(codes::NOT_A_PLACE, "this cannot be assigned to", left.span)
                        .here("neither a variable, nor a field or an element of one")
                        .label(sign, "assigned here")
                        .help(help),
                );
            }
            match value {
                Given::Value(value) => StatementKind::Assign { place: left, value },
                Given::Ask(ask) => kept(ask, Kept::Assigned(left)),
            }
        })
        .boxed()
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
