//! What must come before what: lock before light and before counting, a measured line between
//! loading trims and keeping them. Works on the order in which calls stand.

use crate::builtins::{Effect, Trait};
use crate::check::Checker;
use crate::check::flow::{CallSite, Callee, Graph, put};
use crate::diagnostics::{Diagnostic, codes};
use crate::source::Span;

/// Whether lock has been looked for since the polygon was last told to change its speed.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Lock {
    /// As it was when the routine was called.
    Entry,
    Sought,
    Unknown,
}

/// Whether a line has been measured since trims were last loaded.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Trims {
    /// As it was when the routine was called.
    Entry,
    Measured,
    /// Loaded here, and not looked at since.
    Loaded(Span),
}

/// What calling a routine does to both, and what it needs of them.
#[derive(Clone, Copy)]
struct Passage {
    lock: Lock,
    trims: Trims,
    /// Needs lock before it has looked for it itself.
    needs_lock: Option<Span>,
    /// Stores trims that it has not loaded or measured itself.
    stores: Option<Span>,
}

const ENTRY: Passage =
    Passage { lock: Lock::Entry, trims: Trims::Entry, needs_lock: None, stores: None };

impl Checker<'_> {
    /// Warns of steps that stand in the wrong order.
    pub(super) fn sequence(&mut self, graph: &Graph) {
        let mut passages = vec![ENTRY; self.routines.len()];
        for routine in graph.order.iter().copied() {
            let passage = self.passage(graph, Some(routine), ENTRY, &passages);
            put(&mut passages, routine, passage);
        }
        // What earlier entries did is known to the head alone.
        let lock = if self.live.is_some() { Lock::Sought } else { Lock::Unknown };
        let start = Passage { lock, trims: Trims::Measured, ..ENTRY };
        let end = self.passage(graph, None, start, &passages);
        if let Trims::Loaded(span) = end.trims
            && self.live.is_none()
            && !self.fails_at(span)
        {
            self.warning(
                codes::LOADED_UNMEASURED,
                "trims are loaded and no line is measured with them",
                span,
            )
            .help("measure a test line with every facet afterwards: a fresh look is the proof");
        }
    }

    /// A call that is itself reported as wrong.
    fn fails_at(&self, name: Span) -> bool {
        let Some(site) = self.calls.iter().find(|site| site.span == name) else { return false };
        let whole = Span { end: site.end, ..name };
        self.diagnostics.iter().any(|d| {
            d.is_error()
                && whole.source == d.span().source
                && (whole.start..=whole.end).contains(&d.span().start)
        })
    }

    fn passage(
        &mut self,
        graph: &Graph,
        caller: Option<usize>,
        start: Passage,
        passages: &[Passage],
    ) -> Passage {
        let mut now = start;
        let mut told = false;
        // Nothing that a block does before it fails is there behind it.
        let mut failing: Option<(Span, Passage)> = None;
        for site in graph.calls_of(caller) {
            if failing.map(|(block, _)| block) != site.fails {
                if let Some((_, before)) = failing {
                    (now.lock, now.trims) = (before.lock, before.trims);
                }
                failing = site.fails.map(|block| (block, now));
            }
            let builtin = site.callee.builtin();
            let inner = match site.callee {
                Callee::Routine(index) => passages.get(index).copied().unwrap_or(ENTRY),
                _ => ENTRY,
            };
            let is = |what| builtin.is_some_and(|builtin| builtin.is(what));
            let has = |effect| builtin.is_some_and(|builtin| builtin.has(effect));
            let arms = matches!(site.callee, Callee::Arm { .. });
            if arms || is(Trait::NeedsLock) || inner.needs_lock.is_some() {
                match now.lock {
                    Lock::Entry => {
                        now.needs_lock.get_or_insert(site.span);
                    }
                    Lock::Unknown if !told => {
                        told = true;
                        self.lock_not_sought(site, inner.needs_lock);
                    }
                    _ => {}
                }
            }
            if has(Effect::Stores) || inner.stores.is_some() {
                match now.trims {
                    Trims::Entry => {
                        now.stores.get_or_insert(site.span);
                    }
                    Trims::Loaded(loaded) => self.stored_unseen(site, loaded),
                    Trims::Measured => {}
                }
            }
            if inner.lock != Lock::Entry {
                now.lock = inner.lock;
            }
            if inner.trims != Trims::Entry {
                now.trims = inner.trims;
            }
            if is(Trait::SeeksLock) {
                now.lock = Lock::Sought;
            }
            if builtin.is_some_and(|builtin| builtin.changes_speed()) {
                now.lock = Lock::Unknown;
                told = false;
            }
            if has(Effect::Trims) {
                now.trims = Trims::Loaded(site.span);
            }
            // What an image shows is not measured before its scan is read.
            if builtin.is_some_and(|builtin| builtin.measures_a_line()) {
                now.trims = Trims::Measured;
            }
        }
        if let Some((_, before)) = failing {
            (now.lock, now.trims) = (before.lock, before.trims);
        }
        now
    }

    fn lock_not_sought(&mut self, site: &CallSite, place: Option<Span>) {
        let (code, headline) = match site.callee {
            Callee::Arm { .. } => (
                codes::ARMED_BEFORE_LOCK,
                "the laser is armed before lock was waited for".to_string(),
            ),
            _ => {
                let text = self.words(site.span);
                (
                    codes::CALLED_BEFORE_LOCK,
                    format!("`{text}` needs lock, which was not waited for"),
                )
            }
        };
        let mut report = Diagnostic::warning(code, headline, site.span)
            .help("before it: `wait until locked() within 20 s else fail \"no lock\"`");
        if let Some(place) = place {
            report = report.label(place, "needs it here");
        }
        self.report(report);
    }

    fn stored_unseen(&mut self, site: &CallSite, loaded: Span) {
        self.warning(
            codes::STORED_UNMEASURED,
            "trims are stored that no line was measured with",
            site.span,
        )
        .here("kept over power loss")
        .label(loaded, "loaded here, and not looked at since")
        .help("measure a test line with every facet first, and store what has proved itself");
    }
}
