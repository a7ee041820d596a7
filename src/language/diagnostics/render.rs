//! Text rendering of diagnostics through ariadne, which nothing else uses.
//! Uses source and the diagnostics beside it.

use crate::diagnostics::{Diagnostic, Label, Severity};
use crate::source::{SourceId, SourceMap, Span};
use ariadne::{Color, Config, IndexType, LabelAttach, Report, ReportKind};
use std::collections::HashMap;
use std::fmt::{Debug, Display, Write as _};
use std::ops::Range;

/// A line longer than this many bytes is shown as a clipped excerpt.
const LONGEST_LINE: usize = 400;
/// Characters shown on each side of the place in a clipped line.
const AROUND: usize = 30;

/// Renders diagnostics for people, each with its source, followed by an empty line.
///
/// `width` is the width to wrap help at; source lines are not wrapped. Any span is taken: one that
/// points past its text or into a character is moved to the nearest place that exists.
pub fn render(
    diagnostics: &[Diagnostic],
    sources: &SourceMap,
    colour: bool,
    width: usize,
) -> String {
    let mut cache = Cache { sources, read: HashMap::new() };
    let mut out = String::new();
    for diagnostic in diagnostics {
        let labels = placed(diagnostic, sources);
        let clipped = labels.iter().any(|label| label.long);
        let known = labels.first().is_some_and(|label| label.known);
        let text = if clipped || !known {
            excerpt(diagnostic, &labels, sources, colour, width)
        } else {
            drawn(diagnostic, &labels, &mut cache, colour, width)
        };
        for line in text.lines() {
            out.push_str(line.trim_end());
            out.push('\n');
        }
        out.push('\n');
    }
    out
}

/// `2 errors, 1 warning`; empty if there is nothing to say.
pub fn summary(diagnostics: &[Diagnostic]) -> String {
    let count = |severity: Severity, one: &str| {
        let number = diagnostics.iter().filter(|found| found.severity == severity).count();
        let plural = if number == 1 { "" } else { "s" };
        (number > 0).then(|| format!("{number} {one}{plural}"))
    };
    let parts = [count(Severity::Error, "error"), count(Severity::Warning, "warning")];
    parts.into_iter().flatten().collect::<Vec<_>>().join(", ")
}

/// A label moved to where its text can be pointed at.
struct Placed<'d> {
    label: &'d Label,
    source: SourceId,
    range: Range<usize>,
    known: bool,
    long: bool,
}

fn placed<'d>(diagnostic: &'d Diagnostic, sources: &SourceMap) -> Vec<Placed<'d>> {
    diagnostic
        .labels
        .iter()
        .map(|label| {
            let text = sources.get(label.span.source).map(|source| source.text.as_ref());
            let range = fitted(text.unwrap_or(""), label.span);
            let long = text.is_some_and(|text| {
                let lines = lines_of(text, &range);
                lines.len() > LONGEST_LINE
                    && text
                        .get(lines)
                        .is_some_and(|lines| lines.lines().any(|l| l.len() > LONGEST_LINE))
            });
            Placed { label, source: label.span.source, range, known: text.is_some(), long }
        })
        .collect()
}

/// A range inside the text, at character boundaries, that does not reach over a line end.
fn fitted(text: &str, span: Span) -> Range<usize> {
    let boundary = |at: u32| {
        let mut at = (at as usize).min(text.len());
        while !text.is_char_boundary(at) {
            at -= 1;
        }
        at
    };
    let start = boundary(span.start);
    let mut end = boundary(span.end).max(start);
    let inside = text.get(start..end).unwrap_or("");
    if inside.ends_with('\n') {
        end = start + inside.trim_end_matches(['\n', '\r']).len();
    } else if inside.ends_with('\r') && text.get(end..).is_some_and(|t| t.starts_with('\n')) {
        end -= 1;
    }
    // Nothing can be drawn behind a line feed: point at the end of the line before it.
    let mut start = start;
    if start == end && start == text.len() && text.ends_with('\n') {
        start = text.trim_end_matches(['\n', '\r']).len();
        end = start;
    }
    start..end
}

