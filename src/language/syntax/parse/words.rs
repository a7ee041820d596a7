//! What to say about a word: a keyword where a name belongs, a name that is missing.

use crate::diagnostics::{Diagnostic, codes};
use crate::syntax::foreign::{Foreign, habit_at, parted};
use crate::syntax::keyword::Keyword;
use crate::syntax::parse::stuck::Stuck;
use crate::syntax::token::Token;
use crate::syntax::tree::Binary;

/// `let = 3`, `for in facets()`
pub(super) fn missing_name(stuck: &Stuck<'_>) -> Option<Diagnostic> {
    let Some(Token::Keyword(keyword)) = stuck.token(-1) else {
        return None;
    };
    if !stuck.expects("a name") {
        return None;
    }
    let word = keyword.text();
    let report = stuck
        .missing(codes::MISSING_NAME, format!("a name is missing after `{word}`"))
        .here(format!("found {} instead", stuck.found_words()));
    Some(match keyword {
        Keyword::Catch => report.help("write `catch problem { … }`"),
        Keyword::For => report.help("write `for k in 0..10 { … }`"),
        Keyword::Let | Keyword::Var | Keyword::Param => {
            report.help(format!("write `{word} name = …`"))
        }
        _ => report,
    })
}

fn is_word(token: Option<Token>) -> bool {
    matches!(
        token,
        Some(Token::Keyword(_) | Token::Operator(Binary::And | Binary::Or | Binary::Modulo))
    )
}

/// `let record = 3`
pub(super) fn keyword_as_name(stuck: &Stuck<'_>) -> Option<Diagnostic> {
    if !is_word(stuck.found()) {
        return None;
    }
    let named_place = matches!(
        stuck.token(-1),
        Some(
            Token::Dot
                | Token::Keyword(
                    Keyword::Let
                        | Keyword::Var
                        | Keyword::Param
                        | Keyword::Routine
                        | Keyword::Catch
                        | Keyword::Any
                )
        )
    ) || (stuck.token(-1) == Some(Token::Keyword(Keyword::For))
        && !matches!(stuck.found(), Some(Token::Keyword(Keyword::In))));
    let names = ["a name", "a field name", "a parameter", "an expression", "a statement"];
    let wants_name = names.iter().any(|name| stuck.expects(name));
    let used_as_name =
        wants_name && matches!(stuck.token(1), Some(Token::Colon | Token::Assign | Token::Dot));
    let as_value = stuck.expects("an expression")
        && stuck.bracket().is_none_or(|(open, _)| open != Token::ListOpen)
        && matches!(
            stuck.found(),
            Some(Token::Keyword(
                Keyword::Use
                    | Keyword::Param
                    | Keyword::Routine
                    | Keyword::Repeat
                    | Keyword::Hold
                    | Keyword::Arm
                    | Keyword::Record
                    | Keyword::Note
                    | Keyword::Expect
                    | Keyword::Fail
                    | Keyword::Wait
                    | Keyword::List
                    | Keyword::Any
                    | Keyword::Most
            ))
        );
    if !(named_place || used_as_name || as_value) {
        return None;
    }
    let word = stuck.word(0);
    if as_value
        && !(named_place || used_as_name)
        && let Some(report) = keyword_as_value(stuck)
    {
        return Some(report);
    }
    Some(
        stuck
            .report(codes::KEYWORD_AS_NAME, format!("`{word}` is a keyword and cannot be a name"))
            .help(format!("choose another name, such as `{word}_1` or `the_{word}`")),
    )
}

/// `let t = wait 3 s`, `list(1, 2)`
fn keyword_as_value(stuck: &Stuck<'_>) -> Option<Diagnostic> {
    let Some(Token::Keyword(keyword)) = stuck.found() else { return None };
    let (word, at) = (stuck.word(0), stuck.span.start as usize);
    if stuck.token(1) == Some(Token::ParenOpen)
        && let Some(habit) = habit_at(Foreign::Routine, stuck.span.source, stuck.text, at)
    {
        let (why, way) = parted(habit.why);
        let report = Diagnostic::error(codes::KEYWORD_AS_NAME, why, habit.span);
        let report = match way {
            Some(way) if habit.help.is_empty() => report.help(way),
            _ => report,
        };
        return Some(habit.help.into_iter().fold(report, Diagnostic::way_out));
    }
    keyword.begins_statement().then(|| {
        let headline = format!("`{word}` begins a statement, and gives no value");
        stuck.report(codes::KEYWORD_AS_NAME, headline).help(format!(
            "put it on a line of its own; a value of that name needs another, such as `the_{word}`"
        ))
    })
}
