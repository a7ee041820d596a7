//! A session of entries, each checked over what earlier ones declared before any of it runs.
//! An entry that is refused or fails leaves no trace in the language's state.

use crate::bounds::Bound;
use crate::check::flow::EffectsOf;
use crate::check::index::Occurrence;
use crate::check::live::{Answer, Kept, Left, Live};
use crate::check::steps::Steps;
use crate::check::{Checked, Module, Named, Unset};
use crate::diagnostics::Diagnostic;
use crate::interpret::{Observer, Stepper};
use crate::program::failure::Failure;
use crate::program::tree::Program;
use crate::program::value::Datum;
use crate::session::gate::RunnableEntry;
use crate::session::load::{ImageFacts, Loaded, Texts, settled};
use crate::session::run::place_text;
use crate::session::{FileError, Files};
use crate::source::one_line;
use crate::source::{SourceId, SourceMap, Span};
use crate::station::Station;
use crate::syntax::names::Names;
use crate::syntax::parse;
use crate::syntax::tree::{File, Statement, StatementKind};
use crate::{bounds, check, interpret};
use spintrue_head::Description;
use std::collections::HashMap;

/// The language's side of a session.
#[derive(Default)]
pub struct Session {
    /// All texts so far, with the files that entries use.
    pub(super) texts: Texts,
    /// Routines and the like of earlier entries.
    items: Vec<Item>,
    pub(super) kept: Vec<Kept>,
    /// What the script that was read does.
    pub(super) body: Option<Body>,
    /// The file whose folder paths are taken from; the present folder without one.
    from: Option<String>,
    entries: usize,
    /// What ran to its end, the script that was read first.
    done: Vec<Done>,
}

/// An entry that ran to its end, or what was read of a script.
pub struct Done {
    /// Its statements; of a script, those that declare something.
    pub statements: Vec<Statement>,
    /// What the names in it mean.
    pub occurrences: Vec<Occurrence>,
    /// Values that stood alone in it.
    pub shown: Vec<Span>,
    /// It is a script.
    pub is_script: bool,
}

/// A statement that goes on to hold for later entries.
#[derive(Clone)]
struct Item {
    statement: Statement,
    /// For `use`: which of the files that entries use.
    module: Option<usize>,
}

/// A routine as callers see it.
pub struct RoutineSeen {
    /// Its name.
    pub name: String,
    /// The name of each parameter, and how it is declared.
    pub parameters: Vec<(String, String)>,
    /// The kind of what it gives.
    pub gives: Option<String>,
    /// Its documentation.
    pub about: String,
}

/// A checked entry.
pub struct Entry {
    /// Errors and warnings of its own, and of what it makes wrong elsewhere.
    pub diagnostics: Vec<Diagnostic>,
    /// What each routine and last the entry itself may do to the head.
    pub effects: Vec<EffectsOf>,
    /// What it names by plain text.
    pub(super) named: Named,
    /// The text of the entry among the sources.
    pub source: SourceId,
    /// Where its run may pause; nothing unless that was asked for.
    pub steps: Steps,
    pub(super) ready: Option<Ready>,
}

/// What is to be checked.
pub(super) enum Given<'t> {
    /// The declarations of a script, its params set by `NAME=VALUE` texts.
    Script(&'t str, &'t str, &'t [String]),
    /// An entry: its name and its text.
    Entry(&'t str, &'t str),
    /// The statements of a script whose declarations were read.
    Body(Body),
}

/// What a script does, apart from what it declares.
#[derive(Clone)]
pub(super) struct Body {
    source: SourceId,
    statements: Vec<Statement>,
}

pub(super) struct Ready {
    pub(super) program: Program,
    pub(super) left: Left,
    items: Vec<Item>,
    done: Done,
    /// A script takes the place of all before it: its name, and the files that it uses.
    script: Option<Script>,
}

struct Script {
    name: String,
    source: SourceId,
    modules: Vec<Loaded>,
    known: HashMap<String, usize>,
}

impl Ready {
    pub(super) fn run(
        &self,
        sources: &SourceMap,
        station: &mut Station,
        observer: &mut dyn Observer,
        stepper: Option<&mut dyn Stepper>,
    ) -> Result<Vec<Datum>, Failure> {
        let (place, slots) = (place_text(sources), self.left.slots());
        interpret::run_keeping(&self.program, &slots, station, observer, place, stepper)
    }
}

impl Entry {
    /// No error stands in it; whether it may run on a head, [`Entry::admit`] says.
    pub fn is_sound(&self) -> bool {
        self.ready.is_some()
    }

    /// How long it takes at most on a head, which is not made safe at its end; none where it may not
    /// run.
    pub fn bound(&self, head: &Description) -> Option<Bound> {
        self.ready.as_ref().map(|ready| bounds::entry_bound(&ready.program, head))
    }
}

impl Session {
    /// All texts so far, for reports.
    pub fn sources(&self) -> &SourceMap {
        &self.texts.sources
    }

    /// Every value that entries left behind, in the order of their declaration.
    pub fn values(&self) -> &[Kept] {
        &self.kept
    }

