//! The head under trial: calls that are timed against what the head states, and ways to a state.

use crate::contract::{Outcome, Permissions};
use crate::optics::{Decides, LinePlan, LineRequest, plan_line};
use crate::safe::catch_panic;
use crate::{
    Calls, Description, Exposed, Fault, Halt, LineOrder, Link, Reading, SafeState, Status, Times,
    Trim, Turn,
};
use std::fmt::Display;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// Time in s between two looks at something that is waited for.
pub(super) const LOOK: f64 = 0.05;

/// What clocks may be off by in s, rounding of doubles included.
const SLACK: f64 = 1e-6;

/// Resolution of a test line in dots per metre, 300 dpi; or a quarter of it.
const RESOLUTION: f64 = 300.0 / 0.0254;

/// How many times an infeasible test line is halved before giving up.
const HALVINGS: usize = 8;

/// Late calls that are reported.
const MAX_LATE: usize = 3;

/// What a check returns: on failure what was seen, or why it was skipped.
pub(super) type TrialResult<T> = Result<T, Outcome>;

/// A head on trial.
pub(super) struct Trial {
    pub(super) head: Box<dyn Link>,
    description: Option<Description>,
    allowed: Permissions,
    stop: Arc<AtomicBool>,
    /// Calls that took longer than the head states.
    late: Vec<String>,
    /// The speed that was asked for last, in rad/s.
    speed: Option<f64>,
    /// Armed, and nothing exposed since.
    fresh: bool,
}

/// The contract is broken by what was seen.
pub(super) fn broken(seen: impl Into<String>) -> Outcome {
    Outcome::Broken(seen.into())
}

/// The value; the contract is broken where the head answers with a fault, which means `what`.
pub(super) fn or_broken<T>(what: impl Display, result: Result<T, Fault>) -> TrialResult<T> {
    result.map_err(|fault| broken(format!("{what}: {fault}")))
}

/// The value; the contract is skipped where the head answers with a fault, which means `what`.
pub(super) fn or_skipped<T>(what: impl Display, result: Result<T, Fault>) -> TrialResult<T> {
    result.map_err(|fault| Outcome::Skipped(format!("{what}: {fault}")))
}

/// Holds, or is broken by what was seen.
pub(super) fn holds(kept: bool, seen: impl FnOnce() -> String) -> TrialResult<()> {
    if kept { Ok(()) } else { Err(broken(seen())) }
}

/// A command must be refused; what it is, for the report.
pub(super) fn refused<T>(what: &str, answer: Result<T, Fault>) -> TrialResult<Fault> {
    match answer {
        Ok(_) => Err(broken(format!("{what} was taken instead of refused"))),
        Err(Fault::Broken(why)) => Err(broken(format!("{what} was not refused but failed: {why}"))),
        Err(why) => Ok(why),
    }
}

impl Trial {
    pub(super) fn new(head: Box<dyn Link>, allowed: Permissions, stop: Arc<AtomicBool>) -> Trial {
        let mut head = head;
        let description = catch_panic(|| head.describe()).ok();
        let (late, speed, fresh) = (Vec::new(), None, false);
        Trial { head, description, allowed, stop, late, speed, fresh }
    }

    pub(super) fn described(&self) -> Option<&Description> {
        self.description.as_ref()
    }

    /// What the head is; without that, nothing can be judged.
    pub(super) fn description(&self) -> TrialResult<Description> {
        let none = || Outcome::Skipped("the head does not say what it is".to_string());
        self.description.clone().ok_or_else(none)
    }

    /// Outputs may be switched.
    pub(super) fn may_switch(&self) -> bool {
        self.allowed.switches
    }

    /// Trims may be loaded.
    pub(super) fn may_trim(&self) -> bool {
        self.allowed.trims
    }

    pub(super) fn stopped(&self) -> bool {
        self.stop.load(Ordering::SeqCst)
    }

    pub(super) fn late(&self) -> &[String] {
        &self.late
    }

    /// Lets time pass. A head that fails there fails in the next call.
    pub(super) fn pause(&mut self, seconds: f64) {
        let _ = self.head.sleep(seconds);
    }

    /// Makes the head safe, which must not fail.
    pub(super) fn make_safe(&mut self, keep_spinning: bool) -> TrialResult<SafeState> {
        let made = self.head.make_safe(keep_spinning);
        made.map_err(|fault| broken(format!("the head cannot be made safe: {fault}")))
    }

