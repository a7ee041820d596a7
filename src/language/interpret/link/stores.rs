//! Writing into lists, records and texts, in place where nothing else sees them.

use crate::interpret::link::made::{PartNode, PieceNode, write_pieces};
use crate::interpret::link::operands::{Sink, Word};
use crate::interpret::link::places::{Place, own};
use crate::interpret::link::{Linker, StatementNode};
use crate::interpret::machine::{Failed, Flow, Machine};
use crate::interpret::memory::{cost, extend, room};
use crate::program::show::Shower;
use crate::program::tree::{Expression, Flag, Hop, Number, Part, Piece, Ref};
use crate::program::types::Layout;
use crate::program::value::{MAX_LIST, Object, Value};
use crate::source::Span;
use std::rc::Rc;

/// Larger lists are not kept to be built in again, in doubles.
const MAX_SPARE: usize = 1000;

/// Writes a number or a flag to a place.
struct Store(Place);

impl<T: Word> Sink<T> for Store {
    type Out = StatementNode;
    fn take<F: Fn(&mut Machine<'_>) -> Result<T, Failed> + 'static>(
        self,
        work: F,
    ) -> StatementNode {
        let place = self.0;
        Box::new(move |machine| {
            place.prepare(machine)?;
            let word = work(machine)?.word();
            match place.set_word(machine, word) {
                Some(()) => Ok(Flow::Next),
                None => store_word(machine, &place, word),
            }
        })
    }
}

/// A list on the way is shared and must be copied, or an index leads nowhere.
#[cold]
#[inline(never)]
fn store_word(machine: &mut Machine<'_>, place: &Place, word: f64) -> Result<Flow, Failed> {
    store(machine, place, |object, at| {
        *object.words.get_mut(at.words)? = word;
        Some(())
    })
}

/// Copies what is shared on the way, so that no other value sees the change.
fn store(
    machine: &mut Machine<'_>,
    place: &Place,
    write: impl FnOnce(&mut Object, Layout) -> Option<()>,
) -> Result<Flow, Failed> {
    let mut copied = 0;
    let held = place.holder_mut(machine, &mut copied);
    match held.and_then(|(object, at)| write(object, at)) {
        Some(()) => machine.charge(copied, place.span()).map(|()| Flow::Next),
        None => Err(place.missed(machine)),
    }
}

impl Linker<'_> {
    /// `root[…].… = value`
    pub(crate) fn store(&mut self, root: usize, hops: &[Hop], value: &Part) -> StatementNode {
        let Some(place) = self.target(root, hops) else {
            return Box::new(|machine| Err(machine.broken("a store without a place", machine.at)));
        };
        let reference = match &value.value {
            Expression::Number(number) => return self.number_into(number, Store(place)),
            // A flag is a word as well.
            Expression::Flag(flag) => {
                let number = match flag {
                    Flag::Constant(flag) => Number::Constant(flag.word()),
                    Flag::Local(slot) => Number::Local(*slot),
                    Flag::Access(access) => Number::Access(access.clone()),
                    flag => return Store(place).take_node(self.flag(flag)),
                };
                return self.number_into(&number, Store(place));
            }
            Expression::Ref(reference) => {
                let grown = self.append(reference, |linker, first| match first {
                    Ref::Access(first) => {
                        linker.place(first).filter(|first| first.is_same(&place)).map(Grown::Place)
                    }
                    _ => None,
                });
                match grown {
                    Some(grown) => return grown,
                    None => self.reference(reference),
                }
            }
        };
        if !value.record {
            return Box::new(move |machine| {
                place.prepare(machine)?;
                let value = reference(machine)?;
                store(machine, &place, |object, at| {
                    *object.refs.get_mut(at.refs)? = value;
                    Some(())
                })
            });
        }
        Box::new(move |machine| {
            place.prepare(machine)?;
            let record = reference(machine)?;
            let (words, refs) = (record.as_words(), record.as_refs());
            store(machine, &place, |object, at| {
                let to = object.words.get_mut(at.words..at.words + words.len())?;
                to.copy_from_slice(words);
                let to = object.refs.get_mut(at.refs..at.refs + refs.len())?;
                to.clone_from_slice(refs);
                Some(())
            })
        })
    }

