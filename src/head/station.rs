//! A head with its gauge, guarded while armed: the one door through which scripts reach a head.
//!
//! The guard is a help, not a safety function: the hardware interlock chain stands on its own.

use crate::head::safe::{catch_panic, step_by_step};
use crate::head::{
    Description, Exposed, ExposedPage, Fault, Gauge, Halt, Head, Images, Laser, LineOrder,
    PageOrder, Provoker, Reading, SafeState, Status, Trim, Turn,
};
use crate::image::Bitmap;
use crate::operator::{Answer, NoAnswer, Operator, Question};
use crate::units::{Dimension, faithful, show};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use thiserror::Error;

/// Longest sleep in s between two looks at lock and interlock while armed.
pub const ARMED_SLICE: f64 = 0.01;

/// Longest sleep in s between two looks at the stop flag on a real head.
pub const STOP_SLICE: f64 = 0.02;

/// Time in s between two looks at a polygon on its way to rest.
pub const REST_SLICE: f64 = 0.05;

/// Longest sleep in s that one call takes: more is a mistake in a unit.
pub const SLEEP_MOST: f64 = 1e6;

const NOT_SIMULATED: &str = "faults are provoked on a simulated head only, and this is none";

/// Why a call came to nothing.
#[derive(Clone, Debug, Error, PartialEq)]
pub enum StationError {
    /// The head or the gauge refused or failed.
    #[error(transparent)]
    Fault(#[from] Fault),
    /// Somebody asked to stop.
    #[error("interrupted")]
    Interrupted,
    /// A question has no answer.
    #[error("no answer")]
    NoAnswer(NoAnswer),
}

pub(crate) type Outcome<T> = Result<T, StationError>;

/// A head, its gauge if it has one, and the guard over both.
///
/// From [`Station::arm`] to [`Station::disarm`] every call is followed by a look at lock and
/// interlock; a loss disarms at once and is what the call returns, unless the call itself failed
/// because something is broken, which is the cause then. Numbers that are not finite, or beyond
/// what the description allows, never reach the head. Once the stop flag is set, every call but [`Station::now`],
/// [`Station::disarm`] and [`Station::make_safe`] returns [`StationError::Interrupted`], with the
/// laser disarmed. Whoever drops a station that was commanded and not made safe makes it safe.
pub struct Station {
    head: Box<dyn Head>,
    gauge: Option<Box<dyn Gauge>>,
    images: Option<Box<dyn Images>>,
    provoker: Option<Box<dyn Provoker>>,
    /// What was provoked and not told of yet.
    provoked: Vec<String>,
    operator: Option<Box<dyn Operator>>,
    description: Description,
    stop: Arc<AtomicBool>,
    armed: bool,
    commanded: bool,
    keep_spinning: bool,
    last_now: f64,
    /// Longest time in s between two looks while time is let pass.
    sampled: Option<f64>,
}

fn finite(what: &str, value: f64) -> Result<(), Fault> {
    if value.is_finite() {
        Ok(())
    } else {
        Err(Fault::Refused(format!("the {what} must be a finite number")))
    }
}

impl Station {
    /// Takes a head and asks once what it is. `stop` may be set from elsewhere, such as by Ctrl-C.
    pub fn open(
        mut head: Box<dyn Head>,
        gauge: Option<Box<dyn Gauge>>,
        stop: Arc<AtomicBool>,
    ) -> Result<Station, Fault> {
        let description = head.describe()?;
        Ok(Station {
            head,
            gauge,
            images: None,
            provoker: None,
            provoked: Vec::new(),
            operator: None,
            description,
            stop,
            armed: false,
            commanded: false,
            keep_spinning: false,
            last_now: 0.0,
            sampled: None,
        })
    }

    /// Says where images come from; without this there are none.
    pub fn supply(&mut self, images: Box<dyn Images>) {
        self.images = Some(images);
    }

    /// Says who makes this head fail on purpose; without this nobody does.
    pub fn rehearse(&mut self, provoker: Option<Box<dyn Provoker>>) {
        self.provoker = provoker;
    }

