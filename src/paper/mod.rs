//! Pages that people read and print: their frame, style, sections and tables, and plots as SVG. A
//! page needs no other file.

pub(crate) mod plot;
pub(crate) mod series;
pub(crate) mod table;
pub(crate) mod typeset;

use maud::{DOCTYPE, Markup, PreEscaped, html};
use spintrue_head::{visible_line, visible_lines};

const STYLE: &str = include_str!("style.css");

/// A whole page; its body may hold text of others. `foot` stands on every sheet of paper, beside its number.
pub(crate) fn page(title: &str, foot: &str, body: &Markup) -> String {
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta http-equiv="Content-Security-Policy"
                    content="default-src 'none'; style-src 'unsafe-inline'; img-src data:";
                title { (title) }
                style {
                    (PreEscaped(STYLE))
                    (PreEscaped(format!("@page {{ @bottom-left {{ font-size: 8pt; font-family: sans-serif; content: \"{}\"; }} }}", css_text(foot))))
                }
            }
            body { (body) }
        }
    }
    .into_string();
    visible_lines(&page).into_owned()
}

/// A text inside quotes of a style sheet: all but plain characters as their numbers (CSS Syntax Level 3, 4.3.7).
fn css_text(text: &str) -> String {
    let text = visible_line(text);
    let is_plain = |c: char| c.is_ascii_alphanumeric() || " ,.-_".contains(c);
    text.chars()
        .map(|c| if is_plain(c) { c.to_string() } else { format!("\\{:x} ", u32::from(c)) })
        .collect()
}

/// A section with its heading; `id` is unique in the page.
pub(crate) fn section(id: &str, title: &str, content: &Markup) -> Markup {
    html! {
        section aria-labelledby=(id) {
            h2 id=(id) { (title) }
            (content)
        }
    }
}

/// The head of a column, as text or above numbers.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Head<'a> {
    /// Above text.
    Text(&'a str),
    /// Above numbers.
    Number(&'a str),
}

/// A table that scrolls in itself; `rows` are the rows of its body.
pub(crate) fn table(name: &str, class: Option<&str>, heads: &[Head<'_>], rows: &Markup) -> Markup {
    table_of(name, class, heads, &html! { tbody { (rows) } })
}

/// The same with bodies of its own.
pub(crate) fn table_of(
    name: &str,
    class: Option<&str>,
    heads: &[Head<'_>],
    bodies: &Markup,
) -> Markup {
    html! {
        div.wide tabindex="0" role="region" aria-label=(format!("table {name}")) {
            table class=[class] {
                thead { tr { @for head in heads { @match head {
                    Head::Text(text) => th scope="col" { (text) },
                    Head::Number(text) => th.number scope="col" { (text) },
                } } } }
                (bodies)
            }
        }
    }
}

/// Says how many items a page leaves out, and where they are; nothing where there are none.
pub(crate) fn left_out(count: usize, what: &str, file: &str) -> Markup {
    html! {
        @if count > 0 {
            @let (what, are) = if count == 1 { (what.trim_end_matches('s'), "is") } else { (what, "are") };
            p.soft { (count) " further " (what) " " (are) " not shown here; " (file) " has them all." }
        }
    }
}
