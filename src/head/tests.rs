//! What the unit tests share: a plain head in memory. It locks ten seconds after it was asked to spin,
//! refuses what heads refuse, and draws every line at once.

use crate::safe::step_by_step;
use crate::{
    Clock, ClockKind, Description, Detector, Exposed, Fault, FaultInjector, Gauge, Halt, Head,
    Laser, LineOrder, Rail, Reading, Register, SafeState, StartOfScan, Status, Times, Trim, Turn,
};
use core::f64::consts::TAU;

/// Time in s from rest to lock.
const LOCKING: f64 = 10.0;

/// What it says of itself.
pub(crate) fn description() -> Description {
    let rail = |name: &str, nominal| Rail { name: name.to_string(), nominal, tolerance: 0.05 };
    Description {
        model: "stand-in".to_string(),
        serial: "SI-1".to_string(),
        simulated: true,
        facets: 10,
        speed_least: 60.0,
        speed_most: 630.0,
        lock_window: 1e-3,
        lock_turns: 20,
        spin_up_most: 30.0,
        coast_most: 600.0,
        focal_length: 0.404,
        line_most: 0.33,
        active_most: 0.7,
        clock: Clock { master: 480e6, kind: ClockKind::Accumulator { bits: 32 } },
        dot_least: 0.0,
        word_service: 5e-6,
        queue_words: 64,
        in_scan_trim: Register { step: 1e-9, range: 5e-7 },
        cross_scan_trim: Register { step: 1e-7, range: 1e-3 },
        power_trim: None,
        length_trim: None,
        linearity: None,
        map_marks: 64,
        galvanometer_range: 0.1,
        galvanometer_settling: 0.02,
        rails: vec![rail("logic", 5.0), rail("motor", 24.0)],
        start_of_scan: StartOfScan::EveryFacet,
        detector: Detector::default(),
        laser_power: 5e-3,
        times: Times {
            reply_most: 0.01,
            silence_most: 0.5,
            pulse_silence_most: 1.0,
            arming_most: 0.2,
            fill_most: 0.1,
            waiting_turns_most: 2,
            reading_most: 0.2,
            gauge_silence_most: 1.0,
            brake_most: 60.0,
            station_most: 0.0,
            sheet_most: 0.0,
        },
        signals: Vec::new(),
        channels: Vec::new(),
    }
}

/// The head.
pub(crate) struct StandIn {
    time: f64,
    target: Option<f64>,
    /// When it was asked for that speed.
    since: f64,
    laser: Laser,
    galvanometer: Option<f64>,
    trims: Vec<Trim>,
}

impl StandIn {
    pub(crate) fn new() -> StandIn {
        let trims = vec![Trim { in_scan: 0.0, cross_scan: 0.0, ..Trim::default() }; 10];
        let (target, galvanometer) = (None, None);
        StandIn { time: 0.0, target, since: 0.0, laser: Laser::Off, galvanometer, trims }
    }

    fn is_locked(&self) -> bool {
        self.target.is_some() && self.time - self.since >= LOCKING
    }

    /// Refused under light.
    fn dark(&self, what: &'static str) -> Result<(), Fault> {
        if self.laser == Laser::Armed { Err(Fault::armed(what)) } else { Ok(()) }
    }
}

fn within(what: &str, unit: &str, value: f64, low: f64, high: f64) -> Result<(), Fault> {
    let fits = (low..=high).contains(&value);
    if fits { Ok(()) } else { Err(Fault::outside(what, unit, value, low, high)) }
}

impl Head for StandIn {
    fn describe(&mut self) -> Result<Description, Fault> {
        Ok(description())
    }

    fn status(&mut self) -> Result<Status, Fault> {
        Ok(Status {
            time: self.time,
            speed: self.target.unwrap_or(0.0),
            target: self.target,
            locked: self.is_locked(),
            facet: self.target.map(|_| 0),
            rails: vec![5.0, 24.0],
            interlock_closed: true,
            laser: self.laser,
            at_rest: self.target.is_none(),
            galvanometer: self.galvanometer.unwrap_or(0.0),
            parked: self.galvanometer.is_none(),
            temperature: 295.15,
        })
    }

    fn spin(&mut self, speed: f64) -> Result<(), Fault> {
        self.dark("spinning")?;
        within("speed", "rad/s", speed, 60.0, 630.0)?;
        (self.target, self.since) = (Some(speed), self.time);
        Ok(())
    }

    fn halt(&mut self, _: Halt) -> Result<(), Fault> {
        self.dark("halting")?;
        self.target = None;
        Ok(())
    }

    fn steer(&mut self, angle: Option<f64>) -> Result<(), Fault> {
        if let Some(angle) = angle {
            within("angle", "rad", angle, -0.1, 0.1)?;
        }
        self.galvanometer = angle;
        Ok(())
    }

    fn turns(&mut self, count: u32) -> Result<Vec<Turn>, Fault> {
        let Some(speed) = self.target else { return Err(Fault::no_pulse("index")) };
        within("turns", "", f64::from(count), 1.0, 1000.0)?;
        let turn = Turn { period: TAU / speed, start_of_scan: 10, ..Turn::default() };
        self.time += f64::from(count) * turn.period;
        Ok(vec![turn; count as usize])
    }

    fn trims(&mut self) -> Result<Vec<Trim>, Fault> {
        Ok(self.trims.clone())
    }

    fn load_trims(&mut self, trims: &[Trim]) -> Result<(), Fault> {
        self.trims = description().round_trims(trims)?;
        Ok(())
    }

    fn store_trims(&mut self) -> Result<(), Fault> {
        self.dark("storing trims")
    }

    fn arm(&mut self, power: f64) -> Result<(), Fault> {
        within("power", "", power, 0.0, 1.0)?;
        if !self.is_locked() {
            return Err(Fault::NotLocked);
        }
        self.laser = Laser::Armed;
        Ok(())
    }

    fn disarm(&mut self) -> Result<(), Fault> {
        self.laser = Laser::Off;
        Ok(())
    }

    fn expose(&mut self, line: &LineOrder) -> Result<Exposed, Fault> {
        if self.laser == Laser::Off {
            return Err(Fault::NotArmed);
        }
        let words = line.dots.div_ceil(32);
        Ok(Exposed { time: self.time, facet: line.facet, words, underrun: false, period: f64::NAN })
    }

    fn now(&mut self) -> f64 {
        self.time
    }

    fn sleep(&mut self, seconds: f64) {
        self.time += seconds;
    }

    fn make_safe(&mut self, keep_spinning: bool) -> SafeState {
        step_by_step(self, Some(&description()), keep_spinning)
    }
}

impl Gauge for StandIn {
    fn measure(&mut self) -> Result<Reading, Fault> {
        Err(Fault::LostReading)
    }
}

/// Takes every fault, and none ever strikes.
impl FaultInjector for StandIn {
    fn check_can_inject(&self, _: &str) -> Result<(), Fault> {
        Ok(())
    }

    fn inject(&mut self, _: &str, _: f64) -> Result<(), Fault> {
        Ok(())
    }

    fn clear(&mut self) {}
}
