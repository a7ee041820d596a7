//! The one table of built-ins: name, signature, effects, documentation, example, function.
//! Uses units, program (types and values), optics, head and statistics. The checker, the interpreter,
//! `spintrue builtins` and the reference pages all read this table.

pub(crate) mod bound;
mod capability;
mod exposure;
mod failures;
mod foreign;
mod lists;
mod motion;
mod numbers;
mod pulses;
mod records;
mod rehearsal;
mod signals;
pub(crate) mod signature;
mod statistics;
mod supply;
mod testing;
mod trims;
mod uncertainty;

pub(crate) use bound::{CallFacts, Extent, Range, ResultBound, TimeBound};
pub(crate) use foreign::foreign_name;
pub(crate) use records::FAILURE;
pub use records::records;
pub(crate) use signals::unlike;
pub(crate) use signature::{Arguments, Context, Function, Trait, Trouble, Work};
pub use signature::{Builtin, Default, Effect, RecordSpec, Spec};
use std::sync::LazyLock;

/// What the open dimensions of a built-in are called in reports.
pub const OPEN_NAMES: [&str; 2] = ["D", "E"];

/// A group of built-ins.
pub struct Topic {
    /// Its heading.
    pub title: &'static str,
    /// What belongs to it.
    pub builtins: &'static [Builtin],
}

/// Every topic, in the order they are listed.
pub const TOPICS: &[Topic] = &[
    Topic { title: "Supply", builtins: supply::BUILTINS },
    Topic { title: "Motion", builtins: motion::BUILTINS },
    Topic { title: "Pulses and facets", builtins: pulses::BUILTINS },
    Topic { title: "Test lines", builtins: testing::BUILTINS },
    Topic { title: "Pages", builtins: exposure::BUILTINS },
    Topic { title: "Trims", builtins: trims::BUILTINS },
    Topic { title: "Signals of the station", builtins: signals::BUILTINS },
    Topic { title: "Rehearsal, on a simulated head", builtins: rehearsal::BUILTINS },
    Topic { title: "Checks and failures", builtins: failures::BUILTINS },
    Topic { title: "Lists", builtins: lists::BUILTINS },
    Topic { title: "Statistics", builtins: statistics::BUILTINS },
    Topic { title: "Uncertainty", builtins: uncertainty::BUILTINS },
    Topic { title: "Capability and gauge studies", builtins: capability::BUILTINS },
    Topic { title: "Numbers", builtins: numbers::BUILTINS },
];

/// Every built-in, by topic.
pub fn table() -> &'static [&'static Builtin] {
    static TABLE: LazyLock<Vec<&'static Builtin>> =
        LazyLock::new(|| TOPICS.iter().flat_map(|topic| topic.builtins).collect());
    &TABLE
}
