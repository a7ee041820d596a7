//! A simulated head whose time passes as on a bench: its clock follows the clock on the wall, and
//! whoever waits for it waits. Uses the head trait.

#![allow(clippy::disallowed_methods, reason = "this head owns a real clock")]

use crate::head::{
    Description, Exposed, ExposedPage, Fault, Gauge, Halt, Head, LineOrder, PageOrder, Reading,
    SafeState, Status, Trim, Turn,
};
use std::cell::RefCell;
use std::rc::Rc;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

/// Longest sleep between two looks at the stop flag.
const SLICE: Duration = Duration::from_millis(20);

/// Longest time that a single call lets the head's clock run ahead at once.
const AHEAD_MOST: f64 = 1e6;

/// The head and its gauge on the clock of the wall. `stop` ends a wait early.
pub fn realtime(
    head: Box<dyn Head>,
    gauge: Option<Box<dyn Gauge>>,
    stop: Arc<AtomicBool>,
) -> (Box<dyn Head>, Option<Box<dyn Gauge>>) {
    let mut head = head;
    let offset = head.now();
    let paced = Paced { head, started: Instant::now(), offset, stop };
    let paced = Rc::new(RefCell::new(paced));
    let gauge = gauge.map(|inner| {
        let paced = Rc::clone(&paced);
        Box::new(PacedGauge { inner, paced }) as Box<dyn Gauge>
    });
    (Box::new(PacedHead(paced)), gauge)
}

struct Paced {
    head: Box<dyn Head>,
    started: Instant,
    /// The head's time when the pacing began, in s.
    offset: f64,
    stop: Arc<AtomicBool>,
}

impl Paced {
    /// Head time in s that the wall says it is.
    fn due(&self) -> f64 {
        self.offset + self.started.elapsed().as_secs_f64()
    }

    /// The head lives through what has passed on the wall.
    fn catch_up(&mut self) {
        let behind = self.due() - self.head.now();
        if behind > 0.0 {
            self.head.sleep(behind.min(AHEAD_MOST));
        }
    }

    /// Waits until the wall has passed what the head has lived through, or until somebody asks to
    /// stop: then the head was ahead, and the wall catches up later.
    fn wait(&mut self) {
        loop {
            let ahead = self.head.now() - self.due();
            if ahead <= 0.0 || !ahead.is_finite() {
                return;
            }
            if self.stop.load(Ordering::SeqCst) {
                self.offset += ahead;
                return;
            }
            std::thread::sleep(SLICE.min(Duration::from_secs_f64(ahead.min(1.0))));
        }
    }

    fn during<T>(&mut self, ask: impl FnOnce(&mut dyn Head) -> T) -> T {
        self.catch_up();
        let answer = ask(&mut *self.head);
        self.wait();
        answer
    }

    /// Lets time pass in slices, so that a stop is heard.
    fn sleep(&mut self, seconds: f64) {
        self.catch_up();
        let mut left = seconds;
        while left > 0.0 && !self.stop.load(Ordering::SeqCst) {
            let slice = left.min(SLICE.as_secs_f64());
            self.head.sleep(slice);
            self.wait();
            left -= slice;
        }
    }
}

struct PacedHead(Rc<RefCell<Paced>>);

impl PacedHead {
    fn during<T>(&mut self, ask: impl FnOnce(&mut dyn Head) -> T) -> T {
        self.0.borrow_mut().during(ask)
    }
}

impl Head for PacedHead {
    fn describe(&mut self) -> Result<Description, Fault> {
        self.during(|head| head.describe())
    }

    fn status(&mut self) -> Result<Status, Fault> {
        self.during(|head| head.status())
    }

    fn spin(&mut self, speed: f64) -> Result<(), Fault> {
        self.during(|head| head.spin(speed))
    }

    fn halt(&mut self, how: Halt) -> Result<(), Fault> {
        self.during(|head| head.halt(how))
    }

    fn steer(&mut self, angle: Option<f64>) -> Result<(), Fault> {
        self.during(|head| head.steer(angle))
    }

    fn turns(&mut self, count: u32) -> Result<Vec<Turn>, Fault> {
        self.during(|head| head.turns(count))
    }

    fn trims(&mut self) -> Result<Vec<Trim>, Fault> {
        self.during(|head| head.trims())
    }

    fn load_trims(&mut self, trims: &[Trim]) -> Result<(), Fault> {
        self.during(|head| head.load_trims(trims))
    }

    fn store_trims(&mut self) -> Result<(), Fault> {
        self.during(|head| head.store_trims())
    }

    fn arm(&mut self, power: f64) -> Result<(), Fault> {
        self.during(|head| head.arm(power))
    }

    fn disarm(&mut self) -> Result<(), Fault> {
        self.during(|head| head.disarm())
    }

    fn expose(&mut self, line: &LineOrder) -> Result<Exposed, Fault> {
        self.during(|head| head.expose(line))
    }

    fn expose_page(&mut self, page: &PageOrder) -> Result<ExposedPage, Fault> {
        self.during(|head| head.expose_page(page))
    }

    fn signal(&mut self, name: &str) -> Result<bool, Fault> {
        self.during(|head| head.signal(name))
    }

    fn switch(&mut self, name: &str, on: bool) -> Result<(), Fault> {
        self.during(|head| head.switch(name, on))
    }

    fn channel(&mut self, name: &str) -> Result<f64, Fault> {
        self.during(|head| head.channel(name))
    }

    fn set_channel(&mut self, name: &str, value: f64) -> Result<(), Fault> {
        self.during(|head| head.set_channel(name, value))
    }

    fn now(&mut self) -> f64 {
        let mut paced = self.0.borrow_mut();
        paced.catch_up();
        paced.head.now()
    }

    fn sleep(&mut self, seconds: f64) {
        self.0.borrow_mut().sleep(seconds);
    }

    fn make_safe(&mut self, keep_spinning: bool) -> SafeState {
        self.during(|head| head.make_safe(keep_spinning))
    }
}

struct PacedGauge {
    inner: Box<dyn Gauge>,
    paced: Rc<RefCell<Paced>>,
}

impl Gauge for PacedGauge {
    fn measure(&mut self) -> Result<Reading, Fault> {
        self.paced.borrow_mut().catch_up();
        let reading = self.inner.measure();
        self.paced.borrow_mut().wait();
        reading
    }
}

#[cfg(test)]
mod tests {
    use super::realtime;
    use crate::head::sim;
    use std::sync::Arc;
    use std::sync::atomic::{AtomicBool, Ordering};
    use std::time::{Duration, Instant};

    #[test]
    fn time_passes_while_nothing_is_asked() {
        let (inner, gauge) = sim::open_with(None, 1, &[]).unwrap();
        let stop = Arc::new(AtomicBool::new(false));
        let (mut head, _) = realtime(Box::new(inner), Some(Box::new(gauge)), stop);
        let before = head.now();
        std::thread::sleep(Duration::from_millis(30));
        let passed = head.now() - before;
        assert!(passed >= 0.03, "{passed}");
    }

    #[test]
    fn a_wait_ends_where_somebody_asks_to_stop() {
        let (inner, gauge) = sim::open_with(None, 1, &[]).unwrap();
        let stop = Arc::new(AtomicBool::new(true));
        let (mut head, _) = realtime(Box::new(inner), Some(Box::new(gauge)), stop.clone());
        let started = Instant::now();
        head.sleep(3600.0);
        assert!(started.elapsed() < Duration::from_secs(60));
        stop.store(false, Ordering::SeqCst);
        let before = head.now();
        head.sleep(0.05);
        assert!(head.now() - before >= 0.05);
    }
}
