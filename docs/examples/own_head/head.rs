//! A head of one's own: the head trait over the registers of a board. Uses the public interface of
//! spintrue only.

use super::board::{
    AT_REST, BRAKE, Board, CLAMP, DOOR, DRAWN, DRIVE, FACETS, INDEX, INTERLOCK, Imaginary, LAMP,
    LASER, LOCKED, READY, Word,
};
use spintrue_head::step_by_step;
use spintrue_head::{Active, AtSafe, Channel, Direction, Pull, Signal};
use spintrue_head::{Clock, ClockKind, Detector, Rail, Register, StartOfScan};
use spintrue_head::{
    Description, Exposed, Fault, Gauge, Halt, Head, Laser, LineOrder, Mark, Pattern, Reading,
    SafeState, Stated, Status, Times, Trim, Turn,
};
use spintrue_head::{find_channel, find_signal, settable, switchable};
use std::cell::RefCell;
use std::f64::consts::TAU;
use std::rc::Rc;

/// Time in s between two looks at a bit that is waited for.
const LOOK: f64 = 0.5e-3;

/// The galvanometer's DAC has steps of this, in rad.
const MIRROR_STEP: f64 = 1e-8;

/// A line of the board is so many 32-dot words long at most.
const WORDS_MOST: u32 = 4096;

/// A board, shared by the head and the gauge.
pub type Shared<B> = Rc<RefCell<B>>;

/// A head behind a board.
#[derive(Debug)]
pub struct OwnHead<B> {
    board: Shared<B>,
    description: Description,
    /// The speed that was asked for last, in rad/s.
    asked: f64,
}

/// What the head is. All values are invented; docs/heads.md tells where yours come from.
fn described() -> Description {
    Description {
        model: "register demonstration head (invented)".to_string(),
        serial: "RS-0001".to_string(),
        simulated: true,
        facets: FACETS,
        speed_least: 60.0,
        speed_most: 630.0,
        lock_window: 5e-4,
        lock_turns: 32,
        spin_up_most: 12.0,
        coast_most: 41.0,
        focal_length: 0.404_253_6,
        line_most: 0.33,
        active_most: 0.7,
        clock: Clock { master: 480e6, kind: ClockKind::Divider { least: 16, most: 4095 } },
        dot_least: 0.0,
        word_service: 2e-6,
        queue_words: WORDS_MOST,
        in_scan_trim: Register { step: 1e-9, range: 1e-6 },
        cross_scan_trim: Register { step: 0.25e-6, range: 500e-6 },
        power_trim: None,
        length_trim: None,
        linearity: None,
        map_marks: 0,
        galvanometer_range: 0.1,
        galvanometer_settling: 5e-3,
        rails: vec![
            Rail { name: "logic".to_string(), nominal: 5.0, tolerance: 0.05 },
            Rail { name: "drive".to_string(), nominal: 24.0, tolerance: 0.1 },
        ],
        start_of_scan: StartOfScan::EveryFacet,
        detector: Detector::default(),
        laser_power: 0.05,
        times: Times {
            reply_most: 1e-3,
            silence_most: 1.0,
            pulse_silence_most: 1.0,
            arming_most: 0.5,
            fill_most: 0.05,
            waiting_turns_most: 3,
            reading_most: 0.02,
            gauge_silence_most: 1.0,
            brake_most: 9.0,
            station_most: 0.0,
            sheet_most: 0.0,
        },
        signals: vec![
            Signal {
                name: "door_open".to_string(),
                direction: Direction::Input,
                active: Active::Low,
                pull: Pull::Up,
                at_safe: None,
                under_light: false,
            },
            output("clamp", AtSafe::Keep, false),
            output("lamp", AtSafe::Off, true),
        ],
        channels: vec![Channel {
            name: "blower".to_string(),
            direction: Direction::Output,
            unit: "%".to_string(),
            least: 0.0,
            most: 1.0,
            at_safe: Some(0.0),
            under_light: true,
        }],
    }
}

fn output(name: &str, at_safe: AtSafe, under_light: bool) -> Signal {
    let name = name.to_string();
    let (active, pull) = (Active::High, Pull::None);
    let direction = Direction::Output;
    Signal { name, direction, active, pull, at_safe: Some(at_safe), under_light }
}

/// Where a signal is wired to.
fn wired(name: &str) -> (Word, u32) {
    match name {
        "door_open" => (Word::Inputs, DOOR),
        "clamp" => (Word::Outputs, CLAMP),
        _ => (Word::Outputs, LAMP),
    }
}

