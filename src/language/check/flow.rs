//! Who calls whom: no recursion, no arming under light, and the effects of each routine.

use crate::builtins;
use crate::builtins::{Builtin, Effect, Trait};
use crate::check::Checker;
use crate::diagnostics::{Diagnostic, codes};
use crate::source::Span;
use std::collections::BTreeMap;

/// What is called.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Callee {
    /// A routine of a script.
    Routine(usize),
    /// A built-in.
    Builtin(usize),
    /// An `arm` statement; the calls of its block are `first..last` of all calls.
    Arm { first: usize, last: usize, repeated: bool },
    /// A question to the operator.
    Ask,
}

impl Callee {
    /// The built-in that is called.
    pub(super) fn builtin(self) -> Option<&'static Builtin> {
        match self {
            Callee::Builtin(index) => builtins::table().get(index).copied(),
            _ => None,
        }
    }
}

/// A call in the script or in a routine.
#[derive(Clone, Copy, Debug)]
pub(super) struct CallSite {
    /// The routine it stands in, none for the script itself.
    pub caller: Option<usize>,
    pub callee: Callee,
    /// The name that is called.
    pub span: Span,
    /// Where the whole call ends: arguments are worked out before it.
    pub end: u32,
    /// The `arm` around.
    pub armed: Option<Span>,
    /// The outermost block around that ends in `fail`, so that nothing behind it follows.
    pub fails: Option<Span>,
}

/// The call that brings an effect, and the routine it calls.
#[derive(Clone, Copy, Debug)]
pub struct Brought {
    /// The name that is called.
    pub span: Span,
    /// Index of the routine among [`crate::check::Checked::effects`]; none for a built-in.
    pub by: Option<usize>,
}

/// What a routine, or the script, may do to the head.
#[derive(Clone, Debug)]
pub struct EffectsOf {
    /// The routine; none for the script itself.
    pub routine: Option<String>,
    /// Each effect with the call that brings it.
    pub effects: BTreeMap<Effect, Brought>,
}

/// What is known of the call graph when all bodies are checked.
pub(super) struct Graph {
    /// The routines, each behind those it calls.
    pub order: Vec<usize>,
    /// The calls of each routine and of the script, in the order they are made.
    pub by_caller: BTreeMap<Option<usize>, Vec<CallSite>>,
    /// The effects of each routine.
    pub effects: Vec<BTreeMap<Effect, Brought>>,
}

impl Graph {
    /// The effects of one call.
    pub(super) fn effects_of(&self, callee: Callee) -> Vec<Effect> {
        match callee {
            Callee::Builtin(_) => callee.builtin().map_or(Vec::new(), |b| b.page().effects.clone()),
            Callee::Routine(index) => {
                self.effects.get(index).into_iter().flat_map(|e| e.keys().copied()).collect()
            }
            Callee::Arm { .. } => vec![Effect::Emits],
            Callee::Ask => vec![Effect::Asks],
        }
    }

    /// Tells whether a call comes to a built-in of a sort, by itself or further down.
    fn reaching(&self, sort: fn(&Builtin) -> bool) -> impl Fn(Callee) -> bool {
        let reaches = move |callee: Callee, routines: &[bool]| match callee {
            Callee::Routine(index) => routines.get(index).copied().unwrap_or(false),
            _ => callee.builtin().is_some_and(sort),
        };
        let mut routines = vec![false; self.effects.len()];
        for routine in &self.order {
            let any = self.calls_of(Some(*routine)).any(|site| reaches(site.callee, &routines));
            put(&mut routines, *routine, any);
        }
        move |callee| reaches(callee, &routines)
    }

    /// The calls that stand in a routine or in the script, in the order they are made.
    pub(super) fn calls_of(&self, caller: Option<usize>) -> impl Iterator<Item = &CallSite> {
        self.by_caller.get(&caller).into_iter().flatten()
    }
}

