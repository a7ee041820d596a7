//! The table of conditions that had to hold.

use crate::paper::{Head, left_out, section, table, typeset};
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
    let mut sorted: Vec<_> = record.holds.items.iter().collect();
    sorted.sort_by_key(|held| held.breaks.is_none());
    let rows = html! { @for held in sorted { tr {
        th scope="row" { span.code { (held.text) } div.small.soft { (held.place) } }
        @match &held.breaks {
            Some(why) => td class="outcome bad" { "\u{2717} broke" div.small { (typeset::text(why)) } },
            None => td class="outcome good" { "\u{2713} held" },
        }
        @let ends = held.range.as_ref();
        @let ends = ends.map(|ends| ends.each_ref().map(|end| typeset::text(&end.to_string()).into_owned()));
        @for end in ends.unwrap_or_default() { td.number { (end) } }
        td { (typeset::text(&held.limits)) }
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
