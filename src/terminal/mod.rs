//! Printing: colour only where it helps, and no failure where the reader is gone. Wording of values,
//! checks and failures for people.

#![allow(clippy::disallowed_methods, reason = "this module talks to the terminal")]

pub(crate) mod columns;
pub(crate) mod duration;
pub(crate) mod facts;
pub(crate) mod mode;
pub(crate) mod plot;
pub(crate) mod progress;
pub(crate) mod reference;
pub(crate) mod screen;
pub(crate) mod table;
pub(crate) mod told;
pub(crate) mod units;
pub(crate) mod width;

use serde_json::Value;
use spintrue_head::{CAUTION, STEERING, visible_output};
use std::borrow::Cow;
use std::io::{ErrorKind, IsTerminal, Write, stderr, stdout};
use std::sync::OnceLock;
use std::sync::atomic::{AtomicBool, Ordering};
use width::{folded, width as columns_of};

/// Wraps parts, separated by commas, at no blank inside a part.
pub(crate) fn wrapped_parts(lead: &str, parts: impl Iterator<Item = String>) -> String {
    let parts: Vec<String> = parts.map(|part| part.replace(' ', "\u{1f}")).collect();
    wrapped(&format!("{lead}{}", parts.join(", ")), "").replace('\u{1f}', " ")
}

/// [`CAUTION`] as it is shown before a run, without an end of line.
pub(crate) fn caution(colour: bool) -> String {
    styled(wrapped(CAUTION, "").trim_end(), DIM, colour)
}

/// Output that could not be written, a full disk for example.
static LOST: AtomicBool = AtomicBool::new(false);

/// Prints to standard output for people: what others put into the text can steer no terminal.
pub(crate) fn say(text: &str) {
    emit(&visible_output(&unbroken(text, None)));
}

/// A text for standard output, broken between words where that is a terminal; what goes on below hangs at a
/// column, or a little further in than its beginning.
pub(crate) fn unbroken(text: &str, hang: Option<usize>) -> Cow<'_, str> {
    match terminal_size::terminal_size_of(stdout()) {
        Some((columns, _)) => Cow::Owned(folded(text, usize::from(columns.0), hang)),
        None => Cow::Borrowed(text),
    }
}

/// Prints to standard output for machines, as it is; a reader that is gone is no reason to leave a head
/// moving.
pub(crate) fn emit(text: &str) {
    let mut out = stdout().lock();
    if out.is_terminal() {
        progress::end();
    }
    let written = out.write_all(text.as_bytes()).and_then(|()| out.flush());
    if written.is_err_and(|error| error.kind() != ErrorKind::BrokenPipe) {
        LOST.store(true, Ordering::Relaxed);
    }
}

/// Whether output was lost for another reason than that its reader went away.
pub(crate) fn output_lost() -> bool {
    LOST.load(Ordering::Relaxed)
}

/// Prints to standard error, as [`say`] does.
pub(crate) fn complain(text: &str) {
    let screen = terminal_size::terminal_size_of(stderr());
    let text = match screen {
        Some((columns, _)) => Cow::Owned(folded(text, usize::from(columns.0), None)),
        None => Cow::Borrowed(text),
    };
    progress::end();
    let mut out = stderr().lock();
    let _ = out.write_all(visible_output(&text).as_bytes());
    let _ = out.flush();
}

/// Writes over the last line of standard error, which a text without an end of line left; with an
/// empty text, clears it.
pub(crate) fn complain_over(text: &str) {
    progress::end();
    let mut out = stderr().lock();
    let _ = write!(out, "\r\u{1b}[K{}", visible_output(text));
    let _ = out.flush();
}

/// Whether standard error is a terminal that may be coloured (<https://no-color.org>).
pub(crate) fn colour_errors() -> bool {
    colours(stderr().is_terminal())
}

/// Whether standard output is a terminal that may be coloured.
pub(crate) fn colour_output() -> bool {
    colours(stdout().is_terminal())
}

/// Whether colours are used, where that was said.
static COLOURS: OnceLock<bool> = OnceLock::new();

/// Nothing is printed but what went wrong, and the outcome.
static QUIET: AtomicBool = AtomicBool::new(false);

/// Has colours used or not, wherever output goes.
pub(crate) fn set_colours(on: bool) {
    // The program says it once.
    let _ = COLOURS.set(on);
}

/// Has nothing printed but what went wrong, and the outcome.
pub(crate) fn set_quiet(on: bool) {
    QUIET.store(on, Ordering::Relaxed);
}

