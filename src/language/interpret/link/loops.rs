//! Loops: over ranges and lists, and with a bound.

use crate::interpret::link::made::steps;
use crate::interpret::link::operands::Sink;
use crate::interpret::link::{Block, FlagNode, Linker, NumberNode, RefNode, StatementNode};
use crate::interpret::machine::{Failed, Flow, Machine};
use crate::program::failure::{FailureKind, MAX_TURNS, bad_turns};
use crate::program::show::number_text;
use crate::program::tree::{Flag, Number, Over, Slot, Statement};
use crate::program::types::Layout;
use crate::program::value::{Object, Value};
use crate::source::Span;
use std::rc::Rc;

/// What a loop runs over, and where each item goes.
pub(crate) struct Each {
    over: OverNode,
    /// What a turn counts.
    pub steps: usize,
    span: Span,
}

enum OverNode {
    /// From the first up to the second.
    Range(NumberNode, NumberNode, usize),
    /// Doubles of a list.
    Words(RefNode, usize),
    /// References of a list.
    References(RefNode, usize),
    /// Records of a list.
    Records(RefNode, usize, Layout),
}

impl Each {
    /// Does `turn` with each item in the loop variable.
    #[inline(always)]
    pub(crate) fn run<T>(&self, machine: &mut Machine<'_>, turn: T) -> Result<Flow, Failed>
    where
        T: Fn(&mut Machine<'_>) -> Result<Flow, Failed>,
    {
        match &self.over {
            OverNode::Range(first, last, target) => {
                let (first, last) = self.ends(machine, first, last)?;
                let mut step = 0.0;
                let mut value = first;
                while value < last {
                    machine.set_word(*target, value);
                    match turn(machine) {
                        Ok(Flow::Next | Flow::Continue) => {}
                        Ok(Flow::Break) => break,
                        flow => return flow,
                    }
                    machine.turn(self.steps, self.span)?;
                    step += 1.0;
                    value = first + step;
                }
                Ok(Flow::Next)
            }
            OverNode::Words(list, target) => self.list(machine, list, |machine, list, at| {
                match list.as_words().get(at) {
                    Some(word) => machine.set_word(*target, *word),
                    None => return Ok(Flow::Break),
                }
                turn(machine)
            }),
            OverNode::References(list, target) => self.list(machine, list, |machine, list, at| {
                match list.as_refs().get(at) {
                    Some(value) => machine.set_reference(*target, value.clone()),
                    None => return Ok(Flow::Break),
                }
                turn(machine)
            }),
            OverNode::Records(list, target, size) => {
                self.list(machine, list, |machine, list, at| {
                    match put_record(machine, list, at, *size, *target, self.span)? {
                        true => turn(machine),
                        false => Ok(Flow::Break),
                    }
                })
            }
        }
    }

    /// The list is looked at as it was when the loop began.
    #[inline(always)]
    fn list<T>(&self, machine: &mut Machine<'_>, list: &RefNode, turn: T) -> Result<Flow, Failed>
    where
        T: Fn(&mut Machine<'_>, &Value, usize) -> Result<Flow, Failed>,
    {
        let list = list(machine)?;
        machine.held.push(list.clone());
        let mut at = 0;
        let flow = loop {
            match turn(machine, &list, at) {
                Ok(Flow::Next | Flow::Continue) => {}
                Ok(Flow::Break) => break Ok(Flow::Next),
                flow => break flow,
            }
            if let Err(failed) = machine.turn(self.steps, self.span) {
                break Err(failed);
            }
            at += 1;
        };
        machine.held.pop();
        flow
    }

    #[inline(always)]
    fn ends(
        &self,
        machine: &mut Machine<'_>,
        first: &NumberNode,
        last: &NumberNode,
    ) -> Result<(f64, f64), Failed> {
        let (first, last) = (first(machine)?, last(machine)?);
        if last - first <= MAX_TURNS && first.is_finite() && last.is_finite() {
            return Ok((first, last));
        }
        Err(self.endless(machine, first, last))
    }

    #[cold]
    #[inline(never)]
    fn endless(&self, machine: &mut Machine<'_>, first: f64, last: f64) -> Failed {
        let count = match steps(machine, first, last, self.span) {
            Ok(count) => count,
            Err(failed) => return failed,
        };
        let message = format!(
            "a loop over {} numbers is too long; {} are allowed",
            number_text(count),
            number_text(MAX_TURNS)
        );
        machine.fail(FailureKind::Limit, message, self.span)
    }
}

/// Puts a record of a list into a variable, into the old one's place where nothing else sees it.
fn put_record(
    machine: &mut Machine<'_>,
    list: &Value,
    at: usize,
    size: Layout,
    target: usize,
    span: Span,
) -> Result<bool, Failed> {
    let from = size.times(at);
    let to = from.plus(size);
    let (words, refs) = (list.as_words(), list.as_refs());
    let (Some(words), Some(refs)) = (words.get(from.words..to.words), refs.get(from.refs..to.refs))
    else {
        return Ok(false);
    };
    if size == Layout::default() {
        return Ok(false);
    }
    if let Some(Value::Object(rc)) = machine.refs.get_mut(target)
        && let Some(object) = Rc::get_mut(rc)
    {
        object.words.clear();
        object.words.extend_from_slice(words);
        object.refs.clear();
        object.refs.extend_from_slice(refs);
        return Ok(true);
    }
    let (words, refs) = (words.to_vec(), refs.to_vec());
    let record = machine.object(Object { words, refs }, span)?;
    machine.set_reference(target, record);
    Ok(true)
}

/// A loop with a bound, but for the condition before each turn.
struct Repeat {
    times: NumberNode,
    body: Block,
    until: Option<FlagNode>,
    otherwise: Block,
    /// What a turn counts.
    steps: usize,
    span: Span,
}

impl Repeat {
    /// The bound as a number of turns.
    fn bound(&self, machine: &mut Machine<'_>) -> Result<u32, Failed> {
        let times = (self.times)(machine)?;
        if (0.0..=MAX_TURNS).contains(&times) && times.fract() == 0.0 {
            return Ok(times as u32);
        }
        Err(machine.fail(FailureKind::Value, bad_turns(times), self.span))
    }
}

impl Sink<bool> for Repeat {
    type Out = StatementNode;
    fn take<F: Fn(&mut Machine<'_>) -> Result<bool, Failed> + 'static>(
        self,
        before: F,
    ) -> StatementNode {
        Box::new(move |machine| {
            let mut left = self.bound(machine)?;
            loop {
                if !before(machine)? {
                    return Ok(Flow::Next);
                }
                if left == 0 {
                    return self.otherwise.run(machine);
                }
                left -= 1;
                match self.body.run(machine) {
                    Ok(Flow::Next | Flow::Continue) => {}
                    Ok(Flow::Break) => return Ok(Flow::Next),
                    flow => return flow,
                }
                if let Some(until) = &self.until
                    && until(machine)?
                {
                    return Ok(Flow::Next);
                }
                machine.turn(self.steps, self.span)?;
            }
        })
    }
}

impl Linker<'_> {
    /// What a loop runs over.
    pub(crate) fn each(&mut self, target: Slot, over: &Over, span: Span) -> Each {
        let target = match target {
            Slot::Number(slot) | Slot::Flag(slot) => Ok(slot.0),
            Slot::Ref(slot) => Err(slot.0),
        };
        let over = match (over, target) {
            (Over::Range(first, last), Ok(slot) | Err(slot)) => {
                OverNode::Range(self.number(first), self.number(last), slot)
            }
            (Over::List { list, .. }, Ok(slot)) => OverNode::Words(self.reference(list), slot),
            (Over::List { list, item, record }, Err(slot)) => {
                let list = self.reference(list);
                if *record {
                    OverNode::Records(list, slot, *item)
                } else {
                    OverNode::References(list, slot)
                }
            }
        };
        Each { over, steps: 1, span }
    }

    /// A loop over a range or list.
    pub(crate) fn for_loop(
        &mut self,
        target: Slot,
        over: &Over,
        body: &[Statement],
        span: Span,
    ) -> StatementNode {
        let mut each = self.each(target, over, span);
        let body = self.counted(&mut each.steps, |linker| linker.block(body));
        Box::new(move |machine| each.run(machine, |machine| body.run(machine)))
    }

    /// A loop with a bound.
    pub(crate) fn repeat(
        &mut self,
        times: &Number,
        before: Option<&Flag>,
        body: &[Statement],
        until: Option<&Flag>,
        otherwise: &[Statement],
        span: Span,
    ) -> StatementNode {
        let mut steps = 1;
        let (body, until) = self.counted(&mut steps, |linker| {
            (linker.block(body), until.map(|flag| linker.flag(flag)))
        });
        let (times, otherwise) = (self.number(times), self.block(otherwise));
        let repeat = Repeat { times, body, until, otherwise, steps, span };
        match before {
            Some(flag) => self.flag_into(flag, repeat),
            None => repeat.take(|_| Ok(true)),
        }
    }
}
