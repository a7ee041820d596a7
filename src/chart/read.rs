//! From a scan to what it tells: pose, windows, and facets against everything that is smooth.

use crate::coarse::Thumbnail;
use crate::error::{ChartError, refuse};
use crate::layout::Layout;
use crate::picture::{FoundMark, Ground, Picture, draw_picture};
use crate::pose::Pose;
use crate::reading::{
    BLURRED, Banding, Common, FacetMark, FacetReading, Measured, Place, ScanReading, SheetOnScan,
    blur_text,
};
use crate::ruler::{Ruler, Stroke, Strokes, crop_of as ruler_crop, strokes};
use crate::scan::{Crop, Scan};
use crate::solve::{FacetFit, Sample, fit_facets, median};
use crate::travel::{Travel, in_scan};
use crate::waves::{amplitudes, waves};
use crate::window::{Seen, Window, crop_of};
use core::f64::consts::TAU;
use spintrue_head::{FacetMean, Mark, Matrix, Reading, Stated};
use std::io::{BufRead, Seek};

/// Most pixels of windows that are held at once.
const MAX_HELD: u64 = 140 << 20;

/// Coarsest pixels in m: 600 dpi.
const MAX_PIXEL: f64 = 43e-6;

/// Largest standard uncertainty in m of a facet's place that is told.
const MAX_U: f64 = 1.2e-6;

/// Share of a scanner's scale that is not known, where nothing tells more (our choice).
const SCALE_U: f64 = 0.005;

/// Standard uncertainty of what depends on how edges fall on pixels, in pixels (measured with models).
const PIXEL_U: f64 = 0.003;

/// Scatter of lines in m from which on they follow the course of the carriage, as lines across its travel do,
/// and how much wider their uncertainty then is than their scatter tells: they share that course (measured with
/// models).
const COURSE: (f64, f64) = (1e-6, 1.3);

/// From 10 % to 90 % of the integral of a Gaussian, in its standard deviations.
const TEN_TO_NINETY: f64 = 2.563;

/// Least share of the lines that must be seen.
const MIN_SEEN: f64 = 0.3;

/// A sheet that was read from its scan.
pub struct ReadSheet<'a> {
    layout: &'a Layout,
    ruler: Option<&'a Ruler>,
    seen: SeenSheet,
    marks: Vec<FoundMark>,
    /// What it tells.
    pub reading: ScanReading,
}

/// Reads a scan of a chart, with a ruler in its strip if one is given. The file is read twice, row after row.
pub fn read_scan<'a, R: BufRead + Seek>(
    layout: &'a Layout,
    ruler: Option<&'a Ruler>,
    from: R,
) -> Result<ReadSheet<'a>, ChartError> {
    let seen = look(layout, ruler, from)?;
    let (reading, marks) = seen.told(layout, ruler, &seen.windows)?;
    Ok(ReadSheet { layout, ruler, seen, marks, reading })
}

impl ReadSheet<'_> {
    /// What the lines of either half of the sheet tell by themselves: two looks at different lines. One look, of all
    /// lines, where a half does not tell of every facet at every place.
    pub fn looks(&self) -> Vec<ScanReading> {
        let middle = (self.layout.rows.start + self.layout.rows.end) / 2.0;
        let half = |is_upper: bool| {
            let own = |line: &&Seen| (line.y < middle) == is_upper;
            let windows = self.seen.windows.iter();
            let windows = windows.map(|seen| seen.iter().filter(own).cloned().collect());
            let windows = windows.collect::<Vec<Vec<Seen>>>();
            let told = self.seen.told(self.layout, self.ruler, &windows).ok();
            told.map(|(reading, _)| reading).filter(ScanReading::is_whole)
        };
        let looks = half(true).zip(half(false));
        looks.map_or_else(|| vec![self.reading.clone()], |(upper, lower)| vec![upper, lower])
    }

    /// The scan with the marks that were found on it.
    pub fn picture(&self) -> Result<Picture, ChartError> {
        draw_picture(&self.seen.ground, &self.marks, self.layout)
    }
}

