//! Where an exposed line lies: optics from rotor angle, galvanometer and facet errors.

use crate::config::{Config, Facet};
use crate::galvanometer::Galvanometer;
use crate::pulses::Sweep;
use core::f64::consts::PI;
use spintrue_head::{LineOrder, facet_to_axis_shift, galvanometer_shift};

/// What has been drawn last, for the gauge.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Drawn {
    /// Number of the start of scan that began it.
    pub number: u64,
    /// Shift along the line in m.
    pub in_scan: f64,
    /// Shift across the line in m.
    pub cross_scan: f64,
    /// Nothing tore it, and there was light enough to draw it.
    pub whole: bool,
    /// How often it has been read.
    pub readings: u64,
}

/// Shift along the line in m: the mean over marks at the first dot, the middle and the end,
/// against a line that lies in the middle of the sweep and has the ordered length.
///
/// At the time t after its facet began, the beam has come to x = 2·f·(ω·(t − begin) − π/N):
/// the f-theta law with the mirror's factor of two, zero in the middle of the sweep (derived).
/// A facet that is not flat stretches x. The lens adds a shift that grows with the cube of x.
///
/// `late` s later than ordered: by trim, drift of the delay, and the laser's rise.
pub(crate) fn in_scan(
    config: &Config,
    order: &LineOrder,
    sweep: &Sweep,
    facet: &Facet,
    late: f64,
    made_dot_period: f64,
    target: f64,
) -> f64 {
    let f = config.description.focal_length;
    let half_sweep = PI / config.facets.len() as f64;
    let dots = f64::from(order.dots);
    let edge = config.description.line_most / 2.0;
    let length = dots * order.dot_period * 2.0 * target * f;
    let mark = |share: f64| {
        let after =
            sweep.pulse - sweep.begins + order.delay + late + share * dots * made_dot_period;
        let x = (1.0 + facet.stretch) * 2.0 * f * (sweep.speed * after - half_sweep);
        let bent = config.distortion * (x / edge) * (x / edge) * (x / edge);
        x + bent - (share - 0.5) * length
    };
    (mark(0.0) + mark(0.5) + mark(1.0)) / 3.0
}

/// What moves the galvanometer off its command while a line is drawn; angles in rad (mechanical).
#[derive(Clone, Copy, Debug)]
pub(crate) struct Across {
    pub galvanometer: Galvanometer,
    /// Trims of this facet and of the one before.
    pub trims: (f64, f64),
    /// Wobble and drift.
    pub stray: f64,
    /// When the line begins, in s.
    pub begin: f64,
    /// Time the line takes in s.
    pub active: f64,
    /// From the end of the line before, when the trim changes, to this line's beginning, in s.
    pub gap: f64,
}

impl Across {
    /// Angle off the command at a share of the line.
    pub(crate) fn angle(&self, config: &Config, share: f64) -> f64 {
        let Across { galvanometer, active, .. } = self;
        let (trim, before) = if galvanometer.is_stuck() { (0.0, 0.0) } else { self.trims };
        let left = config.galvanometer.left(before - trim, 0.0, self.gap + share * active).0;
        let stands = galvanometer.at(self.begin + share * active);
        stands - galvanometer.target + trim + left + self.stray
    }
}

/// Shift across the line in m: the mean over the same three marks. The facet's lean turns the
/// beam by twice its angle, as the galvanometer does; the galvanometer is still on its way from
/// the trim of the facet before while the line begins.
pub(crate) fn cross_scan(config: &Config, facet: &Facet, across: &Across) -> f64 {
    let f = config.description.focal_length;
    let angles = [0.0, 0.5, 1.0].map(|share| across.angle(config, share));
    let mean = angles.iter().sum::<f64>() / 3.0;
    facet_to_axis_shift(facet.facet_to_axis, f) + galvanometer_shift(mean, f)
}
