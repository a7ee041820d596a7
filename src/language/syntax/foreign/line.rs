//! A line as lexemes: where patterns fit, and what then is to be written.

use crate::diagnostics::fix::edited;
use crate::diagnostics::{Edit, Help};
use crate::source::{SourceId, Span};
use crate::syntax::foreign::{Foreign, Habit, INDEX, Piece, Row, TABLE};
use crate::syntax::keyword::Keyword;
use crate::syntax::raw::{Lexeme, Raw, lexemes};
use spintrue_head::find_unit;
use std::ops::Range;

/// Most lexemes of a line in which a pattern is looked for.
const MAX_LEXEMES: usize = 200;
/// Longest text that a report shows as what to write, in characters.
const MAX_SHOWN: usize = 100;

/// A line, or its rest, in which patterns are looked for.
pub(super) struct Line<'t> {
    source: SourceId,
    text: &'t str,
    /// Where it begins in its source, and what stands before it there.
    start: usize,
    before: &'t str,
    behind: &'t str,
    pub lexemes: Vec<Lexeme>,
}

/// What each hole stands for, in lexemes.
pub(super) type Captures = Vec<(&'static str, Range<usize>)>;

impl<'t> Line<'t> {
    /// The text from a place up to the end of its line.
    pub(super) fn from(source: SourceId, text: &'t str, start: usize) -> Self {
        let rest = text.get(start..).unwrap_or("");
        let (rest, behind) = rest.split_once('\n').unwrap_or((rest, ""));
        let rest = rest.trim_end();
        let mut lexemes = lexemes(rest);
        let comment =
            lexemes.iter().position(|l| matches!(l.raw, Raw::Comment | Raw::BlockComment));
        lexemes.truncate(comment.unwrap_or(MAX_LEXEMES).min(MAX_LEXEMES));
        let before = text.get(..start).unwrap_or("").rsplit('\n').next().unwrap_or("");
        Line { source, text: rest, start, before, behind, lexemes }
    }

    pub(super) fn written(&self, range: Range<usize>) -> &'t str {
        if range.is_empty() {
            return "";
        }
        let first = self.lexemes.get(range.start).map_or(0, |l| l.range().start);
        let last = range.end.checked_sub(1).and_then(|at| self.lexemes.get(at));
        let end = last.map_or(first, |l| l.range().end);
        self.text.get(first..end).unwrap_or("")
    }

    pub(super) fn span(&self, range: Range<usize>) -> Span {
        let first = self.lexemes.get(range.start).map_or(0, |l| l.range().start);
        let first = self.start + first;
        Span::new(self.source, first, first + self.written(range).len())
    }

    /// Where statements begin and end.
    pub(super) fn statements(&self) -> Vec<Range<usize>> {
        let (mut all, mut start, mut depth) = (Vec::new(), 0, 0_usize);
        for (at, lexeme) in self.lexemes.iter().enumerate() {
            let before = at.checked_sub(1).and_then(|before| self.lexemes.get(before));
            // A brace where an operand is wanted is that of a record.
            let was_inside = depth > 0;
            let is_record = was_inside
                || before.is_some_and(|before| matches!(before.raw, Raw::Assign | Raw::Colon));
            depth = match lexeme.raw {
                Raw::BraceOpen if !is_record => depth,
                Raw::BraceClose if depth == 0 => depth,
                raw if opens(raw) => depth + 1,
                raw if closes(raw) => depth.saturating_sub(1),
                _ => depth,
            };
            if depth > 0 || was_inside {
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

    /// The first row that fits where a statement begins.
    pub(super) fn statement(&self, at: usize, end: usize) -> Option<Habit> {
        self.find(Foreign::Use, at, end).or_else(|| self.find(Foreign::Statement, at, end))
    }

    /// The first row of a section that fits from a lexeme on, up to at most `end`.
    pub(super) fn find(&self, place: Foreign, at: usize, end: usize) -> Option<Habit> {
        self.all(place, at, end)
            .next()
            .or_else(|| (place == Foreign::Statement).then(|| self.keyword(at, end)).flatten())
    }

    /// `IF locked() {`
    fn keyword(&self, at: usize, end: usize) -> Option<Habit> {
        let (written, span) = (self.written(at..at + 1), self.span(at..at + 1));
        let small = written.to_ascii_lowercase();
        let begins = |keyword: &Keyword| {
            keyword.begins_statement() || matches!(keyword, Keyword::Until | Keyword::Else)
        };
        Keyword::of(&small).filter(begins).filter(|_| small != written)?;
        let said = format!("{small} {}", self.written(at + 1..end));
        let said = said.trim().trim_end_matches('{').trim_end();
        let help = format!("write `{said}`");
        let help =
            vec![Help { text: help, edits: vec![Edit { span, text: small }], is_safe: true }];
        let why = "keywords are written in small letters";
        let (place, also) = (Foreign::Statement, Vec::new());
        Some(Habit { place, span, also, whole: span, is_word: true, why, help })
    }

    /// All rows that fit there, in the order of the table.
    pub(super) fn all(
        &self,
        place: Foreign,
        at: usize,
        end: usize,
    ) -> impl Iterator<Item = Habit> + '_ {
        self.those(place, at, end, |_| true)
    }

    /// A row that fits the whole line, braces and all.
    pub(super) fn whole(&self, place: Foreign) -> Option<Habit> {
        let last = self.lexemes.iter().rposition(|lexeme| lexeme.raw != Raw::Semicolon);
        let end = last.map_or(0, |last| last + 1);
        let ends = ["{", "end", "end_if"];
        let is_brace =
            |piece: &Piece| matches!(piece, Piece::Literal(literal, _) if ends.contains(literal));
        let mut all = self.those(place, 0, end, |pattern| pattern.iter().any(is_brace));
        all.find(|habit| habit.whole.end == self.span(0..end).end)
    }

    fn those(
        &self,
        place: Foreign,
        at: usize,
        end: usize,
        keeps: impl Fn(&[Piece]) -> bool,
    ) -> impl Iterator<Item = Habit> {
        let first = self.written(at..at + 1).to_lowercase();
        let of =
            |first: &str| INDEX.get(&(place, first.to_string())).map_or(&[][..], Vec::as_slice);
        let (mut known, mut open) = (of(&first).iter().peekable(), of("").iter().peekable());
        let next = move || match (known.peek(), open.peek()) {
            (Some(one), Some(other)) if one > other => open.next(),
            (Some(_), _) => known.next(),
            _ => open.next(),
        };
        std::iter::from_fn(next).filter_map(move |(row, pattern)| {
            let row = TABLE.get(*row)?;
            let pattern = row.patterns.get(*pattern).filter(|pattern| keeps(pattern))?;
            let mut captures = Captures::new();
            // A count that goes down is no comment.
            if first == "--" && self.touches(at) {
                return None;
            }
            // Behind a comma outside brackets stands no element.
            if first == "," && is_keyword(self.written(0..1)) && self.is_in_no_bracket(at) {
                return None;
            }
            let to = self.fits(pattern, at, end, &mut captures)?;
            let is_word = matches!(pattern.first(), Some(Piece::Literal(word, _))
                if word.starts_with(char::is_alphabetic) && !is_keyword(word));
            let habit = self.habit(row, is_word, at..to, end, &captures);
            (row.templates.is_empty() || !habit.help.is_empty()).then_some(habit)
        })
    }

    fn is_in_no_bracket(&self, at: usize) -> bool {
        let before = || self.lexemes.iter().take(at);
        before().filter(|l| opens(l.raw)).count() == before().filter(|l| closes(l.raw)).count()
    }

    /// Whether a lexeme stands right behind the one before.
    fn touches(&self, at: usize) -> bool {
        let before = at.checked_sub(1).and_then(|before| self.lexemes.get(before));
        before.zip(self.lexemes.get(at)).is_some_and(|(before, here)| before.end == here.start)
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
                here?;
                let apart = *touches && at > 0 && !self.touches(at);
                let written = self.written(at..at + 1);
                let has_case = literal.contains(char::is_uppercase);
                let same =
                    written == *literal || !has_case && written.eq_ignore_ascii_case(literal);
                return (same && !apart).then(|| self.fits(rest, at + 1, end, captures)).flatten();
            }
        };
        let mut lengths: Vec<usize> = match (hole, here.map(|l| l.raw)) {
            ("END", here) => here.is_none().then_some(0).into_iter().collect(),
            ("NAME" | "A" | "B", Some(Raw::Word)) if !is_keyword(self.written(at..at + 1)) => {
                vec![1]
            }
            ("UNIT", Some(Raw::Word)) if find_unit(self.written(at..at + 1)).is_some() => vec![1],
            ("NUMBER" | "N" | "M", Some(Raw::Number)) => vec![1],
            ("TEXT", Some(Raw::Unknown)) if self.written(at..at + 1).starts_with(['\'', '`']) => {
                vec![1]
            }
            ("TEXT", Some(Raw::Quote)) => self.text_from(at, end).into_iter().collect(),
            ("INNER", Some(Raw::Unquote)) => vec![0],
            ("INNER", Some(_)) => {
                let in_quotes = matches!(rest.first(), Some(Piece::Literal("\"", _)));
                let inside = self.lexemes.iter().take(end).skip(at);
                let inside = inside.take_while(|one| !in_quotes || one.raw != Raw::Unquote);
                (1..=inside.count()).collect()
            }
            ("X" | "Y" | "Z", Some(_)) => self.expressions_from(at, end),
            ("REST", _) => (0..=end.saturating_sub(at)).rev().collect(),
            _ => Vec::new(),
        };
        if rest.is_empty() && matches!(hole, "X" | "Y" | "Z") {
            lengths.reverse();
        }
        let known =
            captures.iter().find(|(known, _)| *known == hole).map(|(_, range)| range.clone());
        for length in lengths {
            let kept = captures.len();
            let same = |range| self.written(range) == self.written(at..at + length);
            if known.clone().is_some_and(|range| !same(range)) {
                continue;
            }
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
                    Raw::Comma | Raw::Colon | Raw::Semicolon | Raw::BraceClose
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

    fn habit(
        &self,
        row: &Row,
        is_word: bool,
        range: Range<usize>,
        end: usize,
        captures: &Captures,
    ) -> Habit {
        let whole = self.span(range.clone());
        let written = self.written(range.clone());
        let is_safe = row.is_safe && !(row.counts && self.is_index(captures));
        let mut span =
            if row.templates.is_empty() { self.span(range.start..range.start + 1) } else { whole };
        let way = |template: &&'static str| {
            let is_head = matches!(row.place, Foreign::Statement | Foreign::Use | Foreign::Block);
            let text = self.filled(template, captures, is_head)?;
            let text = match !is_head && self.binds_otherwise(&range, &text) {
                true => format!("({text})"),
                false => text,
            };
            let rest = if is_head { self.written(range.end..end) } else { "" };
            let touches = self.span(range.end..end).start == whole.end;
            let said = format!("{text}{}{rest}", if touches || rest.is_empty() { "" } else { " " });
            let said = match said.trim().strip_suffix('{') {
                Some(head) => format!("{head}{{ … }}"),
                None if is_head && said.matches('{').count() > said.matches('}').count() => {
                    format!("{} … }}", said.trim())
                }
                None => said.trim().to_string(),
            };
            let cut = said.char_indices().nth(MAX_SHOWN).map(|(at, _)| at);
            let shown = cut
                .and_then(|at| said.get(..at))
                .map_or(said.clone(), |s| format!("{} …", s.trim_end()));
            let shown = shown.as_str();
            let inner = shown.trim_end_matches(['(', ' ']);
            let inner = inner.strip_prefix(") ").unwrap_or(inner).trim_start_matches([',', ' ']);
            let count = |signs: [char; 3]| inner.matches(signs).count();
            let is_open = count(['(', '[', '{']) > count([')', ']', '}']);
            let inside = inner.split_once(['(', '[', '{']).map_or(inner, |(_, inside)| inside);
            let inner = if is_open { inside } else { inner };
            let shown =
                if is_head || cut.is_some() { shown } else { inner.trim_start_matches("= ") };
            if text.is_empty() && rest.is_empty() {
                let edits = vec![Edit { span: whole, text }];
                let text = "leave it out".to_string();
                return Some(Help { text, edits, is_safe });
            }
            if text.contains('…') {
                let help = format!("write `{shown}`");
                return Some(Help { text: help, is_safe: false, edits: Vec::new() });
            }
            let (before, behind) = shared(written, &text);
            let start = whole.start as usize + before;
            let place = Span::new(self.source, start, start + written.len() - before - behind);
            span = place;
            let text = text.get(before..text.len() - behind).unwrap_or("").to_string();
            let edits = vec![Edit { span: place, text }];
            Some(Help { text: format!("write `{shown}`"), is_safe, edits })
        };
        let help = row.templates.iter().filter_map(way).collect();
        Habit { place: row.place, span, also: Vec::new(), whole, is_word, why: row.why, help }
    }

    /// A template with the captured parts in their places, in brackets where they would bind otherwise.
    /// In the head of a statement they are mended themselves. None where they make no text.
    /// A name is an index in the lines behind, where lists may be counted from another first element.
    fn is_index(&self, captures: &Captures) -> bool {
        let name = captures.iter().find(|(hole, _)| *hole == "NAME");
        let name = name.map_or("", |(_, range)| self.written(range.clone()));
        let mut indices = self.behind.split('[').skip(1);
        let is_word = |c: char| c.is_alphanumeric() || c == '_';
        indices.any(|index| index.split(|c| !is_word(c)).next() == Some(name))
    }

    fn filled(&self, template: &str, captures: &Captures, is_head: bool) -> Option<String> {
        let mut out = String::new();
        let mut rest = template;
        while let Some(c) = rest.chars().next() {
            let word = rest.find(|c: char| !c.is_alphanumeric() && c != '_').unwrap_or(rest.len());
            let word = rest.get(..word.max(c.len_utf8())).unwrap_or(rest);
            rest = rest.get(word.len()..).unwrap_or("");
            if let "SAID" | "JOINED" = word {
                out.push_str(&self.said(captures, word == "SAID")?);
                continue;
            }
            let Some((hole, range)) = captures.iter().find(|(hole, _)| *hole == word) else {
                out.push_str(word);
                continue;
            };
            let binds = |c: Option<char>| c.is_some_and(|c| "+-*/^".contains(c));
            let words = [" mod ", " and ", " or "];
            let beside = binds(out.trim_end().chars().last())
                || binds(rest.trim_start().chars().next())
                || words.iter().any(|word| out.ends_with(word) || rest.starts_with(word));
            let written = self.written(range.clone());
            if let (Some(more), Ok(number)) = (rest.strip_prefix(" + 1"), written.parse::<u32>()) {
                out.push_str(&(u64::from(number) + 1).to_string());
                rest = more;
                continue;
            }
            let is_value = matches!(*hole, "X" | "Y" | "Z");
            let written = match *hole {
                "X" | "Y" | "Z" | "REST" if is_head => self.mended(range.clone(), is_value),
                "TEXT" => in_double_quotes(written),
                _ => written.to_string(),
            };
            // The power of a number with a unit is that of the unit alone.
            let is_raised = rest.starts_with('^') && range.len() > 1 && !written.ends_with(')');
            if beside && self.is_loose(range.clone()) || is_raised {
                out.push_str(&format!("({written})"));
            } else {
                out.push_str(&written);
            }
        }
        Some(out)
    }

    /// A part with its own habits put right, as far as that is sure; in a value `=` can only compare.
    fn mended(&self, range: Range<usize>, is_value: bool) -> String {
        let mut edits: Vec<Edit> = Vec::new();
        let (mut depth, mut behind) = (0_usize, 0);
        for at in range.clone() {
            let Some(lexeme) = self.lexemes.get(at) else { break };
            depth += usize::from(opens(lexeme.raw));
            depth = depth.saturating_sub(usize::from(closes(lexeme.raw)));
            let span = self.span(at..at + 1);
            if span.start < behind {
                continue;
            }
            if is_value && depth == 0 && lexeme.raw == Raw::Assign {
                edits.push(Edit { span, text: "==".to_string() });
                continue;
            }
            let found = self.find(Foreign::Operator, at, range.end);
            let found = found.or_else(|| self.find(Foreign::Character, at, range.end));
            if let Some(habit) = found
                && let [Help { is_safe: true, edits: ways, .. }] = habit.help.as_slice()
            {
                behind = habit.whole.end;
                edits.extend(ways.iter().cloned());
            }
        }
        let start = self.span(range.clone()).start;
        for Edit { span, .. } in &mut edits {
            (span.start, span.end) = (span.start - start, span.end - start);
        }
        edited(self.written(range), &edits)
    }

    /// An operator stands in what takes the place of a call, and another one beside it.
    fn binds_otherwise(&self, range: &Range<usize>, text: &str) -> bool {
        let is_call = range.len() > 2 && self.written(range.clone()).ends_with(')');
        let new = Line::from(self.source, text, 0);
        if !is_call || !new.is_loose(0..new.lexemes.len()) {
            return false;
        }
        let before = Line::from(self.source, self.before, 0);
        let before = match range.start.checked_sub(1) {
            Some(last) => self.is_operator(last),
            None => {
                before.lexemes.len().checked_sub(1).is_some_and(|last| before.is_operator(last))
            }
        };
        let is_raised = self.lexemes.get(range.end).is_some_and(|l| l.raw == Raw::Caret);
        before || is_raised || self.is_operator(range.end)
    }

    fn is_operator(&self, at: usize) -> bool {
        let is_word = ["and", "or", "mod", "not"].contains(&self.written(at..at + 1));
        let raw = self.lexemes.get(at).map(|lexeme| lexeme.raw);
        is_word || matches!(raw, Some(Raw::Operator(_) | Raw::Foreign))
    }

    /// An operator stands in an expression, in no bracket.
    pub(super) fn is_loose(&self, range: Range<usize>) -> bool {
        let mut depth = 0_usize;
        self.lexemes.get(range.clone()).unwrap_or(&[]).iter().enumerate().any(|(at, lexeme)| {
            depth += usize::from(opens(lexeme.raw));
            depth = depth.saturating_sub(usize::from(closes(lexeme.raw)));
            let at = range.start + at;
            let is_band = || ["in", "within"].contains(&self.written(at..at + 1));
            depth == 0 && (self.is_operator(at) || is_band())
        })
    }
}

/// A text of another language in the quotes of this one.
fn in_double_quotes(written: &str) -> String {
    let inside = |mark| written.strip_prefix(mark).and_then(|rest| rest.strip_suffix(mark));
    match inside('\'').or_else(|| inside('`')).filter(|inside| !inside.contains('"')) {
        Some(inside) => format!("\"{}\"", inside.replace("${", "{")),
        None => written.to_string(),
    }
}

/// How many bytes two texts share at their beginnings and at their ends, in whole words.
fn shared(one: &str, other: &str) -> (usize, usize) {
    let is_word = |c: Option<char>| c.is_some_and(|c| c.is_alphanumeric() || c == '_');
    let mut before = 0;
    for ((at, a), b) in one.char_indices().zip(other.chars()) {
        if a != b {
            break;
        }
        let end = at + a.len_utf8();
        let next = |text: &str| text.get(end..).and_then(|rest| rest.chars().next());
        if !(is_word(Some(a)) && (is_word(next(one)) || is_word(next(other)))) {
            before = end;
        }
    }
    let (one, other) = (one.get(before..).unwrap_or(""), other.get(before..).unwrap_or(""));
    let mut behind = 0;
    for ((at, a), b) in one.char_indices().rev().zip(other.chars().rev()) {
        if a != b {
            break;
        }
        let length = one.len() - at;
        let next =
            |text: &str| text.get(..text.len() - length).and_then(|rest| rest.chars().last());
        if !(is_word(Some(a)) && (is_word(next(one)) || is_word(next(other)))) {
            behind = length;
        }
    }
    (before, behind)
}

pub(super) fn opens(raw: Raw) -> bool {
    matches!(raw, Raw::ParenOpen | Raw::ListOpen | Raw::BraceOpen | Raw::Quote | Raw::ValueOpen)
}

pub(super) fn closes(raw: Raw) -> bool {
    matches!(
        raw,
        Raw::ParenClose | Raw::ListClose | Raw::BraceClose | Raw::Unquote | Raw::ValueClose
    )
}

fn is_keyword(word: &str) -> bool {
    Keyword::of(word).is_some()
}
