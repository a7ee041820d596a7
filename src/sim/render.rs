//! What the medium shows of an exposed page: a picture in gray levels.
//!
//! Each dot that is on leaves light along the way of the spot, whose light falls off across it as
//! a Gaussian with the 1/e² diameter d (standard deviation d/4, derived). A pixel takes the mean
//! over its area: of the light where it is a whole dot, and else of the blackness, as a scanner does, from parts in which
//! the light is even. The light of evenly exposed ground is 1 where a nominal head is armed at the share to
//! which the medium is matched. The medium shows nothing up to a threshold T (common practice, no source);
//! beyond, it answers light E with the blackness 1 − exp(−3·(E − T)/(1 − T)), as one does whose grains turn
//! at their first hit (Poisson's law, derived; 3 is our choice, for 95 % on even ground).
//!
//! The same page gives the same bytes, however many threads the caller lends: each works on whole
//! bands of rows, and every pixel adds up its lines in their order. Transcendental functions are those
//! of libm.

use crate::medium::{Laid, NODES, Sheet};
use core::f64::consts::{PI, SQRT_2};
use core::ops::RangeInclusive;
use spintrue_head::{Dimension, show_quantity};
use std::sync::Mutex;
use thiserror::Error;

/// Most pixels in a picture.
pub(crate) const MAX_PIXELS: u64 = 800_000_000;

/// Most pixels a dot, each way.
pub const MAX_SCALE: u32 = 16;

/// Spot diameters that a picture can show, over the pitch.
const SPOTS: RangeInclusive<f64> = 0.1..=20.0;

/// Steps in which a place inside a pixel is told apart.
const PHASES: usize = 256;

/// Rows of parts in one band, about.
const BAND: usize = 64;

/// Parts across a spot from which a picture with several pixels a dot is made, at least. With four the places of lines were
/// off by 0.25 µm (300 dpi), and scatter does not tell it, since all lines of a facet may lie alike on the pixels.
const MIN_PARTS: f64 = 12.0;

/// Most parts of a pixel, each way.
const MAX_PARTS: f64 = 12.0;

/// Light steps of the answer's table: of 1, and all.
const STEPS: usize = 4096;
const MAX_LIGHT: usize = 6;

/// How a page is shown.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Showing {
    /// Pixels a dot, each way.
    pub scale: u32,
    /// 1/e² diameter of the spot in m; none for the one that the optics of the head make.
    pub spot: Option<f64>,
}

/// A picture: one byte a pixel, 0 black and 255 white, rows from the top.
#[derive(Clone, Debug, PartialEq)]
pub struct Picture {
    /// Pixels in a row.
    pub width: u32,
    /// Rows.
    pub height: u32,
    /// Size of a pixel across and down, in m.
    pub pixel: (f64, f64),
    /// Spot diameter in m.
    pub spot: f64,
    /// The rows.
    pub gray: Vec<u8>,
}

/// Why there is no picture.
#[derive(Clone, Debug, Error, PartialEq)]
pub enum ShowError {
    /// Too many pixels.
    #[error(
        "the picture would have {width} x {height} pixels, more than {MAX_PIXELS}: take fewer pixels per dot"
    )]
    TooLarge {
        /// Pixels in a row.
        width: u64,
        /// Rows.
        height: u64,
    },
    /// Pixels per dot.
    #[error("there are 1 to {MAX_SCALE} pixels per dot, not {0}")]
    Scale(u32),
    /// A spot that is none.
    #[error("the spot must be from a tenth of the pitch to twenty times the pitch across, not {0}")]
    Spot(String),
}

impl Showing {
    /// Width and height in pixels of a page with these dots and this pitch in m.
    pub fn fits(&self, width: u32, height: u32, pitch: f64) -> Result<(u64, u64), ShowError> {
        if !(1..=MAX_SCALE).contains(&self.scale) {
            return Err(ShowError::Scale(self.scale));
        }
        let pixels = |dots: u32| u64::from(dots) * u64::from(self.scale);
        let (width, height) = (pixels(width), pixels(height));
        if width * height > MAX_PIXELS {
            return Err(ShowError::TooLarge { width, height });
        }
        match self.spot {
            Some(spot) if !SPOTS.contains(&(spot / pitch)) => {
                Err(ShowError::Spot(show_quantity(spot, Dimension::LENGTH, None, None)))
            }
            _ => Ok((width, height)),
        }
    }
}

