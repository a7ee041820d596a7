//! Calls and replies in words, one line each, in SI units; and where two calls differ.

use crate::call::{Call, Reply};
use crate::{Halt, Laser, Pattern};
use serde_json::Value;

/// Most characters of a value in words.
const MAX_CHARS: usize = 60;

/// A call in words, such as `spin at 500 rad/s`.
pub fn call_words(call: &Call) -> String {
    match call {
        Call::Spin { speed } => format!("spin at {speed} rad/s"),
        Call::Halt { how: Halt::Brake } => "halt, braked".to_string(),
        Call::Halt { how: Halt::Coast } => "halt, coasting".to_string(),
        Call::Steer { angle: Some(angle) } => format!("steer to {angle} rad"),
        Call::Steer { angle: None } => "park".to_string(),
        Call::Turns { count } => format!("watch {count} turns"),
        Call::Trims => "read trims".to_string(),
        Call::LoadTrims { trims } => format!("load {} trims", trims.len()),
        Call::Arm { power } => format!("arm at {power} of full power"),
        Call::Expose { line } => {
            let what = match &line.pattern {
                Pattern::TestMarks => "test marks".to_string(),
                Pattern::Map(places) => format!("a map of {} marks", places.len()),
                Pattern::Words(words) => format!("{} words", words.len()),
            };
            format!("expose {what} with facet {}, {} dots", line.facet, line.dots)
        }
        Call::ExposePage { image, .. } => {
            let (width, height) = image.size();
            format!("expose a page of {height} lines, {width} dots wide")
        }
        Call::DrawSteadily { order } => {
            let who =
                order.facet.map_or("all facets".to_string(), |facet| format!("facet {facet}"));
            format!("draw steadily with {who}, {} dots, {} s", order.dots, order.seconds)
        }
        Call::Signal { signal } => format!("read signal {signal}"),
        Call::Switch { signal, on: true } => format!("switch on {signal}"),
        Call::Switch { signal, on: false } => format!("switch off {signal}"),
        Call::Channel { channel } => format!("read channel {channel}"),
        Call::SetChannel { channel, value } => format!("set channel {channel} to {value} (SI)"),
        Call::Sleep { seconds } => format!("sleep {seconds} s"),
        Call::MakeSafe { keep_spinning: true } => "make safe, spinning on".to_string(),
        Call::Inject { fault, .. } => format!("provoke {fault}"),
        Call::ClearFaults => "mend".to_string(),
        plain => plain.row().name.replace('_', " "),
    }
}

/// A reply in words.
pub fn reply_words(reply: &Reply) -> String {
    match reply {
        Reply::Done => "done".to_string(),
        Reply::Fault(fault) => format!("FAULT: {fault}"),
        Reply::Description(head) => {
            format!("{} {}, {} facets", head.model, head.serial, head.facets)
        }
        Reply::Status(status) => {
            let mut parts = vec![if status.at_rest {
                "at rest".to_string()
            } else {
                format!("{:.2} rad/s", status.speed)
            }];
            parts.push(if status.locked { "locked" } else { "not locked" }.to_string());
            if status.laser == Laser::Armed {
                parts.push("ARMED".to_string());
            }
            if !status.interlock_closed {
                parts.push("interlock open".to_string());
            }
            parts.join(", ")
        }
        Reply::Turns(turns) => {
            let all: f64 = turns.iter().map(|turn| turn.period).sum();
            format!("{} turns in {all:.6} s", turns.len())
        }
        Reply::Trims(trims) => format!("{} trims", trims.len()),
        Reply::Proof(None) => "no proof kept".to_string(),
        Reply::Proof(Some(proof)) => {
            format!("proved at {} rad/s, {} of full power", proof.speed, proof.power)
        }
        Reply::Refusal(None) => "possible".to_string(),
        Reply::Refusal(Some(why)) => format!("not possible: {why}"),
        Reply::Flag(true) => "on".to_string(),
        Reply::Flag(false) => "off".to_string(),
        Reply::Value(value) => format!("{value} (SI)"),
        Reply::Exposed(exposed) => {
            let ran = if exposed.underrun { ", the queue ran empty" } else { "" };
            format!("drawn with facet {}{ran}", exposed.facet)
        }
        Reply::ExposedPage(page) => format!("{} lines drawn, {} missed", page.lines, page.missed),
        Reply::Safe(safe) => {
            let laser = if safe.laser_off { "laser off" } else { "LASER NOT KNOWN TO BE OFF" };
            format!("{laser}, {:.2} rad/s, troubles: {}", safe.speed, safe.troubles.len())
        }
        Reply::Reading(reading) => {
            let (in_scan, cross_scan) = reading.shift();
            let marks = reading.marks.len();
            format!("{marks} marks: in-scan {in_scan} m, cross-scan {cross_scan} m")
        }
    }
}

/// What tells two calls apart: both in words; where these are alike, the first value that differs.
pub(crate) fn apart(one: &Call, other: &Call) -> (String, String) {
    let (first, second) = (call_words(one), call_words(other));
    if first != second {
        return (first, second);
    }
    let values = (serde_json::to_value(one), serde_json::to_value(other));
    let found = match &values {
        (Ok(a), Ok(b)) => differing(a, b, String::new()),
        _ => None,
    };
    match found {
        Some((path, a, b)) => {
            (format!("{first}, {path} being {a}"), format!("{second}, {path} being {b}"))
        }
        None => (first, second),
    }
}

fn differing(one: &Value, other: &Value, path: String) -> Option<(String, String, String)> {
    match (one, other) {
        (Value::Object(a), Value::Object(b)) if a.keys().eq(b.keys()) => {
            a.iter().zip(b.values()).find_map(|((key, x), y)| {
                let dot = if path.is_empty() { "" } else { "." };
                differing(x, y, format!("{path}{dot}{key}"))
            })
        }
        (Value::Array(a), Value::Array(b)) if a.len() == b.len() => {
            let mut pairs = a.iter().zip(b).enumerate();
            pairs.find_map(|(index, (x, y))| differing(x, y, format!("{path}[{index}]")))
        }
        _ => {
            // Texts tell the two zeros apart, which are equal as numbers.
            let (a, b) = (one.to_string(), other.to_string());
            (a != b).then(|| (path, short(&a), short(&b)))
        }
    }
}

fn short(text: &str) -> String {
    if text.chars().count() <= MAX_CHARS {
        return text.to_string();
    }
    text.chars().take(MAX_CHARS).chain(['…']).collect()
}
