//! One head of a campaign: a whole run, and what is kept of it.

use crate::archive::quantity;
use crate::campaign::results::{Column, Row};
use crate::error::Error;
use crate::setup::{Simulated, Stage};
use spintrue_language::{Event, Given, Observer, Prepared, SCRIPT_SOURCE, Verdict, run_script};

/// What is kept of the run on one head.
pub(super) struct Trial {
    /// Without its values, whose columns are those of all heads.
    pub row: Row,
    /// Recorded quantities, each with its value in SI.
    pub values: Vec<(Column, f64)>,
}

impl Observer for Trial {
    fn event(&mut self, _: f64, event: Event) {
        match event {
            Event::Check(check) => self.row.unmet.add(&check),
            Event::Recorded { label, shown, .. } => {
                if let Some((value, unit, shown_unit)) = quantity(&shown) {
                    // Only the last value of a label counts.
                    self.values.retain(|(known, _)| known.label != label);
                    let (unit, shown_unit) = (unit.to_string(), Some(shown_unit));
                    self.values.push((Column { label, unit, shown_unit }, value));
                }
            }
            _ => {}
        }
    }

    fn is_brief(&self) -> bool {
        true
    }
}

/// Runs the script on the head for a seed.
pub(super) fn trial(
    prepared: &Prepared,
    heads: &Simulated,
    given: &Given,
    seed: u64,
) -> Result<Trial, Error> {
    let row = Row { seed, verdict: Verdict::HeadFailed.kept_as(), ..Row::default() };
    let mut trial = Trial { row, values: Vec::new() };
    let script = prepared.sources.get(SCRIPT_SOURCE).map_or("", |source| source.name.as_ref());
    let mut stage = match Stage::open(heads.make(seed)?, script) {
        Ok(stage) => stage,
        Err(Error::HeadFailed(fault)) => {
            trial.row.failure = Some(fault.to_string());
            return Ok(trial);
        }
        Err(other) => return Err(other),
    };
    let (runnable, _) = stage.admit(prepared, None).map_err(|error| {
        error.concluding(format!("the script does not run on the head of seed {seed}"))
    })?;
    // Each head gets all answers from the first on.
    stage.station.set_operator(Box::new(given.clone()));
    let finished = run_script(runnable, &mut stage.station, &mut trial);
    let unreached = finished.unreached.iter().map(|check| check.label.to_string());
    trial.row.unmet.not_reached = unreached.collect();
    trial.row.verdict = finished.verdict().kept_as();
    trial.row.failure = finished.failure.map(|failure| failure.message);
    Ok(trial)
}
