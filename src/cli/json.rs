//! A run as machines read it: JSON Lines on standard output, one object per event.

use crate::cli::pages::{self, Told};
use crate::cli::run::{About, Printer};
use crate::interpret::{Bound, Check, Event, Observer};
use crate::program::failure::{Failure, FailureKind};
use crate::program::show::Shown;
use crate::session::{Finished, Prepared};
use crate::source::SourceMap;
use crate::terminal::emit;
use serde_json::{Map, Value, json};

/// Prints a run for machines.
pub(super) struct Json {
    /// Longest head time in s that the run can take.
    at_most: Option<f64>,
}

impl Json {
    pub(super) fn new(about: &About<'_>) -> Self {
        line(&start(about));
        Json { at_most: about.at_most }
    }
}

/// What stands behind the run.
pub(super) fn start(about: &About<'_>) -> Value {
    let params: Map<String, Value> =
        about.params.iter().map(|(name, value)| (name.clone(), json!(value))).collect();
    let mut start = json!({
        "event": "start",
        "spintrue": env!("CARGO_PKG_VERSION"),
        "script": about.script,
        "head": {
            "model": about.head.model,
            "serial": about.head.serial,
            "simulated": about.head.simulated,
            "seed": about.head.simulated.then_some(about.seed),
            "faults": about.faults,
        },
        "params": params,
    });
    if let Some(head) = start.get_mut("head").and_then(Value::as_object_mut) {
        if about.replay {
            head.insert("replay".to_string(), json!(true));
        }
        if let Some(address) = about.address {
            head.insert("address".to_string(), json!(address));
        }
    }
    start
}

/// Prints the end of a run that was not begun, since its head could not be opened or did not answer.
pub(super) fn not_begun(why: &str, verdict: &str, exit_code: u8) {
    line(&json!({
        "event": "end",
        "verdict": verdict,
        "exit_code": exit_code,
        "checks": null,
        "head": null,
        "took": null,
        "at_most": null,
        "failure": {"kind": FailureKind::Fault.text(), "message": why, "place": null, "calls": []},
    }));
}

fn line(value: &Value) {
    emit(&format!("{value}\n"));
}

impl Observer for Json {
    fn event(&mut self, time: f64, event: Event) {
        if let Some(value) = self::event(time, &event) {
            line(&value);
        }
    }
}

/// Something the script said; none for progress, since a reader of lines has no use for a bar.
pub(super) fn event(time: f64, event: &Event) -> Option<Value> {
    Some(match event {
        Event::Note(text) => json!({"event": "note", "time": time, "text": text}),
        Event::Recorded { label, shown, .. } => {
            json!({"event": "recorded", "time": time, "name": label, "value": value(shown)})
        }
        Event::Check(check) => check_value(time, check),
        Event::Asked { question, wanted, limit, .. } => json!({
            "event": "asked", "time": time, "question": question, "wanted": wanted,
            "limit": {"value": limit, "unit": "s"},
        }),
        Event::Answered { question, shown, who, .. } => json!({
            "event": "answered", "time": time, "question": question, "answer": value(shown),
            "who": who,
        }),
        Event::Progress { .. } => return None,
        Event::Provoked(fault) => json!({"event": "provoked", "time": time, "fault": fault}),
        Event::AlsoFailed(failure) => {
            json!({"event": "also_failed", "time": time, "message": failure.message})
        }
    })
}

impl Printer for Json {
    fn pages(&mut self, told: &[Told]) {
        for page in told {
            line(&pages::value(page));
        }
    }

    fn finish(&mut self, finished: &Finished, prepared: &Prepared) {
        line(&end(finished, prepared, self.at_most));
    }
}

/// How the run ended.
pub(super) fn end(finished: &Finished, prepared: &Prepared, at_most: Option<f64>) -> Value {
    let failure = finished.failure.as_ref().map(|f| failure_value(f, &prepared.sources));
    let safe = &finished.safe;
    json!({
        "event": "end",
        "verdict": finished.verdict().text().to_lowercase(),
        "exit_code": finished.verdict().exit_code(),
        "checks": {
            "conforming": finished.conforming,
            "failing": finished.failing,
            "undecided": finished.undecided,
            "not_reached": finished.unreached.iter().map(|c| c.label.as_ref()).collect::<Vec<_>>(),
        },
        "head": {
            "laser_off": safe.laser_off,
            "parked": safe.parked,
            "at_rest": safe.at_rest,
            "kept_spinning": safe.kept_spinning,
            "speed": {"value": safe.speed, "unit": "rad/s"},
            "troubles": safe.troubles,
        },
        "took": {"value": finished.took, "unit": "s"},
        "at_most": at_most.map(|most| json!({"value": most, "unit": "s"})),
        "failure": failure,
    })
}

fn check_value(time: f64, check: &Check) -> Value {
    let measured = check.measured.as_ref().map(|measured| {
        json!({
            "value": value(&measured.value),
            "uncertainty": measured.uncertainty.as_ref().map(value),
            "coverage": measured.uncertainty.as_ref().map(|_| measured.coverage),
            "rule": measured.uncertainty.as_ref().map(|_| measured.rule.text()),
            "margin": measured.margin.as_ref().map(value),
            "probability": measured.probability,
            "low": measured.low.as_ref().map(bound),
            "high": measured.high.as_ref().map(bound),
        })
    });
    json!({
        "event": "check",
        "time": time,
        "label": check.label,
        "condition": check.text.as_ref(),
        "measured": measured,
        "outcome": check.outcome.text(),
    })
}

fn bound(bound: &Bound) -> Value {
    json!({"at": value(&bound.at), "conforms_at_limit": bound.closed})
}

fn failure_value(failure: &Failure, sources: &SourceMap) -> Value {
    let calls: Vec<String> = failure.calls.iter().map(|call| sources.place(*call)).collect();
    json!({
        "kind": failure.kind.text(),
        "message": failure.message,
        "place": sources.place(failure.place),
        "calls": calls,
    })
}

fn value(shown: &Shown) -> Value {
    match shown {
        Shown::Quantity { value, unit, text, .. } => {
            json!({"value": value, "unit": unit, "text": text})
        }
        Shown::Flag(flag) => json!(flag),
        Shown::Text(text) => json!(text),
        Shown::List(items) => items.iter().map(value).collect(),
        Shown::Record(fields) => {
            let fields = fields.iter().map(|(name, field)| (name.to_string(), value(field)));
            Value::Object(fields.collect())
        }
    }
}
