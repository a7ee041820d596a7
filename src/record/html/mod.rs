//! `report.html`: the record in one file for people, which needs nothing from elsewhere.

mod holds;
mod plots;
mod values;

use crate::paper;
use crate::paper::{Head, left_out, section, table};
use crate::record::checks::CheckRow;
use crate::record::data::{End, Identity, Page, Picture, Record};
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use maud::{Markup, html};
use spintrue_language::{Finished, Outcome, Verdict, time_text};

/// Most checks and log entries that are shown.
const MAX_ROWS: usize = 2_000;

/// The whole page.
pub(crate) fn page(record: &Record, end: &End<'_>) -> String {
    let identity = &record.identity;
    let plots = plots::plots(record);
    let verdict = end.finished.verdict();
    let title = format!("{}: {} {}", verdict.text(), identity.model, identity.serial);
    let body = html! {
        header {
            h1 { "Record of a run: " (identity.model) ", serial " (identity.serial) }
            (result(record, end, verdict))
        }
        main {
            (notices(identity))
            (about(identity))
            (checks(record))
            @if !record.holds.items.is_empty() { (holds::holds(record)) }
            @if !plots.is_empty() {
                (section("plots", "Measurements", &html! {
                    div.plots { @for plot in &plots { (plot) } }
                }))
            }
            @if let Some(values) = values::values(record) { (values) }
            @if let Some(answers) = values::answers(record) { (answers) }
            @if !record.pages.is_empty() { (pages(&record.pages)) }
            (log(record, end))
            (head(identity))
        }
        footer {
            h2 { "About this record" }
            p {
                "Written by spintrue " (identity.spintrue) ". "
                "spintrue record verify finds out whether any file of the record was changed "
                "after it was written. Whether the whole record was written anew is told by its "
                "signature, if it has one, or by the digest in an archive."
            }
        }
    };
    paper::page(&title, &body)
}

fn style(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Passed => "verdict good",
        Verdict::Interrupted | Verdict::Undecided | Verdict::Unanswered => "verdict open",
        _ => "verdict bad",
    }
}

fn result(record: &Record, end: &End<'_>, verdict: Verdict) -> Markup {
    let Finished { conforming, failing, undecided, unreached, failure, safe, .. } = end.finished;
    let (all, unreached) = (conforming + failing + undecided, unreached.len());
    let bad = record.checks.items.iter().filter(|check| check.outcome != Outcome::Conforms);
    let bad: Vec<&str> = bad.map(|check| check.label.as_str()).take(5).collect();
    html! {
        div class=(style(verdict)) role="status" {
            strong { (verdict.text()) }
            @if all + unreached == 0 {
                span { "Nothing was checked." }
            } @else {
                span {
                    (conforming) " of " (all) (if *conforming == 1 { " conforms" } else { " conform" })
                    @if *failing > 0 { ", " (failing) (if *failing == 1 { " does not" } else { " do not" }) }
                    @if *undecided > 0 { ", " (undecided) " undecided" }
                    @if unreached > 0 { ", " (unreached) " more planned and not reached" }
                    @if !bad.is_empty() { ": " (bad.join(", ")) }
                    "."
                }
            }
            @if let Some(failure) = failure {
                span { "Stopped by " (failure.kind.text()) ": " (failure.message) }
                span.code {
                    "at " (end.place)
                    @for call in &end.calls { ", called at " (call) }
                }
            }
            span { "Left with " (end.left()) "." }
            @for trouble in &safe.troubles { span { (trouble) } }
        }
    }
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
                    " The script itself provoked: " (identity.provoked.join(", ")) "."
                }
            }
        }
        p.note {
            strong { "Lasers and rotors hurt people. " }
            "spintrue is not a safety function: the hardware interlock chain stands on its own. "
            "IEC 60825-1, local codes and the laser safety officer decide."
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
            dt { "head" } dd { (identity.model) ", serial " (identity.serial) }
            dt { "started" } dd { time datetime=(identity.started) { (identity.started) } }
            @if let Some(operator) = &identity.operator { dt { "operator" } dd { (operator) } }
            @for (name, value) in &identity.named { dt { (name) } dd { (value) } }
            dt { "script" } dd { (identity.script) }
            @for (name, value) in &identity.params { dt { (name) } dd { (value) } }
            dt { "to run it again" } dd.code { "spintrue " (shell_words(&identity.again)) }
            @if let Some(most) = &identity.at_most { dt { "longest it could take" } dd { (most) } }
            dt { "spintrue" } dd { (identity.spintrue) }
        }
        (table("of files", None, &["file", "SHA-256"].map(Head::Text), &files))
    };
    section("about", "What was run", &content)
}

