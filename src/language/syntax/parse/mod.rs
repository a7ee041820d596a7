//! The parser: balanced tokens to the tree, by recursive descent. A rule that does not fit gives
//! none, and its caller tries another at the same token; the furthest token that did not fit is
//! what is reported.

mod explain;
mod expression;
mod habits;
mod item;
mod report;
mod statement;
mod stuck;
mod words;

pub(crate) use habits::without_comma;

use crate::diagnostics::Diagnostic;
use crate::source::{SourceId, Span};
use crate::syntax::keyword::Keyword;
use crate::syntax::layout::{Laid, lay};
use crate::syntax::names::Names;
use crate::syntax::raw::scan;
use crate::syntax::reports::{MOST_ERRORS, Reports};
use crate::syntax::token::Token;
use crate::syntax::tree::{Expression, File, Name};

/// What came of a text.
#[derive(Clone, Debug, Default)]
pub struct Parsed {
    /// The tree; what could not be read is `Broken` in it.
    pub file: File,
    /// Everything wrong, in the order of the text.
    pub diagnostics: Vec<Diagnostic>,
    /// Every comment, in the order of the text.
    pub comments: Vec<Span>,
}

/// A token that did not fit.
#[derive(Debug)]
struct Mismatch {
    /// The token at which the rule began that failed.
    at: usize,
    /// The token that did not fit.
    index: usize,
    /// What would have fitted.
    expected: Vec<&'static str>,
}

struct Parser<'t> {
    text: &'t str,
    tokens: &'t [(Token, Span)],
    docs: &'t [(u32, Box<str>)],
    /// The end of the text.
    end: Span,
    /// The next token.
    at: usize,
    /// The furthest token that did not fit so far.
    furthest: Option<Mismatch>,
    /// Mistakes gone past.
    failures: Vec<Mismatch>,
    /// Mistakes in what could be read all the same.
    notes: Vec<Diagnostic>,
    /// Blocks before this token are parsed, and what is wrong in them is known.
    parsed: usize,
}

impl<'t> Parser<'t> {
    fn peek(&self) -> Option<Token> {
        self.ahead(0)
    }

    fn ahead(&self, count: usize) -> Option<Token> {
        self.tokens.get(self.at + count).map(|(token, _)| *token)
    }

    /// Takes the next token if it is this one; else notes by which name it was expected. Without
    /// a name, it is expected tacitly.
    fn take(&mut self, token: Token, name: &'static str) -> Option<Span> {
        let start = self.at;
        self.select(name, |found| (found == token).then_some(()))?;
        Some(self.span_from(start))
    }

    fn key(&mut self, keyword: Keyword, name: &'static str) -> Option<Span> {
        self.take(Token::Keyword(keyword), name)
    }

    /// Takes the next token if something can be made of it.
    fn select<T>(&mut self, name: &'static str, make: impl Fn(Token) -> Option<T>) -> Option<T> {
        let made = self.peek().and_then(make);
        match made {
            Some(_) => self.at += 1,
            None => self.expected(name),
        }
        made
    }

    fn name(&mut self, name: &'static str) -> Option<Name> {
        let start = self.at;
        let symbol = self.select(name, |token| match token {
            Token::Name(symbol) => Some(symbol),
            _ => None,
        })?;
        Some(Name { symbol, span: self.span_from(start) })
    }

    fn expected(&mut self, name: &'static str) {
        let at = self.at;
        let furthest = self.furthest.get_or_insert_with(|| Mismatch::new(at));
        if furthest.at < at {
            *furthest = Mismatch::new(at);
        }
        if furthest.at == at && !name.is_empty() && !furthest.expected.contains(&name) {
            furthest.expected.push(name);
        }
    }

    /// A rule of which people know the beginning by one name.
    fn called<T>(
        &mut self,
        name: &'static str,
        rule: impl FnOnce(&mut Self) -> Option<T>,
    ) -> Option<T> {
        let (start, before) = (self.at, self.furthest.take());
        let made = rule(self);
        let at_start = |mismatch: &&mut Mismatch| mismatch.at == start;
        if let Some(new) = self.furthest.as_mut().filter(at_start) {
            new.expected = vec![name];
        }
        match (before, &mut self.furthest) {
            (Some(old), Some(new)) if old.at == new.at => new.index = old.index,
            (Some(old), new) if new.as_ref().is_none_or(|new| new.at < old.at) => *new = Some(old),
            _ => {}
        }
        made
    }

