//! The table of conditions that had to hold.

use crate::paper::{Head, left_out, section, table};
use crate::record::data::Record;
use maud::{Markup, html};
use spintrue_language::time_text;

pub(super) fn holds(record: &Record) -> Markup {
    let heads = [
        Head::Text("condition"),
        Head::Text("outcome"),
        Head::Number("smallest"),
        Head::Number("largest"),
        Head::Text("limits"),
        Head::Number("held for"),
        Head::Number("looks"),
        Head::Number("longest time between looks"),
    ];
    let rows = html! { @for held in &record.holds.items { tr {
        th scope="row" { span.code { (held.text) } div.small.soft { (held.place) } }
        @match &held.breaks {
            Some(why) => td class="outcome bad" { "\u{2717} broke" div.small { (why) } },
            None => td class="outcome good" { "\u{2713} held" },
        }
        @let ends = held.range.as_ref().map(|ends| ends.each_ref().map(ToString::to_string));
        @for end in ends.unwrap_or_default() { td.number { (end) } }
        td { (held.limits) }
        td.number { (time_text(held.lasted)) }
        td.number { (held.looks) }
        td.number { (time_text(held.longest_gap)) }
    } } };
    let content = html! {
        (table("of held conditions", Some("holds"), &heads, &rows))
        p.soft { "Between two looks a condition may have broken and held again." }
        (left_out(record.holds.left_out, "conditions", "events.jsonl.gz"))
    };
    section("holds", "Held conditions", &content)
}
