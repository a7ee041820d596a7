//! Checks, heads, trims, reports and failures in words.

use crate::terminal::{
    BOLD, DIM, GREEN, RED, YELLOW, colour_errors, styled, unbroken, width, wrapped,
};
pub(crate) use spintrue_head::left_text;
use spintrue_head::{
    Description, Dimension, STEERING, Trim, parse_unit, show_number, show_quantity, visible_line,
    visible_lines,
};
use spintrue_language::{
    COVERAGE_FACTOR, CheckEvent, Diagnostic, Failure, Outcome, Shown, SourceMap, render_diagnostics,
};

/// Most reports that are shown at once.
const MAX_SHOWN: usize = 50;

/// The head of a run: its model and serial, and the seed of a simulated one.
pub(crate) fn head(head: &Description, seed: u64, replayed: bool) -> String {
    let replay = if replayed { "replay of " } else { "" };
    let (model, serial) = (visible_line(&head.model), visible_line(&head.serial));
    if head.simulated {
        format!("{replay}simulated head {model} {serial} (seed {seed})")
    } else {
        format!("{replay}head {model} {serial}")
    }
}

/// The title of a run on a head; no line breaks before the seed.
pub(crate) fn title(what: &str, head: &str) -> String {
    let title = format!("{what} on {head}").replace("(seed ", "(seed\u{1f}");
    wrapped(&title, "").replace('\u{1f}', " ")
}

/// Trims in force, in brief; none where none changes anything.
pub(crate) fn trims(trims: &[Trim]) -> Option<String> {
    let is_some = |trim: &&Trim| **trim != Trim::default();
    let count = trims.iter().filter(is_some).count();
    if count == 0 {
        return None;
    }
    let most = |of: fn(&Trim) -> f64| trims.iter().map(of).map(f64::abs).fold(0.0, f64::max);
    Some(format!(
        "on {count} of {} facets, up to {} and {}",
        trims.len(),
        show_quantity(most(|trim| trim.in_scan), Dimension::TIME, None, None),
        show_quantity(most(|trim| trim.cross_scan), Dimension::ANGLE, None, None)
    ))
}

/// Reports as they are printed, with a closing count.
pub(crate) fn rendered(diagnostics: &[Diagnostic], sources: &SourceMap) -> String {
    if diagnostics.is_empty() {
        return String::new();
    }
    // Errors are shown before warnings are, each in its place.
    let errors = diagnostics.iter().filter(|diagnostic| diagnostic.is_error()).count();
    let mut warnings = MAX_SHOWN.saturating_sub(errors);
    let fits = |diagnostic: &&Diagnostic| {
        let left = warnings.saturating_sub(1);
        diagnostic.is_error() || std::mem::replace(&mut warnings, left) > 0
    };
    let shown = diagnostics.iter().filter(fits).take(MAX_SHOWN);
    let shown: Vec<Diagnostic> = shown.map(visible).collect();
    let colour = colour_errors();
    let mut text = render_diagnostics(&shown, sources, colour, width());
    if colour {
        text = text.replace('\u{1b}', &STEERING.to_string());
    }
    if shown.len() < diagnostics.len() {
        let more = diagnostics.len() - shown.len();
        text.push_str(&format!("... and {more} more; correct these first\n"));
    }
    text
}

/// A report without control characters: some of its words may come from a head.
fn visible(diagnostic: &Diagnostic) -> Diagnostic {
    let shown = |text: &str| visible_lines(text).into_owned();
    let mut visible = diagnostic.clone();
    visible.headline = shown(&visible.headline);
    visible.labels.iter_mut().for_each(|label| label.text = shown(&label.text));
    visible.help.iter_mut().for_each(|help| help.text = shown(&help.text));
    visible
}

/// A text on one line; of a long one the beginning, marked as shortened.
pub(crate) fn shortened(text: &str) -> String {
    let line = text.lines().map(str::trim).collect::<Vec<_>>().join(" ");
    match line.char_indices().nth(MAX_LINE) {
        Some((end, _)) => format!("{}... (shortened)", line.get(..end).unwrap_or_default()),
        None => line,
    }
}

/// Most characters of a text that is shown on one line.
const MAX_LINE: usize = 60;

