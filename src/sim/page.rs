//! Exposing a page with the simulated head: line after line, each with the next facet, while the
//! medium moves steadily under it.
//!
//! The medium should move by one pitch per line at the speed asked for. A line that comes late, or on a
//! medium that is too fast, lies low by what the medium went too far. The head is mounted turned by the little angle
//! that squares lines on a moving medium, so that angle is left out (common practice, no source).

use crate::config::MAX_PASSAGES;
use crate::expose::{Start, across, begin_line, check, dark, drifted, wait_for_facet};
use crate::lines::{Across, DotClock};
use crate::medium::{Laid, MAX_SHEETS, NODES, Sheet};
use crate::optics::Facet;
use crate::pulses::Sweep;
use crate::world::World;
use core::f64::consts::{PI, TAU};
use spintrue_head::{ExposedPage, Fault, FaultKind, LineOrder, PageOrder, Pattern, spot_velocity};
use std::sync::Arc;

/// What holds for every line of a page.
struct Page<'a> {
    order: &'a PageOrder,
    /// Speed asked for in rad/s.
    target: f64,
    start: Start,
}

/// Draws a page.
pub(crate) fn expose(world: &mut World, order: &PageOrder) -> Result<ExposedPage, Fault> {
    let facets = world.description().facets;
    for facet in 0..facets {
        check(world, &line_order(order, facet))?;
    }
    if !(order.pitch.is_finite() && order.pitch > 0.0) {
        return Err(Fault::Refused("the pitch must be greater than zero".to_string()));
    }
    if world.sheets.as_ref().is_some_and(|sheets| sheets.len() >= MAX_SHEETS) {
        let message = format!("the medium keeps {MAX_SHEETS} pages, and all are exposed");
        return Err(Fault::Refused(message));
    }
    let dots = order.image.width();
    let start = Start::new(world, dots, order.dot_period)?;
    let target = world.target.ok_or(Fault::NotLocked)?;
    let (ready, dot_period) = (start.ready, start.dot_period);
    let correction = order.correction.clone();
    let give_up = ready + world.description().page_most(f64::from(order.image.height()), target);
    let page = Page { order, target, start };
    let config = &world.config;
    let dot_pitch = correction.as_ref().map_or_else(
        || order.dot_period * 2.0 * target * config.description.focal_length,
        |correction| correction.length / f64::from(dots),
    );
    // Lines start so nearly at the same place that its light along them is the same.
    let falloff = |part: usize| {
        let at = (part as f64 + 0.5) / NODES as f64 - 0.5;
        config.optics.falloff(at * f64::from(dots) * dot_pitch, at) as f32
    };
    let mut sheet = Sheet {
        image: Arc::clone(&order.image),
        pitch: order.pitch,
        dot_pitch,
        dot_period,
        correction,
        facets,
        bend: config.optics.bend,
        spot: config.optics.spot_diameter(),
        falloff: core::array::from_fn(falloff),
        threshold: config.medium.threshold,
        lines: Vec::new(),
    };
    let (first, sweep, _) = wait_for_facet(world, 0, ready)?;
    let drawn = page.lines(world, first, sweep, give_up, &mut sheet);
    if let Some(sheets) = &mut world.sheets {
        sheets.push(sheet);
    }
    // Its last line carries no marks that a gauge could read.
    world.drawn = None;
    drawn
}

fn line_order(order: &PageOrder, facet: u32) -> LineOrder {
    LineOrder {
        facet,
        dots: order.image.width(),
        dot_period: order.dot_period,
        delay: order.delay,
        pattern: Pattern::TestMarks,
        correction: order.correction.clone(),
    }
}

