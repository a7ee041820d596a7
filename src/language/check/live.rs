//! Entries of a session: each is checked like a script, over what earlier entries declared.
//! Routines come back as syntax; values come back here, as variables that are set already.

use crate::check::Checker;
use crate::check::scope::{Role, Variable};
use crate::check::typed::Typed;
use crate::program::show::Shower;
use crate::program::tree::{Expression, Flag, Number, Ref, Slot, Statement};
use crate::program::types::Type;
use crate::program::value::{Datum, Object, Value};
use crate::source::Span;
use crate::syntax::names::{Names, Symbol};
use std::rc::Rc;

/// Characters of a value that lists of values may show.
pub const BRIEF: usize = 120;

/// A value that an entry left behind.
#[derive(Clone)]
pub struct Kept {
    variable: Variable,
    value: Datum,
}

/// How an entry is checked.
#[derive(Clone, Copy)]
pub(crate) struct Live<'a> {
    /// What earlier entries left behind.
    pub kept: &'a [Kept],
    /// Only what it declares is wanted: routines, params and constants; nothing of it runs.
    pub declares_only: bool,
    /// It is to be stepped through.
    pub steps: bool,
    /// A value that stands alone in it is shown; in a script it is a mistake.
    pub shows: bool,
}

/// What a checked entry declares, and what of it is shown.
#[derive(Clone, Default)]
pub(crate) struct Left {
    variables: Vec<Variable>,
    /// Values that stand alone, to be shown after the run.
    pub shown: Vec<Answer>,
}

/// A value that stands alone in an entry.
#[derive(Clone)]
pub struct Answer {
    /// Where the run leaves it.
    pub slot: Slot,
    /// How it is shown.
    pub shower: Shower,
    /// Its kind in words.
    pub kind: String,
    /// Where it stands.
    pub span: Span,
}

/// The state of a check of an entry.
pub(super) struct State<'a> {
    live: Live<'a>,
    /// Values that only the entry itself sees, by name.
    bound: Vec<(Symbol, usize)>,
    left: Left,
}

impl<'a> State<'a> {
    pub(super) fn new(live: Live<'a>) -> Self {
        State { live, bound: Vec::new(), left: Left::default() }
    }

    pub(super) fn left(self) -> Left {
        self.left
    }
}

impl Kept {
    pub(super) fn new(variable: Variable, value: Datum) -> Kept {
        Kept { variable, value }
    }

    /// Its name.
    pub fn name<'n>(&self, names: &'n Names) -> &'n str {
        names.text(self.variable.name.symbol)
    }

    /// Its kind in words.
    pub fn kind(&self) -> String {
        self.variable.kind.name(&[])
    }

    /// Its kind.
    pub fn kind_of(&self) -> &Type {
        &self.variable.kind
    }

    /// Routines see it.
    pub fn is_for_routines(&self) -> bool {
        matches!(self.variable.role, Role::Constant | Role::Param)
    }

    /// The same, as a value that no routine sees.
    #[must_use]
    pub fn own(self) -> Kept {
        Kept { variable: Variable { role: Role::Let, ..self.variable }, ..self }
    }

    /// Its value can be shown: its unit is known.
    pub fn can_be_shown(&self) -> bool {
        Shower::of(&self.variable.kind, None, None).is_some()
    }

    /// The beginning of its value as it is shown, at least [`BRIEF`] characters where it has them.
    pub fn text(&self) -> String {
        let shower = Shower::of(&self.variable.kind, self.variable.unit.clone(), None);
        let shower = match (&self.variable.fields, shower) {
            (Some(fields), Some(shower)) => Some(shower.with_fields(fields)),
            (_, shower) => shower,
        };
        shower.map_or_else(String::new, |shower| {
            shower.text(&beginning(&self.variable.kind, &self.value))
        })
    }

    /// Where it was declared.
    pub fn span(&self) -> Span {
        self.variable.name.span
    }
}

impl Left {
    /// The slots whose values must be known after the run: first those of all variables, then
    /// those that are shown.
    pub(crate) fn slots(&self) -> Vec<Slot> {
        let shown = self.shown.iter().map(|answer| answer.slot);
        self.variables.iter().map(|variable| variable.slot).chain(shown).collect()
    }

    /// Puts the values of [`Left::slots`] in their places: what lives on, and what is shown.
    pub(crate) fn filled(self, values: Vec<Datum>) -> (Vec<Kept>, Vec<(Answer, Datum)>) {
        let mut values = values.into_iter();
        let kept = self.variables.into_iter().zip(values.by_ref());
        let kept = kept.map(|(variable, value)| Kept { variable, value }).collect();
        (kept, self.shown.into_iter().zip(values).collect())
    }
}

