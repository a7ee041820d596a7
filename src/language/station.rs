//! The guard over a link while the laser is armed: scripts reach a head only through it.
//! The guard is a help, not a safety function: the hardware interlock chain stands on its own.

mod deadline;
mod finite;
mod gauge;
mod images;
mod looks;
mod sheets;
mod waiting;

pub use deadline::TimeLimit;
pub use gauge::{GaugeFile, GaugeStudy};
pub use looks::Looks;
pub(crate) use sheets::MAX_READ;
pub use sheets::{EarlierSheet, READY, SCAN, SCAN_BEFORE, SheetGauge, SheetOrder};

use crate::images::Images;
use crate::operator::{Answer, NoAnswer, Operator, Question};
use crate::station::deadline::Deadline;
use crate::station::finite::{check_finite, check_finite_reply};
use crate::station::waiting::Looker;
use spintrue_head::{
    Call, Calls, Description, Dimension, Fault, Fit, FromReply, Laser, Link, Reply, SafeState,
    Status, Trim, catch_panic, faithful_text, find_channel, find_signal, make_safe_by_steps,
    show_quantity, take_reply,
};
use std::cell::RefCell;
use std::collections::HashMap;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::rc::Rc;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use thiserror::Error;

/// Longest sleep in s between two looks at lock and interlock while armed.
pub(crate) const ARMED_SLICE: f64 = 0.01;

/// Longest sleep in s between two looks at the stop flag on a real head.
pub(crate) const STOP_SLICE: f64 = 0.05;

/// Time in s between two looks at a polygon on its way to rest.
pub(crate) const REST_SLICE: f64 = 0.05;

/// Shortest sleep in s up to the end of the time that a run may take.
const MIN_SLICE: f64 = 1e-6;

/// Longest sleep in s that one call takes: more is a mistake in a unit.
pub(crate) const MAX_SLEEP: f64 = 1e6;

/// Why a call failed.
#[derive(Clone, Debug, Error, PartialEq)]
pub enum StationError {
    /// The head or the gauge refused or failed.
    #[error(transparent)]
    Fault(#[from] Fault),
    /// A stop was requested.
    #[error("interrupted")]
    Interrupted,
    /// The run takes longer than it may.
    #[error(transparent)]
    Overdue(TimeLimit),
    /// A condition broke that must hold; what it was is kept where the look came from.
    #[error("a condition does not hold")]
    NotHeld,
    /// A question has no answer.
    #[error("no answer")]
    NoAnswer(NoAnswer),
    /// A scan tells nothing.
    #[error("{0}")]
    NoScan(String),
    /// The script asks for what is no number.
    #[error("{0}")]
    NoNumber(String),
}

pub(crate) type Outcome<T> = Result<T, StationError>;

/// The guard. [`Calls`] has the calls that it lets through.
///
/// From [`Calls::arm`] to [`Station::disarm`] every call is followed by a look at lock and interlock; a loss
/// disarms at once and is what the call returns, unless the call itself failed because something is broken,
/// which is the cause then. Where time passes by itself, [`Station::look`] does the same while a script
/// computes. Numbers that are not finite, or beyond what the description allows, never reach the head. Once
/// the stop flag is set, every call but [`Station::now`], [`Station::disarm`] and [`Station::make_safe`] returns [`StationError::Interrupted`], with the
/// laser disarmed; once a run takes longer than it may, [`StationError::Overdue`]. A station that was
/// commanded and not made safe is made safe when it is dropped.
pub struct Station {
    /// In a cell, since the check before a run only has a shared reference.
    link: RefCell<Box<dyn Link>>,
    images: Option<Box<dyn Images>>,
    /// Charts that were exposed, and the trims in force then; none where the head does not tell them.
    charts: HashMap<String, Vec<Trim>>,
    /// Faults that were injected and not reported yet.
    injected: Vec<String>,
    operator: Option<Box<dyn Operator>>,
    description: Description,
    stop: Arc<AtomicBool>,
    armed: bool,
    commanded: bool,
    keep_spinning: bool,
    last_now: f64,
    /// Time passes by itself, also while a script computes.
    real_time: bool,
    /// Head time in s of the last look at lock and interlock, or a little before.
    looked: f64,
    deadline: Option<Deadline>,
    /// A call was made since this was asked last.
    called: bool,
    /// When conditions that must hold are looked at next, and how.
    held: Option<(f64, Looker)>,
    /// Longest time in s between two looks while time is let pass.
    sampled: Option<f64>,
    looks: Rc<Looks>,
    /// Digits of the gauge along and across, as readings told them last; not numbers before.
    pub(crate) gauge_digits: [f64; 2],
    /// The fit to the places of its marks.
    pub(crate) fit: Fit,
    /// What the file of the gauge says.
    pub(crate) gauge_file: Option<GaugeFile>,
    /// The trims in force, where nothing happened since they were read that could have changed them.
    trims_in_force: Option<Vec<Trim>>,
    /// Measures lines instead of the gauge of the head.
    sheets: Option<Box<sheets::Sheets>>,
}

impl Station {
    /// Takes a link and asks the head once what it is. `stop` may be set from elsewhere, such as by
    /// Ctrl-C.
    pub fn open(mut link: Box<dyn Link>, stop: Arc<AtomicBool>) -> Result<Station, Fault> {
        let description = link.describe()?;
        Ok(Station {
            link: RefCell::new(link),
            images: None,
            charts: HashMap::new(),
            injected: Vec::new(),
            operator: None,
            description,
            stop,
            armed: false,
            commanded: false,
            keep_spinning: false,
            last_now: 0.0,
            real_time: false,
            looked: 0.0,
            deadline: None,
            called: false,
            held: None,
            sampled: None,
            looks: Rc::default(),
            gauge_digits: [f64::NAN; 2],
            fit: Fit::default(),
            gauge_file: None,
            trims_in_force: None,
            sheets: None,
        })
    }

