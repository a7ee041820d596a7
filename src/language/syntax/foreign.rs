//! Habits of other languages, and what is meant here, as `foreign.md` tells it: patterns of lexemes with
//! what to write instead. A pattern is written like a script; the words in capitals stand for parts of it:
//!
//! - `NAME`: a word; `NUMBER`: a number; `TEXT`: a text, and `"INNER"` what stands in one;
//! - `X`, `Y`, `Z`: an expression; `REST`: all that follows, or nothing; `END`: nothing follows.

use crate::diagnostics::{Edit, Help};
use crate::source::{SourceId, Span};
use crate::syntax::raw::{Lexeme, Raw, lexemes};
use std::ops::Range;
use std::sync::LazyLock;

/// Where a habit stands; the heading of its section.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Foreign {
    /// Where a statement begins.
    Statement,
    /// The head of a block without braces.
    Block,
    /// What goes on with such a block.
    Continuation,
    /// Anywhere in a statement.
    Operator,
    /// A call of a routine.
    Routine,
    /// A value.
    Value,
    /// A type.
    Kind,
}

/// Most lexemes of a line in which a pattern is looked for.
const MAX_LEXEMES: usize = 200;
/// Longest text that a report shows as what to write, in characters.
const MAX_SHOWN: usize = 68;
/// The parts of a pattern.
const HOLES: &[&str] = &["NAME", "NUMBER", "TEXT", "INNER", "X", "Y", "Z", "REST", "END"];

/// A habit with what is meant.
struct Row {
    place: Foreign,
    patterns: Vec<Vec<Piece>>,
    /// What to write, for each way out.
    templates: Vec<&'static str>,
    is_safe: bool,
    /// What it is about.
    why: &'static str,
}

