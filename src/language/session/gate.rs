//! The one gate between a report and a head: a script or an entry moves a head only as what
//! [`Prepared::admit`] or [`Entry::admit`] gives, and they give nothing while any error stands.

use crate::check::flow::EffectsOf;
use crate::check::steps::Steps;
use crate::check::{Named, Unset, Used};
use crate::diagnostics::{Diagnostic, codes};
use crate::interpret::Links;
use crate::program::tree::Program;
use crate::session::live::Entry;
use crate::session::load::Prepared;
use crate::session::proved::Proved;
use crate::session::signals::{misused, names};
use crate::source::{SourceMap, Span};
use crate::station::TimeLimit;
use spintrue_head::{Description, Fault};
use std::collections::HashSet;

/// A script that may move the head that it was held against.
#[derive(Clone, Copy)]
pub struct Runnable<'p> {
    pub(super) program: &'p Program,
    pub(super) links: &'p Links,
    pub(super) sources: &'p SourceMap,
    pub(super) limit: Option<TimeLimit>,
}

impl Runnable<'_> {
    /// The same, stopped where it takes longer than `limit` on a head whose time passes by itself.
    #[must_use]
    pub fn with_limit(self, limit: Option<TimeLimit>) -> Self {
        Runnable { limit, ..self }
    }
}

/// An entry that may move the head that it was held against.
pub struct RunnableEntry(pub(super) Entry);

impl RunnableEntry {
    /// What each routine and last the entry itself may do to the head.
    pub fn effects(&self) -> &[EffectsOf] {
        &self.0.effects
    }

    /// Where its run may pause; nothing unless it was checked for stepping.
    pub fn steps(&self) -> &Steps {
        &self.0.steps
    }
}

/// Refuses a fault that cannot be injected into a head.
pub(crate) type CheckFault<'a> = &'a dyn Fn(&str) -> Result<(), Fault>;

impl Prepared {
    /// What the script names by plain text and cannot be on this head, each reported where it is
    /// named: signals, channels, faults to provoke; and what it surely cannot do there. `at_rest`: nothing
    /// turns before the script starts.
    pub fn unfit(
        &self,
        head: &Description,
        at_rest: bool,
        check_fault: CheckFault<'_>,
    ) -> Vec<Diagnostic> {
        unfit(&self.named, self.proved(at_rest), head, check_fault)
    }

    /// Params that may be set so that the script surely fails on this head, each reported where it fails. Takes a
    /// while for many params; none where `go_on` says no on the way.
    pub fn risky(
        &self,
        head: &Description,
        go_on: &mut dyn FnMut() -> bool,
    ) -> Option<Vec<Diagnostic>> {
        match self.proved(false) {
            Some(proved) => proved.risky(head, go_on),
            None => Some(Vec::new()),
        }
    }

    fn proved(&self, at_rest: bool) -> Option<Proved<'_>> {
        let program = self.program.as_ref()?;
        Some(Proved { program, images: Some(&self.images), at_rest, fits: Some(&self.fits) })
    }

    /// Signals and channels that its head must have, in the order of the script.
    pub fn needs(&self) -> Vec<&str> {
        names(&self.named.signals)
    }

    /// Lets the script through to this head unless an error forbids it; nothing turns there `at_rest`.
    /// `limits` are reports of what else limits the run, such as its effects or its time. Fails with
    /// all reports that are not among [`Prepared::diagnostics`].
    pub fn admit(
        &self,
        head: &Description,
        at_rest: bool,
        check_fault: CheckFault<'_>,
        limits: Vec<Diagnostic>,
    ) -> Result<Runnable<'_>, Vec<Diagnostic>> {
        let limits = self.unset.iter().map(Unset::report).chain(limits).collect();
        let found =
            held(&self.diagnostics, &self.named, self.proved(at_rest), head, check_fault, limits)?;
        match &self.program {
            Some(program) => {
                let (links, sources) = (&self.links, &self.sources);
                Ok(Runnable { program, links, sources, limit: None })
            }
            None => Err(found),
        }
    }
}

impl Entry {
    /// As [`Prepared::admit`].
    pub fn admit(
        self,
        head: &Description,
        check_fault: CheckFault<'_>,
        limits: Vec<Diagnostic>,
    ) -> Result<RunnableEntry, Vec<Diagnostic>> {
        let ready = self.ready.as_ref();
        let proved = ready.map(|ready| Proved {
            program: &ready.program,
            images: None,
            at_rest: false,
            fits: None,
        });
        let found = held(&self.diagnostics, &self.named, proved, head, check_fault, limits)?;
        if self.ready.is_some() { Ok(RunnableEntry(self)) } else { Err(found) }
    }
}

/// The gate itself: no error among the reports of the check, and none about the head.
fn held(
    told: &[Diagnostic],
    named: &Named,
    proved: Option<Proved<'_>>,
    head: &Description,
    check_fault: CheckFault<'_>,
    limits: Vec<Diagnostic>,
) -> Result<Vec<Diagnostic>, Vec<Diagnostic>> {
    let mut found = unfit(named, proved, head, check_fault);
    found.extend(limits);
    if forbids(told) || forbids(&found) { Err(found) } else { Ok(found) }
}

/// An error is among the reports.
pub(super) fn forbids(reports: &[Diagnostic]) -> bool {
    reports.iter().any(Diagnostic::is_error)
}

fn unfit(
    named: &Named,
    proved: Option<Proved<'_>>,
    head: &Description,
    check_fault: CheckFault<'_>,
) -> Vec<Diagnostic> {
    let mut found = misused(&named.signals, head);
    if let Some(proved) = proved {
        // What is named by plain text is told with a way out.
        let told: HashSet<Span> = named.signals.iter().flat_map(Used::places).collect();
        let refused = proved.refused(head).into_iter();
        found.extend(refused.filter(|report| !told.contains(&report.span())));
    }
    for (fault, span) in &named.faults {
        let Err(why) = check_fault(fault) else { continue };
        let report =
            Diagnostic::error(codes::BAD_FAULT, format!("cannot provoke this fault: {why}"), *span);
        found.push(
            report.help("`spintrue docs simulated-head` lists the faults of a simulated head"),
        );
    }
    found
}
