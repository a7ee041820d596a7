//! The board that `head.rs` drives, as its registers, and an imaginary one in memory. Uses nothing.
//!
//! The register map is invented, and describes no product. In place of [`Imaginary`] stands what
//! reaches your hardware: memory that a crate of your choice maps, GPIO lines, SPI, a field bus.

use std::collections::{BTreeMap, VecDeque};
use std::f64::consts::TAU;

/// Facets of the imaginary polygon.
pub const FACETS: u32 = 6;

/// A word of 32 bits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Word {
    /// Bits [`DRIVE`], [`BRAKE`], [`LASER`].
    Control,
    /// Bits [`LOCKED`] to [`DRAWN`]; read only.
    Status,
    /// Speed to hold, in 1/1000 rad/s.
    Speed,
    /// Measured speed, likewise; read only.
    Measured,
    /// Facet that passes the beam next; read only.
    Facet,
    /// Turns that wait to be read, as a time in us and then pulses; 0 for none. Writing drops them.
    Turn,
    /// Share of full power, 65535 is all of it.
    Power,
    /// Galvanometer DAC, signed, in 10 nrad.
    Mirror,
    /// Where it stands, likewise; read only.
    MirrorAt,
    /// A rail in mV; read only.
    Rail(u32),
    /// In-scan trim of a facet, signed, in ns.
    InScan(u32),
    /// Cross-scan trim of a facet, signed, in 0.25 urad.
    CrossScan(u32),
    /// Anything written keeps the trims over power loss.
    Store,
    /// Divisor of the master clock.
    Divisor,
    /// From start of scan to the first dot, in ticks of the master clock.
    Delay,
    /// Dots of the line.
    Dots,
    /// A facet plus 1 has it draw the line; 0 gives up waiting for it.
    Draw,
    /// Levels of the input lines: bit [`DOOR`]; read only.
    Inputs,
    /// Levels of the output lines: bits [`CLAMP`], [`LAMP`].
    Outputs,
    /// Fan that blows dust off the medium, 65535 is full speed.
    Blower,
}

/// Low while the door stands open; a broken wire is pulled up.
pub const DOOR: u32 = 1;
/// High closes the clamp.
pub const CLAMP: u32 = 1;
/// High lights the lamp.
pub const LAMP: u32 = 2;

/// The drive is enabled.
pub const DRIVE: u32 = 1;
/// The brake is on.
pub const BRAKE: u32 = 2;
/// The laser is enabled; its gate opens within lines only.
pub const LASER: u32 = 4;
/// The speed has stayed in its window.
pub const LOCKED: u32 = 1;
/// The interlock chain is closed.
pub const INTERLOCK: u32 = 2;
/// Light can come out.
pub const READY: u32 = 4;
/// The index has been seen.
pub const INDEX: u32 = 8;
/// No pulse for half a second.
pub const AT_REST: u32 = 16;
/// The line was drawn.
pub const DRAWN: u32 = 32;

/// Whatever reaches the registers, and the clock that goes with it.
pub trait Board {
    /// Reads a word.
    fn read(&mut self, word: Word) -> u32;
    /// Writes a word.
    fn write(&mut self, word: Word, value: u32);
    /// Time in s.
    fn now(&mut self) -> f64;
    /// Lets time pass.
    fn wait(&mut self, seconds: f64);
}

/// Up and braked, and without power, in rad/s per second.
const GAIN: f64 = 80.0;
const RUN_OUT: f64 = 16.0;

/// A board in memory, whose time passes by [`Board::wait`] only.
#[derive(Debug)]
pub struct Imaginary {
    words: BTreeMap<Word, u32>,
    /// The interlock chain is closed.
    pub interlock: bool,
    /// The door stands open.
    pub door_open: bool,
    now: f64,
    speed: f64,
    angle: f64,
    passages: u64,
    mirror: f64,
    index_at: Option<f64>,
    turns: VecDeque<u32>,
    in_window: u32,
    still_since: f64,
    ready_at: f64,
    drawn: bool,
    /// Facet, speed and mirror angle of the line that was drawn last.
    pub line: Option<(u32, f64, f64)>,
}

impl Imaginary {
    /// At rest, with the interlock closed.
    pub fn new() -> Imaginary {
        Imaginary {
            words: BTreeMap::new(),
            interlock: true,
            door_open: false,
            now: 0.0,
            speed: 0.0,
            angle: 0.0,
            passages: 0,
            mirror: 0.0,
            index_at: None,
            turns: VecDeque::new(),
            in_window: 0,
            still_since: -1.0,
            ready_at: 0.0,
            drawn: false,
            line: None,
        }
    }