/// What is seen on a scan.
struct SeenSheet {
    sheet: SheetOnScan,
    ground: Ground,
    windows: Vec<Vec<Seen>>,
    strokes: Option<Strokes>,
}

fn look<R: BufRead + Seek>(
    layout: &Layout,
    ruler: Option<&Ruler>,
    mut from: R,
) -> Result<SeenSheet, ChartError> {
    if let Some(ruler) = ruler {
        ruler.check()?;
        if layout.spec.ruler_space == 0.0 {
            return refuse!("this chart has no strip for a ruler: draw one with --ruler-space");
        }
    }
    let mut scan = Scan::open(&mut from)?;
    let small = Thumbnail::read(&mut scan)?;
    let (kind, size, stated) = (scan.kind, [scan.width, scan.height], scan.resolution);
    drop(scan);
    let pose = Pose::find(layout, &small)?;
    let coarsest = pose.scales().into_iter().fold(f64::MAX, f64::min);
    if 1.0 / coarsest > MAX_PIXEL {
        return refuse!(
            "it is too coarse: about {:.0} dpi, where 600 are the least and 1200 are wanted",
            coarsest * 25.4e-3
        );
    }
    let tone = layout.patches.iter().map(|area| pose.darkness(area, &small));
    let upright = pose.is_upright();
    // As the file has them, along and down; here along and across the lines.
    let stated = stated.map_or([f64::NAN; 2], |[x, y]| if upright { [y, x] } else { [x, y] });
    let sheet = SheetOnScan {
        kind: kind.to_string(),
        width: size[0],
        height: size[1],
        stated,
        found: pose.scales(),
        lines_run_down: upright,
        mirrored: pose.is_mirrored(),
        turn: pose.turn(),
        edge_width: f64::NAN,
        fiducials: pose.seen,
        fiducials_of: layout.fiducials.len(),
        tone: tone.collect(),
    };
    let contrast = small.contrast();
    let ground = Ground::of(layout, &pose, &small);
    drop(small);
    let mut reader = WindowReader { layout, pose, contrast, ruler, strokes: None };
    let windows = reader.windows(from, size)?;
    let sheet = SheetOnScan { edge_width: edge_width(&windows), ..sheet };
    Ok(SeenSheet { sheet, ground, windows, strokes: reader.strokes })
}

/// From 10 % to 90 % of the darkness of edges that a Gaussian blurs, by the median of all lines.
fn edge_width(windows: &[Vec<Seen>]) -> f64 {
    let blurs = windows.iter().flatten().map(|line| line.blur);
    TEN_TO_NINETY * median(blurs.filter(|blur| !blur.is_nan()).collect()).max(0.0).sqrt()
}

impl SeenSheet {
    /// What lines tell, if enough are seen.
    fn told(
        &self,
        layout: &Layout,
        ruler: Option<&Ruler>,
        seen: &[Vec<Seen>],
    ) -> Result<(ScanReading, Vec<FoundMark>), ChartError> {
        let lines_seen = self.windows.iter().map(Vec::len).max().unwrap_or(0);
        if (lines_seen as f64) < MIN_SEEN * layout.lines.len() as f64 {
            return refuse!(
                "of {} isolated lines {lines_seen} are found: is it blurred, cropped, or the chart of another head?",
                layout.lines.len()
            );
        }
        finished(layout, self.sheet.clone(), seen, ruler.zip(self.strokes.as_ref()))
    }
}

/// Reads the parts of a scan that matter, each as soon as its last row is there.
struct WindowReader<'a> {
    layout: &'a Layout,
    pose: Pose,
    contrast: f64,
    ruler: Option<&'a Ruler>,
    strokes: Option<Strokes>,
}