    /// A call that takes `good` s at most where it succeeds, and `silence` s more where it fails.
    fn timed<T>(
        &mut self,
        what: &str,
        (good, silence): (f64, f64),
        call: impl FnOnce(&mut Trial) -> Result<T, Fault>,
    ) -> Result<T, Fault> {
        let before = self.head.now();
        let answer = call(self);
        let took = self.head.now() - before;
        let most = if answer.is_ok() { good } else { good + silence };
        if took > most + SLACK && self.late.len() < MAX_LATE {
            self.late.push(format!("{what} took {took:.6} s instead of at most {most:.6} s"));
        }
        answer
    }

    /// The times that the head states; endless ones where it states none.
    fn times(&self) -> Times {
        let endless = || Times {
            reply_most: f64::INFINITY,
            silence_most: f64::INFINITY,
            reading_most: f64::INFINITY,
            gauge_silence_most: f64::INFINITY,
            ..Times::default()
        };
        self.description.as_ref().map_or_else(endless, |head| head.times)
    }

    /// Time in s without an answer or a pulse after which a call is given up.
    fn silence(&self) -> f64 {
        let times = self.times();
        times.silence_most.max(times.pulse_silence_most)
    }

    fn plain<T>(
        &mut self,
        what: &str,
        call: impl FnOnce(&mut dyn Link) -> Result<T, Fault>,
    ) -> Result<T, Fault> {
        let Times { reply_most, silence_most, .. } = self.times();
        self.timed(what, (reply_most, silence_most), |trial| call(&mut *trial.head))
    }

    /// The same of a signal or a channel.
    fn line<T>(
        &mut self,
        what: &str,
        call: impl FnOnce(&mut dyn Link) -> Result<T, Fault>,
    ) -> Result<T, Fault> {
        let times = self.times();
        let limits = (times.station_reply_most(), times.silence_most);
        self.timed(what, limits, |trial| call(&mut *trial.head))
    }

    pub(super) fn describe(&mut self) -> Result<Description, Fault> {
        self.plain("describe", |head| head.describe())
    }

    /// How the head stands, which it must say.
    pub(super) fn status(&mut self) -> TrialResult<Status> {
        or_broken("the status cannot be read", self.plain("status", |head| head.status()))
    }

    pub(super) fn trims(&mut self) -> TrialResult<Vec<Trim>> {
        or_broken("the trims cannot be read", self.plain("trims", |head| head.trims()))
    }

    pub(super) fn load(&mut self, trims: &[Trim]) -> Result<(), Fault> {
        self.plain("load_trims", |head| head.load_trims(trims))
    }

    pub(super) fn store(&mut self) -> Result<(), Fault> {
        self.plain("store_trims", |head| head.store_trims())
    }

    pub(super) fn spin(&mut self, speed: f64) -> Result<(), Fault> {
        let answer = self.plain("spin", |head| head.spin(speed));
        if answer.is_ok() {
            self.speed = Some(speed);
        }
        answer
    }

    pub(super) fn halt(&mut self, how: Halt) -> Result<(), Fault> {
        self.plain("halt", |head| head.halt(how))
    }

    pub(super) fn steer(&mut self, angle: Option<f64>) -> Result<(), Fault> {
        self.plain("steer", |head| head.steer(angle))
    }

    pub(super) fn arm(&mut self, power: f64) -> Result<(), Fault> {
        self.fresh = true;
        self.plain("arm", |head| head.arm(power))
    }

    pub(super) fn disarm(&mut self) -> TrialResult<()> {
        or_broken("the laser cannot be disarmed", self.plain("disarm", |head| head.disarm()))
    }

    pub(super) fn signal(&mut self, name: &str) -> Result<bool, Fault> {
        self.line("signal", |head| head.signal(name))
    }

    pub(super) fn switch(&mut self, name: &str, on: bool) -> Result<(), Fault> {
        self.line("switch", |head| head.switch(name, on))
    }

    pub(super) fn channel(&mut self, name: &str) -> Result<f64, Fault> {
        self.line("channel", |head| head.channel(name))
    }

    pub(super) fn set_channel(&mut self, name: &str, value: f64) -> Result<(), Fault> {
        self.line("set_channel", |head| head.set_channel(name, value))
    }

