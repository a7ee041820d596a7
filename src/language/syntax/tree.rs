//! The syntax tree: what the parser hands the checker. Names are interned, units are still text.

use crate::source::Span;
use crate::syntax::names::Symbol;

/// A name where it stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Name {
    /// The interned text.
    pub symbol: Symbol,
    /// The place.
    pub span: Span,
}

/// One parsed file: items and statements in the order written.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct File {
    /// Everything at the top level.
    pub statements: Vec<Statement>,
}

impl File {
    /// Its routines, each with its statement.
    pub(crate) fn routines(&self) -> impl Iterator<Item = (&Statement, &Routine)> {
        self.statements.iter().filter_map(|statement| match &statement.kind {
            StatementKind::Routine(routine) => Some((statement, &**routine)),
            _ => None,
        })
    }
}

/// A block in braces.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Block {
    /// What stands inside.
    pub statements: Vec<Statement>,
    /// From brace to brace; of a single `else` statement, that statement.
    pub span: Span,
}

/// A statement or an item, with its documentation.
#[derive(Clone, Debug, PartialEq)]
pub struct Statement {
    /// What it is.
    pub kind: StatementKind,
    /// The whole of it, without its documentation.
    pub span: Span,
    /// The `///` lines before it, joined by line feeds.
    pub doc: Option<Box<str>>,
}

/// Every form of statement and item. Items stand at the top level only; the checker says so.
#[derive(Clone, Debug, PartialEq)]
pub enum StatementKind {
    /// `use "lib/trim.spt"`
    Use {
        /// The path as written, escapes resolved.
        path: String,
        /// The string literal.
        path_span: Span,
    },
    /// `param speed: rotation = 4800 rpm within 1000 rpm .. 9000 rpm`
    Param {
        /// Its name.
        name: Name,
        /// The annotation.
        annotation: Option<Type>,
        /// The default.
        default: Option<Expression>,
        /// Smallest and largest value that may be set.
        range: Option<Box<(Expression, Expression)>>,
    },
    /// `routine spin_up(target: rotation, patience: time = 20 s) -> flag for any D { … }`
    Routine(Box<Routine>),
    /// `let x = …`, and `var x = …` when `mutable`.
    Let {
        /// `var`
        mutable: bool,
        /// Its name.
        name: Name,
        /// The annotation.
        annotation: Option<Type>,
        /// The value.
        value: Expression,
    },
    /// `facets[i].in_scan = …`: the place is a name, a field or an element.
    Assign {
        /// What is written to.
        place: Expression,
        /// The value.
        value: Expression,
    },
    /// An expression on its own, as a rule a call.
    Expression(Expression),
    /// `if … { } else if … { } else { }`
    If {
        /// Each condition with its block.
        arms: Vec<(Expression, Block)>,
        /// The last `else`.
        otherwise: Option<Block>,
    },
    /// `for k in facets() { … }`
    For {
        /// The loop variable.
        name: Name,
        /// A list or a range.
        over: Expression,
        /// The body.
        body: Block,
    },
    /// `repeat 3 times { … }`, `repeat at most 4 times { … } until … else …`
    Repeat {
        /// `at most` is written.
        at_most: bool,
        /// The bound.
        times: Expression,
        /// The body.
        body: Block,
        /// The condition after `until`; sees the names of the body.
        until: Option<Expression>,
        /// Runs when the bound is reached and the condition still does not hold.
        otherwise: Option<Block>,
    },
    /// `while … at most 100 times { … } else …`
    While {
        /// The condition.
        condition: Expression,
        /// The bound.
        times: Expression,
        /// The body.
        body: Block,
        /// Runs when the bound is reached and the condition still holds.
        otherwise: Option<Block>,
    },
    /// `break`
    Break,
    /// `continue`
    Continue,
    /// `return …`
    Return(Option<Expression>),
    /// `wait 200 ms`
    Wait(Expression),
    /// `wait until … within … every … else …`
    WaitUntil {
        /// What is waited for.
        condition: Expression,
        /// The time limit.
        within: Expression,
        /// Time between two looks.
        every: Option<Expression>,
        /// Runs when the limit passes; without it the script fails with a timeout.
        otherwise: Option<Block>,
    },
    /// `hold locked(), interlock_closed() every 100 ms { … }`
    Hold {
        /// What must hold.
        conditions: Vec<Expression>,
        /// Time between two looks.
        every: Option<Expression>,
        /// While what is done.
        body: Block,
    },
    /// `arm at 35 % { … }`
    Arm {
        /// Share of full power.
        power: Expression,
        /// Where light is possible.
        body: Block,
    },
    /// `try { } catch problem { } finally { }`
    Try {
        /// What may fail.
        body: Block,
        /// The name of the failure and what is done about it.
        catch: Option<(Name, Block)>,
        /// What is done in any case.
        finally: Option<Block>,
    },
    /// `fail "no lock"`, or `fail problem` to pass a caught failure on.
    Fail(Expression),
    /// `expect "label", risk 2 %: value ± uncertainty <= limit`
    Expect {
        /// The label.
        label: Expression,
        /// How it is decided, where this check says so.
        choices: Vec<Choice>,
        /// The condition; a comparison may have `±` on its left.
        condition: Expression,
    },
    /// `expect: guard, coverage 2`: how checks are decided that do not say it themselves.
    Deciding(Vec<Choice>),
    /// `record "name", bars, high 5 um: value`
    Record {
        /// The label.
        label: Expression,
        /// How it is drawn.
        choices: Vec<Choice>,
        /// The value.
        value: Expression,
    },
    /// `note "text"`
    Note(Expression),
    /// `let gap = ask "gap" within 5 min: length within 0 mm .. 5 mm`
    Ask(Box<Ask>),
    /// `allow W0803 "only wakes the head up"`: one warning about the next statement is meant.
    Allow {
        /// The code of the warning.
        code: Name,
        /// Why it is meant.
        reason: String,
        /// The reason in the script.
        reason_span: Span,
    },
    /// A statement that could not be read; its report is made already.
    Broken,
}

