//! What to say of habits that people bring along from other languages. Uses what `report` knows of
//! the place.

use crate::diagnostics::{Diagnostic, Edit, Help, codes};
use crate::source::Span;
use crate::syntax::keyword::Keyword;
use crate::syntax::parse::stuck::Stuck;
use crate::syntax::token::Token;
use crate::syntax::tree::Expression;
use crate::syntax::tree::ExpressionKind::{Number, Unary};

/// The report where a habit explains the place.
pub(super) fn habit(stuck: &Stuck<'_>) -> Option<Diagnostic> {
    match stuck.found()? {
        Token::Colon => colon(stuck),
        Token::Comma => comma(stuck),
        Token::Assign => loop_with_equals(stuck),
        Token::Keyword(keyword) => keyword_found(stuck, keyword),
        Token::Name(_) => name_found(stuck),
        Token::Number(_) => value_behind_type(stuck),
        _ => None,
    }
}

fn begins(stuck: &Stuck<'_>, keyword: Keyword) -> bool {
    stuck.clause().first().is_some_and(|(token, _)| *token == Token::Keyword(keyword))
}

fn binds(stuck: &Stuck<'_>) -> bool {
    begins(stuck, Keyword::Let) || begins(stuck, Keyword::Var)
}

const FOR: &str = "write `for k in 0..10 { … }`, which counts from 0 to 9";

fn colon_for_brace(stuck: &Stuck<'_>, distance: isize) -> Option<Diagnostic> {
    let place = stuck.place(distance)?;
    Some(
        Diagnostic::error(codes::MISSING_BLOCK, "a block stands in braces", place)
            .here("`{` belongs here")
            .help("write `{` instead of the `:`, and `}` behind the last statement of the block"),
    )
}

/// `if a:`, `routine f(): length`, `speed: 4800 rpm`
fn colon(stuck: &Stuck<'_>) -> Option<Diagnostic> {
    if stuck.bracket().is_some() {
        return None;
    }
    let after_head = begins(stuck, Keyword::Routine)
        && stuck.token(-1) == Some(Token::ParenClose)
        && matches!(stuck.token(1), Some(Token::Name(_) | Token::Keyword(Keyword::List)));
    if after_head {
        let kind = stuck.word(1);
        return Some(
            stuck.report(codes::UNEXPECTED, "what a routine gives stands behind `->`").fix(
                format!("write `-> {kind}`"),
                stuck.span,
                " ->",
            ),
        );
    }
    if stuck.expects("`{`") {
        return colon_for_brace(stuck, 0);
    }
    let alone = stuck.clause().len() == 1 && matches!(stuck.token(-1), Some(Token::Name(_)));
    alone.then(|| {
        let name = stuck.word(-1);
        stuck.report(codes::UNEXPECTED, "a name and `:` begin no statement").help(format!(
            "a value is named with `let {name} = …`, one set from outside with `param {name} = …`"
        ))
    })
}

/// A report on a number with a comma, whose place is that of the number: the comma may group digits, or be
/// a decimal one.
pub(crate) fn without_comma(
    report: Diagnostic,
    place: Span,
    whole: &str,
    rest: &str,
) -> Diagnostic {
    let digits = rest.bytes().take_while(u8::is_ascii_digit).count();
    let groups = digits == 3 && whole.len() <= 3 && !whole.starts_with('0');
    let (joined, decimal) =
        (format!("{whole}{rest}"), format!("{}.{rest}", whole.replace('.', "")));
    let help = format!("write `{decimal}`");
    if groups && whole.bytes().all(|byte| byte.is_ascii_digit()) {
        let help = format!("{help} where the comma is a decimal one");
        report.suggest(format!("write `{joined}`"), place, joined).suggest(help, place, decimal)
    } else {
        report.fix(help, place, decimal)
    }
}

/// `1,5 mm` in a list or a call: what puts a point in place of the comma, which looks like a decimal one.
pub(super) fn decimal_comma(before: &Expression, here: &Expression) -> Option<Edit> {
    let whole = match &before.kind {
        Unary { operand, .. } => &operand.kind,
        kind => kind,
    };
    let (Number { unit: None, .. }, Number { .. }) = (whole, &here.kind) else { return None };
    let span = Span { start: before.span.end, end: here.span.start, ..here.span };
    (span.end == span.start + 1).then(|| Edit { span, text: ".".to_string() })
}

