//! The codes of everything the syntax room reports, by topic. Uses diagnostics.

mod brackets;
mod characters;
mod statements;

use crate::diagnostics::codes::{Code, Topic};

/// By topic, in the order of their numbers.
pub const TOPICS: &[Topic] = &[
    Topic { title: "Characters, numbers, texts and units", codes: characters::CODES },
    Topic { title: "Brackets and size", codes: brackets::CODES },
    Topic { title: "Statements and expressions", codes: statements::CODES },
];

/// Every code of the syntax room.
pub fn codes() -> impl Iterator<Item = &'static Code> {
    TOPICS.iter().flat_map(|topic| topic.codes)
}