    /// A rule that may be absent.
    fn optional<T>(&mut self, rule: impl FnOnce(&mut Self) -> Option<T>) -> Option<T> {
        let before = self.at;
        let made = rule(self);
        if made.is_none() {
            self.at = before;
        }
        made
    }

    /// A rule as often as it fits.
    fn repeated<T>(&mut self, mut rule: impl FnMut(&mut Self) -> Option<T>) -> Vec<T> {
        std::iter::from_fn(|| self.optional(&mut rule)).collect()
    }

    /// Elements with commas between them, and perhaps one behind the last.
    fn elements<T>(&mut self, mut rule: impl FnMut(&mut Self) -> Option<T>) -> Vec<T> {
        let mut all = Vec::new();
        while let Some(element) = self.optional(&mut rule) {
            all.push(element);
            if self.take(Token::Comma, "`,`").is_none() {
                break;
            }
        }
        all
    }

    /// From a token to the one before the next.
    fn span_from(&self, start: usize) -> Span {
        let Some((_, first)) = self.tokens.get(start) else { return self.end };
        let last = self.at.checked_sub(1).and_then(|at| self.tokens.get(at));
        let end = last.map_or(self.end.end, |(_, last)| last.end);
        Span { end: end.max(first.start), ..*first }
    }

    fn slice(&self, span: Span) -> &'t str {
        self.text.get(span.range()).unwrap_or("")
    }

    fn doc(&self, start: u32) -> Option<Box<str>> {
        let found = self.docs.binary_search_by_key(&start, |(at, _)| *at).ok()?;
        self.docs.get(found).map(|(_, doc)| doc.clone())
    }

    fn note(&mut self, note: Diagnostic) {
        let known = |old: &Diagnostic| old.code == note.code && old.span() == note.span();
        if self.notes.len() < MOST_ERRORS && !self.notes.iter().any(known) {
            self.notes.push(note);
        }
    }

    /// Goes past a mistake.
    fn fail(&mut self) {
        let failure = self.furthest.take();
        if self.failures.len() <= MOST_ERRORS {
            self.failures.extend(failure);
        }
    }
}

impl Mismatch {
    fn new(at: usize) -> Self {
        Mismatch { at, index: at, expected: Vec::new() }
    }
}

/// Parses one file. Never fails as a whole: what could not be read is `Broken` in the tree, and
/// reported.
pub fn parse(source: SourceId, text: &str, names: &mut Names) -> Parsed {
    let (statements, diagnostics, comments) =
        run(source, text, false, names, |parser| Some(parser.statements()));
    Parsed { file: File { statements: statements.unwrap_or_default() }, diagnostics, comments }
}

/// Parses a text that is one expression, such as a value given on the command line.
///
/// # Errors
/// Everything wrong with it, in the order of the text.
pub fn parse_expression(
    source: SourceId,
    text: &str,
    names: &mut Names,
) -> Result<Expression, Vec<Diagnostic>> {
    let (expression, diagnostics, _) = run(source, text, true, names, |parser| parser.expression());
    expression.filter(|_| diagnostics.is_empty()).ok_or(diagnostics)
}

fn run<T>(
    source: SourceId,
    text: &str,
    alone: bool,
    names: &mut Names,
    rule: impl FnOnce(&mut Parser<'_>) -> Option<T>,
) -> (Option<T>, Vec<Diagnostic>, Vec<Span>) {
    let mut found = Reports::default();
    let lexemes = scan(source, text, &mut found);
    let Laid { tokens, docs, comments, cut } =
        lay(source, text, &lexemes, alone, names, &mut found);
    let mut parser = Parser {
        text,
        tokens: &tokens,
        docs: &docs,
        end: Span::new(source, text.len(), text.len()),
        at: 0,
        furthest: None,
        failures: Vec::new(),
        notes: Vec::new(),
        parsed: 0,
    };
    let mut made = rule(&mut parser);
    if made.is_some() && parser.peek().is_some() {
        parser.expected("the end of the statement");
        made = None;
    }
    if made.is_none() {
        parser.fail();
    }
    let (mut diagnostics, left_out) = found.take();
    let reports = report::reports(&parser);
    report::merge(text, cut, reports, &mut diagnostics);
    report::merge(text, cut, parser.notes, &mut diagnostics);
    report::finish(left_out, &mut diagnostics);
    (made, diagnostics, comments)
}
