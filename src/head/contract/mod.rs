//! What every head and gauge must keep to, as one table of contracts that can be tried on any of
//! them: a simulated one, one behind a wire, a replay, or one that is being written.
//!
//! [`run_contracts`] tries them from harmless to light, leaves out what was not allowed, and makes the
//! head safe at the end in any case. It talks to the head itself, without the guard that scripts have, since
//! the head must refuse by itself what is wrong.
//!
//! ```
//! use spintrue_head::{ContractOutcome, Gauge, Head, Permissions, Rig, run_contracts};
//!
//! /// Whether a head that was just written keeps every contract that moves and lights nothing.
//! fn keeps_all(head: impl Head + 'static, gauge: impl Gauge + 'static) -> bool {
//!     let link = Rig::new(Box::new(head), Some(Box::new(gauge)));
//!     let report = run_contracts(Box::new(link), Permissions::default());
//!     let broken = |outcome: &ContractOutcome| matches!(outcome, ContractOutcome::Broken(_));
//!     report.safe.laser_off && !report.outcomes.iter().any(|(_, outcome)| broken(outcome))
//! }
//! ```

mod light;
mod moves;
mod outputs;
mod reads;
mod table;
mod trial;
mod trims;

pub use table::CONTRACTS;

use crate::page::paragraph;
use crate::safe::{catch_panic, make_safe_by_steps};
use crate::{Calls, Link, SafeState};
use serde::Serialize;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use trial::{Trial, TrialResult};

/// The most that trying a contract does, on a head that breaks it too.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Risk {
    /// Reads, disarms, and makes safe, which brings the polygon down, parks the mirror and sets
    /// outputs as the description has them.
    Reads,
    /// Loads trims and puts the former ones back; stores those that are in force.
    Trims,
    /// Switches outputs and sets channels.
    Switches,
    /// Spins the polygon and steers the mirror.
    Moves,
    /// Arms the laser, and lets light out.
    Light,
}

/// What a caller may rely on.
pub struct Contract {
    /// In a word or two, such as `lock_in_time`.
    pub name: &'static str,
    /// The most that trying it does.
    pub risk: Risk,
    check: fn(&mut Trial) -> TrialResult<()>,
}

/// What each contract says.
const PAGE: &str = include_str!("contracts.md");

impl Contract {
    /// What holds, as a sentence.
    pub fn holds(&self) -> &'static str {
        paragraph(PAGE, self.name, 0)
    }
}

/// The result of trying a contract.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum ContractOutcome {
    /// It holds, as far as was seen.
    Kept,
    /// It does not; what was seen.
    Broken(String),
    /// It was not tried; why.
    Skipped(String),
}

/// What may be done to the head beyond reading.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Permissions {
    /// [`Risk::Trims`]
    pub trims: bool,
    /// [`Risk::Switches`]
    pub switches: bool,
    /// [`Risk::Moves`]
    pub motion: bool,
    /// [`Risk::Light`], which needs motion as well.
    pub light: bool,
}

impl Permissions {
    /// Why a contract may not be tried; none if it may.
    fn refuses(self, risk: Risk) -> Option<&'static str> {
        match risk {
            Risk::Trims if !self.trims => Some("trims were not allowed"),
            Risk::Switches if !self.switches => Some("switching was not allowed"),
            Risk::Moves if !self.motion => Some("motion was not allowed"),
            Risk::Light if !self.light => Some("light was not allowed"),
            Risk::Light if !self.motion => Some("light needs motion, which was not allowed"),
            _ => None,
        }
    }
}

/// The results of all contracts.
pub struct ContractReport {
    /// Each contract of [`CONTRACTS`] in its order, with its result.
    pub outcomes: Vec<(&'static Contract, ContractOutcome)>,
    /// How the head was left.
    pub safe: SafeState,
}

impl ContractReport {
    /// Contracts kept, broken and skipped.
    pub fn counts(&self) -> [usize; 3] {
        let count = |which: fn(&ContractOutcome) -> bool| {
            self.outcomes.iter().filter(|(_, outcome)| which(outcome)).count()
        };
        [
            count(|outcome| *outcome == ContractOutcome::Kept),
            count(|outcome| matches!(outcome, ContractOutcome::Broken(_))),
            count(|outcome| matches!(outcome, ContractOutcome::Skipped(_))),
        ]
    }
}

/// Tries every contract that `allowed` lets be tried.
pub fn run_contracts(link: Box<dyn Link>, allowed: Permissions) -> ContractReport {
    run_contracts_with(link, allowed, Arc::new(AtomicBool::new(false)), &mut |_, _| {})
}

/// The same; calls `listener` as soon as a contract was tried, and skips the rest once `stop` is
/// set. The head is made safe in any case.
pub fn run_contracts_with(
    link: Box<dyn Link>,
    allowed: Permissions,
    stop: Arc<AtomicBool>,
    listener: &mut dyn FnMut(&'static Contract, &ContractOutcome),
) -> ContractReport {
    let mut trial = Trial::new(link, allowed, stop.clone());
    let mut outcomes = Vec::new();
    for contract in CONTRACTS {
        let why = allowed.refuses(contract.risk);
        let outcome = match why {
            _ if stop.load(Ordering::SeqCst) => ContractOutcome::Skipped("stopped".to_string()),
            Some(why) => ContractOutcome::Skipped(why.to_string()),
            None => tried(contract, &mut trial),
        };
        listener(contract, &outcome);
        outcomes.push((contract, outcome));
    }
    stop.store(false, Ordering::SeqCst);
    let safe = trial.leave();
    ContractReport { outcomes, safe }
}

fn tried(contract: &Contract, trial: &mut Trial) -> ContractOutcome {
    let outcome = match catch_panic(|| Ok((contract.check)(trial))) {
        Ok(Ok(())) => ContractOutcome::Kept,
        Ok(Err(outcome)) => outcome,
        Err(panic) => ContractOutcome::Broken(panic.to_string()),
    };
    // No contract leaves light to the next one.
    if contract.risk == Risk::Light {
        let _ = catch_panic(|| trial.head.disarm());
    }
    outcome
}

impl Trial {
    /// Makes the head safe and sees the polygon to rest, at most for as long as it may coast.
    fn leave(&mut self) -> SafeState {
        let patience = self.described().map_or(1.0, |head| head.coast_most);
        let made = catch_panic(|| self.head.make_safe(false));
        let mut safe = made.unwrap_or_else(|fault| {
            let known = self.described().cloned();
            let mut safe = make_safe_by_steps(&mut *self.head, known.as_ref(), false);
            safe.troubles.insert(0, format!("the head's own way to a safe state failed: {fault}"));
            safe
        });
        let mut waited = 0.0;
        while !safe.at_rest && waited < patience && !self.stopped() {
            let looked = catch_panic(|| {
                self.head.sleep(trial::LOOK)?;
                self.head.status()
            });
            match looked {
                Ok(status) => {
                    safe.speed = status.speed;
                    safe.at_rest = status.at_rest;
                    safe.parked = status.parked;
                }
                Err(_) => break,
            }
            waited += trial::LOOK;
        }
        safe
    }
}
