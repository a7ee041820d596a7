//! The summary of a batch as a page for people: yield, failing checks, stations, and each head with a link to its
//! report.

use crate::batch::summary::{Attempt, Row, State, Summary, TABLE, brief_objections};
use crate::paper::{self, Head, left_out, section};
use maud::{Markup, html};
use spintrue_head::visible_line;
use std::collections::BTreeMap;

/// The page.
pub(super) const REPORT: &str = "report.html";

/// Most rows of a table of a page.
const MAX_ROWS: usize = 2000;

/// How many heads passed at a station, of how many.
type Share = (usize, usize);

impl Summary {
    /// The page, with all attempts that are finished.
    pub(super) fn page(&self, attempts: &[Attempt]) -> String {
        // Not the time of writing: the same heads make the same page again.
        let ended = attempts.iter().filter_map(|(done, _)| done.at.parse::<jiff::Timestamp>().ok());
        let ended = ended.max().map(|at| at.strftime("%Y-%m-%d %H:%M:%S UTC").to_string());
        let title = format!("Batch of {}", visible_line(&self.script));
        let unfinished = self.unfinished();
        let body = html! {
            header {
                h1 { (title) }
                p { (visible_line(&self.list)) ", " (self.rows.len()) " heads"
                    (self.simulated()) "."
                    @if let Some(ended) = ended { " The last one ended " (ended) "." } }
                @if unfinished > 0 {
                    p.note { strong { (unfinished) " not finished." } " The same command again goes on with them." }
                }
            }
            main {
                (section("yield", "Yield", &self.yields(attempts)))
                (section("failing", "Failing checks", &failing(attempts)))
                (section("heads", "Heads, each at its last attempt", &self.heads_table()))
            }
        };
        paper::page(&title, &title, &body)
    }

    fn yields(&self, attempts: &[Attempt]) -> Markup {
        let done = self.rows.len() - self.unfinished();
        let (first, last) = self.passed();
        let mut stations: BTreeMap<&str, Share> = BTreeMap::new();
        for (done, origin) in attempts {
            if let Some(station) = origin.named.get("station") {
                let (passed, all) = stations.entry(station).or_default();
                (*passed, *all) = (*passed + usize::from(done.exit_code == 0), *all + 1);
            }
        }
        for (station, _) in &self.out {
            stations.entry(station).or_default();
        }
        let why = |name: &str| self.out.iter().find(|(out, _)| out == name).map(|(_, why)| why);
        let heads = [
            Head::Text("heads"),
            Head::Number("passed"),
            Head::Number("share"),
            Head::Text("note"),
        ];
        let rows = html! {
            (share("first attempt", (first, done), ""))
            (share("last attempt", (last, done), ""))
            @for (name, of) in stations {
                @let out = why(name).map_or(String::new(), |why| format!("taken out: {why}"));
                (share(&format!("station {name}, all attempts"), of, &out))
            }
        };
        paper::table("of the yield", None, &heads, &rows)
    }

    fn heads_table(&self) -> Markup {
        let heads = [
            Head::Text("serial"),
            Head::Text("verdict"),
            Head::Text("station"),
            Head::Number("attempt"),
            Head::Text("what speaks against it"),
        ];
        let rows = html! { @for row in self.rows.iter().take(MAX_ROWS) {
            @let (verdict, code) = row.state.verdict();
            @let class = match code { 0 => "good", 4 | 130 => "open", _ => "bad" };
            @let (attempt, why) = match &row.state {
                State::Done(done, origin) => (done.attempt.to_string(), brief_objections(done, origin)),
                State::NoAnswer(why) | State::Refused(why) => (String::new(), why.clone()),
                State::Waiting => Default::default(),
            };
            tr {
                th scope="row" { @match &row.state {
                    State::Done(..) => a href=(format!("{}/report.html", row.folder)) { (visible_line(&row.serial)) },
                    _ => (visible_line(&row.serial)),
                } }
                td.outcome.(class) { (verdict) }
                td { (visible_line(row.station().unwrap_or_default())) }
                td.number { (attempt) }
                td.wordy { (visible_line(&why)) }
            }
        } };
        html! {
            (paper::table("of heads", None, &heads, &rows))
            (left_out(self.rows.len().saturating_sub(MAX_ROWS), "heads", TABLE))
        }
    }
}

impl Row {
    fn station(&self) -> Option<&str> {
        match &self.state {
            State::Done(_, origin) => origin.named.get("station").map(String::as_str),
            _ => None,
        }
    }
}

/// Checks by how many attempts they fail in.
fn failing(attempts: &[Attempt]) -> Markup {
    let mut checks: BTreeMap<&str, [usize; 4]> = BTreeMap::new();
    for (done, _) in attempts {
        for (group, (_, labels)) in done.unmet.groups().into_iter().enumerate() {
            for label in labels {
                let counts = checks.entry(label).or_default();
                counts.iter_mut().skip(group).take(1).for_each(|count| *count += 1);
            }
        }
    }
    let mut checks: Vec<(&str, [usize; 4])> = checks.into_iter().collect();
    checks.sort_by_key(|(_, counts)| std::cmp::Reverse(*counts));
    let heads = ["does not conform", "undecided", "not reached"].map(Head::Number);
    let heads: Vec<Head<'_>> = [Head::Text("check")].into_iter().chain(heads).collect();
    let rows = html! { @for (label, counts) in checks.iter().take(MAX_ROWS) { tr {
        th scope="row" { (visible_line(label)) }
        @for count in counts.iter().take(3) { td.number { (count) } }
    } } };
    html! {
        @if checks.is_empty() { p { "No check failed at any attempt." } } @else {
            p { "All attempts are counted." }
            (paper::table("of failing checks", None, &heads, &rows))
            (left_out(checks.len().saturating_sub(MAX_ROWS), "checks", TABLE))
        }
    }
}

/// A row of the yield.
fn share(name: &str, (passed, all): Share, note: &str) -> Markup {
    html! { tr {
        th scope="row" { (visible_line(name)) }
        td.number { (passed) " of " (all) }
        td.number { @if all > 0 { (format!("{:.1} %", 100.0 * passed as f64 / all as f64)) } }
        td { (visible_line(note)) }
    } }
}
