//! Writing into lists and records, in place where nothing else sees them.

use crate::interpret::link::made::PartNode;
use crate::interpret::link::operands::{Local, Operand, Other, Sink, Word};
use crate::interpret::link::places::{count, item};
use crate::interpret::link::{Linker, StatementNode};
use crate::interpret::machine::{Failed, Flow, Machine, whole};
use crate::interpret::memory::{REF_COST, TEXT_MOST, cost};
use crate::program::tree::{Expression, Hop, Number, Part, Ref};
use crate::program::types::Layout;
use crate::program::value::{Object, Value};
use crate::source::Span;
use std::rc::Rc;

/// Writes a number to `list[index].field` of a list in a variable.
struct StoreItem<I: Operand> {
    list: usize,
    index: I,
    stride: usize,
    offset: usize,
    span: Span,
}

impl<I: Operand> Sink<f64> for StoreItem<I> {
    type Out = StatementNode;
    fn take<F: Fn(&mut Machine<'_>) -> Result<f64, Failed> + 'static>(
        self,
        work: F,
    ) -> StatementNode {
        Box::new(move |machine| {
            let index = self.index.read(machine)?;
            let value = work(machine)?;
            if let Some(Value::Object(rc)) = machine.refs.get_mut(self.list)
                && let Some(object) = Rc::get_mut(rc)
                && let Some(item) = whole(index)
                && let Some(word) = object.words.get_mut(item * self.stride + self.offset)
            {
                *word = value;
                return Ok(Flow::Next);
            }
            self.slowly(machine, index, value)
        })
    }
}

impl<I: Operand> StoreItem<I> {
    fn new(list: usize, hop: &Hop, index: I) -> Self {
        StoreItem {
            list,
            index,
            stride: hop.stride.words,
            offset: hop.offset.words,
            span: hop.span,
        }
    }

    /// The list is shared and must be copied, or the index leads nowhere.
    #[cold]
    #[inline(never)]
    fn slowly(&self, machine: &mut Machine<'_>, index: f64, value: f64) -> Result<Flow, Failed> {
        let layout = |words| Layout { words, refs: 0 };
        let step = Step {
            index: Some(index),
            stride: layout(self.stride),
            offset: layout(self.offset),
            span: self.span,
        };
        store(machine, self.list, &[step], Stored::Word(value)).map(|()| Flow::Next)
    }
}

/// A hop with its index worked out.
struct Step {
    index: Option<f64>,
    stride: Layout,
    offset: Layout,
    span: Span,
}

/// What is written.
enum Stored {
    Word(f64),
    Reference(Value),
    Record(Value),
}

impl Linker<'_> {
    /// `root[…].… = value`
    pub(crate) fn store(&mut self, root: usize, hops: &[Hop], value: &Part) -> StatementNode {
        if let ([hop], Expression::Number(number)) = (hops, &value.value)
            && let Some(index) = &hop.index
        {
            return if let Number::Local(slot) = index {
                self.number_into(number, StoreItem::new(root, hop, Local(slot.0)))
            } else {
                let index = Other(self.number(index));
                self.number_into(number, StoreItem::new(root, hop, index))
            };
        }
        let value = self.part(value);
        let hops: Vec<_> = hops
            .iter()
            .map(|hop| {
                let index = hop.index.as_ref().map(|index| self.number(index));
                (index, hop.stride, hop.offset, hop.span)
            })
            .collect();
        Box::new(move |machine| {
            let mut steps = Vec::with_capacity(hops.len());
            for (index, stride, offset, span) in &hops {
                let index = match index {
                    Some(index) => Some(index(machine)?),
                    None => None,
                };
                steps.push(Step { index, stride: *stride, offset: *offset, span: *span });
            }
            let stored = match &value {
                PartNode::Number(number) => Stored::Word(number(machine)?),
                PartNode::Flag(flag) => Stored::Word(flag(machine)?.word()),
                PartNode::Reference(reference) => Stored::Reference(reference(machine)?),
                PartNode::Record(record) => Stored::Record(record(machine)?),
            };
            store(machine, root, &steps, stored).map(|()| Flow::Next)
        })
    }

    /// `xs = xs + more`, in place.
    pub(crate) fn append(&mut self, slot: usize, more: &Ref, span: Span) -> StatementNode {
        let more = self.reference(more);
        Box::new(move |machine| {
            let more = more(machine)?;
            let room = room(machine.refs.get(slot).unwrap_or(&Value::Nothing), &more);
            machine.held.push(more);
            machine.take_room(room, span)?;
            let more = machine.held.pop().unwrap_or_default();
            if let Some(value) = machine.refs.get_mut(slot) {
                join(value, &more);
            }
            Ok(Flow::Next)
        })
    }
}

