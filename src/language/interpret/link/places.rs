//! Reading out of lists and records.

use crate::interpret::link::{Linker, Node, NumberNode, RefNode};
use crate::interpret::machine::{Failed, Machine, whole};
use crate::program::tree::{Access, Ref};
use crate::program::types::Layout;
use crate::program::value::{Object, Value};
use crate::source::Span;

impl Linker<'_> {
    /// A number or flag out of a list or record.
    pub(crate) fn access_word(&mut self, access: &Access) -> NumberNode {
        let (stride, offset) = (access.stride.words, access.offset.words);
        self.access(access, move |object, item| object.words.get(item * stride + offset).copied())
    }

    /// A text or list out of a list or record.
    pub(crate) fn access_reference(&mut self, access: &Access) -> RefNode {
        let (stride, offset) = (access.stride.refs, access.offset.refs);
        self.access(access, move |object, item| object.refs.get(item * stride + offset).cloned())
    }

    /// A record out of a list or record.
    pub(crate) fn access_record(&mut self, access: &Access, size: Layout) -> RefNode {
        let (stride, offset, span) = (access.stride, access.offset, access.span);
        let record = self.access(access, move |object, item| {
            let at = stride.times(item).plus(offset);
            let end = at.plus(size);
            Some(Object {
                words: object.words.get(at.words..end.words)?.to_vec(),
                refs: object.refs.get(at.refs..end.refs)?.to_vec(),
            })
        });
        Box::new(move |machine| {
            let object = record(machine)?;
            machine.object(object, span)
        })
    }

    /// Reads with `pick` out of an item of a list, or of a record as item 0; none is an item that
    /// does not exist.
    fn access<T: 'static>(
        &mut self,
        access: &Access,
        pick: impl Fn(&Object, usize) -> Option<T> + 'static,
    ) -> Node<T> {
        let (stride, span) = (access.stride, access.span);
        match (&*access.of, access.index.as_deref()) {
            (Ref::Local(slot), None) => {
                let slot = slot.0;
                Box::new(move |machine| {
                    if let Some(Value::Object(object)) = machine.refs.get(slot)
                        && let Some(found) = pick(object, 0)
                    {
                        return Ok(found);
                    }
                    Err(machine.broken("no such field", span))
                })
            }
            (Ref::Local(slot), Some(index)) => {
                let (slot, index) = (slot.0, self.number(index));
                Box::new(move |machine| {
                    let index = index(machine)?;
                    if let Some(Value::Object(object)) = machine.refs.get(slot)
                        && let Some(item) = whole(index)
                        && let Some(found) = pick(object, item)
                    {
                        return Ok(found);
                    }
                    let list = machine.reference(slot);
                    Err(missed(machine, &list, stride, index, span))
                })
            }
            (of, None) => {
                let of = self.reference(of);
                Box::new(move |machine| {
                    if let Value::Object(object) = of(machine)?
                        && let Some(found) = pick(&object, 0)
                    {
                        return Ok(found);
                    }
                    Err(machine.broken("no such field", span))
                })
            }
            (of, Some(index)) => {
                let (of, index) = (self.reference(of), self.number(index));
                Box::new(move |machine| {
                    let list = of(machine)?;
                    machine.held.push(list);
                    let index = index(machine)?;
                    let list = machine.held.pop().unwrap_or_default();
                    if let Value::Object(object) = &list
                        && let Some(item) = whole(index)
                        && let Some(found) = pick(object, item)
                    {
                        return Ok(found);
                    }
                    Err(missed(machine, &list, stride, index, span))
                })
            }
        }
    }
}

/// Items in a list.
pub(super) fn count(words: &[f64], refs: &[Value], item: Layout) -> usize {
    let words = words.len().checked_div(item.words);
    let refs = refs.len().checked_div(item.refs);
    words.or(refs).unwrap_or(0)
}

/// Fails on an index that has no item in a list.
#[cold]
fn missed(machine: &mut Machine<'_>, list: &Value, item: Layout, index: f64, span: Span) -> Failed {
    let count = count(list.as_words(), list.as_refs(), item);
    machine.bad_index(index, count, span)
}

/// The item that an index means; fails where it is not a whole number from 0.
pub(super) fn item(machine: &mut Machine<'_>, index: f64, span: Span) -> Result<usize, Failed> {
    match whole(index) {
        Some(item) => Ok(item),
        None => Err(machine.bad_index(index, 0, span)),
    }
}
