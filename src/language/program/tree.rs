//! The checked tree: typed, with slots for names and SI doubles for quantities.
//!
//! Routines never recurse, so every variable of the whole program has a slot of its own for
//! good: there are no stack frames. Numbers and flags live in one array of doubles (a flag is
//! 0 or 1), references in another.

use crate::operator::{Pattern, Wanted};
pub(crate) use crate::program::checks::{
    COVERAGE, Deciding, Expect, Expectation, Held, Planned, Rule, Stated,
};
use crate::program::plot::Plot;
use crate::program::show::Shower;
use crate::program::types::{Layout, Type};
use crate::program::value::Value;
use crate::source::Span;
use spintrue_head::Dimension;
use std::rc::Rc;
use std::sync::Arc;

/// Index into the array of doubles.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct WordSlot(pub usize);

/// Index into the array of references.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RefSlot(pub usize);

/// Where a variable lives.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Slot {
    /// A quantity or temperature.
    Number(WordSlot),
    /// A flag.
    Flag(WordSlot),
    /// A text, list or record.
    Ref(RefSlot),
}

/// A whole checked program.
#[derive(Clone, Debug, Default)]
pub struct Program {
    /// Routines; a call names one by its index.
    pub routines: Vec<Routine>,
    /// Sets params and constants, before anything else.
    pub setup: Vec<Statement>,
    /// The script.
    pub body: Vec<Statement>,
    /// Size of the array of doubles.
    pub words: usize,
    /// Size of the array of references.
    pub refs: usize,
    /// Checks that it is to make; each says its place here.
    pub checks: Vec<Planned>,
    /// The params, for the record.
    pub params: Vec<Param>,
    /// Questions that it may ask the operator.
    pub questions: Vec<Asked>,
    /// Statements that may fail for how a param is set, which is meant.
    pub meant: Vec<Span>,
}

/// A param and where it lives.
#[derive(Clone, Debug)]
pub struct Param {
    /// Its name.
    pub name: Arc<str>,
    /// Its value in the script's own words.
    pub text: String,
    /// Where it lives.
    pub slot: Slot,
    /// Its dimension, where it is a quantity.
    pub dimension: Option<Dimension>,
    /// Between which values it may be set.
    pub ends: Option<ParamRange>,
    /// Its name where it is declared.
    pub span: Span,
    /// How it is shown.
    pub shower: Option<Shower>,
}

/// The range of a param.
#[derive(Clone, Debug)]
pub struct ParamRange {
    /// The smallest value.
    pub low: f64,
    /// The largest value.
    pub high: f64,
    /// Both in the script's own words.
    pub words: [String; 2],
}

/// A routine.
#[derive(Clone, Debug)]
pub struct Routine {
    /// For call chains.
    pub name: Arc<str>,
    /// Where each argument goes.
    pub parameters: Vec<Slot>,
    /// Where the result is put, if there is one.
    pub result: Option<Slot>,
    /// Its references, to be dropped when it returns: `first..last`.
    pub refs: std::ops::Range<usize>,
    /// What it does.
    pub body: Vec<Statement>,
}

/// An expression of any type.
#[derive(Clone, Debug)]
pub enum Expression {
    /// A quantity or temperature.
    Number(Number),
    /// A flag.
    Flag(Flag),
    /// A text, list or record.
    Ref(Ref),
}

impl From<Number> for Expression {
    fn from(number: Number) -> Self {
        Expression::Number(number)
    }
}

impl From<Flag> for Expression {
    fn from(flag: Flag) -> Self {
        Expression::Flag(flag)
    }
}

impl From<Ref> for Expression {
    fn from(reference: Ref) -> Self {
        Expression::Ref(reference)
    }
}

/// A call of a routine; defaults are filled in.
#[derive(Clone, Debug)]
pub struct Call {
    /// Index into [`Program::routines`].
    pub routine: usize,
    /// One per parameter.
    pub arguments: Vec<Expression>,
    /// The call in the script.
    pub span: Span,
}

/// A call of a built-in.
#[derive(Clone, Debug)]
pub struct BuiltinCall {
    /// Index into the built-ins table.
    pub builtin: usize,
    /// One per parameter of the signature; none where it was left out.
    pub arguments: Vec<Option<Expression>>,
    /// Where each stands; the call where it was left out.
    pub places: Vec<Span>,
    /// For built-ins that work on lists of anything: how one item of the first list lies.
    pub item: Layout,
    /// For built-ins that must know of which kind a number is; otherwise nothing.
    pub like: Type,
    /// The call in the script.
    pub span: Span,
}

/// Reading out of a list or record: `of[index]` at `offset` in the item, or `of` at `offset`.
#[derive(Clone, Debug)]
pub struct Access {
    /// The list or record.
    pub of: Box<Ref>,
    /// The index in a list.
    pub index: Option<Box<Number>>,
    /// How one item of the list lies; nothing for a record.
    pub stride: Layout,
    /// Where in the item or record.
    pub offset: Layout,
    /// The place in the script.
    pub span: Span,
}

