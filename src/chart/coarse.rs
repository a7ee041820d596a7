//! A scan at low resolution: where dark spots lie.

use crate::error::{ChartError, refuse};
use crate::scan::{Scan, WHITE};
use std::io::{BufRead, Seek};

/// Pixels of a thumbnail that it should have at most.
const MAX_THUMBNAIL: f64 = 4e6;

/// Least contrast between white and black, as a share of the whole range.
const MIN_CONTRAST: f64 = 0.15;

/// Most spots that are looked at, and their least area in pixels of the thumbnail.
const MAX_SPOTS: usize = 100;
const MIN_AREA: f64 = 30.0;

/// A scan made small: each pixel is the mean of a square of the scan.
pub(crate) struct Thumbnail {
    /// Pixels of the scan in one of it, each way.
    factor: u32,
    width: usize,
    height: usize,
    gray: Vec<f32>,
    /// Gray of white and of black ground, 0 to 1.
    white: f32,
    black: f32,
}

/// A dark spot that is about square, in pixels of the scan.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Spot {
    pub x: f64,
    pub y: f64,
    /// Length of its side.
    pub side: f64,
}

impl Thumbnail {
    /// Reads a whole scan.
    pub(crate) fn read<R: BufRead + Seek>(scan: &mut Scan<R>) -> Result<Thumbnail, ChartError> {
        let pixels = f64::from(scan.width) * f64::from(scan.height);
        let factor = (pixels / MAX_THUMBNAIL).sqrt().ceil().max(1.0) as u32;
        let (width, height) = ((scan.width / factor) as usize, (scan.height / factor) as usize);
        let mut row = vec![0_u16; scan.width as usize];
        let mut sums = vec![0_u32; width];
        let mut gray = Vec::with_capacity(width * height);
        let scale = 1.0 / (f64::from(factor * factor) * WHITE) as f32;
        for y in 0..scan.height {
            scan.read(&mut row)?;
            for (sum, own) in sums.iter_mut().zip(row.chunks_exact(factor as usize)) {
                *sum += own.iter().map(|value| u32::from(*value)).sum::<u32>();
            }
            if (y + 1) % factor == 0 {
                gray.extend(sums.iter().map(|sum| *sum as f32 * scale));
                sums.fill(0);
            }
        }
        let mut small = Thumbnail { factor, width, height, gray, white: 1.0, black: 0.0 };
        let (black, white) = small.levels();
        if f64::from(white - black) < MIN_CONTRAST {
            return refuse!(
                "it is all of about one gray: scan the sheet with its face to the glass, in gray"
            );
        }
        (small.white, small.black) = (white, black);
        Ok(small)
    }

    fn at(&self, x: usize, y: usize) -> f32 {
        self.gray.get(y * self.width + x).copied().unwrap_or(1.0)
    }

    /// Mean gray of the dark and of the light part, parted where the variance between them is largest (Otsu,
    /// IEEE Trans. Systems, Man and Cybernetics 9(1), 1979).
    fn levels(&self) -> (f32, f32) {
        let mut counts = [0.0_f64; 256];
        for value in &self.gray {
            if let Some(count) = counts.get_mut((value * 255.0) as usize) {
                *count += 1.0;
            }
        }
        let total: f64 = counts.iter().sum();
        let all: f64 = counts.iter().zip(0_u32..).map(|(count, k)| count * f64::from(k)).sum();
        let (mut below, mut sum) = (0.0, 0.0);
        let mut best = (0.0, all / total, all / total);
        for (count, k) in counts.iter().zip(0_u32..) {
            below += count;
            sum += count * f64::from(k);
            if below <= 0.0 || below >= total {
                continue;
            }
            let (dark, light) = (sum / below, (all - sum) / (total - below));
            let between = below * (total - below) * (light - dark).powi(2);
            if between > best.0 {
                best = (between, dark, light);
            }
        }
        ((best.1 / 255.0) as f32, (best.2 / 255.0) as f32)
    }

    /// Gray of white less that of black ground, as a share of the whole range.
    pub(crate) fn contrast(&self) -> f64 {
        f64::from(self.white - self.black)
    }

    /// A pixel of the scan lies on it.
    pub(crate) fn holds(&self, x: f64, y: f64) -> bool {
        let lies = |at: f64, size: usize| (0.0..(self.factor as usize * size) as f64).contains(&at);
        lies(x, self.width) && lies(y, self.height)
    }

    /// How dark a place of the scan is: 0 white, 1 black.
    pub(crate) fn darkness(&self, x: f64, y: f64) -> f64 {
        let index = |value: f64| (value / f64::from(self.factor)).max(0.0) as usize;
        f64::from((self.white - self.at(index(x), index(y))) / (self.white - self.black))
    }