/// Makes the picture of a page. Larger rows are lower, and larger galvanometer angles too.
///
/// `lend` calls the work it is given, on as many threads as it likes at once; each call takes part
/// until the picture is complete.
pub fn picture(
    sheet: &Sheet,
    showing: &Showing,
    lend: impl FnOnce(&(dyn Fn() + Sync)),
) -> Result<Picture, ShowError> {
    let scale = showing.scale;
    let (width, height) = showing.fits(sheet.image.width(), sheet.image.height(), sheet.pitch)?;
    // Optics can make a spot that no picture of this pitch shows.
    let of_optics = (sheet.spot / sheet.pitch).clamp(*SPOTS.start(), *SPOTS.end()) * sheet.pitch;
    let spot = showing.spot.unwrap_or(of_optics);
    let pixel = (sheet.dot_pitch / f64::from(scale), sheet.pitch / f64::from(scale));
    let parts = (MIN_PARTS * pixel.0.max(pixel.1) / spot).ceil().clamp(1.0, MAX_PARTS);
    let parts = if scale == 1 { 1.0 } else { parts };
    let part = (pixel.0 / parts, pixel.1 / parts);
    let lines = Kernel::lines(spot / 4.0 / part.1, f64::from(scale) * parts);
    let (row, parts) = (width as usize, parts as usize);
    let band_rows = BAND / parts;
    let exposing = Exposing {
        sheet,
        width: row * parts,
        pixel: part,
        edges: Kernel::edges(spot / 4.0 / part.0),
        lines,
        rows: sheet.image.lines().collect(),
        answer: answer(sheet.threshold),
    };
    let mut gray = vec![255; row * height as usize];
    let bands = Mutex::new(gray.chunks_mut(band_rows * row).enumerate());
    lend(&|| {
        let mut scratch = exposing.scratch();
        loop {
            let next = bands.lock().ok().and_then(|mut bands| bands.next());
            let Some((band, rows)) = next else { break };
            let top = (band * band_rows * parts) as i64;
            exposing.expose(top, rows.len() / row * parts, &mut scratch);
            exposing.show(rows, parts, &scratch.band);
        }
    });
    let (width, height) = (width as u32, height as u32);
    Ok(Picture { width, height, pixel, spot, gray })
}

/// Blackness by light, as gray levels.
fn answer(threshold: f64) -> Vec<f32> {
    let level = |step: usize| {
        let light = step as f64 / STEPS as f64;
        255.0 * libm::exp(-3.0 * ((light - threshold) / (1.0 - threshold)).max(0.0))
    };
    (0..STEPS * MAX_LIGHT).map(|step| level(step) as f32).collect()
}

/// What a thing whose place is known to a fraction of a pixel gives to the pixels around it.
struct Kernel {
    /// Pixels before the one in which it lies.
    reach: i64,
    taps: usize,
    /// The taps of each phase behind those of the one before.
    table: Vec<f32>,
}

impl Kernel {
    /// From the share `of(j)` that the pixel `j` pixels behind the place gets.
    fn new(deviation: f64, taps: usize, of: impl Fn(f64) -> f64, sum: f64) -> Kernel {
        let reach = reach(deviation);
        let mut table = Vec::with_capacity(PHASES * taps);
        for phase in 0..PHASES {
            let place = phase as f64 / PHASES as f64;
            let shares: Vec<f64> =
                (0..taps).map(|tap| of(tap as f64 - reach as f64 - place)).collect();
            let whole: f64 = shares.iter().sum();
            table.extend(shares.iter().map(|share| (share / whole * sum) as f32));
        }
        Kernel { reach, taps, table }
    }

    /// Light of a thin line, by pixels; `sum` in all.
    fn lines(deviation: f64, sum: f64) -> Kernel {
        let taps = 2 * reach(deviation) as usize + 1;
        let below = |u: f64| 0.5 * libm::erfc(-u / deviation / SQRT_2);
        Kernel::new(deviation, taps, |u| below(u + 1.0) - below(u), sum)
    }

    /// How much more light each pixel has than the one before it, behind an edge from dark to
    /// light.
    fn edges(deviation: f64) -> Kernel {
        let taps = 2 * reach(deviation) as usize + 2;
        // The integral of the normal distribution: u·Φ(u) + φ(u).
        let area = |u: f64| {
            let u = u / deviation;
            let below = 0.5 * libm::erfc(-u / SQRT_2);
            deviation * (u * below + libm::exp(-0.5 * u * u) / libm::sqrt(2.0 * PI))
        };
        let more = |u: f64| area(u + 1.0) - 2.0 * area(u) + area(u - 1.0);
        Kernel::new(deviation, taps, more, 1.0)
    }

    /// The first pixel that something at `place` reaches, and the shares from there on.
    fn at(&self, place: f64) -> (i64, &[f32]) {
        let steps = (place * PHASES as f64).round() as i64;
        let phases = PHASES as i64;
        let (pixel, phase) = (steps.div_euclid(phases), steps.rem_euclid(phases) as usize);
        let from = phase * self.taps;
        (pixel - self.reach, self.table.get(from..from + self.taps).unwrap_or_default())
    }
}

/// Pixels that light reaches: four standard deviations, where 3e-5 of it is left.
fn reach(deviation: f64) -> i64 {
    (4.0 * deviation).ceil().max(1.0) as i64
}

/// A page on its way to a picture.
struct Exposing<'a> {
    sheet: &'a Sheet,
    width: usize,
    pixel: (f64, f64),
    edges: Kernel,
    lines: Kernel,
    rows: Vec<&'a [u32]>,
    answer: Vec<f32>,
}