impl WindowReader<'_> {
    /// What is seen in each window; nothing of those that lie outside.
    fn windows<R: BufRead + Seek>(
        &mut self,
        mut from: R,
        size: [u32; 2],
    ) -> Result<Vec<Vec<Seen>>, ChartError> {
        let count = self.layout.places.len();
        let window = |k| crop_of(self.layout, k, &self.pose, size);
        let mut crops: Vec<Option<Crop>> = (0..count).map(window).collect();
        // Behind the windows.
        crops.push(self.ruler.and_then(|_| ruler_crop(self.layout, &self.pose, size)));
        let held = |row: u32| {
            let live = crops.iter().flatten().filter(|crop| crop.rows.contains(&row));
            live.map(Crop::pixels).sum::<u64>()
        };
        let most = crops.iter().flatten().map(|crop| held(crop.rows.start)).max().unwrap_or(0);
        if most > MAX_HELD {
            return refuse!(
                "at this resolution too much must be held in memory: scan at 1200 dpi, or with the lines running \
                 down the image"
            );
        }
        let last = crops.iter().flatten().map(|crop| crop.rows.end).max().unwrap_or(0);
        let mut scan = Scan::open(&mut from)?;
        let mut row = vec![0; scan.width as usize];
        let mut seen = vec![Vec::new(); count];
        for y in 0..last {
            if !crops.iter().flatten().any(|crop| crop.rows.contains(&y)) {
                scan.skip()?;
                continue;
            }
            scan.read(&mut row)?;
            for (place, slot) in crops.iter_mut().enumerate() {
                let Some(crop) = slot else { continue };
                crop.take(y, &row);
                if y + 1 < crop.rows.end {
                    continue;
                }
                match (seen.get_mut(place), self.ruler) {
                    (Some(seen), _) => {
                        let window =
                            Window::new(self.layout, place, &self.pose, crop, self.contrast);
                        *seen = window.lines();
                    }
                    (None, Some(ruler)) => {
                        let found = strokes(self.layout, &self.pose, crop, self.contrast, ruler)?;
                        self.strokes = Some(found);
                    }
                    (None, None) => {}
                }
                *slot = None;
            }
        }
        Ok(seen)
    }
}

/// What was found at a place: in-scan, cross-scan, and the logarithm of darkness.
struct Fits {
    place: Place,
    along: Option<FacetFit>,
    across: Option<FacetFit>,
    darkness: Option<FacetFit>,
    marks: Vec<FoundMark>,
}

fn finished(
    layout: &Layout,
    sheet: SheetOnScan,
    seen: &[Vec<Seen>],
    ruler: Option<(&Ruler, &Strokes)>,
) -> Result<(ScanReading, Vec<FoundMark>), ChartError> {
    let spec = &layout.spec;
    let lines_seen = seen.iter().map(Vec::len).max().unwrap_or(0);
    let mut missing = vec![
        "The absolute shift and height of the line: a sheet has no fixed place under the head."
            .to_string(),
    ];
    let mut fits: Vec<Fits> = layout
        .shares()
        .into_iter()
        .zip(seen)
        .map(|(at, seen)| {
            fits(at, seen, (spec.facets as usize, spec.length()), ruler, &mut missing)
        })
        .collect();
    if !fits.iter().any(|fits| fits.along.is_some() || fits.across.is_some()) {
        if sheet.edge_width > BLURRED {
            return refuse!(
                "nothing can be told of the facets, since {}: lay the sheet flat on clean glass, and scan again at \
                 1200 dpi or more without smoothing; or give the chart that was exposed, if this is another",
                blur_text(sheet.edge_width)
            );
        }
        return refuse!("nothing can be told of the facets. {}", missing.join(" "));
    }
    let facets: Vec<FacetReading> =
        (0..spec.facets).map(|facet| facet_reading(layout, facet, &fits, &sheet)).collect();
    let pattern = |of: &dyn Fn(&FacetMark) -> Measured| {
        let mean = |facet: &FacetReading| {
            let known = facet.marks.iter().map(|mark| of(mark).value).filter(|v| v.is_finite());
            let (sum, count) = known.fold((0.0, 0.0), |(sum, n), value| (sum + value, n + 1.0));
            sum / count
        };
        amplitudes(&facets.iter().map(mean).collect::<Vec<f64>>())
    };
    let banding = Banding {
        in_scan: pattern(&|mark| mark.in_scan),
        cross_scan: pattern(&|mark| mark.cross_scan),
        darkness: pattern(&|mark| mark.darkness),
    };
    let mut common = common(layout, &sheet, seen, &fits);
    if let Some((ruler, _)) = ruler {
        common.take_ruler(&fits, ruler, spec.length());
    }
    missing.extend(common_missing(common.length.value.is_finite()));
    let marks = fits.iter_mut().flat_map(|fits| std::mem::take(&mut fits.marks)).collect();
    let mut reading = ScanReading {
        chart: spec.clone(),
        code: format!("{:08x}", spec.code()),
        scan: sheet,
        lines: layout.lines.len(),
        lines_seen,
        places: fits.into_iter().map(|fits| fits.place).collect(),
        facets,
        banding,
        common,
        missing,
    };
    let blur = reading.blur();
    reading.missing.splice(0..0, blur);
    Ok((reading, marks))
}