    /// Each pixel as the mean of itself and its neighbours, as far as it has all.
    fn smooth(&self) -> Vec<f32> {
        let mut smooth = self.gray.clone();
        let rows = |y: usize| self.gray.get((y - 1) * self.width..(y + 2) * self.width);
        for y in 1..self.height.saturating_sub(1) {
            let (Some(rows), Some(to)) = (rows(y), smooth.get_mut(y * self.width + 1..)) else {
                continue;
            };
            let columns = rows.chunks_exact(self.width).map(|row| row.windows(3));
            let sums = columns.map(|row| row.map(|three| three.iter().sum::<f32>()));
            let mut sums: Vec<_> = sums.collect();
            for to in to.iter_mut().take(self.width.saturating_sub(2)) {
                *to = sums.iter_mut().filter_map(Iterator::next).sum::<f32>() / 9.0;
            }
        }
        smooth
    }

    /// Dark spots that are about square, the largest first. White between lines that lie off does not part them.
    pub(crate) fn spots(&self) -> Vec<Spot> {
        let limit = (self.white + self.black) / 2.0;
        let gray = self.smooth();
        let mut seen = vec![false; gray.len()];
        let (mut spots, mut waiting) = (Vec::new(), Vec::new());
        for start in 0..gray.len() {
            if seen.get(start) != Some(&false) || gray.get(start).is_none_or(|v| *v >= limit) {
                continue;
            }
            waiting.push(start);
            if let Some(seen) = seen.get_mut(start) {
                *seen = true;
            }
            let mut part = Part::default();
            while let Some(at) = waiting.pop() {
                let (x, y) = (at % self.width, at / self.width);
                part.add(x, y);
                let mut look = |next: usize| {
                    if let (Some(seen), Some(value)) = (seen.get_mut(next), gray.get(next))
                        && !*seen
                        && *value < limit
                    {
                        *seen = true;
                        waiting.push(next);
                    }
                };
                if x > 0 {
                    look(at - 1);
                }
                if x + 1 < self.width {
                    look(at + 1);
                }
                look(at.wrapping_sub(self.width));
                look(at + self.width);
            }
            if part.is_square() {
                spots.push(self.spot(&part));
            }
        }
        spots.sort_by(|a: &Spot, b| b.side.total_cmp(&a.side));
        spots.truncate(MAX_SPOTS);
        spots
    }

    /// The middle of a part, weighed by darkness over a box around it.
    fn spot(&self, part: &Part) -> Spot {
        let (mut mass, mut sum_x, mut sum_y) = (0.0_f64, 0.0, 0.0);
        let last = |most: usize, size: usize| (most + 2).min(size.saturating_sub(1));
        for y in part.top.saturating_sub(2)..=last(part.bottom, self.height) {
            for x in part.left.saturating_sub(2)..=last(part.right, self.width) {
                let dark = (self.white - self.at(x, y)) / (self.white - self.black);
                let dark = f64::from(dark.clamp(0.0, 1.0));
                // What paper has of texture is left out.
                let dark = if dark < 0.15 { 0.0 } else { dark };
                mass += dark;
                sum_x += dark * (x as f64 + 0.5);
                sum_y += dark * (y as f64 + 0.5);
            }
        }
        let factor = f64::from(self.factor);
        Spot { x: sum_x / mass * factor, y: sum_y / mass * factor, side: mass.sqrt() * factor }
    }
}

/// Sums over the pixels of a connected part.
#[derive(Default)]
struct Part {
    area: f64,
    sums: [f64; 5],
    left: usize,
    right: usize,
    top: usize,
    bottom: usize,
}

impl Part {
    fn add(&mut self, x: usize, y: usize) {
        if self.area == 0.0 {
            (self.left, self.right, self.top, self.bottom) = (x, x, y, y);
        }
        self.left = self.left.min(x);
        self.right = self.right.max(x);
        self.top = self.top.min(y);
        self.bottom = self.bottom.max(y);
        let (x, y) = (x as f64, y as f64);
        self.area += 1.0;
        for (sum, value) in self.sums.iter_mut().zip([x, y, x * x, y * y, x * y]) {
            *sum += value;
        }
    }

    /// As wide as high and filled: the variances of an even square of side a are a²/12 both ways (derived).
    fn is_square(&self) -> bool {
        if self.area < MIN_AREA {
            return false;
        }
        let [x, y, xx, yy, xy] = self.sums.map(|sum| sum / self.area);
        // A pixel has an extent of its own.
        let (xx, yy, xy) = (xx - x * x + 1.0 / 12.0, yy - y * y + 1.0 / 12.0, xy - x * y);
        let filled = self.area / (12.0 * (xx * yy - xy * xy).max(0.0).sqrt());
        let even = (xx + yy) / 2.0;
        let uneven = ((xx - yy).powi(2) / 4.0 + xy * xy).sqrt() / even;
        (0.85..=1.15).contains(&filled) && uneven < 0.2
    }
}