/// Whether only what went wrong is printed, and the outcome.
pub(crate) fn is_quiet() -> bool {
    QUIET.load(Ordering::Relaxed)
}

fn colours(terminal: bool) -> bool {
    if let Some(on) = COLOURS.get() {
        return *on;
    }
    let set = |name: &str| std::env::var_os(name).is_some_and(|value| !value.is_empty());
    let dumb = std::env::var_os("TERM").is_some_and(|term| term == "dumb");
    terminal && !set("NO_COLOR") && !dumb
}

/// Whether progress can be drawn.
pub(crate) fn draws_progress() -> bool {
    let dumb = std::env::var_os("TERM").is_some_and(|term| term == "dumb");
    stderr().is_terminal() && !dumb && !is_quiet()
}

/// Text in a style, where colours are on. The styles carry no meaning of their own.
pub(crate) fn styled(text: &str, style: &str, on: bool) -> String {
    if on { format!("{STEERING}[{style}m{text}{STEERING}[0m") } else { text.to_string() }
}

/// Bold.
pub(crate) const BOLD: &str = "1";
/// Less prominent.
pub(crate) const DIM: &str = "2";
/// Good.
pub(crate) const GREEN: &str = "32";
/// Bad.
pub(crate) const RED: &str = "31";
/// In between.
pub(crate) const YELLOW: &str = "33";

/// Prints a result: as a line for machines, or as a text for people.
pub(crate) fn show(is_json: bool, value: &Value, text: &str) {
    if is_json { emit(&format!("{value}\n")) } else { say(text) }
}

/// `1 error`, `2 errors`.
pub(crate) fn counted(number: usize, noun: &str) -> String {
    format!("{number} {noun}{}", if number == 1 { "" } else { "s" })
}

/// The style of a verdict, as text in whatever case: good, bad, or in between.
pub(crate) fn verdict_style(verdict: &str) -> &'static str {
    match verdict.to_lowercase().as_str() {
        "passed" => GREEN,
        "undecided" | "unanswered" | "interrupted" | "not run" => YELLOW,
        _ => RED,
    }
}

/// Columns that reports may take.
pub(crate) fn width() -> usize {
    let columns = std::env::var("COLUMNS").ok().and_then(|text| text.parse().ok());
    let screen = || terminal_size::terminal_size_of(stderr()).map(|(width, _)| width.0.into());
    columns.or_else(screen).unwrap_or(100).clamp(40, 200)
}

/// Columns that the terminal has, as far as is known.
pub(crate) fn columns() -> usize {
    terminal_size::terminal_size_of(stdout()).map_or(80, |(width, _)| usize::from(width.0))
}

/// Rows that the terminal has, as far as is known.
pub(crate) fn rows() -> usize {
    terminal_size::terminal_size_of(stdout()).map_or(24, |(_, height)| usize::from(height.0))
}

/// Columns that paragraphs and tables take.
pub(crate) fn table_columns() -> usize {
    columns().clamp(30, 80)
}

/// Breaks a text at 80 columns, or where the terminal ends.
pub(crate) fn wrapped(text: &str, indent: &str) -> String {
    let (width, lead) = (table_columns(), columns_of(indent));
    let mut lines = String::new();
    let (mut line, mut taken) = (indent.to_string(), lead);
    for word in text.split_whitespace() {
        let columns = columns_of(word);
        if taken + columns >= width && line.trim() != "" {
            lines.push_str(line.trim_end());
            lines.push('\n');
            (line, taken) = (indent.to_string(), lead);
        }
        line.push_str(word);
        line.push(' ');
        taken += columns + 1;
    }
    lines.push_str(line.trim_end());
    lines.push('\n');
    lines
}

/// Narrower than this, what stands beside a heading is put below it.
const MIN_BESIDE: usize = 24;

/// Names, each with what it means beside it, all in one column.
pub(crate) fn named(rows: &[(String, String)]) -> String {
    let width = rows.iter().map(|(name, _)| name.chars().count()).max().unwrap_or(0);
    rows.iter().map(|(name, text)| beside(&format!("{name:<width$} "), text)).collect()
}

/// A heading with a text beside it that hangs under its own beginning; below, on a narrow screen.
pub(crate) fn beside(heading: &str, text: &str) -> String {
    let start = columns_of(heading) + 1;
    if table_columns() < start + MIN_BESIDE {
        return format!("{}\n{}", heading.trim_end(), wrapped(text, "      "));
    }
    let indent = " ".repeat(start);
    let lines = wrapped(text, &indent);
    format!("{heading} {}", lines.trim_start())
}
