//! What surely fails, as it is found on the way.

use crate::bounds::exact::Paper;
use crate::bounds::form::{Params, set_of};
use crate::images::ImageFact;
use crate::source::Span;

/// What is known of an image, by the name that the script gives it.
pub(crate) type KnownImages<'a> = &'a dyn Fn(&str) -> Option<ImageFact>;

/// What kind of value it is that surely fails.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(crate) enum Cause {
    /// The head or a built-in refuses it.
    Refused,
    /// A signal or channel that is not there.
    Unknown,
    /// One that cannot be used so.
    Signal,
    /// A division by zero.
    Division,
    /// An index that leads nowhere.
    Index,
    /// The bound of a loop.
    Turns,
    /// A time that is waited.
    Time,
    /// A share of full power.
    Power,
    /// Nothing spins where lock is needed.
    Rest,
    /// A condition that does not come about, or does not hold.
    Vain,
    /// Limits of a check between which nothing lies.
    Limits,
    /// An uncertainty that is none.
    Uncertainty,
}

/// Something that surely fails.
#[derive(Clone, Debug)]
pub(crate) struct Finding {
    pub cause: Cause,
    pub span: Span,
    /// In the words of the run.
    pub why: String,
    pub help: Option<&'static str>,
    /// Params that it depends on, as a set.
    by: Params,
    /// The calls of routines that lead there, innermost first.
    pub calls: Vec<Span>,
}

impl Finding {
    pub(super) fn new(cause: Cause, span: Span, why: impl Into<String>, by: Params) -> Finding {
        Finding { cause, span, why: why.into(), help: None, by, calls: Vec::new() }
    }

    /// It depends on a param of the program.
    pub(crate) fn depends_on(&self, param: usize) -> bool {
        self.by & set_of(param) != 0
    }
}

/// What a walk keeps that looks for what surely fails.
pub(super) struct Proof<'a> {
    pub findings: Vec<Finding>,
    /// Around here it is not sure that a turn of a loop is reached.
    pub doubt: usize,
    pub paper: Paper,
    /// Nothing moves before it starts.
    pub at_rest: bool,
    pub images: KnownImages<'a>,
}
