//! What the operator answered, as a table of a report.

use crate::interpret::answer_text;
use crate::record::data::Record;
use maud::{Markup, html};

/// Most answers that are shown.
const ROWS_MOST: usize = 500;

/// All answers; nothing where nothing was asked.
pub(super) fn answers(record: &Record) -> Option<Markup> {
    let answered = &record.answers;
    if answered.items.is_empty() {
        return None;
    }
    let hidden = answered.left_out + answered.items.len().saturating_sub(ROWS_MOST);
    Some(html! {
        section aria-labelledby="answers" {
            h2 id="answers" { "Answers of the operator" }
            div.wide tabindex="0" role="region" aria-label="table of answers" { table {
                thead { tr {
                    th scope="col" { "question" }
                    th scope="col" { "answer" }
                    th scope="col" { "answered" }
                    th.number scope="col" { "head time in s" }
                } }
                tbody { @for answer in answered.items.iter().take(ROWS_MOST) { tr {
                    th scope="row" { (answer.question) }
                    td { (answer_text(&answer.shown)) }
                    td { (answer.who) }
                    td.number { (format!("{:.3}", answer.time)) }
                } } }
            } }
            p.soft {
                "These were said by whoever stood at the head, or by the file that was given for "
                "them; nothing was measured."
            }
            @if hidden > 0 {
                p.soft { (hidden) " further answers are not shown here; events.jsonl has them all." }
            }
        }
    })
}
