//! Links the checked tree into closures, once, before anything runs.

mod ask;
mod builtins;
mod calls;
mod checks;
mod flags;
mod guards;
mod hold;
mod loops;
mod made;
mod numbers;
mod operands;
mod places;
mod refs;
mod statements;
mod stores;

use crate::builtins::Builtin;
use crate::interpret::machine::{Failed, Flow, Machine};
use crate::program::failure::{Failure, FailureKind};
use crate::program::tree::Program;
use crate::program::value::Value;
use crate::source::Span;
use std::cell::OnceCell;
use std::collections::VecDeque;
use std::ops::Range;
use std::rc::Rc;

/// Works something out.
pub(super) type Node<T> = Box<dyn Fn(&mut Machine<'_>) -> Result<T, Failed>>;
/// Works out a number.
pub(super) type NumberNode = Node<f64>;
/// Works out a flag.
pub(super) type FlagNode = Node<bool>;
/// Works out a text, list or record.
pub(super) type RefNode = Node<Value>;
/// Does a statement.
pub(super) type StatementNode = Node<Flow>;

/// How deep statements, expressions and calls may nest together while they run; keeps the
/// stack of the process far from its end.
pub(super) const NESTING_MOST: usize = 1500;

/// A linked program.
pub(crate) struct Linked {
    /// Params and constants.
    pub(super) setup: Block,
    /// The script.
    pub(super) body: Block,
    /// Size of the array of doubles.
    pub(super) words: usize,
    /// Size of the array of references.
    pub(super) refs: usize,
}

/// Statements one behind the other.
pub(super) struct Block(Box<[StatementNode]>);

impl Block {
    /// Runs them.
    #[inline(always)]
    pub(super) fn run(&self, machine: &mut Machine<'_>) -> Result<Flow, Failed> {
        for statement in &self.0 {
            match statement(machine) {
                Ok(Flow::Next) => {}
                other => return other,
            }
        }
        Ok(Flow::Next)
    }

    /// The same, counted as a call while it runs.
    fn counted(self) -> Block {
        let count: StatementNode = Box::new(move |machine| {
            machine.depth += 1;
            let flow = self.run(machine);
            machine.depth -= 1;
            flow
        });
        Block(Box::new([count]))
    }
}

/// A linked routine.
pub(crate) struct RoutineNode {
    work: Work,
    refs: Range<usize>,
    /// What a call counts.
    steps: usize,
}

enum Work {
    /// Only `return` with a number.
    Number(NumberNode),
    /// Statements, and the slot of the result.
    Block(Block, usize),
}

/// Turns tree into closures.
pub(super) struct Linker<'p> {
    program: &'p Program,
    builtins: &'static [&'static Builtin],
    routines: Vec<Rc<OnceCell<RoutineNode>>>,
    words: usize,
    refs: usize,
    /// A slot that always holds 0: the variable part of an index without one.
    zero: usize,
    /// Statements and expressions linked so far.
    linked: usize,
    nesting: Nesting,
}

/// How deep one routine goes by itself, and from how deep it calls others.
#[derive(Default)]
struct Nesting {
    now: usize,
    deepest: usize,
    calls: Vec<(usize, usize, Span)>,
}

impl Linker<'_> {
    /// Links something one level further down.
    fn deeper<T>(&mut self, link: impl FnOnce(&mut Self) -> T) -> T {
        self.nesting.now += 1;
        self.nesting.deepest = self.nesting.deepest.max(self.nesting.now);
        let linked = link(self);
        self.nesting.now -= 1;
        linked
    }

    /// Links what is run in one go, and adds to `steps` what it counts.
    fn counted<T>(&mut self, steps: &mut usize, link: impl FnOnce(&mut Self) -> T) -> T {
        let before = self.linked;
        let linked = link(self);
        *steps += self.linked - before;
        linked
    }

    /// A slot of its own for a double.
    fn spare_word(&mut self) -> usize {
        self.words += 1;
        self.words - 1
    }

    /// A slot of its own for a reference.
    fn spare_reference(&mut self) -> usize {
        self.refs += 1;
        self.refs - 1
    }
}

/// Links a program; refuses one whose calls go in a circle or nest too deep.
pub(super) fn link(
    program: &Program,
    builtins: &'static [&'static Builtin],
) -> Result<Linked, Failure> {
    let mut linker = Linker {
        program,
        builtins,
        routines: program.routines.iter().map(|_| Rc::default()).collect(),
        words: program.words + 1,
        refs: program.refs,
        zero: program.words,
        linked: 0,
        nesting: Nesting::default(),
    };
    let mut nestings = Vec::new();
    for (index, routine) in program.routines.iter().enumerate() {
        let node = linker.routine(routine);
        nestings.push(std::mem::take(&mut linker.nesting));
        if let Some(cell) = linker.routines.get(index) {
            // Each cell is filled once, here.
            let _ = cell.set(node);
        }
    }
    let setup = linker.block(&program.setup);
    let body = linker.block(&program.body);
    nestings.push(std::mem::take(&mut linker.nesting));
    bounded(&nestings)?;
    Ok(Linked { setup, body, words: linker.words, refs: linker.refs })
}

/// Adds up nesting through all calls, callees first. The last entry is the script itself.
fn bounded(nestings: &[Nesting]) -> Result<(), Failure> {
    let mut callers = vec![Vec::new(); nestings.len()];
    let mut waiting: Vec<usize> = nestings.iter().map(|n| n.calls.len()).collect();
    for (caller, nesting) in nestings.iter().enumerate() {
        for (depth, callee, span) in &nesting.calls {
            if let Some(list) = callers.get_mut(*callee) {
                list.push((caller, *depth, *span));
            }
        }
    }
    let mut total: Vec<usize> = nestings.iter().map(|n| n.deepest).collect();
    let mut ready: VecDeque<usize> =
        (0..nestings.len()).filter(|index| waiting.get(*index) == Some(&0)).collect();
    let mut done = 0;
    while let Some(callee) = ready.pop_front() {
        done += 1;
        let below = total.get(callee).copied().unwrap_or(0);
        for (caller, depth, span) in callers.get(callee).into_iter().flatten() {
            if depth + below > NESTING_MOST {
                let message = "calls, blocks and expressions nest too deep from here";
                return Err(Failure::new(FailureKind::Limit, message, *span));
            }
            if let Some(sum) = total.get_mut(*caller) {
                *sum = (*sum).max(depth + below);
            }
            if let Some(count) = waiting.get_mut(*caller) {
                *count -= 1;
                if *count == 0 {
                    ready.push_back(*caller);
                }
            }
        }
    }
    if done < nestings.len() {
        let message = "internal error: routines call each other in a circle";
        return Err(Failure::new(FailureKind::Fault, message, Span::default()));
    }
    Ok(())
}
