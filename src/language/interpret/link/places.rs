//! Places inside lists and records: the way there, and reading what stands there where it is.

use crate::interpret::link::operands::{Assign, Operand};
use crate::interpret::link::{Linker, Node, RefNode, StatementNode};
use crate::interpret::machine::{Failed, Flow, Machine, whole};
use crate::interpret::memory::cost;
use crate::program::tree::{Access, Arithmetic, Expression, Hop, Number, Ref, RefSlot, Slot};
use crate::program::types::Layout;
use crate::program::value::{Object, Value};
use crate::source::Span;
use std::rc::Rc;

/// Where a list or record stands, or an item of it. What must be worked out on the way there waits
/// in slots of its own, so that the way is gone without a call, and copies nothing.
pub(crate) struct Place {
    /// Works out indices that are more than a variable and a constant.
    before: Box<[StatementNode]>,
    /// Slot of the outermost list or record.
    pub root: usize,
    /// From there through lists of lists.
    way: Box<[Step]>,
    /// The item of the innermost list or record.
    last: Step,
}

/// An item of a list, or the record itself.
struct Step {
    /// The index is the sum of a variable and a constant.
    index: usize,
    shift: f64,
    /// How one item lies; nothing for a record.
    stride: Layout,
    /// Where in the item or record.
    offset: Layout,
    span: Span,
}

impl Step {
    fn index(&self, words: &[f64]) -> f64 {
        words.get(self.index).copied().unwrap_or(f64::NAN) + self.shift
    }

    /// Where it is, counted in doubles.
    #[inline(always)]
    fn word(&self, words: &[f64]) -> Option<usize> {
        Some(whole(self.index(words))? * self.stride.words + self.offset.words)
    }

    /// Where it is, counted in references.
    #[inline(always)]
    fn reference(&self, words: &[f64]) -> Option<usize> {
        Some(whole(self.index(words))? * self.stride.refs + self.offset.refs)
    }
}

/// The list or record that a value is.
#[inline(always)]
fn object(value: &Value) -> Option<&Object> {
    match value {
        Value::Object(object) => Some(object),
        _ => None,
    }
}

impl Place {
    /// Works out what the way depends on.
    #[inline(always)]
    pub(crate) fn prepare(&self, machine: &mut Machine<'_>) -> Result<(), Failed> {
        for before in &self.before {
            before(machine)?;
        }
        Ok(())
    }

    /// The list or record that holds the item.
    #[inline(always)]
    fn holder<'m>(&self, machine: &'m Machine<'_>) -> Option<&'m Object> {
        let root = object(machine.refs.get(self.root)?)?;
        if self.way.is_empty() { Some(root) } else { self.inner(root, &machine.words) }
    }

    #[inline(never)]
    fn inner<'m>(&self, root: &'m Object, words: &[f64]) -> Option<&'m Object> {
        let mut found = root;
        for step in &self.way {
            found = object(found.refs.get(step.reference(words)?)?)?;
        }
        Some(found)
    }

    /// Whether both lead to the same, and nothing is worked out on the way.
    pub(crate) fn is_same(&self, other: &Place) -> bool {
        let steps = |place: &Place| {
            let steps = place.way.iter().chain([&place.last]);
            steps.map(|step| (step.index, step.shift, step.stride, step.offset)).collect::<Vec<_>>()
        };
        let plain = self.before.is_empty() && other.before.is_empty();
        plain && self.root == other.root && steps(self) == steps(other)
    }

    /// The place in the script.
    pub(crate) fn span(&self) -> Span {
        self.last.span
    }

    /// The double that stands there.
    #[inline(always)]
    pub(crate) fn word(&self, machine: &Machine<'_>) -> Option<f64> {
        self.holder(machine)?.words.get(self.last.word(&machine.words)?).copied()
    }

    /// The text or list that stands there.
    #[inline(always)]
    pub(crate) fn reference<'m>(&self, machine: &'m Machine<'_>) -> Option<&'m Value> {
        self.holder(machine)?.refs.get(self.last.reference(&machine.words)?)
    }

    /// Writes a double where nothing else sees the lists on the way.
    #[inline(always)]
    pub(crate) fn set_word(&self, machine: &mut Machine<'_>, value: f64) -> Option<()> {
        let mut holder = own(machine.refs.get_mut(self.root)?)?;
        for step in &self.way {
            holder = own(holder.refs.get_mut(step.reference(&machine.words)?)?)?;
        }
        *holder.words.get_mut(self.last.word(&machine.words)?)? = value;
        Some(())
    }

    /// The list or record that holds the item, for writing, with where the item lies. Copies what
    /// is shared on the way, so that no other value sees the change, and adds up what that takes.
    pub(crate) fn holder_mut<'m>(
        &self,
        machine: &'m mut Machine<'_>,
        copied: &mut usize,
    ) -> Option<(&'m mut Object, Layout)> {
        let words = &machine.words;
        let mut holder = unshared(machine.refs.get_mut(self.root)?, copied)?;
        for step in &self.way {
            holder = unshared(holder.refs.get_mut(step.reference(words)?)?, copied)?;
        }
        let at = Layout { words: self.last.word(words)?, refs: self.last.reference(words)? };
        Some((holder, at))
    }

    /// Fails on the first index that leads nowhere.
    #[cold]
    #[inline(never)]
    pub(crate) fn missed(&self, machine: &mut Machine<'_>) -> Failed {
        let words = &machine.words;
        let mut list = machine.refs.get(self.root).and_then(object);
        for step in self.way.iter().chain([&self.last]) {
            let Some(inside) = list else { break };
            let (index, count) =
                (step.index(words), count(&inside.words, &inside.refs, step.stride));
            if step.stride != Layout::default() && whole(index).is_none_or(|item| item >= count) {
                return machine.bad_index(index, count, step.span);
            }
            list = step.reference(words).and_then(|at| object(inside.refs.get(at)?));
        }
        machine.broken("no such field", self.last.span)
    }
}

