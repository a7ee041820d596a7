//! Who calls whom: no recursion, no arming under light, and the effects of each routine.

use crate::builtins::{self, Effect};
use crate::check::Checker;
use crate::diagnostics::Diagnostic;
use crate::source::Span;
use std::collections::BTreeMap;

/// What is called.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Callee {
    /// A routine of a script.
    Routine(usize),
    /// A built-in.
    Builtin(usize),
}

/// A call in the script or in a routine.
#[derive(Clone, Copy, Debug)]
pub(super) struct CallSite {
    /// The routine it stands in, none for the script itself.
    pub caller: Option<usize>,
    pub callee: Callee,
    /// The name that is called.
    pub span: Span,
    /// Inside an `arm` block.
    pub armed: bool,
}

/// What a routine, or the script, may do to the head.
#[derive(Clone, Debug)]
pub struct EffectsOf {
    /// The routine; none for the script itself.
    pub routine: Option<String>,
    /// Each effect with the call that brings it.
    pub effects: BTreeMap<Effect, Span>,
}

impl Checker<'_> {
    /// Checks the graph of calls; gives the effects of each routine and last of the script.
    pub(super) fn flow(&mut self) -> Vec<EffectsOf> {
        let order = self.callees_first();
        let mut effects: Vec<BTreeMap<Effect, Span>> =
            self.routines.iter().map(|_| BTreeMap::new()).collect();
        let mut arms: Vec<Option<Span>> = self.routines.iter().map(|r| r.arms).collect();
        let mut script = BTreeMap::new();
        let callers = order.into_iter().map(Some).chain([None]);
        let mut under_light = Vec::new();
        let mut by_caller: BTreeMap<Option<usize>, Vec<CallSite>> = BTreeMap::new();
        for site in &self.calls {
            by_caller.entry(site.caller).or_default().push(*site);
        }
        let mut own: BTreeMap<Option<usize>, Span> = BTreeMap::new();
        for (caller, span) in &self.arms {
            own.entry(*caller).or_insert(*span);
        }
        for caller in callers {
            let mut found = BTreeMap::new();
            if let Some(span) = own.get(&caller) {
                found.insert(Effect::Emits, *span);
            }
            for site in by_caller.get(&caller).into_iter().flatten() {
                match site.callee {
                    Callee::Builtin(index) => {
                        for effect in builtins::table().get(index).map_or(&[][..], |b| b.effects) {
                            found.entry(*effect).or_insert(site.span);
                        }
                    }
                    Callee::Routine(index) => {
                        for effect in effects.get(index).into_iter().flat_map(|e| e.keys()) {
                            found.entry(*effect).or_insert(site.span);
                        }
                        let armed = arms.get(index).copied().flatten();
                        if let Some(place) = armed {
                            if site.armed {
                                under_light.push((*site, place));
                            }
                            if let Some(caller) = caller.and_then(|c| arms.get_mut(c)) {
                                caller.get_or_insert(place);
                            }
                        }
                    }
                }
            }
            match caller {
                Some(caller) => {
                    if let Some(slot) = effects.get_mut(caller) {
                        *slot = found;
                    }
                }
                None => script = found,
            }
        }
        for (site, place) in under_light {
            let text = self.words(site.span);
            let headline = format!("`{text}` arms the laser, and it is armed here already");
            self.report(
                Diagnostic::error("E0706", headline, site.span)
                    .label(place, "armed here on the way")
                    .help("call it before or behind the `arm` block"),
            );
        }
        let mut all: Vec<EffectsOf> = Vec::new();
        for (routine, effects) in self.routines.iter().zip(effects) {
            let routine = Some(self.names.text(routine.name.symbol).to_string());
            all.push(EffectsOf { routine, effects });
        }
        all.push(EffectsOf { routine: None, effects: script });
        all
    }

    /// The routines, each behind those it calls; reports calls that go in a circle.
    fn callees_first(&mut self) -> Vec<usize> {
        let mut calls: Vec<Vec<(usize, Span)>> = self.routines.iter().map(|_| Vec::new()).collect();
        for site in &self.calls {
            if let (Some(caller), Callee::Routine(callee)) = (site.caller, site.callee)
                && let Some(list) = calls.get_mut(caller)
            {
                list.push((callee, site.span));
            }
        }
        let mut order = Vec::new();
        let mut state = vec![0_u8; calls.len()];
        for start in 0..calls.len() {
            if state.get(start) != Some(&0) {
                continue;
            }
            // A stack of its own: chains of calls may be as long as a script.
            let mut stack = vec![(start, 0_usize)];
            if let Some(s) = state.get_mut(start) {
                *s = 1;
            }
            while let Some((routine, next)) = stack.last_mut() {
                let (routine, index) = (*routine, *next);
                *next += 1;
                let Some((callee, span)) = calls.get(routine).and_then(|l| l.get(index)).copied()
                else {
                    if let Some(s) = state.get_mut(routine) {
                        *s = 2;
                    }
                    order.push(routine);
                    stack.pop();
                    continue;
                };
                match state.get(callee) {
                    Some(0) => {
                        if let Some(s) = state.get_mut(callee) {
                            *s = 1;
                        }
                        stack.push((callee, 0));
                    }
                    Some(1) => {
                        let chain: Vec<usize> = stack.iter().map(|(r, _)| *r).collect();
                        self.circle(&chain, callee, span);
                    }
                    _ => {}
                }
            }
        }
        order
    }

    fn circle(&mut self, chain: &[usize], callee: usize, span: Span) {
        let start = chain.iter().position(|r| *r == callee).unwrap_or(0);
        let names: Vec<String> = chain
            .iter()
            .skip(start)
            .chain([&callee])
            .filter_map(|r| self.routines.get(*r))
            .map(|r| self.names.text(r.name.symbol).to_string())
            .collect();
        let first = names.first().cloned().unwrap_or_default();
        let headline = if names.len() == 2 {
            format!("`{first}` calls itself")
        } else {
            format!("`{first}` calls itself by way of others: {}", names.join(" → "))
        };
        let mut report = Diagnostic::error("E0704", headline, span)
            .here("closes the circle")
            .help("every script must end, so there is no recursion: use a loop with a bound");
        if let Some(routine) = self.routines.get(callee) {
            report = report.label(routine.name.span, "declared here");
        }
        self.report(report);
    }
}
