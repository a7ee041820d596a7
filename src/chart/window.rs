//! One window of a scan: where each isolated line lies in it, how dark it is, and where its dashes begin and end.
//!
//! Lines are placed by their centre of darkness, edges by the darkness between the middles of a dash and of
//! the gap beside it. Both add up whole pixels, so that nothing depends on how edges fall on them.

use crate::layout::{DASHES, IsolatedLine, Layout, WINDOW};
use crate::pose::Pose;
use crate::scan::{Crop, WHITE};
use crate::solve::median;
use core::f64::consts::TAU;

/// Half of the strip across a line in m in which its darkness is summed, and how far beyond it paper is
/// taken for white.
const HALF: f64 = 0.13e-3;
const PAPER: f64 = 0.05e-3;

/// What is left out at the ends of solid parts in m, where edges blur.
const GUARD: f64 = 0.25e-3;

/// Least darkness of a line that counts as seen, against the median of all.
const MIN_MASS: f64 = 0.4;

/// Margin of a window's part of the scan in m.
const MARGIN: f64 = 0.5e-3;

/// Most passes that centre a strip on its own line, until it moves by less than so many m, and how far from where it
/// was expected it may get.
const MAX_PASSES: usize = 10;
const SETTLED: f64 = 5e-9;
const MAX_DRIFT: f64 = 0.1e-3;

/// An edge of a dash.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Edge {
    /// Place along in pixels of the scan.
    pub pixel: f64,
    /// Where it lies less where it should, in m.
    pub off: f64,
    /// +1 where the dash ends in +x, -1 where it begins.
    pub side: f64,
}

/// An isolated line in a window.
#[derive(Clone, Debug)]
pub(crate) struct Seen {
    pub facet: usize,
    /// Place across as planned, in m.
    pub y: f64,
    /// Where it lies across less where it should, in m.
    pub across: f64,
    /// Width of full blackness that is as dark, in m.
    pub mass: f64,
    /// Variance in m² of the blur of its edges along: of spot, medium and scanner together.
    pub blur: f64,
    pub edges: Vec<Edge>,
}

/// A window on its part of a scan.
pub(crate) struct Window<'a> {
    layout: &'a Layout,
    place: usize,
    crop: &'a Crop,
    /// From pixels to m, and along the image's rows where lines run down.
    to_chart: [[f64; 3]; 2],
    upright: bool,
    /// m across a pixel, both ways.
    pixel: [f64; 2],
    /// Gray of black ground less that of white, as a share of the whole range.
    contrast: f64,
}

/// Where lines are expected: what is known of them so far, in m.
#[derive(Clone, Debug)]
struct Expected {
    /// Across: each facet's shift, and what grows with y.
    across: Vec<f64>,
    line: [f64; 2],
    /// Along: each facet's shift, with what all share.
    along: Vec<f64>,
}

/// The part of a scan in which a window lies; none where it lies outside.
pub(crate) fn crop_of(layout: &Layout, place: usize, pose: &Pose, size: [u32; 2]) -> Option<Crop> {
    let x = f64::from(*layout.places.get(place)?) * layout.spec.in_scan_pitch;
    let reach = WINDOW + MARGIN;
    let crop = pose.crop([x - reach, x + reach], [layout.rows.start, layout.rows.end], size);
    // Outside, or cut so that the block of dashes is not whole.
    let along = if pose.is_upright() { crop.rows.len() } else { crop.columns.len() };
    let [scale, _] = pose.scales();
    (crop.pixels() > 0 && along as f64 > 2.0 * WINDOW * scale).then_some(crop)
}