impl Checker<'_> {
    /// An entry of which only the declarations are wanted.
    pub(super) fn declares_only(&self) -> bool {
        self.live.as_ref().is_some_and(|state| state.live.declares_only)
    }

    /// Gives the script what earlier entries left behind.
    pub(super) fn revive(&mut self) {
        let Some(state) = &self.live else { return };
        for kept in state.live.kept {
            let slot = self.slot(&kept.variable.kind);
            let module = self.inside.module;
            let variable = Variable { slot, module, kept: true, ..kept.variable.clone() };
            let (symbol, span, role) = (variable.name.symbol, variable.name.span, variable.role);
            self.program.setup.push(Statement::Set(slot, constant(&kept.value)));
            self.variables.push(variable);
            let index = self.variables.len() - 1;
            self.saw_variable(index);
            if matches!(role, Role::Constant | Role::Param) {
                if let Some(names) = self.modules.get_mut(module) {
                    names.values.insert(symbol, index);
                }
            } else {
                self.top_level.insert(symbol, span);
                if let Some(state) = &mut self.live {
                    state.bound.push((symbol, index));
                }
            }
        }
    }

    /// A name that is about to stand for a value of this run: routines no longer see the constant
    /// that had it.
    pub(super) fn supersede(&mut self, symbol: Symbol) {
        let Some(state) = &mut self.live else { return };
        let Some(names) = self.modules.get_mut(self.inside.module) else { return };
        let Some(index) = names.values.get(&symbol).copied() else { return };
        if self.variables.get(index).is_some_and(|variable| variable.kept) {
            names.values.remove(&symbol);
            state.bound.push((symbol, index));
        }
    }

    /// Binds what only the entry itself sees; the scope of the script was just entered.
    pub(super) fn bind_kept(&mut self) {
        let Some(state) = &self.live else { return };
        let values = self.modules.get(self.inside.module).map(|names| &names.values);
        for (symbol, index) in state.bound.clone() {
            let known = values.and_then(|values| self.variables.get(*values.get(&symbol)?));
            // A constant of its own takes the place of what had its name.
            if known.is_none_or(|known| known.kept) {
                self.scope.bind(symbol, index);
            }
        }
    }

    /// Notes what the entry leaves behind; the scope of the script is about to be left.
    pub(super) fn leave_behind(&mut self) {
        if self.live.is_none() {
            return;
        }
        let here = self.inside.module;
        let published = self.modules.get(here).map(|names| &names.values);
        let published = published.into_iter().flatten().filter(|(symbol, index)| {
            let own = self.variables.get(**index).is_some_and(|v| v.module == here);
            own && self.scope.find(**symbol).is_none()
        });
        let bound = self.scope.symbols().filter_map(|symbol| self.scope.find(symbol));
        let mut all: Vec<usize> = published.map(|(_, index)| *index).chain(bound).collect();
        all.sort_unstable();
        let variables = all.into_iter().filter_map(|index| self.variables.get(index));
        let variables = variables.filter(|v| v.kind != Type::Unknown).cloned().collect();
        if let Some(state) = &mut self.live {
            state.left.variables = variables;
        }
    }

    /// A value that stands alone is shown, where it does so at the top of an entry.
    pub(super) fn answers(&mut self, typed: &Typed, code: &mut Vec<Statement>) -> bool {
        let top = self.inside.routine.is_none() && self.scope.at_top();
        if !top || !self.live.as_ref().is_some_and(|state| state.live.shows) {
            return false;
        }
        let Some(shower) = self.shower(typed, None) else { return true };
        let (slot, kind) = (self.slot(&typed.kind), self.kind_name(&typed.kind));
        code.push(Statement::Set(slot, typed.code.clone()));
        let answer = Answer { slot, shower, kind, span: typed.span };
        if let Some(state) = &mut self.live {
            state.left.shown.push(answer);
        }
        true
    }
}

/// The first items of a list, each of which takes a character at least; any other value whole.
fn beginning(kind: &Type, value: &Datum) -> Datum {
    let (Type::List(item), Datum::Value(Value::Object(object))) = (kind, value) else {
        return value.clone();
    };
    let layout = item.layout();
    let words = object.words.iter().take(BRIEF * layout.words).copied().collect();
    let refs = object.refs.iter().take(BRIEF * layout.refs).cloned().collect();
    Datum::Value(Value::Object(Rc::new(Object { words, refs })))
}

/// A value as an expression.
fn constant(value: &Datum) -> Expression {
    match value {
        Datum::Number(number) => Expression::Number(Number::Constant(*number)),
        Datum::Flag(flag) => Expression::Flag(Flag::Constant(*flag)),
        Datum::Value(value) => Expression::Ref(Ref::Kept(value.clone())),
        Datum::Nothing => Expression::Ref(Ref::Kept(Value::Nothing)),
    }
}