impl Checker<'_> {
    /// Checks the graph of calls; gives the effects of each routine and last of the script.
    pub(super) fn flow(&mut self) -> Vec<EffectsOf> {
        let mut by_caller: BTreeMap<Option<usize>, Vec<CallSite>> = BTreeMap::new();
        for site in &self.calls {
            by_caller.entry(site.caller).or_default().push(*site);
        }
        for sites in by_caller.values_mut() {
            sites.sort_by_key(|site| (site.end, site.span.start));
        }
        let order = self.callees_first();
        let effects = self.routines.iter().map(|_| BTreeMap::new()).collect();
        let mut graph = Graph { order, by_caller, effects };
        for routine in graph.order.clone() {
            let found = self.effects_in(&graph, Some(routine));
            put(&mut graph.effects, routine, found);
        }
        let script = self.effects_in(&graph, None);
        self.used_under_light(&graph);
        self.armed_twice(&graph);
        self.refused_under_light(&graph);
        self.asked_under_light(&graph);
        self.held_only_read(&graph);
        self.armed_for_nothing(&graph);
        self.promises(&graph);
        self.sequence(&graph);
        let mut all: Vec<EffectsOf> = Vec::new();
        for (routine, effects) in self.routines.iter().zip(graph.effects) {
            let routine = Some(self.names.text(routine.name.symbol).to_string());
            all.push(EffectsOf { routine, effects });
        }
        all.push(EffectsOf { routine: None, effects: script });
        all
    }

    fn effects_in(&self, graph: &Graph, caller: Option<usize>) -> BTreeMap<Effect, Brought> {
        let mut found = BTreeMap::new();
        for site in graph.calls_of(caller) {
            let by = match site.callee {
                Callee::Routine(index) => Some(index),
                _ => None,
            };
            for effect in graph.effects_of(site.callee) {
                found.entry(effect).or_insert(Brought { span: site.span, by });
            }
        }
        found
    }

    /// For each routine, what the first call that leads to it brings: a call brings what `start`
    /// tells of it, or else what leads to the routine that it stands in.
    pub(super) fn reached<T: Copy>(
        &self,
        start: impl Fn(&CallSite) -> Option<T>,
    ) -> Vec<Option<T>> {
        let mut reached = vec![None; self.routines.len()];
        let mut calls: Vec<Vec<usize>> = vec![Vec::new(); self.routines.len()];
        let mut open = Vec::new();
        for site in &self.calls {
            let Callee::Routine(callee) = site.callee else { continue };
            if let Some(brings) = start(site) {
                open.push((callee, brings));
            } else if let Some(calls) = site.caller.and_then(|caller| calls.get_mut(caller)) {
                calls.push(callee);
            }
        }
        while let Some((routine, brings)) = open.pop() {
            if let Some(slot) = reached.get_mut(routine)
                && slot.is_none()
            {
                *slot = Some(brings);
                let further = calls.get(routine).into_iter().flatten();
                open.extend(further.map(|callee| (*callee, brings)));
            }
        }
        reached
    }

    /// Tells whether something is in the script, or in a routine that it calls, itself or by way of
    /// others.
    pub(super) fn called(&self) -> impl Fn(Option<usize>) -> bool + use<> {
        let called = self.reached(|site| site.caller.is_none().then_some(()));
        move |routine| routine.is_none_or(|r| called.get(r).copied().flatten().is_some())
    }

    /// Calls under light that arm on their way.
    fn armed_twice(&mut self, graph: &Graph) {
        let mut arms: Vec<Option<Span>> = self.routines.iter().map(|r| r.arms).collect();
        for routine in &graph.order {
            let first = graph.calls_of(Some(*routine)).find_map(|site| match site.callee {
                Callee::Routine(callee) => arms.get(callee).copied().flatten(),
                _ => None,
            });
            if let (Some(first), Some(slot)) = (first, arms.get_mut(*routine)) {
                slot.get_or_insert(first);
            }
        }
        for site in graph.by_caller.values().flatten() {
            let Callee::Routine(callee) = site.callee else { continue };
            let (Some(_), Some(place)) = (site.armed, arms.get(callee).copied().flatten()) else {
                continue;
            };
            let text = self.words(site.span);
            let headline = format!("`{text}` arms the laser, and it is armed here already");
            self.error(codes::ALREADY_ARMED, headline, site.span)
                .label(place, "armed here on the way")
                .help("call it before or behind the `arm` block");
        }
    }

    /// Routines called under light that change the speed on their way, or read a scan.
    fn refused_under_light(&mut self, graph: &Graph) {
        for (is_bad, report) in UNDER_LIGHT {
            let reaches = graph.reaching(is_bad);
            for site in graph.by_caller.values().flatten() {
                if let (Callee::Routine(_), Some(arm), true) =
                    (site.callee, site.armed, reaches(site.callee))
                {
                    self.report(report(&self.words(site.span), site.span, arm));
                }
            }
        }
    }

    /// `arm` blocks in which nothing lets light out.
    fn armed_for_nothing(&mut self, graph: &Graph) {
        let measures = graph.reaching(Builtin::measures_a_line);
        for site in graph.by_caller.values().flatten() {
            let Callee::Arm { first, last, repeated } = site.callee else { continue };
            let inside = self.calls.get(first..last).unwrap_or(&[]);
            let emits = |c: &CallSite| graph.effects_of(c.callee).contains(&Effect::Emits);
            let unmeasured = || !inside.iter().any(|c| measures(c.callee));
            if !inside.iter().any(emits) || (repeated && unmeasured()) {
                let headline = if repeated {
                    "each turn of the loop arms the laser and measures nothing"
                } else {
                    "this arms the laser, and nothing inside lets light out"
                };
                self.warning(codes::ARMED_FOR_NOTHING, headline, site.span).help(if repeated {
                    "measure a line inside the block, or arm once around the loop"
                } else {
                    "expose a line inside the block, or do without it: an armed laser is a risk"
                });
            }
        }
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
            put(&mut state, start, 1);
            while let Some((routine, next)) = stack.last_mut() {
                let (routine, index) = (*routine, *next);
                *next += 1;
                let Some((callee, span)) = calls.get(routine).and_then(|l| l.get(index)).copied()
                else {
                    put(&mut state, routine, 2);
                    order.push(routine);
                    stack.pop();
                    continue;
                };
                match state.get(callee) {
                    Some(0) => {
                        put(&mut state, callee, 1);
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
        let declared = self.routines.get(callee).map(|routine| routine.name.span);
        let report = self
            .error(codes::RECURSION, headline, span)
            .here("closes the circle")
            .help("every script must end, so there is no recursion: use a loop with a bound");
        if let Some(declared) = declared {
            report.label(declared, "declared here");
        }
    }
}

/// Sets an item of a list that is long enough.
pub(super) fn put<T>(list: &mut [T], at: usize, value: T) {
    if let Some(slot) = list.get_mut(at) {
        *slot = value;
    }
}

/// Tells what no call may lead to while armed, and reports a call by its words, its place, and where the laser is armed.
type UnderLight = (fn(&Builtin) -> bool, fn(&str, Span, Span) -> Diagnostic);

pub(super) const UNDER_LIGHT: [UnderLight; 3] = [
    (Builtin::changes_speed, speed_under_light),
    (|builtin| builtin.has(Effect::Stores), store_under_light),
    (|builtin| builtin.is(Trait::NotWhileArmed), scan_under_light),
];

/// The scan of a chart is read while armed: lock and interlock are not looked at meanwhile.
fn scan_under_light(name: &str, span: Span, arm: Span) -> Diagnostic {
    let headline = format!("`{name}` reads a scan while the laser is armed");
    Diagnostic::error(codes::QUESTION_WHILE_ARMED, headline, span).label(arm, "armed here").help(
        "call it behind the `arm` block: reading takes seconds in which the head is not looked at",
    )
}

/// A change of speed while armed: lock is lost, and with it the light.
fn speed_under_light(name: &str, span: Span, arm: Span) -> Diagnostic {
    let headline = format!("`{name}` changes the polygon's speed while the laser is armed");
    Diagnostic::error(codes::SPEED_CHANGE_WHILE_ARMED, headline, span)
        .label(arm, "armed here")
        .help("call it before or behind the `arm` block: without lock the light goes out")
}

/// What survives power loss is written while armed.
fn store_under_light(name: &str, span: Span, arm: Span) -> Diagnostic {
    let headline =
        format!("`{name}` stores trims while the laser is armed, which every head refuses");
    Diagnostic::error(codes::SPEED_CHANGE_WHILE_ARMED, headline, span)
        .label(arm, "armed here")
        .help("call it behind the `arm` block: the trims that are loaded there stay in force")
}