    /// Why a fault cannot be provoked on this head; none if it can.
    pub fn refused(&self, fault: &str) -> Option<String> {
        cannot_provoke(self.provoker.as_deref(), fault)
    }

    /// A fault strikes after `after` s of head time; or why it cannot.
    pub fn provoke(&mut self, fault: &str, after: f64) -> Result<(), String> {
        let provoker = self.provoker.as_mut().ok_or_else(|| NOT_SIMULATED.to_string())?;
        provoker.provoke(fault, after)?;
        let strikes = faithful(self.now() + after, Dimension::TIME);
        self.provoked.push(format!("{fault}@{strikes}"));
        Ok(())
    }

    /// Faults that were provoked since this was asked last, each with the head time at which it
    /// strikes.
    pub fn take_provoked(&mut self) -> Vec<String> {
        std::mem::take(&mut self.provoked)
    }

    /// Takes all faults of a simulated head away; or says why that cannot be.
    pub fn mend(&mut self) -> Result<(), String> {
        self.provoker.as_mut().ok_or_else(|| NOT_SIMULATED.to_string())?.mend();
        Ok(())
    }

    /// The image of a name; or why there is none.
    pub fn image(&mut self, name: &str) -> Result<Arc<Bitmap>, String> {
        let none = || format!("{name} cannot be read: there are no images here");
        self.images.as_mut().ok_or_else(none)?.image(name)
    }

    /// Says who answers questions; without this nobody does.
    pub fn attend(&mut self, operator: Box<dyn Operator>) {
        self.operator = Some(operator);
    }

    /// Asks the operator; gives the answer and who gave it. Refused while armed, since nobody knows
    /// how long people take.
    pub fn ask(&mut self, question: &Question<'_>) -> Outcome<(Answer, String)> {
        self.go_on()?;
        if self.armed {
            return Err(Fault::armed("asking the operator").into());
        }
        let Some(operator) = &mut self.operator else {
            let why = "nobody is there to answer".to_string();
            return Err(StationError::NoAnswer(NoAnswer::Nobody(why)));
        };
        let answered = operator.ask(question, &self.stop);
        let who = operator.who();
        self.go_on()?;
        match answered {
            Ok(answer) => match question.wanted.refuses(&answer) {
                Some(why) => Err(StationError::NoAnswer(NoAnswer::Wrong(why))),
                None => Ok((answer, who)),
            },
            Err(NoAnswer::Interrupted) => Err(StationError::Interrupted),
            Err(why) => Err(StationError::NoAnswer(why)),
        }
    }

    /// What the head is, as it said when the station was opened.
    pub fn description(&self) -> &Description {
        &self.description
    }

    /// The flag that asks to stop, for whoever loops without calling the station.
    pub fn stop_flag(&self) -> &Arc<AtomicBool> {
        &self.stop
    }

    /// Whether there is a gauge.
    pub fn has_gauge(&self) -> bool {
        self.gauge.is_some()
    }

    /// The laser was armed here and has not been disarmed since, as far as is known.
    pub fn is_armed(&self) -> bool {
        self.armed
    }

    /// Somebody asked to stop.
    pub fn is_stopped(&self) -> bool {
        self.stop.load(Ordering::SeqCst)
    }

    /// Speed, lock, facet, rails, interlock, laser and galvanometer as they stand now.
    pub fn status(&mut self) -> Outcome<Status> {
        self.go_on()?;
        let status = self.head.status();
        self.judge(&status)?;
        Ok(status?)
    }

    /// Runs the polygon at `speed` rad/s and holds it there; refused beyond what the description
    /// allows, whatever the head itself would take.
    pub fn spin(&mut self, speed: f64) -> Outcome<()> {
        finite("polygon speed", speed)?;
        self.go_on()?;
        self.description.check_speed(speed)?;
        self.command(|head| head.spin(speed))
    }

    /// Brings the polygon down; refused while armed.
    pub fn halt(&mut self, how: Halt) -> Outcome<()> {
        if self.armed {
            let what = "stopping the polygon";
            return Err(Fault::armed(what).into());
        }
        self.command(|head| head.halt(how))
    }

