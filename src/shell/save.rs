//! `save`: what was typed, as a script. Entries that failed are left out, quantities that repeat
//! become params, names that were given twice are told apart.

use crate::shell::console::Console;
use crate::shell::outcome::{Action, EntryOutcome, UsageError};
use crate::terminal::complain;
use crate::terminal::told::rendered;
use spintrue_head::{Dimension, io_reason, parse_unit};
use spintrue_language::{
    EntryDone, ExpressionKind, KEYWORDS, LiveSession, NameTarget, Occurrence, SourceId, Span,
    StatementKind, SyntaxFile, SyntaxStatement, each_expression, each_statement, format_source,
    one_line_text, prepare, statement_expressions,
};
use std::cmp::Reverse;
use std::collections::{HashMap, HashSet};
use std::io::{self, Write};
use std::path::{Component, Path, PathBuf};

/// `save`
pub(super) fn save(console: &mut Console, rest: &str) -> EntryOutcome {
    let path = rest.trim().trim_matches('"');
    if path.is_empty() {
        return EntryOutcome::wrong("say where to: `save FILE.spt`");
    }
    let path = PathBuf::from(path);
    let head = console.station.description();
    let about = format!("// Typed at the prompt on head {}.\n\n", head.serial);
    let text = about + &script(&console.session, &console.actions, &path);
    let text = match format_source(SourceId(0), &text) {
        Ok(text) => text,
        Err(error) => return EntryOutcome::wrong(format!("nothing was saved: {error}")),
    };
    if let Err(why) = write(console, &path, &text) {
        return EntryOutcome::wrong(format!("nothing was saved: {why}"));
    }
    let name = path.to_string_lossy().into_owned();
    // `-` alone is the standard input.
    let file = if name == "-" { "./-" } else { &name };
    match prepare(&mut *console.files, file, &[]) {
        Ok(prepared) if prepared.errors() == 0 => {
            EntryOutcome::done(&format!("saved {name}; `spintrue check {name}` passes\n"))
        }
        Ok(prepared) => {
            complain(&rendered(&prepared.diagnostics, &prepared.sources));
            EntryOutcome::wrong(format!("saved {name}, which has the errors above: correct them"))
        }
        Err(why) => EntryOutcome::wrong(format!("saved {name}, but it cannot be read: {why}")),
    }
}

/// Writes a file that is new, or that this shell has written before; else says why not.
pub(super) fn write(console: &mut Console, path: &Path, text: &str) -> Result<(), UsageError> {
    let name = path.display();
    written(console, path, text).map_err(|error| match error.kind() {
        io::ErrorKind::AlreadyExists => UsageError(format!("{name} exists; give another name")),
        _ => UsageError(format!("{name}: {}", io_reason(&error))),
    })
}

fn written(console: &mut Console, path: &Path, text: &str) -> io::Result<()> {
    if console.saved.iter().any(|saved| saved == path) {
        // The old text stays until the new one is whole.
        let beside = path.with_added_extension("part");
        std::fs::write(&beside, text)?;
        return std::fs::rename(&beside, path);
    }
    let mut file = std::fs::OpenOptions::new().write(true).create_new(true).open(path)?;
    file.write_all(text.as_bytes())?;
    file.sync_all()?;
    console.saved.push(path.to_path_buf());
    Ok(())
}