enum Piece {
    Hole(&'static str),
    /// A lexeme as it is written, and whether it touches the one before.
    Literal(&'static str, bool),
}

/// A habit that was found.
pub(crate) struct Habit {
    pub place: Foreign,
    pub span: Span,
    /// What it is about.
    pub why: &'static str,
    /// What to write, with its edits; empty where `why` is all there is to say.
    pub help: Vec<Help>,
}

static TABLE: LazyLock<Vec<Row>> = LazyLock::new(|| {
    let mut place = None;
    let mut rows = Vec::new();
    for line in include_str!("foreign.md").lines() {
        if let Some(heading) = line.strip_prefix("## ") {
            let all = [
                Foreign::Statement,
                Foreign::Block,
                Foreign::Continuation,
                Foreign::Operator,
                Foreign::Routine,
                Foreign::Value,
                Foreign::Kind,
            ];
            place = all.into_iter().find(|place| format!("{place:?}s") == heading);
        }
        rows.extend(place.zip(line.strip_prefix("- ")).and_then(|(place, item)| row(place, item)));
    }
    rows
});

/// A row such as "`a X`, `b X` => `c X`: why", with `~>` where the author has to choose.
fn row(place: Foreign, item: &'static str) -> Option<Row> {
    let (mut patterns, mut rest) = (Vec::new(), item);
    loop {
        let (quoted, behind) = rest.strip_prefix('`')?.split_once('`')?;
        patterns.push(pattern(quoted));
        let Some(more) = behind.strip_prefix(", ") else {
            rest = behind.trim_start();
            break;
        };
        rest = more;
    }
    if let Some(why) = rest.strip_prefix(": ") {
        return Some(Row { place, patterns, templates: Vec::new(), is_safe: false, why });
    }
    let is_safe = rest.starts_with("=>");
    let (ways, why) = rest.get(3..)?.strip_prefix('`')?.split_once("`: ")?;
    Some(Row { place, patterns, templates: ways.split("` or `").collect(), is_safe, why })
}

fn pattern(text: &'static str) -> Vec<Piece> {
    let mut end = 0;
    let piece = |lexeme: &Lexeme| {
        let written = text.get(lexeme.range()).unwrap_or("");
        let touches = end == lexeme.range().start;
        end = lexeme.range().end;
        match HOLES.iter().find(|hole| **hole == written) {
            Some(hole) => Piece::Hole(hole),
            None => {
                let is_word = written.starts_with(|c: char| c.is_alphanumeric());
                Piece::Literal(written, touches && !is_word)
            }
        }
    };
    lexemes(text).iter().map(piece).collect()
}

/// A line, or its rest, in which patterns are looked for.
struct Line<'t> {
    source: SourceId,
    text: &'t str,
    /// Where it begins in its source.
    start: usize,
    lexemes: Vec<Lexeme>,
}

/// What each hole stands for, in lexemes.
type Captures = Vec<(&'static str, Range<usize>)>;

impl<'t> Line<'t> {
    /// The text from a place up to the end of its line.
    fn from(source: SourceId, text: &'t str, start: usize) -> Self {
        let rest = text.get(start..).unwrap_or("");
        let rest = rest.split('\n').next().unwrap_or("").trim_end();
        let mut lexemes = lexemes(rest);
        let comment =
            lexemes.iter().position(|l| matches!(l.raw, Raw::Comment | Raw::BlockComment));
        lexemes.truncate(comment.unwrap_or(MAX_LEXEMES).min(MAX_LEXEMES));
        Line { source, text: rest, start, lexemes }
    }

    fn written(&self, range: Range<usize>) -> &'t str {
        let first = self.lexemes.get(range.start).map_or(0, |l| l.range().start);
        let last = range.end.checked_sub(1).and_then(|at| self.lexemes.get(at));
        let end = last.map_or(first, |l| l.range().end);
        self.text.get(first..end).unwrap_or("")
    }

    fn span(&self, range: Range<usize>) -> Span {
        let first = self.lexemes.get(range.start).map_or(0, |l| l.range().start);
        let first = self.start + first;
        Span::new(self.source, first, first + self.written(range).len())
    }

    /// Where statements begin and end.
    fn statements(&self) -> Vec<Range<usize>> {
        let (mut all, mut start, mut depth) = (Vec::new(), 0, 0_usize);
        for (at, lexeme) in self.lexemes.iter().enumerate() {
            depth = match lexeme.raw {
                raw if opens(raw) && raw != Raw::BraceOpen => depth + 1,
                raw if closes(raw) && raw != Raw::BraceClose => depth.saturating_sub(1),
                _ => depth,
            };
            if depth > 0 {
                continue;
            }
            match lexeme.raw {
                Raw::Semicolon => all.push(start..at),
                Raw::BraceOpen => all.push(start..at + 1),
                Raw::BraceClose => all.push(start..at),
                _ => continue,
            }
            start = at + 1;
        }
        all.push(start..self.lexemes.len());
        all.retain(|range| !range.is_empty());
        all
    }

    /// The first row of a section that fits from a lexeme on, up to at most `end`.
    fn find(&self, place: Foreign, at: usize, end: usize) -> Option<Habit> {
        for row in TABLE.iter().filter(|row| row.place == place) {
            for pattern in &row.patterns {
                let mut captures = Captures::new();
                if let Some(to) = self.fits(pattern, at, end, &mut captures) {
                    return Some(self.habit(row, at..to, &captures));
                }
            }
        }
        None
    }

    /// Where a pattern ends that begins at a lexeme.
    fn fits(
        &self,
        pattern: &[Piece],
        at: usize,
        end: usize,
        captures: &mut Captures,
    ) -> Option<usize> {
        let Some((first, rest)) = pattern.split_first() else { return Some(at) };
        let here = self.lexemes.get(at).filter(|_| at < end);
        let hole = match first {
            Piece::Hole(hole) => *hole,
            Piece::Literal(literal, touches) => {
                let here = here?;
                let before = at.checked_sub(1).and_then(|before| self.lexemes.get(before));
                let apart = *touches && before.is_some_and(|before| before.end != here.start);
                let same = self.written(at..at + 1).eq_ignore_ascii_case(literal);
                return (same && !apart).then(|| self.fits(rest, at + 1, end, captures)).flatten();
            }
        };
        let mut lengths: Vec<usize> = match (hole, here.map(|l| l.raw)) {
            ("END", here) => here.is_none().then_some(0).into_iter().collect(),
            ("NAME", Some(Raw::Word)) | ("NUMBER", Some(Raw::Number)) => vec![1],
            ("TEXT", Some(Raw::Quote)) => self.text_from(at, end).into_iter().collect(),
            ("INNER", Some(Raw::Unquote)) => vec![0],
            ("INNER", Some(_)) => (1..end - at).collect(),
            ("X" | "Y" | "Z", Some(_)) => self.expressions_from(at, end),
            ("REST", _) => (0..=end.saturating_sub(at)).rev().collect(),
            _ => Vec::new(),
        };
        if rest.is_empty() && hole.len() == 1 {
            lengths.reverse();
        }
        for length in lengths {
            let kept = captures.len();
            captures.push((hole, at..at + length));
            if let Some(to) = self.fits(rest, at + length, end, captures) {
                return Some(to);
            }
            captures.truncate(kept);
        }
        None
    }

    /// How many lexemes a text has.
    fn text_from(&self, at: usize, end: usize) -> Option<usize> {
        let mut depth = 0_usize;
        let mut inside = self.lexemes.get(at..end)?.iter();
        let last = inside.position(|lexeme| {
            depth += usize::from(lexeme.raw == Raw::Quote);
            depth -= usize::from(lexeme.raw == Raw::Unquote);
            depth == 0
        });
        last.map(|last| last + 1)
    }

    /// How many lexemes an expression may have, the fewest first.
    fn expressions_from(&self, at: usize, end: usize) -> Vec<usize> {
        let (mut depth, mut lengths) = (0_usize, Vec::new());
        for (behind, lexeme) in self.lexemes.get(at..end).unwrap_or(&[]).iter().enumerate() {
            depth += usize::from(opens(lexeme.raw));
            if depth == 0 {
                let stops = matches!(
                    lexeme.raw,
                    Raw::Comma | Raw::Assign | Raw::Colon | Raw::Semicolon | Raw::BraceClose
                );
                if stops || closes(lexeme.raw) {
                    break;
                }
                lengths.push(behind + 1);
            } else if closes(lexeme.raw) {
                depth -= 1;
                lengths.extend((depth == 0).then_some(behind + 1));
            } else if lexeme.raw == Raw::BraceOpen && depth == 1 {
                break;
            }
        }
        lengths
    }

    fn habit(&self, row: &Row, range: Range<usize>, captures: &Captures) -> Habit {
        let span = self.span(range);
        let way = |template: &&'static str| {
            let text = self.filled(template, captures);
            let shown = if text.chars().count() > MAX_SHOWN { template } else { text.as_str() };
            let help = match text.trim() {
                "" => "leave it out".to_string(),
                _ => format!("write `{}`", shown.trim()),
            };
            let edits = if text.contains('…') { Vec::new() } else { vec![Edit { span, text }] };
            Help { text: help, is_safe: row.is_safe && !edits.is_empty(), edits }
        };
        let help = row.templates.iter().map(way).collect();
        Habit { place: row.place, span, why: row.why, help }
    }