/// A list or record for writing, where nothing else sees it.
#[inline(always)]
pub(super) fn own(value: &mut Value) -> Option<&mut Object> {
    match value {
        Value::Object(object) => Rc::get_mut(object),
        _ => None,
    }
}

/// A list or record for writing, copied where something else sees it.
fn unshared<'v>(value: &'v mut Value, copied: &mut usize) -> Option<&'v mut Object> {
    let Value::Object(object) = value else { return None };
    if Rc::strong_count(object) > 1 {
        *copied += cost(object);
    }
    Some(Rc::make_mut(object))
}

impl Operand for Place {
    const STEADY: bool = false;
    #[inline(always)]
    fn read(&self, machine: &mut Machine<'_>) -> Result<f64, Failed> {
        self.prepare(machine)?;
        match self.word(machine) {
            Some(word) => Ok(word),
            None => Err(self.missed(machine)),
        }
    }
}

/// A text, list or record that a closure looks at and does not keep.
pub(crate) enum RefSide {
    /// A variable.
    Local(usize),
    /// Inside a list or record in a variable.
    Place(Place),
    /// Always the same.
    Kept(Value),
    /// Anything else.
    Other(RefNode),
}

impl RefSide {
    /// Hands it over without a copy of its own, where it is kept somewhere.
    #[inline(always)]
    pub(crate) fn with<T>(
        &self,
        machine: &mut Machine<'_>,
        look: impl FnOnce(&Value) -> T,
    ) -> Result<T, Failed> {
        match self {
            RefSide::Local(slot) => Ok(look(machine.refs.get(*slot).unwrap_or(&Value::Nothing))),
            RefSide::Place(place) => {
                place.prepare(machine)?;
                match place.reference(machine) {
                    Some(value) => Ok(look(value)),
                    None => Err(place.missed(machine)),
                }
            }
            RefSide::Kept(value) => Ok(look(value)),
            RefSide::Other(node) => Ok(look(&node(machine)?)),
        }
    }

    /// A value to be kept.
    #[inline(always)]
    pub(crate) fn take(&self, machine: &mut Machine<'_>) -> Result<Value, Failed> {
        match self {
            RefSide::Other(node) => node(machine),
            side => side.with(machine, Value::clone),
        }
    }
}

