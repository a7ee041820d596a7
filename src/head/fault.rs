//! What a head or a gauge can answer instead of doing as asked. No places: the caller adds them.

use crate::head::signals::{SETTING, SWITCHING};
use serde::{Deserialize, Serialize};
use std::sync::Mutex;
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
        #[serde(deserialize_with = "known_text")]
        what: Known,
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
    NoPulse(#[serde(deserialize_with = "known_text")] Known),
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

    /// The command was not carried out, and the head says so.
    pub fn is_refusal(&self) -> bool {
        matches!(
            self,
            Fault::NotArmed | Fault::Armed { .. } | Fault::Refused(_) | Fault::OutOfRange { .. }
        )
    }
}

/// One of [`KNOWN`]; by a name of its own, since serde would borrow a plain `&str` for good.
type Known = &'static str;

/// What the two faults with a fixed wording can say here.
const KNOWN: [&str; 9] = [
    "index",
    "start-of-scan",
    "changing the polygon speed",
    "stopping the polygon",
    "storing trims",
    "arming",
    "asking the operator",
    SWITCHING,
    SETTING,
];

/// What heads of others have said beyond that, kept for good since faults hold it so. Few and short:
/// what comes from a file or a wire must not fill the memory.
static HEARD: Mutex<Vec<&'static str>> = Mutex::new(Vec::new());

/// Most texts that are kept so.
const HEARD_MOST: usize = 64;

/// Most bytes of one.
const TEXT_MOST: usize = 200;

fn known_text<'de, D: serde::Deserializer<'de>>(from: D) -> Result<&'static str, D::Error> {
    let text = String::deserialize(from)?;
    if let Some(known) = KNOWN.into_iter().find(|known| *known == text) {
        return Ok(known);
    }
    let mut heard = HEARD.lock().unwrap_or_else(|lock| lock.into_inner());
    if let Some(known) = heard.iter().find(|known| **known == text) {
        return Ok(known);
    }
    if heard.len() >= HEARD_MOST || text.len() > TEXT_MOST {
        return Ok("what was asked");
    }
    let kept: &'static str = text.leak();
    heard.push(kept);
    Ok(kept)
}

#[cfg(test)]
mod tests {
    use super::Fault;

    #[test]
    fn what_others_say_reads_back_and_stays_bounded() {
        let back = |what: &str| {
            let text = format!("{{\"armed\":{{\"what\":\"{what}\"}}}}");
            match serde_json::from_str::<Fault>(&text).unwrap() {
                Fault::Armed { what } => what,
                other => panic!("{other:?}"),
            }
        };
        for what in ["arming", "cleaning the lens", "cleaning the lens"] {
            assert_eq!(back(what), what);
        }
        assert_eq!(back(&"x".repeat(201)), "what was asked");
        for number in 0..1000 {
            back(&format!("thing {number}"));
        }
        assert_eq!(back("thing 999"), "what was asked");
        assert_eq!(back("cleaning the lens"), "cleaning the lens");
    }
}
