//! Each contract is seen kept by the simulated head and broken by one that is bent for it.

use spintrue_head::{
    CONTRACTS, ClockKind, ContractOutcome as Outcome, ContractReport as Report, Description,
    Exposed, FAULTS, Fault, Gauge, Halt, Head, Laser, LineOrder, Link, Permissions, Reading, Rig,
    SafeState, Stated, Status, Trim, Turn, run_contracts as run, run_contracts_with as run_with,
};
use spintrue_sim::{SimGauge, SimHead, open_with};
use std::collections::BTreeSet;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

const ALL: Permissions = Permissions { trims: true, switches: true, motion: true, light: true };

/// A head with signals and channels of every kind.
const STATION: &str = include_str!("../../scripts/heads/ten_with_station.toml");

/// Opens it.
fn station(faults: &[String]) -> (SimHead, SimGauge) {
    open_with(Some(("station", STATION)), 1, faults).unwrap()
}

fn rig(head: impl Head + 'static, gauge: impl Gauge + 'static) -> Box<dyn Link> {
    Box::new(Rig::new(Box::new(head), Some(Box::new(gauge))))
}

/// A head that breaks the one contract that it is named after.
struct Bent {
    inner: SimHead,
    breaks: &'static str,
    looks: f64,
    raw: Option<Vec<Trim>>,
    armed: bool,
    /// How its description is bent beside that.
    describes: fn(&mut Description),
}

impl Bent {
    /// Taken where the head should refuse.
    fn lax<T>(&self, breaks: &str, answer: Result<T, Fault>, instead: T) -> Result<T, Fault> {
        if self.breaks == breaks { Ok(answer.unwrap_or(instead)) } else { answer }
    }
}

impl Head for Bent {
    fn describe(&mut self) -> Result<Description, Fault> {
        let mut description = self.inner.describe()?;
        if self.breaks == "description" {
            description.lock_window = f64::NAN;
        }
        (self.describes)(&mut description);
        Ok(description)
    }

    fn status(&mut self) -> Result<Status, Fault> {
        if self.breaks == "answers_in_time" {
            self.inner.sleep(0.1);
        }
        let mut status = self.inner.status()?;
        match self.breaks {
            "status" => {
                status.rails.pop();
            }
            "disarmed_first" => status.laser = Laser::Armed,
            "lock_in_time" => status.locked = false,
            "facet_known" => status.facet = None,
            "status in degrees Celsius" => status.temperature -= 273.15,
            _ => {}
        }
        Ok(status)
    }

    fn spin(&mut self, speed: f64) -> Result<(), Fault> {
        let answer = self.inner.spin(speed);
        if answer.is_err() && self.breaks == "refusal_harmless" {
            self.inner.halt(Halt::Brake)?;
        }
        self.lax("speed_in_range", answer, ())
    }

    fn halt(&mut self, how: Halt) -> Result<(), Fault> {
        if self.breaks == "brake_in_time" {
            return Ok(());
        }
        let answer = self.inner.halt(how);
        self.lax("armed_guards", answer, ())
    }

    fn steer(&mut self, angle: Option<f64>) -> Result<(), Fault> {
        if self.breaks == "mirror_arrives" {
            return Ok(());
        }
        let answer = self.inner.steer(angle);
        self.lax("angle_in_range", answer, ())
    }

    fn turns(&mut self, count: u32) -> Result<Vec<Turn>, Fault> {
        let turns = self.inner.turns(count);
        let mut turns = self.lax("no_turns_at_rest", turns, Vec::new())?;
        if self.breaks == "turns_counted" {
            turns.pop();
        }
        Ok(turns)
    }

    fn trims(&mut self) -> Result<Vec<Trim>, Fault> {
        let mut trims = self.inner.trims()?;
        match self.breaks {
            "trims_read" => {
                trims.pop();
            }
            "trims_rounded" => trims = self.raw.clone().unwrap_or(trims),
            // What was asked for reads back, whatever comes of it.
            "trims_shift" | "in-scan sign" | "cross-scan sign" | "optical angle" => {
                if let Some(raw) = &self.raw {
                    trims = self.inner.describe()?.round_trims(raw)?;
                }
            }
            _ => {}
        }
        Ok(trims)
    }

