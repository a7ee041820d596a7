//! The variables of a script as far as they are known, with a journal so that branches can be
//! taken back and joined at the cost of what they wrote.

use crate::bounds::known::{Num, Shape, Val};
use crate::program::tree::Slot;
use std::collections::BTreeMap;
use std::rc::Rc;

/// A variable. The speed that the polygon was asked for is one, behind the script's own numbers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(super) enum Key {
    /// A number or flag.
    Word(usize),
    /// Anything else.
    Ref(usize),
}

/// What some statements wrote.
pub(super) type Written = BTreeMap<Key, Val>;

/// The variables.
#[derive(Debug)]
pub(super) struct State {
    words: Vec<Num>,
    refs: Vec<Rc<Shape>>,
    journal: Vec<(Key, Val)>,
    /// For each `try` around: every value that was written since it began, taken back or not.
    witnesses: Vec<Written>,
}

fn witness(seen: &mut Written, key: Key, val: &Val) {
    let joined = match seen.get(&key) {
        Some(known) => known.joined(val),
        None => val.clone(),
    };
    seen.insert(key, joined);
}

impl From<Slot> for Key {
    fn from(slot: Slot) -> Key {
        match slot {
            Slot::Number(slot) | Slot::Flag(slot) => Key::Word(slot.0),
            Slot::Ref(slot) => Key::Ref(slot.0),
        }
    }
}

impl State {
    /// Nothing is known of any.
    pub(super) fn new(words: usize, refs: usize) -> State {
        let unknown = Rc::new(Shape::Unknown(None));
        State {
            words: vec![Num::any(None); words],
            refs: vec![unknown; refs],
            journal: Vec::new(),
            witnesses: Vec::new(),
        }
    }

    /// What is known of one.
    pub(super) fn get(&self, key: Key) -> Val {
        match key {
            Key::Word(at) => Val::Num(self.words.get(at).cloned().unwrap_or(Num::any(None))),
            Key::Ref(at) => {
                let shape = self.refs.get(at).cloned();
                Val::Shape(shape.unwrap_or_else(|| Rc::new(Shape::Unknown(None))))
            }
        }
    }

    fn put(&mut self, key: Key, val: Val) {
        match (key, val) {
            (Key::Word(at), Val::Num(num)) => {
                if let Some(word) = self.words.get_mut(at) {
                    *word = num;
                }
            }
            (Key::Ref(at), val) => {
                if let Some(shape) = self.refs.get_mut(at) {
                    *shape = val.shape();
                }
            }
            (Key::Word(at), Val::Shape(_)) => {
                if let Some(word) = self.words.get_mut(at) {
                    *word = Num::any(None);
                }
            }
        }
    }

    /// Writes one.
    pub(super) fn set(&mut self, key: Key, val: Val) {
        let before = self.get(key);
        self.journal.push((key, before));
        if let Some(seen) = self.witnesses.last_mut() {
            witness(seen, key, &val);
        }
        self.put(key, val);
    }

    /// Nothing is known of it any more.
    pub(super) fn forget(&mut self, key: Key) {
        let val = match key {
            Key::Word(_) => Val::Num(Num::any(None)),
            Key::Ref(_) => Val::Shape(Rc::new(Shape::Unknown(None))),
        };
        self.set(key, val);
    }

    /// From here on every value that is written is remembered.
    pub(super) fn watch(&mut self) {
        self.witnesses.push(Written::new());
    }

    /// Every value that was written since, for whatever may have failed anywhere on the way.
    pub(super) fn watched(&mut self) -> Written {
        let seen = self.witnesses.pop().unwrap_or_default();
        if let Some(outer) = self.witnesses.last_mut() {
            for (key, val) in &seen {
                witness(outer, *key, val);
            }
        }
        seen
    }

    /// What has been remembered so far, to come back to.
    pub(super) fn seen(&self) -> Option<Written> {
        self.witnesses.last().cloned()
    }

    /// Forgets what was remembered since.
    pub(super) fn unsee(&mut self, seen: Option<Written>) {
        if let (Some(last), Some(seen)) = (self.witnesses.last_mut(), seen) {
            *last = seen;
        }
    }

    /// A point to come back to.
    pub(super) fn mark(&self) -> usize {
        self.journal.len()
    }

    /// What was written since.
    pub(super) fn since(&self, mark: usize) -> Written {
        let entries = self.journal.get(mark..).unwrap_or_default();
        entries.iter().map(|(key, _)| (*key, self.get(*key))).collect()
    }

    /// Takes back what was written since.
    pub(super) fn undo(&mut self, mark: usize) {
        while self.journal.len() > mark {
            if let Some((key, before)) = self.journal.pop() {
                self.put(key, before);
            }
        }
    }

    /// ResultBound and takes back what was written since.
    pub(super) fn take(&mut self, mark: usize) -> Written {
        let written = self.since(mark);
        self.undo(mark);
        written
    }

    /// Goes on after one of several ways.
    pub(super) fn join(&mut self, ways: &[Written]) {
        let keys: std::collections::BTreeSet<Key> =
            ways.iter().flat_map(|way| way.keys().copied()).collect();
        for key in keys {
            let here = self.get(key);
            let vals = ways.iter().map(|way| way.get(&key).unwrap_or(&here).clone());
            if let Some(val) = vals.reduce(|a, b| a.joined(&b)) {
                self.set(key, val);
            }
        }
    }
}