    /// Sets whether time passes by itself, also while a script computes; without this it passes by calls
    /// only.
    pub fn set_real_time(&mut self, real_time: bool) {
        self.real_time = real_time;
    }

    /// Time passes by itself.
    pub(crate) fn is_real_time(&self) -> bool {
        self.real_time
    }

    /// Whether a call was made since this was asked last.
    pub(crate) fn take_called(&mut self) -> bool {
        std::mem::take(&mut self.called)
    }

    /// Sets how long a run may take that starts at the last reading of the clock; held where time passes by
    /// itself.
    pub(crate) fn set_limit(&mut self, limit: Option<TimeLimit>) {
        let limit = limit.filter(|_| self.real_time);
        self.deadline = limit.map(|limit| Deadline::new(limit, self.last_now));
    }

    /// The run took longer than it may, and what it began is being finished.
    pub(crate) fn is_overdue(&self) -> bool {
        self.deadline.as_ref().is_some_and(|deadline| deadline.reached)
    }

    /// Lets `finally` run where a run took longer than it may, for as long as making safe may take.
    pub(crate) fn let_finish(&mut self) {
        if let Some(deadline) = &mut self.deadline {
            deadline.let_finish(self.last_now);
        }
    }

    /// What is known of the gauge by its file; its digits count until readings tell them.
    pub fn set_gauge_file(&mut self, file: Option<GaugeFile>) {
        self.gauge_digits = file.as_ref().map_or([f64::NAN; 2], |file| file.digits);
        self.gauge_file = file;
    }

    /// Refuses a fault that cannot be injected into this head.
    pub fn check_can_inject(&self, fault: &str) -> Result<(), Fault> {
        self.link.borrow_mut().check_can_inject(fault)
    }

    /// Faults that were injected since the last call of this, each with the head time at which it
    /// strikes.
    pub fn take_injected(&mut self) -> Vec<String> {
        std::mem::take(&mut self.injected)
    }

    /// Sets who answers questions; without this no question is answered.
    pub fn set_operator(&mut self, operator: Box<dyn Operator>) {
        self.operator = Some(operator);
    }

