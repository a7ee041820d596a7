//! What a simulated head is made of, in SI units. Plain data; `file.rs` reads it.

use crate::circle::whole;
use crate::disturbances::Disturbances;
use crate::faults::InjectedFault;
use crate::fixtures::Fixtures;
use crate::galvanometer::Loop;
use crate::optics::{Facet, Optics};
use crate::rotor::Rotor;
use crate::wiring::Wiring;
use spintrue_head::{Description, Proof, Stated, Trim};

/// The built-in description; its comments explain every key.
pub const BUILT_IN: &str = include_str!("default.toml");

/// Time in s after which the caller gives up a silent head.
pub(crate) const SILENCE: f64 = 1.0;

/// The head times its pulses by a counter, which counts ns.
const COUNTS_PER_SECOND: f64 = 1e9;

/// A time in s as the counter tells it.
pub(crate) fn counted(time: f64) -> f64 {
    whole(time * COUNTS_PER_SECOND) / COUNTS_PER_SECOND
}

/// Passages of a facet without a start-of-scan pulse until an exposure gives up.
pub(crate) const MAX_PASSAGES: u32 = 4;

/// How many times slower a host serves words that cannot keep up.
pub(crate) const SLOW_HOST: f64 = 8.0;

/// The start-of-scan detector.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Detector {
    /// Standard deviation of a pulse in s.
    pub jitter: f64,
    /// Time constant in s.
    pub response: f64,
    /// Threshold as a share of the nominal height.
    pub threshold: f64,
    /// Lean of its edge in rad.
    pub edge_lean: f64,
    /// Share of full power at which the writing beam makes pulses of nominal height; none for a source
    /// of its own.
    pub beam: Option<f64>,
    /// Share of the line period after a pulse in which no other is seen; 0 for no gate.
    pub gate: f64,
    /// Height of a ghost as a share of its facet's own pulse.
    pub ghost: f64,
    /// How much earlier it comes, as a share of the line period.
    pub ghost_early: f64,
    /// Place of the end-of-scan detector as a share of the sweep; 0 for none.
    pub end_of_scan: f64,
}

/// What a head keeps over power loss.
#[derive(Clone, Debug, PartialEq)]
pub struct Stored {
    /// One per facet.
    pub trims: Vec<Trim>,
    /// What proved them.
    pub proof: Option<Proof>,
}

/// How the medium moves under the head.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Travel {
    /// Share by which it is too fast.
    pub speed_error: f64,
    /// Largest share by which its speed swings, the rate in rad/s, and the phase.
    pub wobble: f64,
    pub rate: f64,
    pub phase: f64,
}

/// How much of its stated power the laser gives.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct LaserModel {
    /// Share of the stated power at ambient temperature.
    pub strength: f64,
    /// How much that changes with the temperature of the head, as a share in 1/K.
    pub drift: f64,
}

/// What the medium under the head makes of light.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct MediumModel {
    /// Armed share to which it is matched: a nominal head gives it the light 1 there.
    pub power: f64,
    /// Light up to which it shows nothing.
    pub threshold: f64,
}

impl Travel {
    /// How far the medium moves from one head time to another, over its way at the right speed in one
    /// second: the integral of 1 + e + w·sin(r·t + φ) (derived).
    pub(crate) fn way(&self, from: f64, to: f64) -> f64 {
        let swing = |time: f64| libm::cos(self.rate * time + self.phase);
        (1.0 + self.speed_error) * (to - from) + self.wobble / self.rate * (swing(from) - swing(to))
    }
}

/// The gauge.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct GaugeModel {
    /// Marks of a line that it reads, from its start to its end.
    pub marks: u32,
    /// Standard deviation of one mark in m.
    pub noise: f64,
    /// Smallest digit in m.
    pub resolution: f64,
    /// Standard uncertainties that it states.
    pub stated: Stated,
    /// Standard deviation of the dose of a mark, which it states as well.
    pub dose_noise: f64,
    pub dose_resolution: f64,
    /// Standard deviation in m of the width of a mark, which it states as well.
    pub width_noise: f64,
    /// How much longer than it is a line reads, as a share.
    pub scale: f64,
    /// By how much it is turned in rad.
    pub turn: f64,
    /// How fast its readings drift, along and across, in m/s.
    pub creep: f64,
    /// Share of marks that are wild, and the size of such an error in m.
    pub wild: (f64, f64),
    /// Constant offset along the line in m.
    pub in_scan_bias: f64,
    /// Constant offset across the line in m.
    pub cross_scan_bias: f64,
    /// Share of readings lost.
    pub lost: f64,
}

/// All that a simulated head is made of, in SI units.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Config {
    /// What the head says of itself.
    pub description: Description,
    /// Rotor and drive.
    pub rotor: Rotor,
    /// What disturbs its speed.
    pub disturbances: Disturbances,
    /// Turns outside the window that lose lock.
    pub lock_misses: u32,
    /// Start-of-scan detector.
    pub detector: Detector,
    /// What it keeps from an earlier run.
    pub stored: Stored,
    /// The facets.
    pub facets: Vec<Facet>,
    /// Lens, beam and laser.
    pub optics: Optics,
    /// How trim registers reach what they trim.
    pub wiring: Wiring,
    /// How the medium moves.
    pub travel: Travel,
    /// Parked angle in rad.
    pub parked: f64,
    /// Galvanometer step in rad.
    pub galvanometer_step: f64,
    /// Galvanometer loop.
    pub galvanometer: Loop,
    /// Galvanometer wobble from line to line in rad.
    pub wobble: f64,
    /// Galvanometer drift in rad/K.
    pub drift: f64,
    /// The laser.
    pub laser: LaserModel,
    /// The medium.
    pub medium: MediumModel,
    /// Time in s from switching a dot on until it shows.
    pub laser_rise: f64,
    /// The gauge.
    pub gauge: GaugeModel,
    /// Ambient temperature in K.
    pub ambient: f64,
    /// Rise at full speed in K.
    pub rise: f64,
    /// Thermal time constant in s.
    pub thermal_time: f64,
    /// Drift of the start delay in s/K.
    pub delay_drift: f64,
    /// What stands around the head.
    pub fixtures: Fixtures,
    /// Faults to be injected.
    pub faults: Vec<InjectedFault>,
}
