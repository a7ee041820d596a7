//! The parser: balanced tokens to the tree, through chumsky. A text is first parsed with an empty
//! error type; only one that fails is parsed again with errors worth reading.
//! Nothing outside this folder knows chumsky.

mod ask;
mod compound;
mod explain;
mod expression;
mod habits;
mod item;
mod recover;
mod report;
mod statement;
mod stray;
mod stuck;
mod words;

pub(crate) use habits::{decimal_commas, with_points, without_comma};

use crate::diagnostics::Diagnostic;
use crate::source::{SourceId, Span};
use crate::syntax::layout::{Laid, lay};
use crate::syntax::names::Names;
use crate::syntax::raw::scan;
use crate::syntax::reports::{MOST_ERRORS, Reports};
use crate::syntax::token::Token;
use crate::syntax::tree::{Expression, File};
use chumsky::error::{EmptyErr, Error, LabelError, Rich};
use chumsky::input::{Input, MappedInput};
use chumsky::prelude::{Boxed, Parser, custom, end, extra};
use chumsky::util::MaybeRef;
use std::cell::{Cell, RefCell};
use std::rc::Rc;

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

type Tokens<'t> = MappedInput<'t, Token, Span, &'t [(Token, Span)]>;
type Rule<'t, O, F> = Boxed<'t, 't, Tokens<'t>, O, extra::Err<F>>;

impl chumsky::span::Span for Span {
    type Context = SourceId;
    type Offset = u32;

    fn new(source: SourceId, range: std::ops::Range<u32>) -> Self {
        Span { source, start: range.start, end: range.end.max(range.start) }
    }

    fn context(&self) -> SourceId {
        self.source
    }

    fn start(&self) -> u32 {
        self.start
    }

    fn end(&self) -> u32 {
        self.end
    }
}

/// What the grammar asks of an error type.
trait Failure<'t>:
    Error<'t, Tokens<'t>>
    + LabelError<'t, Tokens<'t>, &'static str>
    + LabelError<'t, Tokens<'t>, MaybeRef<'t, Token>>
    + 't
{
}

impl<'t, F> Failure<'t> for F where
    F: Error<'t, Tokens<'t>>
        + LabelError<'t, Tokens<'t>, &'static str>
        + LabelError<'t, Tokens<'t>, MaybeRef<'t, Token>>
        + 't
{
}

/// What the rules of one parse share.
struct Context<'t, F> {
    text: &'t str,
    docs: &'t [(u32, Box<str>)],
    /// Goes on after a mistake.
    recovers: bool,
    /// Mistakes gone past.
    failures: RefCell<Vec<F>>,
    /// Mistakes in what could be read all the same.
    notes: RefCell<Vec<Diagnostic>>,
    /// Blocks before this byte are parsed, and what is wrong in them is known.
    parsed: Cell<u32>,
}

type Shared<'t, F> = Rc<Context<'t, F>>;

impl<F> Context<'_, F> {
    fn slice(&self, span: Span) -> &str {
        self.text.get(span.range()).unwrap_or("")
    }

    fn doc(&self, start: u32) -> Option<Box<str>> {
        if self.docs.is_empty() {
            return None;
        }
        let found = self.docs.binary_search_by_key(&start, |(at, _)| *at).ok()?;
        self.docs.get(found).map(|(_, doc)| doc.clone())
    }

    fn note(&self, diagnostic: Diagnostic) {
        let mut notes = self.notes.borrow_mut();
        let known =
            notes.iter().any(|old| old.code == diagnostic.code && old.span() == diagnostic.span());
        if !known && notes.len() < MOST_ERRORS {
            notes.push(diagnostic);
        }
    }

    fn fail(&self, failure: F) {
        let mut failures = self.failures.borrow_mut();
        if failures.len() <= MOST_ERRORS {
            failures.push(failure);
        }
    }
}

/// A rule for one token.
trait OneToken<'t, O, F: Failure<'t>>: Parser<'t, Tokens<'t>, O, extra::Err<F>> + Clone + 't {}

