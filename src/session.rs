//! The facade: script text in, a checked program or diagnostics out; a program and a station
//! in, an outcome out. Touches no file itself: texts come through [`Files`].

use crate::acceptance::decision::Outcome;
use crate::bounds::{self, Bound, ParamAt, ParamKind};
use crate::check::flow::EffectsOf;
use crate::check::{self, Module, Setting};
use crate::diagnostics::{Diagnostic, Severity};
use crate::head::station::Station;
use crate::head::{Description, SafeState};
use crate::interpret::{self, Event, Observer};
use crate::program::failure::{Failure, FailureKind};
use crate::program::tree::{Param, Program, Slot, Statement};
use crate::source::{SourceId, SourceMap, Span};
use crate::syntax::names::{Names, Symbol};
use crate::syntax::tree::{Expression, ExpressionKind, File, StatementKind};
use crate::syntax::{parse, parse_expression};
use crate::units::{Dimension, parse_quantity};
use std::collections::{HashMap, HashSet};

/// Longest chain of files that use each other.
const DEPTH_MOST: usize = 64;

/// Gives the texts of scripts.
pub trait Files {
    /// Reads `path`, which stands in the file `from` (none for the script itself).
    /// Gives a name that is the same for the same file, and the text; or why not.
    fn read(&mut self, from: Option<&str>, path: &str) -> Result<Text, String>;
}

/// A text with its name.
pub struct Text {
    /// Shown in reports, and the same whenever the same file is meant.
    pub name: String,
    /// What stands in it.
    pub text: String,
}

/// A checked script.
pub struct Prepared {
    /// All texts, for reports.
    pub sources: SourceMap,
    /// Errors and warnings.
    pub diagnostics: Vec<Diagnostic>,
    /// The program, where no error forbids it to run.
    pub program: Option<Program>,
    /// What each routine and last the script may do to the head.
    pub effects: Vec<EffectsOf>,
    /// Where the params of the program live; empty where that cannot be told.
    pub params: Vec<ParamAt>,
}

impl Prepared {
    /// How long the script takes at most on a head; none where it may not run at all.
    pub fn bound(&self, head: &Description) -> Option<Bound> {
        self.program.as_ref().map(|program| bounds::bound(program, &self.params, head))
    }

    /// How many errors there are.
    pub fn errors(&self) -> usize {
        self.diagnostics.iter().filter(|d| d.severity == Severity::Error).count()
    }
}

/// Reads, parses and checks a script with all it uses. `settings` are `NAME=VALUE` texts.
/// Fails only where the script itself cannot be read.
pub fn prepare(files: &mut dyn Files, path: &str, settings: &[String]) -> Result<Prepared, String> {
    let script = files.read(None, path)?;
    let mut loader = Loader {
        files,
        sources: SourceMap::new(),
        names: Names::default(),
        diagnostics: Vec::new(),
        modules: Vec::new(),
        known: HashMap::new(),
        open: Vec::new(),
    };
    loader.module(script);
    let settings = loader.settings(settings);
    let Loader { sources, mut names, mut diagnostics, modules, .. } = loader;
    let unread = diagnostics.iter().any(|d| d.severity == Severity::Error);
    let borrowed: Vec<Module<'_>> = modules
        .iter()
        .map(|m| Module { file: &m.file, uses: m.uses.clone(), missing: m.missing })
        .collect();
    let checked = check::check(&borrowed, &settings, &mut names, &sources);
    // What could not be read makes what stands beside it look wrong.
    let line = |span: Span| (span.source, sources.line_column(span.source, span.start).0);
    let broken: HashSet<_> = diagnostics.iter().map(|d| line(d.span())).collect();
    // A routine whose head could not be read has no parameters that calls could fit.
    let calls = ["E0601", "E0602", "E0603"];
    let sound = |d: &Diagnostic| {
        broken.is_empty() || !(broken.contains(&line(d.span())) || calls.contains(&d.code))
    };
    diagnostics.extend(checked.diagnostics.into_iter().filter(sound));
    diagnostics.sort_by_key(|d| (d.span().source, d.span().start));
    let program = checked.program.filter(|_| !unread);
    let params = program.as_ref().map(|program| params(program, &modules)).unwrap_or_default();
    Ok(Prepared { sources, diagnostics, program, effects: checked.effects, params })
}

