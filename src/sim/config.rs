//! What a simulated head is made of, in SI units. Plain data; `file.rs` reads it.

use crate::faults::InjectedFault;
use crate::fixtures::Fixtures;
use crate::galvanometer::Loop;
use crate::rotor::Rotor;
use spintrue_head::{Description, Stated};

/// The built-in description; its comments explain every key.
pub const BUILT_IN: &str = include_str!("default.toml");

/// Time in s after which the caller gives up a silent head.
pub(crate) const SILENCE: f64 = 1.0;

/// Passages of a facet without a start-of-scan pulse until an exposure gives up.
pub(crate) const MAX_PASSAGES: u32 = 4;

/// How many times slower a host serves words that cannot keep up.
pub(crate) const SLOW_HOST: f64 = 8.0;

/// One facet as it was cut and coated.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Facet {
    /// Division error in rad: + comes late.
    pub division: f64,
    /// Facet-to-axis error in rad: + aims the beam towards a larger galvanometer angle.
    pub facet_to_axis: f64,
    /// Reflectivity, 1 is nominal.
    pub reflectivity: f64,
    /// How much longer than nominal its line is, as a share: a curved facet.
    pub stretch: f64,
    /// How much its line rises across per length along it.
    pub skew: f64,
}

/// How lens and mirrors bend every line: shifts in m at the ends of the longest line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Bend {
    /// The longest line's half in m, where the shifts are given.
    pub edge: f64,
    /// Along the line, growing with the cube of the place: what the f-theta law leaves.
    pub odd: f64,
    /// Along the line, growing with the square: pupil shift and decentring.
    pub even: f64,
    /// Across the line, growing with the square: bow.
    pub bow: f64,
}

impl Bend {
    /// Shift along the line in m at `x` m from the middle of the sweep.
    pub(crate) fn along(&self, x: f64) -> f64 {
        let share = x / self.edge;
        (self.odd * share + self.even) * share * share
    }

    /// Shift across the line in m.
    pub(crate) fn across(&self, x: f64) -> f64 {
        let share = x / self.edge;
        self.bow * share * share
    }
}

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

/// A slow swing of the speed around the one asked for.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Hunting {
    /// Largest deviation as a share of the speed.
    pub amplitude: f64,
    /// Swings per second in rad/s; above zero.
    pub rate: f64,
}

impl Hunting {
    /// How much later than on average the rotor passes at `time`, in s: the speed deviates by
    /// amplitude · sin(rate · time), and its integral is the lead (derived).
    pub(crate) fn late(&self, time: f64) -> f64 {
        self.amplitude / self.rate * libm::cos(self.rate * time)
    }

    /// Share by which the speed is above its mean at `time` s.
    pub(crate) fn fast(&self, time: f64) -> f64 {
        self.amplitude * libm::sin(self.rate * time)
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
    /// How much longer than it is a line reads, as a share.
    pub scale: f64,
    /// By how much it is turned in rad.
    pub turn: f64,
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
    /// Once-per-turn share of the speed.
    pub ripple: f64,
    /// Standard deviation of a turn, as a share of it.
    pub turn_jitter: f64,
    /// Hunting of the speed loop.
    pub hunting: Hunting,
    /// Turns outside the window that lose lock.
    pub lock_misses: u32,
    /// Start-of-scan detector.
    pub detector: Detector,
    /// The facets.
    pub facets: Vec<Facet>,
    /// What lens and mirrors do to every line.
    pub bend: Bend,
    /// Focal length as built in m.
    pub focal_length: f64,
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
