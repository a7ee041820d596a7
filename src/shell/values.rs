//! Values that `watch` and `plot` read: the expressions of a line, checked like an entry and read without leaving
//! anything behind.

use crate::shell::console::Console;
use crate::shell::outcome::EntryOutcome;
use spintrue_language::{
    Effect, Event, Failure, HighlightMark, KEYWORDS, LiveEntry, Observer, PlotOf, RunnableEntry,
    Shown, SourceMap, StatementKind, SymbolNames, highlight_marks, parse,
};

/// The code of a report that light is possible only in `arm`.
const NEEDS_LIGHT: &str = "E0705";

/// Most values at once.
const MAX_VALUES: usize = 32;

/// Characters of a label at most.
const MAX_LABEL: usize = 36;

/// A line with all that stands in brackets, texts and comments hidden, byte by byte.
pub(super) fn outline(text: &str) -> String {
    let mut hidden = text.as_bytes().to_vec();
    for (mark, range) in highlight_marks(text) {
        if matches!(mark, HighlightMark::Text | HighlightMark::Comment) {
            hidden.iter_mut().take(range.end).skip(range.start).for_each(|byte| *byte = b'_');
        }
    }
    let mut depth = 0_usize;
    let shown = hidden.iter().map(|byte| {
        depth += usize::from(matches!(byte, b'(' | b'[' | b'{'));
        let shown = if depth > 0 || !byte.is_ascii() { '_' } else { char::from(*byte) };
        depth = depth.saturating_sub(usize::from(matches!(byte, b')' | b']' | b'}')));
        shown
    });
    shown.collect()
}

/// The parts of a text between commas outside of brackets.
pub(super) fn parts(text: &str) -> Vec<&str> {
    let outline = outline(text);
    let ends = outline.match_indices(',').map(|(at, _)| at).chain([text.len()]);
    let mut start = 0;
    let part = |end| {
        let part = text.get(start..end).unwrap_or("").trim();
        start = end + 1;
        part
    };
    ends.map(part).collect()
}

/// The expressions that a text lists between commas; none where it is anything else.
pub(super) fn expressions(text: &str) -> Option<Vec<&str>> {
    let is_value = |part: &&str| {
        let (mut sources, mut names) = (SourceMap::default(), SymbolNames::default());
        let parsed = parse(sources.add("", *part), part, &mut names);
        let is_value = |kind: &StatementKind| matches!(kind, StatementKind::Expression(_));
        let statements = &parsed.file.statements;
        parsed.diagnostics.is_empty()
            && statements.len() == 1
            && statements.iter().all(|s| is_value(&s.kind))
    };
    let parts = parts(text);
    if parts.len() > MAX_VALUES {
        return None;
    }
    // A unit behind `in` belongs to what shows a value.
    let bare = |part: &&str| match outline(part).rfind(" in ") {
        Some(at) => is_value(part) || is_value(&part.get(..at).unwrap_or("")),
        None => is_value(part),
    };
    let starts = text.split_whitespace().next().unwrap_or("");
    let is_statement = KEYWORDS.contains(&starts) && !["not", "true", "false"].contains(&starts);
    (!is_statement && parts.iter().all(bare)).then_some(parts)
}

/// The last option of a line that begins with one of these words: what stands before it, its word, and what follows.
pub(super) fn last_option<'t>(
    text: &'t str,
    words: &[&'static str],
) -> Option<(&'t str, &'static str, &'t str)> {
    let outline = format!(" {} ", outline(text));
    let last = |word: &&'static str| Some((outline.rfind(&format!(" {word} "))?, *word));
    let (at, word) = words.iter().filter_map(last).max()?;
    let (before, option) = text.split_at(at);
    let given = option.get(word.len()..).unwrap_or("").trim();
    // `arm at 35 % { ... }` is a statement.
    (!given.contains('{')).then_some((before.trim(), word, given))
}

/// Expressions that may be read.
pub(super) struct Values {
    entry: RunnableEntry,
    /// The expressions, each on one line and cut.
    pub labels: Vec<String>,
    /// Light is let out while they are read.
    pub emits: bool,
    /// Longest time in s that it takes to read them; none is known without.
    pub bound: Option<f64>,
}

/// A value, and how it is drawn where that was said.
pub(super) type Reading = (Shown, Option<PlotOf>);

/// Takes what is recorded.
#[derive(Default)]
struct Recorded(Vec<Reading>);

impl Observer for Recorded {
    fn event(&mut self, _time: f64, event: Event) {
        if let Event::Recorded { shown, plot, .. } = event {
            self.0.push((shown, plot));
        }
    }
}

/// Why values are not read.
pub(super) enum Refusal {
    /// It does more than to read; what, and what to write instead.
    Acts(String),
    /// What is wrong was printed.
    Wrong(EntryOutcome),
}

