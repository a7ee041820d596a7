//! The codes of everything the checker reports, by topic. Uses diagnostics.

mod calls;
mod flow;
mod kinds;
mod light;
mod names;
mod warnings;

use crate::diagnostics::codes::{Code, Topic};

/// By topic, in the order of their numbers.
pub const TOPICS: &[Topic] = &[
    Topic { title: "Names and files", codes: names::CODES },
    Topic { title: "Kinds and values", codes: kinds::CODES },
    Topic { title: "Calls", codes: calls::CODES },
    Topic { title: "Flow, bounds and promises", codes: flow::CODES },
    Topic { title: "Warnings: leftovers", codes: warnings::CODES },
    Topic { title: "Warnings: lock, light and trims", codes: light::CODES },
];

/// Every code of the checker.
pub fn codes() -> impl Iterator<Item = &'static Code> {
    TOPICS.iter().flat_map(|topic| topic.codes)
}
