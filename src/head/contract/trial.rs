//! The head under trial: calls that are timed against what the head states, and ways to a state.

use crate::call::{Call, Reply};
use crate::contract::{ContractOutcome, Permissions};
use crate::optics::{Decides, Hardware, LinePlan, LineRequest, plan_line};
use crate::safe::catch_panic;
use crate::{Calls, Description, Fault, Halt, Laser, Link, SafeState, Status, Trim};
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
pub(super) type TrialResult<T> = Result<T, ContractOutcome>;

/// A head on trial.
pub(super) struct Trial {
    pub(super) head: Box<dyn Link>,
    description: Option<Description>,
    pub(super) allowed: Permissions,
    stop: Arc<AtomicBool>,
    /// Calls that took longer than the head states.
    pub(super) late: Vec<String>,
    /// The speed that was asked for last, in rad/s.
    speed: Option<f64>,
    /// Armed, and nothing exposed since.
    fresh: bool,
}

/// The contract is broken by what was seen.
pub(super) fn broken(seen: impl Into<String>) -> ContractOutcome {
    ContractOutcome::Broken(seen.into())
}

/// The contract is not tried; why.
pub(super) fn skipped(why: impl Into<String>) -> ContractOutcome {
    ContractOutcome::Skipped(why.into())
}

/// The value; the contract is broken where the head answers with a fault, which means `what`.
pub(super) fn or_broken<T>(what: impl Display, result: Result<T, Fault>) -> TrialResult<T> {
    result.map_err(|fault| broken(format!("{what}: {fault}")))
}

/// The value; the contract is skipped where the head answers with a fault, which means `what`.
pub(super) fn or_skipped<T>(what: impl Display, result: Result<T, Fault>) -> TrialResult<T> {
    result.map_err(|fault| skipped(format!("{what}: {fault}")))
}

/// Holds, or is broken by what was seen.
pub(super) fn holds<S: Into<String>>(kept: bool, seen: impl FnOnce() -> S) -> TrialResult<()> {
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
        let none = || skipped("the head does not say what it is");
        self.description.clone().ok_or_else(none)
    }

    pub(super) fn stopped(&self) -> bool {
        self.stop.load(Ordering::SeqCst)
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

    /// How the head stands, which it must say.
    pub(super) fn status(&mut self) -> TrialResult<Status> {
        or_broken("the status cannot be read", Calls::status(self))
    }

    /// The laser must be off; else that was seen.
    pub(super) fn check_off(&mut self, seen: &str) -> TrialResult<()> {
        let off = self.status()?.laser == Laser::Off;
        holds(off, || seen)
    }

    pub(super) fn trims(&mut self) -> TrialResult<Vec<Trim>> {
        or_broken("the trims cannot be read", Calls::trims(self))
    }

    pub(super) fn disarm(&mut self) -> TrialResult<()> {
        or_broken("the laser cannot be disarmed", Calls::disarm(self))
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
                return Err(skipped("stopped"));
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
            (_, false) => Err(skipped("the polygon does not lock")),
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
            (_, false) => Err(skipped("the polygon does not come to rest")),
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
            // What the clock leaves of the length is no matter of the head.
            hardware: Some(Hardware { length_error_most: f64::MAX, ..head.hardware() }),
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
        Err(skipped(format!("no test line can be planned, however short: {why}")))
    }
}

/// Calls that are timed, but for sleep and for making safe.
impl Link for Trial {
    fn call(&mut self, call: &Call) -> Result<Reply, Fault> {
        if matches!(call, Call::Sleep { .. } | Call::MakeSafe { .. }) {
            return self.head.call(call);
        }
        let (good, silence) = self.limits(call);
        let before = self.head.now();
        let answer = self.head.call(call);
        let took = self.head.now() - before;
        let most = if answer.is_ok() { good } else { good + silence };
        if took > most + SLACK && self.late.len() < MAX_LATE {
            let what = call.row().name;
            self.late.push(format!("{what} took {took:.6} s instead of at most {most:.6} s"));
        }
        match call {
            Call::Spin { speed } if answer.is_ok() => self.speed = Some(*speed),
            Call::Arm { .. } => self.fresh = true,
            Call::Expose { .. } => self.fresh = false,
            _ => {}
        }
        answer
    }

    fn now(&mut self) -> f64 {
        self.head.now()
    }
}

impl Trial {
    /// Longest time in s that a call takes where it succeeds, and how much longer where it fails; endless
    /// where the head states none.
    fn limits(&self, call: &Call) -> (f64, f64) {
        let Some(head) = &self.description else { return (f64::INFINITY, f64::INFINITY) };
        let times = &head.times;
        let bound = (call.row().bound)(head, call, self.speed.unwrap_or(head.speed_least));
        let pulse_silence = times.silence_most.max(times.pulse_silence_most);
        match call {
            Call::Measure => (bound, times.gauge_silence_most),
            Call::Expose { .. } if !self.fresh => {
                (bound - times.arming_most + times.reply_most, pulse_silence)
            }
            Call::Expose { .. } | Call::Turns { .. } => (bound + times.reply_most, pulse_silence),
            _ => (bound, times.silence_most),
        }
    }
}
