//! From measured lines to trims: corrections, and what is left.
//!
//! Both corrections are first order and meant to be repeated: load, look again, correct again.

use crate::optics::{FacetMean, OutOfRegister, Register};
use crate::units::{Dimension, number, show_quantity};
use serde::{Deserialize, Serialize};
use thiserror::Error;

/// A correction of one facet's line.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Trim {
    /// Added to the start delay, in s. Positive draws the line later, so further in +x.
    #[serde(with = "number")]
    pub in_scan: f64,
    /// Added to the galvanometer's mechanical angle while this facet draws, in rad.
    #[serde(with = "number")]
    pub cross_scan: f64,
}

/// What turns a shift on the medium into a time or an angle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LineScale {
    /// Spot velocity in m/s.
    pub spot_velocity: f64,
    /// Focal length of the f-theta lens in m.
    pub focal_length: f64,
}

/// A trim with its standard uncertainty.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Trimmed {
    /// As the registers will hold it.
    pub trim: Trim,
    /// Standard uncertainty of the in-scan trim in s.
    pub in_scan_u: f64,
    /// Standard uncertainty of the cross-scan trim in rad.
    pub cross_scan_u: f64,
}

/// Why a trim cannot be worked out.
#[derive(Clone, Debug, Error, PartialEq)]
pub enum TrimError {
    /// Nothing to average.
    #[error("a trim needs at least one reading of its line")]
    NoReading,
    /// All readings of a facet have a wild mark.
    #[error("every reading of a line has a mark that is far off the others: look at the gauge")]
    AllWild,
    /// A reading, a velocity or a focal length that is no usable number.
    #[error("{0}")]
    Unusable(&'static str),
    /// The register cannot hold it.
    #[error(
        "the {which} trim would have to be {value}, but its register holds {low} to {high}; \
         the facet is too far off to be trimmed, or the gauge's datum is wrong"
    )]
    OutOfRegister {
        /// `in-scan` or `cross-scan`.
        which: &'static str,
        /// The trim needed.
        value: String,
        /// The smallest possible.
        low: String,
        /// The largest possible.
        high: String,
    },
}

/// Change of the in-scan trim in s that cancels a shift of `shift` m at `velocity` m/s: −dx/v;
/// a line late in +x gets a shorter delay (common practice, no source).
pub(crate) fn in_scan_change(shift: f64, velocity: f64) -> f64 {
    -shift / velocity
}

/// Change of the cross-scan trim in rad (mechanical) that cancels a shift of `shift` m behind a
/// lens of focal length `focal_length` m: a galvanometer ahead of the lens gives y = 2·g·f, so
/// g = −dy/(2·f) (derived).
pub(crate) fn cross_scan_change(shift: f64, focal_length: f64) -> f64 {
    -shift / (2.0 * focal_length)
}

/// The trim that replaces `old`, under which `mean` was measured, rounded as the registers hold
/// it.
///
/// Standard uncertainty: that of the mean, carried over by the same factor, with the register's
/// step/√12 in quadrature (law of propagation, JCGM 100:2008 clause 5.1.2, from memory).
pub fn corrected(
    old: Trim,
    mean: &FacetMean,
    scale: LineScale,
    in_scan: Register,
    cross_scan: Register,
) -> Result<Trimmed, TrimError> {
    let good = |v: f64| v.is_finite() && v > 0.0;
    if !good(scale.spot_velocity) || !good(scale.focal_length) {
        return Err(TrimError::Unusable(
            "spot velocity and focal length must be finite and greater than zero",
        ));
    }
    let ([shift, ..], [height, ..]) = (mean.along.of, mean.across.of);
    let time = old.in_scan + in_scan_change(shift, scale.spot_velocity);
    let angle = old.cross_scan + cross_scan_change(height, scale.focal_length);
    let refuse = |which, dimension| {
        move |e: OutOfRegister| TrimError::OutOfRegister {
            which,
            value: show_quantity(e.value, dimension, None, None),
            low: show_quantity(e.low, dimension, None, None),
            high: show_quantity(e.high, dimension, None, None),
        }
    };
    let trim = Trim {
        in_scan: in_scan.hold(time).map_err(refuse("in-scan", Dimension::TIME))?,
        cross_scan: cross_scan.hold(angle).map_err(refuse("cross-scan", Dimension::ANGLE))?,
    };
    Ok(Trimmed {
        trim,
        in_scan_u: quadrature(mean.along.u(0) / scale.spot_velocity, in_scan.resolution_u()),
        cross_scan_u: quadrature(
            mean.across.u(0) / (2.0 * scale.focal_length),
            cross_scan.resolution_u(),
        ),
    })
}

/// √(a² + b²) from operations that are exact to the last bit everywhere.
fn quadrature(a: f64, b: f64) -> f64 {
    (a * a + b * b).sqrt()
}

