//! Operands folded into the closure that needs them, and sinks for what it works out.
//!
//! A closure is made once per kind of operand, operation and sink by the compiler; at run
//! time only operands that are expressions themselves cost a call.

use crate::interpret::link::places::Place;
use crate::interpret::link::{Node, NumberNode, StatementNode};
use crate::interpret::machine::{Failed, Flow, Machine};

/// Where a number comes from.
pub(super) trait Operand: 'static {
    /// Nothing that [`Linker::sides`](super::Linker::sides) lets stand beside it changes it, and
    /// fetching it cannot fail: it may be fetched late, which saves keeping it on the stack.
    const STEADY: bool;
    /// Fetches it.
    fn read(&self, machine: &mut Machine<'_>) -> Result<f64, Failed>;
}

/// A constant.
pub(crate) struct Constant(pub f64);
/// A variable.
pub(crate) struct Local(pub usize);
/// Anything else.
pub(crate) struct Other(pub NumberNode);

impl Operand for Constant {
    const STEADY: bool = true;
    #[inline(always)]
    fn read(&self, _: &mut Machine<'_>) -> Result<f64, Failed> {
        Ok(self.0)
    }
}

impl Operand for Local {
    const STEADY: bool = true;
    #[inline(always)]
    fn read(&self, machine: &mut Machine<'_>) -> Result<f64, Failed> {
        Ok(machine.word(self.0))
    }
}

impl Operand for Other {
    const STEADY: bool = false;
    #[inline(always)]
    fn read(&self, machine: &mut Machine<'_>) -> Result<f64, Failed> {
        (self.0)(machine)
    }
}

/// Fetches two operands, as if from left to right.
#[inline(always)]
pub(super) fn fetch<A: Operand, B: Operand>(
    machine: &mut Machine<'_>,
    a: &A,
    b: &B,
) -> Result<(f64, f64), Failed> {
    if A::STEADY {
        let second = b.read(machine)?;
        let first = a.read(machine)?;
        return Ok((first, second));
    }
    let first = a.read(machine)?;
    let second = b.read(machine)?;
    Ok((first, second))
}

/// An operand of any kind.
pub(crate) enum Side {
    /// A constant.
    Constant(Constant),
    /// A variable.
    Local(Local),
    /// Out of a list or record.
    Place(Place),
    /// Anything else.
    Other(Other),
}

/// Does the same with an operand of each kind.
macro_rules! with_side {
    ($side:expr, $name:ident => $body:expr) => {
        match $side {
            $crate::interpret::link::operands::Side::Constant($name) => $body,
            $crate::interpret::link::operands::Side::Local($name) => $body,
            $crate::interpret::link::operands::Side::Place($name) => $body,
            $crate::interpret::link::operands::Side::Other($name) => $body,
        }
    };
}
pub(crate) use with_side;

/// What becomes of a number or flag once it is worked out.
pub(crate) trait Sink<T: 'static>: Sized {
    /// The closure that does it.
    type Out;
    /// Makes the closure.
    fn take<F: Fn(&mut Machine<'_>) -> Result<T, Failed> + 'static>(self, work: F) -> Self::Out;
    /// Uses a closure that is there already.
    fn take_node(self, work: Node<T>) -> Self::Out {
        self.take(work)
    }
}

/// Gives it to the caller.
pub(super) struct Give;
/// Puts it into a variable, and goes on as said.
pub(super) struct Assign(pub usize, pub Flow);

impl<T: 'static> Sink<T> for Give {
    type Out = Node<T>;
    fn take<F: Fn(&mut Machine<'_>) -> Result<T, Failed> + 'static>(self, work: F) -> Self::Out {
        Box::new(work)
    }
    fn take_node(self, work: Node<T>) -> Self::Out {
        work
    }
}

/// A number or a flag as a word.
pub(super) trait Word: 'static {
    /// The word.
    fn word(self) -> f64;
}

impl Word for f64 {
    #[inline(always)]
    fn word(self) -> f64 {
        self
    }
}

impl Word for bool {
    #[inline(always)]
    fn word(self) -> f64 {
        if self { 1.0 } else { 0.0 }
    }
}

impl<T: Word> Sink<T> for Assign {
    type Out = StatementNode;
    fn take<F: Fn(&mut Machine<'_>) -> Result<T, Failed> + 'static>(self, work: F) -> Self::Out {
        let Assign(slot, flow) = self;
        Box::new(move |machine| {
            let value = work(machine)?;
            machine.set_word(slot, value.word());
            Ok(flow)
        })
    }
}
