//! A head that refuses to be made safe, behind a server.

use crate::line::PATIENCE;
use crate::served::Server;
use spintrue_head::{Call, Fault, Link, Reply, Rig, SafeState, Served};
use spintrue_sim::open;
use std::sync::Arc;
use std::sync::mpsc::{Sender, channel};
use std::thread;
use std::time::{Duration, Instant};

/// A head that refuses to be made safe a few times.
struct Stubborn {
    inner: Rig,
    refusals: u32,
    asked: Sender<Instant>,
}

impl Link for Stubborn {
    fn call(&mut self, call: &Call) -> Result<Reply, Fault> {
        if !matches!(call, Call::MakeSafe { .. }) {
            return self.inner.call(call);
        }
        self.asked.send(Instant::now()).unwrap();
        if self.refusals == 0 {
            return self.inner.call(call);
        }
        self.refusals -= 1;
        Ok(Reply::Safe(SafeState {
            laser_off: false,
            parked: false,
            speed: f64::NAN,
            at_rest: false,
            kept_spinning: false,
            troubles: vec!["it does not answer (invented)".to_string()],
        }))
    }

    fn now(&mut self) -> f64 {
        self.inner.now()
    }
}

/// It is tried again every second, and people are told how that ended.
#[test]
fn a_head_that_would_not_be_made_safe_is_tried_again() {
    let (asked, times) = channel();
    let server = Server::of(move || {
        let (head, gauge) = open(None, 1).unwrap();
        let inner = Rig::new(Box::new(head), Some(Box::new(gauge)));
        Served {
            secret_at_lines: true,
            link: Box::new(Stubborn { inner, refusals: 3, asked }),
            real_time: false,
            seed: Some(1),
            secret: None,
            limit: Duration::from_secs(1),
            cut: Arc::default(),
        }
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
