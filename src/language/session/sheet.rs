//! A data sheet: a TOML file that gives params their values, as `--set @FILE` names it. Every value
//! is checked like one of `--set`, with places in the file.

use crate::check::{Origin, Setting};
use crate::diagnostics::{Diagnostic, codes};
use crate::session::load::setting;
use crate::source::{SourceId, Span};
use crate::syntax::names::Names;
use core::ops::Range;
use toml::de::{DeTable, DeValue};

/// The param that takes a recorded value: `last_worst_in_scan` takes "worst in-scan".
fn last_name(label: &str) -> String {
    let word = |c: char| if c.is_alphanumeric() { c } else { '_' };
    format!("last_{}", label.chars().map(word).collect::<String>())
}

/// The table of a TOML file; or what is wrong with its form, with `help` on each. What a broken file
/// seems to hold is not worth a report.
pub(super) fn table<'t>(
    source: SourceId,
    text: &'t str,
    code: &'static str,
    help: &str,
) -> Result<DeTable<'t>, Vec<Diagnostic>> {
    let (table, errors) = DeTable::parse_recoverable(text);
    if errors.is_empty() {
        return Ok(table.into_inner());
    }
    let report = |error: &toml::de::Error| {
        let place = error.span().unwrap_or(0..0);
        let place = Span::new(source, place.start, place.end);
        Diagnostic::error(code, error.message(), place).help(help)
    };
    Err(errors.iter().map(report).collect())
}

/// Params of a data sheet, and what is wrong with it.
pub(super) fn read(
    source: SourceId,
    text: &str,
    origin: Origin,
    names: &mut Names,
) -> (Vec<Setting>, Vec<Diagnostic>) {
    let help = "a data sheet is TOML: one `name = \"value unit\"` a line";
    let whole = match table(source, text, codes::BAD_DATA_SHEET, help) {
        Ok(whole) => whole,
        Err(problems) => return (Vec::new(), problems),
    };
    let table = match whole.get("values").map(|values| values.get_ref()) {
        Some(DeValue::Table(values)) if origin == Origin::Last => values,
        _ => &whole,
    };
    let place = |range: Range<usize>| Span::new(source, range.start, range.end);
    let mut problems = Vec::new();
    let mut wrong = |range: Range<usize>, headline: String, help: &str| {
        problems.push(Diagnostic::error(codes::BAD_DATA_SHEET, headline, place(range)).help(help));
    };
    let mut settings = Vec::new();
    for (key, value) in table {
        // Lists and records of an earlier run are no params.
        if origin == Origin::Last
            && matches!(value.get_ref(), DeValue::Table(_) | DeValue::Array(_))
        {
            continue;
        }
        let written = value.span();
        let raw = text.get(written.clone()).unwrap_or_default();
        let range = match value.get_ref() {
            DeValue::String(content) => {
                let quotes =
                    if raw.starts_with("\"\"\"") || raw.starts_with("'''") { 3 } else { 1 };
                let inner = written.start + quotes..written.end.saturating_sub(quotes);
                if text.get(inner.clone()) != Some(content) {
                    let help = "write the value on one line and without backslashes";
                    wrong(written, format!("param `{}` is escaped", key.get_ref()), help);
                    continue;
                }
                inner
            }
            DeValue::Integer(_) | DeValue::Float(_) | DeValue::Boolean(_) => written,
            DeValue::Table(_) => {
                let help = "a data sheet has no tables: write `name = \"value unit\"` at the top";
                wrong(written, format!("`{}` is a table, not a param", key.get_ref()), help);
                continue;
            }
            DeValue::Array(_) | DeValue::Datetime(_) => {
                let help = "write it as a script would, in quotes: `name = \"[1 mm, 2 mm]\"`";
                wrong(written, format!("param `{}` is no value of a script", key.get_ref()), help);
                continue;
            }
        };
        let raw = text.get(range.clone()).unwrap_or_default();
        let name = match origin {
            Origin::Last => last_name(key.get_ref()),
            Origin::Option | Origin::Sheet | Origin::List => key.get_ref().to_string(),
        };
        settings.push(setting(names, origin, (name, place(key.span())), raw, place(range)));
    }
    (settings, problems)
}
