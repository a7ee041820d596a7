//! The bound on memory: lists, texts, and everything that a script holds at once.
//!
//! Every list, record and text is charged when it is made or copied. Once as much was charged
//! as a script may hold, what it really holds is counted, each shared value once: below the
//! bound the charges start again from zero, above it the script fails. So memory stays under
//! twice the bound, and counting costs no more than making did.

use crate::interpret::machine::{BUILTIN_STEPS, Failed, Machine};
use crate::program::failure::{FailureKind, long_list, long_text, long_value};
use crate::program::value::{MAX_LIST, MAX_SHOWN, MAX_TEXT, Object, REF_COST, Value};
use crate::source::Span;
use std::collections::HashSet;
use std::rc::Rc;

/// Most that a script may hold at once, in doubles: 256 MiB.
pub(super) const HELD_MOST: usize = 32 << 20;
/// What a list or record takes besides its contents, in doubles.
const OBJECT_COST: usize = 10;

/// What was charged since the last count.
#[derive(Debug, Default)]
pub(super) struct Memory {
    charged: usize,
}

/// What a list or record takes by itself, in doubles.
pub(super) fn cost(object: &Object) -> usize {
    OBJECT_COST + object.words.capacity() + REF_COST * object.refs.capacity()
}

/// What it takes to put `more` behind a list that nothing else sees: so many doubles, and so long a
/// list. One that grows takes as much again, so that growing bit by bit stays cheap.
#[inline]
pub(super) fn room(list: &Object, more: &Object) -> (usize, usize) {
    let words = list.words.len() + more.words.len();
    let refs = list.refs.len() + more.refs.len();
    let fits = words <= list.words.capacity() && refs <= list.refs.capacity();
    let length = words + REF_COST * refs;
    (if fits { 0 } else { 2 * length }, length)
}

/// Puts `more` behind a list.
#[inline]
pub(super) fn extend(list: &mut Object, more: &Object) {
    list.words.extend_from_slice(&more.words);
    list.refs.extend_from_slice(&more.refs);
}

fn text_cost(text: &String) -> usize {
    OBJECT_COST + text.capacity() / 8
}

fn shallow(value: &Value) -> usize {
    match value {
        Value::Nothing => 0,
        Value::Text(text) => text_cost(text),
        Value::Object(object) => cost(object),
    }
}

/// What reading a value as a whole counts, in steps of computing.
pub(super) fn size(value: &Value) -> usize {
    value.as_words().len() + value.as_refs().len() + value.as_text().len() / 8
}

/// Doubles and references of a value through all its lists; stops counting past `most`.
pub(super) fn parts(value: &Value, most: usize) -> usize {
    let mut sum = value.as_words().len();
    for inner in value.as_refs() {
        if sum > most {
            break;
        }
        sum += 1 + parts(inner, most - sum);
    }
    sum
}

