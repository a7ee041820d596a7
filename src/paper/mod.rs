//! Pages that people read and print: their frame, style, sections and tables, and plots as SVG. A
//! page needs no other file.

pub(crate) mod plot;
pub(crate) mod series;
pub(crate) mod table;

use maud::{DOCTYPE, Markup, PreEscaped, html};
use spintrue_head::visible_lines;

const STYLE: &str = include_str!("style.css");

/// A whole page; its body may hold text of others.
pub(crate) fn page(title: &str, body: &Markup) -> String {
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta http-equiv="Content-Security-Policy"
                    content="default-src 'none'; style-src 'unsafe-inline'; img-src data:";
                title { (title) }
                style { (PreEscaped(STYLE)) }
            }
            body { (body) }
        }
    }
    .into_string();
    visible_lines(&page).into_owned()
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
    html! {
        div.wide tabindex="0" role="region" aria-label=(format!("table {name}")) {
            table class=[class] {
                thead { tr { @for head in heads { @match head {
                    Head::Text(text) => th scope="col" { (text) },
                    Head::Number(text) => th.number scope="col" { (text) },
                } } } }
                tbody { (rows) }
            }
        }
    }
}

/// Says how many items a page leaves out, and where they are; nothing where there are none.
pub(crate) fn left_out(count: usize, what: &str, file: &str) -> Markup {
    html! {
        @if count > 0 {
            p.soft { (count) " further " (what) " are not shown here; " (file) " has them all." }
        }
    }
}
