//! Where an exposed line lies: optics from rotor angle, galvanometer and facet errors.

use crate::config::Config;
use crate::galvanometer::{Galvanometer, Offset};
use crate::optics::Facet;
use crate::pulses::Sweep;
use core::f64::consts::PI;
use spintrue_head::{LineCorrection, LineOrder, Mark, spot_velocity};

/// What has been drawn last, for the gauge.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Drawn {
    /// Number of the start of scan that began it.
    pub number: u64,
    /// Where it lies.
    pub marks: Vec<Mark>,
    /// Its planned length in m.
    pub length: f64,
    /// Nothing tore it, and there was light enough to draw it.
    pub whole: bool,
    /// How often it has been read.
    pub readings: u64,
}

/// When each dot of a line is drawn: the clock as made, the trim of its facet, and its ratios along the line.
#[derive(Clone, Copy, Debug)]
pub(crate) struct DotClock<'a> {
    pub dots: u32,
    /// Time per dot as made in s.
    pub dot_period: f64,
    /// Factor of the frequency while this facet draws.
    pub factor: f64,
    pub correction: Option<&'a LineCorrection>,
}

impl DotClock<'_> {
    /// Time in s from the first dot to a share of the dots. It stretches about the first dot.
    pub(crate) fn time(&self, share: f64) -> f64 {
        let share = self.correction.map_or(share, |correction| correction.time_share(share));
        f64::from(self.dots) * self.dot_period * share / self.factor
    }
}

/// How a line is drawn.
pub(crate) struct Drawing<'a> {
    pub config: &'a Config,
    pub order: &'a LineOrder,
    pub sweep: Sweep,
    pub facet: Facet,
    /// Share of its stated power that the laser gives, with the trim of the facet.
    pub strength: f64,
    /// Later than ordered in s: by trim, drift of the delay, and the laser's rise.
    pub late: f64,
    pub clock: DotClock<'a>,
    /// Speed asked for in rad/s.
    pub target: f64,
    pub across: Across,
}

impl Drawing<'_> {
    /// Planned length in m.
    pub(crate) fn length(&self) -> f64 {
        if let Some(correction) = &self.order.correction {
            return correction.length;
        }
        let focal_length = self.config.description.focal_length;
        f64::from(self.order.dots) * self.order.dot_period * 2.0 * self.target * focal_length
    }

    /// The mark at a share of the planned length from its middle, against a line that lies in the middle
    /// of the sweep and has the planned length.
    ///
    /// At the time t after its facet began, the beam has come to x = 2·f·(ω·t − π/N): the f-theta law with the
    /// mirror's factor of two, zero in the middle of the sweep (derived). While the speed hunts, t is the time in which
    /// the rotor would have turned as far at ω.
    /// A facet that is not flat stretches x, and one that leans along its own line skews it. The
    /// galvanometer is still on its way from the trim of the facet before while the line begins.
    pub(crate) fn mark(&self, at: f64) -> Mark {
        let Drawing { config, order, sweep, facet, .. } = self;
        let optics = &config.optics;
        let half_sweep = PI / config.facets.len() as f64;
        let share = at + 0.5;
        let drawn = self.clock.time(share);
        let after = sweep.pulse - sweep.begins + order.delay + self.late + drawn;
        let x = (1.0 + facet.stretch)
            * (spot_velocity(sweep.speed, optics.focal_length)
                * sweep.turned(&config.disturbances, after)
                - spot_velocity(half_sweep, optics.focal_length));
        let spot = optics.spot(facet, x, self.across.angle(config, drawn));
        let planned = optics.planned_across(self.across.galvanometer.target);
        Mark {
            at,
            in_scan: spot.along - at * self.length(),
            cross_scan: spot.across - planned,
            width: (config.gauge.width_noise > 0.0).then(|| optics.width(x)),
            dose: self.strength * spot.light * optics.falloff(x, at) * self.target / sweep.speed,
        }
    }
}

/// What moves the galvanometer while a line is drawn; angles in rad (mechanical).
#[derive(Clone, Copy, Debug)]
pub(crate) struct Across {
    pub galvanometer: Galvanometer,
    /// Trims of this facet and of the one before.
    pub trims: (f64, f64),
    /// Wobble and drift.
    pub stray: f64,
    /// When the line begins, in s.
    pub begin: f64,
    /// From the end of the line before, when the trim changes, to this line's beginning, in s.
    pub gap: f64,
}

impl Across {
    /// Angle of the galvanometer so many s after the line began.
    pub(crate) fn angle(&self, config: &Config, after: f64) -> f64 {
        let galvanometer = self.galvanometer;
        let (trim, before) = if galvanometer.is_stuck() { (0.0, 0.0) } else { self.trims };
        let left = config.galvanometer.after(Offset::step(before - trim), self.gap + after);
        galvanometer.at(self.begin + after) + trim + left.angle + self.stray
    }
}