fn fits(
    at: f64,
    seen: &[Seen],
    (facets, length): (usize, f64),
    ruler: Option<(&Ruler, &Strokes)>,
    missing: &mut Vec<String>,
) -> Fits {
    let samples = |value: &dyn Fn(&Seen) -> f64| -> Vec<Sample> {
        let sample = |line: &Seen| Sample { y: line.y, facet: line.facet, value: value(line) };
        seen.iter().map(sample).filter(|sample| sample.value.is_finite()).collect()
    };
    let travel = in_scan(seen, facets);
    let against = travel
        .as_ref()
        .zip(ruler)
        .and_then(|(travel, (_, strokes))| against(travel, strokes, (at + 0.5) * length));
    let along_samples = travel.map_or(Vec::new(), |travel| travel.samples);
    let across_samples = samples(&|line| line.across);
    let along = fit_facets(&along_samples, facets);
    let mut across = fit_facets(&across_samples, facets);
    if let Some(fit) = across.as_mut().filter(|fit| fit.scatter > COURSE.0) {
        fit.u.iter_mut().for_each(|u| *u *= COURSE.1);
    }
    let darkness = fit_facets(&samples(&|line| line.mass.ln()), facets);
    let mut told = |fit: Option<FacetFit>, what: &str, dark: bool| {
        let Some(fit) = fit else {
            missing.push(format!(
                "{what} at {at:+.3} of the line: the {} lines that are seen do not tell of every facet.",
                seen.len()
            ));
            return None;
        };
        let typical = median(fit.u.clone());
        if !dark && typical > MAX_U {
            missing.push(format!(
                "{what} at {at:+.3} of the line: lines scatter by {:.1} µm, which leaves {:.1} µm of a facet, more than \
                 {:.1} µm. Clean sheet and glass, lay the lines along the travel of the carriage, and scan at 1200 dpi or \
                 more.",
                fit.scatter * 1e6,
                typical * 1e6,
                MAX_U * 1e6
            ));
            return None;
        }
        Some(fit)
    };
    let along = told(along, "In-scan", false);
    let across = told(across, "Cross-scan", false);
    let darkness = told(darkness, "Darkness", true);
    let parts = [(&along, &along_samples), (&across, &across_samples)];
    let mark = |line: &Seen| {
        let parts = parts.map(|(fit, samples)| fit.as_ref()?.off_at(samples, line.y));
        FoundMark {
            at: [(at + 0.5) * length, line.y],
            facet: line.facet,
            off: parts.map(|part| part.map_or(f64::NAN, |(off, _)| off)),
            is_wild: parts.iter().flatten().any(|(_, is_wild)| *is_wild),
        }
    };
    let marks = seen.iter().map(mark).collect();
    let wild = |fit: &Option<FacetFit>| fit.as_ref().map_or(0, |fit| fit.wild);
    let scatter = |fit: &Option<FacetFit>| fit.as_ref().map_or(f64::NAN, |fit| fit.scatter);
    let place = Place {
        at,
        lines: seen.len(),
        wild: [wild(&along), wild(&across), wild(&darkness)],
        scatter: [scatter(&along), scatter(&across)],
        darkness: median(seen.iter().map(|line| line.mass).collect()),
        along: against.map_or(f64::NAN, |(value, _)| value),
        along_u: against.map_or(f64::NAN, |(_, u)| u),
    };
    Fits { place, along, across, darkness, marks }
}