/// A decided check on one line.
pub(crate) fn check_line(check: &CheckEvent, colour: bool) -> String {
    let (mark, style) = match check.outcome {
        Outcome::Conforms => ("conforms", GREEN),
        Outcome::Fails => ("DOES NOT CONFORM", RED),
        Outcome::Undecided => ("UNDECIDED", YELLOW),
    };
    let mark = styled(mark, style, colour);
    format!("check {}: {}: {mark}{}", check.label, measured(check), sureness(check))
}

/// Columns of a head time and the gap behind it.
const STAMP_COLUMNS: usize = 13;

/// A text with its head time before the first line.
pub(crate) fn stamped(time: f64, text: &str, colour: bool) -> String {
    let lines = text.split('\n').enumerate().map(|(index, line)| {
        let stamp = if index == 0 { format!("{time:9.3} s") } else { " ".repeat(11) };
        let line = format!("{}  {line}\n", styled(&stamp, DIM, colour));
        unbroken(&line, Some(STAMP_COLUMNS)).into_owned()
    });
    lines.collect()
}

/// Value, uncertainty and limits of a check, or its condition.
pub(crate) fn measured(check: &CheckEvent) -> String {
    let Some(measured) = &check.measured else { return shortened(&check.text) };
    let value = match &measured.uncertainty {
        // A budget is always expanded to 95 %.
        Some(uncertainty) if measured.coverage == COVERAGE_FACTOR || measured.budget.is_some() => {
            format!("{} ± {uncertainty}", measured.value)
        }
        Some(uncertainty) => {
            let factor = show_number(measured.coverage, None);
            format!("{} ± {uncertainty} (k = {factor})", measured.value)
        }
        None => measured.value.to_string(),
    };
    let mut limits = [&measured.low, &measured.high].into_iter().flatten();
    let hidden = limits.find_map(|limit| hidden_difference(&measured.value, &limit.at));
    let hidden = hidden.map(|difference| format!(" ({difference})")).unwrap_or_default();
    let value = value + &hidden;
    match (&measured.low, &measured.high) {
        (Some(low), Some(high)) if low.at == high.at => format!("{value}, should be {}", low.at),
        (Some(low), Some(high)) => format!("{value} within {} .. {}", low.at, high.at),
        (Some(low), None) => format!("{value} {} {}", if low.closed { ">=" } else { ">" }, low.at),
        (None, Some(high)) => {
            format!("{value} {} {}", if high.closed { "<=" } else { "<" }, high.at)
        }
        (None, None) => value,
    }
}

/// The probability of conformance, where the uncertainty is known.
pub(crate) fn sureness(check: &CheckEvent) -> String {
    let probability = check.measured.as_ref().and_then(|measured| measured.sureness());
    probability.map_or_else(String::new, |p| match p.starts_with(['>', '<']) {
        true => format!(" (P {p})"),
        false => format!(" (P = {p})"),
    })
}

/// The difference of a value from a limit that is shown the same.
fn hidden_difference(value: &Shown, limit: &Shown) -> Option<String> {
    let (Shown::Quantity { value, unit, text, .. }, Shown::Quantity { value: at, text: same, .. }) =
        (value, limit)
    else {
        return None;
    };
    let difference = value - at;
    (text == same && difference != 0.0).then(|| {
        let dimension = parse_unit(unit).map_or(Dimension::NUMBER, |unit| unit.dimension);
        let side = if difference > 0.0 { "more" } else { "less" };
        format!("{} {side}", show_quantity(difference.abs(), dimension, None, None))
    })
}

/// A failure with its place and the calls that led there.
pub(crate) fn failed(failure: &Failure, sources: &SourceMap, colour: bool) -> String {
    let kind = styled(failure.kind.text(), &format!("{BOLD};{RED}"), colour);
    let mut text = format!("{kind}: {}\n", failure.message);
    let line = |place| {
        let words = sources.slice(place).split_whitespace().collect::<Vec<_>>().join(" ");
        let more = if words.chars().count() > 60 { "…" } else { "" };
        let words: String = words.chars().take(60).chain(more.chars()).collect();
        format!("{}  {words}", sources.place(place))
    };
    text.push_str(&format!("  at {}\n", line(failure.place)));
    for call in failure.calls.iter().take(20) {
        text.push_str(&format!("  called at {}\n", line(*call)));
    }
    text
}
