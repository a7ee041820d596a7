//! Routines and their calls.

use crate::interpret::link::operands::Assign;
use crate::interpret::link::{Linker, NumberNode, RefNode, RoutineNode, StatementNode, Work};
use crate::interpret::machine::{Failed, Flow, Machine};
use crate::program::tree::{Call, Expression, Number, Routine, Slot, Statement, WordSlot};
use crate::program::value::Value;
use crate::source::Span;
use std::cell::OnceCell;
use std::rc::Rc;

impl RoutineNode {
    /// Lets go of the routine's references.
    #[inline(always)]
    fn leave(&self, machine: &mut Machine<'_>) {
        if !self.refs.is_empty() {
            self.clear(machine);
        }
    }

    #[inline(never)]
    fn clear(&self, machine: &mut Machine<'_>) {
        for slot in machine.refs.get_mut(self.refs.clone()).into_iter().flatten() {
            *slot = Value::Nothing;
        }
    }
}

/// A call of a routine.
struct CallNode {
    /// Each puts one argument where it belongs.
    arguments: Box<[StatementNode]>,
    routine: Rc<OnceCell<RoutineNode>>,
    span: Span,
}

impl CallNode {
    #[inline(always)]
    fn enter(&self, machine: &mut Machine<'_>) -> Result<&RoutineNode, Failed> {
        for argument in &self.arguments {
            argument(machine)?;
        }
        let Some(routine) = self.routine.get() else {
            return Err(machine.broken("no such routine", self.span));
        };
        machine.turn(routine.steps, self.span)?;
        Ok(routine)
    }

    #[cold]
    #[inline(never)]
    fn failed(&self, machine: &mut Machine<'_>, routine: &RoutineNode) -> Failed {
        routine.leave(machine);
        if let Some(failure) = &mut machine.failure {
            failure.calls.push(self.span);
        }
        Failed
    }
}

impl Linker<'_> {
    /// Links a routine.
    pub(crate) fn routine(&mut self, routine: &Routine) -> RoutineNode {
        let mut steps = 1;
        let work = self.counted(&mut steps, |linker| linker.work(routine));
        RoutineNode { work, refs: routine.refs.clone(), steps }
    }

    fn work(&mut self, routine: &Routine) -> Work {
        match routine.body.as_slice() {
            [Statement::Return(Some((_, Expression::Number(number))))] => {
                Work::Number(self.number(number))
            }
            body => {
                let result = match routine.result {
                    Some(Slot::Number(WordSlot(slot)) | Slot::Flag(WordSlot(slot))) => slot,
                    Some(Slot::Ref(slot)) => slot.0,
                    None => 0,
                };
                // Only who steps asks how deep calls are.
                let work = match body.first() {
                    Some(Statement::Step(..)) => self.deeper(|linker| linker.block(body)).counted(),
                    _ => self.block(body),
                };
                Work::Block(work, result)
            }
        }
    }

    /// A call that gives a number or flag.
    pub(crate) fn call_word(&mut self, call: &Call) -> NumberNode {
        let node = self.call_node(call);
        Box::new(move |machine| {
            let routine = node.enter(machine)?;
            let result = match &routine.work {
                Work::Number(number) => number(machine),
                Work::Block(block, result) => block.run(machine).map(|_| machine.word(*result)),
            };
            match result {
                Ok(value) => {
                    routine.leave(machine);
                    Ok(value)
                }
                Err(Failed) => Err(node.failed(machine, routine)),
            }
        })
    }

    /// A call that gives a text, list or record.
    pub(crate) fn call_reference(&mut self, call: &Call) -> RefNode {
        let node = self.call_node(call);
        Box::new(move |machine| {
            let routine = node.enter(machine)?;
            match &routine.work {
                Work::Block(block, result) => match block.run(machine) {
                    Err(Failed) => Err(node.failed(machine, routine)),
                    Ok(_) => {
                        let value = machine.take_reference(*result);
                        routine.leave(machine);
                        Ok(value)
                    }
                },
                Work::Number(_) => Err(machine.broken("a number for a reference", node.span)),
            }
        })
    }

    /// A call whose result, if any, is not wanted.
    pub(crate) fn call_statement(&mut self, call: &Call) -> StatementNode {
        let node = self.call_node(call);
        Box::new(move |machine| {
            let routine = node.enter(machine)?;
            let ended = match &routine.work {
                Work::Block(block, _) => block.run(machine).map(drop),
                Work::Number(number) => number(machine).map(drop),
            };
            if ended.is_err() {
                return Err(node.failed(machine, routine));
            }
            routine.leave(machine);
            Ok(Flow::Next)
        })
    }

    /// An argument goes straight into its parameter, unless one behind it calls a routine,
    /// which may be this one: then it waits in a slot of its own.
    fn call_node(&mut self, call: &Call) -> CallNode {
        let program = self.program;
        let routine = program.routines.get(call.routine);
        let parameters = routine.map_or(&[][..], |routine| &routine.parameters);
        let known = self.nesting.calls.len();
        let mut puts = Vec::new();
        let mut moves: Vec<StatementNode> = Vec::new();
        for (argument, parameter) in call.arguments.iter().zip(parameters).rev() {
            if self.nesting.calls.len() == known {
                puts.push(self.set(*parameter, argument, Flow::Next));
                continue;
            }
            let (own, then): (Slot, StatementNode) = match parameter {
                Slot::Number(to) | Slot::Flag(to) => {
                    let (from, to) = (self.spare_word(), to.0);
                    let own = match parameter {
                        Slot::Flag(_) => Slot::Flag(WordSlot(from)),
                        _ => Slot::Number(WordSlot(from)),
                    };
                    let number = Number::Local(WordSlot(from));
                    (own, self.number_into(&number, Assign(to, Flow::Next)))
                }
                Slot::Ref(to) => {
                    let (from, to) = (self.spare_reference(), to.0);
                    let then: StatementNode = Box::new(move |machine| {
                        let value = machine.take_reference(from);
                        machine.set_reference(to, value);
                        Ok(Flow::Next)
                    });
                    (Slot::Ref(crate::program::tree::RefSlot(from)), then)
                }
            };
            puts.push(self.set(own, argument, Flow::Next));
            moves.push(then);
        }
        puts.reverse();
        puts.append(&mut moves);
        self.nesting.calls.push((self.nesting.now, call.routine, call.span));
        CallNode {
            arguments: puts.into_boxed_slice(),
            routine: self.routines.get(call.routine).cloned().unwrap_or_default(),
            span: call.span,
        }
    }
}
