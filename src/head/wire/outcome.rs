//! What came of the unit before, as `FAULt?` tells it: every fault of the head with its kind and
//! its words, so that none is lost on the way. Pure; uses faults.

use crate::Fault;
use crate::wire::codec::Parameters;
use crate::wire::errors::WireError;
use crate::wire::message::Argument;
use crate::wire::reply::{Values, text};

/// Why a unit failed.
#[derive(Clone, Debug, PartialEq)]
pub enum Failure {
    /// The head or the gauge said so.
    Head(Fault),
    /// It never reached the head.
    Wire(WireError),
}

impl From<Fault> for Failure {
    fn from(fault: Fault) -> Failure {
        Failure::Head(fault)
    }
}

impl From<WireError> for Failure {
    fn from(error: WireError) -> Failure {
        Failure::Wire(error)
    }
}

/// What `FAULt?` answers.
pub(crate) fn told(outcome: Option<&Failure>) -> Vec<u8> {
    let mut to = Values::default();
    let mut tell = |parts: &[&str]| parts.iter().for_each(|part| to.push(text(part)));
    match outcome {
        None => tell(&["none"]),
        Some(Failure::Wire(error)) => {
            to.push(text("error"));
            to.push(error.code.to_string());
            to.push(text(&error.words()));
        }
        Some(Failure::Head(fault)) => match fault {
            Fault::InterlockOpen => tell(&["interlock_open"]),
            Fault::NotLocked => tell(&["not_locked"]),
            Fault::NotArmed => tell(&["not_armed"]),
            Fault::Armed { what } => tell(&["armed", what]),
            Fault::Refused(why) => tell(&["refused", why]),
            Fault::OutOfRange { what, value, low, high } => {
                tell(&["out_of_range", what, value, low, high]);
            }
            Fault::NoPulse(which) => tell(&["no_pulse", which]),
            Fault::Underrun => tell(&["underrun"]),
            Fault::LostReading => tell(&["lost_reading"]),
            Fault::NoGauge => tell(&["no_gauge"]),
            Fault::Broken(why) => tell(&["broken", why]),
        },
    }
    to.0
}

/// Reads that; a kind that is not known yet is a failure of the head, with all its words.
pub fn read_outcome(values: &[Argument]) -> Result<Option<Failure>, WireError> {
    let mut given = Parameters::of_reply(values);
    let kind: String = given.take()?;
    if kind == "error" {
        let code = given.number();
        let code = code.map_err(|_| WireError::new(-104, "an error without its number"))?;
        return Ok(Some(Failure::Wire(WireError::new(code as i16, given.take::<String>()?))));
    }
    let texts: Vec<String> = given.take()?;
    // A server may leave words out.
    let said = |index: usize| texts.get(index).filter(|text| !text.trim().is_empty()).cloned();
    let words = |without: &str| said(0).unwrap_or_else(|| without.to_string());
    Ok(Some(Failure::Head(match kind.as_str() {
        "none" => return Ok(None),
        "interlock_open" => Fault::InterlockOpen,
        "not_locked" => Fault::NotLocked,
        "not_armed" => Fault::NotArmed,
        "armed" => Fault::armed(words("what was asked")),
        "refused" => Fault::Refused(words("the head refused without saying why")),
        "out_of_range" => match (said(0), said(1), said(2), said(3)) {
            (Some(what), Some(value), Some(low), Some(high)) => {
                Fault::OutOfRange { what, value, low, high }
            }
            (_, value, ..) => {
                let value = value.map(|value| format!(" {value}")).unwrap_or_default();
                Fault::Refused(format!(
                    "{}{value} is out of range; the head does not say what it takes",
                    words("what was asked")
                ))
            }
        },
        "no_pulse" => Fault::no_pulse(words("index or start-of-scan")),
        "underrun" => Fault::Underrun,
        "lost_reading" => Fault::LostReading,
        "no_gauge" => Fault::NoGauge,
        "broken" => Fault::Broken(words("the head is broken without saying how")),
        unknown => {
            let why = format!("the head reports `{unknown}`, which this version does not know");
            Fault::Broken(core::iter::once(why).chain(texts).collect::<Vec<_>>().join(": "))
        }
    })))
}
