//! The language: from source text to a checked program, and its run on a head.

mod acceptance;
mod banding;
mod bounds;
mod builtins;
mod check;
mod diagnostics;
mod ide;
mod images;
mod interpret;
mod operator;
mod program;
mod session;
mod source;
mod station;
mod statistics;
mod syntax;

pub use acceptance::decision::{Outcome, Rule as DecisionRule};
pub use banding::{Banding, Peak, banding};
pub use bounds::{
    Bound as TimeBound, Formula as BoundFormula, Term as BoundTerm, What as BoundFor, finish_most,
    longest_text, unknown_bound,
};
pub use builtins::{
    Builtin, Effect, OPEN_NAMES, RecordSpec, named as builtin_named, records as builtin_records,
    table as builtins, topics,
};
pub use check::flow::EffectsOf;
pub use check::index::{Occurrence, Target as NameTarget};
pub use check::limit::{
    beyond as effects_beyond, leave as allowed_effects, way_out as effect_way_out,
};
pub use check::live::{Answer as EntryAnswer, BRIEF as BRIEF_TIME, Kept as KeptName};
pub use check::steps::{Dark as UnpausedLines, Place as StepPlace, Steps};
pub use diagnostics::codes::{
    ALL as ALL_CODES, BAD_HEAD_DESCRIPTION, BAD_HEAD_LIST, Code, TAKES_TOO_LONG, UNCALLED_ROUTINE,
    UNKNOWN_SIGNAL, UNREACHABLE, UNUSED_NAME, find as find_code, topics as code_topics,
};
pub use diagnostics::fix::edited;
pub use diagnostics::json::{
    Checked as JsonChecked, Report as JsonReport, json as diagnostics_json, place as json_place,
};
pub use diagnostics::render::{render as render_diagnostics, summary as diagnostics_summary};
pub use diagnostics::sarif::sarif as diagnostics_sarif;
pub use diagnostics::{Diagnostic, Edit, Help, Severity};
pub use ide::{
    ActiveCall, Analysis, Callable, Declaration as FoundDeclaration, FileUses, Fold, FoldKind,
    HeadAsked, Hint as HintOf, HintKind as InlayKind, Item as Completion, ItemKind, KnownHead,
    Lens, Link as FileLink, MAX_CHECKED, Parameter as CallableParameter, Place as CursorPlace,
    Project, Scope as NameScope, Symbol as OutlineSymbol, SymbolKind as OutlineKind, TOKEN_KINDS,
    TOKEN_MODIFIERS, Token as SemanticToken, Uses as NameUses, Value as NamedValue,
    Wanted as CompletionWanted, Workspace, active_call, builtin_documentation,
    candidates as completion_candidates, complete as complete_at, cursor as cursor_at,
    definition as definition_at, effects as effects_text, folds as folds_of, format_part,
    highlights as highlights_at, hints as hints_of, hover as hover_at, kind as kind_text,
    lenses as lenses_of, links as links_of, prepare_rename, record_fields,
    references as references_at, rename as rename_at, search as search_declarations,
    selections as selections_at, symbols as outline_of, tokens as tokens_of, unit as unit_text,
};
pub use images::{ChartFacts, Images};
pub use interpret::{
    Bound as CheckBound, Budget, Check as CheckEvent, Component, Event, HeldBlock, HeldCondition,
    Measured, Observer, PlaceText, answer_line, answer_text, run as run_program,
};
pub use operator::{Answer, Given, NoAnswer, Operator, Question, Wanted};
pub use program::checks::{COVERAGE as COVERAGE_FACTOR, Planned as PlannedCheck};
pub use program::failure::{Failure, FailureKind};
pub use program::plot::{PlotOf, PlotSort};
pub use program::show::{Shower, Shown, number_text, places as decimal_places, time_text};
pub use program::tree::{Asked as AskedCheck, Program};
pub use program::types::Type;
pub use program::value::Datum;
pub use session::live::{
    Done as EntryDone, Entry as LiveEntry, RoutineSeen, Session as LiveSession,
};
pub use session::step::{Pause, Pauses, Unseen as UnseenValue};
pub use session::{
    FileError, Files, Finished, Mended, Prepared, RETEST_RULES, Row as ListRow, Runnable,
    RunnableEntry, SCRIPT as SCRIPT_SOURCE, Series, Text as SourceText, Verdict, is_guarded, mend,
    prepare, prove, read_image, run as run_script,
};
pub use source::{SourceId, SourceMap, Span, one_line as one_line_text};
pub use station::{
    EarlierSheet, GaugeFile, GaugeStudy, Looks, READY as SHEET_READY, SCAN as SHEET_SCAN,
    SCAN_BEFORE as SHEET_SCAN_BEFORE, SheetGauge, SheetOrder, Station, StationError, TimeLimit,
};
pub use statistics::capability::{cnpk, cp, cpk, cpk_doubt};
pub use statistics::control::{
    Individuals, Rule as ChartRule, individuals as individuals_chart, rule_violations,
};
pub use statistics::describe::{deviation, mean, skewness};
pub use syntax::format::{NotFormatted, format as format_source};
pub use syntax::names::Names as SymbolNames;
pub use syntax::tree::{
    ExpressionKind, File as SyntaxFile, Statement as SyntaxStatement, StatementKind,
};
pub use syntax::walk::{each_expression, each_statement, expressions as statement_expressions};
pub use syntax::{
    KEYWORDS, Keyword, Mark as HighlightMark, marks as highlight_marks, parse, parse_expression,
    unfinished as is_unfinished,
};