    /// Sends the galvanometer to a mechanical angle in rad, within the range described; `None`
    /// parks it.
    pub fn steer(&mut self, angle: Option<f64>) -> Outcome<()> {
        finite("galvanometer angle", angle.unwrap_or(0.0))?;
        self.go_on()?;
        if let Some(angle) = angle {
            self.description.check_angle(angle)?;
        }
        self.command(|head| head.steer(angle))
    }

    /// Watches `count` whole turns from index to index.
    pub fn turns(&mut self, count: u32) -> Outcome<Vec<Turn>> {
        self.guarded(|head| head.turns(count))
    }

    /// The trims in force, one per facet.
    pub fn trims(&mut self) -> Outcome<Vec<Trim>> {
        self.guarded(|head| head.trims())
    }

    /// Loads one trim per facet, within the registers described, which round to their step.
    pub fn load_trims(&mut self, trims: &[Trim]) -> Outcome<()> {
        for trim in trims {
            finite("in-scan trim", trim.in_scan)?;
            finite("cross-scan trim", trim.cross_scan)?;
        }
        self.go_on()?;
        self.description.round_trims(trims)?;
        self.command(|head| head.load_trims(trims))
    }

    /// Keeps the trims in force over power loss.
    pub fn store_trims(&mut self) -> Outcome<()> {
        self.guarded(|head| head.store_trims())
    }

    /// Arms the laser at a share of full power, 0 to 1. Refused without lock or interlock.
    pub fn arm(&mut self, power: f64) -> Outcome<()> {
        self.go_on()?;
        finite("laser power", power)?;
        if !(0.0..=1.0).contains(&power) {
            return Err(Fault::OutOfRange {
                what: "laser power".to_string(),
                value: format!("{} %", power * 100.0),
                low: "0 %".to_string(),
                high: "100 %".to_string(),
            }
            .into());
        }
        if self.armed {
            return Err(Fault::armed("arming").into());
        }
        let status = self.head.status()?;
        if let Some(loss) = loss(&status) {
            return Err(loss.into());
        }
        self.commanded = true;
        // From here on the laser may be armed, whatever the head answers.
        self.armed = true;
        if let Err(fault) = self.head.arm(power) {
            self.darken();
            return Err(fault.into());
        }
        self.watch()
    }

    /// Disarms the laser; never refused, and harmless where it was not armed.
    pub fn disarm(&mut self) -> Result<(), Fault> {
        self.head.disarm()?;
        self.armed = false;
        Ok(())
    }

    /// Draws one line with the facet asked for.
    pub fn expose(&mut self, line: &LineOrder) -> Outcome<Exposed> {
        finite("time per dot", line.dot_period)?;
        finite("pre-scan delay", line.delay)?;
        if !self.armed {
            return Err(Fault::NotArmed.into());
        }
        self.command(|head| head.expose(line))
    }

    /// Draws a page.
    pub fn expose_page(&mut self, page: &PageOrder) -> Outcome<ExposedPage> {
        finite("time per dot", page.dot_period)?;
        finite("pre-scan delay", page.delay)?;
        finite("pitch", page.pitch)?;
        if !self.armed {
            return Err(Fault::NotArmed.into());
        }
        self.command(|head| head.expose_page(page))
    }

    /// Measures the line that was exposed last.
    pub fn measure(&mut self) -> Outcome<Reading> {
        self.go_on()?;
        let gauge = self.gauge.as_mut().ok_or(Fault::NoGauge)?;
        let reading = gauge.measure();
        if matches!(reading, Err(Fault::Broken(_))) {
            self.go_on()?;
        }
        let reading = self.looked(reading)?;
        finite("reading of the gauge", reading.in_scan)?;
        finite("reading of the gauge", reading.cross_scan)?;
        finite("uncertainty of the gauge", reading.in_scan_u)?;
        finite("uncertainty of the gauge", reading.cross_scan_u)?;
        Ok(reading)
    }