    /// Every routine that entries may call.
    pub fn routines(&self) -> impl Iterator<Item = RoutineSeen> {
        let own = self.items.iter().map(|item| &item.statement);
        let modules = self.items.iter().filter_map(|item| self.texts.modules.get(item.module?));
        let used = modules.flat_map(|module| &module.borrowed().file.statements);
        own.chain(used).filter_map(|statement| {
            let StatementKind::Routine(routine) = &statement.kind else { return None };
            let words = |span: Span| one_line(self.texts.sources.slice(span));
            let parameters = routine.parameters.iter().map(|parameter| {
                let end = parameter.default.as_ref().map_or(parameter.annotation.span, |d| d.span);
                let name = self.texts.names.text(parameter.name.symbol).to_string();
                (name, words(parameter.name.span.to(end)))
            });
            Some(RoutineSeen {
                name: self.texts.names.text(routine.name.symbol).to_string(),
                parameters: parameters.collect(),
                gives: routine.returns.as_ref().map(|kind| words(kind.span)),
                about: statement.doc.as_deref().unwrap_or_default().to_string(),
            })
        })
    }

    /// What ran to its end, in its order.
    pub fn done(&self) -> &[Done] {
        &self.done
    }

    /// The file from whose folder paths are taken, if one was read.
    pub fn from(&self) -> Option<&str> {
        self.from.as_deref()
    }

    /// The texts of names.
    pub fn names(&self) -> &Names {
        &self.texts.names
    }

    /// Checks the declarations of a script: routines, params and constants. Running them starts
    /// the session anew. `settings` are `NAME=VALUE` texts.
    pub fn load(
        &mut self,
        files: &mut dyn Files,
        path: &str,
        settings: &[String],
    ) -> Result<Entry, FileError> {
        let text = files.read(None, path)?;
        // Files are read anew, for they may have changed.
        let Texts { sources, names, .. } = &mut self.texts;
        let (sources, names) = (std::mem::take(sources), std::mem::take(names));
        let fresh = Session {
            texts: Texts { sources, names, ..Texts::default() },
            from: Some(text.name.clone()),
            ..Session::default()
        };
        let kept = std::mem::replace(self, fresh);
        let given = Given::Script(&text.name, &text.text, settings);
        let mut entry = self.checked(files, given, false);
        let Texts { sources, names, modules, known, tables, .. } =
            std::mem::replace(self, kept).texts;
        (self.texts.sources, self.texts.names) = (sources, names);
        self.texts.tables.extend(tables);
        if let Some(ready) = &mut entry.ready {
            ready.script = Some(Script { name: text.name, source: entry.source, modules, known });
        }
        Ok(entry)
    }

    /// Checks an entry.
    pub fn enter(&mut self, files: &mut dyn Files, text: &str) -> Entry {
        let name = self.next_entry();
        self.checked(files, Given::Entry(&name, text), false)
    }

    /// The name of the next entry.
    pub(super) fn next_entry(&mut self) -> String {
        self.entries += 1;
        format!("entry {}", self.entries)
    }

    /// The name of the script that was read.
    pub fn script(&self) -> Option<&str> {
        self.body.as_ref().and(self.from.as_deref())
    }

    /// Runs a checked entry that leaves nothing behind, any number of times; gives what it
    /// shows.
    pub fn look(
        &self,
        entry: &RunnableEntry,
        station: &mut Station,
        observer: &mut dyn Observer,
    ) -> Result<Vec<(Answer, Datum)>, Failure> {
        let Some(ready) = &entry.0.ready else { return Ok(Vec::new()) };
        let values = ready.run(&self.texts.sources, station, observer, None)?;
        Ok(ready.left.clone().filled(values).1)
    }

    /// Runs a checked entry. What it declares lives on only if it ends well; then gives what it
    /// shows.
    pub fn run(
        &mut self,
        entry: RunnableEntry,
        station: &mut Station,
        observer: &mut dyn Observer,
    ) -> Result<Vec<(Answer, Datum)>, Failure> {
        let Some(ready) = entry.0.ready else { return Ok(Vec::new()) };
        let values = ready.run(&self.texts.sources, station, observer, None)?;
        Ok(self.keep(ready, values))
    }

    /// Keeps what an entry declared, now that it ended well; gives what it shows.
    pub(super) fn keep(&mut self, ready: Ready, values: Vec<Datum>) -> Vec<(Answer, Datum)> {
        let Ready { left, items, mut done, script, .. } = ready;
        let (kept, shown) = left.filled(values);
        self.kept = kept;
        done.shown = shown.iter().map(|(answer, _)| answer.span).collect();
        if let Some(script) = script {
            self.items.clear();
            self.done.clear();
            done.is_script = true;
            // What would run of it did not.
            let body = doing(&mut done.statements, &self.kept);
            self.body = Some(Body { source: script.source, statements: body });
            self.from = Some(script.name);
            (self.texts.modules, self.texts.known) = (script.modules, script.known);
        }
        self.done.push(done);
        for item in items {
            if let Some(name) = routine_name(&item.statement) {
                self.items.retain(|old| routine_name(&old.statement) != Some(name));
            }
            self.items.push(item);
        }
        shown
    }

