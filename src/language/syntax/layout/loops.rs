//! A counting loop as other languages write it, `for (i = 0; i < 10; i++)`: one report for all of
//! it, and a loop over something unknown in its place. Uses diagnostics, raw and token.

use crate::diagnostics::{Diagnostic, codes};
use crate::source::Span;
use crate::syntax::keyword::Keyword;
use crate::syntax::layout::Layout;
use crate::syntax::raw::{Lexeme, Raw};
use crate::syntax::token::Token;
use crate::syntax::tree::Binary;

/// How many lexemes are searched for the end of its brackets.
const REACH: usize = 64;

impl Layout<'_> {
    /// Reads such a loop from its opening bracket on; `false` where it is none.
    pub(super) fn counting_loop(&mut self, open: Lexeme) -> bool {
        if self.last() != Some(Token::Keyword(Keyword::For)) {
            return false;
        }
        let rest = self.lexemes.get(self.at..).unwrap_or(&[]);
        let Some(inside) = enclosed(rest) else { return false };
        let mut parts = inside.split(|lexeme| lexeme.raw == Raw::Semicolon);
        let (first, second) = (parts.next().unwrap_or(&[]), parts.next());
        let (Some(second), Some(close)) = (second, rest.get(inside.len())) else { return false };
        let set = first.iter().position(|lexeme| lexeme.raw == Raw::Assign);
        let name = set.and_then(|at| first.get(at.checked_sub(1)?));
        let name = name.filter(|lexeme| lexeme.raw == Raw::Word).copied();
        let whole = self.span(open).to(self.span(*close));
        let words = |lexemes: &[Lexeme]| -> Option<&str> {
            let (from, to) = (lexemes.first()?, lexemes.last()?);
            Some(self.slice(self.span(*from).to(self.span(*to))))
        };
        let variable = name.map_or("_", |name| self.slice(self.span(name)));
        let from = set.and_then(|at| words(first.get(at + 1..)?));
        let to = match second {
            [_, Lexeme { raw: Raw::Operator(Binary::Less), .. }, bound @ ..] => {
                words(bound).map(str::to_string)
            }
            [_, Lexeme { raw: Raw::Operator(Binary::LessEqual), .. }, bound @ ..] => {
                words(bound).map(one_more)
            }
            _ => None,
        };
        let ups = parts.next().and_then(words).unwrap_or("");
        let ups: String = ups.chars().filter(|c| !c.is_whitespace()).collect();
        let ups = ups.replace(variable, "x");
        let counts = ["x++", "++x", "x+=1", "x=x+1"].contains(&ups.as_str());
        let edit = from.zip(to.as_ref()).filter(|_| name.is_some() && counts);
        let edit = edit.map(|(from, to)| format!("{variable} in {from}..{to}"));
        let way = match (name, from, to) {
            (None, ..) => "every loop ends: write `repeat at most 100 times { … }`".to_string(),
            (_, Some(from), Some(to)) => format!("write `for {variable} in {from}..{to} {{ … }}`"),
            _ => format!("write `for {variable} in 0..10 {{ … }}`, which counts from 0 to 9"),
        };
        let symbol = self.names.intern(variable);
        let place = name.map_or(whole, |name| self.span(name));
        let after = inside.len() + 1;
        let report =
            Diagnostic::error(codes::EQUALS_SIGN, "a loop runs over a list or a range", whole);
        self.diagnostics.push(match edit {
            Some(text) => report.fix(way, whole, text),
            None => report.help(way),
        });
        self.push(Token::Name(symbol), place);
        let behind = Span { start: whole.end, ..whole };
        self.push(Token::Keyword(Keyword::In), behind);
        self.push(Token::Hole, behind);
        if let Some(frame) = self.frames.last_mut() {
            frame.in_for = false;
        }
        self.at += after;
        true
    }
}

/// The end of a range that still holds `last`.
fn one_more(last: &str) -> String {
    match last.parse::<u32>() {
        Ok(last) => (u64::from(last) + 1).to_string(),
        Err(_) => format!("{last} + 1"),
    }
}

/// What stands before the bracket that closes, where it is near.
fn enclosed(rest: &[Lexeme]) -> Option<&[Lexeme]> {
    let mut depth = 0_usize;
    for (at, lexeme) in rest.iter().enumerate().take(REACH) {
        match lexeme.raw {
            Raw::ParenOpen => depth += 1,
            Raw::ParenClose if depth == 0 => return rest.get(..at),
            Raw::ParenClose => depth -= 1,
            Raw::BraceOpen | Raw::BraceClose => return None,
            _ => {}
        }
    }
    None
}
