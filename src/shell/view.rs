//! Values at the prompt.

use crate::terminal::table::{fields_of, is_table, tables};
use crate::terminal::width::{fitting, padded};
use crate::terminal::{BOLD, styled};
use spintrue_language::{Datum, EntryAnswer, Shown, SourceMap};

/// The values that an entry shows.
pub(super) fn answers(
    sources: &SourceMap,
    answers: &[(EntryAnswer, Datum)],
    colour: bool,
) -> String {
    let text = |(answer, datum): &(EntryAnswer, Datum)| {
        let shown = answer.shower.shown(datum);
        spread(sources.slice(answer.span), &shown, colour).unwrap_or_else(|| match shown {
            Shown::Text(text) => format!("\"{text}\"\n"),
            other => format!("{other}\n"),
        })
    };
    answers.iter().map(text).collect()
}

/// A record field by field, or a list of records as a table; none for anything else.
pub(super) fn spread(label: &str, shown: &Shown, colour: bool) -> Option<String> {
    match shown {
        Shown::Record(fields) => Some(fields_of(fields).trim_start_matches('\n').to_string()),
        _ => is_table(shown).then(|| tables(&[&(label.to_string(), shown.clone())], colour)),
    }
}

/// The row of a name with its value and kind; none where the value cannot be shown.
pub(super) fn name_row(
    name: &str,
    width: usize,
    shown: Option<(&str, &str)>,
    colour: bool,
) -> String {
    let text = match shown {
        Some((text, kind)) => {
            format!("{}  ({kind})", fitting(text, 60))
        }
        None => "(its unit is known only to the caller)".to_string(),
    };
    format!("  {}  {text}\n", styled(&padded(name, width), BOLD, colour))
}