impl Machine<'_> {
    /// Charges so many doubles.
    #[inline]
    pub(super) fn charge(&mut self, doubles: usize, span: Span) -> Result<(), Failed> {
        self.count_steps(doubles);
        self.memory.charged = self.memory.charged.saturating_add(doubles);
        if self.memory.charged > HELD_MOST {
            return self.count(span);
        }
        Ok(())
    }

    #[cold]
    #[inline(never)]
    fn count(&mut self, span: Span) -> Result<(), Failed> {
        let mut seen = HashSet::new();
        let mut held = 0;
        let roots = self.refs.iter().chain(&self.held);
        let built = self.building.iter().flat_map(|object| &object.refs);
        for value in roots.chain(built) {
            held += deep(value, &mut seen);
        }
        held += self.building.iter().map(cost).sum::<usize>();
        self.memory.charged = 0;
        if held > HELD_MOST {
            let message = "the lists and texts of the script take more than 256 MiB";
            return Err(self.fail(FailureKind::Limit, message, span));
        }
        Ok(())
    }

    /// A new list or record.
    #[inline]
    pub(super) fn object(&mut self, object: Object, span: Span) -> Result<Value, Failed> {
        self.charge(cost(&object), span)?;
        Ok(Value::Object(Rc::new(object)))
    }

    /// A new text.
    pub(super) fn text(&mut self, text: &str, span: Span) -> Result<Value, Failed> {
        self.charge(OBJECT_COST + text.len() / 8, span)?;
        Ok(Value::text(text))
    }

    /// A value that a built-in made.
    pub(super) fn made_outside(&mut self, value: Value, span: Span) -> Result<Value, Failed> {
        let (words, refs) = (value.as_words().len(), value.as_refs().len());
        self.list_fits(words.max(refs), span)?;
        self.text_fits(value.as_text().len(), span)?;
        let inner: usize = value.as_refs().iter().map(shallow).sum();
        self.charge(shallow(&value) + inner, span)?;
        Ok(value)
    }

    /// Fails on a list of more doubles or references than is allowed.
    #[inline]
    pub(super) fn list_fits(&mut self, count: usize, span: Span) -> Result<(), Failed> {
        if count > MAX_LIST {
            return Err(self.fail(FailureKind::Limit, long_list(), span));
        }
        Ok(())
    }

    /// Fails on a text that is too long.
    #[inline]
    pub(super) fn text_fits(&mut self, length: usize, span: Span) -> Result<(), Failed> {
        if length > MAX_TEXT {
            return Err(self.fail(FailureKind::Limit, long_text(), span));
        }
        Ok(())
    }

    /// Fails on a value with too many parts to be shown.
    pub(super) fn can_be_shown(&mut self, value: &Value, span: Span) -> Result<(), Failed> {
        let parts = parts(value, MAX_SHOWN);
        self.count_steps(BUILTIN_STEPS * parts);
        if parts > MAX_SHOWN {
            return Err(self.fail(FailureKind::Limit, long_value(), span));
        }
        Ok(())
    }

    /// Adds a double to what is being built.
    #[inline]
    pub(super) fn push_word(&mut self, word: f64, span: Span) -> Result<(), Failed> {
        let full = |object: &Object| object.words.len() == object.words.capacity();
        if self.building.last().is_none_or(full) {
            self.grow(
                span,
                |object| object.words.len(),
                |object, more| {
                    object.words.reserve_exact(more);
                },
            )?;
        }
        if let Some(object) = self.building.last_mut() {
            object.words.push(word);
        }
        Ok(())
    }

    /// Adds a reference to what is being built.
    #[inline]
    pub(super) fn push_reference(&mut self, value: Value, span: Span) -> Result<(), Failed> {
        let full = |object: &Object| object.refs.len() == object.refs.capacity();
        if self.building.last().is_none_or(full) {
            self.grow(
                span,
                |object| REF_COST * object.refs.len(),
                |object, more| {
                    object.refs.reserve_exact(more.div_ceil(REF_COST));
                },
            )?;
        }
        if let Some(object) = self.building.last_mut() {
            object.refs.push(value);
        }
        Ok(())
    }

    /// Makes room for as much again, charged before it is taken.
    #[cold]
    #[inline(never)]
    fn grow(
        &mut self,
        span: Span,
        size: impl Fn(&Object) -> usize,
        reserve: impl Fn(&mut Object, usize),
    ) -> Result<(), Failed> {
        let size = self.building.last().map_or(0, size);
        let more = size.max(8).min(MAX_LIST.saturating_sub(size));
        if more == 0 {
            return self.list_fits(MAX_LIST + 1, span);
        }
        self.charge(more, span)?;
        if let Some(object) = self.building.last_mut() {
            reserve(object, more);
        }
        Ok(())
    }

    /// Adds the contents of a list or record to what is being built.
    pub(super) fn push_object(&mut self, more: &Object, span: Span) -> Result<(), Failed> {
        let room = self.building.last().map_or((0, 0), |list| room(list, more));
        self.take_room(room, span)?;
        if let Some(list) = self.building.last_mut() {
            extend(list, more);
        }
        Ok(())
    }

    /// Charges what [`room`] says, or fails.
    #[inline]
    pub(super) fn take_room(&mut self, room: (usize, usize), span: Span) -> Result<(), Failed> {
        let (doubles, length) = room;
        self.list_fits(length, span)?;
        self.charge(doubles, span)
    }

    /// Ends what was begun last by pushing onto [`Machine::building`], where room for `words`
    /// doubles was made without charge.
    pub(super) fn built(&mut self, words: usize, span: Span) -> Result<Value, Failed> {
        self.charge(OBJECT_COST + words, span)?;
        Ok(Value::Object(Rc::new(self.building.pop().unwrap_or_default())))
    }
}

fn deep(value: &Value, seen: &mut HashSet<usize>) -> usize {
    match value {
        Value::Nothing => 0,
        Value::Text(text) => {
            let shared = Rc::strong_count(text) > 1;
            if shared && !seen.insert(Rc::as_ptr(text).addr()) {
                return 0;
            }
            text_cost(text)
        }
        Value::Object(object) => {
            let shared = Rc::strong_count(object) > 1;
            if shared && !seen.insert(Rc::as_ptr(object).addr()) {
                return 0;
            }
            let inner = object.refs.iter().map(|inner| deep(inner, seen));
            cost(object) + inner.sum::<usize>()
        }
    }
}
