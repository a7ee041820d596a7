//! Values that `watch` and `plot` read: the expressions of a line, checked like an entry and read without leaving
//! anything behind.

use crate::shell::console::Console;
use crate::shell::outcome::EntryOutcome;
use spintrue_language::{
    Effect, Event, Failure, HighlightMark, KEYWORDS, LiveEntry, Observer, PlotOf, RunnableEntry,
    Severity, Shown, SourceMap, StatementKind, SymbolNames, highlight_marks, parse,
};

/// The code of a report that light is possible only in `arm`.
const NEEDS_LIGHT: &str = "E0705";

/// A line with all that stands in brackets, texts and comments hidden, byte by byte.
pub(super) fn outline(text: &str) -> String {
    let marks = highlight_marks(text);
    let is_text = |at: usize| {
        let hides =
            |mark: &HighlightMark| matches!(mark, HighlightMark::Text | HighlightMark::Comment);
        marks.iter().any(|(mark, range)| hides(mark) && range.contains(&at))
    };
    let mut depth = 0_usize;
    let mut hidden = String::with_capacity(text.len());
    for (at, c) in text.char_indices() {
        let is_text = is_text(at);
        let closes = !is_text && matches!(c, ')' | ']' | '}');
        depth += usize::from(!is_text && matches!(c, '(' | '[' | '{'));
        match is_text || depth > 0 || !c.is_ascii() {
            true => hidden.push_str(&"_".repeat(c.len_utf8())),
            false => hidden.push(c),
        }
        depth = depth.saturating_sub(usize::from(closes));
    }
    hidden
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
    // A unit behind `in` belongs to what shows a value.
    let bare = |part: &&str| match outline(part).rfind(" in ") {
        Some(at) => is_value(part) || is_value(&part.get(..at).unwrap_or("")),
        None => is_value(part),
    };
    let starts = text.split_whitespace().next().unwrap_or("");
    let is_statement = KEYWORDS.contains(&starts) && !["not", "true", "false"].contains(&starts);
    (!is_statement && parts.iter().all(bare)).then_some(parts)
}

/// What follows the last ` arm at ` of a line, and what stands before it.
pub(super) fn armed(text: &str) -> (&str, Option<&str>) {
    let word = " arm at ";
    match outline(text).rfind(word).map(|at| text.split_at(at)) {
        Some((value, power)) if !power.contains('{') => {
            (value.trim(), power.get(word.len()..).map(str::trim))
        }
        _ => (text.trim(), None),
    }
}

/// Expressions that may be read.
pub(super) struct Values {
    entry: RunnableEntry,
    /// The expressions on one line each.
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

/// What an entry does itself, beyond reading the head and letting light out.
pub(super) fn acts(entry: &LiveEntry) -> Option<Effect> {
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
    ) -> Result<Values, EntryOutcome> {
        for text in texts {
            // Reports show what was typed.
            let alone = console.session.enter(&mut *console.files, text);
            let errors = || alone.diagnostics.iter().filter(|d| d.severity == Severity::Error);
            let needs_light = errors().any(|d| d.code == NEEDS_LIGHT);
            if arm.is_some() && needs_light {
                continue;
            }
            if errors().next().is_some() {
                console.report(&alone.diagnostics);
                return Err(match needs_light {
                    true => EntryOutcome::wrong(format!(
                        "this needs light: `{command} {text} arm at 35 %` arms the laser for each \
                         reading and disarms it after that"
                    )),
                    false => EntryOutcome::WRONG,
                });
            }
            if let Some(effect) = acts(&alone) {
                return Err(EntryOutcome::wrong(format!(
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
        let entry = console.admit(entry).ok_or(EntryOutcome::WRONG)?;
        let label = |text: &&str| text.split_whitespace().collect::<Vec<_>>().join(" ");
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
    use super::{armed, expressions, parts};

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
    fn a_block_of_the_language_is_no_option() {
        assert_eq!(armed("f(x) arm at 35 %"), ("f(x)", Some("35 %")));
        assert_eq!(armed("f(\" arm at \")"), ("f(\" arm at \")", None));
        let block = "wait 1 s; arm at 35 % { x() }";
        assert_eq!(armed(block), (block, None));
    }
}
