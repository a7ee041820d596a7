//! The formatter: a script that parses is written anew in the standard style. It works on the tokens
//! of the layout, so brackets, numbers and units stay as the author wrote them.
//!
//! The style:
//! - four blanks a step, one statement a line, at most one empty line in a row and none at the
//!   edges of blocks; `else`, `until`, `catch` and `finally` on the line of the brace;
//! - one blank around operators and between number and unit, none inside brackets; types are tight
//!   (`length/time^2`), and so is a range of two plain operands (`0..n`), but not a band;
//! - lines up to 100 columns. A longer one breaks after its loosest operator, before `within`, and
//!   else at the commas of its outermost bracket, one element a line with a comma after the last
//!   (lists of plain values fill their lines). What fits on a line is joined again, unless it holds
//!   a comment or the author ended the line right after the opening bracket;
//! - a block of one simple statement stays on the line of its brace where the author put it there
//!   and the whole statement fits; `wait until` goes on with its clauses indented;
//! - a comment stays behind the word it followed, or on its own line before the next word. Texts
//!   stay byte for byte, but for blanks between the braces of their values.
//!
//! Uses source, diagnostics, names, raw, layout, parse, token and tree.

mod bracket;
mod expression;
mod print;
mod statement;
mod stream;

use crate::diagnostics::Diagnostic;
use crate::source::SourceId;
use crate::syntax::format::print::print;
use crate::syntax::format::stream::Formatter;
use crate::syntax::layout::{Laid, lay};
use crate::syntax::names::Names;
use crate::syntax::parse::parse;
use crate::syntax::raw::scan;
use crate::syntax::reports::Reports;
use crate::syntax::token::Token;
use thiserror::Error;

/// Why a script was not formatted.
#[derive(Debug, Error)]
pub enum NotFormatted {
    /// It does not parse; everything wrong, in the order of the text.
    #[error("the script has mistakes")]
    Mistakes(Vec<Diagnostic>),
    /// What came of it reads differently, which is a mistake of the formatter.
    #[error(
        "formatted, it would not read the same; this is a mistake of spintrue, not of the script"
    )]
    Changed,
}

/// Writes a script in the standard style: the same tokens and the same comments, in other lines.
/// An empty script stays empty; any other ends with one line feed, and lines end with LF.
///
/// # Errors
/// [`NotFormatted::Mistakes`] where the script does not parse.
pub fn format(source: SourceId, text: &str) -> Result<String, NotFormatted> {
    let mut names = Names::default();
    // The tree itself is not needed, and is large.
    let diagnostics = parse(source, text, &mut names).diagnostics;
    if diagnostics.iter().any(Diagnostic::is_error) {
        return Err(NotFormatted::Mistakes(diagnostics));
    }
    let laid = laid(source, text, &mut names);
    let mut formatter = Formatter::new(text, &laid);
    formatter.statements(0, laid.tokens.len());
    let formatted = print(text, &formatter.finish());
    let again = self::laid(source, &formatted, &mut names);
    if reads_the_same((text, &laid), (&formatted, &again)) {
        Ok(formatted)
    } else {
        Err(NotFormatted::Changed)
    }
}

fn laid(source: SourceId, text: &str, names: &mut Names) -> Laid {
    let mut reports = Reports::default();
    let lexemes = scan(source, text, &mut reports);
    lay(source, text, &lexemes, false, names, &mut reports)
}

/// Both have the same tokens but for a comma after a last element, texts byte for byte, and the
/// same comments and documentation.
fn reads_the_same(old: (&str, &Laid), new: (&str, &Laid)) -> bool {
    let comments = |text: &str, laid: &Laid| -> Vec<String> {
        let slice = |span: &crate::source::Span| text.get(span.range()).unwrap_or("").trim_end();
        laid.comments.iter().map(|span| slice(span).to_string()).collect()
    };
    let docs = |laid: &Laid| laid.docs.iter().map(|(_, doc)| doc.clone()).collect::<Vec<_>>();
    words(old).eq(words(new))
        && docs(old.1) == docs(new.1)
        && comments(old.0, old.1) == comments(new.0, new.1)
}

/// Tokens without last commas and without what only ends lines, and the bytes of texts.
fn words<'l>(
    (text, laid): (&'l str, &'l Laid),
) -> impl Iterator<Item = (Token, &'l str)> + use<'l> {
    let next = laid.tokens.iter().skip(1).map(|(token, _)| Some(*token)).chain([None]);
    laid.tokens.iter().zip(next).filter_map(move |((token, span), next)| {
        let closed =
            matches!(next, Some(Token::ParenClose | Token::ListClose | Token::RecordClose));
        match token {
            Token::Comma if closed => None,
            Token::End if next.is_none() => None,
            Token::Plain => Some((*token, text.get(span.range()).unwrap_or(""))),
            _ => Some((*token, "")),
        }
    })
}