    fn load_trims(&mut self, trims: &[Trim]) -> Result<(), Fault> {
        let held = |sign: [f64; 2]| {
            let turned = |trim: &Trim| Trim {
                in_scan: sign[0] * trim.in_scan,
                cross_scan: sign[1] * trim.cross_scan,
            };
            trims.iter().map(turned).collect::<Vec<_>>()
        };
        let bent = match self.breaks {
            "trims_shift" | "in-scan sign" => held([-1.0, 1.0]),
            "cross-scan sign" => held([1.0, -1.0]),
            "optical angle" => held([1.0, 0.45]),
            _ => trims.to_vec(),
        };
        let fits = self.inner.describe()?.round_trims(trims);
        let answer = fits.and_then(|_| self.inner.load_trims(&bent));
        if answer.is_ok() {
            self.raw = Some(trims.to_vec());
        }
        let answer = self.lax("trims_counted", answer, ());
        self.lax("trims_in_range", answer, ())
    }

    fn store_trims(&mut self) -> Result<(), Fault> {
        if self.breaks == "trims_stored" {
            return Err(Fault::Refused("no memory".to_string()));
        }
        self.inner.store_trims()
    }

    fn arm(&mut self, power: f64) -> Result<(), Fault> {
        self.armed = true;
        let power = if self.breaks == "power_in_range" { power.clamp(0.0, 1.0) } else { power };
        let answer = self.inner.arm(power);
        let answer = self.lax("arm_needs_interlock", answer, ());
        self.lax("arm_needs_lock", answer, ())
    }

    fn disarm(&mut self) -> Result<(), Fault> {
        self.armed = false;
        self.inner.disarm()?;
        if self.breaks == "disarm_always" {
            return Err(Fault::Refused("why should I?".to_string()));
        }
        Ok(())
    }

    fn expose(&mut self, line: &LineOrder) -> Result<Exposed, Fault> {
        let answer = self.inner.expose(line);
        let instead =
            Exposed { time: 0.0, facet: line.facet, words: 1, underrun: false, period: f64::NAN };
        let mut exposed = self.lax("line_needs_arming", answer, instead)?;
        match self.breaks {
            "line_drawn" => exposed.facet += 1,
            "another clock" => exposed.time += 1.7e9,
            _ => {}
        }
        Ok(exposed)
    }

    fn signal(&mut self, name: &str) -> Result<bool, Fault> {
        let answer = self.inner.signal(name);
        if self.breaks == "outputs_switch" {
            return answer.map(|_| false);
        }
        self.lax("signals_known", answer, false)
    }

    fn switch(&mut self, name: &str, on: bool) -> Result<(), Fault> {
        let answer = self.inner.switch(name, on);
        if self.armed {
            self.lax("outputs_guarded", answer, ())
        } else {
            self.lax("inputs_stay", answer, ())
        }
    }

    fn channel(&mut self, name: &str) -> Result<f64, Fault> {
        let answer = self.inner.channel(name);
        if self.breaks == "signals_read" { answer.map(|_| 1e9) } else { answer }
    }

    fn set_channel(&mut self, name: &str, value: f64) -> Result<(), Fault> {
        let answer = self.inner.set_channel(name, value);
        self.lax("channels_set", answer, ())
    }

    fn now(&mut self) -> f64 {
        if self.breaks == "clock" {
            self.looks += 1e-4;
        }
        self.inner.now() - self.looks
    }

    fn sleep(&mut self, seconds: f64) {
        self.inner.sleep(if self.breaks == "sleep" { seconds / 2.0 } else { seconds });
    }

    fn make_safe(&mut self, keep_spinning: bool) -> SafeState {
        let armed = self.inner.status().is_ok_and(|status| status.laser == Laser::Armed);
        let mut safe = self.inner.make_safe(keep_spinning);
        match self.breaks {
            "safe_any_time" => safe.parked = false,
            "safe_spinning" => safe.kept_spinning = false,
            "safe_armed" => safe.laser_off = !armed,
            "outputs_safe" => {
                let _ = self.inner.switch("lamp", true);
            }
            _ => {}
        }
        safe
    }
}

struct BentGauge {
    inner: SimGauge,
    breaks: &'static str,
}

