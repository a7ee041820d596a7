//! A failure of the parser and the tokens around it, as the explanations look at them.

use crate::diagnostics::Diagnostic;
use crate::source::Span;
use crate::syntax::layout::Laid;
use crate::syntax::token::Token;
use chumsky::error::{Rich, RichPattern};

/// How many things are named as expected.
const MOST_NAMED: usize = 4;

/// Where the parser stood when it could not go on.
pub(super) struct Stuck<'a> {
    pub text: &'a str,
    pub tokens: &'a [(Token, Span)],
    /// The token that did not fit; as many as there are tokens at the end of the text.
    pub index: usize,
    /// What would have fitted.
    pub expected: Vec<String>,
    /// The place of that token.
    pub span: Span,
}

impl<'a> Stuck<'a> {
    pub(super) fn new(laid: &'a Laid, text: &'a str, failure: &Rich<'_, Token, Span>) -> Self {
        let span = *failure.span();
        let tokens = laid.tokens.as_slice();
        let mut index = tokens.partition_point(|(_, at)| at.start < span.start);
        // Repaired brackets take no room and share their place with the token behind them.
        while tokens.get(index).is_some_and(|(_, at)| at.start == span.start && at.end < span.end) {
            index += 1;
        }
        let mut expected: Vec<String> = Vec::new();
        for pattern in failure.expected() {
            let name = match pattern {
                RichPattern::Label(label) => label.to_string(),
                RichPattern::EndOfInput => "the end of the statement".to_string(),
                _ => continue,
            };
            if !expected.contains(&name) {
                expected.push(name);
            }
        }
        Stuck { text, tokens, index, expected, span }
    }

    fn at(&self, distance: isize) -> Option<(Token, Span)> {
        self.tokens.get(self.index.checked_add_signed(distance)?).copied()
    }

    /// The token at a distance from the one that did not fit.
    pub(super) fn token(&self, distance: isize) -> Option<Token> {
        self.at(distance).map(|(token, _)| token)
    }

    /// Its place.
    pub(super) fn place(&self, distance: isize) -> Option<Span> {
        self.at(distance).map(|(_, span)| span)
    }

    /// What is written there.
    pub(super) fn word(&self, distance: isize) -> &'a str {
        self.place(distance).and_then(|span| self.text.get(span.range())).unwrap_or("")
    }

    pub(super) fn found(&self) -> Option<Token> {
        self.token(0)
    }

    /// The statement just stops.
    pub(super) fn stops(&self) -> bool {
        matches!(self.found(), None | Some(Token::End | Token::BlockClose))
    }

    pub(super) fn expects(&self, name: &str) -> bool {
        self.expected.iter().any(|expected| expected == name)
    }

    /// Tokens from the beginning of the statement, or from the block before this part of it, up to
    /// the one that did not fit.
    pub(super) fn clause(&self) -> &'a [(Token, Span)] {
        let before = self.tokens.get(..self.index).unwrap_or(&[]);
        let start = before
            .iter()
            .rposition(|(token, _)| {
                matches!(token, Token::End | Token::BlockOpen | Token::BlockClose)
            })
            .map_or(0, |at| at + 1);
        before.get(start..).unwrap_or(&[])
    }

    /// From the place back to the bracket around it, and that bracket: the tokens of the clause,
    /// with their index, that stand in no further bracket.
    pub(super) fn level(&self) -> Vec<(usize, Token, Span)> {
        let mut level = Vec::new();
        let mut depth = 0_usize;
        for (at, (token, span)) in self.clause().iter().enumerate().rev() {
            depth += usize::from(token.closes_bracket());
            if depth == 0 {
                level.push((at, *token, *span));
                if token.opens_bracket() {
                    break;
                }
            }
            depth -= usize::from(token.opens_bracket());
        }
        level
    }

    /// The bracket around the place, inside this statement, and the token before it.
    pub(super) fn bracket(&self) -> Option<(Token, Option<Token>)> {
        let (at, open, _) = *self.level().last().filter(|(_, token, _)| token.opens_bracket())?;
        let before = at.checked_sub(1).and_then(|at| self.clause().get(at));
        Some((open, before.map(|(token, _)| *token)))
    }

    /// A report on the token that did not fit.
    pub(super) fn report(&self, code: &'static str, headline: impl Into<String>) -> Diagnostic {
        Diagnostic::error(code, headline, self.span)
    }

    /// A report on what is missing before that token.
    pub(super) fn missing(&self, code: &'static str, headline: impl Into<String>) -> Diagnostic {
        Diagnostic::error(code, headline, self.point())
    }

    /// The token that did not fit, in words.
    pub(super) fn found_words(&self) -> String {
        match self.found() {
            None => "the end".into(),
            Some(Token::End) if self.word(0) == ";" => "`;`".into(),
            Some(Token::End) => "the end of the line".into(),
            Some(Token::Quote) => "a text".into(),
            Some(Token::Unquote | Token::ValueClose) if self.word(0).is_empty() => {
                "the end of the text".into()
            }
            Some(Token::Keyword(_)) => format!("the keyword `{}`", self.word(0)),
            Some(_) if self.word(0).is_empty() => "something else".into(),
            Some(_) => format!("`{}`", self.word(0)),
        }
    }

    /// Where to point: behind the last token if the statement just stops.
    pub(super) fn point(&self) -> Span {
        match self.place(-1) {
            Some(before) if self.stops() => before.after(),
            _ => self.span,
        }
    }

    /// The place right behind the last token that fitted.
    pub(super) fn behind(&self) -> Span {
        self.place(-1).map_or(self.span, Span::after)
    }

    /// What would have fitted, in words.
    pub(super) fn expected_words(&self) -> String {
        let mut named: Vec<&str> = self.expected.iter().map(String::as_str).collect();
        if named.len() > 2 {
            named.retain(|name| *name != "an operator");
        }
        // The end of a statement is always possible where an operator is; say it only alone.
        if named.len() > 1 {
            named.retain(|name| *name != "the end of the statement");
        }
        let more = named.len() > MOST_NAMED;
        named.truncate(MOST_NAMED);
        match named.as_slice() {
            [] => "something else".into(),
            [only] => (*only).to_string(),
            [first @ .., last] if more => format!("{}, {last} or the like", first.join(", ")),
            [first @ .., last] => format!("{} or {last}", first.join(", ")),
        }
    }
}
