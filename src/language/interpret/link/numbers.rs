//! Numbers: arithmetic, division, remainders and powers.

use crate::interpret::link::operands::{
    Constant, Give, Local, Operand, Other, Side, Sink, fetch, with_side,
};
use crate::interpret::link::{Linker, NumberNode};
use crate::interpret::machine::{Failed, Machine};
use crate::program::failure::FailureKind;
use crate::program::show::number_text;
use crate::program::tree::{Arithmetic, Number};
use crate::program::value::remainder;
use crate::source::Span;

impl Linker<'_> {
    /// A number for the caller.
    pub(crate) fn number(&mut self, number: &Number) -> NumberNode {
        self.number_into(number, Give)
    }

    /// A number as an operand of its parent.
    pub(crate) fn side(&mut self, number: &Number) -> Side {
        match number {
            Number::Constant(value) => Side::Constant(Constant(*value)),
            Number::Local(slot) => Side::Local(Local(slot.0)),
            Number::Access(access) => match self.place(access) {
                Some(place) => Side::Place(place),
                None => Side::Other(Other(self.number(number))),
            },
            _ => Side::Other(Other(self.number(number))),
        }
    }

    /// Two numbers as operands of their parent. No call changes a variable that its caller sees.
    pub(crate) fn sides(&mut self, a: &Number, b: &Number) -> (Side, Side) {
        (self.side(a), self.side(b))
    }

    /// A number for whatever becomes of it.
    pub(crate) fn number_into<S: Sink<f64>>(&mut self, number: &Number, sink: S) -> S::Out {
        self.linked += 1;
        self.deeper(|linker| linker.number_here(number, sink))
    }

    fn number_here<S: Sink<f64>>(&mut self, number: &Number, sink: S) -> S::Out {
        match number {
            Number::Constant(value) => {
                let value = *value;
                sink.take(move |_| Ok(value))
            }
            Number::Local(slot) => {
                let slot = slot.0;
                sink.take(move |machine| Ok(machine.word(slot)))
            }
            Number::Negate(a) => {
                let a = self.number(a);
                sink.take(move |machine| Ok(-a(machine)?))
            }
            Number::Arithmetic(operation, a, b) => {
                let (a, b) = self.sides(a, b);
                match operation {
                    Arithmetic::Add => pair(|_, a, b| Ok(a + b), a, b, sink),
                    Arithmetic::Subtract => pair(|_, a, b| Ok(a - b), a, b, sink),
                    Arithmetic::Multiply => pair(|_, a, b| Ok(a * b), a, b, sink),
                }
            }
            Number::Divide(a, b, span) => {
                let ((a, b), span) = (self.sides(a, b), *span);
                let divide = move |machine: &mut Machine<'_>, a, b| match b == 0.0 {
                    true => Err(machine.zero(span)),
                    false => Ok(a / b),
                };
                pair(divide, a, b, sink)
            }
            Number::Modulo(a, b, span) => {
                let ((a, b), span) = (self.sides(a, b), *span);
                let rest = move |machine: &mut Machine<'_>, a, b| match (counted(a), counted(b)) {
                    (Some(a), Some(b)) if b > 0 => Ok((a % b) as f64),
                    _ => modulo(machine, a, b, span),
                };
                pair(rest, a, b, sink)
            }
            Number::Power(a, exponent, span) => {
                let (a, exponent, span) = (self.number(a), *exponent, *span);
                sink.take(move |machine| {
                    let a = a(machine)?;
                    if a == 0.0 && exponent < 0 {
                        return Err(machine.zero(span));
                    }
                    Ok(power(a, exponent))
                })
            }
            Number::Access(access) => match self.place(access) {
                Some(place) => sink.take(move |machine| place.read(machine)),
                None => {
                    let word = self.access(access, |machine, place| place.word(machine));
                    sink.take_node(word)
                }
            },
            Number::Choice(choice) => {
                let (condition, yes, no) = &**choice;
                let (condition, yes, no) =
                    (self.flag(condition), self.number(yes), self.number(no));
                sink.take(
                    move |machine| if condition(machine)? { yes(machine) } else { no(machine) },
                )
            }
            Number::Call(call) => {
                let call = self.call_word(call);
                sink.take_node(call)
            }
            Number::Builtin(call) => {
                let call = self.builtin_number(call);
                sink.take_node(call)
            }
        }
    }
}

/// An operation on two operands of any kind.
pub(super) fn pair<O, S>(operation: O, a: Side, b: Side, sink: S) -> S::Out
where
    O: Fn(&mut Machine<'_>, f64, f64) -> Result<f64, Failed> + 'static,
    S: Sink<f64>,
{
    with_side!(a, a => with_side!(b, b => sink.take(move |machine| {
        let (first, second) = fetch(machine, &a, &b)?;
        operation(machine, first, second)
    })))
}

/// A whole number from 0 up to where doubles count one by one.
#[inline(always)]
fn counted(number: f64) -> Option<u64> {
    let whole = number as u64;
    (whole as f64 == number && whole < 1 << 53).then_some(whole)
}

/// The remainder of a division.
#[inline(never)]
fn modulo(machine: &mut Machine<'_>, a: f64, b: f64, span: Span) -> Result<f64, Failed> {
    if b == 0.0 {
        return Err(machine.zero(span));
    }
    let rest = remainder(a, b);
    if rest.is_nan() {
        let message = format!("{} mod {} has no result", number_text(a), number_text(b));
        return Err(machine.fail(FailureKind::Value, message, span));
    }
    Ok(rest)
}

/// A whole power by squaring: the same steps, so the same result, on every machine.
fn power(base: f64, exponent: i32) -> f64 {
    let mut left = exponent.unsigned_abs();
    let mut square = base;
    let mut product = 1.0;
    while left > 0 {
        if left & 1 == 1 {
            product *= square;
        }
        square *= square;
        left >>= 1;
    }
    if exponent < 0 { 1.0 / product } else { product }
}