    /// Head time in s; the last that was known where the head's clock broke.
    pub fn now(&mut self) -> f64 {
        if let Ok(now) = catch_panic(|| Ok(self.head.now())) {
            self.last_now = now;
        }
        self.last_now
    }

    /// Has the head looked at every so many s while time is let pass, for whoever listens to its
    /// calls.
    pub fn sample(&mut self, every: Option<f64>) {
        self.sampled = every.filter(|every| *every > 0.0);
    }

    /// Lets `seconds` pass; while armed with a look at lock and interlock every
    /// [`ARMED_SLICE`], on a real head with a look at the stop flag every [`STOP_SLICE`].
    pub fn sleep(&mut self, seconds: f64) -> Outcome<()> {
        if !(0.0..=SLEEP_MOST).contains(&seconds) {
            return Err(Fault::OutOfRange {
                what: "time to wait".to_string(),
                value: format!("{seconds} s"),
                low: "0 s".to_string(),
                high: format!("{SLEEP_MOST} s"),
            }
            .into());
        }
        self.go_on()?;
        let end = self.head.now() + seconds;
        let mut left = seconds;
        while left > 0.0 {
            let slice = if self.armed {
                ARMED_SLICE
            } else if self.description.simulated {
                SLEEP_MOST
            } else {
                STOP_SLICE
            };
            let slice = slice.min(self.sampled.unwrap_or(SLEEP_MOST)).min(left);
            self.head.sleep(slice);
            self.watch()?;
            if self.sampled.is_some() {
                // Whoever listens hears it; a fault is told by the next call that needs an answer.
                let _ = self.head.status();
            }
            self.go_on()?;
            // Looking takes time of its own on a real head; a clock that stands still must not
            // keep us here for ever.
            left = (left - slice).min(end - self.head.now());
            if left < 1e-9 {
                break;
            }
        }
        Ok(())
    }

    /// Laser off first, then the mirror parked, then the polygon down (or kept), whatever fails
    /// on the way. May be called at any time, after a panic too.
    pub fn make_safe(&mut self, keep_spinning: bool) -> SafeState {
        // Said once more before all else: a head's own way down may be longer.
        let darkened = catch_panic(|| self.disarm());
        let made = catch_panic(|| Ok(self.head.make_safe(keep_spinning)));
        let mut state = match made {
            Ok(state) => state,
            Err(fault) => {
                let known = Some(&self.description);
                let mut state = step_by_step(&mut *self.head, known, keep_spinning);
                let trouble = format!("the head's own way to a safe state failed: {fault}");
                state.troubles.insert(0, trouble);
                state
            }
        };
        if let Err(fault) = darkened {
            let trouble = format!("the first attempt to disarm failed: {fault}");
            state.troubles.insert(0, trouble);
        }
        self.armed = !state.laser_off;
        self.commanded = false;
        state
    }

    /// Leaves the polygon turning when all ends well.
    pub fn keep_spinning(&mut self) {
        self.keep_spinning = true;
    }

    /// Makes the head safe at the end of a script, and sees the polygon to rest: at most for as
    /// long as the description says that it coasts, and until somebody asks (again) to stop.
    /// The polygon is kept spinning only where that was asked for and all `ended_well`; then a
    /// request to stop has not been heeded yet, and stays set for the caller to heed.
    pub fn finish(&mut self, ended_well: bool) -> SafeState {
        if !ended_well {
            self.stop.store(false, Ordering::SeqCst);
        }
        let mut state = self.make_safe(self.keep_spinning && ended_well);
        let patience = self.description.coast_most;
        let give_up = self.now() + patience;
        // Counted as well, for a clock that stands still must not keep us here.
        let mut waited = 0.0;
        while !state.at_rest && !state.kept_spinning && !self.is_stopped() {
            if self.now() >= give_up || waited >= patience {
                let patience = show(patience, Dimension::TIME, None, None);
                state.troubles.push(format!("the polygon was not seen at rest within {patience}"));
                break;
            }
            waited += REST_SLICE;
            let status = catch_panic(|| {
                self.head.sleep(REST_SLICE);
                self.head.status()
            });
            match status {
                Ok(status) => {
                    state.speed = status.speed;
                    state.at_rest = status.at_rest;
                    state.parked = status.parked;
                    // A polygon that could not be stopped never comes to rest.
                    if status.target.is_some() {
                        break;
                    }
                }
                Err(fault) => {
                    state.troubles.push(format!("whether the polygon rests is not known: {fault}"));
                    break;
                }
            }
        }
        state
    }

