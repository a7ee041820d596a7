//! Names, types, physical dimensions, effects and bounds: from the syntax tree to the checked
//! program. Uses source, diagnostics, syntax, units, program and the signatures of builtins.
//!
//! Every file is checked to its end; each mistake is reported once, and what depends on a
//! mistake is taken as right ([`Type::Unknown`]).

pub(crate) mod advice;
mod allow;
mod always;
mod annotation;
mod ask;
mod call;
mod choose;
mod collect;
pub(crate) mod deciding;
mod expression;
pub(crate) mod flow;
mod former;
mod generic;
mod given;
mod head;
mod hold;
pub(crate) mod index;
pub(crate) mod limit;
pub(crate) mod live;
mod logic;
mod makeup;
mod named;
mod operator;
mod order;
mod place;
mod plot;
mod promise;
mod scope;
mod sequence;
mod shown;
mod statement;
pub(crate) mod steps;
mod table;
mod typed;
mod unknown;
mod way;

pub(crate) use named::{Named, NamedImage, Use, Used};

use crate::builtins;
use crate::diagnostics::{Diagnostic, Help, Label, codes};
use crate::program::table::Tables;
use crate::program::tree::Program;
use crate::program::types::Type;
use crate::source::{SourceMap, Span};
use crate::syntax::names::{Names, Symbol};
use crate::syntax::tree::{Expression, File};
use advice::with_article;
use call::Signature;
use flow::CallSite;
use promise::Promise;
use scope::{Scope, Variable};
use spintrue_head::UnitText;
use std::cell::Cell;
use std::collections::{BTreeMap, BTreeSet, HashSet};
use std::rc::Rc;
use typed::Makeup;

/// A parsed file with the files it uses.
pub(crate) struct Module<'a> {
    /// Its tree.
    pub file: &'a File,
    /// For each `use` in order: where the path stands and which module it names.
    pub uses: Vec<(Span, usize)>,
    /// A used file could not be read, or is used wrongly, and that is reported: what is unknown here may have been
    /// declared there.
    pub missing: bool,
}

/// Where the value of a param comes from; each overrides those before it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Origin {
    /// An earlier record: what the script does not ask for is passed over.
    Last,
    /// A data sheet.
    Sheet,
    /// A cell of a list of heads.
    List,
    /// `--set NAME=VALUE`
    Option,
}

/// A param without a value: the script may be checked, and must not run.
#[derive(Clone, Debug)]
pub struct Unset {
    /// Its name.
    pub name: String,
    /// Its kind in words.
    pub kind: String,
    /// Where it is declared.
    pub span: Span,
}

impl Unset {
    /// What is said where it is to run.
    pub fn report(&self) -> Diagnostic {
        let Unset { name, kind, span } = self;
        Diagnostic::error(codes::UNSET_PARAM, format!("param `{name}` has no value"), *span)
            .help(format!("set it from outside: `--set {name}=...` with a {kind}"))
    }
}

/// A param set from outside: `--set speed=5000rpm`.
#[derive(Clone)]
pub(crate) struct Setting {
    /// The name before `=`.
    pub name: String,
    /// Where the name stands in the argument.
    pub name_span: Span,
    /// What stands behind `=`, as it is.
    pub raw: String,
    /// Where it stands.
    pub value_span: Span,
    /// Where it comes from.
    pub origin: Origin,
    /// The same, parsed; none where it is not an expression.
    pub value: Option<Expression>,
    /// What the parser said of it; reported unless the param takes any text.
    pub problems: Vec<Diagnostic>,
}

/// What a check comes to.
pub(crate) struct Checked {
    /// The program, where nothing forbids it to run.
    pub program: Option<Program>,
    /// Errors and warnings, in the order of their places.
    pub diagnostics: Vec<Diagnostic>,
    /// Params without a value.
    pub unset: Vec<Unset>,
    /// What each routine, and last the script itself, may do to the head.
    pub effects: Vec<flow::EffectsOf>,
    /// What each name means, where that was asked for.
    pub index: Option<index::Index>,
    /// What is named by plain text.
    pub named: Named,
    /// What an entry leaves behind; nothing of a script.
    pub left: live::Left,
    /// Where a run may pause; nothing unless an entry is stepped through.
    pub steps: steps::Steps,
}

