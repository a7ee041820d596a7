//! A layer that makes the time of a simulated head pass as on a bench: its clock follows the wall
//! clock, and its calls take their time.

#![allow(clippy::disallowed_methods, reason = "this layer owns a real clock")]

use crate::call::{Call, Reply};
use crate::{Calls, Fault, Link};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

/// Longest sleep between two looks at the stop flag.
const SLICE: Duration = Duration::from_millis(20);

/// Longest time in s that a single call lets the head's clock run ahead at once.
const MAX_CATCH_UP: f64 = 1e6;

/// Longest time in s that a simulated head works on the answer to a call, on a busy machine.
const MAX_WORKING: f64 = 0.01;

/// A link on the wall clock.
pub struct Paced<L> {
    link: L,
    started: Instant,
    /// The head's time when the pacing began, in s.
    offset: f64,
    stop: Arc<AtomicBool>,
}

impl<L: Link> Paced<L> {
    /// Puts a link on the wall clock. `stop` ends a wait early.
    pub fn new(mut link: L, stop: Arc<AtomicBool>) -> Paced<L> {
        let offset = link.now();
        Paced { link, started: Instant::now(), offset, stop }
    }

    /// Head time in s by the wall clock.
    fn due(&self) -> f64 {
        self.offset + self.started.elapsed().as_secs_f64()
    }

    /// The head lives through what has passed on the wall clock.
    fn catch_up(&mut self) {
        let behind = self.due() - self.link.now();
        if behind > 0.0 {
            // A head whose link broke says so in the call that follows.
            let _ = self.link.sleep(behind.min(MAX_CATCH_UP));
        }
    }

    /// Waits until the wall clock has passed what the head has lived through. After a request to stop
    /// the head keeps the time that it is ahead; true then.
    fn wait(&mut self) -> bool {
        loop {
            let ahead = self.link.now() - self.due();
            if ahead <= 0.0 || !ahead.is_finite() {
                return false;
            }
            if self.stop.load(Ordering::SeqCst) {
                self.offset += ahead;
                return true;
            }
            std::thread::sleep(SLICE.min(Duration::from_secs_f64(ahead.min(1.0))));
        }
    }

    /// Lets time pass in slices, so that a request to stop is noticed.
    fn sleep_in_slices(&mut self, seconds: f64) -> Result<Reply, Fault> {
        let mut left = seconds;
        while left > 0.0 && !self.stop.load(Ordering::SeqCst) {
            let slice = left.min(SLICE.as_secs_f64());
            self.link.sleep(slice)?;
            self.wait();
            left -= slice;
        }
        Ok(Reply::Done)
    }
}

impl<L: Link> Link for Paced<L> {
    fn call(&mut self, call: &Call) -> Result<Reply, Fault> {
        self.catch_up();
        if let Call::Sleep { seconds } = call {
            return self.sleep_in_slices(*seconds);
        }
        let mut result = self.link.call(call);
        if self.wait() && call.row().waits && result.is_ok() {
            let why = "a stop cut it short: what was done until then is not known";
            return Err(Fault::Refused(why.to_string()));
        }
        if let Ok(Reply::Description(head)) = &mut result {
            // Working something out takes time here that counts.
            head.times.reply_most += MAX_WORKING;
            head.times.reading_most += MAX_WORKING;
        }
        result
    }

    fn now(&mut self) -> f64 {
        self.catch_up();
        self.link.now()
    }
}
