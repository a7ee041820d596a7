//! Habits of other languages, and what is meant here, as `foreign.md` tells it: patterns of lexemes with
//! what to write instead. A pattern is written like a script; the words in capitals stand for parts of it:
//!
//! - `NAME`, `A`, `B`: a word; `UNIT`: one that is a unit; `NUMBER`, `N`, `M`: a number; `TEXT`: a text, and `"INNER"` what stands in one;
//! - `X`, `Y`, `Z`: an expression; `REST`: all that follows, or nothing; `END`: nothing follows.
//!
//! In what to write, `SAID` is the text that `TEXT` and the pieces or values of `REST`, or `X`, make, with blanks between
//! pieces, and `JOINED` the same without blanks.
//!
//! The same word stands for the same part. Words in a pattern fit in any case, those with a capital as they are.

mod block;
mod line;
mod said;

pub(crate) use block::ends_block;

use crate::diagnostics::fix::edited;
use crate::diagnostics::{Edit, Help};
use crate::source::{SourceId, Span};
use crate::syntax::foreign::block::{block, left_out};
use crate::syntax::foreign::line::Line;
use crate::syntax::keyword::Keyword;
use crate::syntax::raw::{Lexeme, lexemes};
use std::collections::HashMap;
use std::sync::LazyLock;

/// Where a habit stands; the heading of its section.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(crate) enum Foreign {
    /// Where a statement begins.
    Statement,
    /// The same, where another file is taken in.
    Use,
    /// The head of a block without braces.
    Block,
    /// What goes on with such a block.
    Continuation,
    /// Inside a block whose words are left out.
    Declaration,
    /// Anywhere in a statement.
    Operator,
    /// A character, likewise.
    Character,
    /// A call of a routine.
    Routine,
    /// A value.
    Value,
    /// A type.
    Kind,
}

/// The parts of a pattern.
const HOLES: &[&str] =
    &["NAME", "A", "B", "UNIT", "NUMBER", "N", "M", "TEXT", "INNER", "X", "Y", "Z", "REST", "END"];

/// What stands at the end of a line that the next one goes on with.
const JOINTS: [char; 12] = [',', '(', '[', '=', '<', '>', '+', '-', '*', '/', '±', '.'];

/// A habit with what is meant.
struct Row {
    place: Foreign,
    patterns: Vec<Vec<Piece>>,
    /// What to write, for each way out.
    templates: Vec<&'static str>,
    is_safe: bool,
    /// `NAME` counts from another first number where lists do.
    counts: bool,
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
    /// Where it stands once more on the same line.
    pub also: Vec<Span>,
    /// All that the pattern takes up.
    pub whole: Span,
    /// It begins with a word of another language.
    pub is_word: bool,
    /// What it is about.
    pub why: &'static str,
    /// What to write, with its edits; empty where `why` is all there is to say.
    pub help: Vec<Help>,
}

impl Habit {
    /// What leaves out all of a line leaves out its end as well.
    fn without_its_line(mut self, text: &str) -> Habit {
        let edits = self.help.iter_mut().flat_map(|help| &mut help.edits);
        for edit in edits.filter(|edit| edit.text.is_empty() && edit.span == self.whole) {
            *edit = left_out(text, edit.span);
        }
        self
    }
}

