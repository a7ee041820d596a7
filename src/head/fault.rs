//! What a head or a gauge can answer instead of doing as asked. No places: the caller adds them.

use serde::{Deserialize, Serialize};
use std::borrow::Cow;
use thiserror::Error;

/// A refusal or a failure of the head or the gauge, in words for the person at the bench.
#[derive(Clone, Debug, Error, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Fault {
    /// The laser cannot be armed, or was disarmed: the interlock chain is open.
    #[error("the interlock is open")]
    InterlockOpen,
    /// The polygon is not locked, or lost its lock.
    #[error("the polygon is not locked")]
    NotLocked,
    /// Lines need an armed laser.
    #[error("the laser is not armed")]
    NotArmed,
    /// The command is not possible while the laser is armed.
    #[error("{what} is refused while the laser is armed")]
    Armed {
        /// The command.
        what: Cow<'static, str>,
    },
    /// The head is not in the state that the command needs.
    #[error("{0}")]
    Refused(String),
    /// A value outside what the head can do.
    #[error("{what} {value} is outside {low} to {high}")]
    OutOfRange {
        /// What was asked for, with its unit written out by the head.
        what: String,
        /// The value.
        value: String,
        /// The smallest possible.
        low: String,
        /// The largest possible.
        high: String,
    },
    /// Pulses that should have come did not.
    #[error("no {0} pulse")]
    NoPulse(Cow<'static, str>),
    /// The word queue ran empty inside a line.
    #[error("the dot-word queue ran empty inside a line")]
    Underrun,
    /// The gauge gave no reading for this line.
    #[error("the gauge lost its reading")]
    LostReading,
    /// There is no gauge on this station.
    #[error("there is no gauge on this station")]
    NoGauge,
    /// The head or its link is broken.
    #[error("{0}")]
    Broken(String),
}

impl Fault {
    /// A value outside what the head can do, all in `unit`: `speed`, `rad/s`, 700 of 60 to 630.
    pub fn outside(what: &str, unit: &str, value: f64, low: f64, high: f64) -> Fault {
        let shown = |value: f64| format!("{value} {unit}");
        let (value, low, high) = (shown(value), shown(low), shown(high));
        Fault::OutOfRange { what: what.to_string(), value, low, high }
    }

    /// `what`, such as `arming`, is not possible while the laser is armed.
    pub fn armed(what: impl Into<Cow<'static, str>>) -> Fault {
        Fault::Armed { what: what.into() }
    }

    /// No `which` pulse came, such as `index`.
    pub fn no_pulse(which: impl Into<Cow<'static, str>>) -> Fault {
        Fault::NoPulse(which.into())
    }

    /// The command was not carried out, and the head says so.
    pub fn is_refusal(&self) -> bool {
        matches!(
            self,
            Fault::NotArmed | Fault::Armed { .. } | Fault::Refused(_) | Fault::OutOfRange { .. }
        )
    }
}

#[cfg(test)]
mod tests {
    use super::Fault;

    #[test]
    fn the_words_of_other_heads_read_back() {
        for what in ["arming", "cleaning the lens", &"x".repeat(1000)] {
            let text = format!("{{\"armed\":{{\"what\":\"{what}\"}}}}");
            let fault = serde_json::from_str::<Fault>(&text).unwrap();
            assert_eq!(fault, Fault::armed(what.to_string()));
            assert_eq!(serde_json::to_string(&fault).unwrap(), text);
        }
    }
}