/// Everything that was typed as one script, not laid out yet.
fn script(session: &LiveSession, actions: &[Action], target: &Path) -> String {
    let mut writer = Writer::new(session, actions, target);
    writer.name_all();
    writer.lift_quantities();
    let (mut first, mut rest) = (String::new(), String::new());
    let (mut entries, mut later) = (writer.entries(), Vec::new());
    for done in session.done().iter().filter(|done| done.is_script) {
        // A script says in its own place how its checks are decided.
        let source = done.statements.first().map(|statement| statement.span.source);
        writer.entry(done, source, &mut first, &mut Vec::new());
        first.push('\n');
    }
    for action in actions.iter().filter(|action| !action.is_dropped) {
        match action.entry {
            None => rest.push_str(&format!("{}\n", action.text)),
            source => {
                if let Some(done) = entries.next() {
                    writer.entry(done, source, &mut rest, &mut later);
                }
            }
        }
    }
    // How checks are decided is said once, before the first; the last word holds.
    if let Some(deciding) = later.pop() {
        rest = format!("{deciding}\n{rest}");
    }
    let (uses, params) = (writer.uses.concat(), writer.params.concat());
    format!("{uses}\n{first}\n{params}\n{rest}")
}

struct Writer<'a> {
    session: &'a LiveSession,
    /// What is written of the session, the script that was read first.
    kept: Vec<&'a EntryDone>,
    target: &'a Path,
    /// What each declaration is called, by its name where it is declared.
    names: HashMap<Span, String>,
    /// Every word that stands anywhere.
    taken: HashSet<String>,
    /// What stands for a quantity that repeats, by its text.
    lifted: HashMap<String, String>,
    /// Declarations that became params.
    moved: HashSet<Span>,
    params: Vec<String>,
    uses: Vec<String>,
}

impl<'a> Writer<'a> {
    fn new(session: &'a LiveSession, actions: &[Action], target: &'a Path) -> Self {
        let mut entries = actions.iter().filter(|action| action.entry.is_some());
        let kept = session.done().iter().filter(|done| {
            done.is_script || entries.next().is_some_and(|action| !action.is_dropped)
        });
        let words = session.done().iter().flat_map(|done| {
            done.occurrences.iter().map(|occurrence| session.sources().slice(occurrence.span))
        });
        let keywords = KEYWORDS.iter().map(|word| (*word).to_string());
        Writer {
            session,
            kept: kept.collect(),
            target,
            names: HashMap::new(),
            taken: words.map(str::to_string).chain(keywords).collect(),
            lifted: HashMap::new(),
            moved: HashSet::new(),
            params: Vec::new(),
            uses: Vec::new(),
        }
    }

