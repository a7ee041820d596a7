//! What a head is: facets, geometry, limits, clock and registers. Plain data in SI units.

use crate::optics::line::MAX_LENGTH_ERROR;
pub use crate::optics::{Clock, ClockKind, Register, StartOfScan};
use crate::optics::{Hardware, Linearity, TrimRegisters};
pub(crate) use crate::signals::{Channel, Signal};
use core::f64::consts::TAU;
use serde::{Deserialize, Serialize};

/// Longest time in s for which lines are drawn steadily by one command.
pub const MAX_STEADY: f64 = 60.0;

/// A power rail.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Rail {
    /// As printed on the schematic, such as `logic`.
    pub name: String,
    /// Nominal voltage in V.
    pub nominal: f64,
    /// Largest relative deviation that is still good.
    pub tolerance: f64,
}

/// What lights the start-of-scan detector.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum LightSource {
    /// A source of its own: facets are counted without the writing beam.
    #[default]
    Own,
    /// The writing beam: there are no pulses unless the laser is armed, and when they come depends
    /// on its power.
    Beam,
}

/// How start-of-scan pulses come about.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Detector {
    /// What lights it.
    pub source: LightSource,
    /// Pulses are seen only inside a window after the last one.
    pub gated: bool,
    /// There is another detector at the end of the scan.
    pub end_of_scan: bool,
}

impl Detector {
    fn is_plain(&self) -> bool {
        *self == Detector::default()
    }
}

/// All that a script or a plan may rely on about a head.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Description {
    /// Kind of head.
    pub model: String,
    /// Serial number.
    pub serial: String,
    /// Nothing real moves.
    pub simulated: bool,
    /// Number of facets.
    pub facets: u32,
    /// Lowest speed that can be asked for, in rad/s.
    pub speed_least: f64,
    /// Highest speed that can be asked for, in rad/s.
    pub speed_most: f64,
    /// Relative half-width of the lock window.
    pub lock_window: f64,
    /// Consecutive turns inside the window that make lock.
    pub lock_turns: u32,
    /// Longest time from rest to lock, in s.
    pub spin_up_most: f64,
    /// Longest time from full speed to rest when coasting, in s.
    pub coast_most: f64,
    /// Focal length of the f-theta lens in m.
    pub focal_length: f64,
    /// Longest line that the lens and the medium allow, in m.
    pub line_most: f64,
    /// Largest share of the line period that the optics can use.
    pub active_most: f64,
    /// The dot clock.
    pub clock: Clock,
    /// Shortest time per dot that the laser can make, in s; 0 where it does not say.
    pub dot_least: f64,
    /// Time in which the host serves one 32-dot word, in s.
    pub word_service: f64,
    /// Depth of the word queue.
    pub queue_words: u32,
    /// In-scan trim register, in s.
    pub in_scan_trim: Register,
    /// Cross-scan trim register, in rad (mechanical).
    pub cross_scan_trim: Register,
    /// Register of each facet's power as a share, which holds the share less 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub power_trim: Option<Register>,
    /// Register of each facet's factor of the dot clock's frequency, which holds the factor less 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub length_trim: Option<Register>,
    /// What can be done to the dot clock along a line, for all facets alike.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub linearity: Option<Linearity>,
    /// Most marks of a map that the head draws and its gauge reads; 0 where it draws none.
    #[serde(default, skip_serializing_if = "draws_no_map")]
    pub map_marks: u32,
    /// Largest galvanometer angle (mechanical) either way, in rad.
    pub galvanometer_range: f64,
    /// Time for the galvanometer to settle after a full-range step, in s.
    pub galvanometer_settling: f64,
    /// The power rails.
    pub rails: Vec<Rail>,
    /// Which facets give a start-of-scan pulse.
    pub start_of_scan: StartOfScan,
    /// How these pulses come about.
    #[serde(default, skip_serializing_if = "Detector::is_plain")]
    pub detector: Detector,
    /// Full optical power in W, for the record only.
    pub laser_power: f64,
    /// How long calls may take.
    pub times: Times,
    /// Digital lines by name, each name once among signals and channels.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub signals: Vec<Signal>,
    /// Numeric lines by name.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub channels: Vec<Channel>,
}

