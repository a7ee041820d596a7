//! What a running script can fail with.

use crate::source::Span;

/// Why it failed, as far as a script or an exit code must know.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FailureKind {
    /// A wait reached its limit.
    Timeout,
    /// The head or the gauge refused or broke.
    Fault,
    /// The script said `fail`.
    Failed,
    /// A value has no meaning: division by zero, an index past the end, a root of a negative.
    Value,
    /// A list, a text or a loop grew past what is allowed.
    Limit,
    /// A question was not answered.
    Unanswered,
    /// A stop was requested. It cannot be caught.
    Interrupted,
}

impl FailureKind {
    /// Every kind.
    pub const ALL: [FailureKind; 7] = [
        FailureKind::Timeout,
        FailureKind::Fault,
        FailureKind::Failed,
        FailureKind::Value,
        FailureKind::Limit,
        FailureKind::Unanswered,
        FailureKind::Interrupted,
    ];

    /// Every kind that can be caught, as `problem.kind` gives it.
    pub fn caught() -> impl Iterator<Item = &'static str> {
        let caught = |kind: &FailureKind| *kind != FailureKind::Interrupted;
        FailureKind::ALL.into_iter().filter(caught).map(FailureKind::text)
    }

    /// As `problem.kind` gives it.
    pub fn text(self) -> &'static str {
        match self {
            FailureKind::Timeout => "timeout",
            FailureKind::Fault => "fault",
            FailureKind::Failed => "failed",
            FailureKind::Value => "value",
            FailureKind::Limit => "limit",
            FailureKind::Unanswered => "unanswered",
            FailureKind::Interrupted => "interrupted",
        }
    }

    /// The kind behind a text, for a caught failure that is passed on.
    pub fn from_text(text: &str) -> FailureKind {
        let mut all = FailureKind::ALL.into_iter();
        all.find(|kind| kind.text() == text).unwrap_or(FailureKind::Failed)
    }
}

/// A failure on its way out.
#[derive(Clone, Debug, PartialEq)]
pub struct Failure {
    /// Why.
    pub kind: FailureKind,
    /// One line for the reader.
    pub message: String,
    /// Where it happened.
    pub place: Span,
    /// The calls that led there, innermost first.
    pub calls: Vec<Span>,
}

impl Failure {
    /// A failure at a place.
    pub fn new(kind: FailureKind, message: impl Into<String>, place: Span) -> Self {
        Failure { kind, message: message.into(), place, calls: Vec::new() }
    }
}