/// Where each param of the program lives. Params and constants are set up in the order of their
/// declarations, those of the script last.
fn params(program: &Program, modules: &[Loaded]) -> Vec<ParamAt> {
    let Some((script, used)) = modules.split_last() else { return Vec::new() };
    let lets = |file: &File| {
        let found = file.statements.iter();
        found.filter(|s| matches!(s.kind, StatementKind::Let { mutable: false, .. })).count()
    };
    let others: usize = used.iter().map(|module| lets(&module.file)).sum();
    let own = program.setup.len().saturating_sub(others);
    let constants = own.saturating_sub(program.params.len());
    let all = constants == lets(&script.file);
    let mut known: HashSet<Symbol> = HashSet::new();
    let mut order = Vec::new();
    for statement in &script.file.statements {
        match &statement.kind {
            StatementKind::Param { name, .. } => {
                known.insert(name.symbol);
                order.push(true);
            }
            StatementKind::Let { mutable: false, name, value, .. }
                if constants > 0 && (all || plain(value, &known)) =>
            {
                known.insert(name.symbol);
                order.push(false);
            }
            _ => {}
        }
    }
    if order.len() != own {
        return Vec::new();
    }
    let sets = program.setup.iter().skip(others).zip(order).filter(|(_, param)| *param);
    let slots = sets.filter_map(|(statement, _)| match statement {
        Statement::Set(slot, _) => Some(*slot),
        _ => None,
    });
    slots
        .zip(&program.params)
        .map(|(slot, param)| ParamAt { slot, kind: kind(slot, param) })
        .collect()
}

/// A value that surely needs no head, written with what is known already.
fn plain(value: &Expression, known: &HashSet<Symbol>) -> bool {
    match &value.kind {
        ExpressionKind::Number { .. } | ExpressionKind::Flag(_) => true,
        ExpressionKind::Name(symbol) => known.contains(symbol),
        ExpressionKind::Unary { operand: a, .. } | ExpressionKind::Power { base: a, .. } => {
            plain(a, known)
        }
        ExpressionKind::Binary { left, right, .. } => plain(left, known) && plain(right, known),
        ExpressionKind::List(items) => items.iter().all(|item| plain(item, known)),
        _ => false,
    }
}

fn kind(slot: Slot, param: &Param) -> ParamKind {
    match (slot, parse_quantity(&param.text)) {
        (Slot::Number(_), Ok((_, None))) => ParamKind::Number,
        (Slot::Number(_), Ok((_, Some(unit)))) if unit.dimension == Dimension::TIME => {
            ParamKind::Time
        }
        _ => ParamKind::Other,
    }
}

struct Loaded {
    file: File,
    uses: Vec<(Span, usize)>,
    /// A used file could not be read, so names may be unknown for that reason.
    missing: bool,
}

struct Loader<'a> {
    files: &'a mut dyn Files,
    sources: SourceMap,
    names: Names,
    diagnostics: Vec<Diagnostic>,
    /// Each behind those it uses.
    modules: Vec<Loaded>,
    known: HashMap<String, usize>,
    /// Files being read now, outermost first.
    open: Vec<String>,
}

impl Loader<'_> {
    /// Parses a file and all it uses; gives its index among the modules.
    fn module(&mut self, text: Text) -> usize {
        let source = self.sources.add(text.name.clone(), text.text.as_str());
        let parsed = parse(source, &text.text, &mut self.names);
        self.diagnostics.extend(parsed.diagnostics);
        self.open.push(text.name.clone());
        let mut uses = Vec::new();
        let mut missing = false;
        for statement in &parsed.file.statements {
            if let StatementKind::Use { path, path_span } = &statement.kind {
                match self.used(&text.name, path, *path_span) {
                    Some(module) => uses.push((*path_span, module)),
                    None => missing = true,
                }
            }
        }
        self.open.pop();
        self.modules.push(Loaded { file: parsed.file, uses, missing });
        self.known.insert(text.name, self.modules.len() - 1);
        self.modules.len() - 1
    }

    fn used(&mut self, from: &str, path: &str, span: Span) -> Option<usize> {
        let text = match self.files.read(Some(from), path) {
            Ok(text) => text,
            Err(why) => {
                let report =
                    Diagnostic::error("E0407", format!("cannot use \"{path}\": {why}"), span)
                        .help("the path is taken from the folder of the file that says `use`");
                self.diagnostics.push(report);
                return None;
            }
        };
        if let Some(known) = self.known.get(&text.name) {
            return Some(*known);
        }
        if let Some(start) = self.open.iter().position(|open| *open == text.name) {
            let chain: Vec<&str> = self
                .open
                .iter()
                .skip(start)
                .map(String::as_str)
                .chain([text.name.as_str()])
                .collect();
            let headline = format!("files use each other in a circle: {}", chain.join(" → "));
            self.diagnostics.push(
                Diagnostic::error("E0408", headline, span)
                    .help("put what both need into a third file"),
            );
            return None;
        }
        if self.open.len() >= DEPTH_MOST {
            let headline = format!("more than {DEPTH_MOST} files use each other in a chain");
            self.diagnostics.push(Diagnostic::error("E0408", headline, span));
            return None;
        }
        Some(self.module(text))
    }

    /// Takes `NAME=VALUE` texts apart.
    fn settings(&mut self, settings: &[String]) -> Vec<Setting> {
        settings.iter().filter_map(|text| self.setting(text)).collect()
    }

    fn setting(&mut self, text: &str) -> Option<Setting> {
        let source = self.sources.add("--set", text);
        let whole = Span::new(source, 0, text.len());
        let Some((name, raw)) = text.split_once('=') else {
            let report = Diagnostic::error("E0516", "`--set` takes NAME=VALUE", whole)
                .help(format!("for example `--set {text}=5`"));
            self.diagnostics.push(report);
            return None;
        };
        let start = name.len() + 1;
        // Blanks in place of the name keep every place right.
        let blanked = format!("{}{raw}", " ".repeat(start));
        let (value, problems) = match parse_expression(source, &blanked, &mut self.names) {
            Ok(value) => (Some(value), Vec::new()),
            Err(problems) => (None, problems),
        };
        Some(Setting {
            name: name.trim().to_string(),
            name_span: Span::new(source, 0, name.len()),
            raw: raw.to_string(),
            value_span: Span::new(source, start, text.len()),
            value,
            problems,
        })
    }
}