fn within(what: &str, unit: &str, value: f64, low: f64, high: f64) -> Result<(), Fault> {
    let inside = (low..=high).contains(&value);
    inside.then_some(()).ok_or_else(|| Fault::outside(what, unit, value, low, high))
}

/// Whole steps of a signed register.
fn steps(value: f64, step: f64) -> u32 {
    ((value / step).round() as i32).cast_unsigned()
}

fn signed(word: u32) -> f64 {
    f64::from(word.cast_signed())
}

impl<B: Board> OwnHead<B> {
    /// Begins from a safe head, whatever ran before.
    pub fn new(board: Shared<B>) -> OwnHead<B> {
        let mut head = OwnHead { board, description: described(), asked: 0.0 };
        head.make_safe(false);
        head
    }

    fn read(&mut self, word: Word) -> u32 {
        self.board.borrow_mut().read(word)
    }

    fn write(&mut self, word: Word, value: u32) {
        self.board.borrow_mut().write(word, value);
    }

    fn control(&mut self, set: u32, clear: u32) {
        let control = self.read(Word::Control);
        self.write(Word::Control, control & !clear | set);
    }

    fn is_armed(&mut self) -> bool {
        self.read(Word::Control) & LASER != 0
    }

    fn not_armed(&mut self, what: &'static str) -> Result<(), Fault> {
        if self.is_armed() { Err(Fault::armed(what)) } else { Ok(()) }
    }

    /// Waits for a status bit while the laser stays enabled, at most `most` s.
    fn until(&mut self, bit: u32, most: f64, late: Fault) -> Result<(), Fault> {
        let give_up = self.now() + most;
        loop {
            let status = self.read(Word::Status);
            if status & bit != 0 {
                return Ok(());
            }
            if !self.is_armed() {
                return Err(match (status & INTERLOCK, status & LOCKED) {
                    (0, _) => Fault::InterlockOpen,
                    (_, 0) => Fault::NotLocked,
                    _ => Fault::NotArmed,
                });
            }
            if self.now() >= give_up {
                return Err(late);
            }
            self.sleep(LOOK);
        }
    }
}

impl<B: Board> Head for OwnHead<B> {
    fn describe(&mut self) -> Result<Description, Fault> {
        Ok(self.description.clone())
    }

    fn status(&mut self) -> Result<Status, Fault> {
        let (status, control) = (self.read(Word::Status), self.read(Word::Control));
        let galvanometer = signed(self.read(Word::MirrorAt)) * MIRROR_STEP;
        let facet = self.read(Word::Facet);
        let rails = self.description.rails.len() as u32;
        Ok(Status {
            time: self.now(),
            speed: f64::from(self.read(Word::Measured)) / 1e3,
            target: (control & DRIVE != 0).then_some(self.asked),
            locked: status & LOCKED != 0,
            facet: (status & INDEX != 0).then_some(facet),
            rails: (0..rails).map(|k| f64::from(self.read(Word::Rail(k))) / 1e3).collect(),
            interlock_closed: status & INTERLOCK != 0,
            laser: if control & LASER != 0 { Laser::Armed } else { Laser::Off },
            at_rest: status & AT_REST != 0,
            galvanometer,
            parked: self.read(Word::Mirror) == 0 && galvanometer.abs() < 0.1e-3,
            // This board has no thermometer: the air of a laboratory.
            temperature: 295.0,
        })
    }

    fn spin(&mut self, speed: f64) -> Result<(), Fault> {
        let (least, most) = (self.description.speed_least, self.description.speed_most);
        within("polygon speed", "rad/s", speed, least, most)?;
        self.not_armed("changing the polygon speed")?;
        self.asked = speed;
        self.write(Word::Speed, steps(speed, 1e-3));
        self.control(DRIVE, BRAKE);
        Ok(())
    }

    fn halt(&mut self, how: Halt) -> Result<(), Fault> {
        self.not_armed("stopping the polygon")?;
        match how {
            Halt::Brake => self.control(BRAKE, DRIVE),
            Halt::Coast => self.control(0, DRIVE | BRAKE),
        }
        Ok(())
    }

    fn steer(&mut self, angle: Option<f64>) -> Result<(), Fault> {
        let (angle, range) = (angle.unwrap_or(0.0), self.description.galvanometer_range);
        within("galvanometer angle", "rad", angle, -range, range)?;
        self.write(Word::Mirror, steps(angle, MIRROR_STEP));
        Ok(())
    }

