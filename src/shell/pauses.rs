//! `pause`, `pauses`: lines at which stepping pauses.

use crate::check::steps::{Dark, Place, Steps};
use crate::shell::bench::{Bench, Came};
use crate::shell::reader::Reader;
use crate::source::{SourceMap, Span};
use crate::terminal::{complain, say, wrapped};
use std::collections::{BTreeSet, HashSet};

/// A line at which stepping pauses: the file's name, and the line from 1.
pub type Mark = (String, usize);

/// How it is said.
const HOW: &str = "say where: `pause at 12` for a line of the script, `pause at FILE:12` for one of \
                   a file that it uses; `pause off` takes away";

/// `pause`
pub fn pause(bench: &mut Bench, _: &Reader, rest: &str) -> Came {
    let entry = bench.session.steps(&mut *bench.files);
    if rest.starts_with("at") && !entry.is_sound() {
        bench.report(&entry.diagnostics);
        return Came::Ill(2);
    }
    let here = bench.session.script().map(str::to_string);
    let ground =
        Ground { steps: &entry.steps, sources: bench.session.sources(), here: here.as_deref() };
    match ground.change(&mut bench.marks, rest) {
        Ok(text) => {
            say(&text);
            Came::Well
        }
        Err(why) => {
            complain(&wrapped(&why, ""));
            Came::Ill(2)
        }
    }
}

/// `pauses`
pub fn pauses(bench: &mut Bench, _: &Reader, _: &str) -> Came {
    say(&listed(&bench.marks, bench.session.sources()));
    Came::Well
}

/// Every line at which stepping pauses.
pub fn listed(marks: &BTreeSet<Mark>, sources: &SourceMap) -> String {
    if marks.is_empty() {
        return "stepping pauses at no line of its own: `pause at LINE` sets one\n".to_string();
    }
    let text = |name: &str, line: usize| {
        // A file that was read again has several texts; the last one holds.
        let source = sources.iter().filter(|(_, source)| source.name == name).last();
        let source = source.and_then(|(_, source)| source.text.lines().nth(line.saturating_sub(1)));
        source.unwrap_or("").trim().to_string()
    };
    let rows = marks.iter().map(|(name, line)| format!("  {name}:{line}  {}\n", text(name, *line)));
    rows.collect()
}

/// Where stepping may pause.
pub struct Ground<'a> {
    /// Every place.
    pub steps: &'a Steps,
    /// All texts.
    pub sources: &'a SourceMap,
    /// The file that a line alone means.
    pub here: Option<&'a str>,
}

/// What stands in a line.
enum Found<'a> {
    Place(&'a Place),
    Dark(&'a Dark),
}

impl Ground<'_> {
    /// Does what follows the word `pause`; gives what to say of it.
    pub fn change(&self, marks: &mut BTreeSet<Mark>, rest: &str) -> Result<String, String> {
        let (word, at) = rest.trim().split_once(char::is_whitespace).unwrap_or((rest.trim(), ""));
        match (word, at.trim()) {
            ("at", at) if !at.is_empty() => self.set(marks, at),
            ("off", "") => {
                marks.clear();
                Ok("stepping pauses at no line of its own any more\n".to_string())
            }
            ("off", at) => {
                let (name, line) = self.line(at, marks.iter().map(|(name, _)| name.as_str()))?;
                if marks.remove(&(name.clone(), line)) {
                    return Ok(format!("no longer pauses at {name}:{line}\n"));
                }
                Err(format!("no pause is set at {name}:{line}; `pauses` lists them"))
            }
            _ => Err(HOW.to_string()),
        }
    }

    fn set(&self, marks: &mut BTreeSet<Mark>, at: &str) -> Result<String, String> {
        let (name, asked) = self.line(at, self.files())?;
        let places = self.steps.places().iter().map(|place| (place.span, Found::Place(place)));
        let dark = self.steps.dark().iter().map(|dark| (dark.span, Found::Dark(dark)));
        let within = places.chain(dark).filter(|(span, _)| self.name(*span) == name);
        let behind = within.filter(|(span, _)| self.line_of(*span) >= asked);
        let Some((span, found)) = behind.min_by_key(|(span, _)| span.start) else {
            return Err(format!("no statement stands at line {asked} of {name} or behind it"));
        };
        let line = self.line_of(span);
        let moved = match line == asked {
            true => String::new(),
            false => format!("no statement begins at line {asked}; the next one "),
        };
        match found {
            Found::Dark(dark) => Err(self.refusal(dark, &moved, line)),
            Found::Place(place) => {
                marks.insert((name.clone(), line));
                let moved = if moved.is_empty() { moved } else { format!("{moved}is meant\n") };
                let mut text = format!("{moved}pauses at {name}:{line}  {}\n", self.text(span));
                if let Some(lit) = place.lit {
                    let lit = self.sources.place(lit);
                    text += &format!("but not when called from inside `arm`, as at {lit}\n");
                }
                Ok(text)
            }
        }
    }

    /// Why nothing pauses where the laser is armed.
    fn refusal(&self, dark: &Dark, moved: &str, line: usize) -> String {
        let it = if moved.is_empty() {
            format!("line {line} lies")
        } else {
            format!("{moved}is line {line} and lies")
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
        format!("{it} {inside}: nothing pauses there, so that no armed laser waits; {way}")
    }

    /// The steps at which the marks pause, and the marks at which nothing begins any more.
    pub fn marked(&self, marks: &BTreeSet<Mark>) -> (HashSet<usize>, Vec<Mark>) {
        let mut steps = HashSet::new();
        let mut lost = Vec::new();
        for (name, line) in marks {
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

    /// `12` or `FILE:12`, by what of a file's name suffices.
    fn line<'n>(
        &self,
        at: &str,
        names: impl Iterator<Item = &'n str>,
    ) -> Result<(String, usize), String> {
        let (file, line) = match at.rsplit_once(':') {
            Some((file, line)) => (Some(file.trim()), line.trim()),
            None => (None, at),
        };
        let line = line.parse().ok().filter(|line| *line > 0).ok_or(HOW)?;
        let Some(file) = file else {
            let none = "no script was read, so say which file: `pause at FILE:LINE`";
            return Ok((self.here.ok_or(none)?.to_string(), line));
        };
        let names: BTreeSet<&str> = names.collect();
        let ends = |name: &&&str| {
            let before = name.strip_suffix(file);
            before.is_some_and(|before| before.is_empty() || before.ends_with('/'))
        };
        let mut fit = names.iter().filter(ends);
        match (fit.next(), fit.next()) {
            (Some(name), None) => Ok((name.to_string(), line)),
            (Some(one), Some(other)) => Err(format!("{file} may be {one} or {other}: say more")),
            (None, _) if names.is_empty() => Err("no statement is known yet".to_string()),
            (None, _) => {
                let known: Vec<&str> = names.into_iter().collect();
                Err(format!("no file {file} is known here; there are {}", known.join(", ")))
            }
        }
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
    pub fn line_of(&self, span: Span) -> usize {
        self.sources.line_column(span.source, span.start).0
    }

    /// The first line of a statement.
    fn text(&self, span: Span) -> &str {
        self.sources.slice(span).lines().next().unwrap_or("").trim_end()
    }
}