/// Where the facets together lie along at `x` m in a window, against the ruler's marks there, with its standard
/// uncertainty: by a straight line through them. None of fewer than three marks.
fn against(travel: &Travel, strokes: &Strokes, x: f64) -> Option<(f64, f64)> {
    let off = |stroke: &Stroke| {
        let off = travel.off(stroke.pixel, strokes.y)?;
        Some((stroke.chart - off - x, stroke.mark - (stroke.chart - off)))
    };
    let all: Vec<(f64, f64)> = strokes.all.iter().filter_map(off).collect();
    let count = all.len() as f64;
    let mean = |value: &dyn Fn(&(f64, f64)) -> f64| all.iter().map(value).sum::<f64>() / count;
    let (middle, value) = (mean(&|row| row.0), mean(&|row| row.1));
    let spread = mean(&|row| (row.0 - middle).powi(2));
    let slope = mean(&|row| (row.0 - middle) * (row.1 - value)) / spread;
    let u = strokes.u * ((1.0 + middle * middle / spread) / count).sqrt();
    (all.len() >= 3).then_some((value - slope * middle, u))
}

/// A statement that is off by more is not of this scan: no copy and no medium is stretched by so much.
const MAX_SCALE_OFF: f64 = 0.2;

/// The share of its scale by which a scan may be off: its own statement and the plan differ by so much.
fn scale_uncertainty(sheet: &SheetOnScan) -> f64 {
    let off = |axis: usize| {
        let (found, stated) = (sheet.found.get(axis)?, sheet.stated.get(axis)?);
        Some((found / stated - 1.0).abs()).filter(|off| *off < MAX_SCALE_OFF)
    };
    (0..2).filter_map(off).fold(SCALE_U, f64::max)
}

fn facet_reading(layout: &Layout, facet: u32, fits: &[Fits], sheet: &SheetOnScan) -> FacetReading {
    let scale_u = scale_uncertainty(sheet);
    let pixel_u = sheet.found.map(|per_m| PIXEL_U / per_m);
    let k = facet as usize;
    let place = |fit: &Option<FacetFit>, scale_u: f64, pixel_u: f64| {
        let known = fit.as_ref().and_then(|fit| Some((*fit.effects.get(k)?, *fit.u.get(k)?)));
        known.map_or(Measured::UNKNOWN, |(value, u)| Measured {
            value,
            u,
            u_fixed: (scale_u * value).hypot(pixel_u),
        })
    };
    let darkness = |fits: &Fits| {
        let own = place(&fits.darkness, 0.0, 0.0);
        // The logarithm of a share.
        let value = own.value.exp();
        Measured { value, u: own.u * value, u_fixed: 0.0 }
    };
    let mark = |fits: &Fits| FacetMark {
        at: fits.place.at,
        in_scan: place(&fits.along, scale_u, pixel_u[0]),
        cross_scan: place(&fits.across, scale_u, pixel_u[1]),
        darkness: darkness(fits),
    };
    let lines = layout.lines.iter().filter(|line| line.facet == facet).count();
    FacetReading { facet, lines, marks: fits.iter().map(mark).collect() }
}

