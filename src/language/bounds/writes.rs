//! What nodes of the program may write or do, found without walking them for their time.

use crate::bounds::known::{Fact, Interval};
use crate::bounds::state::{Key, Written};
use crate::builtins::{Range, TimeBound, Trait, table};
use crate::program::show::Shower;
use crate::program::tree::{Expression, Piece, Program, Ref, Slot, Statement};
use crate::program::types::Layout;
use crate::program::value::{MAX_LIST, MAX_TEXT, REF_COST};
use crate::program::visit::Node;
use crate::source::Span;
use std::collections::BTreeMap;

/// What nodes may do, with all that is inside them.
#[derive(Debug, Default)]
pub(super) struct Scan {
    /// Variables that may be written, loop variables included.
    pub writes: Vec<Key>,
    /// There is an `arm` block.
    arms: bool,
    /// The polygon may be kept spinning at the end.
    keeps: bool,
    /// Lines may be drawn steadily.
    draws: bool,
    /// Routines that are called.
    calls: Vec<usize>,
    /// Variables to which something is added, and those that are written in another way.
    adds: BTreeMap<Key, (Option<Layout>, Span)>,
    sets: Vec<Key>,
}

/// What is added to a variable, where a value is the variable and more.
fn added(slot: Slot, value: &Expression) -> Option<(Option<Layout>, Span)> {
    let (Slot::Ref(slot), Expression::Ref(value)) = (slot, value) else { return None };
    let is_own = |reference: &Ref| matches!(reference, Ref::Local(own) if *own == slot);
    match value {
        Ref::Joined(_, _, item, span) => {
            value.joined().into_iter().any(is_own).then_some((Some(*item), *span))
        }
        Ref::Interpolated(pieces, span) => {
            let own = |piece: &Piece| match piece {
                Piece::Value(Expression::Ref(text), Shower::Text) => is_own(text),
                _ => false,
            };
            pieces.iter().any(own).then_some((None, *span))
        }
        _ => None,
    }
}

/// A list or text that a loop only adds to.
pub(super) struct Growth {
    pub key: Key,
    /// How an item lies; none of a text.
    pub item: Option<Layout>,
    /// Most items or bytes that it can have at all.
    pub most: f64,
    /// Where something is added.
    pub span: Span,
}

impl Growth {
    fn length(&self, fact: &Fact) -> Interval {
        fact.clone().shape().count(self.item.unwrap_or(Layout::WORD))
    }

    /// How long it is behind a loop, from what it was before and behind one turn that began with any length.
    pub(super) fn after(
        &self,
        before: Option<Fact>,
        count: &Interval,
        goes_on: &[Written],
        ended: &[Written],
        leaves: bool,
    ) -> Interval {
        let before = before.map_or(Interval::any_count(), |fact| self.length(&fact));
        let any = Interval::of(Range { low: 0.0, high: self.most });
        let length =
            |way: &Written| way.get(self.key).map_or(any.clone(), |fact| self.length(fact));
        let turns = if leaves { 0.0 } else { count.range.low };
        let low = goes_on.iter().map(|way| length(way).range.low).fold(f64::INFINITY, f64::min);
        let high = goes_on.iter().chain(ended).map(|way| length(way).range.high - self.most);
        let high = high.fold(0.0, f64::max);
        let times = |turns: f64, more: f64| if turns == 0.0 { 0.0 } else { turns * more };
        let range = Range {
            low: before.range.low + times(turns, if low.is_finite() { low } else { 0.0 }),
            high: before.range.high + times(count.range.high, high),
        };
        Interval::of(range).after(&[&before, count])
    }
}

/// Scans nodes. `spins` says of each routine whether it asks for a speed; `speed` stands for the
/// speed that the polygon was asked for.
pub(super) fn scan<'p, T: Into<Node<'p>>>(
    spins: &[bool],
    speed: Key,
    nodes: impl IntoIterator<Item = T>,
) -> Scan {
    let mut scan = Scan::default();
    for node in nodes {
        scan.node(node.into(), spins, speed);
    }
    scan.writes.sort_unstable();
    scan.writes.dedup();
    scan
}