/// The whole lines a range lies in.
fn lines_of(text: &str, range: &Range<usize>) -> Range<usize> {
    let start =
        text.get(..range.start).and_then(|before| before.rfind('\n')).map_or(0, |at| at + 1);
    let end = text
        .get(range.end..)
        .and_then(|after| after.find('\n'))
        .map_or(text.len(), |at| range.end + at);
    start..end
}

struct Cache<'s> {
    sources: &'s SourceMap,
    read: HashMap<SourceId, ariadne::Source<String>>,
}

impl ariadne::Cache<SourceId> for &mut Cache<'_> {
    type Storage = String;

    fn fetch(&mut self, id: &SourceId) -> Result<&ariadne::Source<String>, impl Debug> {
        let text = self.sources.get(*id).map(|source| source.text.as_ref());
        Ok::<_, String>(
            self.read.entry(*id).or_insert_with(|| {
                ariadne::Source::from(one_line_break(unmarked(text.unwrap_or(""))))
            }),
        )
    }

    fn display<'a>(&self, id: &'a SourceId) -> Option<impl Display + 'a> {
        self.sources.get(*id).map(|source| source.name.clone())
    }
}

impl Cache<'_> {
    /// A place in characters. Ariadne's byte mode takes character offsets for byte offsets in the
    /// heading of a second source.
    fn place(&mut self, label: &Placed<'_>) -> (SourceId, Range<usize>) {
        let text = self.sources.text(label.source);
        let mark = text.len() - unmarked(text).len();
        let mut cache = self;
        let read = ariadne::Cache::fetch(&mut cache, &label.source).ok();
        let characters = |at: usize| {
            let (source, at) = (read?, at.saturating_sub(mark));
            let (line, _, column) = source.get_byte_line(at)?;
            let before = source.text().get(at - column..at)?;
            Some(line.offset() + before.chars().count())
        };
        let start = characters(label.range.start).unwrap_or(0);
        let end = characters(label.range.end).unwrap_or(start);
        (label.source, start..end.max(start))
    }
}

/// A text without the byte order mark at its start, which is none of its characters.
fn unmarked(text: &str) -> &str {
    text.strip_prefix('\u{feff}').unwrap_or(text)
}

/// The text with every character that ariadne, unlike us, takes for a line break replaced by as
/// many bytes of something harmless.
fn one_line_break(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut characters = text.chars().peekable();
    while let Some(c) = characters.next() {
        match c {
            '\r' if characters.peek() == Some(&'\n') => out.push(c),
            '\r' | '\u{B}' | '\u{C}' => out.push('?'),
            '\u{85}' => out.push('\u{B7}'),
            '\u{2028}' | '\u{2029}' => out.push('\u{2026}'),
            c if c.is_control() && c != '\n' && c != '\t' && c.len_utf8() == 1 => out.push('?'),
            '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}' | '\u{200E}' | '\u{200F}' => {
                out.push('\u{FFFD}');
            }
            c => out.push(c),
        }
    }
    out
}

