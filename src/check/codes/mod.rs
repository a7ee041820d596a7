//! The codes of everything the checker reports, by topic. Uses diagnostics.

mod calls;
mod flow;
mod kinds;
mod light;
mod names;
mod warnings;

use crate::builtins::Effect;
use crate::diagnostics::codes::{Code, Topic};
use crate::program::failure::FailureKind;
use std::borrow::Cow;

/// By topic, in the order of their numbers.
pub const TOPICS: &[Topic] = &[
    Topic { title: "Names and files", codes: names::CODES },
    Topic { title: "Kinds and values", codes: kinds::CODES },
    Topic { title: "Calls", codes: calls::CODES },
    Topic { title: "Flow, bounds and promises", codes: flow::CODES },
    Topic { title: "Warnings: leftovers", codes: warnings::CODES },
    Topic { title: "Warnings: lock, light and trims", codes: light::CODES },
];

/// Why a code is refused or warned of, with the words of the tables that it is about.
pub fn why(code: &Code) -> Cow<'static, str> {
    if !code.why.contains('{') {
        return Cow::Borrowed(code.why);
    }
    let effects: Vec<&str> = Effect::ALL.into_iter().map(Effect::text).collect();
    let kinds: Vec<&str> = FailureKind::caught().collect();
    let filled = code.why.replace("{effects}", &effects.join(", "));
    Cow::Owned(filled.replace("{failures}", &kinds.join(", ")))
}

/// Every code of the checker.
pub fn codes() -> impl Iterator<Item = &'static Code> {
    TOPICS.iter().flat_map(|topic| topic.codes)
}