impl<'a> Window<'a> {
    pub(crate) fn new(
        layout: &'a Layout,
        place: usize,
        pose: &Pose,
        crop: &'a Crop,
        contrast: f64,
    ) -> Window<'a> {
        Window {
            layout,
            place,
            crop,
            to_chart: pose.inverse(),
            upright: pose.is_upright(),
            pixel: pose.scales().map(|scale| 1.0 / scale),
            contrast,
        }
    }

    /// All lines that are seen: measured where they should be, and again where they then are.
    pub(crate) fn lines(&self) -> Vec<Seen> {
        let facets = self.layout.spec.facets as usize;
        let mut expected =
            Expected { across: vec![0.0; facets], line: [0.0; 2], along: vec![0.0; facets] };
        let mut seen = Vec::new();
        let wide = HALF + self.layout.spec.reach.min(0.1e-3);
        for (half, passes) in [(wide, 1), (HALF, 1), (HALF, MAX_PASSES)] {
            seen = self.measured(&expected, half, passes);
            expected.learn(&seen);
        }
        seen
    }

    fn measured(&self, expected: &Expected, half: f64, passes: usize) -> Vec<Seen> {
        let lines = &self.layout.lines;
        let mut seen: Vec<Seen> =
            lines.iter().filter_map(|line| self.centred(line, expected, half, passes)).collect();
        let usual = median(seen.iter().map(|line| line.mass).collect());
        seen.retain(|line| line.mass > MIN_MASS * usual);
        seen
    }

    /// The chart's place of a pixel: `i` along the lines, `v` across them.
    fn chart(&self, i: f64, v: f64) -> [f64; 2] {
        let [x, y] = if self.upright { [v, i] } else { [i, v] };
        self.to_chart.map(|[a, b, c]| a * x + b * y + c)
    }

    /// Where across a line at `y` m lies at `i`.
    fn across_at(&self, i: f64, y: f64) -> f64 {
        let [_, [a, b, c]] = self.to_chart;
        let (own, other) = if self.upright { (a, b) } else { (b, a) };
        (y - c - other * i) / own
    }

    /// Where along it lies at `x` m on that line.
    fn along_at(&self, x: f64, y: f64) -> f64 {
        // The turn is small: twice is enough.
        let [[a, b, c], _] = self.to_chart;
        let (own, other) = if self.upright { (b, a) } else { (a, b) };
        let mut i = 0.0;
        for _ in 0..3 {
            i = (x - c - other * self.across_at(i, y)) / own;
        }
        i
    }

    fn gray(&self, i: i64, v: i64) -> Option<f64> {
        let (i, v) = (u32::try_from(i).ok()?, u32::try_from(v).ok()?);
        let value = if self.upright { self.crop.get(v, i) } else { self.crop.get(i, v) };
        value.map(f64::from)
    }

    /// Measures a line where it is expected, and again where it was then found: a strip that is not centred on a blurred
    /// line cuts more off on one side, and so draws it towards its own middle.
    fn centred(
        &self,
        line: &IsolatedLine,
        expected: &Expected,
        half: f64,
        passes: usize,
    ) -> Option<Seen> {
        let facet = line.facet as usize;
        let y = (f64::from(line.row) + 0.5) * self.layout.spec.cross_scan_pitch;
        let first = expected.across.get(facet)? + expected.line[0] + expected.line[1] * y;
        let along = *expected.along.get(facet)?;
        let mut seen = self.line(line, [along, first], half)?;
        let mut shift = first;
        for _ in 1..passes {
            let moved = seen.across - shift;
            if moved.abs() < SETTLED {
                break;
            }
            shift = seen.across;
            if (shift - first).abs() > MAX_DRIFT {
                return None;
            }
            seen = self.line(line, [along, shift], half)?;
        }
        Some(seen)
    }

    /// Measures a line that lies so many m off along and across; none where part of it lies outside.
    fn line(&self, line: &IsolatedLine, [along, shift]: [f64; 2], half: f64) -> Option<Seen> {
        let spec = &self.layout.spec;
        let facet = line.facet as usize;
        let y = (f64::from(line.row) + 0.5) * spec.cross_scan_pitch;
        let middle = f64::from(*self.layout.places.get(self.place)?) * spec.in_scan_pitch;
        let strip = Strip::read(self, y + shift, middle + along, half)?;
        let at = |x: f64| self.along_at(middle + along + x, y + shift);
        let [_, pixel] = self.pixel;
        let per_pixel = 1.0 / (self.across_at(0.0, 1.0) - self.across_at(0.0, 0.0));
        let mut sum = [0.0; 3];
        for (from, to) in [(-WINDOW, -DASHES), (DASHES, WINDOW)] {
            let part = strip.sum(at(from + GUARD), at(to - GUARD));
            sum.iter_mut().zip(part).for_each(|(sum, own)| *sum += own);
        }
        let [mass, moment, length] = sum;
        let level = mass / length;
        if level.is_nan() || level <= 0.0 {
            return None;
        }
        let across = shift + moment / mass * per_pixel;
        let (edges, blur) = self.edges(line, &strip, level, [y + shift, along]);
        Some(Seen { facet, y, across, mass: level * pixel, blur, edges })
    }

    /// The edges of a line's dashes, and the variance of their blur in m².
    fn edges(
        &self,
        line: &IsolatedLine,
        strip: &Strip,
        level: f64,
        [y, along]: [f64; 2],
    ) -> (Vec<Edge>, f64) {
        let pitch = self.layout.spec.in_scan_pitch;
        let Some((dashes, place)) =
            line.dashes.get(self.place).zip(self.layout.places.get(self.place))
        else {
            return (Vec::new(), f64::NAN);
        };
        // Every second one begins a dash.
        let block = self.layout.block(*place);
        let mut ends = vec![block.start];
        ends.extend(dashes.iter().flat_map(|dash| [dash.start, dash.end]));
        ends.push(block.end);
        let middle = |a: u32, b: u32| f64::from(a + b) / 2.0 * pitch + along;
        let mut edges = Vec::new();
        let mut fall = 0.0;
        for (k, triple) in ends.windows(3).enumerate() {
            let &[before, edge, behind] = triple else { continue };
            let side = if k % 2 == 0 { -1.0 } else { 1.0 };
            let (low, high) =
                (self.along_at(middle(before, edge), y), self.along_at(middle(edge, behind), y));
            let [mass, ..] = strip.sum(low, high);
            // From the middle of the dash towards the gap.
            let (dash, gap) = if side < 0.0 { (high, low) } else { (low, high) };
            let pixel = dash + (gap - dash).signum() * mass / level;
            let [x, _] = self.chart(pixel, self.across_at(pixel, y));
            edges.push(Edge { pixel, off: x - f64::from(edge) * pitch, side });
            // From the pixel on the side of the dash to that on the other.
            let mass = |middle: f64| strip.sum(middle - 0.5, middle + 0.5)[0];
            let outwards = (gap - dash).signum();
            fall += (mass(pixel - outwards) - mass(pixel + outwards)) / level;
        }
        // A Gaussian falls by 1/√2π of its standard deviation; both pixels and their distance of two widen it.
        let fall = (fall / edges.len() as f64).max(1e-6);
        let deviation = 2.0 / fall / TAU.sqrt();
        let [along_pixel, _] = self.pixel;
        let blur = (deviation * deviation - 5.0 / 12.0) * along_pixel * along_pixel;
        (edges, blur)
    }
}

