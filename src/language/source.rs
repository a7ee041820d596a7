//! Source files and byte spans. Knows nothing of what is written in them.

use std::sync::{Arc, OnceLock};

/// Characters of an excerpt.
const MAX_EXCERPT: usize = 60;

/// A text on one line.
pub fn one_line(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// The same of at most `most` characters.
pub(crate) fn shortened(text: &str, most: usize) -> String {
    let text = one_line(text);
    if text.chars().count() <= most {
        return text;
    }
    text.chars().take(most - 3).chain("...".chars()).collect()
}

/// Which text a span points into.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct SourceId(pub u32);

/// A half-open range of bytes in one source.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Span {
    /// The text it points into.
    pub source: SourceId,
    /// First byte.
    pub start: u32,
    /// One past the last byte.
    pub end: u32,
}

impl Span {
    /// A span over `start..end` of `source`.
    pub fn new(source: SourceId, start: usize, end: usize) -> Self {
        let clamp = |at: usize| u32::try_from(at).unwrap_or(u32::MAX);
        Span { source, start: clamp(start), end: clamp(end.max(start)) }
    }

    /// The smallest span that covers both; keeps this one's source.
    pub fn to(self, other: Span) -> Span {
        Span {
            source: self.source,
            start: self.start.min(other.start),
            end: self.end.max(other.end),
        }
    }

    /// The empty span just behind this one.
    pub fn after(self) -> Span {
        Span { start: self.end, ..self }
    }

    /// The byte range, for slicing.
    pub fn range(self) -> std::ops::Range<usize> {
        self.start as usize..self.end as usize
    }
}

/// One text with the name people know it by: a path, or `--set speed=5000rpm`.
#[derive(Clone, Debug)]
pub struct Source {
    /// Shown in reports.
    pub name: String,
    /// The whole text.
    pub text: Arc<str>,
    /// Where its lines start; computed at the first use.
    lines: OnceLock<Vec<usize>>,
}

impl Source {
    fn lines(&self) -> &[usize] {
        self.lines.get_or_init(|| {
            let breaks = self.text.bytes().enumerate().filter(|(_, byte)| *byte == b'\n');
            std::iter::once(0).chain(breaks.map(|(at, _)| at + 1)).collect()
        })
    }
}

/// All texts of one check or run, by [`SourceId`].
#[derive(Clone, Debug, Default)]
pub struct SourceMap {
    sources: Vec<Source>,
}

impl SourceMap {
    /// An empty map.
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds a text and gives its id.
    pub fn add(&mut self, name: impl Into<String>, text: impl Into<Arc<str>>) -> SourceId {
        let id = SourceId(u32::try_from(self.sources.len()).unwrap_or(u32::MAX));
        let (name, text) = (name.into(), text.into());
        self.sources.push(Source { name, text, lines: OnceLock::new() });
        id
    }

    /// The source behind an id.
    pub fn get(&self, id: SourceId) -> Option<&Source> {
        self.sources.get(id.0 as usize)
    }

    /// The whole text of a source, or an empty string where there is none.
    pub fn text(&self, id: SourceId) -> &str {
        self.get(id).map_or("", |source| &source.text)
    }

    /// All sources with their ids.
    pub fn iter(&self) -> impl Iterator<Item = (SourceId, &Source)> {
        self.sources.iter().enumerate().map(|(i, s)| (SourceId(i as u32), s))
    }

    /// The text under a span, or an empty string when it points nowhere.
    pub fn slice(&self, span: Span) -> &str {
        self.get(span.source).and_then(|s| s.text.get(span.range())).unwrap_or("")
    }

    /// The text under a span on one line, and not endless.
    pub fn excerpt(&self, span: Span) -> String {
        shortened(self.slice(span), MAX_EXCERPT)
    }

    /// One-based line and column (in characters) of a byte offset.
    pub fn line_column(&self, source: SourceId, offset: u32) -> (usize, usize) {
        let Some(source) = self.get(source) else { return (1, 1) };
        let mut at = (offset as usize).min(source.text.len());
        while !source.text.is_char_boundary(at) {
            at -= 1;
        }
        let line = source.lines().partition_point(|start| *start <= at);
        let start = source.lines().get(line.saturating_sub(1)).copied().unwrap_or(0);
        let before = source.text.get(start..at).unwrap_or("");
        // A byte order mark is no character of the text.
        let column = before.trim_start_matches('\u{feff}').chars().count() + 1;
        (line, column)
    }

    /// `name:line:column` of a span's start.
    pub fn place(&self, span: Span) -> String {
        let name = self.get(span.source).map_or("?", |s| s.name.as_str());
        let (line, column) = self.line_column(span.source, span.start);
        format!("{name}:{line}:{column}")
    }
}

#[cfg(test)]
mod tests {
    use super::{SourceMap, Span};

    #[test]
    fn lines_and_columns_count_characters() {
        let mut map = SourceMap::new();
        let id = map.add("a.spt", "let µ = 1\r\n\tx\n");
        assert_eq!(map.line_column(id, 6), (1, 6));
        assert_eq!(map.place(Span::new(id, 13, 14)), "a.spt:2:2");
        assert_eq!(map.line_column(id, 999), (3, 1));
        let marked = map.add("b.spt", "\u{feff}spin()\n");
        assert_eq!(map.line_column(marked, 3), (1, 1));
    }
}
