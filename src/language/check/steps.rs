//! Where a run may pause while it is stepped through: before each statement, but neither inside an
//! `arm` block nor in a routine that is declared `within arm`. Tells too what can be seen there.
//! Asked for by [`crate::check::live`] alone; other programs have no steps.

use crate::check::Checker;
use crate::check::live::Kept;
use crate::check::scope::{Life, Variable};
use crate::program::tree as program;
use crate::program::tree::Slot;
use crate::program::types::Type;
use crate::program::value::Datum;
use crate::source::Span;
use crate::syntax::names::Symbol;
use crate::syntax::tree::{Statement, StatementKind};
use std::collections::BTreeMap;
use std::sync::Arc;

/// The places at which a run may pause, by their numbers.
#[derive(Default)]
pub struct Steps {
    places: Vec<Place>,
    dark: Vec<Dark>,
    lives: Vec<Life>,
    variables: Vec<Variable>,
    /// What the names of each module stand for.
    modules: Vec<BTreeMap<Symbol, usize>>,
}

/// A place at which a run may pause.
pub struct Place {
    /// The statement.
    pub span: Span,
    /// The routine that it stands in.
    pub routine: Option<Arc<str>>,
    /// It is an `arm` block, and runs as one.
    pub arms: bool,
    /// A call on the way to it from inside an `arm` block, where it does not pause.
    pub lit: Option<Span>,
    module: usize,
    inside: Option<usize>,
}

/// A statement at which nothing pauses.
pub struct Dark {
    /// The statement.
    pub span: Span,
    /// The `arm`, or what declares that the routine is called inside one.
    pub arm: Span,
}

/// What was found of them so far.
#[derive(Default)]
pub(super) struct Found {
    places: Vec<Place>,
    dark: Vec<Dark>,
}

impl Steps {
    /// Every place at which a run may pause, by number.
    pub fn places(&self) -> &[Place] {
        &self.places
    }

    /// The statements at which nothing pauses.
    pub fn dark(&self) -> &[Dark] {
        &self.dark
    }

    /// What can be seen before a step, in the order of declaration: constants and params, then what
    /// the script or the routine has made by then. `value` reads a slot.
    pub fn seen(&self, step: usize, value: impl Fn(Slot) -> Datum) -> Vec<Kept> {
        let module = self.places.get(step).and_then(|place| self.modules.get(place.module));
        let mut seen: BTreeMap<Symbol, usize> = BTreeMap::new();
        seen.extend(module.into_iter().flatten().map(|(symbol, index)| (*symbol, *index)));
        for life in self.lives.iter().filter(|life| (life.first..life.last).contains(&step)) {
            if let Some(variable) = self.variables.get(life.variable) {
                seen.insert(variable.name.symbol, life.variable);
            }
        }
        let mut seen: Vec<usize> = seen.into_values().collect();
        seen.sort_unstable();
        let seen = seen.into_iter().filter_map(|index| self.variables.get(index));
        let seen = seen.filter(|variable| variable.kind != Type::Unknown);
        seen.map(|variable| Kept::new(variable.clone(), value(variable.slot))).collect()
    }
}

impl Checker<'_> {
    /// Notes that a run may pause before a statement, and has it do so.
    pub(super) fn step(&mut self, statement: &Statement, code: &mut Vec<program::Statement>) {
        let Some(lives) = &mut self.scope.lives else { return };
        if matches!(statement.kind, StatementKind::Allow { .. } | StatementKind::Broken) {
            return;
        }
        let span = statement.span;
        if let Some(arm) = self.inside.armed {
            self.found_steps.dark.push(Dark { span, arm });
            return;
        }
        let number = self.found_steps.places.len();
        lives.next = number + 1;
        let (inside, module) = (self.inside.routine, self.inside.module);
        let routine = inside.and_then(|index| self.program.routines.get(index));
        self.found_steps.places.push(Place {
            span,
            routine: routine.map(|routine| routine.name.clone()),
            arms: matches!(statement.kind, StatementKind::Arm { .. }),
            lit: None,
            module,
            inside,
        });
        code.push(program::Statement::Step(number, span));
    }

    /// Everything that was found, once all is checked.
    pub(super) fn steps(&mut self) -> Steps {
        let Some(lives) = self.scope.lives.take() else { return Steps::default() };
        // A call that leads there from inside an `arm` block.
        let lit = self.reached(|site| site.armed.map(|_| site.span));
        let Found { mut places, dark } = std::mem::take(&mut self.found_steps);
        for place in &mut places {
            place.lit = place.inside.and_then(|routine| lit.get(routine).copied().flatten());
        }
        let modules = std::mem::take(&mut self.modules).into_iter().map(|names| names.values);
        let variables = std::mem::take(&mut self.variables);
        Steps { places, dark, lives: lives.all, variables, modules: modules.collect() }
    }
}