/// Arguments as a shell reads them.
fn shell_words(arguments: &[String]) -> String {
    let plain = |c: char| c.is_ascii_alphanumeric() || "_-./:=".contains(c);
    let word = |word: &String| match !word.is_empty() && word.chars().all(plain) {
        true => word.clone(),
        false => format!("'{}'", word.replace('\'', "'\\''")),
    };
    arguments.iter().map(word).collect::<Vec<_>>().join(" ")
}

/// Sign, words and style of an outcome; the sign and the words say it without colour.
fn outcome(check: &CheckRow) -> (String, &'static str) {
    let (sign, style) = match check.outcome {
        Outcome::Conforms => ("\u{2713}", "outcome good"),
        Outcome::Fails => ("\u{2717}", "outcome bad"),
        Outcome::Undecided => ("?", "outcome open"),
    };
    (format!("{sign} {}", check.outcome_text()), style)
}

fn checks(record: &Record) -> Markup {
    let all = record.checks.items.len();
    let fact = |check: &CheckRow, name: &str| check.fact(name).unwrap_or("").to_string();
    let heads = [
        Head::Text("check"),
        Head::Text("outcome"),
        Head::Number("value"),
        Head::Number("uncertainty"),
        Head::Text("limits"),
        Head::Number("margin"),
        Head::Number("probability"),
        Head::Number("head time in s"),
    ];
    let rows = html! { @for check in record.checks.items.iter().take(MAX_ROWS) { tr {
        @let (words, style) = outcome(check);
        // A limit stays on one line.
        @let limits = check.limits().replace(' ', "\u{a0}").replace("\u{a0}and\u{a0}", " and ");
        th scope="row" {
            (check.label)
            div.code.soft { (fact(check, "condition")) }
            @if let Some(rule) = check.fact("rule") {
                div.small.soft { (rule) ", k = " (fact(check, "coverage")) }
            }
        }
        td class=(style) { (words) }
        td.number data-name="value" { (fact(check, "value")) }
        td.number data-name="uncertainty" { (fact(check, "uncertainty")) }
        td data-name="limits" { (limits) }
        td.number data-name="margin" { (fact(check, "margin")) }
        td.number data-name="probability" { (fact(check, "probability")) }
        td.number data-name="head time in s" { (format!("{:.3}", check.time)) }
    } } };
    let hidden = all.saturating_sub(MAX_ROWS) + record.checks.left_out;
    let content = html! {
        @if all == 0 { p { "The script checked nothing." } }
        @else { (table("of checks", Some("checks"), &heads, &rows)) }
        p.soft {
            "The margin is how far the value lies inside its limits, the probability that of "
            "conformance. A check that is undecided or was not reached does not conform."
        }
        (left_out(hidden, "checks", "events.jsonl.gz"))
    };
    section("checks", "Checks", &content)
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
                (format!("{:.3}", banding.rest * 1e6)) " um (r.m.s.), from " (banding.lines)
                " lines."
            }
        }
    } };
    section("pages", "Exposed pages", &content)
}

fn log(record: &Record, end: &End<'_>) -> Markup {
    let heads = [Head::Number("head time in s"), Head::Text("what happened")];
    let rows = html! { @for entry in record.log.items.iter().take(MAX_ROWS) { tr {
        td.number { (format!("{:.3}", entry.time)) }
        td { (entry.text) }
    } } };
    let hidden = record.log.items.len().saturating_sub(MAX_ROWS) + record.log.left_out;
    let content = html! {
        p { "Took " (time_text(end.finished.took)) " of head time." }
        (table("of the log", Some("log"), &heads, &rows))
        (left_out(hidden, "entries", "events.jsonl.gz"))
    };
    section("log", "Log", &content)
}

fn head(identity: &Identity) -> Markup {
    let content = html! { div.groups { @for (group, rows) in &identity.head { section {
        h3 { (group) }
        dl { @for (name, value) in rows { dt { (name) } dd { (value) } } }
    } } } };
    section("head", "Description of the head", &content)
}