/// What a script does anywhere.
pub(super) struct Seen {
    /// For each routine, whether it asks for a speed, itself or through those it calls.
    pub spins: Vec<bool>,
    /// There is an `arm` block.
    pub arms: bool,
    /// The polygon may be kept spinning at the end.
    pub keeps: bool,
    /// Lines may be drawn steadily.
    pub draws: bool,
}

/// Scans a whole program; `speed` stands for the speed that the polygon was asked for.
pub(super) fn seen(program: &Program, speed: Key) -> Seen {
    let count = program.routines.len();
    let mut spins = vec![false; count];
    let Scan { mut arms, mut keeps, mut draws, .. } = scan(&spins, speed, &program.body);
    let mut callers: Vec<Vec<usize>> = vec![Vec::new(); count];
    let mut open = Vec::new();
    for (index, routine) in program.routines.iter().enumerate() {
        let scan = scan(&spins, speed, &routine.body);
        (arms, keeps, draws) = (arms || scan.arms, keeps || scan.keeps, draws || scan.draws);
        if scan.writes.contains(&speed) {
            open.push(index);
        }
        for called in scan.calls {
            if let Some(callers) = callers.get_mut(called) {
                callers.push(index);
            }
        }
    }
    while let Some(index) = open.pop() {
        if let Some(known) = spins.get_mut(index)
            && !*known
        {
            *known = true;
            open.extend(callers.get(index).into_iter().flatten());
        }
    }
    Seen { spins, arms, keeps, draws }
}

impl Scan {
    /// Variables that are only added to.
    pub(super) fn grown(&self) -> Vec<Growth> {
        let only = self.adds.iter().filter(|(key, _)| !self.sets.contains(key));
        let grown = only.map(|(key, (item, span))| {
            let size = item.map(|item| item.words.max(REF_COST * item.refs).max(1));
            let most = size.map_or(MAX_TEXT, |size| MAX_LIST / size) as f64;
            Growth { key: *key, item: *item, most, span: *span }
        });
        grown.collect()
    }

    fn write(&mut self, key: Key) {
        self.writes.push(key);
        self.sets.push(key);
    }

    fn node(&mut self, node: Node<'_>, spins: &[bool], speed: Key) {
        match node {
            Node::Statement(Statement::Set(slot, value)) => match added(*slot, value) {
                Some(added) => {
                    self.writes.push((*slot).into());
                    self.adds.entry((*slot).into()).or_insert(added);
                }
                None => self.write((*slot).into()),
            },
            Node::Statement(Statement::For { target, .. }) => self.write((*target).into()),
            Node::Statement(
                Statement::Store { root, .. } | Statement::Try { catch: Some((root, _)), .. },
            ) => self.write(Key::Ref(root.0)),
            Node::Statement(Statement::Ask(ask)) => {
                ask.into.into_iter().for_each(|slot| self.write(slot.into()));
            }
            Node::Statement(Statement::Arm { .. }) => self.arms = true,
            Node::Ref(Ref::Comprehension(comprehension)) => {
                self.write(comprehension.target.into());
            }
            _ => {}
        }
        if let Some(call) = node.call() {
            self.calls.push(call.routine);
            if spins.get(call.routine).copied().unwrap_or(true) {
                self.writes.push(speed);
            }
        }
        if let Some(call) = node.builtin() {
            let builtin = table().get(call.builtin);
            if builtin.is_none_or(|builtin| builtin.changes_speed()) {
                self.writes.push(speed);
            }
            self.draws |= builtin.is_some_and(|b| b.is(Trait::DrawsSteadily));
            self.keeps |= builtin.is_some_and(|b| matches!(b.time, TimeBound::Keep));
        }
        node.parts(&mut |part| self.node(part, spins, speed));
    }
}