/// All such commas of a list, where one stands before the element at a place.
pub(crate) fn decimal_commas(items: &[Expression], at: usize) -> Vec<Edit> {
    let found = |pair: &[Expression]| match pair {
        [before, here] => decimal_comma(before, here),
        _ => None,
    };
    let before = at.checked_sub(1).and_then(|before| items.get(before..=at));
    match before.and_then(found) {
        Some(_) => items.windows(2).filter_map(found).collect(),
        None => Vec::new(),
    }
}

/// A report that such commas explain, with what puts points in their place.
pub(crate) fn with_points(report: Diagnostic, edits: Vec<Edit>) -> Diagnostic {
    let text = "a number has a decimal point, not a comma: write `.`".to_string();
    match edits.is_empty() {
        true => report,
        false => report.way_out(Help { text, edits, is_safe: false }),
    }
}

/// `304,8 mm`, `"{a, b}"`
fn comma(stuck: &Stuck<'_>) -> Option<Diagnostic> {
    match (stuck.bracket(), stuck.token(-1), stuck.token(1)) {
        (None, Some(Token::Number(_)), Some(Token::Number(_)))
            if stuck.place(1).is_some_and(|next| next.start == stuck.span.end) =>
        {
            let (whole, rest) = (stuck.word(-1), stuck.word(1));
            let report = stuck.report(codes::MALFORMED_NUMBER, "a number has a decimal point");
            let place = stuck.place(-1)?.to(stuck.place(1)?);
            Some(without_comma(report.here("not a comma"), place, whole, rest))
        }
        (None, ..) if matches!(stuck.clause().first(), Some((Token::Number(_) | Token::Quote, _))) => {
            let report = stuck.report(codes::LEFT_OVER, "several values are a list");
            Some(report.help("a list stands in brackets: `[1 mm, 2 mm]`"))
        }
        (Some((Token::ValueOpen, _)), ..) => Some(
            stuck.report(codes::LEFT_OVER, "one value stands between a text's braces")
                .help("give each value its own: `{a}, {b}`; the characters themselves are `\\{` and `\\}`"),
        ),
        _ => None,
    }
}

/// `for k = 0 to 9`, `let xs: list = [1, 2]`
fn loop_with_equals(stuck: &Stuck<'_>) -> Option<Diagnostic> {
    if let (Some(Token::Keyword(Keyword::List)), Some(place)) = (stuck.token(-1), stuck.place(-1)) {
        let report = Diagnostic::error(codes::UNEXPECTED, "a list says what is in it", place);
        return Some(report.help("write `list of length`, or leave the type out"));
    }
    (begins(stuck, Keyword::For) && stuck.bracket().is_none())
        .then(|| stuck.report(codes::EQUALS_SIGN, "a loop runs over a list or a range").help(FOR))
}

fn keyword_found(stuck: &Stuck<'_>, keyword: Keyword) -> Option<Diagnostic> {
    if keyword == Keyword::Else && stuck.token(1) == Some(Token::Colon) {
        return colon_for_brace(stuck, 1);
    }
    let after_value = keyword == Keyword::If
        && binds(stuck)
        && !stuck.expects("a name")
        && !stuck.expects("`=`")
        && stuck.bracket().is_none()
        && stuck.token(-1) != Some(Token::Assign);
    after_value.then(|| {
        stuck
            .report(codes::LEFT_OVER, "`if` is a statement and has no value")
            .help("declare a `var` and set it in the blocks of an `if`")
    })
}

/// `let height: length 4 mm`
fn value_behind_type(stuck: &Stuck<'_>) -> Option<Diagnostic> {
    (binds(stuck) && stuck.token(-2) == Some(Token::Colon) && stuck.bracket().is_none()).then(
        || {
            stuck
                .report(codes::MISSING_VALUE, "`=` is missing before the value")
                .help(format!("write `= {}`", stuck.word(0)))
        },
    )
}

/// `for k from 0`, `wait until a timeout 3 s`
fn name_found(stuck: &Stuck<'_>) -> Option<Diagnostic> {
    if begins(stuck, Keyword::For) && stuck.clause().len() == 2 {
        let word = stuck.word(0);
        return Some(
            stuck.report(codes::UNEXPECTED, format!("`in` belongs here, not `{word}`")).help(FOR),
        );
    }
    let waits = begins(stuck, Keyword::Wait) && stuck.expects("`within`");
    waits.then(|| {
        let word = stuck.word(0);
        stuck
            .report(codes::UNBOUNDED_WAIT, "this `wait until` has no time limit")
            .here(format!("`{word}` means nothing here"))
            .fix("write the limit as `within 20 s`", stuck.span, "within")
    })
}