fn common(layout: &Layout, sheet: &SheetOnScan, seen: &[Vec<Seen>], fits: &[Fits]) -> Common {
    let spec = &layout.spec;
    let [along, across] = sheet.found;
    let [stated_along, stated_across] = sheet.stated;
    let line_rate = f64::from(spec.facets) * spec.speed / TAU;
    // The mean over the places of what is left of each line without its facet.
    let mut of_line: Vec<(f64, f64, f64)> = Vec::new();
    for (seen, fits) in seen.iter().zip(fits) {
        let Some(fit) = &fits.across else { continue };
        for (line, rest) in seen.iter().zip(&fit.rest) {
            let Some(rest) = rest else { continue };
            match of_line.iter_mut().find(|(y, ..)| *y == line.y) {
                Some((_, sum, count)) => {
                    *sum += rest;
                    *count += 1.0;
                }
                None => of_line.push((line.y, *rest, 1.0)),
            }
        }
    }
    of_line.sort_by(|a, b| a.0.total_cmp(&b.0));
    let samples: Vec<(f64, f64)> =
        of_line.iter().map(|(y, sum, count)| (*y, sum / count)).collect();
    Common {
        across_over_along: (across / along) * (stated_along / stated_across),
        waves: waves(&samples, line_rate * spec.cross_scan_pitch),
        length: Measured::UNKNOWN,
        even: Measured::UNKNOWN,
        odd: Measured::UNKNOWN,
    }
}

impl Common {
    /// Takes the shape that all facets share from where they lie against a ruler.
    fn take_ruler(&mut self, fits: &[Fits], ruler: &Ruler, length: f64) {
        let known: Vec<&Place> =
            fits.iter().map(|fits| &fits.place).filter(|place| place.along.is_finite()).collect();
        let mark = |place: &&Place| Mark {
            at: place.at,
            in_scan: place.along,
            cross_scan: 0.0,
            dose: f64::NAN,
            width: None,
        };
        let squares: f64 = known.iter().map(|place| place.along_u.powi(2)).sum();
        let reading = Reading {
            marks: known.iter().map(mark).collect(),
            in_scan_u: Stated {
                random: (squares / known.len() as f64).sqrt(),
                offset: 0.0,
                slope: ruler.slope_u,
                place: ruler.mark_u,
            },
            ..Reading::whole((0.0, 0.0), (0.0, 0.0))
        };
        let Ok(mean) = FacetMean::of(&[reading], length) else { return };
        let of = |k: usize, scale: f64| {
            let cell = |matrix: &Matrix| matrix.get(k).and_then(|row| row.get(k)).copied();
            let root = |matrix: &Matrix| cell(matrix).unwrap_or(f64::NAN).sqrt() * scale;
            Measured {
                value: mean.along.of.get(k).copied().unwrap_or(f64::NAN) * scale,
                u: root(&mean.along.random),
                u_fixed: root(&mean.along.fixed),
            }
        };
        // Both ends go by the coefficient of P1.
        (self.length, self.even, self.odd) = (of(1, 2.0 / length), of(2, 1.0), of(3, 1.0));
    }
}

/// What one scan does not tell of what all facets share.
fn common_missing(has_ruler: bool) -> Vec<String> {
    let mut missing = Vec::new();
    if !has_ruler {
        missing.push(
            "Length, even and odd distortion that all facets share: the scanner's carriage moves unevenly. A \
             certified ruler beside the lines tells them."
                .to_string(),
        );
    }
    missing.push(
        "Skew and bow that all facets share: they cannot be told from how the sheet lies and how the carriage \
         wanders."
            .to_string(),
    );
    missing.push(
        "Waves of all lines across the sheet: medium and scanner cannot be told apart in one scan. Turn the sheet by \
         90° and scan it again: what stays with the sheet is the medium's."
            .to_string(),
    );
    missing
}

#[cfg(test)]
mod tests;
