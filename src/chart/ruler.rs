//! A certified ruler that lay beside the lines: its marks are dark strokes across the lines, in the strip that the
//! chart leaves empty. They tell where the carriage really was, and so the length of the line.

use crate::error::{ChartError, refuse};
use crate::layout::Layout;
use crate::pose::Pose;
use crate::scan::{Crop, WHITE};
use crate::solve::median;

/// Height in m of the band in the middle of the strip that is read.
const BAND: f64 = 2e-3;

/// Largest share by which the distance of two strokes may differ from that of their marks.
const MAX_MISMATCH: f64 = 0.05;

/// How far apart in m both halves of a stroke lie along the lines: a ruler turned by 3° at most.
const MAX_LEAN: f64 = 60e-6;

/// Least strokes.
const MIN_STROKES: usize = 5;

/// Least darkness of a stroke, as a share of the contrast of the chart.
const MIN_DARK: f64 = 0.25;

/// A ruler as its certificate states it.
#[derive(Clone, Debug, PartialEq)]
pub struct Ruler {
    /// Places of its marks in m, rising.
    pub marks: Vec<f64>,
    /// Standard uncertainty in m of each mark.
    pub mark_u: f64,
    /// Standard uncertainty in proportion to the distance of two marks.
    pub slope_u: f64,
}

impl Ruler {
    /// Refuses marks that no ruler has.
    pub fn check(&self) -> Result<(), ChartError> {
        let rising = self.marks.windows(2).all(|pair| matches!(pair, [a, b] if a < b));
        if self.marks.len() < MIN_STROKES || !rising || self.marks.iter().any(|m| !m.is_finite()) {
            return refuse!("a ruler has at least {MIN_STROKES} marks, each beyond the one before");
        }
        Ok(())
    }
}

/// A stroke on the scan, with the mark that it is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Stroke {
    /// Pixel along the lines.
    pub pixel: f64,
    /// Place of the chart there, if the pose is taken for true, and place of the mark along the lines, in m.
    pub chart: f64,
    pub mark: f64,
}

/// Strokes of a ruler.
#[derive(Clone, Debug)]
pub(crate) struct Strokes {
    pub all: Vec<Stroke>,
    /// Where across the chart they were read, in m.
    pub y: f64,
    /// Standard deviation of a stroke about its mark.
    pub u: f64,
}

/// The part of a scan that holds the band of a ruler; none where the chart has no room for one.
pub(crate) fn crop_of(layout: &Layout, pose: &Pose, size: [u32; 2]) -> Option<Crop> {
    let middle = (layout.ruler.start + layout.ruler.end) / 2.0;
    if layout.ruler.end - layout.ruler.start < 2.0 * BAND {
        return None;
    }
    let reach = [middle - BAND / 2.0 - 0.2e-3, middle + BAND / 2.0 + 0.2e-3];
    let ends = [0.0, layout.spec.length()];
    Some(pose.crop([ends[0], ends[1]], reach, size))
}

/// Finds the strokes of a ruler: each by its centre of darkness, in two halves of the band, which tell how the ruler
/// is turned.
pub(crate) fn strokes(
    layout: &Layout,
    pose: &Pose,
    crop: &Crop,
    contrast: f64,
    ruler: &Ruler,
) -> Result<Strokes, ChartError> {
    let middle = (layout.ruler.start + layout.ruler.end) / 2.0;
    let y = [middle - BAND / 4.0, middle + BAND / 4.0];
    let [upper, lower] = y.map(|y| found(layout, pose, crop, contrast, y));
    let to_chart = pose.inverse();
    let x_of = |pixel: f64, y: f64| pose.chart_x(&to_chart, pixel, y);
    // Both halves of a stroke lie side by side.
    let (upper, lower): (Vec<f64>, Vec<f64>) = upper
        .into_iter()
        .filter_map(|one| {
            let near = |other: &&f64| (x_of(**other, y[1]) - x_of(one, y[0])).abs() < MAX_LEAN;
            Some((one, *lower.iter().find(near)?))
        })
        .unzip();
    if upper.len() < MIN_STROKES {
        return refuse!(
            "the ruler's marks are not found: {} strokes cross the middle of the empty strip. Lay it there along the \
             lines, so that its marks reach over the middle",
            upper.len()
        );
    }
    // A ruler turned by an angle has strokes that lean by it, farther apart along the lines.
    let leans =
        upper.iter().zip(&lower).map(|(a, b)| (x_of(*b, y[1]) - x_of(*a, y[0])) / (y[1] - y[0]));
    let lean = median(leans.collect());
    let along = (1.0 + lean * lean).sqrt();
    let pixels: Vec<f64> = upper.iter().zip(&lower).map(|(a, b)| (a + b) / 2.0).collect();
    let charts: Vec<f64> = pixels.iter().map(|pixel| x_of(*pixel, middle)).collect();
    let mut all = Vec::new();
    let mut order: Vec<usize> = (0..pixels.len()).collect();
    order.sort_by(|a, b| {
        let of = |k: &usize| charts.get(*k).copied().unwrap_or(0.0);
        of(a).total_cmp(&of(b))
    });
    let mut marks = ruler.marks.iter().peekable();
    let mut before: Option<(f64, f64)> = None;
    for k in order {
        let (Some(pixel), Some(chart)) = (pixels.get(k), charts.get(k)) else { continue };
        // The first stroke is the first mark; a mark without a stroke is passed over.
        let mark = loop {
            let Some(mark) = marks.next() else {
                return refuse!(
                    "there are more strokes in the empty strip than the ruler has marks"
                );
            };
            let Some((chart_before, mark_before)) = before else { break *mark };
            let share = (chart - chart_before) / (mark - mark_before);
            if (share - 1.0).abs() < MAX_MISMATCH {
                break *mark;
            }
            if share < 1.0 {
                return refuse!(
                    "a stroke at {:.1} mm of the strip is none of the ruler's marks: cover what is not the ruler, and \
                     give the marks that its certificate has",
                    chart * 1e3
                );
            }
        };
        before = Some((*chart, mark));
        all.push(Stroke { pixel: *pixel, chart: *chart, mark: mark * along });
    }
    let differences = upper.iter().zip(&lower).map(|(a, b)| {
        let lean_here = x_of(*b, y[1]) - x_of(*a, y[0]) - lean * (y[1] - y[0]);
        lean_here.abs()
    });
    // Each stroke is the mean of two that differ so.
    let u = 1.4826 * median(differences.collect()) / 2.0;
    Ok(Strokes { all, y: middle, u })
}