impl Gauge for BentGauge {
    fn measure(&mut self) -> Result<Reading, Fault> {
        let reading = self.inner.measure();
        match self.breaks {
            "gauge_answers" => Err(Fault::Broken("no answer".to_string())),
            "line_measured" => {
                reading.map(|reading| Reading { in_scan_u: Stated::default(), ..reading })
            }
            _ => reading,
        }
    }
}

fn bent(breaks: &'static str) -> Report {
    let open = breaks == "arm_needs_interlock";
    let faults = if open { vec!["interlock_opened@0s".to_string()] } else { Vec::new() };
    let (inner, gauge) = station(&faults);
    let head = Bent { inner, breaks, looks: 0.0, raw: None, armed: false, describes: |_| {} };
    run(rig(head, BentGauge { inner: gauge, breaks }), ALL)
}

fn broken(report: &Report) -> Vec<&'static str> {
    let broken = report.outcomes.iter().filter(|(_, found)| matches!(found, Outcome::Broken(_)));
    broken.map(|(contract, _)| contract.name).collect()
}

#[test]
fn a_straight_head_keeps_every_contract() {
    let report = bent("none");
    assert_eq!(broken(&report), Vec::<&str>::new());
    let skipped: Vec<_> = report
        .outcomes
        .iter()
        .filter(|(_, found)| *found != Outcome::Kept)
        .map(|(c, _)| c.name)
        .collect();
    assert_eq!(skipped, ["arm_needs_interlock"], "an interlock that is closed cannot be tried");
    assert!(report.safe.laser_off && report.safe.at_rest && report.safe.troubles.is_empty());
}

#[test]
fn every_contract_is_broken_by_the_head_that_breaks_it() {
    for contract in CONTRACTS {
        let report = bent(contract.name);
        let all = broken(&report);
        assert!(all.contains(&contract.name), "{} is not seen, but {all:?}", contract.name);
    }
}

/// What came of one contract.
fn came(report: &Report, name: &str) -> Outcome {
    report.outcomes.iter().find(|(contract, _)| contract.name == name).unwrap().1.clone()
}

/// What trying a head says that is straight but for its description, with nothing allowed that
/// `allowed` does not.
fn described(describes: fn(&mut Description), allowed: Permissions) -> Report {
    let (inner, gauge) = station(&[]);
    let head = Bent { inner, breaks: "none", looks: 0.0, raw: None, armed: false, describes };
    run(rig(head, gauge), allowed)
}

