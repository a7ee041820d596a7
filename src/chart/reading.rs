//! What a scan of a chart tells, and what it does not tell and why.

use crate::ruler::Ruler;
use crate::spec::Spec;
use serde::Serialize;
use spintrue_head::{Mark, Reading, Stated};

/// What a scan of a chart tells. Lengths are in m; what is not known is not a number.
#[derive(Clone, Debug, Serialize)]
pub struct ScanReading {
    /// What the chart was made for.
    pub chart: Spec,
    /// Its code, as it stands on the sheet.
    pub code: String,
    /// How the sheet lies on the scan.
    pub scan: SheetOnScan,
    /// Isolated lines of the chart, and how many of them are seen at one place at least.
    pub lines: usize,
    /// How many of these are seen.
    pub lines_seen: usize,
    /// What was found at each place along the line.
    pub places: Vec<Place>,
    /// What is known of each facet against the mean of all.
    pub facets: Vec<FacetReading>,
    /// What comes back with every turn, of the means over all places.
    pub banding: Banding,
    /// What all facets share.
    pub common: Common,
    /// What could not be seen or separated, and why, one sentence each.
    pub missing: Vec<String>,
}

/// How a sheet lies on a scan.
#[derive(Clone, Debug, Serialize)]
pub struct SheetOnScan {
    /// Kind of file.
    pub kind: String,
    /// Pixels in a row, and rows.
    pub width: u32,
    /// Rows.
    pub height: u32,
    /// Pixels per m along and across the lines as the file states them; not a number where it does not.
    pub stated: [f64; 2],
    /// Pixels per m along and across the lines, if the sheet is as planned.
    pub found: [f64; 2],
    /// Lines run down the image.
    pub lines_run_down: bool,
    /// The image is mirrored.
    pub mirrored: bool,
    /// How far in rad lines are turned off the nearest axis.
    pub turn: f64,
    /// Width in m of the edges of dashes along the lines, from 10 % to 90 % of their darkness: blur of the spot, the
    /// medium and the scanner together.
    pub edge_width: f64,
    /// Fiducials seen.
    pub fiducials: usize,
    /// Fiducials of the chart.
    pub fiducials_of: usize,
    /// Darkness of the patches with 1 to 8 eighths of their dots, against that of black and white ground; the tone
    /// curve of head, medium and scanner together.
    pub tone: Vec<f64>,
}

/// A place along the line.
#[derive(Clone, Debug, Serialize)]
pub struct Place {
    /// Share of the planned length from the middle of the line.
    pub at: f64,
    /// Isolated lines seen here.
    pub lines: usize,
    /// Lines left out because they lie far off: in-scan, cross-scan, darkness.
    pub wild: [usize; 3],
    /// Standard deviation in m of a line's place about those of its facet: in-scan and cross-scan.
    pub scatter: [f64; 2],
    /// Median darkness of a line, as the width in m of full blackness that is as dark.
    pub darkness: f64,
    /// Place along in m of all facets together less where a ruler says; not a number without one.
    pub along: f64,
    /// Its standard uncertainty.
    pub along_u: f64,
}

/// What is known of a facet at a place, against the mean of all facets.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct FacetMark {
    /// Share of the planned length from the middle of the line.
    pub at: f64,
    /// In-scan, in m.
    pub in_scan: Measured,
    /// Cross-scan, in m.
    pub cross_scan: Measured,
    /// Darkness of its line against the mean of all facets. It grows with the dose, more slowly than that.
    pub darkness: Measured,
}

/// A value with both standard uncertainties.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Measured {
    /// The value.
    pub value: f64,
    /// What averages out over charts and scans.
    pub u: f64,
    /// What does not.
    pub u_fixed: f64,
}

impl Measured {
    /// Of what was not seen.
    pub(crate) const UNKNOWN: Measured =
        Measured { value: f64::NAN, u: f64::NAN, u_fixed: f64::NAN };

    /// Both together.
    pub fn combined(&self) -> f64 {
        self.u.hypot(self.u_fixed)
    }
}

/// A facet.
#[derive(Clone, Debug, Serialize)]
pub struct FacetReading {
    /// Its number; facet 0 is at the index.
    pub facet: u32,
    /// Its isolated lines on the chart.
    pub lines: usize,
    /// Its marks.
    pub marks: Vec<FacetMark>,
}

/// Standard uncertainties of what a sheet does not tell of its lines (our choice, far beyond the limits of any head):
/// where they lie in m, their length and skew as shares, and the shape that all facets share in m.
const UNTOLD: Stated = Stated { random: 0.0, offset: 10e-3, slope: 0.01, place: 100e-6 };

impl ScanReading {
    /// Every facet is told at every place.
    pub(crate) fn is_whole(&self) -> bool {
        let known =
            |mark: &FacetMark| mark.in_scan.value.is_finite() && mark.cross_scan.value.is_finite();
        let mut marks = self.facets.iter().flat_map(|facet| &facet.marks);
        !self.facets.is_empty() && marks.all(known)
    }