    /// `xs = xs + more`, in place; none where `grown` does not know what is read as what is written.
    pub(crate) fn append(
        &mut self,
        value: &Ref,
        grown: impl FnOnce(&mut Self, &Ref) -> Option<Grown>,
    ) -> Option<StatementNode> {
        match value {
            Ref::Joined(.., span) => {
                let joined = value.joined();
                let (first, more) = joined.split_first()?;
                let grown = grown(self, first)?;
                Some(append_list(grown, self.list_parts(more), *span))
            }
            Ref::Interpolated(pieces, span) => match pieces.as_slice() {
                [Piece::Value(Expression::Ref(first), Shower::Text), more @ ..] => {
                    let grown = grown(self, first)?;
                    Some(append_text(grown, self.pieces(more), *span))
                }
                _ => None,
            },
            _ => None,
        }
    }
}

fn append_list(grown: Grown, parts: Vec<PartNode>, span: Span) -> StatementNode {
    Box::new(move |machine| {
        grown.check(machine)?;
        let mut more = std::mem::take(&mut machine.spare);
        // One number is what lists grow by most often.
        if let ([PartNode::Number(number)], Grown::Local(slot)) = (&parts[..], &grown) {
            let word = number(machine)?;
            if let Some(list) = machine.refs.get_mut(*slot).and_then(own)
                && list.words.len() < list.words.capacity().min(MAX_LIST)
            {
                list.words.push(word);
                machine.spare = more;
                return Ok(Flow::Next);
            }
            more.words.push(word);
            machine.building.push(more);
        } else {
            machine.building.push(more);
            for part in &parts {
                part.push(machine, span)?;
            }
        }
        let room = match (grown.value(machine), machine.building.last()) {
            (Some(Value::Object(list)), Some(more)) => {
                let (doubles, length) = room(list, more);
                (if Rc::strong_count(list) == 1 { doubles } else { 2 * length }, length)
            }
            _ => return Err(machine.broken("a list that is none", span)),
        };
        machine.take_room(room, span)?;
        let mut more = machine.building.pop().unwrap_or_default();
        let mut copied = 0;
        if let Some(Value::Object(list)) = grown.value_mut(machine, &mut copied) {
            extend(Rc::make_mut(list), &more);
        }
        if cost(&more) < MAX_SPARE {
            more.words.clear();
            more.refs.clear();
            machine.spare = more;
        }
        machine.charge(copied, span).map(|()| Flow::Next)
    })
}

fn append_text(grown: Grown, pieces: Vec<PieceNode>, span: Span) -> StatementNode {
    Box::new(move |machine| {
        grown.check(machine)?;
        let more = write_pieces(machine, &pieces, span)?;
        let Some(Value::Text(text)) = grown.value(machine) else {
            return Err(machine.broken("a text that is none", span));
        };
        let length = text.len() + more.len();
        let fits = length <= text.capacity() && Rc::strong_count(text) == 1;
        machine.text_fits(length, span)?;
        // A text that grows takes as much again, as a list does.
        machine.charge(if fits { 0 } else { length / 4 }, span)?;
        let mut copied = 0;
        if let Some(Value::Text(text)) = grown.value_mut(machine, &mut copied) {
            Rc::make_mut(text).push_str(&more);
        }
        machine.written = more;
        machine.charge(copied, span).map(|()| Flow::Next)
    })
}

/// A list or text that grows: in a variable, or inside a list or record there.
pub(crate) enum Grown {
    Local(usize),
    Place(Place),
}

impl Grown {
    /// Fails where an index leads nowhere.
    #[inline(always)]
    fn check(&self, machine: &mut Machine<'_>) -> Result<(), Failed> {
        match self {
            Grown::Place(place) if place.reference(machine).is_none() => Err(place.missed(machine)),
            _ => Ok(()),
        }
    }

    #[inline(always)]
    fn value<'m>(&self, machine: &'m Machine<'_>) -> Option<&'m Value> {
        match self {
            Grown::Local(slot) => machine.refs.get(*slot),
            Grown::Place(place) => place.reference(machine),
        }
    }

    /// For writing; adds up what is copied on the way.
    #[inline(always)]
    fn value_mut<'m>(
        &self,
        machine: &'m mut Machine<'_>,
        copied: &mut usize,
    ) -> Option<&'m mut Value> {
        match self {
            Grown::Local(slot) => machine.refs.get_mut(*slot),
            Grown::Place(place) => {
                let (holder, at) = place.holder_mut(machine, copied)?;
                holder.refs.get_mut(at.refs)
            }
        }
    }
}
