//! Where an exposed line lies: optics from rotor angle, galvanometer and facet errors.

use crate::config::{Config, Facet};
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

/// What moves a line along itself, beside the order and the sweep.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Along {
    /// Later than ordered, in s: trim, drift of the delay, and the laser's rise.
    pub late: f64,
    /// How much longer than nominal the facet's line is, as a share.
    pub stretch: f64,
}

/// Shift along the line in m: the mean over marks at the first dot, the middle and the end,
/// against a line that lies in the middle of the sweep and has the ordered length.
///
/// At the time t after its facet began, the beam has come to x = 2·f·(ω·(t − begin) − π/N):
/// the f-theta law with the mirror's factor of two, zero in the middle of the sweep (derived).
/// A facet that is not flat stretches x. The lens adds a shift that grows with the cube of x.
pub(crate) fn in_scan(
    config: &Config,
    order: &LineOrder,
    sweep: &Sweep,
    along: &Along,
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
            sweep.pulse - sweep.begins + order.delay + along.late + share * dots * made_dot_period;
        let x = (1.0 + along.stretch) * 2.0 * f * (sweep.speed * after - half_sweep);
        let bent = config.distortion * (x / edge) * (x / edge) * (x / edge);
        x + bent - (share - 0.5) * length
    };
    (mark(0.0) + mark(0.5) + mark(1.0)) / 3.0
}

/// Angles that lead to the shift across the line, in rad (mechanical).
#[derive(Clone, Copy, Debug)]
pub(crate) struct Across {
    /// Where the galvanometer was told to be.
    pub told: f64,
    /// Where it stands without trims, at the line's beginning, middle and end.
    pub stands: [f64; 3],
    /// Trims of this facet and of the one before.
    pub trim: f64,
    /// See `trim`.
    pub trim_before: f64,
    /// Wobble and drift.
    pub stray: f64,
    /// From the end of the line before, when the trim changes, to this line's beginning, in s.
    pub gap: f64,
    /// Time the line takes in s.
    pub active: f64,
}

impl Across {
    /// Mechanical angle in rad, off where it was told to be, at a share of the line at which the
    /// galvanometer would stand at `stands` without trims.
    pub(crate) fn angle(&self, config: &Config, stands: f64, share: f64) -> f64 {
        let since = self.gap + share * self.active;
        let left = config.galvanometer.left(self.trim_before - self.trim, 0.0, since).0;
        stands - self.told + self.trim + left + self.stray
    }
}

/// Shift across the line in m: the mean over the same three marks. The facet's lean turns the
/// beam by twice its angle, as the galvanometer does; the galvanometer is still on its way from
/// the trim of the facet before while the line begins.
pub(crate) fn cross_scan(config: &Config, facet: &Facet, across: &Across) -> f64 {
    let f = config.description.focal_length;
    let mean: f64 = across
        .stands
        .iter()
        .zip([0.0, 0.5, 1.0])
        .map(|(stands, share)| across.angle(config, *stands, share))
        .sum::<f64>()
        / 3.0;
    facet_to_axis_shift(facet.facet_to_axis, f) + galvanometer_shift(mean, f)
}
