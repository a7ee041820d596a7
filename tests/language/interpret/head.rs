//! The head that keeps a log.

use spintrue_head::{
    Description, Exposed, Fault, Halt, Head, Laser, LineOrder, SafeState, Status, Trim, Turn,
};
use spintrue_sim::open;
use std::cell::RefCell;
use std::rc::Rc;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// What the head was asked, and how it behaves.
#[derive(Default)]
pub struct Log {
    pub lines: Vec<String>,
    pub time: f64,
    pub armed: bool,
    /// It is locked from this time on.
    pub lock_at: f64,
    /// A request to stop comes while it sleeps.
    pub stop_at: Option<f64>,
    pub clock_stands: bool,
    pub refuses_arm: bool,
    pub refuses_disarm: bool,
    /// The call for trims panics.
    pub panics: bool,
    /// Time passes by itself: this much at each reading of the clock.
    pub tick: f64,
    /// Readings of the clock.
    pub readings: usize,
    /// Looks at the status while armed.
    pub armed_looks: usize,
    /// From this time on lock, interlock, laser or control is lost.
    pub lost: Option<(Loss, f64)>,
    /// When it was disarmed.
    pub dark_at: Vec<f64>,
}

/// What is lost while the laser is armed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Loss {
    Lock,
    Interlock,
    Laser,
    Control,
}

pub struct Logged {
    pub log: Rc<RefCell<Log>>,
    pub stop: Arc<AtomicBool>,
}

fn refused<T>() -> Result<T, Fault> {
    Err(Fault::Refused("not on this head".to_string()))
}

impl Head for Logged {
    fn describe(&mut self) -> Result<Description, Fault> {
        open(None, 1).unwrap().0.describe()
    }
    fn status(&mut self) -> Result<Status, Fault> {
        let mut log = self.log.borrow_mut();
        let time = log.time;
        if !log.armed {
            log.lines.push(format!("look {time:.3}"));
        }
        log.armed_looks += usize::from(log.armed);
        let lost = log.lost.filter(|(_, at)| time >= *at).map(|(loss, _)| loss);
        if lost == Some(Loss::Control) {
            return Err(Fault::Broken("another client made the head safe".to_string()));
        }
        Ok(Status {
            time,
            speed: 0.0,
            target: None,
            locked: time >= log.lock_at && lost != Some(Loss::Lock),
            facet: None,
            rails: Vec::new(),
            interlock_closed: lost != Some(Loss::Interlock),
            laser: if log.armed && lost != Some(Loss::Laser) { Laser::Armed } else { Laser::Off },
            at_rest: true,
            galvanometer: 0.0,
            parked: true,
            temperature: 293.15,
        })
    }
    fn spin(&mut self, _: f64) -> Result<(), Fault> {
        refused()
    }
    fn halt(&mut self, _: Halt) -> Result<(), Fault> {
        refused()
    }
    fn steer(&mut self, _: Option<f64>) -> Result<(), Fault> {
        refused()
    }
    fn turns(&mut self, _: u32) -> Result<Vec<Turn>, Fault> {
        Err(Fault::NotLocked)
    }
    fn trims(&mut self) -> Result<Vec<Trim>, Fault> {
        let mut log = self.log.borrow_mut();
        log.lines.push("trims".to_string());
        assert!(!log.panics, "boom");
        Ok(vec![Trim::default(); 10])
    }
    fn load_trims(&mut self, _: &[Trim]) -> Result<(), Fault> {
        refused()
    }
    fn store_trims(&mut self) -> Result<(), Fault> {
        refused()
    }
    fn arm(&mut self, power: f64) -> Result<(), Fault> {
        let mut log = self.log.borrow_mut();
        log.lines.push(format!("arm {power}"));
        log.armed = true;
        if log.refuses_arm { Err(Fault::InterlockOpen) } else { Ok(()) }
    }
    fn disarm(&mut self) -> Result<(), Fault> {
        let mut log = self.log.borrow_mut();
        log.lines.push("disarm".to_string());
        let time = log.time;
        log.dark_at.push(time);
        if log.refuses_disarm {
            return Err(Fault::Broken("no answer".to_string()));
        }
        log.armed = false;
        Ok(())
    }
    fn expose(&mut self, _: &LineOrder) -> Result<Exposed, Fault> {
        refused()
    }
    fn now(&mut self) -> f64 {
        let mut log = self.log.borrow_mut();
        log.readings += 1;
        log.time += log.tick;
        log.time
    }
    fn sleep(&mut self, seconds: f64) {
        let mut log = self.log.borrow_mut();
        if !log.clock_stands {
            log.time += seconds;
        }
        if log.stop_at.is_some_and(|at| log.time >= at) {
            self.stop.store(true, Ordering::Relaxed);
        }
    }
    fn make_safe(&mut self, kept_spinning: bool) -> SafeState {
        let (laser_off, parked, at_rest) = (true, true, true);
        SafeState { laser_off, parked, speed: 0.0, at_rest, kept_spinning, troubles: Vec::new() }
    }
}
