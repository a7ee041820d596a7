//! The head that scripts are held against while they are edited, known by its description alone.

use crate::bounds::Bound;
use crate::diagnostics::Diagnostic;
use crate::session::Prepared;
use spintrue_head::Description;
use std::cell::OnceCell;

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

    /// What a script surely cannot do there.
    fn refused(&self, prepared: &Prepared) -> Vec<Diagnostic>;

    /// Params that may be set so that it cannot; none where `go_on` said no on the way, since this may take a
    /// while.
    fn risky(
        &self,
        prepared: &Prepared,
        go_on: &mut dyn FnMut() -> bool,
    ) -> Option<Vec<Diagnostic>>;
}

/// What holds for a script on a head, each once it was asked for.
#[derive(Default)]
pub(super) struct Held {
    /// What the script surely cannot do.
    pub refused: OnceCell<Vec<Diagnostic>>,
    /// Params that may be set so that it cannot.
    pub risky: OnceCell<Vec<Diagnostic>>,
    /// How long it takes at most; none where it may not run at all.
    pub bound: OnceCell<Option<Bound>>,
}