impl Page<'_> {
    /// Draws every line, the first with start of scan `first`.
    fn lines(
        &self,
        world: &mut World,
        first: u64,
        first_sweep: Sweep,
        give_up: f64,
        sheet: &mut Sheet,
    ) -> Result<ExposedPage, Fault> {
        let n = world.facets();
        let period = TAU / self.target / n as f64;
        let mut exposed = ExposedPage { time: f64::NAN, lines: 0, missed: 0, took: 0.0 };
        let mut dropped = 0;
        // Words in the queue, and when that was so.
        let mut queue = (f64::from(self.start.filled), world.now);
        for line in 0..self.order.image.height() {
            let number = first + u64::from(line);
            if world.has(FaultKind::IndexMissing) {
                return Err(Fault::no_pulse("index"));
            }
            let Some((sweep, facet, counted)) = passage(world, number)? else {
                exposed.missed += 1;
                dropped += 1;
                if dropped >= MAX_PASSAGES || world.now > give_up {
                    return Err(Fault::no_pulse("start-of-scan"));
                }
                continue;
            };
            dropped = 0;
            let trim = |k: u64| world.acting_trim(usize::try_from(k % n).unwrap_or(0));
            let (own, before) = (trim(counted), trim(counted + n - 1));
            let begin = sweep.pulse + self.order.delay + own.in_scan + drifted(world);
            let clock = DotClock {
                dots: self.order.image.width(),
                dot_period: self.start.dot_period,
                factor: own.length,
                correction: self.order.correction.as_ref(),
            };
            let active = clock.time(1.0);
            begin_line(world, begin, active);
            if world.arming.is_none() {
                return Err(dark(world));
            }
            if world.now > give_up {
                return Err(Fault::no_pulse("start-of-scan"));
            }
            let most = f64::from(world.description().queue_words);
            let waiting = (queue.0 + (begin - queue.1).max(0.0) / self.start.service).min(most);
            if waiting.floor() < f64::from(self.start.needed) {
                return Err(Fault::Underrun);
            }
            let left = waiting + active / self.start.service - f64::from(self.start.words);
            queue = (left.clamp(0.0, most), begin + active);
            let trims = (own.cross_scan, before.cross_scan);
            let across = across(world, number, begin, active, self.target, trims);
            // A line that begins later for its trim or the warmth is not drawn lower for that.
            let travelled = world.config.travel.way(first_sweep.pulse, sweep.pulse);
            let late = travelled - f64::from(line) * period;
            let mut laid = laid(world, &sweep, begin, &facet, &clock, &across);
            laid.line = line;
            let power = self.start.power / world.config.medium.power * own.power;
            laid.dose *= power * self.target / sweep.speed;
            let moved = late * self.order.pitch / period;
            for shift in &mut laid.across {
                *shift += moved as f32;
            }
            for part in 1..=NODES {
                let share = part as f64 / NODES as f64;
                world.advance(begin + share * active);
                if world.arming.is_none() {
                    laid.drawn = share;
                    break;
                }
            }
            let cut = world.arming.is_none();
            if world.sheets.is_some() {
                sheet.lines.push(laid);
            }
            if cut {
                return Err(dark(world));
            }
            if exposed.lines == 0 {
                exposed.time = begin;
            }
            exposed.lines += 1;
            exposed.took = begin + active - exposed.time;
        }
        Ok(exposed)
    }
}

/// Where a line lies, as [`crate::lines`] has it for test lines, with the dose of a polygon at its speed.
fn laid(
    world: &World,
    sweep: &Sweep,
    begin: f64,
    facet: &Facet,
    clock: &DotClock<'_>,
    across: &Across,
) -> Laid {
    let config = &world.config;
    let optics = &config.optics;
    let half_sweep = PI / world.facets() as f64;
    let stretch = 1.0 + facet.stretch;
    let middle = stretch * spot_velocity(half_sweep, optics.focal_length);
    // Over one line the speed is taken as constant: as far as the rotor turns while dots are drawn.
    let shows = begin + config.laser_rise - sweep.begins;
    let active = clock.time(1.0);
    let place = |after: f64| {
        let turned = sweep.turned(&config.disturbances, after);
        stretch * spot_velocity(sweep.speed, optics.focal_length) * turned - middle
    };
    let start = place(shows);
    let velocity = (place(shows + active) - start) / active;
    let planned = optics.planned_across(across.galvanometer.target);
    let spot = |share: f64| {
        let after = clock.time(share);
        optics.spot(facet, start + after * velocity, across.angle(config, after))
    };
    let at = |part: usize| (spot((part as f64 + 0.5) / NODES as f64).across - planned) as f32;
    let shortening = optics.shortening(facet, across.angle(config, clock.time(0.5)));
    Laid {
        line: 0,
        start: shortening * start,
        velocity: shortening * velocity,
        clock: clock.factor,
        dose: world.strength() * spot(0.5).light,
        drawn: 1.0,
        across: core::array::from_fn(at),
    }
}

/// The passage that start of scan `number` begins, the facet, and the number that the electronics
/// take it for; none where no pulse came. Lets time pass up to it.
fn passage(world: &mut World, number: u64) -> Result<Option<(Sweep, Facet, u64)>, Fault> {
    let n = world.facets();
    // A head that counts from a late index takes each facet for the one before.
    let counted = number + n - world.slips(number / n);
    loop {
        if world.arming.is_none() {
            return Err(dark(world));
        }
        let motions = world.motions;
        let (sweep, facet, until) = world.passage(number)?;
        world.advance(until);
        // A bump on the way changes when it comes.
        if world.motions == motions {
            return Ok(sweep.map(|sweep| (sweep, facet, counted)));
        }
    }
}