impl Refusal {
    /// Prints what was not printed yet.
    pub(super) fn told(self) -> EntryOutcome {
        match self {
            Refusal::Acts(why) => EntryOutcome::wrong(why),
            Refusal::Wrong(outcome) => outcome,
        }
    }
}

/// What an entry does itself, beyond reading the head and letting light out.
fn acts(entry: &LiveEntry) -> Option<Effect> {
    let of = entry.effects.last()?;
    of.effects.keys().copied().find(|effect| !matches!(effect, Effect::Reads | Effect::Emits))
}

impl Values {
    /// Checks expressions and prints what is wrong with them. `words` are those of a plot, as behind `record`;
    /// `arm` is the share of full power at which the laser is armed while they are read.
    pub(super) fn check(
        console: &mut Console,
        command: &str,
        texts: &[&str],
        words: &str,
        arm: Option<&str>,
    ) -> Result<Values, Refusal> {
        for text in texts {
            // Reports show what was typed.
            let alone = console.session.enter(&mut *console.files, text);
            let errors = || alone.diagnostics.iter().filter(|d| d.is_error());
            let needs_light = errors().any(|d| d.code == NEEDS_LIGHT);
            if arm.is_some() && needs_light {
                continue;
            }
            if errors().next().is_some() {
                console.report(&alone.diagnostics);
                return Err(Refusal::Wrong(match needs_light {
                    true => EntryOutcome::wrong(format!(
                        "this needs light: `{command} {text} arm at 35 %` arms the laser for each \
                         reading and disarms it after that"
                    )),
                    false => EntryOutcome::WRONG,
                }));
            }
            if let Some(effect) = acts(&alone) {
                return Err(Refusal::Acts(format!(
                    "`{text}` {}, and is more than a value to read: `plot {text}` runs it and \
                     plots the speed of the polygon meanwhile",
                    effect.text()
                )));
            }
        }
        let words = if words.is_empty() { String::new() } else { format!(", {words}") };
        let records = texts.iter().map(|text| format!("record \"\"{words}: {text}"));
        let records = records.collect::<Vec<_>>().join("; ");
        let entry = match arm {
            Some(power) => format!("arm at {power} {{ {records} }}"),
            None => records,
        };
        let entry = console.session.enter(&mut *console.files, &entry);
        let bound = entry.bound(console.station.description()).and_then(|bound| bound.most);
        let emits = entry.effects.last().is_some_and(|of| of.effects.contains_key(&Effect::Emits));
        let entry = console.admit(entry).ok_or(Refusal::Wrong(EntryOutcome::WRONG))?;
        let label = |text: &&str| {
            let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
            let most = text.char_indices().nth(MAX_LABEL).map(|(end, _)| end);
            most.and_then(|end| text.get(..end)).map_or(text.clone(), |text| format!("{text}.."))
        };
        let labels = texts.iter().map(label).collect();
        Ok(Values { entry, labels, emits: emits || arm.is_some(), bound })
    }

    /// Reads them.
    pub(super) fn read(&self, console: &mut Console) -> Result<Vec<Reading>, Failure> {
        console.monitor.borrow_mut().mark();
        console.left = None;
        console.show_armed(true);
        let mut recorded = Recorded::default();
        let read = console.session.look(&self.entry, &mut console.station, &mut recorded);
        console.show_armed(false);
        read.map(|_| recorded.0)
    }
}

#[cfg(test)]
mod tests {
    use super::{expressions, last_option, parts};

    #[test]
    fn commas_in_brackets_and_texts_part_nothing() {
        assert_eq!(parts("f(1, 2), [a, b], \"x, {y}\""), ["f(1, 2)", "[a, b]", "\"x, {y}\""]);
    }

    #[test]
    fn values_are_told_from_statements() {
        for text in ["x", "x in um, y", "[a for a in b]", "not locked()", "\"for {x}\", 2 mm"] {
            assert!(expressions(text).is_some(), "{text}");
        }
        for text in ["wait 3 s", "let x = 3", "x; y", "record \"a\", line: x", "x, wait 3 s", ""] {
            assert!(expressions(text).is_none(), "{text}");
        }
    }

    #[test]
    fn options_are_found_outside_of_brackets_texts_and_blocks() {
        let option = |text| last_option(text, &["for", "arm at"]);
        assert_eq!(option("f(x) for 1 s arm at 35 %"), Some(("f(x) for 1 s", "arm at", "35 %")));
        assert_eq!(option("for 1 s"), Some(("", "for", "1 s")));
        assert_eq!(option("µ for"), Some(("µ", "for", "")));
        for text in ["f(\" arm at \")", "[a for a in b]", "wait 1 s; arm at 35 % { x() }"] {
            assert_eq!(option(text), None);
        }
    }
}
