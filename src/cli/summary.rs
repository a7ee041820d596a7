//! The closing summary: what was recorded, each facet before and after, how the head was left,
//! and the verdict. Made to be read in ten seconds.

use crate::record::{Capped, HeldRow};
use crate::terminal::table::{fields_of, is_table, tables};
use crate::terminal::told::{failed, left_text, shortened};
use crate::terminal::{BOLD, GREEN, RED, YELLOW, styled, verdict_style, wrapped};
use spintrue_head::{Dimension, show_quantity};
use spintrue_language::{Finished, Prepared, Shown, Verdict, longest_text};

pub(super) fn summary(
    finished: &Finished,
    prepared: &Prepared,
    recorded: &[(String, Shown)],
    holds: &Capped<HeldRow>,
    at_most: Option<f64>,
    colour: bool,
) -> String {
    let mut text = held(holds, colour);
    if !text.is_empty() {
        text.push('\n');
    }
    text.push_str(&format!("{}\n", styled("Summary", BOLD, colour)));
    text.push_str(&values(recorded, colour));
    let width = label_width(recorded);
    text.push_str(&format!("  {:<width$}  {}\n", "checks", checks(finished)));
    text.push_str(&unreached(finished, prepared, width, colour));
    text.push_str(&format!("  {:<width$}  {}\n", "head", left_text(&finished.safe)));
    text.push_str(&troubles(finished, width, colour));
    let took = show_quantity(finished.took, Dimension::TIME, None, None);
    text.push_str(&format!(
        "  {:<width$}  {took} of head time, {}\n",
        "took",
        most(at_most, finished.took)
    ));
    text.push_str(&format!("\n{}", ending(finished, prepared, colour)));
    text
}

/// What went wrong besides checks, and the verdict.
pub(super) fn brief(finished: &Finished, prepared: &Prepared, colour: bool) -> String {
    let mut text = unreached(finished, prepared, 0, colour);
    if !finished.safe.is_safe() {
        text.push_str(&format!("    {}\n", left_text(&finished.safe)));
        text.push_str(&troubles(finished, 0, colour));
    }
    text + &ending(finished, prepared, colour)
}

/// Planned checks that were not reached.
fn unreached(finished: &Finished, prepared: &Prepared, width: usize, colour: bool) -> String {
    let mut text = String::new();
    for check in &finished.unreached {
        let said = format!("not reached: {} ({})", check.label, prepared.sources.place(check.span));
        text.push_str(&format!("  {:<width$}  {}\n", "", styled(&said, YELLOW, colour)));
    }
    text
}

/// What kept the head from being safe.
fn troubles(finished: &Finished, width: usize, colour: bool) -> String {
    let mut text = String::new();
    for trouble in &finished.safe.troubles {
        let lines = wrapped(trouble, &" ".repeat(width + 4));
        text.push_str(&format!("{}\n", styled(lines.trim_end(), RED, colour)));
    }
    text
}

/// What ended a run early, and the verdict.
fn ending(finished: &Finished, prepared: &Prepared, colour: bool) -> String {
    let mut text = String::new();
    if let Some(failure) = &finished.failure {
        text.push_str(&format!("{}\n", failed(failure, &prepared.sources, colour)));
    }
    let verdict = finished.verdict();
    let style = verdict_style(verdict.text());
    let checked = finished.conforming + finished.failing + finished.undecided > 0;
    let remark = if verdict == Verdict::Passed && !checked { " (nothing was checked)" } else { "" };
    let said = styled(verdict.text(), &format!("{BOLD};{style}"), colour);
    text.push_str(&format!("{said}{remark}\n"));
    text
}

/// The conditions that had to hold, each with what was seen of it; empty without any.
pub(super) fn held(rows: &Capped<HeldRow>, colour: bool) -> String {
    if rows.items.is_empty() {
        return String::new();
    }
    let mut text = format!("{}\n", styled("Held conditions", BOLD, colour));
    let mut behind = rows.items.iter().skip(1);
    for row in &rows.items {
        // What is the same of several is said once, below the last of them.
        let next = behind.next();
        let is_same = next.is_some_and(|next| next.told() == row.told());
        let told = Some(row.told()).filter(|_| !is_same || row.breaks.is_some());
        let (mark, style) = if row.breaks.is_some() { ("BROKE", RED) } else { ("held", GREEN) };
        let mark = styled(&format!("{mark:<5}"), style, colour);
        text.push_str(&format!("  {mark}  {}\n", shortened(&row.text)));
        for told in row.breaks.iter().chain(&told) {
            text.push_str(&format!("{}\n", wrapped(told, &" ".repeat(9)).trim_end()));
        }
    }
    if rows.left_out > 0 {
        text.push_str(&format!("  ... and {} more conditions\n", rows.left_out));
    }
    text
}

/// Recorded values, single ones first, then lists as tables.
pub(super) fn values(recorded: &[(String, Shown)], colour: bool) -> String {
    let mut text = String::new();
    let (lists, single): (Vec<_>, Vec<_>) = recorded.iter().partition(|(_, shown)| is_table(shown));
    let width = label_width(recorded);
    for (label, shown) in single {
        text.push_str(&format!("  {label:<width$}  "));
        match shown {
            Shown::Record(fields) => text.push_str(&fields_of(fields)),
            other => text.push_str(&format!("{other}\n")),
        }
    }
    let lists = tables(&lists, colour);
    if !lists.is_empty() {
        text.push_str(&lists);
        text.push('\n');
    }
    text
}

/// Columns that the labels of single values take.
fn label_width(recorded: &[(String, Shown)]) -> usize {
    let single = recorded.iter().filter(|(_, shown)| !is_table(shown));
    let labels = single.map(|(label, _)| label.chars().count());
    labels.filter(|length| *length <= MAX_LABEL).max().unwrap_or(0).max(8)
}

/// Longest label that the others are lined up with.
const MAX_LABEL: usize = 28;

fn most(at_most: Option<f64>, took: f64) -> String {
    match at_most {
        Some(most) if took > most => {
            format!("more than {} by what it computed", longest_text(most))
        }
        Some(most) => format!("at most {}", longest_text(most)),
        None => "no bound known".to_string(),
    }
}

fn checks(finished: &Finished) -> String {
    let all = finished.conforming + finished.failing + finished.undecided;
    if all == 0 {
        return "none".to_string();
    }
    let verb = if finished.conforming == 1 { "conforms" } else { "conform" };
    let mut parts = vec![format!("{} of {all} {verb}", finished.conforming)];
    if finished.failing > 0 {
        let verb = if finished.failing == 1 { "does" } else { "do" };
        parts.push(format!("{} {verb} not", finished.failing));
    }
    if finished.undecided > 0 {
        parts.push(format!("{} undecided", finished.undecided));
    }
    parts.join(", ")
}
