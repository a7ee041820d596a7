//! The variables of a script as far as they are known, with a journal so that branches can be
//! taken back and joined at the cost of what they wrote.

use crate::bounds::known::{Fact, Interval, Shape};
use crate::program::tree::Slot;

/// A variable. The speed that the polygon was asked for is one, behind the script's own numbers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(super) enum Key {
    /// A number or flag.
    Word(usize),
    /// Anything else.
    Ref(usize),
}

/// What some statements wrote: by key, each once.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Written(pub(super) Vec<(Key, Fact)>);

/// The variables.
#[derive(Debug)]
pub(super) struct State {
    /// Numbers and flags, then all others.
    facts: Vec<Fact>,
    words: usize,
    journal: Vec<(Key, Fact)>,
    /// For each `try` around: every value that was written since it began, taken back or not.
    witnesses: Vec<Written>,
}

impl Written {
    fn find(&self, key: Key) -> Result<usize, usize> {
        self.0.binary_search_by_key(&key, |(key, _)| *key)
    }

    /// What was written to a variable.
    pub(super) fn get(&self, key: Key) -> Option<&Fact> {
        self.0.get(self.find(key).ok()?).map(|(_, fact)| fact)
    }

    /// Makes what was written to a variable of what is known of that.
    pub(super) fn put(&mut self, key: Key, fact: impl FnOnce(Option<&Fact>) -> Fact) {
        match self.find(key).map(|at| self.0.get_mut(at)) {
            Ok(Some((_, known))) => *known = fact(Some(known)),
            Ok(None) => {}
            Err(at) => self.0.insert(at, (key, fact(None))),
        }
    }

    fn witness(&mut self, key: Key, fact: &Fact) {
        self.put(key, |known| known.map_or_else(|| fact.clone(), |known| known.joined(fact)));
    }
}

impl From<Slot> for Key {
    fn from(slot: Slot) -> Key {
        match slot {
            Slot::Number(slot) | Slot::Flag(slot) => Key::Word(slot.0),
            Slot::Ref(slot) => Key::Ref(slot.0),
        }
    }
}

impl Key {
    /// A value of its sort of which nothing is known.
    pub(super) fn unknown(self) -> Fact {
        match self {
            Key::Word(_) => Fact::Number(Interval::any(None)),
            Key::Ref(_) => Fact::Shape(Shape::unknown(None)),
        }
    }
}

impl State {
    /// Nothing is known of any.
    pub(super) fn new(words: usize, refs: usize) -> State {
        let keys = (0..words).map(Key::Word).chain((0..refs).map(Key::Ref));
        let facts = keys.map(Key::unknown).collect();
        State { facts, words, journal: Vec::new(), witnesses: Vec::new() }
    }

    fn index(&self, key: Key) -> usize {
        match key {
            Key::Word(at) => at,
            Key::Ref(at) => self.words + at,
        }
    }

    /// What is known of one.
    pub(super) fn get(&self, key: Key) -> Fact {
        self.facts.get(self.index(key)).cloned().unwrap_or_else(|| key.unknown())
    }

    /// Writes one.
    pub(super) fn set(&mut self, key: Key, fact: Fact) {
        if let Some(seen) = self.witnesses.last_mut() {
            seen.witness(key, &fact);
        }
        let index = self.index(key);
        if let Some(known) = self.facts.get_mut(index) {
            self.journal.push((key, std::mem::replace(known, fact)));
        }
    }

    /// Nothing is known of it any more.
    pub(super) fn forget(&mut self, key: Key) {
        self.set(key, key.unknown());
    }

    /// From here on every value that is written is remembered.
    pub(super) fn watch(&mut self) {
        self.witnesses.push(Written::default());
    }

    /// Every value that was written since, for whatever may have failed anywhere on the way.
    pub(super) fn watched(&mut self) -> Written {
        let seen = self.witnesses.pop().unwrap_or_default();
        if let Some(outer) = self.witnesses.last_mut() {
            for (key, fact) in &seen.0 {
                outer.witness(*key, fact);
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
        self.all(entries.iter().map(|(key, _)| *key).collect())
    }

    /// What is known of these.
    pub(super) fn all(&self, mut keys: Vec<Key>) -> Written {
        keys.sort_unstable();
        keys.dedup();
        Written(keys.into_iter().map(|key| (key, self.get(key))).collect())
    }

    /// Keeps of what was written since no more than it takes to take it back: one entry a variable.
    pub(super) fn settle(&mut self, mark: usize) {
        let mut since = self.journal.split_off(mark.min(self.journal.len()));
        since.sort_by_key(|(key, _)| *key);
        since.dedup_by_key(|(key, _)| *key);
        self.journal.append(&mut since);
    }

    /// Takes back what was written since.
    pub(super) fn undo(&mut self, mark: usize) {
        while self.journal.len() > mark {
            let Some((key, before)) = self.journal.pop() else { return };
            let index = self.index(key);
            if let Some(known) = self.facts.get_mut(index) {
                *known = before;
            }
        }
    }

    /// Takes back what was written since, and gives it.
    pub(super) fn take(&mut self, mark: usize) -> Written {
        let written = self.since(mark);
        self.undo(mark);
        written
    }

    /// Goes on after one of several ways.
    pub(super) fn join(&mut self, ways: &[Written]) {
        let mut keys: Vec<Key> = ways.iter().flat_map(|way| &way.0).map(|(key, _)| *key).collect();
        keys.sort_unstable();
        keys.dedup();
        for key in keys {
            let here = self.get(key);
            let mut facts = ways.iter().map(|way| way.get(key).unwrap_or(&here));
            if let Some(first) = facts.next() {
                let fact = facts.fold(first.clone(), |a, b| a.joined(b));
                self.set(key, fact);
            }
        }
    }
}
