//! Faults that a script asks for: they reach the simulated world beside the head, as a person at
//! the machine would.

use crate::faults;
use crate::faults::{InjectedFault, When};
use crate::reader::ConfigError;
use crate::world::World;
use core::cell::RefCell;
use spintrue_head::{Fault, FaultInjector};
use std::rc::Rc;

/// Faults that are in force or to come at a time.
const MAX_FAULTS: usize = 1000;

/// Injects faults into one simulated head.
#[derive(Debug)]
pub struct SimInjector {
    pub(super) world: Rc<RefCell<World>>,
}

impl SimInjector {
    fn parse(&self, fault: &str) -> Result<InjectedFault, Fault> {
        if fault.contains('@') {
            let why = "when it strikes is said by `after`, not behind `@`";
            return Err(Fault::Refused(why.to_string()));
        }
        let words = |ConfigError { message, help, .. }| match help {
            Some(help) => format!("{message}; {help}"),
            None => message,
        };
        faults::parse(fault, self.world.borrow().description()).map_err(|mistakes| {
            Fault::Refused(mistakes.into_iter().next().map_or_else(String::new, words))
        })
    }
}

impl FaultInjector for SimInjector {
    fn check_can_inject(&self, fault: &str) -> Result<(), Fault> {
        self.parse(fault).map(|_| ())
    }

    fn inject(&mut self, fault: &str, after: f64) -> Result<(), Fault> {
        let fault = self.parse(fault)?;
        let mut world = self.world.borrow_mut();
        if world.planned.len() + world.faults.len() >= MAX_FAULTS {
            let why = format!("{MAX_FAULTS} faults are there or to come: mend them first");
            return Err(Fault::Refused(why));
        }
        let now = world.now;
        world.plan_fault(after, fault);
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
