//! `pause`, `pauses`: source lines at which stepping pauses.

use crate::shell::console::Console;
use crate::shell::outcome::{Breakpoint, EntryOutcome, UsageError};
use spintrue_language::{SourceMap, Span, StepPlace, Steps, UnpausedLines};
use std::collections::{BTreeSet, HashSet};

/// `pause`
pub(super) fn pause(console: &mut Console, rest: &str) -> EntryOutcome {
    let entry = console.session.steps(&mut *console.files);
    if rest.starts_with("at") && !entry.is_sound() {
        console.report(&entry.diagnostics);
        return EntryOutcome::WRONG;
    }
    let (sources, script) = (console.session.sources(), console.session.script());
    let places = PausePlaces { steps: &entry.steps, sources, script };
    places.change(&mut console.breakpoints, rest)
}

/// `pauses`
pub(super) fn pauses(console: &Console) -> EntryOutcome {
    EntryOutcome::done(&listed(&console.breakpoints, console.session.sources()))
}

/// Every line at which stepping pauses.
pub(super) fn listed(breakpoints: &BTreeSet<Breakpoint>, sources: &SourceMap) -> String {
    if breakpoints.is_empty() {
        return "no line is set to pause at: `pause at LINE` sets one\n".to_string();
    }
    let text = |name: &str, line: usize| {
        // A file that was read again has several texts; the last one holds.
        let source = sources.iter().filter(|(_, source)| source.name == name).last();
        let source = source.and_then(|(_, source)| source.text.lines().nth(line.saturating_sub(1)));
        source.unwrap_or("").trim().to_string()
    };
    let rows =
        breakpoints.iter().map(|(name, line)| format!("  {name}:{line}  {}\n", text(name, *line)));
    rows.collect()
}

fn usage() -> UsageError {
    let how = "say where: `pause at 12` for a line of the script, `pause at FILE:12` for one of a file \
               that it uses; `pause off` removes";
    UsageError(how.to_string())
}

/// Where stepping may pause.
pub(super) struct PausePlaces<'a> {
    /// Every place.
    pub steps: &'a Steps,
    /// All texts.
    pub sources: &'a SourceMap,
    /// The file that a line without a file means.
    pub script: Option<&'a str>,
}

