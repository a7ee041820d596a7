//! What a running script can fail with.

use crate::program::show::{number_text, time_text};
use crate::program::value::{MAX_LIST, MAX_SHOWN, MAX_TEXT};
use crate::source::Span;

macro_rules! kinds {
    ($($(#[doc = $meaning:literal])* $variant:ident $text:literal)*) => {
        /// Why it failed, as far as a script or an exit code must know.
        #[derive(Clone, Copy, Debug, PartialEq, Eq)]
        pub enum FailureKind {
            $($(#[doc = $meaning])* $variant,)*
        }

        impl FailureKind {
            /// Every kind.
            pub const ALL: &[FailureKind] = &[$(FailureKind::$variant),*];

            /// As `problem.kind` gives it.
            pub fn text(self) -> &'static str {
                match self {
                    $(FailureKind::$variant => $text,)*
                }
            }

            /// What it means, in a sentence.
            pub fn meaning(self) -> &'static str {
                match self {
                    $(FailureKind::$variant => concat!($($meaning),*).trim_ascii(),)*
                }
            }
        }
    };
}

kinds! {
    /// A wait reached its limit.
    Timeout "timeout"
    /// The polygon is not locked, or lost its lock.
    NotLocked "not_locked"
    /// The interlock is open, or opened.
    InterlockOpen "interlock_open"
    /// A condition broke that had to hold.
    NotHeld "not_held"
    /// The head, its gauge or the link is silent or broken.
    NoAnswer "no_answer"
    /// Pulses that should have come did not.
    NoPulse "no_pulse"
    /// The gauge lost its reading, or there is no gauge.
    NoReading "no_reading"
    /// The dot-word queue ran empty inside a line.
    Underrun "underrun"
    /// The head or a device that belongs to it refused, or the script said so with `fault`.
    Fault "fault"
    /// The script said `fail`.
    Failed "failed"
    /// A value has no meaning: division by zero, an index past the end, a speed out of its range.
    Value "value"
    /// A list, a text or a loop grew past what is allowed.
    Limit "limit"
    /// A question was not answered.
    Unanswered "unanswered"
    /// A scan cannot be read, or is that of another chart.
    NoScan "no_scan"
    /// A stop was requested. It cannot be caught.
    Interrupted "interrupted"
}

impl FailureKind {
    /// Every kind that can be caught, as `problem.kind` gives it.
    pub fn caught() -> impl Iterator<Item = &'static str> {
        let caught = |kind: &FailureKind| *kind != FailureKind::Interrupted;
        FailureKind::ALL.iter().copied().filter(caught).map(FailureKind::text)
    }

    /// The kind behind a text, for a caught failure that is passed on.
    pub fn from_text(text: &str) -> FailureKind {
        let mut all = FailureKind::ALL.iter().copied();
        all.find(|kind| kind.text() == text).unwrap_or(FailureKind::Failed)
    }
}

/// Most turns that a loop may be asked for.
pub(crate) const MAX_TURNS: f64 = 1e9;

/// Why an index leads nowhere in a list of `count`.
pub(crate) fn bad_index(index: f64, count: usize) -> String {
    let shown = number_text(index);
    if index.fract() != 0.0 || !index.is_finite() {
        format!("index {shown} is not a whole number")
    } else if index < 0.0 {
        format!("index {shown} is negative")
    } else {
        format!("index {shown} is past the end of a list of {count}")
    }
}

/// Why a time cannot be waited.
pub(crate) fn bad_time(seconds: f64) -> String {
    let shown = if seconds.is_nan() { number_text(seconds) } else { time_text(seconds) };
    format!("cannot wait {shown}: a time is finite and not negative")
}

/// Why a loop cannot run so often.
pub(crate) fn bad_turns(times: f64) -> String {
    let (times, most) = (number_text(times), number_text(MAX_TURNS));
    format!("a loop cannot run {times} times: the bound is a whole number from 0 to {most}")
}

/// Why the laser cannot be armed at a share of full power.
pub(crate) fn bad_power(share: f64) -> String {
    let shown = number_text(share);
    format!("cannot arm at {shown}: power is a share above 0 and at most 1 (100 %)")
}

/// Why a check cannot be decided at a risk.
pub(crate) fn bad_risk(risk: f64) -> String {
    format!("the risk of a check is 0 % to 50 %, not {} %", number_text(risk * 100.0))
}

/// Why an uncertainty cannot be expanded.
pub(crate) fn bad_factor(factor: f64) -> String {
    format!("an uncertainty is expanded by a factor above 0, not {}", number_text(factor))
}

/// Why nothing can be stated behind `±`.
pub(crate) const NO_COMPONENTS: &str = "a budget without components has no uncertainty";

/// Why a list cannot be made.
pub(crate) fn long_list() -> String {
    format!("a list may not hold more than {MAX_LIST} numbers")
}

/// Why a range cannot be made into a list.
pub(crate) fn long_range(count: f64) -> String {
    let count = number_text(count);
    format!("a range of {count} numbers is too long for a list, which holds {MAX_LIST} at most")
}

/// Why a text cannot be made.
pub(crate) fn long_text() -> String {
    format!("a text may not be longer than {MAX_TEXT} bytes")
}

/// Why a value cannot be shown.
pub(crate) fn long_value() -> String {
    format!("a value of more than {MAX_SHOWN} parts cannot be shown")
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