/// One choice of how checks are decided: `guard`, `risk 2 %`.
#[derive(Clone, Debug, PartialEq)]
pub struct Choice {
    /// Its word.
    pub name: Name,
    /// The value behind it.
    pub value: Option<Expression>,
}

/// A question to the operator.
#[derive(Clone, Debug, PartialEq)]
pub struct Ask {
    /// The word `ask`.
    pub keyword: Span,
    /// What becomes of the answer.
    pub kept: Kept,
    /// What is asked.
    pub question: Expression,
    /// The time limit.
    pub within: Option<Expression>,
    /// What the answer must be.
    pub answer: Type,
    /// The smallest and the largest answer.
    pub range: Option<Box<(Expression, Expression)>>,
}

/// What becomes of an answer; the record has it in any case.
#[derive(Clone, Debug, PartialEq)]
pub enum Kept {
    /// `ask …` on its own.
    Recorded,
    /// `let gap = ask …`, and `var gap = ask …` when `mutable`.
    Named {
        /// `var`
        mutable: bool,
        /// Its name.
        name: Name,
        /// The annotation.
        annotation: Option<Type>,
    },
    /// `gaps[k] = ask …`
    Assigned(Expression),
}

/// A routine.
#[derive(Clone, Debug, PartialEq)]
pub struct Routine {
    /// Its name.
    pub name: Name,
    /// What it takes.
    pub parameters: Vec<Parameter>,
    /// What it returns.
    pub returns: Option<Type>,
    /// Its open dimensions: `for any D, E`.
    pub open: Vec<Name>,
    /// All that it may do to the head: `may reads, spins`.
    pub may: Option<Vec<Name>>,
    /// It is called inside an `arm` block only: `within arm`.
    pub armed: Option<Span>,
    /// What it does.
    pub body: Block,
    /// From `routine` to before the body.
    pub head: Span,
}

/// A parameter of a routine.
#[derive(Clone, Debug, PartialEq)]
pub struct Parameter {
    /// Its name.
    pub name: Name,
    /// Its type.
    pub annotation: Type,
    /// Its default.
    pub default: Option<Expression>,
}

/// A type as written.
#[derive(Clone, Debug, PartialEq)]
pub struct Type {
    /// What it says.
    pub kind: TypeKind,
    /// Where.
    pub span: Span,
}

/// The forms of a type.
#[derive(Clone, Debug, PartialEq)]
pub enum TypeKind {
    /// `list of line`
    List(Box<Type>),
    /// `{in_scan: time, cross_scan: angle}`
    Record(Vec<(Name, Type)>),
    /// `length`, `text`, `plan`, `D/time`, `length^2`: names with exponents.
    Product(Vec<(Name, i32)>),
}

/// An expression.
#[derive(Clone, Debug, PartialEq)]
pub struct Expression {
    /// What it is.
    pub kind: ExpressionKind,
    /// The whole of it.
    pub span: Span,
}

impl Expression {
    /// A text as it stands, where no values are in it.
    pub(crate) fn plain_text(&self) -> Option<&str> {
        match &self.kind {
            ExpressionKind::Text(pieces) => match pieces.as_slice() {
                [Piece::Plain(text)] => Some(text),
                _ => None,
            },
            _ => None,
        }
    }
}

/// A unit as written, without blanks: `mm/s^2`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct UnitName {
    /// The interned text, the micro sign folded to `u`.
    pub symbol: Symbol,
    /// The place.
    pub span: Span,
}

