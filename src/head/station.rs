//! A head with its gauge, guarded while armed: the one door through which scripts reach a head.
//!
//! The guard is a help, not a safety function: the hardware interlock chain stands on its own.

use crate::head::{
    Description, Exposed, Fault, Gauge, Halt, Head, Laser, LineOrder, Reading, SafeState, Status,
    Trim, Turn,
};
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

/// Why a call came to nothing.
#[derive(Clone, Debug, Error, PartialEq)]
pub enum StationError {
    /// The head or the gauge refused or failed.
    #[error(transparent)]
    Fault(#[from] Fault),
    /// Somebody asked to stop.
    #[error("interrupted")]
    Interrupted,
}

type Outcome<T> = Result<T, StationError>;

/// A head, its gauge if it has one, and the guard over both.
///
/// From [`Station::arm`] to [`Station::disarm`] every call is followed by a look at lock and
/// interlock; a loss disarms at once and is what the call returns. Numbers that are not finite
/// never reach the head. Once the stop flag is set, every call but [`Station::now`],
/// [`Station::disarm`] and [`Station::make_safe`] returns [`StationError::Interrupted`], with the
/// laser disarmed. Whoever drops a station that was commanded and not made safe makes it safe.
pub struct Station {
    head: Box<dyn Head>,
    gauge: Option<Box<dyn Gauge>>,
    description: Description,
    stop: Arc<AtomicBool>,
    armed: bool,
    commanded: bool,
    keep_spinning: bool,
}

fn finite(what: &str, value: f64) -> Result<(), Fault> {
    if value.is_finite() {
        Ok(())
    } else {
        Err(Fault::Refused(format!(
            "the {what} must be a finite number"
        )))
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
            description,
            stop,
            armed: false,
            commanded: false,
            keep_spinning: false,
        })
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

    /// Runs the polygon at `speed` rad/s and holds it there.
    pub fn spin(&mut self, speed: f64) -> Outcome<()> {
        finite("polygon speed", speed)?;
        self.command(|head| head.spin(speed))
    }

    /// Brings the polygon down; refused while armed.
    pub fn halt(&mut self, how: Halt) -> Outcome<()> {
        if self.armed {
            let what = "stopping the polygon";
            return Err(Fault::Armed { what }.into());
        }
        self.command(|head| head.halt(how))
    }