#[test]
fn a_description_in_other_units_is_told_by_key_value_and_range() {
    type Slip = (fn(&mut Description), &'static str);
    let slips: &[Slip] = &[
        (
            |d| d.focal_length = 404.25,
            "`focal_length` is 404.25 m, outside 0.001 m to 20 m: in m, not mm?",
        ),
        (|d| d.line_most = 330.0, "`line_most` is 330 m, outside 1e-5 m to 20 m"),
        (
            |d| d.clock.master = 480.0,
            "`clock.master` is 480 Hz, outside 10000 Hz to 1e11 Hz: in Hz, not MHz?",
        ),
        (|d| d.word_service = 0.0, "`word_service` is 0 s, outside 1e-11 s to 0.1 s"),
        (|d| d.lock_turns = 0, "`lock_turns` is 0, outside 1 to 1e6"),
        (|d| d.cross_scan_trim.step = 0.25, "`cross_scan_trim.step` is 0.25 rad"),
        (|d| d.cross_scan_trim.range = 500.0, "in rad, not deg, mrad or urad?"),
        (|d| d.in_scan_trim.range = d.in_scan_trim.step / 2.0, "above `in_scan_trim.range`"),
        (|d| d.spin_up_most = 3601.0, "`spin_up_most` is 3601 s, outside 0.001 s to 3600 s"),
        (|d| d.times.arming_most = -1.0, "`times.arming_most` is -1 s"),
        (|d| d.times.reading_most = f64::INFINITY, "`times.reading_most` is inf s"),
        (|d| d.galvanometer_settling = 5.0, "`galvanometer_settling` is 5 s"),
        (|d| d.galvanometer_range = 20.0, "`galvanometer_range` is 20 rad"),
        (
            |d| d.lock_window = 0.0,
            "`lock_window` is 0, outside 1e-9 to 0.5: a share of 1, not in %?",
        ),
        (|d| d.lock_window = 0.51, "`lock_window` is 0.51"),
        (|d| d.active_most = 70.0, "`active_most` is 70, outside 0.001 to 1"),
        (|d| d.facets = 1, "`facets` is 1, outside 2 to 1024"),
        (|d| d.facets = 1025, "`facets` is 1025"),
        (|d| d.speed_least = d.speed_most * 2.0, "above `speed_most`"),
        (|d| d.speed_most = 1e5, "`speed_most` is 100000 rad/s"),
        (|d| d.rails[0].nominal = 5000.0, "`rails: logic, nominal` is 5000 V"),
        (|d| d.rails[0].tolerance = 5.0, "`rails: logic, tolerance` is 5, outside"),
        (|d| d.clock.kind = ClockKind::Accumulator { bits: 64 }, "2 to 52 bits"),
    ];
    for (slip, words) in slips {
        match came(&described(*slip, Permissions::default()), "description") {
            Outcome::Broken(why) => assert!(why.contains(words), "{why}\nnot: {words}"),
            other => panic!("{words}: {other:?}"),
        }
    }
}

#[test]
fn a_line_on_another_clock_and_trims_with_another_sign_are_told() {
    let bends = [
        ("another clock", "line_drawn", "on another clock?"),
        ("in-scan sign", "trims_shift", "an in-scan trim moves the line by -"),
        ("cross-scan sign", "trims_shift", "m: the sign is wrong"),
        ("optical angle", "trims_shift", "a cross-scan trim moves the line by "),
    ];
    for (bend, contract, words) in bends {
        let report = bent(bend);
        assert_eq!(broken(&report), [contract], "{bend}");
        match came(&report, contract) {
            Outcome::Broken(why) => assert!(why.contains(words), "{why}"),
            other => panic!("{bend}: {other:?}"),
        }
    }
}

#[test]
fn trims_are_shifted_only_where_trims_are_allowed_and_registers_are_wide() {
    let hands_off = Permissions { trims: false, ..ALL };
    let skipped = |why: &str| Outcome::Skipped(why.to_string());
    let report = described(|_| {}, hands_off);
    assert_eq!(came(&report, "trims_shift"), skipped("trims were not allowed"));
    let report = described(|d| d.cross_scan_trim.range = 1e-6, ALL);
    match came(&report, "trims_shift") {
        Outcome::Skipped(why) => {
            assert!(why.contains("cross-scan register is too narrow"), "{why}")
        }
        other => panic!("{other:?}"),
    }
}

/// A sweep of fewer degrees than the longest line needs is tried with a shorter line; where the
/// optics can use none of it, the plan says why.
#[test]
fn lines_are_shortened_until_one_can_be_planned() {
    let report = described(|d| d.active_most = 0.2, ALL);
    assert_eq!(came(&report, "line_drawn"), Outcome::Kept);
    let report = described(|d| d.word_service = 0.09, ALL);
    for contract in ["line_drawn", "line_measured", "trims_shift"] {
        match came(&report, contract) {
            Outcome::Skipped(why) => {
                let whole = why.strip_prefix("no test line can be planned, however short: ");
                assert!(whole.is_some_and(|why| why.len() > 20), "{why}");
            }
            other => panic!("{contract}: {other:?}"),
        }
    }
    assert_eq!(came(&report, "line_needs_arming"), Outcome::Kept);
}

#[test]
fn a_temperature_in_degrees_celsius_is_told() {
    match came(&bent("status in degrees Celsius"), "status") {
        Outcome::Broken(why) => assert!(why.contains("K, outside 150 K to 500 K"), "{why}"),
        other => panic!("{other:?}"),
    }
}

#[test]
fn names_are_unique_and_what_is_harmless_comes_first() {
    let names: BTreeSet<&str> = CONTRACTS.iter().map(|contract| contract.name).collect();
    assert_eq!(names.len(), CONTRACTS.len());
    let (_, before) = CONTRACTS.split_last().unwrap();
    assert!(before.is_sorted_by_key(|contract| contract.risk));
}

/// Calls that were made, by their names.
struct Spied(SimHead, Arc<AtomicBool>);

impl Head for Spied {
    fn describe(&mut self) -> Result<Description, Fault> {
        self.0.describe()
    }
    fn status(&mut self) -> Result<Status, Fault> {
        self.0.status()
    }
    fn spin(&mut self, _: f64) -> Result<(), Fault> {
        self.1.store(true, Ordering::SeqCst);
        Ok(())
    }
    fn halt(&mut self, how: Halt) -> Result<(), Fault> {
        self.0.halt(how)
    }
    fn steer(&mut self, angle: Option<f64>) -> Result<(), Fault> {
        self.1.fetch_or(angle.is_some(), Ordering::SeqCst);
        self.0.steer(angle)
    }
    fn turns(&mut self, count: u32) -> Result<Vec<Turn>, Fault> {
        self.0.turns(count)
    }
    fn trims(&mut self) -> Result<Vec<Trim>, Fault> {
        self.0.trims()
    }
    fn load_trims(&mut self, _: &[Trim]) -> Result<(), Fault> {
        self.1.store(true, Ordering::SeqCst);
        Ok(())
    }
    fn store_trims(&mut self) -> Result<(), Fault> {
        self.1.store(true, Ordering::SeqCst);
        Ok(())
    }
    fn arm(&mut self, _: f64) -> Result<(), Fault> {
        self.1.store(true, Ordering::SeqCst);
        Ok(())
    }
    fn disarm(&mut self) -> Result<(), Fault> {
        self.0.disarm()
    }
    fn expose(&mut self, _: &LineOrder) -> Result<Exposed, Fault> {
        self.1.store(true, Ordering::SeqCst);
        Err(Fault::NotArmed)
    }
    fn switch(&mut self, _: &str, _: bool) -> Result<(), Fault> {
        self.1.store(true, Ordering::SeqCst);
        Ok(())
    }
    fn set_channel(&mut self, _: &str, _: f64) -> Result<(), Fault> {
        self.1.store(true, Ordering::SeqCst);
        Ok(())
    }
    fn now(&mut self) -> f64 {
        self.0.now()
    }
    fn sleep(&mut self, seconds: f64) {
        self.0.sleep(seconds);
    }
    fn make_safe(&mut self, keep_spinning: bool) -> SafeState {
        self.0.make_safe(keep_spinning)
    }
}

#[test]
fn nothing_is_commanded_that_was_not_allowed() {
    let (head, gauge) = open_with(None, 1, &[]).unwrap();
    let commanded = Arc::new(AtomicBool::new(false));
    let head = Spied(head, commanded.clone());
    let report = run(rig(head, gauge), Permissions::default());
    assert!(!commanded.load(Ordering::SeqCst));
    assert_eq!(broken(&report), Vec::<&str>::new());
    assert!(report.counts()[0] >= 10);
}

#[test]
fn a_stop_skips_what_is_left_and_leaves_the_head_safe() {
    let (head, gauge) = open_with(None, 1, &[]).unwrap();
    let stop = Arc::new(AtomicBool::new(false));
    let asked = stop.clone();
    let report = run_with(rig(head, gauge), ALL, stop, &mut |contract, _| {
        if contract.name == "lock_in_time" {
            asked.store(true, Ordering::SeqCst);
        }
    });
    let after = report.outcomes.iter().skip_while(|(c, _)| c.name != "lock_in_time").skip(1);
    let stopped = Outcome::Skipped("stopped".to_string());
    assert!(after.clone().count() > 5 && after.clone().all(|(_, found)| *found == stopped));
    assert!(report.safe.laser_off && report.safe.at_rest);
}

/// What each fault of the simulated head breaks.
#[test]
fn faults_break_what_they_should() {
    let mut seen = String::new();
    for kind in FAULTS {
        // A bump does nothing to a polygon at rest, so it comes while it spins.
        let when = if kind.name == "lock_lost" { "line 2" } else { "0s" };
        let fault = format!("{}@{when}", kind.example());
        let (head, gauge) = match kind.name.starts_with("signal") {
            true => station(std::slice::from_ref(&fault)),
            false => open_with(None, 1, std::slice::from_ref(&fault)).unwrap(),
        };
        let report = run(rig(head, gauge), ALL);
        seen.push_str(&format!("{fault}: {}\n", broken(&report).join(", ")));
        assert!(report.safe.laser_off || fault.starts_with("l"), "{fault}");
    }
    insta::assert_snapshot!(seen);
}