/// What one call of the work needs for itself.
struct Scratch {
    /// The light of one line, with a margin for edges that lie outside.
    light: Vec<f32>,
    /// The light of a band.
    band: Vec<f32>,
}

impl Exposing<'_> {
    /// Pixels on both sides of a line's light.
    fn margin(&self) -> usize {
        2 * self.edges.taps
    }

    fn scratch(&self) -> Scratch {
        Scratch {
            light: vec![0.0; self.width + 2 * self.margin()],
            band: vec![0.0; self.width * BAND],
        }
    }

    /// Exposes so many rows of parts from `top` on.
    fn expose(&self, top: i64, count: usize, scratch: &mut Scratch) {
        scratch.band.fill(0.0);
        let bottom = top + count as i64;
        for line in &self.sheet.lines {
            let centre = (f64::from(line.line) + 0.5) * self.sheet.pitch;
            let reach = self.lines.reach + 1;
            let extremes = line.across.iter().fold((f64::MAX, f64::MIN), |(low, high), shift| {
                let row = (centre + f64::from(*shift)) / self.pixel.1;
                (row.min(low), row.max(high))
            });
            let outside = extremes.1 + (reach as f64) < top as f64
                || extremes.0 - (reach as f64) > bottom as f64;
            if outside || !self.light(line, &mut scratch.light) {
                continue;
            }
            let margin = self.margin();
            let parts = line.across.iter().zip(&self.sheet.falloff).enumerate();
            for (part, (shift, falloff)) in parts {
                let from = part * self.width / NODES;
                let to = (part + 1) * self.width / NODES;
                let light = scratch.light.get(margin + from..margin + to).unwrap_or_default();
                let place = (centre + f64::from(*shift)) / self.pixel.1;
                let (first, shares) = self.lines.at(place);
                for (share, row) in shares.iter().map(|share| share * falloff).zip(first..) {
                    if !(top..bottom).contains(&row) {
                        continue;
                    }
                    let start = (row - top) as usize * self.width;
                    let target = scratch.band.get_mut(start + from..start + to).unwrap_or_default();
                    for (sum, light) in target.iter_mut().zip(light) {
                        *sum += share * light;
                    }
                }
            }
        }
    }

    /// What pixels of so many parts each way show of exposed rows.
    fn show(&self, pixels: &mut [u8], parts: usize, band: &[f32]) {
        let last = self.answer.len().saturating_sub(1);
        let level = |light: &f32| {
            let step = (light * STEPS as f32) as usize;
            self.answer.get(step.min(last)).copied().unwrap_or(0.0)
        };
        let rows = pixels.chunks_mut(self.width / parts).zip(band.chunks(self.width * parts));
        let mut sums = vec![0.0_f32; self.width / parts];
        for (pixels, rows) in rows {
            sums.fill(0.0);
            for row in rows.chunks(self.width) {
                for (sum, light) in sums.iter_mut().zip(row.chunks(parts)) {
                    *sum += light.iter().map(level).sum::<f32>();
                }
            }
            let of = (parts * parts) as f32;
            pixels.iter_mut().zip(&sums).for_each(|(pixel, sum)| *pixel = (sum / of).round() as u8);
        }
    }

    /// The light that a line leaves along its pixels; false where it leaves none.
    fn light(&self, line: &Laid, light: &mut [f32]) -> bool {
        let words = self.rows.get(line.line as usize).copied().unwrap_or_default();
        if words.iter().all(|word| *word == 0) {
            return false;
        }
        light.fill(0.0);
        let margin = self.margin() as f64;
        let end = light.len() as f64 - margin / 2.0;
        let drawn = (line.drawn * f64::from(self.sheet.image.width())).floor() as u32;
        let mut edge = |dot: u32, lit: bool| {
            let place = self.sheet.along(line, f64::from(dot.min(drawn))) / self.pixel.0;
            let (first, shares) = self.edges.at((place + margin).clamp(margin / 2.0, end));
            let sign = if lit { 1.0 } else { -1.0 };
            let first = usize::try_from(first).unwrap_or(0);
            let pixels = light.get_mut(first..).unwrap_or_default();
            for (pixel, share) in pixels.iter_mut().zip(shares) {
                *pixel += sign * share;
            }
        };
        let mut before = 0;
        for (word, index) in words.iter().zip(0_u32..) {
            // Where a dot differs from the one before it.
            let mut edges = word ^ (word >> 1 | before << 31);
            before = word & 1;
            while edges != 0 {
                let bit = edges.leading_zeros();
                edges &= !(1 << (31 - bit));
                edge(index * 32 + bit, word >> (31 - bit) & 1 == 1);
            }
        }
        if before == 1 {
            edge(words.len() as u32 * 32, false);
        }
        let dose = line.dose as f32;
        let mut sum = 0.0_f32;
        for pixel in light.iter_mut() {
            sum += *pixel;
            *pixel = dose * sum.max(0.0);
        }
        true
    }
}
