//! A simulated head and gauge behind a counter of calls, which can do something at one of them.

use spintrue_head::{Call, Fault, Head, Link, Reply, Trim, perform_call};
use spintrue_sim::{SimGauge, SimHead};
use std::cell::RefCell;
use std::rc::Rc;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// What happens at one call.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Strike {
    /// Nothing.
    Nothing,
    /// The command is lost on the way there.
    LostCommand,
    /// The command acts, and the answer is lost.
    LostReply,
    /// Ctrl-C is pressed meanwhile.
    Stop,
    /// The driver panics before it acts.
    Panic,
}

/// What was seen.
pub struct Log {
    /// Calls so far.
    pub calls: usize,
    /// Head time of each call in s.
    pub times: Vec<f64>,
    /// The call in which the head is made safe.
    pub safe_call: Option<usize>,
    /// Lines that were asked for, those of pages as well.
    pub lines: usize,
    /// The trims in force whenever they were stored.
    pub stored: Vec<Vec<Trim>>,
    /// At which call something happens, and what.
    pub strike: (usize, Strike),
    /// It happened, and the caller was told of a failure.
    pub told: bool,
    pub stop: Arc<AtomicBool>,
}

impl Log {
    pub fn new(strike: (usize, Strike)) -> Log {
        Log {
            calls: 0,
            times: Vec::new(),
            safe_call: None,
            lines: 0,
            stored: Vec::new(),
            strike,
            told: false,
            stop: Arc::new(AtomicBool::new(false)),
        }
    }
}

/// Head and gauge of one station.
#[derive(Clone)]
pub struct Watched {
    pub head: Rc<RefCell<SimHead>>,
    pub gauge: Rc<RefCell<SimGauge>>,
    pub log: Rc<RefCell<Log>>,
}

impl Watched {
    pub fn new(head: SimHead, gauge: SimGauge, strike: (usize, Strike)) -> Watched {
        Watched {
            head: Rc::new(RefCell::new(head)),
            gauge: Rc::new(RefCell::new(gauge)),
            log: Rc::new(RefCell::new(Log::new(strike))),
        }
    }

    /// Counts a call, of the clock or another one, and tells what happens at it.
    fn count(&self, clock: bool) -> Strike {
        let mut log = self.log.borrow_mut();
        let now = self.head.borrow_mut().now();
        let call = log.calls;
        log.calls += 1;
        log.times.push(now);
        let (at, strike) = log.strike;
        if call != at {
            return Strike::Nothing;
        }
        match strike {
            Strike::Stop => log.stop.store(true, Ordering::SeqCst),
            Strike::Panic => {
                log.told = !clock;
                drop(log);
                panic!("struck");
            }
            _ => {}
        }
        strike
    }

    fn counted(&self, act: impl FnOnce() -> Result<Reply, Fault>) -> Result<Reply, Fault> {
        let lost = || Fault::Broken("struck: nothing was heard".to_string());
        let strike = self.count(false);
        if matches!(strike, Strike::LostCommand | Strike::LostReply) {
            self.log.borrow_mut().told = true;
        }
        match strike {
            Strike::LostCommand => Err(lost()),
            Strike::LostReply => {
                // Whatever the answer was, a failure too, it is lost.
                let _ = act();
                Err(lost())
            }
            _ => act(),
        }
    }
}

impl Link for Watched {
    fn call(&mut self, call: &Call) -> Result<Reply, Fault> {
        let act = || {
            let (mut head, mut gauge) = (self.head.borrow_mut(), self.gauge.borrow_mut());
            let mut injector = head.injector();
            perform_call(&mut *head, Some(&mut *gauge), Some(&mut injector), call)
        };
        match call {
            // Asked once, before anything is run.
            Call::Describe => return act(),
            call if call.is_about_faults() => return act(),
            Call::Sleep { .. } => {
                self.count(false);
                return act();
            }
            Call::MakeSafe { .. } => {
                let number = self.log.borrow().calls;
                self.log.borrow_mut().safe_call.get_or_insert(number);
                self.count(false);
                return act();
            }
            Call::StoreTrims { .. } => {
                let in_force = self.head.borrow().truth().trims;
                self.log.borrow_mut().stored.push(in_force);
            }
            Call::Expose { .. } => self.log.borrow_mut().lines += 1,
            Call::ExposePage { image, .. } => {
                self.log.borrow_mut().lines += image.size().1 as usize;
            }
            _ => {}
        }
        self.counted(act)
    }

    fn now(&mut self) -> f64 {
        self.count(true);
        self.head.borrow_mut().now()
    }
}
