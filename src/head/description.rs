//! What a head is: facets, geometry, limits, clock and registers. Plain data in SI units.

use crate::optics::Hardware;
pub use crate::optics::{Clock, ClockKind, Register, StartOfScan};

/// A power rail.
#[derive(Clone, Debug, PartialEq)]
pub struct Rail {
    /// As printed on the schematic, such as `logic`.
    pub name: String,
    /// Nominal voltage in V.
    pub nominal: f64,
    /// Largest relative deviation that is still good.
    pub tolerance: f64,
}

/// All that a script or a plan may rely on about a head.
#[derive(Clone, Debug, PartialEq)]
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
    /// Time in which the host serves one 32-dot word, in s.
    pub word_service: f64,
    /// Depth of the word queue.
    pub queue_words: u32,
    /// In-scan trim register, in s.
    pub in_scan_trim: Register,
    /// Cross-scan trim register, in rad (mechanical).
    pub cross_scan_trim: Register,
    /// Largest galvanometer angle (mechanical) either way, in rad.
    pub galvanometer_range: f64,
    /// Time for the galvanometer to settle after a full-range step, in s.
    pub galvanometer_settling: f64,
    /// The power rails.
    pub rails: Vec<Rail>,
    /// Which facets give a start-of-scan pulse.
    pub start_of_scan: StartOfScan,
    /// Full optical power in W, for the record only.
    pub laser_power: f64,
}

impl Description {
    /// What a line plan must respect.
    pub fn hardware(&self) -> Hardware {
        Hardware {
            clock: self.clock,
            word_service: self.word_service,
            queue_words: self.queue_words,
            active_most: self.active_most,
            line_most: self.line_most,
            speed_least: self.speed_least,
            speed_most: self.speed_most,
            start_of_scan: self.start_of_scan,
        }
    }
}