    /// Asks the operator; gives the answer and who gave it. Refused while armed, since people may take
    /// any time.
    pub fn ask(&mut self, question: &Question<'_>) -> Outcome<(Answer, String)> {
        self.go_on()?;
        if self.armed {
            return Err(Fault::armed("asking the operator").into());
        }
        let Some(operator) = &mut self.operator else {
            let why = "no operator is there to answer".to_string();
            return Err(StationError::NoAnswer(NoAnswer::NoOperator(why)));
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

    /// The flag that asks to stop, for loops without a call of the station.
    pub fn stop_flag(&self) -> &Arc<AtomicBool> {
        &self.stop
    }

    /// The laser was armed here and has not been disarmed since, as far as is known.
    pub fn is_armed(&self) -> bool {
        self.armed
    }

    /// A stop was requested.
    pub fn is_stopped(&self) -> bool {
        self.stop.load(Ordering::SeqCst)
    }

    fn link(&mut self) -> &mut dyn Link {
        &mut **self.link.get_mut()
    }

    /// Makes a call, guarded.
    fn call(&mut self, call: &Call) -> Outcome<Reply> {
        match call {
            Call::Disarm => return Ok(self.disarm()?.into()),
            Call::MakeSafe { keep_spinning } => return Ok(self.make_safe(*keep_spinning).into()),
            Call::Inject { fault, after } => return self.inject_fault(call, fault, *after),
            call if call.is_about_faults() => return Ok(self.link().call(call)?),
            _ => {}
        }
        self.called = true;
        check_finite(call).map_err(|why| StationError::NoNumber(why.to_string()))?;
        self.go_on()?;
        self.check_range(call)?;
        self.see_to_sheets(call)?;
        call.check_armed(&self.description, self.armed)?;
        self.commanded |= call.row().moves;
        match call {
            Call::Sleep { seconds } => return self.sleep_watched(*seconds).map(Reply::from),
            Call::Arm { .. } => return self.arm_checked(call),
            _ => {}
        }
        let answer = self.link().call(call);
        self.trims_in_force = match (call, &answer) {
            (Call::Trims, Ok(Reply::Trims(trims))) => Some(trims.clone()),
            // What a failed call did to the head is not known.
            (Call::LoadTrims { .. } | Call::StoreTrims { .. }, _) | (_, Err(_)) => None,
            _ => self.trims_in_force.take(),
        };
        match (call, &answer) {
            (Call::Status, _) => {
                self.judge(&answer)?;
                return Ok(answer?);
            }
            (_, Err(Fault::NoGauge)) => return Ok(answer?),
            // It may be broken for no more than a request to stop.
            (_, Err(_)) => self.go_on()?,
            _ => {}
        }
        let reply = self.looked(answer)?;
        check_finite_reply(&reply)?;
        Ok(reply)
    }

    /// Refuses values beyond what the description allows, even if the head itself would take them.
    fn check_range(&self, call: &Call) -> Result<(), Fault> {
        let head = &self.description;
        match call {
            Call::Spin { speed } => head.check_speed(*speed).map(drop),
            Call::Steer { angle: Some(angle) } => head.check_angle(*angle).map(drop),
            Call::LoadTrims { trims } => head.round_trims(trims).map(drop),
            Call::Arm { power } if !(0.0..=1.0).contains(power) => {
                Err(Fault::outside("laser power", "%", power * 100.0, 0.0, 100.0))
            }
            Call::Sleep { seconds } if !(0.0..=MAX_SLEEP).contains(seconds) => {
                Err(Fault::outside("time to wait", "s", *seconds, 0.0, MAX_SLEEP))
            }
            Call::Expose { line } => line.pattern.places().map_or(Ok(()), |at| head.check_map(at)),
            Call::DrawSteadily { order } => head.check_steady(order),
            Call::Signal { signal } => find_signal(&head.signals, signal).map(drop),
            Call::Channel { channel } => find_channel(&head.channels, channel).map(drop),
            _ => Ok(()),
        }
    }

    /// The trims that the next line is drawn with, as the registers hold them; none where the head does not
    /// tell. They are read where they may have changed, before the first line.
    pub(crate) fn read_trims_in_force(&mut self) -> Outcome<Option<&[Trim]>> {
        if self.trims_in_force.is_none() {
            match self.trims() {
                Ok(_) | Err(StationError::Fault(Fault::Refused(_))) => {}
                Err(error) => return Err(error),
            }
        }
        Ok(self.trims_in_force.as_deref())
    }

    fn inject_fault(&mut self, call: &Call, fault: &str, after: f64) -> Outcome<Reply> {
        let reply = self.link().call(call)?;
        let strikes = faithful_text(self.now() + after, Dimension::TIME);
        self.injected.push(format!("{fault}@{strikes}"));
        Ok(reply)
    }

    /// Arms with lock and interlock. From the call on the laser may be armed, whatever the answer.
    fn arm_checked(&mut self, call: &Call) -> Outcome<Reply> {
        let status = self.link().status()?;
        if let Some(loss) = loss(&status) {
            return Err(loss.into());
        }
        self.armed = true;
        match self.link().call(call) {
            Ok(reply) => {
                self.watch()?;
                Ok(reply)
            }
            Err(fault) => {
                self.try_disarm();
                Err(fault.into())
            }
        }
    }

    /// Disarms the laser; never refused, and harmless where it was not armed.
    pub fn disarm(&mut self) -> Result<(), Fault> {
        self.link().disarm()?;
        self.armed = false;
        self.sheets.iter_mut().for_each(|sheets| sheets.end_pause());
        Ok(())
    }

    /// Head time in s; the last that was known where the head's clock broke.
    pub fn now(&mut self) -> f64 {
        let link = self.link.get_mut();
        if let Ok(now) = catch_panic(|| Ok(link.now())) {
            self.last_now = now;
        }
        self.last_now
    }

    /// Reads the status every so many s while time is let pass, for what listens to the calls.
    pub fn sample(&mut self, every: Option<f64>) {
        self.sampled = every.filter(|every| *every > 0.0);
    }

    /// Laser off first, then the mirror parked, then the polygon down (or kept), whatever fails
    /// on the way. May be called at any time, after a panic too.
    pub fn make_safe(&mut self, keep_spinning: bool) -> SafeState {
        // Before all else: a head's own way down may be longer.
        let disarmed = catch_panic(|| self.disarm());
        let link = self.link.get_mut();
        let mut state = match catch_panic(|| link.make_safe(keep_spinning)) {
            Ok(state) => state,
            Err(fault) => {
                let mut state = make_safe_by_steps(link, Some(&self.description), keep_spinning);
                let trouble = format!("the head's own way to a safe state failed: {fault}");
                state.troubles.insert(0, trouble);
                state
            }
        };
        if let Err(fault) = disarmed {
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
    /// long as the description says that it coasts, and until a stop is requested (again).
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
                let patience = show_quantity(patience, Dimension::TIME, None, None);
                state.troubles.push(format!("the polygon was not seen at rest within {patience}"));
                break;
            }
            waited += REST_SLICE;
            let link = self.link.get_mut();
            let status = catch_panic(|| {
                link.sleep(REST_SLICE)?;
                link.status()
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

    /// Goes on unless a stop was requested or the run takes too long; then the laser goes off at once.
    fn go_on(&mut self) -> Outcome<()> {
        let overdue = self.check_deadline();
        let why = if self.is_stopped() { Some(StationError::Interrupted) } else { overdue };
        let Some(why) = why else { return Ok(()) };
        if self.armed {
            self.try_disarm();
        }
        Err(why)
    }

    /// The clock is read even without a deadline, so that a replay without one reads it as often.
    fn check_deadline(&mut self) -> Option<StationError> {
        if !self.real_time {
            return None;
        }
        let now = self.now();
        self.deadline.as_mut()?.check(now).map(StationError::Overdue)
    }

    /// Looks while a script computes: at the clock, and [`ARMED_SLICE`] after the last look while armed at
    /// lock, interlock and control. Nothing is asked where time passes by calls only.
    pub(crate) fn look(&mut self) -> Outcome<()> {
        if !self.real_time {
            return Ok(());
        }
        self.go_on()?;
        let is_fresh = self.last_now - self.looked < ARMED_SLICE;
        if self.armed && !is_fresh {
            self.watch()?;
            // A slow head is not asked all the time.
            self.looked = self.now();
        }
        Ok(())
    }

    /// The last look before the laser is disarmed: what was lost while the script computed is told.
    pub(crate) fn look_before_disarming(&mut self) -> Outcome<()> {
        if self.real_time { self.watch() } else { Ok(()) }
    }

    /// An answer, followed by a look at lock and interlock while armed.
    fn looked(&mut self, answer: Result<Reply, Fault>) -> Outcome<Reply> {
        match (self.watch(), answer) {
            // What is lost now may be what follows: a head whose link broke makes itself safe.
            (Err(_), Err(why @ Fault::Broken(_))) => Err(why.into()),
            // A head that disarmed itself meanwhile knows better why.
            (Err(StationError::Fault(Fault::NotArmed)), Err(why)) => Err(why.into()),
            (Err(loss), _) => Err(loss),
            (Ok(()), answer) => Ok(answer?),
        }
    }

    /// While armed: looks at lock and interlock.
    fn watch(&mut self) -> Outcome<()> {
        if !self.armed {
            return Ok(());
        }
        let outer = self.begin_look();
        let answer = self.link().call(&Call::Status);
        self.looked = self.last_now;
        let judged = self.judge(&answer);
        self.end_look(outer, judged.is_err());
        judged
    }

    /// While armed: disarms where lock, interlock or the answer to a look at the status is lost.
    fn judge(&mut self, answer: &Result<Reply, Fault>) -> Outcome<()> {
        if !self.armed {
            return Ok(());
        }
        let lost = match answer {
            Ok(Reply::Status(status)) => {
                loss(status).or_else(|| (status.laser == Laser::Off).then_some(Fault::NotArmed))
            }
            Ok(_) => Some(Fault::Broken("the head gave no status".to_string())),
            Err(fault) => Some(fault.clone()),
        };
        match lost {
            Some(fault) => {
                self.try_disarm();
                Err(fault.into())
            }
            None => Ok(()),
        }
    }

    /// Disarms as well as can be; stays marked as armed where the head does not confirm, so that
    /// making safe tries again.
    pub(crate) fn try_disarm(&mut self) {
        if self.link().disarm().is_ok() {
            self.armed = false;
        }
    }
}

impl Calls for Station {
    type Error = StationError;

    fn request<T: FromReply>(&mut self, call: Call) -> Outcome<T> {
        let reply = self.call(&call)?;
        self.look_at_held()?;
        Ok(take_reply(call.row(), reply)?)
    }
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
            .field("armed", &self.armed)
            .finish_non_exhaustive()
    }
}

#[cfg(test)]
mod tests;
