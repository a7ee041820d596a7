//! `report.html`: the record in one file for people, which needs nothing from elsewhere.

mod checks;
mod holds;
mod limits;
mod plots;
mod scans;
mod tables;
mod values;

pub(crate) use scans::scan_page;

use crate::paper;
use crate::paper::{Head, left_out, section, table, typeset};
use crate::record::data::{End, Identity, Page, Picture, Record};
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use maud::{Markup, html};
use spintrue_language::time_text;

/// Most notes that are shown.
const MAX_NOTES: usize = 100;

/// Most log entries that are shown.
const MAX_ROWS: usize = 2_000;

/// The whole page.
pub(crate) fn page(record: &Record, end: &End<'_>) -> String {
    let identity = &record.identity;
    let plots = plots::plots(record);
    let verdict = end.finished.verdict();
    let title = format!("{}: {} {}", verdict.text(), identity.model, identity.serial);
    let body = html! {
        header {
            h1 { (identity.model) ", serial " (identity.serial) }
            p.soft {
                (identity.script) ", started "
                time datetime=(identity.started) { (identity.started.get(..19).unwrap_or_default().replace('T', " ")) " UTC" }
                @if let Some(operator) = &identity.operator { ", operator " (operator) }
            }
            (checks::result(record, end))
            (notices(identity))
            (checks::signatures(identity.operator.as_deref()))
        }
        main {
            (checks::checks(record, end))
            @if let Some(notes) = notes(record) { (notes) }
            @if !record.holds.items.is_empty() { (holds::holds(record)) }
            @if !plots.is_empty() {
                (section("plots", "Measurements", &html! {
                    div.plots { @for plot in &plots { (plot) } }
                }))
            }
            @if let Some(values) = values::values(record) { (values) }
            @if let Some(answers) = values::answers(record) { (answers) }
            @if !record.scans.is_empty() { (scans::scans(&record.scans)) }
            @if !record.pages.is_empty() { (pages(&record.pages)) }
            (about(identity))
            (head(identity))
            (log(record, end))
        }
        footer {
            h2 { "About this record" }
            (caution())
            p {
                "Written by spintrue " (identity.spintrue) ". "
                "spintrue record verify reports every file that was changed later. A signature, or the "
                "digest in an archive, also shows whether the whole record was replaced."
            }
        }
    };
    let foot = format!("{}, serial {}", identity.model, identity.serial);
    paper::page(&title, &foot, &body)
}

fn caution() -> Markup {
    html! { p {
        "Lasers and rotors hurt people. spintrue is not a safety function: the hardware interlock chain "
        "stands on its own. IEC 60825-1, local codes and the laser safety officer decide."
    } }
}

fn notices(identity: &Identity) -> Markup {
    html! {
        @if identity.replay {
            p.note {
                strong { "Replay. " }
                "Nothing moved: a recording was played back. This is no fresh run."
            }
        }
        @if identity.simulated {
            p.note {
                strong { "Simulated. " }
                "No real head was measured: all values come from a model"
                @if let Some(seed) = identity.seed { " with seed " (seed) }
                "."
                @if !identity.faults.is_empty() {
                    " Faults were injected on purpose: " (identity.faults.join(", ")) "."
                }
                @if !identity.provoked.is_empty() {
                    " The script itself injected: " (identity.provoked.join(", ")) "."
                }
            }
        }
    }
}

fn about(identity: &Identity) -> Markup {
    let files = html! { @for source in &identity.sources { tr {
        th scope="row" { (source.name) }
        td.code { (source.sha256) }
    } } };
    let content = html! {
        dl {
            @for (name, value) in &identity.named { dt { (name) } dd { (value) } }
            dt { "script" } dd { (identity.script) }
            @if !identity.again.is_empty() {
                dt { "repeat the run" } dd.code { "spintrue " (shell_words(&identity.again)) }
            }
            @if let Some(most) = &identity.at_most { dt { "longest possible time" } dd { (most) } }
            dt { "spintrue" } dd { (identity.spintrue) }
        }
        @if !identity.params.is_empty() {
            h3 { "Params" }
            div.params { @for (name, value) in &identity.params { dl {
                dt { (name) } dd { (typeset::text(value)) }
            } } }
        }
        h3 { "Files" }
        (table("of files", None, &["file", "SHA-256"].map(Head::Text), &files))
    };
    section("about", "What was run", &content)
}

/// Arguments as a shell reads them.
pub(crate) fn shell_words(arguments: &[String]) -> String {
    let plain = |c: char| c.is_ascii_alphanumeric() || "_-./:=".contains(c);
    let word = |word: &String| match !word.is_empty() && word.chars().all(plain) {
        true => word.clone(),
        false => format!("'{}'", word.replace('\'', "'\\''")),
    };
    arguments.iter().map(word).collect::<Vec<_>>().join(" ")
}

fn pages(pages: &[Page]) -> Markup {
    let content = html! { @for page in pages {
        h3 { "Page " (page.number) ": " (page.lines) " lines" }
        @if let Some(exposure) = &page.exposure { p { (exposure) "." } }
        @match &page.picture {
            Picture::Png { png, width, height } => figure {
                img width=(width) height=(height)
                    alt=(format!("What the medium of the simulated head would show of page {}", page.number))
                    src=(format!("data:image/png;base64,{}", STANDARD.encode(png)));
                figcaption {
                    "What the medium would show, according to the simulated head: "
                    (width) " x " (height) " pixels."
                }
            },
            Picture::Missing(why) => p.soft { "No picture: " (why) "." },
        }
        @if let Some(banding) = &page.banding {
            p {
                "Not periodic with the turn: "
                (format!("{:.3}", banding.rest * 1e6)) " µm (r.m.s.), from " (banding.lines)
                " lines."
            }
        }
    } };
    section("pages", "Exposed pages", &content)
}

/// What the script said, as of causes; nothing where it said nothing.
fn notes(record: &Record) -> Option<Markup> {
    let notes = || record.log.items.iter().filter(|entry| entry.is_note);
    let hidden = notes().count().saturating_sub(MAX_NOTES);
    notes().next()?;
    let content = html! {
        ul { @for note in notes().take(MAX_NOTES) { li { (typeset::text(&note.text)) } } }
        (left_out(hidden, "notes", "events.jsonl.gz"))
    };
    Some(section("notes", "Notes of the script", &content))
}

fn log(record: &Record, end: &End<'_>) -> Markup {
    let heads = [Head::Number("head time in s"), Head::Text("what happened")];
    let rows = html! { @for entry in record.log.items.iter().take(MAX_ROWS) { tr {
        td { (format!("{:.3}", entry.time)) }
        td { (typeset::text(&entry.text)) }
    } } };
    let hidden = record.log.items.len().saturating_sub(MAX_ROWS) + record.log.left_out;
    let content = html! {
        p { "The run took " (time_text(end.finished.took)) " of head time." }
        details {
            summary { "All " (record.log.items.len()) " entries" }
            (table("of the log", Some("log"), &heads, &rows))
            (left_out(hidden, "entries", "events.jsonl.gz"))
        }
    };
    section("log", "Log", &content)
}

fn head(identity: &Identity) -> Markup {
    let content = html! { div.groups { @for (group, rows) in &identity.head { section {
        h3 { (group) }
        dl { @for (name, value) in rows { dt { (name) } dd { (typeset::text(value)) } } }
    } } } };
    section("head", "Description of the head", &content)
}
