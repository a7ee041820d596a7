//! A simulated head and gauge behind a counter of calls, which can do something at one of them.

use spintrue::head::sim::{SimGauge, SimHead};
use spintrue::head::{
    Description, Exposed, ExposedPage, Fault, Gauge, Halt, Head, LineOrder, PageOrder, Reading,
    SafeState, Status, Trim, Turn,
};
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

    fn call<T>(&self, act: impl FnOnce() -> Result<T, Fault>) -> Result<T, Fault> {
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

impl Head for Watched {
    fn describe(&mut self) -> Result<Description, Fault> {
        // Asked once, before anything is run.
        self.head.borrow_mut().describe()
    }
    fn status(&mut self) -> Result<Status, Fault> {
        self.call(|| self.head.borrow_mut().status())
    }
    fn spin(&mut self, speed: f64) -> Result<(), Fault> {
        self.call(|| self.head.borrow_mut().spin(speed))
    }
    fn halt(&mut self, how: Halt) -> Result<(), Fault> {
        self.call(|| self.head.borrow_mut().halt(how))
    }
    fn steer(&mut self, angle: Option<f64>) -> Result<(), Fault> {
        self.call(|| self.head.borrow_mut().steer(angle))
    }
    fn turns(&mut self, count: u32) -> Result<Vec<Turn>, Fault> {
        self.call(|| self.head.borrow_mut().turns(count))
    }
    fn trims(&mut self) -> Result<Vec<Trim>, Fault> {
        self.call(|| self.head.borrow_mut().trims())
    }
    fn load_trims(&mut self, trims: &[Trim]) -> Result<(), Fault> {
        self.call(|| self.head.borrow_mut().load_trims(trims))
    }
    fn store_trims(&mut self) -> Result<(), Fault> {
        let in_force = self.head.borrow().truth().trims;
        self.log.borrow_mut().stored.push(in_force);
        self.call(|| self.head.borrow_mut().store_trims())
    }
    fn arm(&mut self, power: f64) -> Result<(), Fault> {
        self.call(|| self.head.borrow_mut().arm(power))
    }
    fn disarm(&mut self) -> Result<(), Fault> {
        self.call(|| self.head.borrow_mut().disarm())
    }
    fn expose(&mut self, line: &LineOrder) -> Result<Exposed, Fault> {
        self.log.borrow_mut().lines += 1;
        self.call(|| self.head.borrow_mut().expose(line))
    }
    fn expose_page(&mut self, page: &PageOrder) -> Result<ExposedPage, Fault> {
        self.log.borrow_mut().lines += page.image.height() as usize;
        self.call(|| self.head.borrow_mut().expose_page(page))
    }
    fn signal(&mut self, name: &str) -> Result<bool, Fault> {
        self.call(|| self.head.borrow_mut().signal(name))
    }
    fn switch(&mut self, name: &str, on: bool) -> Result<(), Fault> {
        self.call(|| self.head.borrow_mut().switch(name, on))
    }
    fn channel(&mut self, name: &str) -> Result<f64, Fault> {
        self.call(|| self.head.borrow_mut().channel(name))
    }
    fn set_channel(&mut self, name: &str, value: f64) -> Result<(), Fault> {
        self.call(|| self.head.borrow_mut().set_channel(name, value))
    }
    fn now(&mut self) -> f64 {
        self.count(true);
        self.head.borrow_mut().now()
    }
    fn sleep(&mut self, seconds: f64) {
        self.count(false);
        self.head.borrow_mut().sleep(seconds);
    }
    fn make_safe(&mut self, keep_spinning: bool) -> SafeState {
        let call = self.log.borrow().calls;
        self.log.borrow_mut().safe_call.get_or_insert(call);
        self.count(false);
        self.head.borrow_mut().make_safe(keep_spinning)
    }
}

impl Gauge for Watched {
    fn measure(&mut self) -> Result<Reading, Fault> {
        self.call(|| self.gauge.borrow_mut().measure())
    }
}