/// How long the calls of a head and its gauge may take, in s of head time. Together with
/// [`Description::turns_most`] and [`Description::expose_most`] they bound every call, so a head
/// that takes longer must give up with a fault.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Times {
    /// Longest time that the answer to a call takes which waits for no motion.
    pub reply_most: f64,
    /// After this time without an answer the head is given up.
    pub silence_most: f64,
    /// After this time without a pulse, waiting for one is given up.
    pub pulse_silence_most: f64,
    /// Longest time from arming until light can come out.
    pub arming_most: f64,
    /// Longest time in which the word queue is filled before a line, a slow host included.
    pub fill_most: f64,
    /// Most turns that a line waits for its facet.
    pub waiting_turns_most: u32,
    /// Longest time that one reading of the gauge takes.
    pub reading_most: f64,
    /// After this time without an answer the gauge is given up.
    pub gauge_silence_most: f64,
    /// Longest time from any speed to measured rest when braked.
    pub brake_most: f64,
    /// Longest time that the answer of a signal or a channel takes where that is longer than
    /// `reply_most`, as of a device of its own; else 0.
    #[serde(default, skip_serializing_if = "is_nothing")]
    pub station_most: f64,
    /// Longest time of a sheet that people scan, where a run measures lines by sheets; 0 of every head.
    #[serde(skip)]
    pub sheet_most: f64,
}

fn draws_no_map(marks: &u32) -> bool {
    *marks == 0
}

fn is_nothing(time: &f64) -> bool {
    *time == 0.0
}

impl Times {
    /// Longest time in s that the answer of a signal or a channel takes.
    pub fn station_reply_most(&self) -> f64 {
        self.reply_most.max(self.station_most)
    }
}

impl Description {
    /// Longest time in s of a turn at `speed` rad/s, lock window included.
    pub fn turn_most(&self, speed: f64) -> f64 {
        TAU / speed * (1.0 + self.lock_window)
    }

    /// Longest time in s that [`crate::Head::turns`] watches before it gives up, the polygon
    /// having been asked for `speed` rad/s (the lowest one where it was asked for none): up to
    /// speed and then `count` turns and the begun one, and never a silence between two pulses. Where
    /// the writing beam lights the detector, it may have to come on first.
    pub fn turns_most(&self, count: f64, speed: f64) -> f64 {
        let turns = count + 1.0;
        let paced = self.spin_up_most + turns * self.turn_most(speed);
        let lit = match self.detector.source {
            LightSource::Own => 0.0,
            LightSource::Beam => self.times.arming_most,
        };
        lit + paced.min(turns * self.times.pulse_silence_most)
    }

    /// Longest time in s that [`crate::Head::expose`] takes once the laser is ready, before
    /// it gives up: the queue, the turns until the facet comes, and the line itself.
    pub fn expose_most(&self, speed: f64) -> f64 {
        let turns = f64::from(self.times.waiting_turns_most) + 1.0;
        self.times.fill_most + turns * self.turn_most(speed)
    }

    /// Longest time in s that [`crate::Head::expose_page`] takes for `lines` lines once the
    /// laser is ready, before it gives up: the first line, the turns of all, and one begun.
    pub fn page_most(&self, lines: f64, speed: f64) -> f64 {
        let turns = (lines / f64::from(self.facets)).ceil() + 1.0;
        self.expose_most(speed) + turns * self.turn_most(speed)
    }

    /// Whether facets give pulses while the laser is off.
    pub fn counts_in_the_dark(&self) -> bool {
        self.start_of_scan == StartOfScan::EveryFacet && self.detector.source == LightSource::Own
    }

    /// Its trim registers.
    pub fn trim_registers(&self) -> TrimRegisters {
        TrimRegisters {
            in_scan: self.in_scan_trim,
            cross_scan: self.cross_scan_trim,
            power: self.power_trim,
            length: self.length_trim,
        }
    }

    /// What a line plan must respect.
    pub fn hardware(&self) -> Hardware {
        Hardware {
            clock: self.clock,
            dot_least: self.dot_least,
            word_service: self.word_service,
            queue_words: self.queue_words,
            active_most: self.active_most,
            line_most: self.line_most,
            speed_least: self.speed_least,
            speed_most: self.speed_most,
            start_of_scan: self.start_of_scan,
            length_error_most: MAX_LENGTH_ERROR,
            in_scan_range: self.in_scan_trim.range,
            cross_scan_range: self.cross_scan_trim.range,
            min_trim_reach: 0.0,
            length_trim: self.length_trim.map_or(0.0, |register| register.range),
        }
    }
}
