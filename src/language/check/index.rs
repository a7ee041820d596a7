//! What each name in the checked files means: collected on the way, and only on request
//! for it. Uses syntax, program (types), units and the signatures of builtins.
//!
//! Files with errors are covered as far as they could be understood.

use crate::check::flow::Callee;
use crate::check::{Checker, Module};
use crate::program::types::Type;
use crate::source::Span;
use crate::syntax::names::Names;
use crate::syntax::tree::{Name, Routine, UnitName};
use std::rc::Rc;
use std::sync::Arc;

/// What a name means.
#[derive(Clone, Debug, PartialEq)]
pub enum Target {
    /// A variable, constant, param, parameter or loop variable, by its name where it is declared.
    Value(Span),
    /// A routine, by its name where it is declared.
    Routine(Span),
    /// A built-in, by its place in the table.
    Builtin(usize),
    /// A parameter of a built-in, by the places of both.
    BuiltinParameter(usize, usize),
    /// A field of a record, or one that a record should have.
    Field(FieldOf),
    /// A physical kind, a record, or another type that has a name.
    Kind(Arc<str>),
    /// An open dimension, by its name where it is declared.
    Open(Span),
    /// A unit, the micro sign folded.
    Unit(Arc<str>),
}

/// A field where it is read or written.
#[derive(Clone, Debug, PartialEq)]
pub struct FieldOf {
    /// What stands before the point.
    pub of: Type,
    /// The field.
    pub name: Arc<str>,
    /// Names of the open dimensions there.
    pub open: Vec<Rc<str>>,
}

/// A name where it stands.
#[derive(Clone, Debug, PartialEq)]
pub struct Occurrence {
    /// The place.
    pub span: Span,
    /// What it means.
    pub target: Target,
}

/// A value that has a name.
#[derive(Clone, Debug)]
pub struct ValueInfo {
    /// Its name where it is declared.
    pub name: Span,
    /// `let`, `var`, `constant`, `param`, `parameter`, `loop variable` or `caught failure`.
    pub noun: &'static str,
    /// Its type.
    pub kind: Type,
    /// Its type in the words of the script.
    pub kind_name: String,
    /// The unit that its value was written in.
    pub unit: Option<String>,
}

/// All names of a check.
#[derive(Clone, Debug, Default)]
pub struct Index {
    /// In the order of their places, declarations included.
    pub occurrences: Vec<Occurrence>,
    /// Every value, in the order of their places.
    pub values: Vec<ValueInfo>,
    /// The names of the routines, as [`crate::check::Checked::effects`] lists them.
    pub routines: Vec<Span>,
    /// Named arguments: the name called, the place of the parameter, the name given.
    arguments: Vec<(Span, usize, Span)>,
    /// The parameters of each routine.
    parameters: Vec<Vec<Span>>,
}

impl Index {
    /// The name at a place; `offset` may stand right behind it.
    pub fn at(&self, place: Span) -> Option<&Occurrence> {
        let key = (place.source, place.start);
        let behind = self.occurrences.partition_point(|o| (o.span.source, o.span.start) <= key);
        let before = self.occurrences.get(..behind)?;
        let near = before.iter().rev().take(8);
        near.filter(|o| o.span.source == place.source && o.span.end >= place.start)
            .max_by_key(|o| o.span.start)
    }

    /// The value that is declared at a place.
    pub fn value(&self, name: Span) -> Option<&ValueInfo> {
        let found = self.values.binary_search_by_key(&place(name), |v| place(v.name)).ok()?;
        self.values.get(found)
    }

    fn saw(&mut self, span: Span, target: Target) {
        self.occurrences.push(Occurrence { span, target });
    }

