//! Turns chumsky's errors into plain diagnostics, and sorts out which are worth telling.

use crate::diagnostics::{Diagnostic, Label, codes};
use crate::source::{SourceId, Span};
use crate::syntax::foreign::{Foreign, Habit, habits_on_line, lone_words, parted};
use crate::syntax::keyword::Keyword;
use crate::syntax::layout::Laid;
use crate::syntax::parse::explain::explain;
use crate::syntax::parse::stuck::Stuck;
use crate::syntax::reports::MOST_ERRORS;
use crate::syntax::token::Token;
use chumsky::error::Rich;
use std::collections::{HashMap, HashSet};

/// One report for each failure.
pub(super) fn reports(
    laid: &Laid,
    text: &str,
    failures: &[Rich<'_, Token, Span>],
) -> Vec<Diagnostic> {
    let mut all: Vec<Diagnostic> = Vec::new();
    let mut taken: HashSet<&str> = HashSet::new();
    for failure in failures {
        let stuck = Stuck::new(laid, text, failure);
        // A keyword that was taken for a name is taken for it wherever it stands.
        if taken.contains(stuck.word(0)) {
            continue;
        }
        let report = explain(&stuck);
        if report.code == codes::KEYWORD_AS_NAME {
            taken.insert(stuck.word(0));
        }
        all.push(report);
    }
    all
}

/// Adds new reports, but none on a line that has one already, and none past a cut: a mistake is
/// reported once, by the first stage that meets it.
pub(super) fn merge(text: &str, cut: Option<u32>, new: Vec<Diagnostic>, all: &mut Vec<Diagnostic>) {
    // Where lines begin; a line feed belongs to the line that it ends.
    let line = |at: u32| {
        let before = text.as_bytes().get(..at as usize).unwrap_or(text.as_bytes());
        before.iter().rposition(|byte| *byte == b'\n')
    };
    let mut taken = HashSet::new();
    for old in all.iter() {
        let labels = if old.code.starts_with("E02") { 2 } else { 1 };
        taken.extend(old.labels.iter().take(labels).map(|label| line(label.span.start)));
    }
    for report in new {
        let at = report.span().start;
        let is_known = all.iter().any(|old| old.span() == report.span());
        if !is_known && cut.is_none_or(|cut| at < cut) && !taken.contains(&line(at)) {
            all.push(report);
        }
    }
}

/// Replaces the reports on lines that a habit of another language explains: by one for each habit. A value
/// that stands `alone` has habits of spelling only.
pub(super) fn habits(source: SourceId, text: &str, alone: bool, all: &mut Vec<Diagnostic>) {
    let line = |at: u32| text.get(..at as usize).map_or(0, |before| before.matches('\n').count());
    let mut explained: HashMap<usize, Option<Diagnostic>> = HashMap::new();
    let (mut new, mut said) = (Vec::<Diagnostic>::new(), HashMap::new());
    let wrong = all.iter().filter(|report| report.is_error());
    let wrong = wrong.map(|report| (report.span().start, Some(report)));
    let words = lone_words(text).filter(|_| !alone).map(|at| (at, None));
    let mut wrong: Vec<_> = wrong.chain(words).collect();
    wrong.sort_by_key(|(at, _)| *at);
    for (at, report) in wrong {
        if explained.contains_key(&line(at)) {
            continue;
        }
        // A decimal comma parts nothing.
        let is_number = |report: &&Diagnostic| report.code == codes::MALFORMED_NUMBER;
        if let Some(report) = report.filter(is_number).filter(|r| r.fixes().next().is_some()) {
            explained.insert(line(at), Some(report.clone()));
            continue;
        }
        let mut found = joined(habits_on_line(source, text, at as usize));
        found.retain(|habit| !alone || habit.place == Foreign::Character);
        for habit in found {
            let edits = habit.help.iter().flat_map(|help| &help.edits);
            let has_fix = report.is_some_and(|report| report.fixes().next().is_some());
            let is_part = !matches!(habit.place, Foreign::Statement | Foreign::Use);
            if edits.clone().next().is_none() && has_fix && is_part {
                continue;
            }
            let edits = edits.filter(|edit| !edit.text.starts_with('\n'));
            explained.extend(edits.map(|edit| (line(edit.span.start), None)));
            let whole = line(habit.span.start)..=line(habit.span.end);
            explained.extend(whole.map(|line| (line, None)));
            // The same advice once is enough.
            let known = said.entry(habit.why).or_insert(new.len());
            match new.get_mut(*known).filter(|_| habit.help.is_empty()) {
                Some(first) => {
                    first.labels.push(Label { span: habit.span, text: "and here".into() })
                }
                None => {
                    let code = report.map_or(codes::UNKNOWN_NAME, |report| report.code);
                    new.push(foreign(habit, text, code));
                }
            }
        }
        if let Some(report) = report {
            explained.entry(line(at)).or_insert_with(|| Some(report.clone()));
        }
    }
    all.retain(|report| {
        !report.is_error() || explained.get(&line(report.span().start)).is_none_or(Option::is_some)
    });
    all.append(&mut new);
}

/// Habits with the same advice on one line as one: the places of the others, and the edits of all.
fn joined(habits: Vec<Habit>) -> Vec<Habit> {
    let mut all: Vec<Habit> = Vec::new();
    for mut habit in habits {
        let same = |old: &&mut Habit| old.why == habit.why && old.place == habit.place;
        match (all.iter_mut().find(same), &mut habit.help[..]) {
            (Some(Habit { also, help: first, .. }), [more]) if first.len() == 1 => {
                for first in first {
                    let text = more.text.strip_prefix("write ").unwrap_or(&more.text);
                    if !first.text.contains(text) {
                        first.text = format!("{}, {text}", first.text);
                    }
                    first.edits.append(&mut more.edits);
                }
                also.push(habit.span);
            }
            _ => all.push(habit),
        }
    }
    all
}

/// A habit as a report, which keeps the code of the one that it replaces where that says more.
fn foreign(habit: Habit, text: &str, code: &'static str) -> Diagnostic {
    let words = text.get(habit.span.range()).unwrap_or("");
    let whole = text.get(habit.whole.range()).unwrap_or("").to_ascii_lowercase();
    let word = whole.split(|c: char| !c.is_alphanumeric() && c != '_').next().unwrap_or("");
    let says_little = [codes::UNEXPECTED, codes::LEFT_OVER, codes::MISSING_VALUE].contains(&code);
    let edits = || habit.help.iter().flat_map(|help| &help.edits);
    let has_braces = edits().any(|edit| edit.text.contains('{'));
    let code = match habit.place {
        Foreign::Character => codes::FOREIGN_CHARACTER,
        Foreign::Block if Keyword::of(word).is_some() && has_braces => codes::MISSING_BLOCK,
        Foreign::Operator if says_little => codes::FOREIGN_OPERATOR,
        _ if habit.is_word || habit.place == Foreign::Block || code == codes::LEFT_OVER => {
            codes::FOREIGN_WORD
        }
        _ => code,
    };
    let (why, way) = parted(habit.why);
    let report = match way {
        _ if habit.help.is_empty()
            && habit.place == Foreign::Statement
            && habit.span == habit.whole =>
        {
            let headline = format!("`{words}` means nothing here");
            Diagnostic::error(code, headline, habit.span).help(habit.why)
        }
        Some(way) if habit.help.is_empty() => Diagnostic::error(code, why, habit.span).help(way),
        _ => Diagnostic::error(code, why, habit.span),
    };
    let inserted = habit.help.first().and_then(|help| help.edits.first()).map(|e| e.text.trim());
    let report = match inserted.filter(|_| habit.span.start == habit.span.end) {
        Some(text) => report.here(format!("`{text}` is missing here")),
        None => report,
    };
    let also = habit.also.iter().fold(report, |report, at| report.label(*at, "and here"));
    habit.help.into_iter().fold(also, Diagnostic::way_out)
}

/// Puts reports in the order of the text and leaves out what no one would read.
pub(super) fn finish(left_out: Option<Span>, all: &mut Vec<Diagnostic>) {
    all.sort_by_key(|report| report.span().start);
    let place = match all.get(MOST_ERRORS) {
        Some(report) => Some(report.span()),
        None => left_out,
    };
    if let Some(place) = place {
        all.truncate(MOST_ERRORS);
        all.push(
            Diagnostic::error(codes::TOO_MANY_ERRORS, "too many errors to show them all", place)
                .here("those from here on are left out")
                .help("mend the first ones; is this file a script at all?"),
        );
    }
}
