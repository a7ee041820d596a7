//! Units before their numbers and calls of what cannot be called.

use crate::diagnostics::{Diagnostic, codes};
use crate::source::Span;
use crate::syntax::foreign::{Foreign, comment_mark, habit_at, method, takes_in_wrongly};
use crate::syntax::keyword::{KEYWORDS, Keyword};
use crate::syntax::parse::stuck::Stuck;
use crate::syntax::token::Token;
use spintrue_head::{letter_distance, nearest_name, parse_unit};

/// `spin 4800`, `repat 3 times {`: a name where a statement begins, and something behind it.
pub(super) fn without_brackets(stuck: &Stuck<'_>, report: Diagnostic) -> Diagnostic {
    let (word, place) = (stuck.word(-1), stuck.place(-1));
    let keywords = KEYWORDS.iter().copied();
    let begins = |word: &&str| Keyword::of(word).is_some_and(Keyword::begins_statement);
    match (nearest_name(word, keywords.filter(begins)), place) {
        (_, Some(place)) if let Some(mark) = comment_mark(stuck.text, place) => {
            report.suggest("a comment begins with `//`", mark, "//")
        }
        (_, Some(place))
            if let Some(habit) =
                habit_at(Foreign::Value, place.source, stuck.text, place.start as usize)
                && habit.help.is_empty()
                && word.len() > 1 =>
        {
            report.help(habit.why)
        }
        (Some(near), Some(place)) if letter_distance(near, word) < 2 => {
            let headline = format!("`{word}` begins no statement");
            let report = Diagnostic::error(codes::LEFT_OVER, headline, place);
            report.suggest(format!("did you mean `{near}`?"), place, near)
        }
        _ => report.help(format!("a call has brackets: `{word}(…)`")),
    }
}

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
        (Token::Name(_) | Token::ParenClose | Token::ListClose, Token::Name(_))
            if stuck.clause().len() > 1 && parse_unit(word).is_ok() =>
        {
            let text = format!("* 1 {word}");
            let report = report("a unit stands behind a number, and a value has its own");
            Some(report.suggest(format!("a plain number gets one by `{text}`"), stuck.span, text))
        }
        _ => None,
    }
}

/// `motion.` before a name, as far as the words before it stand in a line that takes in a file.
fn through_a_file(stuck: &Stuck<'_>) -> Option<Span> {
    let is_name = |at: isize| matches!(stuck.token(at), Some(Token::Name(_)));
    let mut first = -3;
    if !is_name(first) {
        return None;
    }
    while stuck.token(first - 1) == Some(Token::Dot) && is_name(first - 2) {
        first -= 2;
    }
    let word = stuck.word(-3);
    let is_part = |c: char| c.is_alphanumeric() || c == '_';
    let mut takes_in = stuck
        .text
        .lines()
        .filter(|line| line.trim_start().starts_with("use \"") || takes_in_wrongly(line));
    takes_in.find(|line| line.split(|c| !is_part(c)).any(|part| part == word))?;
    let (first, dot) = (stuck.place(first)?, stuck.place(-2)?);
    Some(first.to(dot))
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
    if let Some(whole) = through_a_file(stuck) {
        let headline = "a routine of another file is called by its name alone";
        return Diagnostic::error(codes::LEFT_OVER, headline, whole.to(place)).fix(
            format!("write `{name}(…)`"),
            whole,
            "",
        );
    }
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
