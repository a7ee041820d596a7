//! Blocks and plain statements.

use crate::interpret::link::guards::fail_again;
use crate::interpret::link::operands::{Assign, Sink};
use crate::interpret::link::stores::Grown;
use crate::interpret::link::{Block, FlagNode, Linker, StatementNode};
use crate::interpret::machine::{Failed, Flow, Machine};
use crate::program::failure::FailureKind;
use crate::program::tree::{Expression, Flag, Ref, Slot, Statement};

/// `if` with one condition.
struct If {
    then: Block,
    rest: Block,
}

impl Sink<bool> for If {
    type Out = StatementNode;
    fn take<F: Fn(&mut Machine<'_>) -> Result<bool, Failed> + 'static>(
        self,
        condition: F,
    ) -> StatementNode {
        Box::new(move |machine| match condition(machine)? {
            true => self.then.run(machine),
            false => self.rest.run(machine),
        })
    }
}

impl Linker<'_> {
    /// Statements one behind the other.
    pub(crate) fn block(&mut self, statements: &[Statement]) -> Block {
        let nodes = statements.iter().map(|s| self.statement(s));
        Block(nodes.collect())
    }

    fn statement(&mut self, statement: &Statement) -> StatementNode {
        // A replay counts alike whether it is stepped through or not.
        self.linked += usize::from(!matches!(statement, Statement::Step(..)));
        self.deeper(|linker| linker.statement_here(statement))
    }

    fn statement_here(&mut self, statement: &Statement) -> StatementNode {
        match statement {
            Statement::Set(slot, value) => self.set(*slot, value, Flow::Next),
            Statement::Store { root, hops, value } => self.store(root.0, hops, value),
            Statement::Evaluate(value) => self.evaluate(value),
            Statement::Call(call) => self.call_statement(call),
            Statement::Builtin(call) => self.builtin_statement(call),
            Statement::If(branches, rest) => self.branches(branches, rest),
            Statement::For { target, over, body, span } => {
                self.for_loop(*target, over, body, *span)
            }
            Statement::Repeat { times, before, body, until, otherwise, span } => {
                self.repeat(times, before.as_ref(), body, until.as_ref(), otherwise, *span)
            }
            Statement::Break => Box::new(|_| Ok(Flow::Break)),
            Statement::Continue => Box::new(|_| Ok(Flow::Continue)),
            Statement::Return(None) => Box::new(|_| Ok(Flow::Return)),
            Statement::Return(Some((slot, value))) => self.set(*slot, value, Flow::Return),
            Statement::Wait(time, span) => self.wait(time, *span),
            Statement::WaitUntil { condition, within, every, otherwise, text, span } => {
                self.wait_until(condition, (within, every), otherwise.as_deref(), text, *span)
            }
            Statement::Hold { conditions, every, body, span } => {
                self.hold(conditions, every, body, *span)
            }
            Statement::Arm { power, body, span, .. } => self.arm(power, body, *span),
            Statement::Try { body, catch, finally } => self.attempt(body, catch.as_ref(), finally),
            Statement::Fail(message, span) => {
                let (message, span) = (self.reference(message), *span);
                Box::new(move |machine| {
                    let message = message(machine)?;
                    Err(machine.fail(FailureKind::Failed, message.as_text(), span))
                })
            }
            Statement::FailAgain(record, span) => {
                let (record, span) = (self.reference(record), *span);
                Box::new(move |machine| {
                    let record = record(machine)?;
                    Err(fail_again(machine, &record, span))
                })
            }
            Statement::Expect(expect) => self.expect(expect),
            Statement::Record { label, value, shower, plot, text, span } => {
                self.record(label, value, (shower, plot.as_deref()), text, *span)
            }
            Statement::Note(text) => self.note(text),
            Statement::Step(number, span) => {
                let (number, span) = (*number, *span);
                Box::new(move |machine| machine.pause(number, span))
            }
            Statement::Ask(ask) => self.ask(ask),
        }
    }

    /// Sets a variable, and goes on as said.
    pub(crate) fn set(&mut self, slot: Slot, value: &Expression, flow: Flow) -> StatementNode {
        match (slot, value) {
            (Slot::Number(slot) | Slot::Flag(slot), Expression::Number(number)) => {
                self.number_into(number, Assign(slot.0, flow))
            }
            (Slot::Number(slot) | Slot::Flag(slot), Expression::Flag(flag)) => {
                self.flag_into(flag, Assign(slot.0, flow))
            }
            (Slot::Ref(slot), Expression::Ref(reference)) => {
                if flow == Flow::Next
                    && let Some(append) = self.append(reference, |_, first| {
                        let itself = matches!(first, Ref::Local(first) if *first == slot);
                        itself.then_some(Grown::Local(slot.0))
                    })
                {
                    return append;
                }
                let (slot, value) = (slot.0, self.ref_side(reference));
                Box::new(move |machine| {
                    let value = value.take(machine)?;
                    machine.set_reference(slot, value);
                    Ok(flow)
                })
            }
            _ => Box::new(|machine| Err(machine.broken("a variable of another sort", machine.at))),
        }
    }

    fn evaluate(&mut self, value: &Expression) -> StatementNode {
        let value = self.expression(value);
        Box::new(move |machine| value.datum(machine).map(|_| Flow::Next))
    }

    /// A chain of conditions stays flat, however long it is.
    fn branches(
        &mut self,
        branches: &[(Flag, Vec<Statement>)],
        rest: &[Statement],
    ) -> StatementNode {
        if let [(condition, then)] = branches {
            let (then, rest) = (self.block(then), self.block(rest));
            return self.flag_into(condition, If { then, rest });
        }
        let branches: Vec<(FlagNode, Block)> = branches
            .iter()
            .map(|(condition, then)| (self.flag(condition), self.block(then)))
            .collect();
        let rest = self.block(rest);
        Box::new(move |machine| {
            for (condition, then) in &branches {
                if condition(machine)? {
                    return then.run(machine);
                }
            }
            rest.run(machine)
        })
    }
}