    /// A template with the captured parts in their places, in brackets where they would bind otherwise.
    fn filled(&self, template: &str, captures: &Captures) -> String {
        let mut out = String::new();
        let mut rest = template;
        while let Some(c) = rest.chars().next() {
            let word = rest.find(|c: char| !c.is_alphanumeric() && c != '_').unwrap_or(rest.len());
            let word = rest.get(..word.max(c.len_utf8())).unwrap_or(rest);
            rest = rest.get(word.len()..).unwrap_or("");
            let Some((_, range)) = captures.iter().find(|(hole, _)| *hole == word) else {
                out.push_str(word);
                continue;
            };
            let binds = |c: Option<char>| c.is_some_and(|c| "+-*/^".contains(c));
            let beside =
                binds(out.trim_end().chars().last()) || binds(rest.trim_start().chars().next());
            let written = self.written(range.clone());
            if beside && self.is_loose(range.clone()) {
                out.push_str(&format!("({written})"));
            } else {
                out.push_str(written);
            }
        }
        out
    }

    /// An operator stands in an expression, in no bracket.
    fn is_loose(&self, range: Range<usize>) -> bool {
        let mut depth = 0_usize;
        self.lexemes.get(range.clone()).unwrap_or(&[]).iter().enumerate().any(|(at, lexeme)| {
            depth += usize::from(opens(lexeme.raw));
            depth = depth.saturating_sub(usize::from(closes(lexeme.raw)));
            let word = self.written(range.start + at..range.start + at + 1);
            let binds = ["and", "or", "mod", "in", "within", "not"].contains(&word);
            depth == 0 && (binds || matches!(lexeme.raw, Raw::Operator(_) | Raw::Foreign))
        })
    }
}

fn opens(raw: Raw) -> bool {
    matches!(raw, Raw::ParenOpen | Raw::ListOpen | Raw::BraceOpen | Raw::Quote | Raw::ValueOpen)
}

fn closes(raw: Raw) -> bool {
    matches!(
        raw,
        Raw::ParenClose | Raw::ListClose | Raw::BraceClose | Raw::Unquote | Raw::ValueClose
    )
}

/// The habit at a place: one of a section, or of a statement where one begins there.
pub(crate) fn habit_at(place: Foreign, source: SourceId, text: &str, at: usize) -> Option<Habit> {
    let line = Line::from(source, text, at);
    let end = line.statements().first().map_or(0, |range| range.end);
    let before = text.get(..at).unwrap_or("").trim_end_matches([' ', '\t']);
    let begins = before.is_empty() || before.ends_with(['\n', '{', '}', ';']);
    let statement = begins.then(|| line.find(Foreign::Statement, 0, end)).flatten();
    statement.or_else(|| line.find(place, 0, end))
}

