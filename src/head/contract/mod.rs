//! What every head and gauge must hold to, as one table of contracts that can be tried on any of
//! them: a simulated one, one behind a wire, a replay, or the one that somebody is writing.
//!
//! [`run`] tries them from harmless to light, leaves out what was not allowed, and makes the head
//! safe at the end, whatever happens. It talks to the head itself, without the guard that scripts
//! have, since the head must refuse by itself what is wrong.
//!
//! ```
//! use spintrue::head::contract::{self, Allowed, Found};
//! use spintrue::head::{Rig, sim};
//!
//! let (head, gauge) = sim::open(None, 1).unwrap();
//! let allowed = Allowed { trims: true, switches: true, motion: true, light: true };
//! let link = Rig::new(Box::new(head), Some(Box::new(gauge)));
//! let told = contract::run(Box::new(link), allowed);
//! assert!(told.found.iter().all(|(_, found)| !matches!(found, Found::Broken(_))));
//! assert!(told.safe.laser_off);
//! ```

mod bench;
mod light;
mod moves;
mod outputs;
mod reads;
mod table;
mod trims;

#[cfg(test)]
mod tests;

pub use table::TABLE;

use crate::head::safe::{catch_panic, make_safe_by_steps};
use crate::head::{Calls, Link, SafeState};
use bench::Bench;
use serde::Serialize;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// The most that trying a contract does, on a head that breaks it too.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Does {
    /// Reads, disarms, and makes safe, which brings the polygon down, parks the mirror and sets
    /// outputs as the description has them.
    Reads,
    /// Loads trims and puts the former ones back; stores those that are in force.
    Trims,
    /// Switches outputs and sets channels, whatever stands behind them.
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
    /// What holds, as a sentence.
    pub holds: &'static str,
    /// The most that trying it does.
    pub does: Does,
    check: fn(&mut Bench) -> Found,
}

/// What came of trying a contract.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Found {
    /// It holds, as far as was seen.
    Kept,
    /// It does not; what was seen.
    Broken(String),
    /// It was not tried; why.
    Skipped(String),
}

/// What may be done to the head beyond reading.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Allowed {
    /// [`Does::Trims`]
    pub trims: bool,
    /// [`Does::Switches`]
    pub switches: bool,
    /// [`Does::Moves`]
    pub motion: bool,
    /// [`Does::Light`], which needs motion as well.
    pub light: bool,
}

impl Allowed {
    /// Why a contract may not be tried; none if it may.
    fn refuses(self, does: Does) -> Option<&'static str> {
        match does {
            Does::Trims if !self.trims => Some("trims were not allowed"),
            Does::Switches if !self.switches => Some("switching was not allowed"),
            Does::Moves if !self.motion => Some("motion was not allowed"),
            Does::Light if !self.light => Some("light was not allowed"),
            Does::Light if !self.motion => Some("light needs motion, which was not allowed"),
            _ => None,
        }
    }
}

/// How all of it went.
pub struct Told {
    /// Each contract of [`TABLE`] in its order, and what came of it.
    pub found: Vec<(&'static Contract, Found)>,
    /// How the head was left.
    pub safe: SafeState,
}

impl Told {
    /// Contracts kept, broken and skipped.
    pub fn counts(&self) -> [usize; 3] {
        let count = |which: fn(&Found) -> bool| self.found.iter().filter(|(_, f)| which(f)).count();
        [
            count(|found| *found == Found::Kept),
            count(|found| matches!(found, Found::Broken(_))),
            count(|found| matches!(found, Found::Skipped(_))),
        ]
    }
}

/// Tries every contract that `allowed` lets be tried.
pub fn run(link: Box<dyn Link>, allowed: Allowed) -> Told {
    run_with(link, allowed, Arc::new(AtomicBool::new(false)), &mut |_, _| {})
}

/// The same; tells `heard` of each contract as soon as it was tried, and skips what is left once
/// `stop` is set. The head is made safe in any case.
pub fn run_with(
    link: Box<dyn Link>,
    allowed: Allowed,
    stop: Arc<AtomicBool>,
    heard: &mut dyn FnMut(&'static Contract, &Found),
) -> Told {
    let mut bench = Bench::new(link, allowed, stop.clone());
    let mut found = Vec::new();
    for contract in TABLE {
        let why = allowed.refuses(contract.does);
        let came = match why {
            _ if stop.load(Ordering::SeqCst) => Found::Skipped("stopped".to_string()),
            Some(why) => Found::Skipped(why.to_string()),
            None => tried(contract, &mut bench),
        };
        heard(contract, &came);
        found.push((contract, came));
    }
    stop.store(false, Ordering::SeqCst);
    let safe = bench.leave();
    Told { found, safe }
}

fn tried(contract: &Contract, bench: &mut Bench) -> Found {
    let came = catch_unwind(AssertUnwindSafe(|| (contract.check)(bench)));
    let came =
        came.unwrap_or_else(|panic| Found::Broken(crate::head::safe::broken(&*panic).to_string()));
    // No contract leaves light to the next one.
    if contract.does == Does::Light {
        let _ = catch_panic(|| bench.head.disarm());
    }
    came
}

impl Bench {
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
                self.head.sleep(bench::LOOK)?;
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
            waited += bench::LOOK;
        }
        safe
    }
}
