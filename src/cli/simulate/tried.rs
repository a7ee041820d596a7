//! One head of a campaign: a whole run, and what is kept of it.

use crate::cli::address::Simulated;
use crate::cli::files::{Disk, Supply};
use crate::cli::record::Unmet;
use crate::cli::simulate::results::Column;
use crate::head::station::Station;
use crate::interpret::{Event, Observer};
use crate::operator::Given;
use crate::program::show::Shown;
use crate::session::{self, Prepared, Verdict};
use crate::terminal::told::rendered;
use crate::units::{parse_unit, suited};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

/// What is kept of the run on one head.
pub(super) struct Tried {
    pub seed: u64,
    pub verdict: Verdict,
    /// What ended the run early.
    pub failure: Option<String>,
    /// Checks that do not conform, are undecided, or were not reached.
    pub unmet: Unmet,
    /// Recorded quantities, each with its value in SI.
    pub values: Vec<(Column, f64)>,
}

/// Hears what is kept.
#[derive(Default)]
struct Keeper {
    unmet: Unmet,
    values: Vec<(Column, f64)>,
}

impl Observer for Keeper {
    fn event(&mut self, _: f64, event: Event) {
        match event {
            Event::Check(check) => self.unmet.take(&check),
            Event::Recorded {
                label, shown: Shown::Quantity { value, unit, asked, .. }, ..
            } => {
                let shown_unit = match asked {
                    Some(asked) => asked.text.clone(),
                    None => usual(value, &unit),
                };
                // A value that is recorded again counts as it was last.
                self.values.retain(|(known, _)| known.label != label);
                self.values.push((Column { label, unit, shown_unit: Some(shown_unit) }, value));
            }
            _ => {}
        }
    }
}

/// The unit that a value would be shown in.
fn usual(value: f64, si: &str) -> String {
    let dimension = parse_unit(si).ok().map(|unit| unit.dimension);
    let suited = dimension.and_then(|dimension| suited(value, dimension));
    suited.map_or_else(|| si.to_string(), |unit| unit.text)
}

/// Runs the script on the head that a seed draws. Fails with what is to be printed, where no such
/// head can be made.
pub(super) fn tried(
    prepared: &Prepared,
    heads: &Simulated,
    given: &Given,
    seed: u64,
    stop: &Arc<AtomicBool>,
) -> Result<Tried, String> {
    let mut keeper = Keeper::default();
    let opened = heads.make(seed)?;
    let station = Station::open(opened.link, stop.clone());
    let (verdict, failure) = match station {
        Ok(mut station) => {
            let admitted = prepared.admit(
                station.description(),
                &|fault| station.check_can_inject(fault),
                Vec::new(),
            );
            let runnable = admitted.map_err(|refused| {
                let told = rendered(&refused, &prepared.sources);
                format!("{told}error: the script does not run on the head of seed {seed}")
            })?;
            let script = prepared.sources.get(session::SCRIPT).map_or("", |s| s.name.as_ref());
            station.set_images(Box::new(Supply::new(Disk, script)));
            // Every head is asked from the first answer on.
            station.set_operator(Box::new(given.clone()));
            let finished = session::run(runnable, &mut station, &mut keeper);
            let unreached = finished.unreached.iter().map(|check| check.label.to_string());
            keeper.unmet.not_reached = unreached.collect();
            (finished.verdict(), finished.failure.map(|failure| failure.message))
        }
        Err(fault) => (Verdict::HeadFailed, Some(fault.to_string())),
    };
    Ok(Tried { seed, verdict, failure, unmet: keeper.unmet, values: keeper.values })
}

/// A value in SI, in the unit of a label.
pub(super) fn in_unit(value: f64, unit: &str) -> f64 {
    parse_unit(unit).map_or(value, |unit| unit.from_si(value))
}