/// Checks modules, each after those it uses; the last one is the script. With `index` it also
/// tells what each name means; `live` makes it an entry, over what earlier ones left behind.
pub(crate) fn check(
    modules: &[Module<'_>],
    settings: &[Setting],
    names: &mut Names,
    sources: &SourceMap,
    tables: &Tables,
    index: bool,
    live: Option<live::Live<'_>>,
) -> Checked {
    let builtins = builtins::table();
    // One that no file names needs no symbol.
    let named = builtins.iter().enumerate();
    let known = named.filter_map(|(i, b)| Some((names.find(b.name)?, i))).collect();
    let mut checker = Checker {
        names,
        sources,
        tables,
        diagnostics: Vec::new(),
        builtins: known,
        signatures: builtins.iter().map(|_| None).collect(),
        units: BTreeMap::new(),
        records: BTreeMap::new(),
        variables: Vec::new(),
        scope: Scope::default(),
        routines: Vec::new(),
        modules: Vec::new(),
        program: Program::default(),
        inside: Inside::default(),
        compared: Cell::new(0),
        parts: Makeup::BARE,
        near: Makeup::BARE,
        calls: Vec::new(),
        holds: Vec::new(),
        undeclared: BTreeSet::new(),
        valueless: Vec::new(),
        constants: HashSet::new(),
        top_level: BTreeMap::new(),
        index: index.then(index::Index::default),
        decides: deciding::Chosen::default(),
        found: Vec::new(),
        questions: Vec::new(),
        named: Named::default(),
        unset: Vec::new(),
        found_steps: steps::Found::default(),
        live: live.map(live::State::new),
    };
    checker.scope.lives = live.filter(|live| live.steps).map(|_| scope::Lives::default());
    checker.collect(modules, settings);
    checker.bodies(modules);
    checker.tell_valueless();
    checker.program.checks = checker.planned();
    checker.program.questions = checker.asked();
    let effects = checker.flow();
    let failed = checker.diagnostics.iter().any(Diagnostic::is_error);
    if !failed && live.is_none() && !modules.iter().any(|module| module.missing) {
        // With errors about, what looks unused may only be misspelt elsewhere.
        checker.unused();
    }
    checker.allowed(modules);
    let index = checker.indexed(modules);
    let steps = checker.steps();
    let mut diagnostics = checker.diagnostics;
    diagnostics.sort_by_key(|d| (d.span().source, d.span().start));
    let (named, unset) = (checker.named, checker.unset);
    // Marks that mean nothing are errors as well.
    let failed = diagnostics.iter().any(Diagnostic::is_error);
    let program = (!failed).then_some(checker.program);
    let left = checker.live.map(live::State::left).unwrap_or_default();
    Checked { program, diagnostics, unset, effects, index, named, left, steps }
}

/// A routine as callers see it.
struct RoutineInfo {
    /// Its name where it is declared.
    name: crate::syntax::tree::Name,
    /// The file it stands in.
    module: usize,
    /// Its open dimensions.
    open: Vec<Rc<str>>,
    /// What it takes and gives.
    signature: Rc<Signature>,
    /// It has an `arm` block of its own.
    arms: Option<Span>,
    /// It makes a check, records or notes something.
    tells: Option<Span>,
    /// It is declared `within arm`.
    armed: Option<Span>,
    /// What it is declared to do at most.
    may: Option<Promise>,
    /// It is called, or it is there for other files.
    used: bool,
}

/// What the names of a module stand for.
#[derive(Default)]
struct ModuleNames {
    /// A used file is missing, which is reported.
    missing: bool,
    values: BTreeMap<Symbol, usize>,
    routines: BTreeMap<Symbol, usize>,
}

/// Where the checker stands inside a routine or the script.
#[derive(Default)]
struct Inside {
    /// Index of the module.
    module: usize,
    /// Index of the routine, none in the script itself.
    routine: Option<usize>,
    /// Names of the open dimensions.
    open: Vec<Rc<str>>,
    /// What the routine gives, and where it is put.
    result: Option<(Type, crate::program::tree::Slot)>,
    /// The `arm` block around.
    armed: Option<Span>,
    /// Inside what a `try` tries.
    caught: bool,
    /// Inside `finally`: the keyword may not be left by a jump.
    finally: bool,
    /// Loops around; for each, the variables that are surely set at every `continue`.
    loops: Vec<scope::LoopInfo>,
    /// Inside the condition of an `expect`.
    expect: bool,
    /// Checking what must be constant: only constants may be named.
    constant: bool,
    /// The loop whose `until` is being checked.
    until: Option<scope::LoopInfo>,
}

struct Checker<'a> {
    names: &'a mut Names,
    sources: &'a SourceMap,
    tables: &'a Tables,
    diagnostics: Vec<Diagnostic>,
    builtins: BTreeMap<Symbol, usize>,
    signatures: Vec<Option<Rc<Signature>>>,
    units: BTreeMap<Symbol, Rc<UnitText>>,
    /// Types of records that were asked for so far.
    records: BTreeMap<&'static str, Type>,
    variables: Vec<Variable>,
    scope: Scope,
    routines: Vec<RoutineInfo>,
    modules: Vec<ModuleNames>,
    program: Program,
    inside: Inside,
    /// How many known names were compared with misspelt ones.
    compared: Cell<usize>,
    /// What went into the expression being checked, so far.
    parts: Makeup,
    /// What the statement being checked holds, so far.
    near: Makeup,
    calls: Vec<CallSite>,
    /// Blocks during which conditions must hold.
    holds: Vec<hold::Site>,
    /// Routines that return a value and do not declare what.
    undeclared: BTreeSet<usize>,
    /// Reports on calls that give no value, by the routine called.
    valueless: Vec<(usize, Diagnostic)>,
    /// Where constants of the script are named.
    constants: HashSet<Span>,
    /// Names that the script makes while it runs, which routines cannot see.
    top_level: BTreeMap<Symbol, Span>,
    index: Option<index::Index>,
    /// How checks are decided that do not say it themselves.
    decides: deciding::Chosen,
    /// Checks that the script plans, so far.
    found: Vec<deciding::Found>,
    /// Questions that the script may ask, so far.
    questions: Vec<ask::Found>,
    named: Named,
    unset: Vec<Unset>,
    /// Where a run may pause, so far.
    found_steps: steps::Found,
    live: Option<live::State<'a>>,
}