impl<'t, O, F: Failure<'t>, P> OneToken<'t, O, F> for P where
    P: Parser<'t, Tokens<'t>, O, extra::Err<F>> + Clone + 't
{
}

/// A token of which `taken` makes something; where it makes nothing, reports name what was wanted. The same as
/// `select` with a label, at a third of the time.
fn pick<'t, O: 't, F: Failure<'t>>(
    wanted: &'static str,
    taken: impl Fn(Token, Span) -> Option<O> + Clone + 't,
) -> impl OneToken<'t, O, F> {
    custom(move |inp| {
        let before = inp.cursor();
        let found = inp.next();
        let span = inp.span_since(&before);
        let made = found.and_then(|token| taken(token, span));
        made.ok_or_else(|| missed(wanted, found, span))
    })
}

fn missed<'t, F: Failure<'t>>(wanted: &'static str, found: Option<Token>, span: Span) -> F {
    F::expected_found([wanted], found.map(MaybeRef::Val), span)
}

/// This token, and its place.
fn one<'t, F: Failure<'t>>(token: Token, wanted: &'static str) -> impl OneToken<'t, Span, F> {
    pick(wanted, move |found, span| (found == token).then_some(span))
}

fn run<'t, O, F: Failure<'t>>(
    laid: &'t Laid,
    text: &'t str,
    end_span: Span,
    recovers: bool,
    rule: impl FnOnce(Shared<'t, F>) -> Rule<'t, O, F>,
) -> (Option<O>, Vec<F>, Vec<Diagnostic>) {
    let shared = Rc::new(Context {
        text,
        docs: &laid.docs,
        recovers,
        failures: RefCell::new(Vec::new()),
        notes: RefCell::new(Vec::new()),
        parsed: Cell::new(0),
    });
    let parser = rule(shared.clone()).then_ignore(end());
    let input = laid.tokens.as_slice().split_token_span(end_span);
    let (output, mut rest) = parser.parse(input).into_output_errors();
    drop(parser);
    let mut failures = shared.failures.take();
    failures.append(&mut rest);
    (output, failures, shared.notes.take())
}

struct Outcome<O> {
    output: Option<O>,
    diagnostics: Vec<Diagnostic>,
    comments: Vec<Span>,
}

macro_rules! outcome {
    ($source:expr, $text:expr, $names:expr, $alone:expr, $rule:path) => {{
        let mut found = Reports::default();
        let lexemes = scan($source, $text, &mut found);
        let mut laid = lay($source, $text, &lexemes, $alone, $names, &mut found);
        drop(lexemes);
        let (mut diagnostics, left_out) = found.take();
        let end_span = Span::new($source, $text.len(), $text.len());
        let (mut output, failures, mut notes) =
            run::<_, EmptyErr>(&laid, $text, end_span, false, $rule);
        if !failures.is_empty() || output.is_none() {
            let (second, failures, more) =
                run::<_, Rich<'_, Token, Span>>(&laid, $text, end_span, true, $rule);
            output = second;
            notes = more;
            let reports = report::reports(&laid, $text, &failures);
            report::merge($text, laid.cut, reports, &mut diagnostics);
        }
        report::merge($text, laid.cut, notes, &mut diagnostics);
        report::habits($source, $text, $alone, &mut diagnostics);
        report::finish(left_out, &mut diagnostics);
        Outcome { output, diagnostics, comments: std::mem::take(&mut laid.comments) }
    }};
}

/// Parses one file. Never fails as a whole: what could not be read is `Broken` in the tree, and
/// reported.
pub fn parse(source: SourceId, text: &str, names: &mut Names) -> Parsed {
    let outcome = outcome!(source, text, names, false, statement::file);
    Parsed {
        file: outcome.output.unwrap_or_default(),
        diagnostics: outcome.diagnostics,
        comments: outcome.comments,
    }
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
    let outcome = outcome!(source, text, names, true, expression::alone);
    match outcome.output {
        Some(expression) if outcome.diagnostics.is_empty() => Ok(expression),
        _ => Err(outcome.diagnostics),
    }
}