/// What loops and comprehensions run over.
#[derive(Clone, Debug)]
pub enum Over {
    /// From the first up to but without the second, in steps of one.
    Range(Box<Number>, Box<Number>),
    /// The items of a list.
    List {
        /// The list.
        list: Box<Ref>,
        /// How one item lies.
        item: Layout,
        /// An item is a record, spread out in place; else it is one double or one reference.
        record: bool,
    },
}

/// A quantity or temperature.
#[derive(Clone, Debug)]
pub enum Number {
    /// A constant.
    Constant(f64),
    /// A variable.
    Local(WordSlot),
    /// `-a`
    Negate(Box<Number>),
    /// `a + b`, `a - b`, `a * b`
    Arithmetic(Arithmetic, Box<Number>, Box<Number>),
    /// `a / b`; fails on zero.
    Divide(Box<Number>, Box<Number>, Span),
    /// `a mod b`, with the sign of `b`; fails on zero.
    Modulo(Box<Number>, Box<Number>, Span),
    /// `a^n`; fails on zero to a negative power.
    Power(Box<Number>, i32, Span),
    /// Out of a list or record.
    Access(Access),
    /// A routine's result.
    Call(Box<Call>),
    /// The second where the first holds, else the third; only that one is worked out.
    Choice(Box<(Flag, Number, Number)>),
    /// A built-in's result.
    Builtin(Box<BuiltinCall>),
}

/// Arithmetic that cannot fail.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Arithmetic {
    /// `+`
    Add,
    /// `-`
    Subtract,
    /// `*`
    Multiply,
}

/// How two numbers are compared.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Comparison {
    /// `==`
    Equal,
    /// `!=`
    Unequal,
    /// `<`
    Less,
    /// `<=`
    LessEqual,
    /// `>`
    Greater,
    /// `>=`
    GreaterEqual,
}

/// A flag.
#[derive(Clone, Debug)]
pub enum Flag {
    /// A constant.
    Constant(bool),
    /// A variable.
    Local(WordSlot),
    /// `not a`
    Not(Box<Flag>),
    /// `a and b`
    And(Box<Flag>, Box<Flag>),
    /// `a or b`
    Or(Box<Flag>, Box<Flag>),
    /// Of numbers.
    Compare(Comparison, Box<Number>, Box<Number>),
    /// `x within low .. high`
    Within(Box<Number>, Box<Number>, Box<Number>),
    /// Of flags: equal, or not when false.
    EqualFlags(Box<Flag>, Box<Flag>, bool),
    /// Of texts, lists and records: equal, or not when false.
    EqualRefs(Box<Ref>, Box<Ref>, bool),
    /// Out of a list or record.
    Access(Access),
    /// A routine's result.
    Call(Box<Call>),
    /// The second where the first holds, else the third; only that one is worked out.
    Choice(Box<(Flag, Flag, Flag)>),
    /// A built-in's result.
    Builtin(Box<BuiltinCall>),
}

/// A text, list or record.
#[derive(Clone, Debug)]
pub enum Ref {
    /// A variable.
    Local(RefSlot),
    /// A constant text.
    Text(Rc<str>),
    /// A value that was worked out earlier.
    Kept(Value),
    /// Text with values in it.
    Interpolated(Vec<Piece>, Span),
    /// A list or record written out: the parts one behind the other.
    Made(Vec<Part>, Span),
    /// A range as a list.
    Range(Box<Number>, Box<Number>, Span),
    /// A comprehension.
    Comprehension(Box<Comprehension>),
    /// Two lists, one behind the other, and how an item lies.
    Joined(Box<Ref>, Box<Ref>, Layout, Span),
    /// A text or list out of a list or record.
    Access(Access),
    /// A record out of a list or record, laid out as said.
    Record(Access, Layout),
    /// A routine's result.
    Call(Box<Call>),
    /// The second where the first holds, else the third; only that one is worked out.
    Choice(Box<(Flag, Ref, Ref)>),
    /// A built-in's result.
    Builtin(Box<BuiltinCall>),
}

impl Ref {
    /// The lists that stand one behind the other here, in a chain of any length.
    pub(crate) fn joined(&self) -> Vec<&Ref> {
        let (mut rest, mut lists) = (self, Vec::new());
        while let Ref::Joined(first, last, ..) = rest {
            lists.push(&**last);
            rest = first;
        }
        lists.push(rest);
        lists.reverse();
        lists
    }
}

/// A value on its way into a list or record.
#[derive(Clone, Debug)]
pub struct Part {
    /// The value.
    pub value: Expression,
    /// It is a record, to be spread out in place; else it is one double or one reference.
    pub record: bool,
}

/// `[element for target in over if only_if]`
#[derive(Clone, Debug)]
pub struct Comprehension {
    /// The loop variable.
    pub target: Slot,
    /// What it runs over.
    pub over: Over,
    /// Which are kept.
    pub only_if: Option<Flag>,
    /// The element.
    pub element: Part,
    /// The place in the script.
    pub span: Span,
}

/// A part of a text.
#[derive(Clone, Debug)]
pub enum Piece {
    /// As it stands.
    Plain(Rc<str>),
    /// A value and how it is shown.
    Value(Expression, Shower),
}

