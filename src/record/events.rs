//! The events of a run as JSON objects, one a line: what `run --json` prints and `events.jsonl.gz` holds.

use crate::record::about::About;
use serde_json::{Map, Value, json};
use spintrue_language::{
    Budget, CheckBound, CheckEvent, Component, Event, Failure, Finished, Shown, SourceMap,
};

/// The first event.
pub(crate) fn start(about: &About) -> Value {
    let params: Map<String, Value> =
        about.params.iter().map(|(name, value)| (name.clone(), json!(value))).collect();
    let mut head = json!({
        "model": about.head.model,
        "serial": about.head.serial,
        "simulated": about.head.simulated,
        "seed": about.head.simulated.then_some(about.seed),
        "faults": about.faults,
    });
    if let Value::Object(head) = &mut head {
        head.extend(about.replay.then(|| ("replay".to_string(), json!(true))));
        let elsewhere = about.elsewhere.then(|| ("address".to_string(), json!(about.address)));
        head.extend(elsewhere);
    }
    json!({
        "event": "start",
        "spintrue": env!("CARGO_PKG_VERSION"),
        "script": about.script,
        "head": head,
        "params": params,
    })
}

/// A head time in s as files have it, to 1 µs: finer than any wait of a script, which a gauge or clock can tell.
pub(crate) fn moment(time: f64) -> f64 {
    (time * 1e6).round() / 1e6
}

/// An event of the script; none for progress.
pub(crate) fn event(time: f64, event: &Event) -> Option<Value> {
    let time = moment(time);
    Some(match event {
        Event::Params(params) => {
            let params = params.iter().map(|(name, shown)| (name.to_string(), value(shown)));
            let params: Map<String, Value> = params.collect();
            json!({"event": "params", "time": time, "params": params})
        }
        Event::Note(text) => json!({"event": "note", "time": time, "text": text}),
        Event::Recorded { label, shown, plot, .. } => {
            let mut line =
                json!({"event": "recorded", "time": time, "name": label, "value": value(shown)});
            if let (Value::Object(line), Some(plot)) = (&mut line, plot) {
                let plot = json!({"as": plot.sort.text(), "low": plot.low, "high": plot.high});
                line.insert("plot".to_string(), plot);
            }
            line
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
        Event::Held(block) => json!({
            "event": "held",
            "time": time,
            "began": {"value": moment(block.began), "unit": "s"},
            "ended": {"value": moment(block.ended), "unit": "s"},
            "looks": block.looks,
            "longest_gap": {"value": moment(block.longest_gap), "unit": "s"},
            "conditions": block.conditions.iter().map(|held| json!({
                "condition": held.text.as_ref(),
                "smallest": held.range.as_ref().map(|[least, _]| value(least)),
                "largest": held.range.as_ref().map(|[_, most]| value(most)),
                "low": held.low.as_ref().map(bound),
                "high": held.high.as_ref().map(bound),
                "broke": held.breaks,
            })).collect::<Vec<_>>(),
        }),
        Event::Provoked(fault) => json!({"event": "provoked", "time": time, "fault": fault}),
        Event::AlsoFailed(failure) => {
            json!({"event": "also_failed", "time": time, "message": failure.message})
        }
    })
}

/// The last event.
pub(crate) fn end(finished: &Finished, sources: &SourceMap, at_most: Option<f64>) -> Value {
    let failure = finished.failure.as_ref().map(|f| failure_value(f, sources));
    let safe = &finished.safe;
    json!({
        "event": "end",
        "verdict": finished.verdict().kept_as(),
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

fn check_value(time: f64, check: &CheckEvent) -> Value {
    let measured = check.measured.as_ref().map(|measured| {
        json!({
            "value": value(&measured.value),
            "uncertainty": measured.uncertainty.as_ref().map(value),
            "coverage": measured.uncertainty.as_ref().map(|_| measured.coverage),
            "budget": measured.budget.as_ref().map(budget),
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

fn budget(budget: &Budget) -> Value {
    let components = budget.components.iter().map(|part| {
        let Component { name, source, u, degrees } = part;
        json!({"name": name, "source": source, "u": value(u), "degrees_of_freedom": degrees})
    });
    let components: Vec<Value> = components.collect();
    json!({"degrees_of_freedom": budget.degrees, "components": components})
}

fn bound(bound: &CheckBound) -> Value {
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