    fn slice(&self, span: Span) -> &'a str {
        self.session.sources().slice(span)
    }

    /// A name that is not taken.
    fn fresh(&mut self, like: &str) -> String {
        let numbered = (2..).map(|number| format!("{like}_{number}"));
        let mut all = std::iter::once(like.to_string()).chain(numbered);
        let name = all.find(|name| !self.taken.contains(name)).unwrap_or_default();
        self.taken.insert(name.clone());
        name
    }

    /// Tells names apart that were given more than once.
    fn name_all(&mut self) {
        let mut given: HashSet<(bool, String)> = HashSet::new();
        for done in self.kept.clone() {
            for statement in &done.statements {
                let (routine, name) = match &statement.kind {
                    StatementKind::Let { name, .. } | StatementKind::Param { name, .. } => {
                        (false, name.span)
                    }
                    StatementKind::Routine(routine) => (true, routine.name.span),
                    _ => continue,
                };
                let text = self.slice(name).to_string();
                if !given.insert((routine, text.clone())) {
                    let other = self.fresh(&text);
                    self.names.insert(name, other);
                }
            }
        }
    }

    /// Makes a param of every quantity that was typed more than once.
    fn lift_quantities(&mut self) {
        let mut seen = HashSet::new();
        for done in self.entries() {
            for (span, unit) in quantities(done) {
                let Ok(unit) = parse_unit(self.slice(unit)) else { continue };
                let text = one_line_text(self.slice(span));
                if unit.is_absolute()
                    || seen.insert(text.clone())
                    || self.lifted.contains_key(&text)
                {
                    continue;
                }
                let name = match self.declares(&text) {
                    Some(declared) => {
                        self.moved.insert(declared);
                        let own = self.slice(declared).to_string();
                        self.names.get(&declared).cloned().unwrap_or(own)
                    }
                    None => self.fresh(usual_name(unit.dimension)),
                };
                self.params.push(format!("param {name} = {text}\n"));
                self.lifted.insert(text, name);
            }
        }
    }

    fn entries(&self) -> impl Iterator<Item = &'a EntryDone> + use<'a> {
        self.kept.clone().into_iter().filter(|done| !done.is_script)
    }

    /// The name of a `let` that holds just this quantity.
    fn declares(&self, text: &str) -> Option<Span> {
        self.entries().flat_map(|done| &done.statements).find_map(|statement| {
            match &statement.kind {
                StatementKind::Let { mutable: false, name, value, annotation: None }
                    if one_line_text(self.slice(value.span)) == text =>
                {
                    Some(name.span)
                }
                _ => None,
            }
        })
    }

    /// Writes the statements of an entry with its comments; how checks are decided goes to `deciding`.
    fn entry(
        &mut self,
        done: &EntryDone,
        source: Option<SourceId>,
        into: &mut String,
        deciding: &mut Vec<String>,
    ) {
        let whole = source.and_then(|source| self.session.sources().get(source));
        let whole = whole.map_or("", |source| &source.text);
        let (mut at, mut follows) = (0, false);
        for statement in &done.statements {
            let gap = whole.get(at..statement.span.start as usize).unwrap_or("");
            write_comments(gap, std::mem::take(&mut follows), into);
            at = statement.span.end as usize;
            match &statement.kind {
                StatementKind::Use { path, .. } => {
                    let line = format!("use \"{}\"\n", self.path(path));
                    if !self.uses.contains(&line) {
                        self.uses.push(line);
                    }
                    continue;
                }
                StatementKind::Let { name, .. } if self.moved.contains(&name.span) => continue,
                StatementKind::Broken => continue,
                _ => {}
            }
            let text = self.statement(done, statement);
            match &statement.kind {
                StatementKind::Deciding(_) if !done.is_script => deciding.push(text),
                _ => {
                    for line in statement.doc.iter().flat_map(|doc| doc.lines()) {
                        into.push_str(&format!("/// {line}\n"));
                    }
                    into.push_str(&format!("{text}\n"));
                    follows = true;
                }
            }
        }
        write_comments(whole.get(at..).unwrap_or(""), follows, into);
    }

    fn statement(&self, done: &EntryDone, statement: &SyntaxStatement) -> String {
        let mut edits: Vec<(Span, String)> = Vec::new();
        let inside = |span: Span| {
            span.source == statement.span.source
                && span.start >= statement.span.start
                && span.end <= statement.span.end
        };
        for Occurrence { span, target } in done.occurrences.iter().filter(|o| inside(o.span)) {
            let (NameTarget::Value(declared) | NameTarget::Routine(declared)) = target else {
                continue;
            };
            if let Some(name) = self.names.get(declared) {
                edits.push((*span, name.clone()));
            }
        }
        if !done.is_script {
            for (span, _) in quantities(done).into_iter().filter(|(span, _)| inside(*span)) {
                if let Some(name) = self.lifted.get(&one_line_text(self.slice(span))) {
                    edits.push((span, name.clone()));
                }
            }
        }
        let text = edited(self.slice(statement.span), statement.span.start, edits);
        if done.shown.contains(&statement.span) {
            // A value by itself was looked at.
            return record_statement(&text);
        }
        text
    }

    /// A path as it is written in the saved file.
    fn path(&self, path: &str) -> String {
        let from = self.session.from().map(Path::new).and_then(Path::parent);
        let whole = from.unwrap_or(Path::new("")).join(path);
        let folder = self.target.parent().unwrap_or(Path::new(""));
        between(folder, &whole).to_string_lossy().replace('\\', "/")
    }
}

