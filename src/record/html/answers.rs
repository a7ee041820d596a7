//! The operator's answers as a table of a report.

use crate::paper::{Head, left_out, section, table};
use crate::record::data::Record;
use maud::{Markup, html};
use spintrue_language::answer_text;

/// Most answers that are shown.
const MAX_ROWS: usize = 500;

/// All answers; nothing where nothing was asked.
pub(super) fn answers(record: &Record) -> Option<Markup> {
    let answers = &record.answers;
    if answers.items.is_empty() {
        return None;
    }
    let heads = ["question", "answer", "answered"].map(Head::Text);
    let heads = [&heads[..], &[Head::Number("head time in s")]].concat();
    let rows = html! { @for answer in answers.items.iter().take(MAX_ROWS) { tr {
        th scope="row" { (answer.question) }
        td { (answer_text(&answer.shown)) }
        td { (answer.who) }
        td.number { (format!("{:.3}", answer.time)) }
    } } };
    let hidden = answers.left_out + answers.items.len().saturating_sub(MAX_ROWS);
    let content = html! {
        (table("of answers", None, &heads, &rows))
        p.soft { "Given by the operator or by an answers file; nothing was measured." }
        (left_out(hidden, "answers", "events.jsonl"))
    };
    Some(section("answers", "Answers of the operator", &content))
}