    /// Goes on unless somebody asked to stop; then the laser goes off at once.
    fn go_on(&mut self) -> Outcome<()> {
        if !self.is_stopped() {
            return Ok(());
        }
        if self.armed {
            self.darken();
        }
        Err(StationError::Interrupted)
    }

    fn guarded<T>(&mut self, call: impl FnOnce(&mut dyn Head) -> Result<T, Fault>) -> Outcome<T> {
        self.go_on()?;
        let answer = call(&mut *self.head);
        if matches!(answer, Err(Fault::Broken(_))) {
            // It may be broken for no more than that somebody asked to stop.
            self.go_on()?;
        }
        self.looked(answer)
    }

    /// An answer, followed by a look at lock and interlock while armed.
    fn looked<T>(&mut self, answer: Result<T, Fault>) -> Outcome<T> {
        match (self.watch(), answer) {
            // What is lost now may be what follows: a head whose link broke makes itself safe.
            (Err(_), Err(why @ Fault::Broken(_))) => Err(why.into()),
            // A head that disarmed itself meanwhile knows better why.
            (Err(StationError::Fault(Fault::NotArmed)), Err(why)) => Err(why.into()),
            (Err(loss), _) => Err(loss),
            (Ok(()), answer) => Ok(answer?),
        }
    }

    fn command<T>(&mut self, call: impl FnOnce(&mut dyn Head) -> Result<T, Fault>) -> Outcome<T> {
        self.go_on()?;
        self.commanded = true;
        self.guarded(call)
    }

    /// While armed: looks at lock and interlock.
    fn watch(&mut self) -> Outcome<()> {
        if !self.armed {
            return Ok(());
        }
        let status = self.head.status();
        self.judge(&status)
    }

    /// While armed: disarms where lock, interlock or the head's answer is lost.
    fn judge(&mut self, status: &Result<Status, Fault>) -> Outcome<()> {
        if !self.armed {
            return Ok(());
        }
        let lost = match status {
            Ok(status) => {
                loss(status).or_else(|| (status.laser == Laser::Off).then_some(Fault::NotArmed))
            }
            Err(fault) => Some(fault.clone()),
        };
        match lost {
            Some(fault) => {
                self.darken();
                Err(fault.into())
            }
            None => Ok(()),
        }
    }

    /// Disarms as well as can be; stays marked as armed where the head does not confirm, so that
    /// making safe tries again.
    fn darken(&mut self) {
        if self.head.disarm().is_ok() {
            self.armed = false;
        }
    }
}

/// Why a fault cannot be provoked by `provoker`, of which only some heads have one; none if it can.
pub fn cannot_provoke(provoker: Option<&dyn Provoker>, fault: &str) -> Option<String> {
    provoker.map_or_else(|| Some(NOT_SIMULATED.to_string()), |provoker| provoker.refused(fault))
}

/// What forbids light.
fn loss(status: &Status) -> Option<Fault> {
    if !status.interlock_closed {
        Some(Fault::InterlockOpen)
    } else if !status.locked {
        Some(Fault::NotLocked)
    } else {
        None
    }
}

impl Drop for Station {
    fn drop(&mut self) {
        if self.commanded || self.armed {
            // A panic while another one unwinds would end the process with the laser on.
            let made_safe = catch_unwind(AssertUnwindSafe(|| {
                self.make_safe(false);
            }));
            drop(made_safe);
        }
    }
}

impl core::fmt::Debug for Station {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.debug_struct("Station")
            .field("head", &self.description.serial)
            .field("gauge", &self.gauge.is_some())
            .field("armed", &self.armed)
            .finish_non_exhaustive()
    }
}

mod signals;

#[cfg(test)]
mod tests;
