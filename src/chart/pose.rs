//! Where the chart lies on a scan: the constellation of its fiducials, in any of four orientations and mirrored.

use crate::coarse::{Spot, Thumbnail};
use crate::error::{ChartError, refuse};
use crate::layout::{Area, FIDUCIAL, Layout};
use crate::scan::Crop;

/// Least bits of the code that must lie on a scan to tell it from another.
const MIN_BITS: u32 = 12;

/// Least fiducials that must be seen, and least of a second chart on the same scan.
const MIN_FIDUCIALS: usize = 5;
const MIN_SECOND: usize = 7;

/// How far in m a fiducial may lie off its place: at first, and once stretch and shear are known.
const COARSE_TOLERANCE: f64 = 2e-3;
const FINE_TOLERANCE: f64 = 0.6e-3;

/// Largest share by which the scale of two fiducials may differ from their size.
const MAX_MISMATCH: f64 = 0.15;

/// Largest turn off the nearest axis, as a tangent: 3 degrees.
const MAX_TURN: f64 = 0.0525;

/// Maps places on the chart in m to pixels of a scan: x' = a·x + b·y + c in each row.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Pose {
    pub to_scan: [[f64; 3]; 2],
    /// Fiducials that were seen.
    pub seen: usize,
}

impl Pose {
    /// The pose of the chart on a scan.
    pub(crate) fn find(layout: &Layout, small: &Thumbnail) -> Result<Pose, ChartError> {
        let model: Vec<[f64; 2]> = layout.fiducials.iter().map(|area| area.middle()).collect();
        let mut spots = small.spots();
        let Some((pose, own)) = best(&model, &spots) else {
            return refuse!(
                "the squares of this chart are not found ({} other dark squares are): scan the whole sheet, dark on \
                 light, with its face to the glass and a light lid behind it, and give the chart that was exposed",
                spots.len()
            );
        };
        let mut number = 0;
        spots.retain(|_| {
            number += 1;
            !own.contains(&(number - 1))
        });
        if best(&model, &spots).is_some_and(|(second, _)| second.seen >= MIN_SECOND) {
            return refuse!("there are two charts on this scan: cut it into one file a sheet");
        }
        pose.check()?;
        let wanted = layout.spec.code();
        let (wrong, seen) = pose.wrong_bits(layout, small);
        // A dirty code may have some bits wrong; that of another chart has about half. A part may be cut off.
        if seen >= MIN_BITS && wrong.count_ones() * 8 > seen && pose.sees_code(layout, small) {
            let code = wanted ^ wrong;
            return refuse!(
                "by its code this is chart {code:08x}, and the chart given is {wanted:08x}, of head {} {}: give the one \
                 that was exposed; if it was given, the code is dirty: clean the sheet, and scan again",
                layout.spec.model,
                layout.spec.serial
            );
        }
        Ok(pose)
    }

    /// The pixel at which a place in m lies.
    pub(crate) fn scan(&self, [x, y]: [f64; 2]) -> [f64; 2] {
        self.to_scan.map(|[a, b, c]| a * x + b * y + c)
    }

    /// The map from pixels to places in m.
    pub(crate) fn inverse(&self) -> [[f64; 3]; 2] {
        let [[a, b, c], [d, e, f]] = self.to_scan;
        let det = a * e - b * d;
        [[e / det, -b / det, (b * f - c * e) / det], [-d / det, a / det, (c * d - a * f) / det]]
    }

    /// The part of a scan of `size` pixels in which a rectangle of the chart lies.
    pub(crate) fn crop(&self, x: [f64; 2], y: [f64; 2], size: [u32; 2]) -> Crop {
        let [left, right] = x;
        let [top, bottom] = y;
        let corners = [[left, top], [right, top], [left, bottom], [right, bottom]];
        let corners = corners.map(|corner| self.scan(corner));
        let range = |of: fn(&[f64; 2]) -> f64, size: u32| {
            let low = corners.iter().map(of).fold(f64::MAX, f64::min).floor().max(0.0);
            let high = corners.iter().map(of).fold(f64::MIN, f64::max).ceil().min(f64::from(size));
            low as u32..high.max(0.0) as u32
        };
        let [width, height] = size;
        Crop::new(range(|[x, _]| *x, width), range(|[_, y]| *y, height))
    }