/// What joining two values takes.
pub(crate) enum Room {
    /// So many doubles, and so long a list.
    List(usize, usize),
    /// So many doubles, and so long a text.
    Text(usize, usize),
    /// They cannot be joined.
    Unlike,
}

/// What it takes to put `more` behind `first`.
pub(super) fn room(first: &Value, more: &Value) -> Room {
    match (first, more) {
        (Value::Text(first), Value::Text(more)) => {
            let length = first.len() + more.len();
            Room::Text(length / 8, length)
        }
        (Value::Object(first), Value::Object(more)) => {
            let (words, refs) = (first.words.len(), first.refs.len());
            let (words, refs) = (words + more.words.len(), refs + more.refs.len());
            let fits = words <= first.words.capacity() && refs <= first.refs.capacity();
            let length = words + REF_COST * refs;
            // A list that grows takes as much again, so that growing bit by bit stays cheap.
            let kept = fits && Rc::strong_count(first) == 1;
            Room::List(if kept { 0 } else { 2 * length }, length)
        }
        _ => Room::Unlike,
    }
}

/// Puts `more` behind `value`, in place where nothing else sees it.
pub(super) fn join(value: &mut Value, more: &Value) {
    match (value, more) {
        (Value::Text(text), Value::Text(more)) => *text = Rc::from(format!("{text}{more}")),
        (Value::Object(first), Value::Object(more)) => {
            let object = Rc::make_mut(first);
            object.words.extend_from_slice(&more.words);
            object.refs.extend_from_slice(&more.refs);
        }
        _ => {}
    }
}

impl Machine<'_> {
    /// Charges what joining takes, or fails.
    pub(crate) fn take_room(&mut self, room: Room, span: Span) -> Result<(), Failed> {
        match room {
            Room::List(doubles, length) => {
                self.list_fits(length, span)?;
                self.charge(doubles, span)
            }
            Room::Text(_, length) if length > TEXT_MOST => Err(self.text_too_long(span)),
            Room::Text(doubles, _) => self.charge(doubles, span),
            Room::Unlike => Err(self.broken("two values that cannot be joined", span)),
        }
    }
}

/// Copies what is shared on the way, so that no other value sees the change.
fn store(
    machine: &mut Machine<'_>,
    root: usize,
    steps: &[Step],
    stored: Stored,
) -> Result<(), Failed> {
    let Some((last, way)) = steps.split_last() else {
        return Err(machine.broken("a store without a place", Span::default()));
    };
    let mut copied = 0;
    let way = way.iter().map(|step| (step, place(machine, step)));
    let way = way.map(|(step, at)| Ok((step, at?)));
    let way = way.collect::<Result<Vec<_>, Failed>>();
    let (way, at) = (way?, place(machine, last)?);
    let mut value = machine.refs.get_mut(root);
    let mut missed = None;
    for (step, at) in way {
        value = match value {
            Some(Value::Object(rc)) => {
                let list = own(rc, &mut copied);
                if at.refs >= list.refs.len() {
                    missed = Some((step, count(&list.words, &list.refs, step.stride)));
                }
                list.refs.get_mut(at.refs)
            }
            _ => None,
        };
    }
    if missed.is_none() {
        let written = match value {
            Some(Value::Object(rc)) => {
                let object = own(rc, &mut copied);
                let count = count(&object.words, &object.refs, last.stride);
                write(object, at, stored).ok_or(count)
            }
            _ => Err(0),
        };
        match written {
            Ok(()) => return machine.charge(copied, last.span),
            Err(count) => missed = Some((last, count)),
        }
    }
    let (step, count) = missed.unwrap_or((last, 0));
    match step.index {
        Some(index) => Err(machine.bad_index(index, count, step.span)),
        None => Err(machine.broken("no such field", step.span)),
    }
}

fn place(machine: &mut Machine<'_>, step: &Step) -> Result<Layout, Failed> {
    let item = match step.index {
        Some(index) => item(machine, index, step.span)?,
        None => 0,
    };
    Ok(step.stride.times(item).plus(step.offset))
}

fn own<'a>(rc: &'a mut Rc<Object>, copied: &mut usize) -> &'a mut Object {
    if Rc::strong_count(rc) > 1 {
        *copied += cost(rc);
    }
    Rc::make_mut(rc)
}

fn write(object: &mut Object, at: Layout, stored: Stored) -> Option<()> {
    match stored {
        Stored::Word(word) => *object.words.get_mut(at.words)? = word,
        Stored::Reference(value) => *object.refs.get_mut(at.refs)? = value,
        Stored::Record(record) => {
            let (words, refs) = (record.as_words(), record.as_refs());
            let to = object.words.get_mut(at.words..at.words + words.len())?;
            to.copy_from_slice(words);
            let to = object.refs.get_mut(at.refs..at.refs + refs.len())?;
            to.clone_from_slice(refs);
        }
    }
    Some(())
}