    pub(super) fn checked(
        &mut self,
        files: &mut dyn Files,
        given: Given<'_>,
        steps: bool,
    ) -> Entry {
        let texts = &mut self.texts;
        let (used, known) = (texts.modules.len(), texts.known.clone());
        let (open, settings) = match given {
            Given::Script(name, _, settings) => (name, settings),
            Given::Entry(..) | Given::Body(_) => ("", &[][..]),
        };
        texts.open = vec![open.to_string()];
        let (whole, read) = (!open.is_empty(), matches!(given, Given::Body(_)));
        let Body { source, statements: own } = match given {
            Given::Script(name, text, _) | Given::Entry(name, text) => {
                let source = texts.sources.add(name, text);
                let parsed = parse(source, text, &mut texts.names);
                texts.diagnostics.extend(parsed.diagnostics);
                Body { source, statements: parsed.file.statements }
            }
            Given::Body(body) => body,
        };
        let fresh = |d: &Diagnostic, done: &[Statement]| match read {
            true => done.iter().any(|statement| statement.span.to(d.span()) == statement.span),
            false => d.span().source >= source,
        };
        let mut missing = false;
        let from = self.from.clone().unwrap_or_default();
        let mut items = Vec::new();
        for statement in &own {
            let module = match &statement.kind {
                StatementKind::Use { path, path_span } => {
                    let module = texts.used(files, &from, path, *path_span);
                    missing |= module.is_none();
                    module
                }
                StatementKind::Routine(_) | StatementKind::Deciding(_) => None,
                _ => continue,
            };
            items.push(Item { statement: statement.clone(), module });
        }
        texts.tables_read.clear();
        texts.tables_of(files, Some(&from), &own);
        let settings = texts.settings(files, settings);
        let again = |name| items.iter().any(|item| routine_name(&item.statement) == Some(name));
        let earlier = self.items.iter().filter(|_| !whole);
        let earlier: Vec<&Item> =
            earlier.filter(|item| !routine_name(&item.statement).is_some_and(again)).collect();
        let own_statements = own.clone();
        let statements = earlier.iter().map(|item| item.statement.clone()).chain(own).collect();
        let file = File { statements };
        let uses = earlier.into_iter().chain(&items).filter_map(|item| {
            let StatementKind::Use { path_span, .. } = &item.statement.kind else { return None };
            Some((*path_span, item.module?))
        });
        let script = Module { file: &file, uses: uses.collect(), missing };
        let modules = texts.modules.iter().map(Loaded::borrowed).chain([script]);
        let modules: Vec<Module<'_>> = modules.collect();
        let kept = if whole { &[] } else { &self.kept[..] };
        let live = Live { kept, declares_only: whole, steps, shows: !(whole || read) };
        let (sources, names, tables) = (&texts.sources, &mut texts.names, &texts.tables);
        let mut checked =
            check::check(&modules, &settings, names, sources, tables, true, Some(live));
        let problems = std::mem::take(&mut texts.diagnostics);
        // What is read to be run must have every value.
        checked.diagnostics.extend(checked.unset.iter().map(Unset::report));
        let mut images = ImageFacts::new();
        let (mut diagnostics, program) =
            settled(files, sources, problems, &mut checked, Some(&mut images));
        // Earlier entries were warned of when they were entered.
        diagnostics.retain(|d| d.is_error() || fresh(d, &own_statements));
        let Checked { left, index, effects, named, steps, .. } = checked;
        let mut occurrences = index.map(|index| index.occurrences).unwrap_or_default();
        occurrences.retain(|occurrence| occurrence.span.source == source);
        let statements = own_statements;
        let done = Done { statements, occurrences, shown: Vec::new(), is_script: false };
        let ready = program.map(|program| Ready { program, left, items, done, script: None });
        if ready.is_none() {
            // Mended files are to be read again.
            texts.modules.truncate(used);
            texts.known = known;
        }
        Entry { diagnostics, effects, named, source, steps, ready }
    }
}

/// Takes out of a script's statements what does something and declares nothing that is kept.
fn doing(statements: &mut Vec<Statement>, kept: &[Kept]) -> Vec<Statement> {
    let (mut done, mut marks) = (Vec::new(), Vec::new());
    statements.retain(|statement| {
        let declares = match &statement.kind {
            StatementKind::Let { name, .. } => kept.iter().any(|kept| kept.span() == name.span),
            StatementKind::Use { .. }
            | StatementKind::Param { .. }
            | StatementKind::Routine(_)
            | StatementKind::Deciding(_) => true,
            _ => false,
        };
        match &statement.kind {
            // A mark stays with the statement that it is about.
            StatementKind::Allow { .. } => marks.push(statement.clone()),
            _ if declares => marks.clear(),
            _ => {
                done.append(&mut marks);
                done.push(statement.clone());
            }
        }
        declares
    });
    done
}

fn routine_name(statement: &Statement) -> Option<crate::syntax::names::Symbol> {
    match &statement.kind {
        StatementKind::Routine(routine) => Some(routine.name.symbol),
        _ => None,
    }
}
