//! The guard, against a scripted head that counts its calls.

use super::{STOP_SLICE, Station, StationError};
use spintrue_head::{
    Call, Calls, Description, Exposed, Fault, Halt, Head, Laser, LineOrder, Link, Pattern, Reply,
    Rig, SafeState, Status, Trim,
};
use spintrue_sim::open;
use std::cell::RefCell;
use std::rc::Rc;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// What the scripted head does and was asked.
#[derive(Default)]
struct Script {
    /// The calls by their names, but for what only tells or waits.
    calls: Vec<String>,
    time: f64,
    armed: bool,
    /// Status calls until interlock, lock, laser or answer is gone.
    interlock_for: Option<usize>,
    lock_for: Option<usize>,
    laser_for: Option<usize>,
    answers_for: Option<usize>,
    arm_fails: bool,
    trims_fail: bool,
    gauge_is_silent: bool,
    disarm_fails: usize,
    panics: bool,
    clock_stands: bool,
    slept: Vec<f64>,
}

struct Fake(Rc<RefCell<Script>>, Description);

fn count_down(left: &mut Option<usize>) -> bool {
    let is_left = *left != Some(0);
    *left = left.map(|left| left.saturating_sub(1));
    is_left
}

impl Link for Fake {
    fn call(&mut self, call: &Call) -> Result<Reply, Fault> {
        let mut s = self.0.borrow_mut();
        let broken = |why: &str| Err(Fault::Broken(why.to_string()));
        if !matches!(call, Call::Describe | Call::Sleep { .. } | Call::Measure) {
            let call = format!("{call:?}");
            s.calls.push(call.split(|c: char| !c.is_alphabetic()).next().unwrap().to_string());
        }
        Ok(match call {
            Call::Describe => Box::new(self.1.clone()).into(),
            Call::Status => {
                if !count_down(&mut s.answers_for) {
                    return broken("gone");
                }
                s.armed &= count_down(&mut s.laser_for);
                Reply::Status(Status {
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
            Call::Steer { .. } if s.panics => panic!("the head's driver broke"),
            Call::Turns { .. } => return Err(Fault::no_pulse("index")),
            Call::Trims if s.trims_fail => return broken("the link broke"),
            Call::Trims => Reply::Trims(Vec::new()),
            Call::Arm { .. } => {
                s.armed = true;
                if s.arm_fails {
                    return broken("no answer");
                }
                Reply::Done
            }
            Call::Disarm if s.disarm_fails > 0 => {
                s.disarm_fails -= 1;
                return broken("no answer");
            }
            Call::Disarm => {
                s.armed = false;
                Reply::Done
            }
            Call::Expose { line } => {
                let (facet, words, period) = (line.facet, 1, f64::NAN);
                Reply::Exposed(Exposed { time: 0.0, facet, words, underrun: false, period })
            }
            Call::Sleep { seconds } => {
                s.slept.push(*seconds);
                if !s.clock_stands {
                    s.time += seconds;
                }
                Reply::Done
            }
            Call::MakeSafe { .. } => {
                s.armed = false;
                Reply::Safe(SafeState {
                    laser_off: true,
                    parked: true,
                    speed: 0.0,
                    at_rest: true,
                    kept_spinning: false,
                    troubles: Vec::new(),
                })
            }
            Call::Measure if s.gauge_is_silent => return broken("the gauge is silent"),
            Call::Measure => return Err(Fault::NoGauge),
            _ => Reply::Done,
        })
    }

    fn now(&mut self) -> f64 {
        self.0.borrow().time
    }
}

fn station(simulated: bool) -> (Station, Rc<RefCell<Script>>, Arc<AtomicBool>) {
    let (mut head, _) = open(None, 1).unwrap();
    let description = Description { simulated, ..head.describe().unwrap() };
    let script = Rc::new(RefCell::new(Script::default()));
    let stop = Arc::new(AtomicBool::new(false));
    let head = Box::new(Fake(Rc::clone(&script), description));
    (Station::open(head, Arc::clone(&stop)).unwrap(), script, stop)
}

fn order() -> LineOrder {
    LineOrder {
        facet: 0,
        dots: 32,
        dot_period: 1e-6,
        delay: 0.0,
        pattern: Pattern::TestMarks,
        correction: None,
    }
}

fn fault<T: core::fmt::Debug>(result: Result<T, StationError>) -> Fault {
    match result.unwrap_err() {
        StationError::Fault(fault) => fault,
        other => panic!("{other}"),
    }
}

#[test]
fn every_call_while_armed_is_followed_by_a_look() {
    let (mut station, script, _) = station(true);
    station.arm(0.5).unwrap();
    script.borrow_mut().calls.clear();
    station.steer(Some(0.0)).unwrap();
    station.trims().unwrap();
    station.load_trims(&[Trim::default(); 10]).unwrap();
    station.expose(&order()).unwrap();
    assert_eq!(fault(station.turns(1)), Fault::no_pulse("index"));
    let called = ["Steer", "Trims", "LoadTrims", "Expose", "Turns"];
    let looked: Vec<&str> = called.iter().flat_map(|call| [call, "Status"]).collect();
    assert_eq!(script.borrow().calls, looked);
    station.disarm().unwrap();
    script.borrow_mut().calls.clear();
    station.trims().unwrap();
    assert_eq!(script.borrow().calls, ["Trims"]);
}

#[test]
fn a_loss_disarms_at_once_and_is_what_the_call_returns() {
    type Loss = fn(&mut Script);
    let losses: [(Loss, Fault); 4] = [
        (|s| s.interlock_for = Some(3), Fault::InterlockOpen),
        (|s| s.lock_for = Some(3), Fault::NotLocked),
        (|s| s.laser_for = Some(3), Fault::NotArmed),
        (|s| s.answers_for = Some(3), Fault::Broken("gone".to_string())),
    ];
    for (lose, expected) in losses {
        let (mut station, script, _) = station(true);
        lose(&mut script.borrow_mut());
        station.arm(0.5).unwrap();
        station.expose(&order()).unwrap();
        assert_eq!(fault(station.expose(&order())), expected);
        assert!(!station.is_armed());
        assert!(!script.borrow().armed);
        assert_eq!(script.borrow().calls.last().unwrap(), "Disarm");
        assert_eq!(fault(station.expose(&order())), Fault::NotArmed);
    }
}

#[test]
fn a_broken_link_is_the_cause_of_the_loss_that_follows_it() {
    let ask: [fn(&mut Station) -> Fault; 2] =
        [|station| fault(station.trims()), |station| fault(station.measure())];
    let why = ["the link broke", "the gauge is silent"];
    for (ask, why) in ask.into_iter().zip(why) {
        let (mut station, script, _) = station(true);
        script.borrow_mut().gauge_is_silent = true;
        station.arm(0.5).unwrap();
        // As a head that made itself safe, since no client was heard any more.
        script.borrow_mut().trims_fail = true;
        script.borrow_mut().lock_for = Some(0);
        assert_eq!(ask(&mut station), Fault::Broken(why.to_string()));
        assert!(!station.is_armed() && !script.borrow().armed);
    }
}

#[test]
fn what_the_description_forbids_never_reaches_a_head_that_would_take_it() {
    let (mut station, script, _) = station(true);
    let (mut strict, _) = open(None, 1).unwrap();
    let most = station.description().speed_most;
    for speed in [0.0, -500.0, 1.01 * most] {
        // In the words of a head that refuses by itself.
        assert_eq!(fault(station.spin(speed)), strict.spin(speed).unwrap_err());
    }
    let range = station.description().galvanometer_range;
    for angle in [1.01 * range, -1.01 * range] {
        assert_eq!(fault(station.steer(Some(angle))), strict.steer(Some(angle)).unwrap_err());
    }
    let trim = |in_scan, cross_scan| vec![Trim { in_scan, cross_scan, ..Trim::default() }; 10];
    for trims in [trim(1.0, 0.0), trim(0.0, -1.0), Vec::new()] {
        assert_eq!(fault(station.load_trims(&trims)), strict.load_trims(&trims).unwrap_err());
    }
    assert_eq!(script.borrow().calls, Vec::<String>::new());
    station.spin(most).unwrap();
    station.steer(Some(range)).unwrap();
    station.steer(None).unwrap();
    station.load_trims(&trim(0.0, 0.0)).unwrap();
    assert_eq!(script.borrow().calls, ["Spin", "Steer", "Steer", "LoadTrims"]);
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
    assert!(!script.borrow().calls.iter().any(|call| call == "Arm"));
    script.borrow_mut().interlock_for = None;
    script.borrow_mut().arm_fails = true;
    assert!(station.arm(0.5).is_err());
    assert!(!script.borrow().armed && !station.is_armed());
    for power in [-0.1, 1.1, f64::NAN] {
        assert!(station.arm(power).is_err());
    }
    script.borrow_mut().arm_fails = false;
    station.arm(0.5).unwrap();
    assert_eq!(fault(station.arm(0.5)), Fault::armed("arming"));
    assert!(matches!(fault(station.halt(Halt::Brake)), Fault::Armed { .. }));
}

#[test]
fn numbers_that_are_not_finite_never_reach_the_head() {
    let (mut station, script, _) = station(true);
    for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
        assert!(station.spin(bad).is_err());
        assert!(station.steer(Some(bad)).is_err());
        assert!(station.sleep(bad).is_err());
        let trim = Trim { in_scan: 0.0, cross_scan: bad, ..Trim::default() };
        assert!(station.load_trims(&[trim]).is_err());
        let line = LineOrder { delay: bad, ..order() };
        assert!(station.expose(&line).is_err());
    }
    assert!(station.sleep(-1.0).is_err());
    assert_eq!(script.borrow().calls, Vec::<String>::new());
    assert_eq!(fault(station.measure()), Fault::NoGauge);
}

#[test]
fn a_stop_ends_a_sleep_within_one_slice_and_darkens() {
    let (mut station, script, stop) = station(false);
    station.sleep(4.0 * STOP_SLICE).unwrap();
    assert!(script.borrow().slept.iter().all(|t| *t <= STOP_SLICE));
    station.arm(0.5).unwrap();
    stop.store(true, Ordering::SeqCst);
    script.borrow_mut().slept.clear();
    assert_eq!(station.sleep(10.0), Err(StationError::Interrupted));
    assert!(script.borrow().slept.is_empty());
    assert!(!script.borrow().armed);
    assert_eq!(station.spin(500.0), Err(StationError::Interrupted));
    station.disarm().unwrap();
    assert!(station.make_safe(false).laser_off);
}

#[test]
fn a_clock_that_stands_does_not_keep_us() {
    let (mut station, script, _) = station(false);
    script.borrow_mut().clock_stands = true;
    station.sleep(1.0).unwrap();
    assert_eq!(script.borrow().slept.len(), 20);
}

#[test]
fn making_safe_disarms_first_and_happens_once() {
    let (mut station, script, _) = station(true);
    station.spin(500.0).unwrap();
    station.arm(0.1).unwrap();
    script.borrow_mut().calls.clear();
    script.borrow_mut().disarm_fails = 1;
    let state = station.make_safe(false);
    assert_eq!(script.borrow().calls, ["Disarm", "MakeSafe"]);
    assert_eq!(state.troubles.len(), 1);
    drop(station);
    assert_eq!(script.borrow().calls, ["Disarm", "MakeSafe"]);
}

#[test]
fn dropping_makes_safe_if_nobody_did() {
    let (mut station, script, _) = station(true);
    station.spin(500.0).unwrap();
    drop(station);
    assert_eq!(script.borrow().calls, ["Spin", "Disarm", "MakeSafe"]);
}

#[test]
fn a_station_that_only_looked_leaves_the_head_alone() {
    let (mut station, script, _) = station(true);
    station.status().unwrap();
    station.trims().unwrap();
    drop(station);
    assert_eq!(script.borrow().calls, ["Status", "Trims"]);
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

#[test]
fn a_simulated_head_is_guarded_like_any_other() {
    let text = "[[fault]]\nkind = 'interlock_opened'\nat = '14.2 s'\n";
    let (head, gauge) = open(Some(("faulty", text)), 1).unwrap();
    let stop = Arc::new(AtomicBool::new(false));
    let mut station =
        Station::open(Box::new(Rig::new(Box::new(head), Some(Box::new(gauge)))), stop).unwrap();
    assert_eq!(fault(station.arm(0.3)), Fault::NotLocked);
    station.spin(500.0).unwrap();
    station.sleep(12.0).unwrap();
    station.arm(0.3).unwrap();
    assert_eq!(fault(station.sleep(60.0)), Fault::InterlockOpen);
    // Seen within one slice of the moment it opened.
    assert!(station.now() < 14.2 + 0.0101, "{}", station.now());
    assert!(!station.is_armed());
    assert_eq!(station.status().unwrap().laser, Laser::Off);
    assert_eq!(fault(station.arm(0.3)), Fault::InterlockOpen);
    let state = station.make_safe(true);
    assert!(state.laser_off && state.parked && state.kept_spinning, "{state:?}");
}