    fn finish(&mut self, modules: &[Module<'_>], names: &Names) {
        self.occurrences.sort_by_key(|o| place(o.span));
        self.values.sort_by_key(|v| place(v.name));
        self.values.dedup_by_key(|v| v.name);
        for (callee, position, span) in std::mem::take(&mut self.arguments) {
            let routine = match self.at(callee).map(|o| o.target.clone()) {
                Some(Target::Builtin(builtin)) => {
                    self.saw(span, Target::BuiltinParameter(builtin, position));
                    continue;
                }
                Some(Target::Routine(name)) => self.routines.iter().position(|r| *r == name),
                _ => None,
            };
            let parameters = routine.and_then(|routine| self.parameters.get(routine));
            if let Some(parameter) = parameters.and_then(|p| p.get(position)).copied() {
                self.saw(span, Target::Value(parameter));
            }
        }
        self.occurrences.sort_by_key(|o| place(o.span));
        let mut opened = Vec::new();
        for module in modules {
            for (statement, routine) in module.file.routines() {
                self.open_dimensions(routine, statement.span, names, &mut opened);
            }
        }
        for (span, target) in opened {
            self.saw(span, target);
        }
        // Some expressions are looked at twice.
        self.occurrences.sort_by_key(|o| place(o.span));
        self.occurrences.dedup();
    }

    /// Kinds inside a routine that are its open dimensions.
    fn open_dimensions(
        &mut self,
        routine: &Routine,
        whole: Span,
        names: &Names,
        opened: &mut Vec<(Span, Target)>,
    ) {
        for name in &routine.open {
            let (target, text) = (Target::Open(name.span), names.text(name.symbol));
            let start = self.occurrences.partition_point(|o| place(o.span) < place(whole));
            let Some(rest) = self.occurrences.get_mut(start..) else { continue };
            for occurrence in rest.iter_mut() {
                let span = occurrence.span;
                if span.source != whole.source || span.start >= whole.end {
                    break;
                }
                if matches!(&occurrence.target, Target::Kind(kind) if **kind == *text) {
                    occurrence.target = target.clone();
                }
            }
            opened.push((name.span, target));
        }
    }
}

fn place(span: Span) -> (crate::source::SourceId, u32) {
    (span.source, span.start)
}

/// Where the checker stops by; each does nothing unless an index is asked for.
impl Checker<'_> {
    pub(super) fn saw_variable(&mut self, variable: usize) {
        let Some(variable) = self.variables.get(variable) else { return };
        if self.index.is_none() {
            return;
        }
        let info = ValueInfo {
            name: variable.name.span,
            noun: variable.role.noun(),
            kind_name: self.kind_name(&variable.kind),
            kind: variable.kind.clone(),
            unit: variable.unit.as_ref().map(|unit| unit.text.clone()),
        };
        if let Some(index) = &mut self.index {
            index.saw(info.name, Target::Value(info.name));
            index.values.push(info);
        }
    }

    pub(super) fn saw_value(&mut self, variable: usize, span: Span) {
        if let (Some(index), Some(variable)) = (&mut self.index, self.variables.get(variable)) {
            index.saw(span, Target::Value(variable.name.span));
        }
    }

    pub(super) fn saw_routine(&mut self, routine: &Routine) {
        if let Some(index) = &mut self.index {
            index.saw(routine.name.span, Target::Routine(routine.name.span));
            index.routines.push(routine.name.span);
            index.parameters.push(routine.parameters.iter().map(|p| p.name.span).collect());
        }
    }

    pub(super) fn saw_call(&mut self, callee: Callee, name: Name) {
        let Some(index) = &mut self.index else { return };
        match callee {
            Callee::Routine(routine) => {
                if let Some(routine) = self.routines.get(routine) {
                    index.saw(name.span, Target::Routine(routine.name.span));
                }
            }
            Callee::Builtin(builtin) => index.saw(name.span, Target::Builtin(builtin)),
            Callee::Arm { .. } | Callee::Ask => {}
        }
    }

    pub(super) fn saw_argument(&mut self, callee: Name, position: usize, given: Span) {
        if let Some(index) = &mut self.index {
            index.arguments.push((callee.span, position, given));
        }
    }

    pub(super) fn saw_field(&mut self, of: &Type, name: Name) {
        if let Some(index) = &mut self.index {
            let open = self.inside.open.clone();
            let field = FieldOf { of: of.clone(), name: self.names.shared(name.symbol), open };
            index.saw(name.span, Target::Field(field));
        }
    }

    pub(super) fn saw_kind(&mut self, name: Name) {
        if let Some(index) = &mut self.index {
            index.saw(name.span, Target::Kind(self.names.shared(name.symbol)));
        }
    }

    pub(super) fn saw_unit(&mut self, unit: UnitName) {
        if let Some(index) = &mut self.index {
            index.saw(unit.span, Target::Unit(self.names.shared(unit.symbol)));
        }
    }

    /// The whole index, once everything is checked.
    pub(super) fn indexed(&mut self, modules: &[Module<'_>]) -> Option<Index> {
        let mut index = self.index.take()?;
        index.finish(modules, self.names);
        Some(index)
    }
}