    /// As readings of a gauge, one of each facet; none where a facet was not seen at a place. Positions are against
    /// the mean of all facets. What these share is zero in them, and stated as uncertain by far more than any limit;
    /// with the ruler that lay beside them, it tells length and distortion along the line. A scan tells no dose.
    pub fn readings(&self, ruler: Option<&Ruler>) -> Option<Vec<Reading>> {
        if !self.is_whole() {
            return None;
        }
        let along: Vec<f64> = self.places.iter().map(|place| place.along).collect();
        let ruler = ruler.filter(|_| along.iter().all(|along| along.is_finite()));
        let middle = along.iter().sum::<f64>() / along.len() as f64;
        let shared = |k: usize| match (ruler, along.get(k)) {
            (Some(_), Some(along)) => along - middle,
            _ => 0.0,
        };
        let untold = ruler.map_or(UNTOLD, |ruler| {
            let squares: f64 = self.places.iter().map(|place| place.along_u.powi(2)).sum();
            let read = squares / self.places.len() as f64;
            let place = (read + ruler.mark_u * ruler.mark_u).sqrt();
            Stated { slope: ruler.slope_u, place, ..UNTOLD }
        });
        let reading = |facet: &FacetReading| {
            // A sheet is one reading: nothing of what differs between facets averages out any more.
            let random = |of: &dyn Fn(&FacetMark) -> Measured| {
                let squares: f64 = facet.marks.iter().map(|mark| of(mark).combined().powi(2)).sum();
                (squares / facet.marks.len() as f64).sqrt()
            };
            let mark = |(k, mark): (usize, &FacetMark)| Mark {
                at: mark.at,
                in_scan: mark.in_scan.value + shared(k),
                cross_scan: mark.cross_scan.value,
                dose: f64::NAN,
                width: None,
            };
            Reading {
                marks: facet.marks.iter().enumerate().map(mark).collect(),
                in_scan_u: Stated { random: random(&|mark| mark.in_scan), ..untold },
                cross_scan_u: Stated { random: random(&|mark| mark.cross_scan), ..UNTOLD },
                dose_u: f64::NAN,
                width_u: None,
            }
        };
        Some(self.facets.iter().map(reading).collect())
    }
}

/// Width in m of edges from which on a scan is called blurred: dashes are 0.25 mm long at least, and wider edges reach
/// into each other, which makes lines scatter (measured with models).
pub(crate) const BLURRED: f64 = 150e-6;

/// Width in m of edges beyond which dashes are never fully dark, so that it cannot be told.
const MAX_EDGE: f64 = 350e-6;

/// Width of the edges of a blurred scan, and what that means, for people.
pub(crate) fn blur_text(width: f64) -> String {
    format!(
        "the scan is blurred: edges of dashes are {}{:.0} µm wide, from 10 % to 90 % of their darkness, where {:.0} µm are \
         the most of a sharp one",
        if width > MAX_EDGE { "more than " } else { "" },
        width.min(MAX_EDGE) * 1e6,
        BLURRED * 1e6
    )
}

/// Coverage factor of intervals: 95 % of a normal distribution.
const COVERAGE: f64 = 1.96;

impl ScanReading {
    /// How blurred a scan is whose edges are not sharp enough, and how certain it still is; none of a sharp one.
    pub fn blur(&self) -> Option<String> {
        if self.scan.edge_width.is_nan() || self.scan.edge_width <= BLURRED {
            return None;
        }
        let largest = |of: &dyn Fn(&FacetMark) -> Measured| {
            let marks = self.facets.iter().flat_map(|facet| &facet.marks);
            let all = marks.map(|mark| COVERAGE * of(mark).combined()).filter(|u| u.is_finite());
            match all.fold(0.0, f64::max) {
                0.0 => "not told".to_string(),
                half => format!("told within ±{:.1} µm", half * 1e6),
            }
        };
        let scatter = |axis: usize| {
            let all = self.places.iter().filter_map(|place| place.scatter.get(axis));
            all.copied().fold(0.0, f64::max) * 1e6
        };
        Some(format!(
            "Note that {}. It costs certainty: lines scatter by {:.1} µm in-scan and {:.1} µm cross-scan; \
             in-scan a facet's place is {}, cross-scan {} (95 %). Lay the sheet flat on clean glass, and scan again.",
            blur_text(self.scan.edge_width),
            scatter(0),
            scatter(1),
            largest(&|mark| mark.in_scan),
            largest(&|mark| mark.cross_scan),
        ))
    }
}

/// What comes back with every turn: amplitudes by multiples of 1/N of the line frequency, from 1 to N/2.
#[derive(Clone, Debug, Default, Serialize)]
pub struct Banding {
    /// In-scan in m.
    pub in_scan: Vec<f64>,
    /// Cross-scan in m.
    pub cross_scan: Vec<f64>,
    /// Of the darkness.
    pub darkness: Vec<f64>,
}

/// What all facets share.
#[derive(Clone, Debug, Serialize)]
pub struct Common {
    /// Scale of the sheet across the lines over that along them, against the plan: a fast medium, or a scanner whose
    /// sensor and carriage differ.
    pub across_over_along: f64,
    /// Waves of the lines across the sheet that do not come back with the turn, the largest first.
    pub waves: Vec<Wave>,
    /// Error of the line's length as a share, against a ruler.
    pub length: Measured,
    /// Even and odd distortion in m, against a ruler: P2 and P3 in 2s.
    pub even: Measured,
    /// The odd one.
    pub odd: Measured,
}

/// A wave of all lines across the sheet.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Wave {
    /// Amplitude in m.
    pub amplitude: f64,
    /// Period in m on the sheet.
    pub period: f64,
    /// Frequency in Hz, if it is the medium's.
    pub frequency: f64,
}
