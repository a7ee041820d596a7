//! What fails in every run on a head, told before anything moves: values that the walk knows and that a call, an
//! operator or a statement refuses.
//!
//! Only what surely fails is told. A `try` with a `catch` that goes on handles it; a turn of a loop that may be
//! left before it is not looked at; a value that is known between two ends is wrong only where all of it is.

use crate::bounds::exact::Paper;
use crate::bounds::finding::{Cause, Finding, KnownImages, Proof};
use crate::bounds::form::{Form, set_of};
use crate::bounds::known::{Fact, Interval};
use crate::bounds::state::Key;
use crate::bounds::walk::Walk;
use crate::program::tree::{Param, Program, Statement};
use crate::source::Span;
use spintrue_head::Description;
use std::collections::HashSet;

/// Most statements and elements that loops of many turns may take in all.
const MAX_LONG: u32 = 30_000;

impl Walk<'_> {
    /// Looks for what surely fails.
    pub(super) fn is_proving(&self) -> bool {
        self.proof.is_some()
    }

    /// Notes what surely fails.
    pub(super) fn found(
        &mut self,
        cause: Cause,
        span: Span,
        why: impl Into<String>,
        by: &[&Interval],
    ) {
        let by = by.iter().fold(0, |all, number| all | number.form.params());
        self.found_by(Finding::new(cause, span, why, by));
    }

    pub(super) fn found_by(&mut self, finding: Finding) {
        if let Some(proof) = &mut self.proof
            && proof.doubt == 0
        {
            proof.findings.push(finding);
        }
    }

    /// How many were found so far.
    pub(super) fn findings(&self) -> usize {
        self.proof.as_ref().map_or(0, |proof| proof.findings.len())
    }

    /// Forgets what was found since.
    pub(super) fn forget_findings(&mut self, from: usize) {
        if let Some(proof) = &mut self.proof {
            proof.findings.truncate(from);
        }
    }

    /// Does some work of which it is not sure that it is reached, where `doubtful`.
    pub(super) fn doubting<T>(&mut self, doubtful: bool, work: impl FnOnce(&mut Self) -> T) -> T {
        self.doubt_by(usize::from(doubtful));
        let done = work(self);
        if let (Some(proof), true) = (&mut self.proof, doubtful) {
            proof.doubt -= 1;
        }
        done
    }

    fn doubt_by(&mut self, more: usize) {
        if let Some(proof) = &mut self.proof {
            proof.doubt += more;
        }
    }

    /// Walks a routine without any doubt of the call; gives what was found in it.
    pub(super) fn collecting<T>(&mut self, work: impl FnOnce(&mut Self) -> T) -> (T, Vec<Finding>) {
        let doubt = self.proof.as_mut().map_or(0, |proof| std::mem::take(&mut proof.doubt));
        let from = self.findings();
        let done = work(self);
        let Some(proof) = &mut self.proof else { return (done, Vec::new()) };
        proof.doubt = doubt;
        (done, proof.findings.split_off(from))
    }

    /// Notes what was found in a routine, for one call of it.
    pub(super) fn found_in_call(&mut self, findings: &[Finding], call: Span) {
        for finding in findings {
            let mut finding = finding.clone();
            finding.calls.push(call);
            self.found_by(finding);
        }
    }
}

/// A number of a program that is one value.
fn exactly(value: f64, param: usize) -> Fact {
    let form = Form::held(set_of(param));
    Fact::Number(Interval { form, ..Interval::only(value) })
}

/// Everything that surely fails, each place once; one param may have another value than its own.
fn findings(
    program: &Program,
    head: &Description,
    images: KnownImages<'_>,
    at_rest: bool,
    set: Option<(usize, f64)>,
    long_fuel: u32,
) -> Vec<Finding> {
    let Some(paper) = Paper::new(head) else { return Vec::new() };
    let mut walk = Walk::new(program, head, true);
    walk.nodes.is_unasked = true;
    walk.proof = Some(Proof { findings: Vec::new(), doubt: 0, paper, at_rest, images });
    walk.long_fuel = long_fuel;
    if at_rest {
        let rest = Fact::Number(Interval::only(0.0));
        walk.state.set(walk.speed, rest);
    }
    let param_of = |statement: &Statement| match statement {
        Statement::Set(slot, _) => program.params.iter().position(|param| param.slot == *slot),
        _ => None,
    };
    for statement in &program.setup {
        walk.block(std::slice::from_ref(statement));
        let Some(index) = param_of(statement) else { continue };
        let Some(slot) = program.params.get(index).map(|param| param.slot) else { continue };
        let key = Key::from(slot);
        let value = match (set, walk.state.get(key)) {
            (Some((param, value)), _) if param == index => value,
            (_, Fact::Number(number)) if number.range.is_exact() => number.range.low,
            _ => continue,
        };
        walk.state.set(key, exactly(value, index));
    }
    walk.block(&program.body);
    let mut seen = HashSet::new();
    let found = walk.proof.map(|proof| proof.findings).unwrap_or_default();
    found.into_iter().filter(|finding| seen.insert((finding.span, finding.cause))).collect()
}

/// What surely fails on a head. `at_rest`: nothing turns before it starts.
pub(crate) fn refused(
    program: &Program,
    head: &Description,
    images: KnownImages<'_>,
    at_rest: bool,
) -> Vec<Finding> {
    findings(program, head, images, at_rest, None, MAX_LONG)
}

/// A param that may be set too far: what surely fails at an end of its range, and not at its own value.
#[derive(Debug)]
pub(crate) struct Risk<'p> {
    pub param: &'p Param,
    pub is_upper: bool,
    pub finding: Finding,
}

/// Params that may be set too far, with the first that fails then. Each end of a range is a walk of its own; none
/// where `go_on` says no before one of them.
pub(crate) fn risky<'p>(
    program: &'p Program,
    head: &Description,
    images: KnownImages<'_>,
    at_rest: bool,
    go_on: &mut dyn FnMut() -> bool,
) -> Option<Vec<Risk<'p>>> {
    if program.params.iter().all(|param| param.ends.is_none()) {
        return Some(Vec::new());
    }
    let own = findings(program, head, images, at_rest, None, 0);
    let is_new = |found: &Finding| !own.iter().any(|own| own.span == found.span);
    let mut risks = Vec::new();
    for (index, param) in program.params.iter().enumerate() {
        let Some(ends) = &param.ends else { continue };
        for (value, is_upper) in [(ends.low, false), (ends.high, true)] {
            if !go_on() {
                return None;
            }
            let all = findings(program, head, images, at_rest, Some((index, value)), 0);
            // What follows from the first one need not be told.
            let found = all.into_iter().find(is_new);
            risks.extend(found.map(|finding| Risk { param, is_upper, finding }));
        }
    }
    Some(risks)
}
