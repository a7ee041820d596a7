//! The checks of a program: what each looks at, and by which rule it is decided.

use crate::program::show::Shower;
use crate::program::tree::{Flag, Number, Ref};
use crate::source::Span;
use std::rc::Rc;

/// A check.
#[derive(Clone, Debug)]
pub struct Expect {
    /// Its label.
    pub label: Ref,
    /// What is expected.
    pub condition: Expectation,
    /// How it is decided.
    pub deciding: Deciding,
    /// Its place in [`Program::checks`](crate::program::tree::Program::checks).
    pub number: usize,
    /// The condition in the script's words.
    pub text: Rc<str>,
    /// The place in the script.
    pub span: Span,
}

/// A condition that must hold while a block runs.
#[derive(Clone, Debug)]
pub struct Held {
    /// A flag, or a value with its limits and no uncertainty.
    pub condition: Expectation,
    /// In the script's words.
    pub text: Rc<str>,
    /// The place in the script.
    pub span: Span,
}

/// The factor that a stated uncertainty is taken to be expanded by where none is said: about 95 % of
/// a normal distribution (JCGM 100:2008, 6.3.3, from memory).
pub const COVERAGE: f64 = 2.0;

/// How a check is decided.
#[derive(Clone, Debug)]
pub struct Deciding {
    /// By which rule, where the value has an uncertainty.
    pub rule: Rule,
    /// By which factor the stated uncertainty is expanded.
    pub coverage: Number,
    /// The script fails unless it conforms.
    pub needed: bool,
}

/// A rule of a check.
#[derive(Clone, Debug)]
pub enum Rule {
    /// The value alone.
    Simple,
    /// The expanded uncertainty as guard band.
    Guard,
    /// A largest probability of a wrong decision.
    Risk(Number),
}

/// A check that the script is to make, known before it runs.
#[derive(Clone, Debug, PartialEq)]
pub struct Planned {
    /// Its label, with `…` where the script puts something in.
    pub label: Rc<str>,
    /// The place in the script.
    pub span: Span,
    /// The script may end without it: it says so, or nothing calls the routine it stands in.
    pub optional: bool,
}

/// What a check looks at.
#[allow(clippy::large_enum_variant, reason = "a check is boxed as a whole")]
#[derive(Clone, Debug)]
pub enum Expectation {
    /// Holds or does not.
    Holds(Flag),
    /// A value against one or two limits.
    Limits {
        /// The value.
        value: Number,
        /// What is stated behind `±`, if anything is.
        uncertainty: Option<Stated>,
        /// Lower limit, and whether the limit itself conforms.
        low: Option<(Number, bool)>,
        /// Upper limit, and whether the limit itself conforms.
        high: Option<(Number, bool)>,
        /// How value and limits are shown.
        shower: Shower,
    },
}

/// An uncertainty behind `±`.
#[derive(Clone, Debug)]
pub enum Stated {
    /// Expanded by the factor of the check.
    Expanded(Number),
    /// A budget: a list of components, expanded by the factor that they lead to.
    Budget(Ref),
}
