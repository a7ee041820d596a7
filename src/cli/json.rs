//! A run as machines read it: JSON Lines on standard output, one object per event.

use crate::cli::pages;
use crate::cli::pages::ExposedPage;
use crate::cli::run::Printer;
use crate::error::Error;
use crate::record::{About, events};
use crate::terminal::emit;
use serde_json::{Value, json};
use spintrue_language::{Event, FailureKind, Finished, Observer, Prepared, Verdict};

/// Prints a run for machines.
pub(super) struct Json {
    /// Longest head time in s that the run can take.
    at_most: Option<f64>,
}

impl Json {
    pub(super) fn new(about: &About) -> Self {
        line(&events::start(about));
        Json { at_most: about.at_most }
    }
}

/// Prints the end of a run whose head could not be opened or did not answer.
pub(super) fn not_begun(error: &Error) {
    let verdict = match error {
        Error::HeadFailed(_) => Verdict::HeadFailed.kept_as(),
        _ => "not run".to_string(),
    };
    let why = error.to_string();
    line(&json!({
        "event": "end",
        "verdict": verdict,
        "exit_code": error.exit_code(),
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
        if let Some(value) = events::event(time, &event) {
            line(&value);
        }
    }
}

impl Printer for Json {
    fn pages(&mut self, pages: &[ExposedPage]) {
        pages.iter().for_each(|page| line(&pages::value(page)));
    }

    fn finish(&mut self, finished: &Finished, prepared: &Prepared) {
        line(&events::end(finished, &prepared.sources, self.at_most));
    }
}