    fn turns(&mut self, count: u32) -> Result<Vec<Turn>, Fault> {
        let silence = self.description.times.pulse_silence_most;
        let mut turns = Vec::new();
        self.write(Word::Turn, 0);
        let mut give_up = self.now() + silence;
        while turns.len() < count as usize {
            match self.read(Word::Turn) {
                0 if self.now() >= give_up => return Err(Fault::no_pulse("index")),
                0 => self.sleep(LOOK),
                time => {
                    let start_of_scan = self.read(Word::Turn);
                    // This board counts pulses, but tells no times of them.
                    let period = f64::from(time) / 1e6;
                    turns.push(Turn { period, start_of_scan, ..Turn::default() });
                    give_up = self.now() + silence;
                }
            }
        }
        Ok(turns)
    }

    fn trims(&mut self) -> Result<Vec<Trim>, Fault> {
        let (time, angle) = (self.description.in_scan_trim, self.description.cross_scan_trim);
        let trim = |k| Trim {
            in_scan: signed(self.read(Word::InScan(k))) * time.step,
            cross_scan: signed(self.read(Word::CrossScan(k))) * angle.step,
            ..Trim::default()
        };
        Ok((0..FACETS).map(trim).collect())
    }

    fn load_trims(&mut self, trims: &[Trim]) -> Result<(), Fault> {
        let (time, angle) = (self.description.in_scan_trim, self.description.cross_scan_trim);
        if trims.len() != FACETS as usize {
            let count = trims.len();
            return Err(Fault::Refused(format!("{count} trims for {FACETS} facets")));
        }
        // All are looked at before anything changes.
        for trim in trims {
            time.hold(trim.in_scan)
                .map_err(|o| Fault::outside("in-scan trim", "s", o.value, o.low, o.high))?;
            angle
                .hold(trim.cross_scan)
                .map_err(|o| Fault::outside("cross-scan trim", "rad", o.value, o.low, o.high))?;
        }
        for (k, trim) in (0..).zip(trims) {
            self.write(Word::InScan(k), steps(trim.in_scan, time.step));
            self.write(Word::CrossScan(k), steps(trim.cross_scan, angle.step));
        }
        Ok(())
    }

    fn store_trims(&mut self) -> Result<(), Fault> {
        self.not_armed("storing trims")?;
        self.write(Word::Store, 1);
        Ok(())
    }

    fn arm(&mut self, power: f64) -> Result<(), Fault> {
        within("laser power", "of full power", power, 0.0, 1.0)?;
        self.not_armed("arming")?;
        let status = self.read(Word::Status);
        if status & INTERLOCK == 0 {
            return Err(Fault::InterlockOpen);
        }
        if status & LOCKED == 0 {
            return Err(Fault::NotLocked);
        }
        self.write(Word::Power, (power * 65535.0).round() as u32);
        self.control(LASER, 0);
        let broken = || Fault::Broken("the laser cannot be enabled".to_string());
        self.is_armed().then_some(()).ok_or_else(broken)
    }

    fn disarm(&mut self) -> Result<(), Fault> {
        self.control(0, LASER);
        self.write(Word::Power, 0);
        let broken = || Fault::Broken("the laser cannot be disabled".to_string());
        (!self.is_armed()).then_some(()).ok_or_else(broken)
    }

    fn expose(&mut self, line: &LineOrder) -> Result<Exposed, Fault> {
        if !self.is_armed() {
            return Err(Fault::NotArmed);
        }
        let last = f64::from(FACETS - 1);
        within("facet", "from the index", f64::from(line.facet), 0.0, last)?;
        within("line", "dots", f64::from(line.dots), 1.0, f64::from(32 * WORDS_MOST))?;
        within("pre-scan delay", "s", line.delay, 0.0, 1.0)?;
        if line.pattern != Pattern::TestMarks {
            let why = "this board draws test marks only".to_string();
            return Err(Fault::Refused(why));
        }
        let clock = self.description.clock;
        let made = clock.nearest(line.dot_period).map_err(|why| Fault::Refused(why.to_string()))?;
        self.write(Word::Divisor, made.setting as u32);
        self.write(Word::Delay, steps(line.delay, 1.0 / clock.master));
        self.write(Word::Dots, line.dots);
        let times = self.description.times;
        let late = Fault::Broken("the laser is not ready in time".to_string());
        self.until(READY, times.arming_most, late)?;
        self.write(Word::Draw, line.facet + 1);
        let turns = f64::from(times.waiting_turns_most) + 1.0;
        let drawn = self.until(DRAWN, turns * TAU / self.asked, Fault::no_pulse("start-of-scan"));
        if drawn.is_err() {
            self.write(Word::Draw, 0);
        }
        drawn?;
        let words = line.dots.div_ceil(32);
        // The board's counter of turns does not tell which turn a line was drawn in.
        let period = f64::NAN;
        Ok(Exposed { time: self.now(), facet: line.facet, words, underrun: false, period })
    }