    /// The place along the lines in m at pixel `i` along, on the line at `y` m.
    pub(crate) fn chart_x(&self, to_chart: &[[f64; 3]; 2], i: f64, y: f64) -> f64 {
        let [[a, b, c], [d, e, f]] = to_chart;
        if self.is_upright() {
            let v = (y - f - e * i) / d;
            a * v + b * i + c
        } else {
            let v = (y - f - d * i) / e;
            a * i + b * v + c
        }
    }

    /// Lines run down the image, from row to row.
    pub(crate) fn is_upright(&self) -> bool {
        let [[a, ..], [d, ..]] = self.to_scan;
        d.abs() > a.abs()
    }

    /// The image is mirrored, as a film that lies on its other side.
    pub(crate) fn is_mirrored(&self) -> bool {
        let [[a, b, _], [d, e, _]] = self.to_scan;
        a * e - b * d < 0.0
    }

    /// Pixels per m along and across the lines.
    pub(crate) fn scales(&self) -> [f64; 2] {
        let [[a, b, _], [d, e, _]] = self.to_scan;
        [a.hypot(d), b.hypot(e)]
    }

    /// Turn of the lines off the nearest axis of the image in rad.
    pub(crate) fn turn(&self) -> f64 {
        let [[a, ..], [d, ..]] = self.to_scan;
        if self.is_upright() { (a / d.abs()).atan() } else { (d / a.abs()).atan() }
    }

    fn check(&self) -> Result<(), ChartError> {
        if self.turn().tan().abs() > MAX_TURN {
            return refuse!(
                "the sheet lies askew by {:.1}°: lay it straight, within 3°",
                self.turn().to_degrees()
            );
        }
        Ok(())
    }

    /// Bits of the code that are not as the chart has them, and how many lie on the scan.
    fn wrong_bits(&self, layout: &Layout, small: &Thumbnail) -> (u32, u32) {
        let (mut wrong, mut seen) = (0, 0);
        for (area, bit) in layout.bits.iter().zip((0..u32::BITS).rev()) {
            let [x, y] = self.scan(area.middle());
            if small.holds(x, y) {
                let is_one = layout.spec.code() >> bit & 1 == 1;
                wrong |= u32::from((self.darkness(area, small) > 0.5) != is_one) << bit;
                seen += 1;
            }
        }
        (wrong, seen)
    }

    /// The patches beside the code lie on the scan.
    fn sees_code(&self, layout: &Layout, small: &Thumbnail) -> bool {
        layout.patches.last().is_some_and(|solid| self.darkness(solid, small) > 0.5)
    }

    /// Mean darkness of the inner part of an area: facets that lie off leave white gaps in what should be solid.
    pub(crate) fn darkness(&self, area: &Area, small: &Thumbnail) -> f64 {
        let steps = 7;
        let inner = |k: u32| 0.2 + 0.6 * f64::from(k) / f64::from(steps - 1);
        let at = |k: u32| {
            let (across, down) = (inner(k % steps), inner(k / steps));
            self.scan([area.x + area.width * across, area.y + area.height * down])
        };
        let sum: f64 = (0..steps * steps).map(at).map(|[x, y]| small.darkness(x, y)).sum();
        sum / f64::from(steps * steps)
    }
}

/// The pose under which most fiducials are seen, and which spots these are.
fn best(model: &[[f64; 2]], spots: &[Spot]) -> Option<(Pose, Vec<usize>)> {
    let mut found: Option<(Pose, Vec<usize>)> = None;
    let mut most = MIN_FIDUCIALS - 1;
    for (i, one) in spots.iter().enumerate() {
        for other in spots.iter().skip(i + 1) {
            let sides = one.side / other.side;
            if !(1.0 - MAX_MISMATCH..=1.0 + MAX_MISMATCH).contains(&sides) {
                continue;
            }
            let scale = (one.side + other.side) / 2.0 / FIDUCIAL;
            let apart = (one.x - other.x).hypot(one.y - other.y) / scale;
            for (k, from) in model.iter().enumerate() {
                for (m, to) in model.iter().enumerate() {
                    let [from_x, from_y] = from;
                    let [to_x, to_y] = to;
                    let real = (from_x - to_x).hypot(from_y - to_y);
                    if k == m || (apart / real - 1.0).abs() > MAX_MISMATCH || real < 20e-3 {
                        continue;
                    }
                    for mirrored in [false, true] {
                        let pose = similarity([*from, *to], [one, other], mirrored);
                        let count = pose.inliers(model, spots, COARSE_TOLERANCE).len();
                        if count > most {
                            most = count;
                            found = pose.refined(model, spots).or(found);
                        }
                    }
                }
            }
        }
    }
    found.filter(|(pose, _)| pose.seen >= MIN_FIDUCIALS)
}

