//! Which calls are looks: at lock and interlock while armed, at what must hold, and at a condition that is
//! waited for. Most of them decide nothing, and those who keep calls need not keep these.

use crate::station::Station;
use std::cell::Cell;
use std::rc::Rc;

/// Tells a listener of calls whether the call at hand belongs to a look.
#[derive(Debug, Default)]
pub struct Looks {
    /// The look that goes on; 0 outside of looks.
    current: Cell<u64>,
    /// Looks begun so far.
    begun: Cell<u64>,
    decided: Cell<u64>,
}

impl Looks {
    /// The number of the look that goes on.
    pub fn current(&self) -> Option<u64> {
        Some(self.current.get()).filter(|number| *number > 0)
    }

    /// The number of the last look that decided something: a condition came true, or no longer holds.
    pub fn decided(&self) -> u64 {
        self.decided.get()
    }
}

impl Station {
    /// Which calls are looks.
    pub fn looks(&self) -> Rc<Looks> {
        Rc::clone(&self.looks)
    }

    /// Begins a look, which is part of the one that goes on already; gives what [`Station::end_look`] takes.
    pub(crate) fn begin_look(&self) -> u64 {
        let outer = self.looks.current.get();
        if outer == 0 {
            self.looks.begun.set(self.looks.begun.get() + 1);
            self.looks.current.set(self.looks.begun.get());
        }
        outer
    }

    /// Ends a look, and whether it decided something.
    pub(crate) fn end_look(&self, outer: u64, decided: bool) {
        let ended = self.looks.current.replace(outer);
        if decided {
            self.looks.decided.set(ended);
        }
    }
}