impl Expected {
    /// Takes where lines lie: a line through all, and the median of each facet against it.
    fn learn(&mut self, seen: &[Seen]) {
        let count = seen.len() as f64;
        if count < 3.0 {
            return;
        }
        let mean = |value: &dyn Fn(&Seen) -> f64| seen.iter().map(value).sum::<f64>() / count;
        let centre = mean(&|line| line.y);
        let spread = mean(&|line| (line.y - centre).powi(2));
        let slope = mean(&|line| (line.y - centre) * line.across) / spread;
        self.line = [median(seen.iter().map(|l| l.across - slope * l.y).collect()), slope];
        let [shift, slope] = self.line;
        for facet in 0..self.across.len() {
            let own = || seen.iter().filter(|line| line.facet == facet);
            let across = median(own().map(|line| line.across - shift - slope * line.y).collect());
            let along =
                median(own().flat_map(|line| line.edges.iter().map(|edge| edge.off)).collect());
            for (known, value) in
                [(self.across.get_mut(facet), across), (self.along.get_mut(facet), along)]
            {
                if let Some(known) = known.filter(|_| value.is_finite()) {
                    *known = value;
                }
            }
        }
    }
}

/// The darkness along a line: for each pixel along its sum over the strip across it, and its moment about
/// the middle of the strip, in pixels.
struct Strip {
    from: i64,
    sums: Vec<[f64; 2]>,
}

impl Strip {
    /// Reads the strip around a line at `y` in a window around `middle` m.
    fn read(window: &Window<'_>, y: f64, middle: f64, half: f64) -> Option<Strip> {
        let [_, pixel] = window.pixel;
        let (half, paper) = (half / pixel, (PAPER / pixel).max(1.0));
        let ends = [middle - WINDOW, middle + WINDOW].map(|x| window.along_at(x, y));
        let (low, high) = (ends[0].min(ends[1]).floor() as i64, ends[0].max(ends[1]).ceil() as i64);
        let mut rows = Vec::with_capacity((high - low) as usize);
        let (mut white, mut whites) = (0.0, 0.0);
        for i in low..high {
            let centre = window.across_at(i as f64 + 0.5, y);
            let reach = half + paper;
            let (mut sum, mut moment, mut weights, mut lever) = (0.0, 0.0, 0.0, 0.0);
            for v in (centre - reach).floor() as i64..(centre + reach).ceil() as i64 {
                let gray = window.gray(i, v)?;
                let off = v as f64 + 0.5 - centre;
                // The share of the pixel that lies in the strip.
                let share = (half + 0.5 - off.abs()).clamp(0.0, 1.0);
                if share > 0.0 {
                    sum += share * gray;
                    moment += share * off * gray;
                    weights += share;
                    lever += share * off;
                } else {
                    white += gray;
                    whites += 1.0;
                }
            }
            rows.push([sum, moment, weights, lever]);
        }
        let white = white / whites;
        let scale = 1.0 / (WHITE * window.contrast);
        let dark = |[sum, moment, weights, lever]: [f64; 4]| {
            [(white * weights - sum) * scale, (white * lever - moment) * scale]
        };
        Some(Strip { from: low, sums: rows.into_iter().map(dark).collect() })
    }

    /// Darkness, moment and length in pixels between two places along, with parts of pixels at the ends.
    fn sum(&self, one: f64, other: f64) -> [f64; 3] {
        let (low, high) = (one.min(other), one.max(other));
        let mut total = [0.0; 3];
        for i in low.floor() as i64..high.ceil() as i64 {
            let share = (high.min(i as f64 + 1.0) - low.max(i as f64)).max(0.0);
            let own = usize::try_from(i - self.from).ok().and_then(|at| self.sums.get(at));
            if let Some([dark, moment]) = own {
                total[0] += share * dark;
                total[1] += share * moment;
                total[2] += share;
            }
        }
        total
    }
}
