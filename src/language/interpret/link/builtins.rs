//! Calls of built-ins.

use crate::builtins::{Arguments, Context, Function, Work};
use crate::interpret::events::Event;
use crate::interpret::link::made::ExpressionNode;
use crate::interpret::link::numbers::pair;
use crate::interpret::link::operands::{Give, Operand, with_side};
use crate::interpret::link::places::RefSide;
use crate::interpret::link::{FlagNode, Linker, NumberNode, RefNode, StatementNode};
use crate::interpret::machine::{BUILTIN_STEPS, Failed, Flow, Machine};
use crate::interpret::memory::size;
use crate::program::failure::FailureKind;
use crate::program::show::{Shown, number_text};
use crate::program::tree::{BuiltinCall, Expression, Number};
use crate::program::types::{Layout, Type};
use crate::program::value::{Datum, Value};
use crate::source::Span;

/// Arguments that fit the stack.
const FEW: usize = 6;

/// Any other built-in.
struct General {
    work: Work,
    name: &'static str,
    arguments: Box<[Option<ExpressionNode>]>,
    item: Layout,
    like: Type,
    span: Span,
}

impl General {
    fn call(&self, machine: &mut Machine<'_>) -> Result<Datum, Failed> {
        let mut few = [const { Datum::Nothing }; FEW];
        let mut many;
        let count = self.arguments.len();
        let data = if count > FEW {
            many = vec![Datum::Nothing; count];
            many.as_mut_slice()
        } else {
            few.get_mut(..count).unwrap_or_default()
        };
        let held = machine.held.len();
        for (datum, argument) in data.iter_mut().zip(&self.arguments) {
            if let Some(argument) = argument {
                *datum = argument.datum(machine)?;
            }
            if let Datum::Value(value) = datum {
                machine.count_steps(size(value));
                if count > 1 {
                    machine.held.push(value.clone());
                }
            }
        }
        machine.held.truncate(held);
        machine.turn(BUILTIN_STEPS, self.span)?;
        machine.at = self.span;
        let all_conform = machine.all_conform;
        let worked = machine.with_station(|station| {
            let (item, like) = (self.item, &self.like);
            (self.work)(&mut Context { station, item, like, all_conform }, Arguments(data))
        });
        if machine.station.take_called() {
            machine.count_anew();
        }
        for fault in machine.station.take_injected() {
            machine.tell(Event::Provoked(fault));
        }
        for (question, shown, who) in machine.station.take_answered() {
            let (question, shown, span) = (question.to_string(), Shown::Text(shown), self.span);
            machine.tell(Event::Answered { question, shown, who, span });
        }
        match worked? {
            Ok(Datum::Number(number)) if !number.is_finite() => {
                Err(no_result(machine, self.name, data, self.span))
            }
            Ok(Datum::Value(value)) => {
                drop(few);
                Ok(Datum::Value(machine.made_outside(value, self.span)?))
            }
            Ok(datum) => Ok(datum),
            Err(trouble) => Err(machine.troubled(trouble, self.span)),
        }
    }
}

#[cold]
#[inline(never)]
fn no_result(machine: &mut Machine<'_>, name: &str, arguments: &[Datum], span: Span) -> Failed {
    let shown = |datum: &Datum| match datum {
        Datum::Nothing => None,
        Datum::Number(number) => Some(number_text(*number)),
        Datum::Flag(flag) => Some(flag.to_string()),
        Datum::Value(_) => Some("…".to_string()),
    };
    let arguments: Vec<String> = arguments.iter().filter_map(shown).collect();
    let message = format!("{name}({}) has no result", arguments.join(", "));
    machine.fail(FailureKind::Value, message, span)
}

/// A number that a call is given.
fn argument(call: &BuiltinCall, index: usize) -> &Number {
    match call.arguments.get(index) {
        Some(Some(Expression::Number(number))) => number,
        _ => &Number::Constant(f64::NAN),
    }
}