/// What begins at a line.
enum Beginning<'a> {
    Place(&'a StepPlace),
    Dark(&'a UnpausedLines),
}

impl PausePlaces<'_> {
    /// Carries out what follows `pause`, and prints what has changed.
    pub(super) fn change(
        &self,
        breakpoints: &mut BTreeSet<Breakpoint>,
        rest: &str,
    ) -> EntryOutcome {
        match self.changed(breakpoints, rest) {
            Ok(text) => EntryOutcome::done(&text),
            Err(error) => EntryOutcome::wrong(error),
        }
    }

    fn changed(
        &self,
        breakpoints: &mut BTreeSet<Breakpoint>,
        rest: &str,
    ) -> Result<String, UsageError> {
        let (word, at) = rest.trim().split_once(char::is_whitespace).unwrap_or((rest.trim(), ""));
        match (word, at.trim()) {
            ("at", at) if !at.is_empty() => self.set(breakpoints, at),
            ("off", "") => {
                breakpoints.clear();
                Ok("no line is set to pause at any more\n".to_string())
            }
            ("off", at) => {
                let known = breakpoints.iter().map(|(name, _)| name.as_str());
                let (name, line) = self.parse(at, known)?;
                if breakpoints.remove(&(name.clone(), line)) {
                    return Ok(format!("no longer pauses at {name}:{line}\n"));
                }
                Err(UsageError(format!("no pause is set at {name}:{line}; `pauses` lists them")))
            }
            _ => Err(usage()),
        }
    }

    fn set(&self, breakpoints: &mut BTreeSet<Breakpoint>, at: &str) -> Result<String, UsageError> {
        let (file, asked) = self.parse(at, self.files())?;
        let places = self.steps.places().iter().map(|place| (place.span, Beginning::Place(place)));
        let dark = self.steps.dark().iter().map(|dark| (dark.span, Beginning::Dark(dark)));
        let within = places.chain(dark).filter(|(span, _)| self.name(*span) == file);
        let behind = within.filter(|(span, _)| self.line_of(*span) >= asked);
        let first = behind.min_by_key(|(span, _)| span.start);
        let (span, found) = first.ok_or_else(|| {
            UsageError(format!("no statement begins at line {asked} of {file} or behind it"))
        })?;
        let line = self.line_of(span);
        let moved = match line == asked {
            true => String::new(),
            false => format!("no statement begins at line {asked}; the next one "),
        };
        let place = match found {
            Beginning::Dark(dark) => return Err(self.refusal(dark, &moved, line)),
            Beginning::Place(place) => place,
        };
        let moved = if moved.is_empty() { moved } else { format!("{moved}is meant\n") };
        let mut text = format!("{moved}pauses at {file}:{line}  {}\n", self.text(span));
        if let Some(lit) = place.lit {
            let lit = self.sources.place(lit);
            text += &format!("but not when called from inside `arm`, as at {lit}\n");
        }
        breakpoints.insert((file, line));
        Ok(text)
    }

    /// Why nothing pauses where the laser may be armed.
    fn refusal(&self, dark: &UnpausedLines, moved: &str, line: usize) -> UsageError {
        let line = match moved {
            "" => format!("line {line}"),
            moved => format!("{moved}is line {line} and"),
        };
        let arm = self.line_of(dark.arm);
        let (inside, way) = match self.sources.slice(dark.arm) {
            "arm" => (
                format!("inside the `arm` block of line {arm}"),
                format!("`pause at {arm}` pauses before it is armed"),
            ),
            _ => (
                "in a routine that is called inside `arm`".to_string(),
                "pause before the `arm` block that calls it".to_string(),
            ),
        };
        UsageError(format!(
            "{line} lies {inside}: nothing pauses there, so that no armed laser waits; {way}"
        ))
    }

    /// The steps at which breakpoints pause, and the breakpoints at which no statement begins.
    pub(super) fn marked(
        &self,
        breakpoints: &BTreeSet<Breakpoint>,
    ) -> (HashSet<usize>, Vec<Breakpoint>) {
        let mut steps = HashSet::new();
        let mut lost = Vec::new();
        for (name, line) in breakpoints {
            let places = self.steps.places().iter().enumerate();
            let begin = places.filter(|(_, place)| {
                self.name(place.span) == name && self.line_of(place.span) == *line
            });
            match begin.min_by_key(|(_, place)| place.span.start) {
                Some((step, _)) => {
                    steps.insert(step);
                }
                None => lost.push((name.clone(), *line)),
            }
        }
        (steps, lost)
    }

    /// Reads `12` or `FILE:12`; the end of a file's name suffices.
    fn parse<'n>(
        &self,
        at: &str,
        names: impl Iterator<Item = &'n str>,
    ) -> Result<Breakpoint, UsageError> {
        let (file, line) = match at.rsplit_once(':') {
            Some((file, line)) => (Some(file.trim()), line.trim()),
            None => (None, at),
        };
        let line = line.parse().ok().filter(|line| *line > 0).ok_or_else(usage)?;
        let Some(file) = file else {
            let none = "no script was read, so say which file: `pause at FILE:LINE`";
            let script = self.script.ok_or_else(|| UsageError(none.to_string()))?;
            return Ok((script.to_string(), line));
        };
        let names: BTreeSet<&str> = names.collect();
        let mut fit = names.iter().filter(|name| {
            let before = name.strip_suffix(file);
            before.is_some_and(|before| before.is_empty() || before.ends_with('/'))
        });
        let why = match (fit.next(), fit.next()) {
            (Some(name), None) => return Ok((name.to_string(), line)),
            (Some(one), Some(other)) => format!("{file} may be {one} or {other}: say more"),
            (None, _) if names.is_empty() => "no statement is known yet".to_string(),
            (None, _) => {
                let known = names.into_iter().collect::<Vec<_>>().join(", ");
                format!("no file {file} is known here; known: {known}")
            }
        };
        Err(UsageError(why))
    }

    /// The names of the files in which statements stand.
    fn files(&self) -> impl Iterator<Item = &str> {
        let places = self.steps.places().iter().map(|place| place.span);
        places.chain(self.steps.dark().iter().map(|dark| dark.span)).map(|span| self.name(span))
    }

    fn name(&self, span: Span) -> &str {
        self.sources.get(span.source).map_or("", |source| source.name.as_str())
    }

    /// The line on which a statement begins, from 1.
    pub(super) fn line_of(&self, span: Span) -> usize {
        self.sources.line_column(span.source, span.start).0
    }

    /// The first line of a statement.
    fn text(&self, span: Span) -> &str {
        self.sources.slice(span).lines().next().unwrap_or("").trim_end()
    }
}