impl Linker<'_> {
    /// A place in a list or record in a variable; none where that is no variable.
    pub(crate) fn place(&mut self, access: &Access) -> Option<Place> {
        let mut root = &*access.of;
        let mut hops = vec![access];
        while let Ref::Access(outer) = root {
            hops.push(outer);
            root = &outer.of;
        }
        let Ref::Local(root) = root else { return None };
        let mut before = Vec::new();
        let steps = hops.into_iter().rev().map(|hop| {
            self.step(hop.index.as_deref(), hop.stride, hop.offset, hop.span, &mut before)
        });
        let steps: Vec<Step> = steps.collect();
        // A way takes longer than what is folded otherwise.
        self.linked += steps.len() - 1;
        place(root.0, steps, before)
    }

    /// The place that a statement writes to.
    pub(crate) fn target(&mut self, root: usize, hops: &[Hop]) -> Option<Place> {
        let mut before = Vec::new();
        let steps = hops.iter().map(|hop| {
            self.step(hop.index.as_ref(), hop.stride, hop.offset, hop.span, &mut before)
        });
        let steps = steps.collect();
        place(root, steps, before)
    }

    fn step(
        &mut self,
        index: Option<&Number>,
        stride: Layout,
        offset: Layout,
        span: Span,
        before: &mut Vec<StatementNode>,
    ) -> Step {
        let (index, shift) = match index {
            None => (self.zero, 0.0),
            Some(Number::Constant(index)) => (self.zero, *index),
            Some(index) => match shifted(index) {
                Some(shifted) => shifted,
                None => {
                    let slot = self.spare_word();
                    before.push(self.number_into(index, Assign(slot, Flow::Next)));
                    (slot, 0.0)
                }
            },
        };
        Step { index, shift, stride, offset, span }
    }

    /// A text, list or record to be looked at.
    pub(crate) fn ref_side(&mut self, reference: &Ref) -> RefSide {
        match reference {
            Ref::Local(slot) => RefSide::Local(slot.0),
            Ref::Text(text) => RefSide::Kept(Value::text(text)),
            Ref::Kept(value) => RefSide::Kept(value.clone()),
            Ref::Access(access) => match self.place(access) {
                Some(place) => RefSide::Place(place),
                None => RefSide::Other(self.reference(reference)),
            },
            _ => RefSide::Other(self.reference(reference)),
        }
    }

    /// A text or list out of a list or record.
    pub(crate) fn access_reference(&mut self, access: &Access) -> RefNode {
        self.access(access, |machine, place| place.reference(machine).cloned())
    }

    /// A record out of a list or record.
    pub(crate) fn access_record(&mut self, access: &Access, size: Layout) -> RefNode {
        let span = access.span;
        let record = self.access(access, move |machine, place| {
            let holder = place.holder(machine)?;
            let words = place.last.word(&machine.words)?;
            let refs = place.last.reference(&machine.words)?;
            Some(Object {
                words: holder.words.get(words..words + size.words)?.to_vec(),
                refs: holder.refs.get(refs..refs + size.refs)?.to_vec(),
            })
        });
        Box::new(move |machine| {
            let object = record(machine)?;
            machine.object(object, span)
        })
    }

    /// Reads with `pick` out of a list or record, which waits in a slot of its own where it is in
    /// no variable.
    pub(crate) fn access<T: 'static>(
        &mut self,
        access: &Access,
        pick: impl Fn(&Machine<'_>, &Place) -> Option<T> + 'static,
    ) -> Node<T> {
        if let Some(place) = self.place(access) {
            return Box::new(move |machine| {
                place.prepare(machine)?;
                match pick(machine, &place) {
                    Some(found) => Ok(found),
                    None => Err(place.missed(machine)),
                }
            });
        }
        let slot = self.spare_reference();
        let of = Expression::Ref((*access.of).clone());
        let put = self.set(Slot::Ref(RefSlot(slot)), &of, Flow::Next);
        let of = Box::new(Ref::Local(RefSlot(slot)));
        let read = self.access(&Access { of, ..access.clone() }, pick);
        Box::new(move |machine| {
            let found = put(machine).and_then(|_| read(machine));
            machine.take_reference(slot);
            found
        })
    }
}

fn place(root: usize, mut steps: Vec<Step>, before: Vec<StatementNode>) -> Option<Place> {
    let last = steps.pop()?;
    Some(Place { before: before.into(), root, way: steps.into(), last })
}

/// An index that is the sum of a variable and a constant.
fn shifted(index: &Number) -> Option<(usize, f64)> {
    match index {
        Number::Local(slot) => Some((slot.0, 0.0)),
        Number::Arithmetic(operation, a, b) => match (operation, &**a, &**b) {
            (Arithmetic::Add, Number::Local(slot), Number::Constant(shift)) => {
                Some((slot.0, *shift))
            }
            (Arithmetic::Subtract, Number::Local(slot), Number::Constant(shift)) => {
                Some((slot.0, -shift))
            }
            _ => None,
        },
        _ => None,
    }
}

/// Items in a list.
pub(super) fn count(words: &[f64], refs: &[Value], item: Layout) -> usize {
    let words = words.len().checked_div(item.words);
    let refs = refs.len().checked_div(item.refs);
    words.or(refs).unwrap_or(0)
}