/// The largest shifts among lines, each with its place in the list.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WorstFacet {
    /// Largest magnitude along the line in m.
    pub in_scan: f64,
    /// Which line has it.
    pub in_scan_at: usize,
    /// Largest magnitude across the line in m.
    pub cross_scan: f64,
    /// Which line has it.
    pub cross_scan_at: usize,
    /// Largest less smallest shift along the line in m.
    pub in_scan_spread: f64,
    /// Largest less smallest shift across the line in m: the height of the banding.
    pub cross_scan_spread: f64,
}

impl WorstFacet {
    /// Of (in-scan, cross-scan) shifts in m; none of an empty list. A shift that is no number
    /// counts as the worst, so that it cannot pass unseen.
    pub fn of(shifts: impl IntoIterator<Item = (f64, f64)>) -> Option<WorstFacet> {
        let (along, across): (Vec<f64>, Vec<f64>) = shifts.into_iter().unzip();
        let (in_scan_at, in_scan, in_scan_spread) = extremes(&along)?;
        let (cross_scan_at, cross_scan, cross_scan_spread) = extremes(&across)?;
        Some(WorstFacet {
            in_scan,
            in_scan_at,
            cross_scan,
            cross_scan_at,
            in_scan_spread,
            cross_scan_spread,
        })
    }
}

fn extremes(values: &[f64]) -> Option<(usize, f64, f64)> {
    let sizes = values.iter().map(|v| v.abs()).enumerate();
    // A NaN sorts above every number.
    let (at, worst) = sizes.reduce(|a, b| if b.1.total_cmp(&a.1).is_gt() { b } else { a })?;
    Some((at, worst, spread(values)))
}

/// Largest less smallest; not a number where one of them is none, or there are none.
pub fn spread(values: &[f64]) -> f64 {
    // Unlike `f64::max`, these keep what is not a number.
    let keep = |better: fn(f64, f64) -> f64| {
        let values = values.iter().copied();
        values.reduce(|a, b| if a.is_nan() || b.is_nan() { f64::NAN } else { better(a, b) })
    };
    let (high, low) = (keep(f64::max), keep(f64::min));
    high.zip(low).map_or(f64::NAN, |(high, low)| high - low)
}

#[cfg(test)]
mod tests {
    use super::{LineScale, Trim, TrimError, WorstFacet, corrected};
    use crate::optics::{FacetMean, Reading, Register};

    const TIME: Register = Register { step: 1e-9, range: 1e-6 };
    const ANGLE: Register = Register { step: 0.25e-6, range: 500e-6 };
    const SCALE: LineScale = LineScale { spot_velocity: 400.0, focal_length: 0.4 };

    fn reading(in_scan: f64, cross_scan: f64) -> Reading {
        Reading::whole((in_scan, 0.4e-6), (cross_scan, 0.4e-6))
    }

    #[test]
    fn a_late_and_high_line_gets_less_delay_and_less_angle() {
        let mean = FacetMean::of(&[reading(40e-6, 40e-6)], 0.3).unwrap();
        let old = Trim { in_scan: 10e-9, cross_scan: 0.0 };
        let new = corrected(old, &mean, SCALE, TIME, ANGLE).unwrap();
        assert!((new.trim.in_scan + 90e-9).abs() < 1e-18);
        assert!((new.trim.cross_scan + 50e-6).abs() < 1e-15);
        let u = (1e-9_f64.powi(2) + 1e-18 / 12.0).sqrt();
        assert!((new.in_scan_u - u).abs() < 1e-18);
        let u = (0.5e-6_f64.powi(2) + 0.25e-6_f64.powi(2) / 12.0).sqrt();
        assert!((new.cross_scan_u - u).abs() < 1e-15);
    }

    #[test]
    fn a_trim_past_its_register_says_so_in_units() {
        let mean = FacetMean::of(&[reading(500e-6, 0.0)], 0.3).unwrap();
        let error = corrected(Trim::default(), &mean, SCALE, TIME, ANGLE).unwrap_err();
        assert!(
            error.to_string().starts_with(
                "the in-scan trim would have to be -1.25 us, but its register holds -1 us to 1 us"
            ),
            "{error}"
        );
        let flat = LineScale { spot_velocity: 0.0, ..SCALE };
        assert!(corrected(Trim::default(), &mean, flat, TIME, ANGLE).is_err());
        assert_eq!(FacetMean::of(&[], 0.3), Err(TrimError::NoReading));
        assert!(FacetMean::of(&[reading(f64::NAN, 0.0)], 0.3).is_err());
    }

    #[test]
    fn the_worst_line_is_found_by_size() {
        let worst = WorstFacet::of([(1.0, -2.0), (-3.0, 1.0), (2.0, 0.0)]).unwrap();
        assert_eq!((worst.in_scan, worst.in_scan_at), (3.0, 1));
        assert_eq!((worst.cross_scan, worst.cross_scan_at), (2.0, 0));
        assert_eq!((worst.in_scan_spread, worst.cross_scan_spread), (5.0, 3.0));
        assert_eq!(WorstFacet::of([]), None);
        assert!(WorstFacet::of([(f64::NAN, 0.0), (1.0, 0.0)]).unwrap().in_scan.is_nan());
    }
}