/// The forms of an expression.
#[derive(Clone, Debug, PartialEq)]
pub enum ExpressionKind {
    /// `4800 rpm`, `3`
    Number {
        /// The number.
        value: f64,
        /// Its unit.
        unit: Option<UnitName>,
    },
    /// `"at {speed in rpm : 1}"`
    Text(Vec<Piece>),
    /// `true`, `false`
    Flag(bool),
    /// A variable, parameter or constant.
    Name(Symbol),
    /// `[a, b]`
    List(Vec<Expression>),
    /// `[test_line(k) for k in facets() if k > 0]`
    Comprehension {
        /// The element.
        element: Box<Expression>,
        /// The loop variable.
        name: Name,
        /// A list or a range.
        over: Box<Expression>,
        /// Which are kept.
        only_if: Option<Box<Expression>>,
    },
    /// `{in_scan: 1 us, cross_scan: 2 arcsec}`
    Record(Vec<(Name, Expression)>),
    /// `f(a, name: b)`
    Call {
        /// The routine or built-in.
        name: Name,
        /// Positional ones first.
        arguments: Vec<Argument>,
    },
    /// `a.b`
    Field {
        /// The record.
        of: Box<Expression>,
        /// The field.
        name: Name,
    },
    /// `a[i]`
    Element {
        /// The list.
        of: Box<Expression>,
        /// The index, from 0.
        index: Box<Expression>,
    },
    /// `-a`, `not a`
    Unary {
        /// The operator.
        operator: Unary,
        /// Its operand.
        operand: Box<Expression>,
    },
    /// `a + b`
    Binary {
        /// The operator.
        operator: Binary,
        /// Where the operator stands.
        operator_span: Span,
        /// Left operand.
        left: Box<Expression>,
        /// Right operand.
        right: Box<Expression>,
    },
    /// `a^2`
    Power {
        /// The base.
        base: Box<Expression>,
        /// The whole exponent.
        exponent: i32,
    },
    /// `x in rpm`
    Shown {
        /// The value.
        value: Box<Expression>,
        /// How it is shown.
        unit: UnitName,
    },
    /// `x within low .. high`
    Within {
        /// The value.
        value: Box<Expression>,
        /// Smallest.
        low: Box<Expression>,
        /// Largest.
        high: Box<Expression>,
    },
    /// An expression that could not be read; its report is made already.
    Broken,
}

/// A part of a text literal.
#[derive(Clone, Debug, PartialEq)]
pub enum Piece {
    /// As it stands, escapes resolved.
    Plain(String),
    /// `{value : decimals}`
    Value {
        /// The value.
        value: Expression,
        /// Digits after the point.
        decimals: Option<u8>,
    },
}

/// An argument of a call.
#[derive(Clone, Debug, PartialEq)]
pub struct Argument {
    /// The name before the colon.
    pub name: Option<Name>,
    /// The value.
    pub value: Expression,
}

/// Operators before their operand.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unary {
    /// `-`
    Minus,
    /// `not`
    Not,
}

/// Operators between their operands, loosest first.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Binary {
    /// `or`
    Or,
    /// `and`
    And,
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
    /// `±`, `+-`: only on the left of an expectation's comparison.
    PlusMinus,
    /// `..`: from the left up to but without the right.
    Range,
    /// `+`
    Add,
    /// `-`
    Subtract,
    /// `*`
    Multiply,
    /// `/`
    Divide,
    /// `mod`: what is left of a whole division, with the sign of the right.
    Modulo,
}

/// The level of comparisons, and of `within`.
pub(crate) const COMPARISON: u8 = 4;

impl Binary {
    /// How tightly it binds. `not` (3) and `in` (7) stand between.
    pub(crate) fn level(self) -> u8 {
        match self {
            Binary::Or => 1,
            Binary::And => 2,
            Binary::Equal
            | Binary::Unequal
            | Binary::Less
            | Binary::LessEqual
            | Binary::Greater
            | Binary::GreaterEqual => COMPARISON,
            Binary::PlusMinus => 5,
            Binary::Range => 6,
            Binary::Add | Binary::Subtract => 8,
            Binary::Multiply | Binary::Divide | Binary::Modulo => 9,
        }
    }

    /// Its result is a flag that says how two values compare.
    pub(crate) fn compares(self) -> bool {
        self.level() == COMPARISON
    }

    /// The comparison that says the same with its sides exchanged.
    pub fn exchanged(self) -> Binary {
        match self {
            Binary::Less => Binary::Greater,
            Binary::LessEqual => Binary::GreaterEqual,
            Binary::Greater => Binary::Less,
            Binary::GreaterEqual => Binary::LessEqual,
            other => other,
        }
    }

    /// As written.
    pub fn text(self) -> &'static str {
        match self {
            Binary::Or => "or",
            Binary::And => "and",
            Binary::Equal => "==",
            Binary::Unequal => "!=",
            Binary::Less => "<",
            Binary::LessEqual => "<=",
            Binary::Greater => ">",
            Binary::GreaterEqual => ">=",
            Binary::PlusMinus => "±",
            Binary::Range => "..",
            Binary::Add => "+",
            Binary::Subtract => "-",
            Binary::Multiply => "*",
            Binary::Divide => "/",
            Binary::Modulo => "mod",
        }
    }
}
