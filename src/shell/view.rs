//! How values and reports look at the prompt.

use crate::check::live::Answer;
use crate::program::show::Shown;
use crate::program::value::Datum;
use crate::source::SourceMap;
use crate::terminal::table::{fields_of, rows, tables};

/// A value that stood alone in an entry.
pub fn answer(sources: &SourceMap, answer: &Answer, datum: &Datum, colour: bool) -> String {
    let shown = answer.shower.shown(datum);
    match &shown {
        Shown::Record(fields) => fields_of(fields).trim_start_matches('\n').to_string(),
        Shown::Text(text) => format!("\"{text}\"\n"),
        _ if rows(&shown).is_some() => {
            let table = (sources.slice(answer.span).to_string(), shown);
            tables(&[&table], colour)
        }
        other => format!("{other}\n"),
    }
}
