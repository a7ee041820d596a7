//! What a script leaves unsaid, to be shown between its words: kinds that were inferred, and how long loops
//! and routines take at most on the head.

use crate::bounds::{Timed, longest_text};
use crate::builtins;
use crate::ide::describe;
use crate::ide::place::Place;
use crate::program::types::Type;
use crate::syntax::tree::{Block, Expression, ExpressionKind, Name, Statement, StatementKind};
use crate::syntax::walk::{each_expression, each_statement, expressions};
use std::ops::Range;

/// Characters of a kind that are shown.
const MAX_SHOWN: usize = 32;

/// What a hint tells.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum HintKind {
    /// The kind of a name.
    Kind,
    /// A longest time.
    Time,
}

/// Something to be shown behind a byte.
#[derive(Clone, Debug, PartialEq)]
pub struct Hint {
    /// The byte.
    pub at: usize,
    /// What it tells.
    pub kind: HintKind,
    /// As it is shown.
    pub label: String,
    /// The text that says the same in the script, where it can.
    pub insert: Option<String>,
    /// More about it, in markdown; may be empty.
    pub documentation: String,
}

/// The hints between two bytes of a document, in the order of its statements.
pub fn hints(place: Place<'_>, within: &Range<usize>) -> Vec<Hint> {
    let Some(file) = place.analysis.file(place.source) else { return Vec::new() };
    let mut finder = Finder { place, within, found: Vec::new() };
    each_statement(file, &mut |statement| {
        let Range { start, end } = statement.span.range();
        if start <= within.end && end >= within.start {
            finder.statement(statement);
        }
    });
    finder.found
}

struct Finder<'a> {
    place: Place<'a>,
    within: &'a Range<usize>,
    found: Vec<Hint>,
}

impl Finder<'_> {
    fn add(&mut self, hint: Hint) {
        if (self.within.start..=self.within.end).contains(&hint.at) {
            self.found.push(hint);
        }
    }

    fn statement(&mut self, statement: &Statement) {
        match &statement.kind {
            StatementKind::Let { name, annotation: None, value, .. } if !is_plain(value) => {
                self.kind(*name, true);
            }
            StatementKind::Param { name, annotation: None, default: Some(value), .. }
                if !is_plain(value) =>
            {
                self.kind(*name, true);
            }
            StatementKind::For { name, over, body } => {
                if !is_range(over) {
                    self.kind(*name, false);
                }
                self.time(Timed::Loop(statement.span), body, "this loop");
            }
            StatementKind::Repeat { times, body, .. }
            | StatementKind::While { times, body, .. } => {
                self.time(Timed::Loop(times.span), body, "this loop");
            }
            StatementKind::Routine(routine) => {
                let index = &self.place.analysis.examined.index;
                if let Some(at) = index.routines.iter().position(|name| *name == routine.name.span)
                {
                    self.time(Timed::Routine(at), &routine.body, "any call of it");
                }
            }
            _ => {}
        }
        for e in expressions(statement) {
            each_expression(e, &mut |e| match &e.kind {
                ExpressionKind::Comprehension { name, over, .. } if !is_range(over) => {
                    self.kind(*name, false);
                }
                _ => {}
            });
        }
    }

    /// The kind of a name, which an annotation may say where `can_annotate`.
    fn kind(&mut self, name: Name, can_annotate: bool) {
        let Some(info) = self.place.analysis.examined.index.value(name.span) else { return };
        let full = info.kind_name.as_str();
        if full.is_empty() || is_unknown(&info.kind) {
            return;
        }
        let shown: String = match full.char_indices().nth(MAX_SHOWN) {
            Some((end, _)) => format!("{}…", full.get(..end).unwrap_or(full).trim_end()),
            None => full.to_string(),
        };
        let written = info.unit.as_ref().map(|unit| format!("Written in `{unit}`."));
        let parts = [Some(format!("`{full}`")), describe::kind(full), written];
        let parts: Vec<String> = parts.into_iter().flatten().collect();
        self.add(Hint {
            at: name.span.end as usize,
            kind: HintKind::Kind,
            label: format!(": {shown}"),
            insert: (can_annotate && is_writable(&info.kind)).then(|| format!(": {full}")),
            documentation: parts.join("\n\n"),
        });
    }

    /// The longest time of a part, behind the brace that its body begins with.
    fn time(&mut self, of: Timed, body: &Block, what: &str) {
        let Place { project, analysis, .. } = self.place;
        let (Some(bound), Some(head)) = (project.bound(analysis), project.head()) else { return };
        let Some(seconds) = bound.timed.get(&of) else { return };
        let most = longest_text(*seconds);
        self.add(Hint {
            at: body.span.start as usize + 1,
            kind: HintKind::Time,
            label: format!("≤ {most}"),
            insert: None,
            documentation: format!(
                "On {}, {what} takes at most {most} of head time, even where it fails. Computing is \
                 not counted.",
                head.name()
            ),
        });
    }
}

/// Its name says all of it: the fields of some records are of kinds that only a call decides.
fn is_writable(kind: &Type) -> bool {
    match kind {
        Type::List(item) => is_writable(item),
        Type::Record(record) => match record.name.and_then(builtins::record) {
            Some(spec) => {
                let is_open = |kind: &Type| matches!(kind, Type::Quantity(d) if d.is_open());
                !spec.to_type().fields.iter().any(|(_, kind)| is_open(kind))
            }
            None => record.fields.iter().all(|(_, kind)| is_writable(kind)),
        },
        _ => true,
    }
}

/// Says its kind itself: a text, a flag, a number without a unit.
fn is_plain(e: &Expression) -> bool {
    match &e.kind {
        ExpressionKind::Text(_) | ExpressionKind::Flag(_) | ExpressionKind::Broken => true,
        ExpressionKind::Number { unit, .. } => unit.is_none(),
        ExpressionKind::Unary { operand, .. } => is_plain(operand),
        _ => false,
    }
}

/// Counts, so that what is counted is plain.
fn is_range(e: &Expression) -> bool {
    use crate::syntax::tree::Binary::Range;
    matches!(e.kind, ExpressionKind::Binary { operator: Range, .. })
}

fn is_unknown(kind: &Type) -> bool {
    match kind {
        Type::Unknown | Type::Nothing => true,
        Type::List(item) => is_unknown(item),
        _ => false,
    }
}
