//! Short names for the parts of a checked tree.

use super::head::BUILTINS;
use crate::program::show::Shower;
use crate::program::tree::{
    Access, Arithmetic, BuiltinCall, Call, Comparison, Expression, Flag, Hop, Number, Over, Part,
    Piece, Ref, RefSlot, Routine, Slot, Statement, WordSlot,
};
use crate::program::types::{Layout, Type};
use crate::source::{SourceId, Span};
use crate::units::Dimension;
use std::rc::Rc;
use std::sync::Arc;

pub fn builtin_call(name: &str, arguments: Vec<Option<Expression>>, place: usize) -> BuiltinCall {
    BuiltinCall {
        builtin: BUILTINS.iter().position(|b| b.name == name).unwrap(),
        arguments,
        item: Layout::WORD,
        like: Type::Nothing,
        span: at(place),
    }
}

pub fn does(name: &str, place: usize) -> Statement {
    Statement::Builtin(builtin_call(name, Vec::new(), place))
}

pub fn is_locked() -> Flag {
    Flag::Builtin(Box::new(builtin_call("locked", Vec::new(), 0)))
}

pub fn at(place: usize) -> Span {
    Span::new(SourceId(0), place, place + 1)
}
pub fn c(value: f64) -> Number {
    Number::Constant(value)
}
pub fn w(slot: usize) -> Number {
    Number::Local(WordSlot(slot))
}
pub fn r(slot: usize) -> Ref {
    Ref::Local(RefSlot(slot))
}
pub fn add(a: Number, b: Number) -> Number {
    Number::Arithmetic(Arithmetic::Add, Box::new(a), Box::new(b))
}
pub fn times(a: Number, b: Number) -> Number {
    Number::Arithmetic(Arithmetic::Multiply, Box::new(a), Box::new(b))
}
pub fn divide(a: Number, b: Number) -> Number {
    Number::Divide(Box::new(a), Box::new(b), at(7))
}
pub fn less(a: Number, b: Number) -> Flag {
    Flag::Compare(Comparison::Less, Box::new(a), Box::new(b))
}
pub fn set(slot: usize, value: Number) -> Statement {
    Statement::Set(Slot::Number(WordSlot(slot)), Expression::Number(value))
}
pub fn set_ref(slot: usize, value: Ref) -> Statement {
    Statement::Set(Slot::Ref(RefSlot(slot)), Expression::Ref(value))
}
pub fn text(text: &str) -> Ref {
    Ref::Text(Rc::from(text))
}
pub fn one(number: Number) -> Part {
    Part { value: Expression::Number(number), record: false }
}
pub fn part(value: Ref, record: bool) -> Part {
    Part { value: Expression::Ref(value), record }
}
pub fn list(numbers: &[f64]) -> Ref {
    Ref::Made(numbers.iter().map(|n| one(c(*n))).collect(), at(8))
}
pub fn item(of: Ref, index: Number) -> Access {
    Access {
        of: Box::new(of),
        index: Some(Box::new(index)),
        stride: Layout::WORD,
        offset: Layout::default(),
        span: at(9),
    }
}
pub fn hop(index: Number, stride: Layout) -> Hop {
    Hop { index: Some(index), stride, offset: Layout::default(), span: at(9) }
}
pub fn store(root: usize, hops: Vec<Hop>, value: Part) -> Statement {
    Statement::Store { root: RefSlot(root), hops, value }
}
pub fn for_range(target: usize, first: Number, last: Number, body: Vec<Statement>) -> Statement {
    Statement::For {
        target: Slot::Number(WordSlot(target)),
        over: Over::Range(Box::new(first), Box::new(last)),
        body,
        span: at(10),
    }
}
pub fn repeat(times: Number, before: Option<Flag>, body: Vec<Statement>) -> Statement {
    Statement::Repeat {
        times,
        before,
        body,
        until: None,
        otherwise: vec![note("bound reached")],
        span: at(11),
    }
}
pub fn note(line: &str) -> Statement {
    Statement::Note(text(line))
}
pub fn plain() -> Shower {
    Shower::Quantity { dimension: Dimension::NUMBER, unit: None, decimals: None }
}
pub fn note_number(number: Number) -> Statement {
    let piece = Piece::Value(Expression::Number(number), plain());
    Statement::Note(Ref::Interpolated(vec![piece], at(0)))
}
pub fn note_list(list: Ref) -> Statement {
    let piece = Piece::Value(Expression::Ref(list), Shower::List(Box::new(plain())));
    Statement::Note(Ref::Interpolated(vec![piece], at(0)))
}
pub fn note_flag(flag: Flag) -> Statement {
    let piece = Piece::Value(Expression::Flag(flag), Shower::Flag);
    Statement::Note(Ref::Interpolated(vec![piece], at(0)))
}
pub fn note_field(record: usize, field: usize) -> Statement {
    Statement::Note(Ref::Access(Access {
        of: Box::new(r(record)),
        index: None,
        stride: Layout::default(),
        offset: Layout::REF.times(field),
        span: at(0),
    }))
}
pub fn fail(message: &str, place: usize) -> Statement {
    Statement::Fail(text(message), at(place))
}
pub fn attempt(body: Vec<Statement>, catch: Vec<Statement>, finally: Vec<Statement>) -> Statement {
    Statement::Try { body, catch: (!catch.is_empty()).then_some((RefSlot(9), catch)), finally }
}
pub fn arm(power: f64, body: Vec<Statement>) -> Statement {
    Statement::Arm { power: c(power), body, span: at(12) }
}
pub fn wait_until(within: f64, every: f64, otherwise: Option<Vec<Statement>>) -> Statement {
    Statement::WaitUntil {
        condition: is_locked(),
        within: c(within),
        every: c(every),
        otherwise,
        text: Rc::from("locked()"),
        span: at(13),
    }
}
pub fn call(routine: usize, arguments: Vec<Number>, place: usize) -> Call {
    Call {
        routine,
        arguments: arguments.into_iter().map(Expression::Number).collect(),
        span: at(place),
    }
}
pub fn number_call(routine: usize, arguments: Vec<Number>, place: usize) -> Number {
    Number::Call(Box::new(call(routine, arguments, place)))
}
pub fn routine(parameters: &[usize], result: Option<usize>, body: Vec<Statement>) -> Routine {
    let number = |slot| Slot::Number(WordSlot(slot));
    Routine {
        name: Arc::from("routine"),
        parameters: parameters.iter().map(|slot| number(*slot)).collect(),
        result: result.map(number),
        refs: 0..0,
        body,
    }
}
pub fn give(slot: usize, value: Number) -> Statement {
    let slot = Slot::Number(WordSlot(slot));
    Statement::Return(Some((slot, Expression::Number(value))))
}