static TABLE: LazyLock<Vec<Row>> = LazyLock::new(|| {
    let mut place = None;
    let mut rows = Vec::new();
    for line in include_str!("../foreign.md").lines() {
        if let Some(heading) = line.strip_prefix("## ") {
            let all = [
                Foreign::Statement,
                Foreign::Use,
                Foreign::Block,
                Foreign::Continuation,
                Foreign::Declaration,
                Foreign::Operator,
                Foreign::Character,
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

/// Patterns by their section and first lexeme.
type Index = HashMap<(Foreign, String), Vec<(usize, usize)>>;

/// The patterns of a section by the lexeme that they begin with, in small letters; empty for a part. A
/// pattern is named by its row and its place there.
static INDEX: LazyLock<Index> = LazyLock::new(|| {
    let mut index = Index::new();
    for (at, row) in TABLE.iter().enumerate() {
        for (which, pattern) in row.patterns.iter().enumerate() {
            let first = match pattern.first() {
                Some(Piece::Literal(literal, _)) => literal.to_lowercase(),
                _ => String::new(),
            };
            index.entry((row.place, first)).or_default().push((at, which));
        }
    }
    index
});

/// A row such as "`a X`, `b X` => `c X`: why", with `~>` where the author has to choose, and `->` where that is so
/// if `NAME` is an index.
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
        let (is_safe, counts) = (false, false);
        return Some(Row { place, patterns, templates: Vec::new(), is_safe, counts, why });
    }
    let counts = rest.starts_with("->");
    let is_safe = counts || rest.starts_with("=>");
    let (ways, why) = rest.get(3..)?.strip_prefix('`')?.split_once("`: ")?;
    Some(Row {
        place,
        patterns,
        templates: ways.split("` or `").map(str::trim_end).collect(),
        is_safe,
        counts,
        why,
    })
}

fn pattern(text: &'static str) -> Vec<Piece> {
    let mut end = usize::MAX;
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

/// What a habit is about, and after its `: ` a way out.
pub(crate) fn parted(why: &'static str) -> (&'static str, Option<&'static str>) {
    let mut breaks = why.match_indices(": ").map(|(at, _)| at);
    let at = breaks.find(|at| why.get(..*at).is_some_and(|t| t.matches('`').count() % 2 == 0));
    at.map_or((why, None), |at| (why.get(..at).unwrap_or(why), why.get(at + 2..)))
}

/// The habit at a place: one of a section, or of a statement where one begins there.
pub(crate) fn habit_at(place: Foreign, source: SourceId, text: &str, at: usize) -> Option<Habit> {
    let line = Line::from(source, text, at);
    let end = line.statements().first().map_or(0, |range| range.end);
    let before = text.get(..at).unwrap_or("").trim_end_matches([' ', '\t']);
    let begins = before.is_empty() || before.ends_with(['\n', '{', '}', ';']);
    let in_text = before.rsplit('\n').next().unwrap_or("").matches('"').count() % 2 == 1;
    let begins = begins && !in_text;
    let statement = begins.then(|| line.statement(0, end)).flatten();
    statement.or_else(|| line.find(place, 0, end))
}

/// What is meant by a routine that is written as a part of the value that it takes, as in `xs.len()`: what it is
/// about, and how it is written.
pub(crate) fn method(
    name: &str,
    of: &str,
    arguments: &str,
) -> Option<(&'static str, Option<String>)> {
    let comma = if of.is_empty() || arguments.trim().is_empty() { "" } else { ", " };
    let call = format!("{name}({of}{comma}{arguments})");
    let line = Line::from(SourceId(0), &call, 0);
    let habit = line.find(Foreign::Routine, 0, line.lexemes.len())?;
    let way = habit.help.first().filter(|way| !way.edits.is_empty());
    let (why, example) = parted(habit.why);
    Some(match way {
        Some(way) => (why, Some(edited(&call, &way.edits))),
        None => (why, example.map(|example| example.trim_matches('`').to_string())),
    })
}

/// The mark before a place that begins a comment elsewhere, as in `wait 1 s -- settle` and `; start`.
pub(crate) fn comment_mark(text: &str, place: Span) -> Option<Span> {
    let line = text.get(..place.start as usize)?.rsplit('\n').next()?;
    let before = line.trim_end();
    let mark = ["--", ";"].into_iter().find(|mark| before.ends_with(mark))?;
    let start = before.len() - mark.len();
    let stands_apart = start == 0 || before.get(..start).is_some_and(|rest| rest.ends_with(' '));
    let start = place.start as usize - line.len() + start;
    stands_apart.then(|| Span::new(place.source, start, start + mark.len()))
}

/// Whether a file tries to take in another one, in a way that is none here.
pub(crate) fn takes_in_wrongly(text: &str) -> bool {
    text.lines().any(|line| {
        let said = line.trim_start();
        match said.strip_prefix("use ") {
            Some(path) => !path.trim_start().starts_with('"'),
            None => {
                let line = Line::from(SourceId(0), said, 0);
                let habit = line.find(Foreign::Use, 0, line.lexemes.len());
                habit.is_some_and(|habit| {
                    let leaves_out =
                        |edits: &[Edit]| edits.first().is_some_and(|edit| edit.text.is_empty());
                    !habit.help.iter().any(|way| leaves_out(&way.edits))
                })
            }
        }
    })
}

/// Where a line is nothing but a word that begins a block in another language. To the parser it is a name.
pub(crate) fn lone_words(text: &str) -> impl Iterator<Item = u32> {
    let (mut start, mut last) = (0, "");
    text.split_inclusive('\n').filter_map(move |line| {
        let inside = line.trim_start();
        start += line.len();
        let at = start - inside.len();
        let word = inside.trim_end().trim_end_matches(';');
        let before = std::mem::replace(&mut last, word);
        // The table is not read for a script without such a line.
        let is_part = |byte: u8| byte == b'_' || byte.is_ascii_alphanumeric();
        let is_word = !word.is_empty() && word.bytes().all(is_part);
        // A value on a line of its own is none.
        let goes_on = [" and", " or", " not", " mod"].iter().any(|word| before.ends_with(word));
        let begins = is_word
            && !(goes_on || before.ends_with(JOINTS))
            && Keyword::of(word).is_none()
            && INDEX.contains_key(&(Foreign::Block, word.to_ascii_lowercase()));
        begins.then(|| u32::try_from(at).ok()).flatten()
    })
}

/// The habits on the line around a place, none inside another.
pub(crate) fn habits_on_line(source: SourceId, text: &str, at: usize) -> Vec<Habit> {
    let start = text.get(..at).and_then(|before| before.rfind('\n')).map_or(0, |at| at + 1);
    let line = Line::from(source, text, start);
    // What a pattern says of the whole line goes before its parts.
    let whole = line.whole(Foreign::Statement).filter(|habit| {
        // A head of a block is whole where its block begins.
        !text.get(habit.whole.range()).is_some_and(|said| said.ends_with('{'))
    });
    if let Some(habit) = whole {
        return vec![habit];
    }
    let mut found: Vec<Habit> = Vec::new();
    for range in line.statements() {
        let first = range.start;
        let habit = line
            .all(Foreign::Block, first, range.end)
            .find_map(|habit| block(source, text, start, habit))
            .or_else(|| line.statement(first, range.end));
        let habit = habit.map(|habit| habit.without_its_line(text));
        // What is said of a whole statement says enough.
        let is_said = habit.as_ref().is_some_and(|habit| habit.help.is_empty());
        found.extend(habit);
        if is_said {
            break;
        }
        for at in range.clone() {
            let here = line.span(at..at + 1).start;
            if found.last().is_none_or(|last| last.whole.end <= here) {
                let operator = line.find(Foreign::Operator, at, range.end);
                found.extend(operator.or_else(|| line.find(Foreign::Character, at, range.end)));
            }
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::{Foreign, TABLE, habit_at, habits_on_line};
    use crate::source::SourceId;

    #[test]
    fn every_row_is_read() {
        let items = include_str!("../foreign.md").lines().filter(|line| line.starts_with("- "));
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
        assert_eq!(written("x -= a + b").as_deref(), Some("= x - (a + b)"));
        assert_eq!(written("x += f(a + b)").as_deref(), Some("= x +"));
    }
}