impl Linker<'_> {
    /// A built-in that gives a number.
    pub(crate) fn builtin_number(&mut self, call: &BuiltinCall) -> NumberNode {
        let builtins = self.builtins;
        let Some(builtin) = builtins.get(call.builtin) else {
            let span = call.span;
            return Box::new(move |machine| Err(machine.broken("no such built-in", span)));
        };
        let (name, span) = (builtin.name, call.span);
        match builtin.function {
            Function::Number1(work) => {
                let argument = self.side(argument(call, 0));
                with_side!(argument, argument => Box::new(move |machine| {
                    let value = argument.read(machine)?;
                    let result = work(value);
                    if !result.is_finite() {
                        return Err(no_result(machine, name, &[Datum::Number(value)], span));
                    }
                    Ok(result)
                }))
            }
            Function::Number2(work) => {
                let (a, b) = self.sides(argument(call, 0), argument(call, 1));
                let worked = move |machine: &mut Machine<'_>, a, b| {
                    let result = work(a, b);
                    if !result.is_finite() {
                        let arguments = [Datum::Number(a), Datum::Number(b)];
                        return Err(no_result(machine, name, &arguments, span));
                    }
                    Ok(result)
                };
                pair(worked, a, b, Give)
            }
            Function::List(work) => {
                let item = call.item;
                let list = match call.arguments.first() {
                    Some(Some(Expression::Ref(list))) => self.ref_side(list),
                    _ => RefSide::Kept(Value::Nothing),
                };
                Box::new(move |machine| {
                    let look = |value: &Value| (work(value, item), size(value));
                    let (result, size) = list.with(machine, look)?;
                    machine.turn(BUILTIN_STEPS + size, span)?;
                    if !result.is_finite() {
                        return Err(no_result(
                            machine,
                            name,
                            &[Datum::Value(Value::Nothing)],
                            span,
                        ));
                    }
                    Ok(result)
                })
            }
            Function::General(work) => {
                let general = self.general(call, name, work);
                Box::new(move |machine| match general.call(machine)? {
                    Datum::Number(number) => Ok(number),
                    Datum::Flag(flag) => Ok(if flag { 1.0 } else { 0.0 }),
                    _ => Err(machine.broken("a built-in gave no number", span)),
                })
            }
        }
    }

    /// A built-in that gives a flag.
    pub(crate) fn builtin_flag(&mut self, call: &BuiltinCall) -> FlagNode {
        let number = self.builtin_number(call);
        Box::new(move |machine| Ok(number(machine)? != 0.0))
    }

    /// A built-in that gives a text, list or record.
    pub(crate) fn builtin_reference(&mut self, call: &BuiltinCall) -> RefNode {
        let span = call.span;
        match self.general_of(call) {
            Some(general) => Box::new(move |machine| match general.call(machine)? {
                Datum::Value(value) => Ok(value),
                _ => Err(machine.broken("a built-in gave no list, record or text", span)),
            }),
            None => Box::new(move |machine| Err(machine.broken("no such built-in", span))),
        }
    }

    /// A built-in whose result, if any, is not wanted.
    pub(crate) fn builtin_statement(&mut self, call: &BuiltinCall) -> StatementNode {
        match self.general_of(call) {
            Some(general) => Box::new(move |machine| general.call(machine).map(|_| Flow::Next)),
            None => {
                let number = self.builtin_number(call);
                Box::new(move |machine| number(machine).map(|_| Flow::Next))
            }
        }
    }

    fn general_of(&mut self, call: &BuiltinCall) -> Option<General> {
        let builtins = self.builtins;
        let builtin = builtins.get(call.builtin)?;
        match builtin.function {
            Function::General(work) => Some(self.general(call, builtin.name, work)),
            _ => None,
        }
    }

    fn general(&mut self, call: &BuiltinCall, name: &'static str, work: Work) -> General {
        let arguments = call.arguments.iter().map(|argument| {
            let argument = argument.as_ref()?;
            Some(self.expression(argument))
        });
        let (arguments, like) = (arguments.collect(), call.like.clone());
        General { work, name, arguments, item: call.item, like, span: call.span }
    }
}
