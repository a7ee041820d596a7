//! What nodes of the program may write or do, found without walking them for their time.

use crate::bounds::state::Key;
use crate::builtins::{TimeBound, table};
use crate::program::tree::{Program, Ref, Statement};
use crate::program::visit::Node;
use std::collections::BTreeSet;

/// What nodes may do, with all that is inside them.
#[derive(Debug, Default)]
pub(super) struct Scan {
    /// Variables that may be written, loop variables included.
    pub writes: BTreeSet<Key>,
    /// There is an `arm` block.
    pub arms: bool,
    /// The polygon may be kept spinning at the end.
    pub keeps: bool,
    /// Routines that are called.
    calls: Vec<usize>,
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
    scan
}

/// Scans a whole program.
pub(super) fn scan_program(program: &Program, spins: &[bool], speed: Key) -> Scan {
    let bodies = program.routines.iter().flat_map(|routine| &routine.body);
    scan(spins, speed, bodies.chain(&program.body))
}

/// For each routine, whether it asks for a speed, itself or through those it calls.
pub(super) fn spinning(program: &Program, speed: Key) -> Vec<bool> {
    let count = program.routines.len();
    let mut spins = vec![false; count];
    let mut callers: Vec<Vec<usize>> = vec![Vec::new(); count];
    let mut open = Vec::new();
    for (index, routine) in program.routines.iter().enumerate() {
        let scan = scan(&spins, speed, &routine.body);
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
    spins
}

impl Scan {
    fn node(&mut self, node: Node<'_>, spins: &[bool], speed: Key) {
        match node {
            Node::Statement(Statement::Set(slot, _) | Statement::For { target: slot, .. }) => {
                self.writes.insert((*slot).into());
            }
            Node::Statement(
                Statement::Store { root, .. } | Statement::Try { catch: Some((root, _)), .. },
            ) => {
                self.writes.insert(Key::Ref(root.0));
            }
            Node::Statement(Statement::Ask(ask)) => self.writes.extend(ask.into.map(Key::from)),
            Node::Statement(Statement::Arm { .. }) => self.arms = true,
            Node::Ref(Ref::Comprehension(comprehension)) => {
                self.writes.insert(comprehension.target.into());
            }
            _ => {}
        }
        if let Some(call) = node.call() {
            self.calls.push(call.routine);
            if spins.get(call.routine).copied().unwrap_or(true) {
                self.writes.insert(speed);
            }
        }
        if let Some(call) = node.builtin() {
            let builtin = table().get(call.builtin);
            if builtin.is_none_or(|builtin| builtin.changes_speed()) {
                self.writes.insert(speed);
            }
            self.keeps |= builtin.is_some_and(|b| matches!(b.time, TimeBound::Keep));
        }
        node.parts(&mut |part| self.node(part, spins, speed));
    }
}
