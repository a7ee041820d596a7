//! Variables, where they live, and which name means which of them.

use crate::check::Checker;
use crate::check::typed::{Fields, Makeup, Typed};
use crate::diagnostics::{Diagnostic, codes};
use crate::program::tree::{RefSlot, Slot, WordSlot};
use crate::program::types::Type;
use crate::source::Span;
use crate::syntax::names::Symbol;
use crate::syntax::tree::Name;
use spintrue_head::UnitText;
use std::collections::BTreeMap;
use std::rc::Rc;

/// What sort of variable it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Role {
    /// `let`
    Let,
    /// `var`
    Var,
    /// A `let` at the top level whose value does not depend on the run.
    Constant,
    /// `param`
    Param,
    /// A parameter of a routine.
    Parameter,
    /// The variable of a loop or comprehension.
    Loop,
    /// The failure behind `catch`.
    Caught,
}

impl Role {
    /// In front of its name.
    pub(super) fn noun(self) -> &'static str {
        match self {
            Role::Let => "let",
            Role::Var => "var",
            Role::Constant => "constant",
            Role::Param => "param",
            Role::Parameter => "parameter",
            Role::Loop => "loop variable",
            Role::Caught => "caught failure",
        }
    }

    /// In a report.
    pub(super) fn text(self) -> String {
        match self {
            Role::Let | Role::Var => format!("a `{}`", self.noun()),
            _ => format!("a {}", self.noun()),
        }
    }
}

/// A variable.
#[derive(Clone, Debug)]
pub(super) struct Variable {
    pub name: Name,
    pub kind: Type,
    /// The unit that its value was written in.
    pub unit: Option<Rc<UnitText>>,
    /// Those that its fields were written in.
    pub fields: Fields,
    /// What its value was made of.
    pub makeup: Makeup,
    pub role: Role,
    pub slot: Slot,
    /// The file it is declared in.
    pub module: usize,
    /// Smallest and largest value that it can have, where that is known.
    pub range: Option<(f64, f64)>,
    pub used: bool,
    /// Not to be reported as unused.
    pub quiet: bool,
    /// Left behind by an earlier entry, so that its name may be given again.
    pub kept: bool,
}

/// A loop around the statement being checked.
pub(super) struct LoopInfo {
    /// Variables that exist when the body starts.
    pub first: usize,
    /// For each `continue`: where it is, and how many variables had been declared by then.
    pub continues: Vec<(Span, usize)>,
}

/// What a name is bound to, and how deep the scope is that bound it.
#[derive(Clone, Copy)]
struct Bound {
    variable: usize,
    depth: usize,
}

/// Which name means which variable now.
#[derive(Default)]
pub(super) struct Scope {
    bound: BTreeMap<Symbol, Bound>,
    undo: Vec<(Symbol, Option<Bound>)>,
    marks: Vec<usize>,
    /// Names whose block has ended.
    gone: BTreeMap<Symbol, usize>,
    /// When each variable can be seen, for stepping.
    pub(super) lives: Option<Lives>,
}

impl Scope {
    pub(super) fn enter(&mut self) {
        self.marks.push(self.undo.len());
    }

    pub(super) fn leave(&mut self) {
        let mark = self.marks.pop().unwrap_or(0);
        for (symbol, before) in self.undo.drain(mark..).rev() {
            let ended = match before {
                Some(bound) => self.bound.insert(symbol, bound),
                None => self.bound.remove(&symbol),
            };
            if let (Some(lives), Some(bound)) = (&mut self.lives, ended) {
                lives.end(bound.variable);
            }
            self.gone.extend(ended.map(|bound| (symbol, bound.variable)));
        }
        if self.marks.is_empty() {
            self.gone.clear();
        }
    }

    /// The variable that last had this name, in a block that has ended.
    pub(super) fn gone(&self, symbol: Symbol) -> Option<usize> {
        self.gone.get(&symbol).copied()
    }

    pub(super) fn bind(&mut self, symbol: Symbol, variable: usize) {
        if let Some(lives) = &mut self.lives {
            lives.begin(variable);
        }
        let depth = self.marks.len();
        let before = self.bound.insert(symbol, Bound { variable, depth });
        self.undo.push((symbol, before));
    }

    pub(super) fn find(&self, symbol: Symbol) -> Option<usize> {
        self.bound.get(&symbol).map(|bound| bound.variable)
    }

    /// In no block but the outermost.
    pub(super) fn at_top(&self) -> bool {
        self.marks.len() == 1
    }

    pub(super) fn symbols(&self) -> impl Iterator<Item = Symbol> + '_ {
        self.bound.keys().copied()
    }

    /// Bound since the innermost scope was entered.
    fn in_this_scope(&self, symbol: Symbol) -> bool {
        self.bound.get(&symbol).is_some_and(|bound| bound.depth == self.marks.len())
    }
}

/// When variables can be seen, by the number of the step.
#[derive(Default)]
pub(super) struct Lives {
    /// The number of the next step.
    pub next: usize,
    pub all: Vec<Life>,
    /// Those that have not ended, by variable.
    open: BTreeMap<usize, usize>,
}

/// A variable can be seen from `first` up to but without `last`.
pub(super) struct Life {
    pub variable: usize,
    pub first: usize,
    pub last: usize,
}

