//! How values and reports look at the prompt.

use crate::check::live::Answer;
use crate::program::show::Shown;
use crate::program::value::Datum;
use crate::source::SourceMap;
use crate::terminal::table::{fields_of, rows, tables};

/// A value that stood alone in an entry.
pub fn answer(sources: &SourceMap, answer: &Answer, datum: &Datum, colour: bool) -> String {
    let shown = answer.shower.shown(datum);
    let said = |shown: &Shown| match shown {
        Shown::Text(text) => format!("\"{text}\"\n"),
        other => format!("{other}\n"),
    };
    spread(sources.slice(answer.span), &shown, colour).unwrap_or_else(|| said(&shown))
}

/// A record field by field, or a list of records as a table; none for anything else.
pub fn spread(label: &str, shown: &Shown, colour: bool) -> Option<String> {
    match shown {
        Shown::Record(fields) => Some(fields_of(fields).trim_start_matches('\n').to_string()),
        _ => rows(shown).map(|_| tables(&[&(label.to_string(), shown.clone())], colour)),
    }
}
