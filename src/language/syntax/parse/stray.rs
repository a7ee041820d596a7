//! Units before their numbers and calls of what cannot be called.

use crate::diagnostics::{Diagnostic, codes};
use crate::source::Span;
use crate::syntax::foreign::method;
use crate::syntax::parse::stuck::Stuck;
use crate::syntax::token::Token;
use spintrue_head::parse_unit;

/// `rpm 4800`, `n mm`
pub(super) fn misplaced_unit(stuck: &Stuck<'_>) -> Option<Diagnostic> {
    let place = stuck.place(-1)?.to(stuck.span);
    let (before, word) = (stuck.word(-1), stuck.word(0));
    let report = |headline: &str| Diagnostic::error(codes::LEFT_OVER, headline.to_string(), place);
    match (stuck.token(-1)?, stuck.found()?) {
        (Token::Name(_), Token::Number(_)) if parse_unit(before).is_ok() => {
            let text = format!("{word} {before}");
            let report = report("a unit stands behind its number");
            Some(report.suggest(format!("write `{text}`"), place, text))
        }
        (Token::Name(_), Token::Name(_))
            if stuck.clause().len() > 1 && parse_unit(word).is_ok() =>
        {
            let text = format!("{before} * 1 {word}");
            let report = report("a unit stands behind a number, and a value has its own");
            Some(report.suggest(format!("a plain number gets one by `{text}`"), place, text))
        }
        _ => None,
    }
}

/// A bracket of a call behind something that cannot be called.
pub(super) fn stray_call(stuck: &Stuck<'_>) -> Diagnostic {
    if stuck.token(-2) != Some(Token::Dot) {
        return stuck
            .report(codes::LEFT_OVER, "only a name can be called")
            .help("give the value before it a name, or put an operator between");
    }
    let name = stuck.word(-1);
    let place = stuck.place(-1).unwrap_or(stuck.span);
    let report = Diagnostic::error(codes::LEFT_OVER, "values have no routines of their own", place);
    let of = match (stuck.token(-3), stuck.token(-4)) {
        (Some(Token::Name(_)), before) if before != Some(Token::Dot) => stuck.place(-3),
        _ => None,
    };
    let behind = stuck.text.get(stuck.span.end as usize..).unwrap_or("");
    let inside = behind.split_once(')').map(|(inside, _)| inside);
    let inside = inside.filter(|inside| !inside.contains(['(', '\n', '{', '"']));
    let (value, arguments) = match of.zip(inside) {
        Some((of, inside)) => (stuck.text.get(of.range()).unwrap_or(""), inside),
        None => ("", ""),
    };
    match (method(name, value, arguments), of.zip(inside)) {
        (Some((why, Some(call))), Some((of, inside))) => {
            let end = stuck.span.end as usize + inside.len() + 1;
            let place = Span::new(of.source, of.start as usize, end);
            report.here(why).suggest(format!("write `{call}`"), place, call)
        }
        (Some((why, _)), _) => report.help(why),
        (None, Some((of, inside))) => {
            let comma = if inside.trim().is_empty() { "" } else { ", " };
            let call = format!("{name}({value}{comma}{inside})");
            let end = stuck.span.end as usize + inside.len() + 1;
            let place = Span::new(of.source, of.start as usize, end);
            let help = format!("a routine takes its values in brackets: `{call}`");
            report.suggest(help, place, call)
        }
        (None, None) => {
            let value = if value.is_empty() { "value" } else { value };
            let more = if stuck.token(1) == Some(Token::ParenClose) { "" } else { ", …" };
            report.help(format!("a routine takes its values in brackets: `{name}({value}{more})`"))
        }
    }
}
