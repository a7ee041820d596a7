//! Flags: comparisons and logic.

use crate::interpret::link::operands::{Give, Side, Sink, fetch, with_side};
use crate::interpret::link::{FlagNode, Linker};
use crate::interpret::memory::size;
use crate::program::tree::{Comparison, Flag};

impl Linker<'_> {
    /// A flag for the caller.
    pub(crate) fn flag(&mut self, flag: &Flag) -> FlagNode {
        self.flag_into(flag, Give)
    }

    /// A flag for whatever becomes of it.
    pub(crate) fn flag_into<S: Sink<bool>>(&mut self, flag: &Flag, sink: S) -> S::Out {
        self.linked += 1;
        self.deeper(|linker| linker.flag_here(flag, sink))
    }

    fn flag_here<S: Sink<bool>>(&mut self, flag: &Flag, sink: S) -> S::Out {
        match flag {
            Flag::Compare(comparison, a, b) => {
                let (a, b) = self.sides(a, b);
                match comparison {
                    Comparison::Equal => compared(|a, b| a == b, a, b, sink),
                    Comparison::Unequal => compared(|a, b| a != b, a, b, sink),
                    Comparison::Less => compared(|a, b| a < b, a, b, sink),
                    Comparison::LessEqual => compared(|a, b| a <= b, a, b, sink),
                    Comparison::Greater => compared(|a, b| a > b, a, b, sink),
                    Comparison::GreaterEqual => compared(|a, b| a >= b, a, b, sink),
                }
            }
            other => {
                let node = self.flag_plain(other);
                sink.take_node(node)
            }
        }
    }

    fn flag_plain(&mut self, flag: &Flag) -> FlagNode {
        match flag {
            Flag::Constant(value) => {
                let value = *value;
                Box::new(move |_| Ok(value))
            }
            Flag::Local(slot) => {
                let slot = slot.0;
                Box::new(move |machine| Ok(machine.word(slot) != 0.0))
            }
            Flag::Not(a) => {
                let a = self.flag(a);
                Box::new(move |machine| Ok(!a(machine)?))
            }
            Flag::And(a, b) => {
                let (a, b) = (self.flag(a), self.flag(b));
                Box::new(move |machine| Ok(a(machine)? && b(machine)?))
            }
            Flag::Or(a, b) => {
                let (a, b) = (self.flag(a), self.flag(b));
                Box::new(move |machine| Ok(a(machine)? || b(machine)?))
            }
            Flag::Within(x, low, high) => {
                let (x, low, high) = (self.number(x), self.number(low), self.number(high));
                Box::new(move |machine| {
                    let x = x(machine)?;
                    let low = low(machine)?;
                    let high = high(machine)?;
                    Ok(low <= x && x <= high)
                })
            }
            Flag::EqualFlags(a, b, same) => {
                let (a, b, same) = (self.flag(a), self.flag(b), *same);
                Box::new(move |machine| Ok((a(machine)? == b(machine)?) == same))
            }
            Flag::EqualRefs(a, b, same) => {
                let (a, b, same) = (self.reference(a), self.reference(b), *same);
                Box::new(move |machine| {
                    let first = a(machine)?;
                    machine.held.push(first);
                    let second = b(machine)?;
                    let first = machine.held.pop().unwrap_or_default();
                    machine.count_steps(size(&second));
                    Ok((first == second) == same)
                })
            }
            // Comparisons are folded before they come here.
            Flag::Compare(..) => self.flag(flag),
            Flag::Access(access) => {
                let word = self.access_word(access);
                Box::new(move |machine| Ok(word(machine)? != 0.0))
            }
            Flag::Choice(choice) => {
                let (condition, yes, no) = &**choice;
                let (condition, yes, no) = (self.flag(condition), self.flag(yes), self.flag(no));
                Box::new(
                    move |machine| if condition(machine)? { yes(machine) } else { no(machine) },
                )
            }
            Flag::Call(call) => {
                let call = self.call_word(call);
                Box::new(move |machine| Ok(call(machine)? != 0.0))
            }
            Flag::Builtin(call) => self.builtin_flag(call),
        }
    }
}

fn compared<C, S>(compare: C, a: Side, b: Side, sink: S) -> S::Out
where
    C: Fn(f64, f64) -> bool + 'static,
    S: Sink<bool>,
{
    with_side!(a, a => with_side!(b, b => sink.take(move |machine| {
        let (first, second) = fetch(machine, &a, &b)?;
        Ok(compare(first, second))
    })))
}