/// Pixels along the lines at which strokes cross `y`.
fn found(layout: &Layout, pose: &Pose, crop: &Crop, contrast: f64, y: f64) -> Vec<f64> {
    let [along, across] = pose.scales();
    let half = (BAND / 4.0 * across) as i64;
    let ends = [0.5e-3, layout.spec.length() - 0.5e-3].map(|x| pose.scan([x, y]));
    let upright = pose.is_upright();
    let pick = |[x, y]: [f64; 2]| if upright { (y, x) } else { (x, y) };
    let ((from, v_from), (to, v_to)) = (pick(ends[0]), pick(ends[1]));
    let (low, high) = (from.min(to).ceil() as i64, from.max(to).floor() as i64);
    let mut profile = Vec::with_capacity((high - low).max(0) as usize);
    for i in low..high {
        let v = v_from + (v_to - v_from) * (i as f64 + 0.5 - from) / (to - from);
        let (mut sum, mut count) = (0.0, 0.0);
        for v in v as i64 - half..v as i64 + half {
            let pixel = u32::try_from(i).ok().zip(u32::try_from(v).ok());
            let gray =
                pixel.and_then(|(i, v)| if upright { crop.get(v, i) } else { crop.get(i, v) });
            if let Some(gray) = gray {
                sum += f64::from(gray);
                count += 1.0;
            }
        }
        profile.push(sum / count / WHITE / contrast);
    }
    // The ground of the ruler, over 5 mm.
    let reach = (2.5e-3 * along) as usize;
    let ground = |at: usize| {
        let part = profile.get(at.saturating_sub(reach)..(at + reach).min(profile.len()));
        median(part.unwrap_or_default().iter().copied().step_by(7).collect())
    };
    let mut grounds = Vec::with_capacity(profile.len() / 64 + 1);
    for at in (0..profile.len()).step_by(64) {
        grounds.push(ground(at));
    }
    let dark: Vec<f64> = profile
        .iter()
        .enumerate()
        .map(|(at, gray)| grounds.get(at / 64).copied().unwrap_or(1.0) - gray)
        .collect();
    let mut strokes = Vec::new();
    let mut at = 0;
    while at < dark.len() {
        let is_dark = |at: usize, limit: f64| dark.get(at).is_some_and(|dark| *dark > limit);
        if !is_dark(at, MIN_DARK) {
            at += 1;
            continue;
        }
        let mut last = at;
        while is_dark(last + 1, MIN_DARK / 2.0) {
            last += 1;
        }
        // The centre of darkness over an even strip around itself.
        let half = (last - at) as f64 / 2.0 + 0.1e-3 * along;
        let mut centre = (at + last) as f64 / 2.0 + 0.5;
        for _ in 0..4 {
            let (mut mass, mut moment) = (0.0, 0.0);
            let ends = [(centre - half).floor().max(0.0) as usize, (centre + half).ceil() as usize];
            for k in ends[0]..=ends[1] {
                let off = k as f64 + 0.5 - centre;
                let share = (half + 0.5 - off.abs()).clamp(0.0, 1.0);
                let own = share * dark.get(k).copied().unwrap_or(0.0);
                mass += own;
                moment += own * off;
            }
            centre += moment / mass;
        }
        strokes.push(low as f64 + centre);
        at = last + 1;
    }
    strokes
}