/// How a run ended.
#[derive(Clone, Debug)]
pub struct Finished {
    /// What stopped it, if it did not reach its end.
    pub failure: Option<Failure>,
    /// Checks that conform.
    pub conforming: usize,
    /// Checks that do not.
    pub failing: usize,
    /// Checks that cannot be decided.
    pub undecided: usize,
    /// Head time from start to safe, in s.
    pub took: f64,
    /// How the head was left.
    pub safe: SafeState,
}

/// The verdict of a run.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// Ran to its end, and every check conforms.
    Passed,
    /// A check does not conform or cannot be decided, or the script said `fail`.
    Failed,
    /// A value of the script has no meaning.
    ScriptWrong,
    /// The head or its gauge failed, did not get there in time, or could not be made safe.
    HeadFailed,
    /// Somebody stopped it.
    Interrupted,
}

impl Verdict {
    /// The exit code that says so.
    pub fn exit_code(self) -> u8 {
        match self {
            Verdict::Passed => 0,
            Verdict::Failed => 1,
            Verdict::ScriptWrong => 2,
            Verdict::HeadFailed => 3,
            Verdict::Interrupted => 130,
        }
    }

    /// In words.
    pub fn text(self) -> &'static str {
        match self {
            Verdict::Passed => "PASSED",
            Verdict::Failed => "FAILED",
            Verdict::ScriptWrong => "SCRIPT WRONG",
            Verdict::HeadFailed => "HEAD FAILED",
            Verdict::Interrupted => "INTERRUPTED",
        }
    }
}

impl Finished {
    /// What it comes to.
    pub fn verdict(&self) -> Verdict {
        let unsafe_end = !self.safe.laser_off || !self.safe.troubles.is_empty();
        match self.failure.as_ref().map(|failure| failure.kind) {
            Some(FailureKind::Interrupted) => Verdict::Interrupted,
            Some(FailureKind::Fault | FailureKind::Timeout) => Verdict::HeadFailed,
            _ if unsafe_end => Verdict::HeadFailed,
            Some(FailureKind::Value | FailureKind::Limit) => Verdict::ScriptWrong,
            Some(FailureKind::Failed) => Verdict::Failed,
            None if self.failing + self.undecided > 0 => Verdict::Failed,
            None => Verdict::Passed,
        }
    }
}

/// Runs a program and makes the head safe, whatever happens.
pub fn run(
    program: &Program,
    sources: &SourceMap,
    station: &mut Station,
    observer: &mut dyn Observer,
) -> Finished {
    let started = station.now();
    let mut counting = Counting { inner: observer, outcomes: [0; 3] };
    let place = |span: Span| sources.place(span);
    let failure = interpret::run(program, station, &mut counting, &place).err();
    let [conforming, failing, undecided] = counting.outcomes;
    let safe = station.finish(failure.is_none());
    let took = station.now() - started;
    Finished { failure, conforming, failing, undecided, took, safe }
}

struct Counting<'a> {
    inner: &'a mut dyn Observer,
    outcomes: [usize; 3],
}

impl Observer for Counting<'_> {
    fn event(&mut self, time: f64, event: Event) {
        if let Event::Check(check) = &event {
            let slot = match check.outcome {
                Outcome::Conforms => 0,
                Outcome::Fails => 1,
                Outcome::Undecided => 2,
            };
            if let Some(count) = self.outcomes.get_mut(slot) {
                *count += 1;
            }
        }
        self.inner.event(time, event);
    }
}

/// The id of the script among the sources: it is read first.
pub const SCRIPT: SourceId = SourceId(0);
