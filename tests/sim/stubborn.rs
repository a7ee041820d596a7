//! A head that refuses to be made safe, behind a server.

use crate::line::PATIENCE;
use crate::served::Server;
use spintrue::head::wire::floor::Served;
use spintrue::head::{
    Description, Exposed, Fault, Halt, Head, LineOrder, SafeState, Status, Trim, Turn, sim,
};
use std::sync::mpsc::{Sender, channel};
use std::thread;
use std::time::{Duration, Instant};

/// A head that refuses to be made safe a few times.
struct Stubborn {
    inner: Box<dyn Head>,
    refusals: u32,
    asked: Sender<Instant>,
}

impl Head for Stubborn {
    fn describe(&mut self) -> Result<Description, Fault> {
        self.inner.describe()
    }
    fn status(&mut self) -> Result<Status, Fault> {
        self.inner.status()
    }
    fn spin(&mut self, speed: f64) -> Result<(), Fault> {
        self.inner.spin(speed)
    }
    fn halt(&mut self, how: Halt) -> Result<(), Fault> {
        self.inner.halt(how)
    }
    fn steer(&mut self, angle: Option<f64>) -> Result<(), Fault> {
        self.inner.steer(angle)
    }
    fn turns(&mut self, count: u32) -> Result<Vec<Turn>, Fault> {
        self.inner.turns(count)
    }
    fn trims(&mut self) -> Result<Vec<Trim>, Fault> {
        self.inner.trims()
    }
    fn load_trims(&mut self, trims: &[Trim]) -> Result<(), Fault> {
        self.inner.load_trims(trims)
    }
    fn store_trims(&mut self) -> Result<(), Fault> {
        self.inner.store_trims()
    }
    fn arm(&mut self, power: f64) -> Result<(), Fault> {
        self.inner.arm(power)
    }
    fn disarm(&mut self) -> Result<(), Fault> {
        self.inner.disarm()
    }
    fn expose(&mut self, line: &LineOrder) -> Result<Exposed, Fault> {
        self.inner.expose(line)
    }
    fn now(&mut self) -> f64 {
        self.inner.now()
    }
    fn sleep(&mut self, seconds: f64) {
        self.inner.sleep(seconds);
    }
    fn make_safe(&mut self, keep_spinning: bool) -> SafeState {
        self.asked.send(Instant::now()).unwrap();
        if self.refusals == 0 {
            return self.inner.make_safe(keep_spinning);
        }
        self.refusals -= 1;
        SafeState {
            laser_off: false,
            parked: false,
            speed: f64::NAN,
            at_rest: false,
            kept_spinning: false,
            troubles: vec!["it does not answer (invented)".to_string()],
        }
    }
}

/// It is tried again every second, and people are told how that ended.
#[test]
fn a_head_that_would_not_be_made_safe_is_tried_again() {
    let (asked, times) = channel();
    let server = Server::of(move || {
        let (head, gauge) = sim::open(None, 1).unwrap();
        let head = Stubborn { inner: Box::new(head), refusals: 3, asked };
        let limit = Duration::from_secs(1);
        Served { limit, ..Served::new(Box::new(head), Some(Box::new(gauge)), false) }
    });
    let mut line = server.line();
    line.say("CONT:TAKE;:ROT:SPE 4800 RPM;:CLOC:SLE 20;:LAS:ARM 0.3");
    assert_eq!(line.ask("LAS:ARM?"), "1");
    drop(line);
    let mut looking = server.line();
    let left = Instant::now();
    let from = Instant::now();
    while looking.ask("LAS:ARM?") == "1" {
        assert!(from.elapsed() < PATIENCE);
        thread::sleep(Duration::from_millis(20));
    }
    assert!(left.elapsed() < Duration::from_secs(5), "{:?}", left.elapsed());
    let log = server.end();
    assert!(log[0].contains("hung up") && log[0].contains("THE LASER MAY BE ON"), "{log:?}");
    assert!(log[1].starts_with("tried again: made safe: laser off"), "{log:?}");
    let times: Vec<Instant> = times.iter().collect();
    assert_eq!(times.len(), 4, "no further try once it is safe");
    for pair in times[1..].windows(2) {
        let apart = pair[1] - pair[0];
        assert!(apart > Duration::from_millis(900) && apart < Duration::from_secs(2), "{apart:?}");
    }
}
