//! Flags: comparisons and logic.

use crate::interpret::link::operands::{Give, Operand, Side, Sink, fetch, with_side};
use crate::interpret::link::places::Place;
use crate::interpret::link::{FlagNode, Linker};
use crate::interpret::machine::{Failed, Machine};
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
            Flag::Constant(value) => {
                let value = *value;
                sink.take(move |_| Ok(value))
            }
            Flag::Not(a) => {
                let a = self.flag_side(a);
                sink.take(move |machine| Ok(!a.read(machine)?))
            }
            Flag::And(a, b) => {
                let (a, b) = (self.flag_side(a), self.flag_side(b));
                sink.take(move |machine| Ok(a.read(machine)? && b.read(machine)?))
            }
            Flag::Or(a, b) => {
                let (a, b) = (self.flag_side(a), self.flag_side(b));
                sink.take(move |machine| Ok(a.read(machine)? || b.read(machine)?))
            }
            Flag::EqualFlags(a, b, same) => {
                let (a, b, same) = (self.flag_side(a), self.flag_side(b), *same);
                sink.take(move |machine| Ok((a.read(machine)? == b.read(machine)?) == same))
            }
            Flag::Local(_) | Flag::Access(_) => {
                let a = self.flag_side(flag);
                sink.take(move |machine| a.read(machine))
            }
            other => {
                let node = self.flag_node(other);
                sink.take_node(node)
            }
        }
    }

    /// A flag as an operand of its parent.
    fn flag_side(&mut self, flag: &Flag) -> FlagSide {
        match flag {
            Flag::Local(slot) => FlagSide::Local(slot.0),
            Flag::Access(access) => match self.place(access) {
                Some(place) => FlagSide::Place(place),
                None => {
                    let read = |machine: &Machine<'_>, place: &Place| place.word(machine);
                    let word = self.access(access, read);
                    FlagSide::Other(Box::new(move |machine| Ok(word(machine)? != 0.0)))
                }
            },
            _ => FlagSide::Other(self.flag(flag)),
        }
    }

    fn flag_node(&mut self, flag: &Flag) -> FlagNode {
        match flag {
            Flag::Within(x, low, high) => {
                let (x, low, high) = (self.number(x), self.number(low), self.number(high));
                Box::new(move |machine| {
                    let x = x(machine)?;
                    let low = low(machine)?;
                    let high = high(machine)?;
                    Ok(low <= x && x <= high)
                })
            }
            Flag::EqualRefs(a, b, same) => {
                let (a, b, same) = (self.reference(a), self.ref_side(b), *same);
                Box::new(move |machine| {
                    let first = a(machine)?;
                    machine.held.push(first.clone());
                    let (equal, size) =
                        b.with(machine, |second| (first == *second, size(second)))?;
                    machine.held.pop();
                    machine.count_steps(size);
                    Ok(equal == same)
                })
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
            _ => self.flag(flag),
        }
    }
}

/// Where a flag comes from.
enum FlagSide {
    /// A variable.
    Local(usize),
    /// Out of a list or record.
    Place(Place),
    /// Anything else.
    Other(FlagNode),
}

impl FlagSide {
    #[inline(always)]
    fn read(&self, machine: &mut Machine<'_>) -> Result<bool, Failed> {
        match self {
            FlagSide::Local(slot) => Ok(machine.word(*slot) != 0.0),
            FlagSide::Place(place) => Ok(place.read(machine)? != 0.0),
            FlagSide::Other(node) => node(machine),
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