    fn signal(&mut self, name: &str) -> Result<bool, Fault> {
        let active = find_signal(&self.description.signals, name)?.active;
        let (word, bit) = wired(name);
        let high = self.read(word) & bit != 0;
        Ok(high == (active == Active::High))
    }

    fn switch(&mut self, name: &str, on: bool) -> Result<(), Fault> {
        let armed = self.is_armed();
        let active = switchable(&self.description.signals, name, armed)?.active;
        let (word, bit) = wired(name);
        let others = self.read(word) & !bit;
        let high = on == (active == Active::High);
        self.write(word, others | if high { bit } else { 0 });
        Ok(())
    }

    // There is one channel.
    fn channel(&mut self, name: &str) -> Result<f64, Fault> {
        find_channel(&self.description.channels, name)?;
        Ok(f64::from(self.read(Word::Blower)) / 65535.0)
    }

    fn set_channel(&mut self, name: &str, value: f64) -> Result<(), Fault> {
        let armed = self.is_armed();
        settable(&self.description.channels, name, value, armed)?;
        self.write(Word::Blower, (value * 65535.0).round() as u32);
        Ok(())
    }

    fn now(&mut self) -> f64 {
        self.board.borrow_mut().now()
    }

    fn sleep(&mut self, seconds: f64) {
        self.board.borrow_mut().wait(seconds);
    }

    fn make_safe(&mut self, keep_spinning: bool) -> SafeState {
        let known = self.description.clone();
        step_by_step(self, Some(&known), keep_spinning)
    }
}

/// The instrument that measures lines: on a real station another one than the head.
#[derive(Debug)]
pub struct OwnGauge {
    /// The imaginary board whose lines it sees.
    pub board: Shared<Imaginary>,
}

impl Gauge for OwnGauge {
    fn measure(&mut self) -> Result<Reading, Fault> {
        let mut board = self.board.borrow_mut();
        let none = || Fault::Refused("there is no line to measure yet".to_string());
        let (facet, speed, mirror) = board.line.ok_or_else(none)?;
        board.wait(0.01);
        let described = described();
        let master = described.clock.master;
        let (dots, divisor) = (board.word(Word::Dots), board.word(Word::Divisor));
        let half = f64::from(dots) * f64::from(divisor) / master / 2.0;
        let later = signed(board.word(Word::InScan(facet))) * 1e-9;
        let higher = signed(board.word(Word::CrossScan(facet))) * 0.25e-6;
        // Against the middle of the sweep; the spot runs at 2 w f, an angle counts twice.
        let middle = f64::from(board.word(Word::Delay)) / master + half + later;
        let sweep = TAU / speed / f64::from(FACETS);
        let focal = described.focal_length;
        // Every facet is cut a little off, and no two readings are alike.
        let off = f64::from(facet * facet % 7) - 3.0;
        let noise = (board.now() * 1e4).sin() * 0.3e-6;
        let length = 2.0 * half * 2.0 * speed * focal;
        let along = 2.0 * speed * focal * (middle - sweep / 2.0) + off * 6e-6 + noise;
        let across = 2.0 * focal * (higher + mirror) - off * 9e-6 - noise;
        // Its line is a little longer or shorter, and its gauge reads no dose.
        let mark = |at: f64| Mark {
            at,
            in_scan: along + at * off * 4e-6 * length,
            cross_scan: across,
            dose: f64::NAN,
            width: None,
        };
        // Noise averages out; an error of the scale does not.
        let stated = Stated { random: 0.4e-6, slope: 2e-6, ..Stated::default() };
        Ok(Reading {
            marks: [-0.5, -0.25, 0.0, 0.25, 0.5].map(mark).to_vec(),
            in_scan_u: stated,
            cross_scan_u: stated,
            dose_u: f64::NAN,
            width_u: None,
        })
    }
}