/// The turn, scale and shift, mirrored or not, that takes two places to two spots.
fn similarity([from, to]: [[f64; 2]; 2], [one, other]: [&Spot; 2], mirrored: bool) -> Pose {
    let sign = if mirrored { -1.0 } else { 1.0 };
    let ([ax, ay], [bx, by]) = (from, to);
    let (ux, uy) = (bx - ax, sign * (by - ay));
    let (vx, vy) = (other.x - one.x, other.y - one.y);
    // v = α·u as complex numbers.
    let size = ux * ux + uy * uy;
    let (re, im) = ((vx * ux + vy * uy) / size, (vy * ux - vx * uy) / size);
    let (row_x, row_y) = ([re, -im * sign], [im, re * sign]);
    let shift = |[a, b]: [f64; 2], at: f64| at - a * ax - b * ay;
    Pose {
        to_scan: [
            [row_x[0], row_x[1], shift(row_x, one.x)],
            [row_y[0], row_y[1], shift(row_y, one.y)],
        ],
        seen: 0,
    }
}

impl Pose {
    /// Pairs of a fiducial and the spot that lies within `tolerance` m of its place.
    fn inliers(&self, model: &[[f64; 2]], spots: &[Spot], tolerance: f64) -> Vec<(usize, usize)> {
        let [scale, _] = self.scales();
        let limit = tolerance * scale;
        let side = FIDUCIAL * scale;
        let near = |place: &[f64; 2]| {
            let [x, y] = self.scan(*place);
            let mut close = spots.iter().enumerate().filter(|(_, spot)| {
                (spot.x - x).abs() < limit
                    && (spot.y - y).abs() < limit
                    && (spot.side / side - 1.0).abs() < 2.0 * MAX_MISMATCH
            });
            close.next().map(|(at, _)| at)
        };
        model
            .iter()
            .enumerate()
            .filter_map(|(k, place)| near(place).map(|spot| (k, spot)))
            .collect()
    }

    /// Fits stretch and shear as well, twice, and tells which spots it rests on; none where these lie on
    /// one line.
    fn refined(&self, model: &[[f64; 2]], spots: &[Spot]) -> Option<(Pose, Vec<usize>)> {
        let mut pose = *self;
        let mut own = Vec::new();
        for tolerance in [COARSE_TOLERANCE, FINE_TOLERANCE] {
            let pairs = pose.inliers(model, spots, tolerance);
            pose = affine(&pairs, model, spots)?;
            own = pairs.into_iter().map(|(_, spot)| spot).collect();
        }
        let [along, across] = pose.scales();
        ((along / across - 1.0).abs() < 0.05).then_some((pose, own))
    }
}

/// A fiducial and its spot.
type Pair = ([f64; 2], [f64; 2]);

/// The affine map by least squares; none of places on one line.
fn affine(pairs: &[(usize, usize)], model: &[[f64; 2]], spots: &[Spot]) -> Option<Pose> {
    let count = pairs.len() as f64;
    let rows: Vec<Pair> = pairs
        .iter()
        .filter_map(|(k, spot)| {
            let spot = spots.get(*spot)?;
            Some((*model.get(*k)?, [spot.x, spot.y]))
        })
        .collect();
    let mean = |value: &dyn Fn(&Pair) -> f64| rows.iter().map(value).sum::<f64>() / count;
    let (mx, my) = (mean(&|row| row.0[0]), mean(&|row| row.0[1]));
    let xx = mean(&|row| (row.0[0] - mx).powi(2));
    let yy = mean(&|row| (row.0[1] - my).powi(2));
    let xy = mean(&|row| (row.0[0] - mx) * (row.0[1] - my));
    let det = xx * yy - xy * xy;
    // Spread of at least 10 mm in both directions.
    if rows.len() < MIN_FIDUCIALS || det < 1e-8 * (xx + yy) / 2.0 {
        return None;
    }
    let row = |axis: usize| {
        let value = |row: &Pair| if axis == 0 { row.1[0] } else { row.1[1] };
        let mv = mean(&value);
        let xv = mean(&|row| (row.0[0] - mx) * (value(row) - mv));
        let yv = mean(&|row| (row.0[1] - my) * (value(row) - mv));
        let (a, b) = ((xv * yy - yv * xy) / det, (yv * xx - xv * xy) / det);
        [a, b, mv - a * mx - b * my]
    };
    Some(Pose { to_scan: [row(0), row(1)], seen: rows.len() })
}