    /// What was written last.
    pub fn word(&self, word: Word) -> u32 {
        self.words.get(&word).copied().unwrap_or(0)
    }

    fn has(&self, bit: u32) -> bool {
        self.word(Word::Control) & bit != 0
    }

    fn locked(&self) -> bool {
        self.has(DRIVE) && self.in_window >= 32
    }

    /// What hardware does by itself: no light without lock or interlock.
    fn guard(&mut self) {
        if !(self.locked() && self.interlock) {
            let control = self.word(Word::Control) & !LASER;
            self.words.insert(Word::Control, control);
        }
    }

    fn step(&mut self, dt: f64) {
        let target = if self.has(DRIVE) { f64::from(self.word(Word::Speed)) / 1e3 } else { 0.0 };
        let rate = if self.has(DRIVE | BRAKE) { GAIN } else { RUN_OUT };
        let before = self.speed;
        self.speed += (target - self.speed).clamp(-rate * dt, rate * dt);
        let mean = (before + self.speed) / 2.0;
        let sent = f64::from(self.word(Word::Mirror).cast_signed()) * 1e-8;
        self.mirror += (sent - self.mirror) * -f64::exp_m1(-dt / 0.4e-3);
        let pitch = TAU / f64::from(FACETS);
        // Counted in whole passages, so that none is seen twice.
        let passed = self.angle + mean * dt;
        let begun = self.now;
        while passed >= pitch * (self.passages + 1) as f64 {
            self.passages += 1;
            self.now = begun + (pitch * self.passages as f64 - self.angle) / mean;
            self.passes((self.passages % u64::from(FACETS)) as u32, target);
        }
        self.now = begun + dt;
        self.angle = passed;
        if self.speed > 0.0 {
            self.still_since = self.now;
        } else if self.now - self.still_since > 0.5 {
            self.index_at = None;
        }
        self.guard();
    }

    /// A facet passes the beam.
    fn passes(&mut self, facet: u32, target: f64) {
        if facet == 0 {
            let inside = target > 0.0 && (self.speed / target - 1.0).abs() < 5e-4;
            self.in_window = if inside { self.in_window + 1 } else { 0 };
            if let Some(last) = self.index_at.replace(self.now)
                && self.turns.len() < 1024
            {
                self.turns.extend([((self.now - last) * 1e6) as u32, FACETS]);
            }
        }
        if self.word(Word::Draw) == facet + 1 && self.has(LASER) && self.now >= self.ready_at {
            self.line = Some((facet, self.speed, self.mirror));
            self.drawn = true;
            self.words.insert(Word::Draw, 0);
        }
    }
}

impl Board for Imaginary {
    fn read(&mut self, word: Word) -> u32 {
        let bit = |so: bool, bit: u32| if so { bit } else { 0 };
        match word {
            Word::Status => {
                let rests = self.speed == 0.0 && self.now - self.still_since >= 0.5;
                bit(self.locked(), LOCKED)
                    | bit(self.interlock, INTERLOCK)
                    | bit(self.has(LASER) && self.now >= self.ready_at, READY)
                    | bit(self.index_at.is_some(), INDEX)
                    | bit(rests, AT_REST)
                    | bit(self.drawn, DRAWN)
            }
            Word::Measured => (self.speed * 1e3).round() as u32,
            Word::Facet => (self.passages + 1) as u32 % FACETS,
            Word::Turn => self.turns.pop_front().unwrap_or(0),
            Word::MirrorAt => ((self.mirror / 1e-8).round() as i32).cast_unsigned(),
            Word::Inputs => bit(!self.door_open, DOOR),
            Word::Rail(0) => 5_010,
            Word::Rail(_) => 23_900,
            other => self.word(other),
        }
    }

    fn write(&mut self, word: Word, value: u32) {
        match word {
            Word::Turn => {
                self.turns.clear();
                self.index_at = None;
            }
            Word::Speed if value != self.word(word) => self.in_window = 0,
            Word::Control if value & LASER != 0 && !self.has(LASER) => {
                self.ready_at = self.now + 0.3;
            }
            Word::Control if value & DRIVE == 0 => self.in_window = 0,
            Word::Draw => self.drawn = false,
            _ => {}
        }
        self.words.insert(word, value);
        self.guard();
    }

    fn now(&mut self) -> f64 {
        self.now
    }

    fn wait(&mut self, seconds: f64) {
        let end = self.now + seconds;
        while self.now < end {
            self.step((end - self.now).min(0.01));
        }
    }
}
