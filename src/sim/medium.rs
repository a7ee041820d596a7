//! The medium under a simulated head: where each line of a page came to lie.

use crate::lines::DotClock;
use crate::optics::Bend;
use crate::world::World;
use core::ops::RangeInclusive;
use spintrue_head::{Bitmap, LineCorrection};
use std::cell::RefCell;
use std::rc::Rc;
use std::sync::Arc;

/// Places along a line for which its shift across is known.
pub(crate) const NODES: usize = 32;

/// Most pages that a medium keeps.
pub(crate) const MAX_SHEETS: usize = 16;

/// Light, as a share of the full one, that is not worth a remark (our choice).
const WELL_EXPOSED: RangeInclusive<f64> = 0.6..=1.7;

/// One line of a page.
#[derive(Clone, Debug, PartialEq)]
pub struct Laid {
    /// Which line of the image, from 0.
    pub line: u32,
    /// Where the first dot begins before the lens bends it, in m from the middle of the sweep.
    pub start: f64,
    /// Speed of the spot in m/s.
    pub velocity: f64,
    /// Factor of the dot clock's frequency.
    pub clock: f64,
    /// Light against what exposes the medium fully.
    pub dose: f64,
    /// The share of it that was drawn before the light went out, to 1/32, as a rule 1.
    pub drawn: f64,
    /// Shift across against an even grid in m, in the middle of each of [`NODES`] equal parts.
    pub across: [f32; NODES],
}

impl Laid {
    /// Mean shift across in m.
    pub fn shift(&self) -> f64 {
        self.across.iter().map(|shift| f64::from(*shift)).sum::<f64>() / NODES as f64
    }
}

/// An exposed page.
#[derive(Clone, Debug)]
pub struct Sheet {
    /// What was to be written.
    pub image: Arc<Bitmap>,
    /// From line to line in m.
    pub pitch: f64,
    /// From dot to dot in m, as ordered.
    pub dot_pitch: f64,
    /// Time per dot as made in s.
    pub dot_period: f64,
    /// How a corrected plan had it drawn.
    pub correction: Option<LineCorrection>,
    /// Facets of the polygon.
    pub facets: u32,
    /// What the lens adds.
    pub(crate) bend: Bend,
    /// 1/e² diameter of the spot in m.
    pub(crate) spot: f64,
    /// Light along every line against its dose, in the middle of each of [`NODES`] equal parts.
    pub(crate) falloff: [f32; NODES],
    /// Light up to which the medium shows nothing.
    pub(crate) threshold: f64,
    /// The lines drawn, in their order.
    pub lines: Vec<Laid>,
}

impl Sheet {
    /// Mean shift across of each line up to the last one drawn, in m. A line that was left out
    /// counts as the one a turn before.
    pub fn shifts(&self) -> Vec<f64> {
        let mut shifts: Vec<f64> = Vec::new();
        for laid in &self.lines {
            while shifts.len() < laid.line as usize {
                let before = shifts.len().checked_sub(self.facets as usize);
                shifts.push(before.and_then(|k| shifts.get(k)).copied().unwrap_or(0.0));
            }
            shifts.push(laid.shift());
        }
        shifts
    }

    /// Mean light of its lines against what exposes the medium fully; none without lines.
    pub fn light(&self) -> Option<f64> {
        let sum: f64 = self.lines.iter().map(|line| line.dose).sum();
        (!self.lines.is_empty()).then(|| sum / self.lines.len() as f64)
    }

    /// What there is to say of an exposure that is far from full; none where it is not.
    pub fn exposure(&self) -> Option<String> {
        let light = self.light().filter(|light| !WELL_EXPOSED.contains(light))?;
        let kind = if light < 1.0 { "underexposed" } else { "overexposed" };
        let light = 100.0 * light;
        Some(format!("{kind}: the light is {light:.1} % of what exposes this medium fully"))
    }

    /// Where dot `dot` of a line begins, in m from where the image begins.
    pub fn along(&self, line: &Laid, dot: f64) -> f64 {
        let dots = self.image.width();
        let (dot_period, correction) = (self.dot_period, self.correction.as_ref());
        let clock = DotClock { dots, dot_period, factor: line.clock, correction };
        let x = line.start + clock.time(dot / f64::from(dots)) * line.velocity;
        x + self.bend.along(x) + 0.5 * f64::from(dots) * self.dot_pitch
    }
}

/// The medium: keeps pages once it is asked to.
#[derive(Debug)]
pub struct Medium {
    world: Rc<RefCell<World>>,
}

impl Medium {
    pub(crate) fn new(world: Rc<RefCell<World>>) -> Medium {
        Medium { world }
    }

    /// The same medium.
    pub fn share(&self) -> Medium {
        Medium { world: Rc::clone(&self.world) }
    }

    /// From here on every page is kept.
    pub fn keep(&self) {
        self.world.borrow_mut().sheets.get_or_insert_default();
    }

    /// The page that was exposed last, of those kept and not taken away.
    pub fn last(&self) -> Option<Sheet> {
        self.world.borrow().sheets.as_ref()?.last().cloned()
    }

    /// Takes the pages exposed so far away.
    pub fn take(&self) -> Vec<Sheet> {
        self.world.borrow_mut().sheets.as_mut().map(std::mem::take).unwrap_or_default()
    }
}
