//! Faults that a script asks for: they reach the simulated world beside the head, as somebody at
//! the bench would. Uses the table of faults.

use crate::head::sim::faults::{self, Planned, When};
use crate::head::sim::world::World;
use crate::head::{Fault, FaultInjector};
use core::cell::RefCell;
use std::rc::Rc;

/// Faults that are there or to come at a time.
const FAULTS_MOST: usize = 1000;

/// Reaches into the world of one simulated head.
#[derive(Debug)]
pub struct Provoking {
    pub(super) world: Rc<RefCell<World>>,
}

impl Provoking {
    fn planned(&self, fault: &str) -> Result<Planned, String> {
        if fault.contains('@') {
            return Err("when it strikes is said by `after`, not behind `@`".to_string());
        }
        let mut config = self.world.borrow().config.clone();
        faults::add(&mut config, fault).map_err(|mistakes| {
            let first = mistakes.first().map(|mistake| {
                let help = mistake.help.iter().map(|help| format!("; {help}"));
                format!("{}{}", mistake.message, help.collect::<String>())
            });
            first.unwrap_or_default()
        })?;
        config.faults.pop().ok_or_else(|| "this names no fault".to_string())
    }
}

impl FaultInjector for Provoking {
    fn check_can_inject(&self, fault: &str) -> Result<(), Fault> {
        self.planned(fault).map(drop).map_err(Fault::Refused)
    }

    fn inject(&mut self, fault: &str, after: f64) -> Result<(), Fault> {
        let planned = self.planned(fault).map_err(Fault::Refused)?;
        let mut world = self.world.borrow_mut();
        if world.planned.len() + world.faults.len() >= FAULTS_MOST {
            let why = format!("{FAULTS_MOST} faults are there or to come: mend them first");
            return Err(Fault::Refused(why));
        }
        let now = world.now;
        world.plan_fault(after, planned.fault);
        // What strikes at once has struck when the next call comes.
        world.advance(now);
        Ok(())
    }

    fn clear(&mut self) {
        let mut world = self.world.borrow_mut();
        world.config.faults.retain(|planned| matches!(planned.when, When::Time(_)));
        world.mend();
    }
}
