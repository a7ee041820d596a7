//! `report.html`: the record in one file for people, which needs nothing from elsewhere.

mod answers;
mod plots;
mod values;

use crate::acceptance::decision::Outcome;
use crate::paper;
use crate::program::show::time_text;
use crate::record::checks::CheckRow;
use crate::record::data::{End, Identity, Page, Record};
use crate::session::Verdict;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use maud::{Markup, html};

/// Most checks and lines of the log that are shown.
const ROWS_MOST: usize = 2_000;

/// The whole page.
pub fn page(record: &Record) -> String {
    let identity = &record.identity;
    let plots = plots::plots(record);
    let title = match &record.end {
        Some(end) => format!("{}: {} {}", end.verdict.text(), identity.model, identity.serial),
        None => format!("unfinished: {} {}", identity.model, identity.serial),
    };
    let body = html! {
        header {
            h1 { "Record of a run: " (identity.model) ", serial " (identity.serial) }
            @if let Some(end) = &record.end { (verdict(record, end)) }
        }
        main {
            (notices(identity))
            (about(identity))
            (checks(record))
            @if !plots.is_empty() {
                section aria-labelledby="plots" {
                    h2 id="plots" { "What was measured" }
                    div.plots { @for plot in &plots { (plot) } }
                }
            }
            @if let Some(values) = values::values(record) { (values) }
            @if let Some(answers) = answers::answers(record) { (answers) }
            @if !record.pages.is_empty() { (pages(&record.pages)) }
            (log(record))
            (head(identity))
        }
        footer {
            h2 { "About this record" }
            p {
                "Written by spintrue " (identity.spintrue) ". "
                "spintrue record verify finds out whether any file of the record was changed "
                "after it was written. It cannot find out whether somebody wrote the whole "
                "record anew: the digests have no key."
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

fn verdict(record: &Record, end: &End) -> Markup {
    let [conforming, failing, undecided] = end.outcomes;
    let all = conforming + failing + undecided;
    let bad: Vec<&str> = record
        .checks
        .items
        .iter()
        .filter(|check| check.outcome != Outcome::Conforms)
        .map(|check| check.label.as_str())
        .take(5)
        .collect();
    html! {
        div class=(style(end.verdict)) role="status" {
            strong { (end.verdict.text()) }
            @if all + end.unreached == 0 {
                span { "Nothing was checked." }
            } @else {
                span {
                    (conforming) " of " (all) (if conforming == 1 { " conforms" } else { " conform" })
                    @if failing > 0 { ", " (failing) (if failing == 1 { " does not" } else { " do not" }) }
                    @if undecided > 0 { ", " (undecided) " undecided" }
                    @if end.unreached > 0 { ", " (end.unreached) " more planned and not reached" }
                    @if !bad.is_empty() { ": " (bad.join(", ")) }
                    "."
                }
            }
            @if let Some(failure) = &end.failure {
                span { "Stopped by " (failure.kind) ": " (failure.message) }
                span.code {
                    "at " (failure.place)
                    @for call in &failure.calls { ", called at " (call) }
                }
            }
            span { "Left with " (end.left()) "." }
            @for trouble in &end.safe.troubles { span { (trouble) } }
        }
    }
}

fn notices(identity: &Identity) -> Markup {
    html! {
        @if identity.replay {
            p.note {
                strong { "Replay. " }
                "Nothing moved: a recording was played back, so this is no fresh run."
            }
        }
        @if identity.simulated {
            p.note {
                strong { "Simulated. " }
                "No real head was measured: all values are invented by a model"
                @if let Some(seed) = identity.seed { " with seed " (seed) }
                "."
                @if !identity.faults.is_empty() {
                    " It was made to fail on purpose: " (identity.faults.join(", ")) "."
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
    html! {
        section aria-labelledby="about" {
            h2 id="about" { "What was run" }
            dl {
                dt { "head" } dd { (identity.model) ", serial " (identity.serial) }
                dt { "started" } dd { time datetime=(identity.started) { (identity.started) } }
                @if let Some(operator) = &identity.operator { dt { "operator" } dd { (operator) } }
                dt { "script" } dd { (identity.script) }
                @for (name, value) in &identity.params { dt { (name) } dd { (value) } }
                dt { "to run it again" } dd.code { "spintrue " (shell_words(&identity.again)) }
                @if let Some(most) = &identity.at_most { dt { "longest it could take" } dd { (most) } }
                dt { "spintrue" } dd { (identity.spintrue) }
            }
            div.wide tabindex="0" role="region" aria-label="table of files" { table {
                thead { tr { th scope="col" { "file" } th scope="col" { "SHA-256" } } }
                tbody { @for source in &identity.sources { tr {
                    th scope="row" { (source.name) }
                    td.code { (source.sha256) }
                } } }
            } }
        }
    }
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
    (format!("{sign} {}", check.came_to()), style)
}

fn checks(record: &Record) -> Markup {
    let (shown, all) = (record.checks.items.iter().take(ROWS_MOST), record.checks.items.len());
    let hidden = all.saturating_sub(ROWS_MOST) + record.checks.left_out;
    let fact = |check: &CheckRow, name: &str| check.fact(name).unwrap_or("").to_string();
    html! {
        section aria-labelledby="checks" {
            h2 id="checks" { "Checks" }
            @if all == 0 { p { "The script checked nothing." } } @else {
                div.wide tabindex="0" role="region" aria-label="table of checks" { table.checks {
                    thead { tr {
                        th scope="col" { "check" }
                        th scope="col" { "outcome" }
                        th.number scope="col" { "value" }
                        th.number scope="col" { "uncertainty" }
                        th scope="col" { "limits" }
                        th.number scope="col" { "margin" }
                        th.number scope="col" { "probability" }
                        th.number scope="col" { "head time in s" }
                    } }
                    tbody { @for check in shown { tr {
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
                    } } }
                } }
            }
            p.soft {
                "The margin is how far the value lies inside its limits, the probability that of "
                "conformance. Nothing counts as conforming that is undecided or was not reached."
            }
            @if hidden > 0 {
                p.soft { (hidden) " further checks are not shown here; events.jsonl has them all." }
            }
        }
    }
}

fn pages(pages: &[Page]) -> Markup {
    html! {
        section aria-labelledby="pages" {
            h2 id="pages" { "Exposed pages" }
            @for page in pages {
                h3 { "Page " (page.number) ": " (page.lines) " lines" }
                @match &page.picture {
                    Ok(picture) => figure {
                        img width=(picture.width) height=(picture.height)
                            alt=(format!("What the medium of the simulated head would show of page {}", page.number))
                            src=(format!("data:image/png;base64,{}", STANDARD.encode(&picture.png)));
                        figcaption {
                            "What the medium would show, as the simulated head has it: "
                            (picture.width) " x " (picture.height) " pixels."
                        }
                    },
                    Err(why) => p.soft { "No picture: " (why) "." },
                }
                @if let Some(banding) = &page.banding {
                    p {
                        "What does not come back with the turn: "
                        (format!("{:.3}", banding.rest * 1e6)) " um (r.m.s.), from " (banding.lines)
                        " lines."
                    }
                }
            }
        }
    }
}

fn log(record: &Record) -> Markup {
    let (lines, all) = (record.log.items.iter().take(ROWS_MOST), record.log.items.len());
    let hidden = all.saturating_sub(ROWS_MOST) + record.log.left_out;
    html! {
        section aria-labelledby="log" {
            h2 id="log" { "Log" }
            @if let Some(end) = &record.end {
                p { "Took " (time_text(end.took)) " of head time." }
            }
            div.wide tabindex="0" role="region" aria-label="table of the log" { table.log {
                thead { tr {
                    th.number scope="col" { "head time in s" }
                    th scope="col" { "what happened" }
                } }
                tbody { @for line in lines { tr {
                    td.number { (format!("{:.3}", line.time)) }
                    td { (line.text) }
                } } }
            } }
            @if hidden > 0 {
                p.soft { (hidden) " further lines are not shown here; events.jsonl has them all." }
            }
        }
    }
}

fn head(identity: &Identity) -> Markup {
    html! {
        section aria-labelledby="head" {
            h2 id="head" { "What the head says of itself" }
            div.groups {
                @for (group, rows) in &identity.head {
                    section {
                        h3 { (group) }
                        dl { @for (words, value) in rows { dt { (words) } dd { (value) } } }
                    }
                }
            }
        }
    }
}