fn drawn(
    diagnostic: &Diagnostic,
    labels: &[Placed<'_>],
    cache: &mut Cache<'_>,
    colour: bool,
    width: usize,
) -> String {
    let (kind, main) = match diagnostic.severity {
        Severity::Error => (ReportKind::Error, Color::Red),
        Severity::Warning => (ReportKind::Warning, Color::Yellow),
    };
    let Some(first) = labels.first() else {
        return String::new();
    };
    let config = Config::new()
        .with_color(colour)
        .with_index_type(IndexType::Char)
        .with_label_attach(LabelAttach::Start)
        .with_tab_width(4)
        .with_compact(false);
    let mut report = Report::build(kind, cache.place(first))
        .with_config(config)
        .with_code(diagnostic.code)
        .with_message(headline(diagnostic, kind_word(diagnostic.severity), width));
    let mut order: Vec<(usize, &Placed<'_>)> = labels.iter().enumerate().collect();
    order.sort_by_key(|(at, label)| {
        let other = label.source != first.source;
        (other, label.source, label.range.start, *at)
    });
    for (position, (at, label)) in order.into_iter().enumerate() {
        if !label.known {
            continue;
        }
        let colour = if at == 0 { main } else { Color::Blue };
        // Without a text ariadne underlines nothing unless it may use colour.
        let text = if at == 0 && label.label.text.is_empty() { "here" } else { &label.label.text };
        report.add_label(
            ariadne::Label::new(cache.place(label))
                .with_message(text)
                .with_color(colour)
                .with_order(i32::try_from(position).unwrap_or(i32::MAX)),
        );
    }
    let mut bytes = Vec::new();
    let drawn = report.finish().write(&mut *cache, &mut bytes).is_ok();
    let mut out = String::from_utf8_lossy(&bytes).into_owned();
    if !drawn {
        out.clear();
    }
    add_help(&mut out, diagnostic, width);
    out
}

/// Without ariadne: for places in very long lines, and reports without a place.
fn excerpt(
    diagnostic: &Diagnostic,
    labels: &[Placed<'_>],
    sources: &SourceMap,
    colour: bool,
    width: usize,
) -> String {
    let word = kind_word(diagnostic.severity);
    let (on, off) = match (colour, diagnostic.severity) {
        (false, _) => ("", ""),
        (true, Severity::Error) => ("\u{1b}[31m", "\u{1b}[0m"),
        (true, Severity::Warning) => ("\u{1b}[33m", "\u{1b}[0m"),
    };
    let headline = headline(diagnostic, word, width);
    let mut out = format!("{on}[{}] {word}:{off} {headline}\n", diagnostic.code);
    for label in labels.iter().filter(|label| label.known) {
        let place = Span::new(label.source, label.range.start, label.range.end);
        let text = sources.text(label.source);
        let _ = writeln!(out, "   ─[ {} ]", sources.place(place));
        let line = lines_of(text, &(label.range.start..label.range.start));
        let before = unmarked(text.get(line.start..label.range.start).unwrap_or(""));
        let after = text.get(label.range.start..line.end).unwrap_or("");
        let skip = before.chars().count().saturating_sub(AROUND);
        let shown: String = before.chars().skip(skip).collect();
        let rest: String = after.chars().take(2 * AROUND).collect();
        let lead = if skip > 0 { "…" } else { "" };
        let tail = if rest.len() < after.len() { "…" } else { "" };
        let under: usize = text
            .get(label.range.clone())
            .map_or(0, |inside| inside.chars().take(2 * AROUND).count());
        let indent = lead.chars().count() + shown.chars().count();
        let _ = writeln!(
            out,
            "   │ {lead}{}{}{tail}",
            one_line_break(&shown).replace('\t', " "),
            one_line_break(&rest).replace('\t', " ")
        );
        let _ = writeln!(
            out,
            "   │ {}{} {}",
            " ".repeat(indent),
            "^".repeat(under.max(1)),
            label.label.text
        );
    }
    add_help(&mut out, diagnostic, width);
    out
}

fn kind_word(severity: Severity) -> &'static str {
    match severity {
        Severity::Error => "Error",
        Severity::Warning => "Warning",
    }
}

/// The headline behind its code and word, as wide as the help.
fn headline(diagnostic: &Diagnostic, word: &str, width: usize) -> String {
    let lead = format!("[{}] {word}: ", diagnostic.code).len();
    wrapped(&diagnostic.headline, width.max(40) - lead).join(&format!("\n{}", " ".repeat(lead)))
}

fn add_help(out: &mut String, diagnostic: &Diagnostic, width: usize) {
    for help in &diagnostic.help {
        let room = width.max(40) - "  = help: ".len();
        for (at, line) in wrapped(&help.text, room).iter().enumerate() {
            let lead = if at == 0 { "  = help: " } else { "          " };
            let _ = writeln!(out, "{lead}{line}");
        }
    }
}

/// Breaks a text at blanks, never inside back quotes if the piece fits on a line.
fn wrapped(text: &str, room: usize) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = String::new();
    let mut piece = String::new();
    let mut quoted = false;
    let mut place = |piece: &mut String, line: &mut String| {
        let needed = line.chars().count() + piece.chars().count() + 1;
        if !line.is_empty() && needed > room {
            lines.push(std::mem::take(line));
        }
        if !line.is_empty() {
            line.push(' ');
        }
        line.push_str(piece);
        piece.clear();
    };
    for c in text.chars() {
        match c {
            ' ' if !quoted => place(&mut piece, &mut line),
            c => {
                if c == '`' {
                    quoted = !quoted;
                }
                piece.push(c);
            }
        }
    }
    place(&mut piece, &mut line);
    lines.push(line);
    lines
}