/// One step on the way to what is written to, from a list or record to something inside it.
#[derive(Clone, Debug)]
pub struct Hop {
    /// The index in a list.
    pub index: Option<Number>,
    /// How one item of the list lies.
    pub stride: Layout,
    /// Where in the item or record.
    pub offset: Layout,
    /// The place in the script.
    pub span: Span,
}

/// Statements.
#[derive(Clone, Debug)]
pub enum Statement {
    /// Sets a variable; the slot and the expression are of one sort.
    Set(Slot, Expression),
    /// Writes into a list or record in a variable: all hops but the last lead to another list.
    Store {
        /// The variable.
        root: RefSlot,
        /// The way.
        hops: Vec<Hop>,
        /// The value.
        value: Part,
    },
    /// An expression for its effect.
    Evaluate(Expression),
    /// A call of a routine that gives nothing.
    Call(Call),
    /// A call of a built-in that gives nothing.
    Builtin(BuiltinCall),
    /// Conditions with their blocks, and the rest.
    If(Vec<(Flag, Vec<Statement>)>, Vec<Statement>),
    /// A loop over a range or list.
    For {
        /// The loop variable.
        target: Slot,
        /// What it runs over.
        over: Over,
        /// The body.
        body: Vec<Statement>,
        /// The `for` in the script.
        span: Span,
    },
    /// A loop with a bound.
    Repeat {
        /// The bound: a whole number from 0, checked when the loop starts.
        times: Number,
        /// Looked at before each turn: goes on while it holds.
        before: Option<Flag>,
        /// The body.
        body: Vec<Statement>,
        /// Looked at after each turn: ends when it holds.
        until: Option<Flag>,
        /// Runs when the bound was reached, `before` still holds or `until` still does not.
        otherwise: Vec<Statement>,
        /// The bound in the script.
        span: Span,
    },
    /// Leaves the innermost loop.
    Break,
    /// Goes on with the innermost loop.
    Continue,
    /// Leaves the routine (or the script), with a result where it has one.
    Return(Option<(Slot, Expression)>),
    /// Lets time pass.
    Wait(Number, Span),
    /// Waits for a condition.
    WaitUntil {
        /// The condition.
        condition: Flag,
        /// The limit in s.
        within: Number,
        /// Time between two looks in s.
        every: Number,
        /// Runs on reaching the limit; without it the script fails with a timeout.
        otherwise: Option<Vec<Statement>>,
        /// The condition in the script's words.
        text: Rc<str>,
        /// The place in the script.
        span: Span,
    },
    /// Runs a block during which conditions must hold.
    Hold {
        /// What must hold.
        conditions: Vec<Held>,
        /// Time between two looks in s.
        every: Number,
        /// The body.
        body: Vec<Statement>,
        /// The place in the script.
        span: Span,
    },
    /// Arms, runs, and disarms on every way out.
    Arm {
        /// Share of full power.
        power: Number,
        /// Where that stands.
        share: Span,
        /// The body.
        body: Vec<Statement>,
        /// The place in the script.
        span: Span,
    },
    /// Catches failures.
    Try {
        /// What may fail.
        body: Vec<Statement>,
        /// Where the failure goes (a record `kind`, `message`, `place`, all text), and what is done.
        catch: Option<(RefSlot, Vec<Statement>)>,
        /// What is done on every way out.
        finally: Vec<Statement>,
    },
    /// Fails with a text.
    Fail(Ref, Span),
    /// Passes a caught failure on.
    FailAgain(Ref, Span),
    /// Decides a check.
    Expect(Box<Expect>),
    /// Records a value.
    Record {
        /// Its name.
        label: Ref,
        /// The value.
        value: Expression,
        /// How it is shown.
        shower: Shower,
        /// How it is drawn, if it is.
        plot: Option<Box<Plot>>,
        /// The expression in the words of the script, without the unit that it is shown in.
        text: Rc<str>,
        /// The place in the script.
        span: Span,
    },
    /// Prints a line.
    Note(Ref),
    /// Where a run may pause before the next statement, by number, and that statement. Stands only
    /// in a program that was checked for stepping, and never where light is possible.
    Step(usize, Span),
    /// Asks the operator.
    Ask(Box<Ask>),
}

/// A question to the operator.
#[derive(Clone, Debug)]
pub struct Ask {
    /// What is asked.
    pub question: Ref,
    /// How long an answer is waited for, in s.
    pub limit: Number,
    /// What the answer must be, with its range where that is known beforehand.
    pub wanted: Wanted,
    /// The smallest and the largest answer.
    pub range: Option<(Number, Number)>,
    /// Where the answer is put.
    pub into: Option<Slot>,
    /// How it is shown.
    pub shower: Shower,
    /// The place in the script.
    pub span: Span,
}

/// A question that the script may ask, known before it runs.
#[derive(Clone, Debug, PartialEq)]
pub struct Asked {
    /// Its text, as it is or in the script's words, and its place. It is optional where nothing
    /// calls the routine it stands in.
    pub planned: Planned,
    /// Its text, as far as it is known.
    pub text: Pattern,
    /// What the answer must be, with its range where that is known.
    pub wanted: Wanted,
}