/// Quantities with a unit in the statements of an entry, each with its unit; params and what
/// routines take by default keep theirs.
fn quantities(done: &EntryDone) -> Vec<(Span, Span)> {
    let file = SyntaxFile { statements: done.statements.clone() };
    let mut found = Vec::new();
    each_statement(&file, &mut |statement| {
        if matches!(statement.kind, StatementKind::Param { .. } | StatementKind::Routine(_)) {
            return;
        }
        for expression in statement_expressions(statement) {
            each_expression(expression, &mut |e| {
                if let ExpressionKind::Number { unit: Some(unit), .. } = &e.kind {
                    found.push((e.span, unit.span));
                }
            });
        }
    });
    found
}

/// The usual name for a quantity of a kind.
fn usual_name(dimension: Dimension) -> &'static str {
    match dimension.kind().map(|kind| kind.name) {
        Some("number") => "share",
        Some("rotation") => "speed",
        Some("time") => "patience",
        Some(name) => name,
        None => "value",
    }
}

/// Writes the comments that stand before a statement; the first of them behind the statement before,
/// where it `follows` one on its line. Of a text with other statements, those right above.
fn write_comments(gap: &str, follows: bool, into: &mut String) {
    let mut lines = gap.lines();
    if follows
        && let Some(behind) = lines.next()
        && let Some(comment) = behind.trim_start_matches([' ', '\t', ';']).strip_prefix("//")
    {
        into.truncate(into.trim_end().len());
        into.push_str(&format!(" //{comment}\n"));
    }
    let mut comments: Vec<&str> = Vec::new();
    for line in lines.map(|line| line.trim_matches([' ', '\t', ';'])) {
        match line {
            "" => {}
            // Documentation belongs to its statement.
            line if line.starts_with("///") => {}
            line if line.starts_with("//") => comments.push(line),
            _ => comments.clear(),
        }
    }
    comments.iter().for_each(|comment| into.push_str(&format!("{comment}\n")));
}

/// The statement that records a value under its own text.
pub(super) fn record_statement(text: &str) -> String {
    format!("record \"{}\": {text}", escaped(text))
}

/// A text as it stands inside another one.
fn escaped(text: &str) -> String {
    let escape =
        |c: char| matches!(c, '"' | '\\' | '{' | '}').then_some('\\').into_iter().chain([c]);
    one_line_text(text).chars().flat_map(escape).collect()
}

/// A text that begins at `start` of its source, with pieces replaced.
fn edited(text: &str, start: u32, mut edits: Vec<(Span, String)>) -> String {
    // From behind, so that the places before stay where they are.
    edits.sort_by_key(|(span, _)| Reverse(span.start));
    edits.dedup_by_key(|(span, _)| span.start);
    let mut text = text.to_string();
    for (span, by) in edits {
        text.replace_range((span.start - start) as usize..(span.end - start) as usize, &by);
    }
    text
}

/// The relative path from a folder to a file.
fn between(folder: &Path, file: &Path) -> PathBuf {
    let here = std::env::current_dir().unwrap_or_default();
    let whole = |path: &Path| {
        let mut whole = PathBuf::new();
        for part in here.join(path).components() {
            match part {
                Component::ParentDir => drop(whole.pop()),
                part => whole.push(part),
            }
        }
        whole
    };
    let (folder, file) = (whole(folder), whole(file));
    let shared = folder.components().zip(file.components()).take_while(|(a, b)| a == b).count();
    let up = folder.components().skip(shared).map(|_| Component::ParentDir);
    up.chain(file.components().skip(shared)).collect()
}

#[cfg(test)]
mod tests {
    use super::between;
    use std::path::Path;

    #[test]
    fn paths_lead_from_the_saved_file() {
        let way = |folder: &str, file: &str| between(Path::new(folder), Path::new(file));
        assert_eq!(way("", "lib/a.spt"), Path::new("lib/a.spt"));
        assert_eq!(way("out", "lib/a.spt"), Path::new("../lib/a.spt"));
        assert_eq!(way("lib", "lib/./b/../a.spt"), Path::new("a.spt"));
    }
}