/// The habits on the line around a place, none inside another.
pub(crate) fn habits_on_line(source: SourceId, text: &str, at: usize) -> Vec<Habit> {
    let start = text.get(..at).and_then(|before| before.rfind('\n')).map_or(0, |at| at + 1);
    let line = Line::from(source, text, start);
    let mut found: Vec<Habit> = Vec::new();
    for range in line.statements() {
        let first = range.start;
        let habit = line
            .find(Foreign::Block, first, range.end)
            .and_then(|habit| block(source, text, start, habit))
            .or_else(|| line.find(Foreign::Statement, first, range.end));
        found.extend(habit);
        for at in range.clone() {
            let here = line.span(at..at + 1).start;
            if found.last().is_none_or(|last| last.span.end <= here) {
                found.extend(line.find(Foreign::Operator, at, range.end));
            }
        }
    }
    found
}

/// A line of a text: where it begins, how far it is indented, and what it says.
fn line_at(text: &str, start: usize) -> (usize, &str) {
    let line = text.get(start..).and_then(|rest| rest.split('\n').next()).unwrap_or("");
    let said = line.trim_start();
    (line.len() - said.len(), said.trim_end())
}

/// A head of a block that is ended by its indentation or by a word, with the edits that put the block into
/// braces; none where nothing is indented below it.
fn block(source: SourceId, text: &str, start: usize, mut habit: Habit) -> Option<Habit> {
    const ENDS: &[&str] = &["end", "fi", "done", "next", "wend", "loop", "od", "esac"];
    let (indent, _) = line_at(text, start);
    let margin = text.get(start..start + indent).unwrap_or("");
    let (mut edits, mut last, mut at) = (Vec::new(), None, start);
    while let Some(length) = text.get(at..).and_then(|rest| rest.find('\n')) {
        at += length + 1;
        let (depth, said) = line_at(text, at);
        let place = Span::new(source, at + depth, at + depth + said.len());
        if said.is_empty() || said.starts_with("//") || said.starts_with('#') {
            continue;
        }
        if depth > indent {
            last = Some(place.after());
            continue;
        }
        let line = Line::from(source, text, at + depth);
        if depth == indent
            && let Some(next) = line.find(Foreign::Continuation, 0, line.lexemes.len())
            && last.is_some()
        {
            edits.extend(next.help.into_iter().flat_map(|help| help.edits));
            continue;
        }
        let word = said.split(|c: char| !c.is_alphanumeric() && c != '_').next().unwrap_or("");
        let word = word.to_ascii_lowercase();
        if depth == indent && (ENDS.contains(&word.as_str()) || word.starts_with("end")) {
            last?;
            edits.push(Edit { span: place, text: "}".to_string() });
            last = None;
        }
        break;
    }
    if let Some(behind) = last {
        edits.push(Edit { span: behind, text: format!("\n{margin}}}") });
    } else if edits.is_empty() {
        return None;
    }
    for help in habit.help.iter_mut().filter(|help| !help.edits.is_empty()) {
        help.edits.extend(edits.iter().cloned());
    }
    Some(habit)
}

#[cfg(test)]
mod tests {
    use super::{Foreign, TABLE, habit_at, habits_on_line};
    use crate::source::SourceId;

    #[test]
    fn every_row_is_read() {
        let items = include_str!("foreign.md").lines().filter(|line| line.starts_with("- "));
        assert_eq!(items.count(), TABLE.len());
        for row in TABLE.iter() {
            let quotes = |text: &str| text.matches('`').count();
            assert!(quotes(row.why) % 2 == 0 && !row.why.contains("=>"), "{}", row.why);
            assert!(row.templates.iter().all(|template| quotes(template) == 0), "{}", row.why);
        }
    }

    #[test]
    fn words_of_other_languages_are_told_apart() {
        let routine = |name| habit_at(Foreign::Routine, SourceId(0), name, 0);
        assert!(routine("ceil").is_some_and(|habit| habit.help.len() == 1));
        assert!(routine("maximum").is_some_and(|habit| habit.why.contains("largest(xs)")));
        assert!(["", "`", "max,x", "maxi", "-"].into_iter().all(|name| {
            routine(name).is_none_or(|habit| name == "max,x" && habit.span.end == 3)
        }));
    }

    #[test]
    fn parts_keep_their_meaning() {
        let written = |text: &str| {
            let habits = habits_on_line(SourceId(0), text, 0);
            habits.first().map(|habit| habit.help[0].edits[0].text.clone())
        };
        assert_eq!(written("x -= a + b").as_deref(), Some("x = x - (a + b)"));
        assert_eq!(written("x += f(a + b)").as_deref(), Some("x = x + f(a + b)"));
    }
}