    pub(super) fn turns(&mut self, count: u32) -> Result<Vec<Turn>, Fault> {
        let most = self.description.as_ref().map_or(f64::INFINITY, |d| {
            d.turns_most(f64::from(count), self.speed.unwrap_or(d.speed_least)) + d.times.reply_most
        });
        self.timed("turns", (most, self.silence()), |trial| trial.head.turns(count))
    }

    pub(super) fn expose(&mut self, line: &LineOrder) -> Result<Exposed, Fault> {
        let arming = std::mem::take(&mut self.fresh);
        let most = self.description.as_ref().map_or(f64::INFINITY, |d| {
            let ready = if arming { d.times.arming_most } else { 0.0 };
            let most = d.expose_most(self.speed.unwrap_or(d.speed_least));
            ready + most + d.times.reply_most
        });
        self.timed("expose", (most, self.silence()), |trial| trial.head.expose(line))
    }

    pub(super) fn measure(&mut self) -> TrialResult<Result<Reading, Fault>> {
        let Times { reading_most, gauge_silence_most, .. } = self.times();
        Ok(self.timed("measure", (reading_most, gauge_silence_most), |trial| trial.head.measure()))
    }

    /// Looks until `there`, at most for `patience` s; gives the last look, and whether it came.
    pub(super) fn until(
        &mut self,
        patience: f64,
        there: impl Fn(&Status) -> bool,
    ) -> TrialResult<(Status, bool)> {
        let start = self.head.now();
        // Counted as well, for a clock that stands still must not keep us here.
        let mut waited = 0.0;
        loop {
            let status = self.status()?;
            if there(&status) {
                return Ok((status, true));
            }
            if self.stopped() {
                return Err(Outcome::Skipped("stopped".to_string()));
            }
            if waited > patience || self.head.now() - start > patience {
                return Ok((status, false));
            }
            self.pause(LOOK);
            waited += LOOK;
        }
    }

    /// A speed well inside what the head can do, in rad/s.
    pub(super) fn usual_speed(&self) -> TrialResult<f64> {
        let head = self.description()?;
        Ok(head.speed_least + 0.7 * (head.speed_most - head.speed_least))
    }

    /// Runs and locks at the usual speed, where that can be had: another contract says it must.
    pub(super) fn locked(&mut self) -> TrialResult<Status> {
        let patience = self.description()?.spin_up_most;
        let speed = self.usual_speed()?;
        let status = self.status()?;
        if status.locked && self.speed == Some(speed) {
            return Ok(status);
        }
        or_skipped("the polygon does not spin", self.spin(speed))?;
        match self.until(patience, |status| status.locked)? {
            (status, true) => Ok(status),
            (_, false) => Err(Outcome::Skipped("the polygon does not lock".to_string())),
        }
    }

    /// Brings the polygon to rest, where that can be had.
    pub(super) fn rest(&mut self) -> TrialResult<Status> {
        let patience = self.description()?.coast_most;
        let status = self.status()?;
        if status.at_rest {
            return Ok(status);
        }
        or_skipped("the polygon does not stop", self.halt(Halt::Brake))?;
        match self.until(patience, |status| status.at_rest)? {
            (status, true) => Ok(status),
            (_, false) => Err(Outcome::Skipped("the polygon does not come to rest".to_string())),
        }
    }

    /// A test line that the head can draw at the usual speed: as long as can be planned.
    pub(super) fn plan(&self) -> TrialResult<LinePlan> {
        let head = self.description()?;
        let mut request = LineRequest {
            facets: head.facets,
            speed: self.usual_speed()?,
            decides: Decides::FocalLength(head.focal_length),
            length: 0.9 * head.line_most,
            resolution: RESOLUTION,
            hardware: Some(head.hardware()),
        };
        let mut why = String::new();
        for _ in 0..=HALVINGS {
            let coarser = LineRequest { resolution: request.resolution / 4.0, ..request };
            for request in [request, coarser] {
                match plan_line(&request) {
                    Ok(plan) if plan.feasible => return Ok(plan),
                    Ok(plan) => why = plan.reasons.join("; "),
                    Err(error) => why = error.to_string(),
                }
            }
            request.length /= 2.0;
        }
        Err(Outcome::Skipped(format!("no test line can be planned, however short: {why}")))
    }
}