/// A diagnostic that was reported already.
struct Reported<'d>(&'d mut Diagnostic);

impl Reported<'_> {
    fn here(self, text: impl Into<String>) -> Self {
        if let Some(first) = self.0.labels.first_mut() {
            first.text = text.into();
        }
        self
    }

    fn label(self, span: Span, text: impl Into<String>) -> Self {
        self.0.labels.push(Label { span, text: text.into() });
        self
    }

    fn help(self, text: impl Into<String>) -> Self {
        self.0.help.push(Help::new(text));
        self
    }
}

impl Checker<'_> {
    fn report(&mut self, diagnostic: Diagnostic) {
        self.diagnostics.push(diagnostic);
    }

    /// The names of the file that is being checked.
    fn module(&self) -> Option<&ModuleNames> {
        self.modules.get(self.inside.module)
    }

    /// Reports an error; places and ways out can be added to it.
    fn error(
        &mut self,
        code: &'static str,
        headline: impl Into<String>,
        span: Span,
    ) -> Reported<'_> {
        Reported(self.diagnostics.push_mut(Diagnostic::error(code, headline, span)))
    }

    /// Reports a warning, likewise.
    fn warning(
        &mut self,
        code: &'static str,
        headline: impl Into<String>,
        span: Span,
    ) -> Reported<'_> {
        Reported(self.diagnostics.push_mut(Diagnostic::warning(code, headline, span)))
    }

    fn text(&self, symbol: Symbol) -> String {
        self.names.text(symbol).to_string()
    }

    /// Calls that give no value, but for those whose routine is reported for that already.
    fn tell_valueless(&mut self) {
        for (routine, report) in std::mem::take(&mut self.valueless) {
            if !self.undeclared.contains(&routine) {
                self.report(report);
            }
        }
    }

    /// A type in the words of the script.
    fn kind_name(&self, kind: &Type) -> String {
        let open: Vec<&str> = self.inside.open.iter().map(|name| &**name).collect();
        kind.name(&open)
    }

    /// The same behind its article.
    fn a_kind(&self, kind: &Type) -> String {
        with_article(&self.kind_name(kind))
    }

    /// The script's own words under a span, on one line and not endless.
    fn words(&self, span: Span) -> String {
        self.sources.excerpt(span)
    }

    /// The same whole, for what is kept of a run.
    fn whole_words(&self, span: Span) -> String {
        let lines = self.sources.slice(span).lines().map(str::trim);
        lines.collect::<Vec<_>>().join(" ")
    }
}