    /// Sends the galvanometer to a mechanical angle in rad; `None` parks it.
    pub fn steer(&mut self, angle: Option<f64>) -> Outcome<()> {
        finite("galvanometer angle", angle.unwrap_or(0.0))?;
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

    /// Loads one trim per facet; registers round to their step.
    pub fn load_trims(&mut self, trims: &[Trim]) -> Outcome<()> {
        for trim in trims {
            finite("in-scan trim", trim.in_scan)?;
            finite("cross-scan trim", trim.cross_scan)?;
        }
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
            return Err(Fault::Armed { what: "arming" }.into());
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

    /// Measures the line that was exposed last.
    pub fn measure(&mut self) -> Outcome<Reading> {
        self.go_on()?;
        let gauge = self.gauge.as_mut().ok_or(Fault::NoGauge)?;
        let reading = gauge.measure();
        self.watch()?;
        let reading = reading?;
        finite("reading of the gauge", reading.in_scan)?;
        finite("reading of the gauge", reading.cross_scan)?;
        finite("uncertainty of the gauge", reading.in_scan_u)?;
        finite("uncertainty of the gauge", reading.cross_scan_u)?;
        Ok(reading)
    }

    /// Head time in s.
    pub fn now(&mut self) -> f64 {
        self.head.now()
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
            let slice = slice.min(left);
            self.head.sleep(slice);
            self.watch()?;
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
        let darkened = self.disarm();
        let mut state = self.head.make_safe(keep_spinning);
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
    /// The polygon is kept spinning only where that was asked for and all `ended_well`.
    pub fn finish(&mut self, ended_well: bool) -> SafeState {
        self.stop.store(false, Ordering::SeqCst);
        let mut state = self.make_safe(self.keep_spinning && ended_well);
        let give_up = self.head.now() + self.description.coast_most;
        while !state.at_rest && !state.kept_spinning && !self.is_stopped() {
            if self.head.now() >= give_up {
                break;
            }
            self.head.sleep(REST_SLICE);
            match self.head.status() {
                Ok(status) => {
                    state.speed = status.speed;
                    state.at_rest = status.at_rest;
                    state.parked = status.parked;
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
        match (self.watch(), answer) {
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

#[cfg(test)]
mod tests {
    use super::{Station, StationError};
    use crate::head::sim;
    use crate::head::{
        Description, Exposed, Fault, Halt, Head, Laser, LineOrder, Pattern, SafeState, Status,
        Trim, Turn,
    };
    use std::cell::RefCell;
    use std::rc::Rc;
    use std::sync::Arc;
    use std::sync::atomic::{AtomicBool, Ordering};

    /// What the scripted head does and was asked.
    #[derive(Default)]
    struct Script {
        calls: Vec<&'static str>,
        time: f64,
        armed: bool,
        /// Status calls until interlock, lock, laser or answer is gone.
        interlock_for: Option<usize>,
        lock_for: Option<usize>,
        laser_for: Option<usize>,
        answers_for: Option<usize>,
        arm_fails: bool,
        disarm_fails: usize,
        panics: bool,
        clock_stands: bool,
        slept: Vec<f64>,
    }

    struct Fake(Rc<RefCell<Script>>, Description);

    impl Fake {
        fn said(&self, call: &'static str) {
            self.0.borrow_mut().calls.push(call);
        }
    }

    fn count_down(left: &mut Option<usize>) -> bool {
        match left {
            Some(0) => false,
            Some(n) => {
                *n -= 1;
                true
            }
            None => true,
        }
    }

    impl Head for Fake {
        fn describe(&mut self) -> Result<Description, Fault> {
            Ok(self.1.clone())
        }
        fn status(&mut self) -> Result<Status, Fault> {
            self.said("status");
            let mut s = self.0.borrow_mut();
            if !count_down(&mut s.answers_for) {
                return Err(Fault::Broken("gone".to_string()));
            }
            if !count_down(&mut s.laser_for) {
                s.armed = false;
            }
            Ok(Status {
                time: s.time,
                speed: 500.0,
                target: Some(500.0),
                locked: count_down(&mut s.lock_for),
                facet: Some(0),
                rails: Vec::new(),
                interlock_closed: count_down(&mut s.interlock_for),
                laser: if s.armed { Laser::Armed } else { Laser::Off },
                at_rest: false,
                galvanometer: 0.0,
                parked: true,
                temperature: 300.0,
            })
        }
        fn spin(&mut self, _: f64) -> Result<(), Fault> {
            self.said("spin");
            Ok(())
        }
        fn halt(&mut self, _: Halt) -> Result<(), Fault> {
            self.said("halt");
            Ok(())
        }
        fn steer(&mut self, _: Option<f64>) -> Result<(), Fault> {
            self.said("steer");
            if self.0.borrow().panics {
                panic!("the head's driver broke");
            }
            Ok(())
        }
        fn turns(&mut self, _: u32) -> Result<Vec<Turn>, Fault> {
            self.said("turns");
            Err(Fault::NoPulse("index"))
        }
        fn trims(&mut self) -> Result<Vec<Trim>, Fault> {
            self.said("trims");
            Ok(Vec::new())
        }
        fn load_trims(&mut self, _: &[Trim]) -> Result<(), Fault> {
            self.said("load_trims");
            Ok(())
        }
        fn store_trims(&mut self) -> Result<(), Fault> {
            self.said("store_trims");
            Ok(())
        }
        fn arm(&mut self, _: f64) -> Result<(), Fault> {
            self.said("arm");
            let mut s = self.0.borrow_mut();
            s.armed = true;
            if s.arm_fails {
                return Err(Fault::Broken("no answer".to_string()));
            }
            Ok(())
        }
        fn disarm(&mut self) -> Result<(), Fault> {
            self.said("disarm");
            let mut s = self.0.borrow_mut();
            if s.disarm_fails > 0 {
                s.disarm_fails -= 1;
                return Err(Fault::Broken("no answer".to_string()));
            }
            s.armed = false;
            Ok(())
        }
        fn expose(&mut self, line: &LineOrder) -> Result<Exposed, Fault> {
            self.said("expose");
            Ok(Exposed {
                time: 0.0,
                facet: line.facet,
                words: 1,
                underrun: false,
            })
        }
        fn now(&mut self) -> f64 {
            self.0.borrow().time
        }
        fn sleep(&mut self, seconds: f64) {
            let mut s = self.0.borrow_mut();
            s.slept.push(seconds);
            if !s.clock_stands {
                s.time += seconds;
            }
        }
        fn make_safe(&mut self, _: bool) -> SafeState {
            self.said("make_safe");
            let mut s = self.0.borrow_mut();
            s.armed = false;
            SafeState {
                laser_off: true,
                parked: true,
                speed: 0.0,
                at_rest: true,
                kept_spinning: false,
                troubles: Vec::new(),
            }
        }
    }

    fn station(simulated: bool) -> (Station, Rc<RefCell<Script>>, Arc<AtomicBool>) {
        let (mut head, _) = sim::open(None, 1).unwrap();
        let description = Description {
            simulated,
            ..head.describe().unwrap()
        };
        let script = Rc::new(RefCell::new(Script::default()));
        let stop = Arc::new(AtomicBool::new(false));
        let head = Box::new(Fake(Rc::clone(&script), description));
        let station = Station::open(head, None, Arc::clone(&stop)).unwrap();
        (station, script, stop)
    }

    fn order() -> LineOrder {
        LineOrder {
            facet: 0,
            dots: 32,
            dot_period: 1e-6,
            delay: 0.0,
            pattern: Pattern::TestMarks,
        }
    }

    fn fault<T: core::fmt::Debug>(result: Result<T, StationError>) -> Fault {
        match result.unwrap_err() {
            StationError::Fault(fault) => fault,
            StationError::Interrupted => panic!("interrupted"),
        }
    }

    #[test]
    fn every_call_while_armed_is_followed_by_a_look() {
        let (mut station, script, _) = station(true);
        station.arm(0.5).unwrap();
        script.borrow_mut().calls.clear();
        station.steer(Some(0.0)).unwrap();
        station.trims().unwrap();
        station.load_trims(&[]).unwrap();
        station.expose(&order()).unwrap();
        assert_eq!(fault(station.turns(1)), Fault::NoPulse("index"));
        let looked = [
            "steer",
            "status",
            "trims",
            "status",
            "load_trims",
            "status",
            "expose",
            "status",
            "turns",
            "status",
        ];
        assert_eq!(script.borrow().calls, looked);
        station.disarm().unwrap();
        script.borrow_mut().calls.clear();
        station.trims().unwrap();
        assert_eq!(script.borrow().calls, ["trims"]);
    }

    #[test]
    fn a_loss_disarms_at_once_and_is_what_the_call_returns() {
        type Loss = fn(&mut Script);
        let losses: [(Loss, Fault); 4] = [
            (|s| s.interlock_for = Some(3), Fault::InterlockOpen),
            (|s| s.lock_for = Some(3), Fault::NotLocked),
            (|s| s.laser_for = Some(3), Fault::NotArmed),
            (
                |s| s.answers_for = Some(3),
                Fault::Broken("gone".to_string()),
            ),
        ];
        for (lose, expected) in losses {
            let (mut station, script, _) = station(true);
            lose(&mut script.borrow_mut());
            station.arm(0.5).unwrap();
            station.expose(&order()).unwrap();
            assert_eq!(fault(station.expose(&order())), expected);
            assert!(!station.is_armed());
            assert!(!script.borrow().armed);
            assert_eq!(script.borrow().calls.last(), Some(&"disarm"));
            assert_eq!(fault(station.expose(&order())), Fault::NotArmed);
        }
    }

    #[test]
    fn sleep_under_light_is_sliced_and_watched() {
        let (mut station, script, _) = station(true);
        station.sleep(5.0).unwrap();
        assert_eq!(script.borrow().slept, [5.0]);
        script.borrow_mut().interlock_for = Some(52);
        station.arm(0.5).unwrap();
        script.borrow_mut().slept.clear();
        assert_eq!(fault(station.sleep(5.0)), Fault::InterlockOpen);
        let s = script.borrow();
        assert_eq!(s.slept.len(), 51);
        assert!(s.slept.iter().all(|t| *t <= 0.01));
        assert!(!s.armed);
    }

    #[test]
    fn arming_needs_lock_and_interlock_and_a_doubtful_arming_is_taken_back() {
        let (mut station, script, _) = station(true);
        script.borrow_mut().lock_for = Some(0);
        assert_eq!(fault(station.arm(0.5)), Fault::NotLocked);
        script.borrow_mut().lock_for = None;
        script.borrow_mut().interlock_for = Some(0);
        assert_eq!(fault(station.arm(0.5)), Fault::InterlockOpen);
        assert!(!script.borrow().calls.contains(&"arm"));
        script.borrow_mut().interlock_for = None;
        script.borrow_mut().arm_fails = true;
        assert!(station.arm(0.5).is_err());
        assert!(!script.borrow().armed && !station.is_armed());
        for power in [-0.1, 1.1, f64::NAN] {
            assert!(station.arm(power).is_err());
        }
        script.borrow_mut().arm_fails = false;
        station.arm(0.5).unwrap();
        assert_eq!(fault(station.arm(0.5)), Fault::Armed { what: "arming" });
        assert!(matches!(
            fault(station.halt(Halt::Brake)),
            Fault::Armed { .. }
        ));
    }

    #[test]
    fn numbers_that_are_not_finite_never_reach_the_head() {
        let (mut station, script, _) = station(true);
        for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
            assert!(station.spin(bad).is_err());
            assert!(station.steer(Some(bad)).is_err());
            assert!(station.sleep(bad).is_err());
            let trim = Trim {
                in_scan: 0.0,
                cross_scan: bad,
            };
            assert!(station.load_trims(&[trim]).is_err());
            let line = LineOrder {
                delay: bad,
                ..order()
            };
            assert!(station.expose(&line).is_err());
        }
        assert!(station.sleep(-1.0).is_err());
        assert_eq!(script.borrow().calls, Vec::<&str>::new());
        assert_eq!(fault(station.measure()), Fault::NoGauge);
    }

    #[test]
    fn a_stop_ends_a_sleep_within_one_slice_and_darkens() {
        let (mut station, script, stop) = station(false);
        station.sleep(0.05).unwrap();
        assert!(script.borrow().slept.iter().all(|t| *t <= 0.02));
        station.arm(0.5).unwrap();
        stop.store(true, Ordering::SeqCst);
        script.borrow_mut().slept.clear();
        assert_eq!(station.sleep(10.0), Err(StationError::Interrupted));
        assert!(script.borrow().slept.is_empty());
        assert!(!script.borrow().armed);
        assert_eq!(station.spin(1.0), Err(StationError::Interrupted));
        station.disarm().unwrap();
        assert!(station.make_safe(false).laser_off);
    }

    #[test]
    fn a_clock_that_stands_does_not_keep_us() {
        let (mut station, script, _) = station(false);
        script.borrow_mut().clock_stands = true;
        station.sleep(1.0).unwrap();
        assert_eq!(script.borrow().slept.len(), 50);
    }

    #[test]
    fn making_safe_disarms_first_and_happens_once() {
        let (mut station, script, _) = station(true);
        station.spin(1.0).unwrap();
        station.arm(0.1).unwrap();
        script.borrow_mut().calls.clear();
        script.borrow_mut().disarm_fails = 1;
        let state = station.make_safe(false);
        assert_eq!(script.borrow().calls, ["disarm", "make_safe"]);
        assert_eq!(state.troubles.len(), 1);
        drop(station);
        assert_eq!(script.borrow().calls, ["disarm", "make_safe"]);
    }

    #[test]
    fn dropping_makes_safe_if_nobody_did() {
        let (mut station, script, _) = station(true);
        station.spin(1.0).unwrap();
        drop(station);
        assert_eq!(script.borrow().calls, ["spin", "disarm", "make_safe"]);
    }

    #[test]
    fn a_station_that_only_looked_leaves_the_head_alone() {
        let (mut station, script, _) = station(true);
        station.status().unwrap();
        station.trims().unwrap();
        drop(station);
        assert_eq!(script.borrow().calls, ["status", "trims"]);
    }

    #[test]
    fn a_panic_in_the_driver_still_ends_dark() {
        let (mut station, script, _) = station(true);
        station.arm(0.5).unwrap();
        script.borrow_mut().panics = true;
        let caught = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
            let _ = station.steer(None);
        }));
        assert!(caught.is_err());
        assert!(station.is_armed());
        assert!(station.make_safe(false).laser_off);
        assert!(!script.borrow().armed && !station.is_armed());
    }
}