impl Lives {
    /// A variable gets its name.
    pub(super) fn begin(&mut self, variable: usize) {
        self.open.insert(variable, self.all.len());
        self.all.push(Life { variable, first: self.next, last: usize::MAX });
    }

    /// Its block ends.
    pub(super) fn end(&mut self, variable: usize) {
        let open = self.open.remove(&variable);
        if let Some(life) = open.and_then(|at| self.all.get_mut(at)) {
            life.last = self.next;
        }
    }
}

impl Checker<'_> {
    /// A new slot for values of a type.
    pub(super) fn slot(&mut self, kind: &Type) -> Slot {
        match kind {
            Type::Text | Type::List(_) | Type::Record(_) => {
                self.program.refs += 1;
                Slot::Ref(RefSlot(self.program.refs - 1))
            }
            Type::Flag => {
                self.program.words += 1;
                Slot::Flag(WordSlot(self.program.words - 1))
            }
            _ => {
                self.program.words += 1;
                Slot::Number(WordSlot(self.program.words - 1))
            }
        }
    }

    /// Makes a variable for values like `typed`, and binds its name in the innermost scope.
    pub(super) fn declare(&mut self, name: Name, typed: Typed, role: Role) -> (usize, Slot) {
        let module = self.module();
        let fixed = module.and_then(|m| m.values.get(&name.symbol)).copied();
        let top = self.inside.routine.is_none() && self.scope.at_top();
        let found = self.scope.find(name.symbol).or(fixed);
        let kept = found.and_then(|v| self.variables.get(v)).is_some_and(|v| v.kept);
        if kept {
            // An entry may give the name of an earlier value again.
        } else if self.scope.in_this_scope(name.symbol) {
            self.twice(name, self.scope.find(name.symbol));
        } else if let (true, Some(before)) = (top, fixed) {
            self.twice(name, Some(before));
        } else if let Some(before) =
            self.scope.find(name.symbol).or(fixed.filter(|_| role != Role::Parameter))
        {
            self.shadows(name, before);
        }
        let Typed { kind, unit, fields, makeup, .. } = typed;
        let slot = self.slot(&kind);
        let quiet = self.names.text(name.symbol).starts_with('_') || kind == Type::Unknown;
        let module = self.inside.module;
        let (range, used, kept) = (None, false, false);
        let index = self.variables.len();
        self.variables.push(Variable {
            name,
            kind,
            unit,
            fields,
            makeup,
            role,
            slot,
            module,
            range,
            used,
            quiet,
            kept,
        });
        self.saw_variable(index);
        self.scope.bind(name.symbol, index);
        (index, slot)
    }

    /// The variable that a name means here.
    pub(super) fn variable_of(&self, symbol: Symbol) -> Option<&Variable> {
        self.variables.get(self.find(symbol)?)
    }

    /// The variable that a name stands for here: one of the blocks around, or one of the file.
    pub(super) fn find(&self, symbol: Symbol) -> Option<usize> {
        let of_file = || self.module()?.values.get(&symbol).copied();
        self.scope.find(symbol).or_else(of_file)
    }

    fn twice(&mut self, name: Name, first: Option<usize>) {
        let text = self.text(name.symbol);
        let first = first.and_then(|v| self.variables.get(v));
        let mut report = Diagnostic::error(
            codes::DUPLICATE_NAME,
            format!("`{text}` is declared twice"),
            name.span,
        )
        .here("declared again here");
        if let Some(first) = first {
            report = report.label(first.name.span, "first declared here");
            report = if first.role == Role::Var {
                report.help(format!("to give it another value write `{text} = ...` without `var`"))
            } else {
                report.help("give one of them another name")
            };
        }
        self.report(report);
    }

    fn shadows(&mut self, name: Name, before: usize) {
        let text = self.text(name.symbol);
        let Some(outer) = self.variables.get(before) else { return };
        let (role, place) = (outer.role.text(), outer.name.span);
        self.warning(
            codes::SHADOWED_NAME,
            format!("`{text}` hides {} of the same name", role),
            name.span,
        )
        .here("from here on this one is meant")
        .label(place, "the one that is hidden")
        .help("give one of them another name");
    }

    /// Reports variables that are never read.
    pub(super) fn unused(&mut self) {
        let mut reports = Vec::new();
        for variable in &self.variables {
            if variable.used || variable.quiet {
                continue;
            }
            let text = self.names.text(variable.name.symbol);
            let noun = match variable.role {
                // Whether a `let` happens to be a constant does not matter here.
                Role::Let | Role::Var | Role::Constant => "variable",
                role => role.noun(),
            };
            let report = Diagnostic::warning(
                codes::UNUSED_NAME,
                format!("{noun} `{text}` is never read"),
                variable.name.span,
            )
            .help(format!("delete it, or call it `_{text}` to say that this is meant"));
            reports.push(report);
        }
        for routine in self.routines.iter().filter(|r| !r.used) {
            let text = self.names.text(routine.name.symbol);
            let headline = format!("routine `{text}` is never called");
            let report = Diagnostic::warning(codes::UNCALLED_ROUTINE, headline, routine.name.span)
                .help("call it where it was meant to be, or delete it");
            reports.push(report);
        }
        self.diagnostics.extend(reports);
    }
}
