//! The head that scripts are held against while they are edited, known by its description alone.

use crate::bounds::Bound;
use crate::diagnostics::Diagnostic;
use crate::session::Prepared;
use spintrue_head::Description;

/// The head that an editor asks for.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct HeadAsked {
    /// Its address, or the file of its description; none is the built-in simulated head.
    pub address: Option<String>,
    /// Files of devices around it.
    pub fixtures: Vec<String>,
    /// The folder that files are named from.
    pub folder: Option<String>,
}

/// A head that is known by its description: nothing reaches the head itself.
pub trait KnownHead {
    /// What people call it, such as its address.
    fn name(&self) -> &str;

    /// What it says of itself.
    fn description(&self) -> &Description;

    /// What a script surely cannot do there, and params that may be set so that it cannot.
    fn reports(&self, prepared: &Prepared) -> Vec<Diagnostic>;
}

/// What holds for a script on a head.
#[derive(Default)]
pub(super) struct Held {
    /// What the head adds to the reports of the check.
    pub reports: Vec<Diagnostic>,
    /// How long the script takes at most; none where it may not run at all.
    pub bound: Option<Bound>,
}

impl Held {
    pub(super) fn by(head: &dyn KnownHead, prepared: &Prepared) -> Held {
        Held { reports: head.reports(prepared), bound: prepared.bound(head.description()) }
    }
}
