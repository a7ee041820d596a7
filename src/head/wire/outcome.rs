//! What came of the unit before, as `FAULt?` tells it: every fault of the head with its kind and
//! its words, so that none is lost on the way. Pure; uses faults.

use crate::Fault;
use crate::wire::codec::Parameters;
use crate::wire::errors::WireError;
use crate::wire::message::Argument;
use crate::wire::reply::{joined, text};
use crate::wire::suffix::Kind;

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
    let parts = |kind: &str, texts: &[&str]| {
        joined(core::iter::once(text(kind)).chain(texts.iter().map(|said| text(said))))
    };
    match outcome {
        None => parts("none", &[]),
        Some(Failure::Wire(error)) => {
            let code = error.code.to_string().into_bytes();
            joined([text("error"), code, text(&error.words())])
        }
        Some(Failure::Head(fault)) => match fault {
            Fault::InterlockOpen => parts("interlock_open", &[]),
            Fault::NotLocked => parts("not_locked", &[]),
            Fault::NotArmed => parts("not_armed", &[]),
            Fault::Armed { what } => parts("armed", &[what.as_ref()]),
            Fault::Refused(why) => parts("refused", &[why]),
            Fault::OutOfRange { what, value, low, high } => {
                parts("out_of_range", &[what, value, low, high])
            }
            Fault::NoPulse(which) => parts("no_pulse", &[which.as_ref()]),
            Fault::Underrun => parts("underrun", &[]),
            Fault::LostReading => parts("lost_reading", &[]),
            Fault::NoGauge => parts("no_gauge", &[]),
            Fault::Broken(why) => parts("broken", &[why]),
        },
    }
}

/// Reads that; a kind that is not known yet is a failure of the head, with all its words.
pub fn read(values: &[Argument]) -> Result<Option<Failure>, WireError> {
    let mut given = Parameters::new(values);
    let kind = given.text()?;
    if kind == "error" {
        let code = given
            .number(Kind::Plain)
            .map_err(|_| WireError::new(-104, "an error without its number"))?;
        return Ok(Some(Failure::Wire(WireError::new(code as i16, given.text()?))));
    }
    let mut texts = Vec::new();
    while given.more() {
        texts.push(given.text()?);
    }
    // The derived reader knows each kind and which words it takes; a server may leave them out.
    let said = |index: usize| texts.get(index).filter(|text| !text.trim().is_empty());
    let whole = |index: usize, without: &str| said(index).map_or(without, |text| text).to_string();
    let value = match kind.as_str() {
        "none" => return Ok(None),
        "interlock_open" | "not_locked" | "not_armed" | "underrun" | "lost_reading"
        | "no_gauge" => serde_json::Value::String(kind.clone()),
        "armed" => serde_json::json!({ "armed": { "what": whole(0, "what was asked") } }),
        "out_of_range" if (0..4).all(|index| said(index).is_some()) => {
            serde_json::json!({ "out_of_range": {
                "what": whole(0, ""), "value": whole(1, ""), "low": whole(2, ""), "high": whole(3, ""),
            } })
        }
        "out_of_range" => {
            let what = whole(0, "what was asked");
            let value = said(1).map(|value| format!(" {value}")).unwrap_or_default();
            let why = format!("{what}{value} is out of range; the head does not say what it takes");
            serde_json::json!({ "refused": why })
        }
        "no_pulse" => serde_json::json!({ "no_pulse": whole(0, "index or start-of-scan") }),
        "refused" => {
            serde_json::json!({ "refused": whole(0, "the head refused without saying why") })
        }
        "broken" => {
            serde_json::json!({ "broken": whole(0, "the head is broken without saying how") })
        }
        unknown => {
            let why = format!("the head reports `{unknown}`, which this version does not know");
            let words = core::iter::once(why).chain(texts).collect::<Vec<_>>().join(": ");
            return Ok(Some(Failure::Head(Fault::Broken(words))));
        }
    };
    let fault = serde_json::from_value(value);
    fault
        .map(|fault| Some(Failure::Head(fault)))
        .map_err(|why| WireError::new(-104, why.to_string()))
}
