//! From measured lines to trims: corrections, and what is left.
//!
//! Both corrections are first order and meant to be repeated: load, look again, correct again.

use crate::optics::{FacetMean, OutOfRegister, Register};
use crate::units::{Dimension, number, show_quantity};
use serde::{Deserialize, Serialize};
use thiserror::Error;

/// A correction of one facet's line.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Trim {
    /// Added to the start delay, in s. Positive draws the line later, so further in +x.
    #[serde(with = "number")]
    pub in_scan: f64,
    /// Added to the galvanometer's mechanical angle while this facet draws, in rad.
    #[serde(with = "number")]
    pub cross_scan: f64,
    /// Share of the power that this facet draws with; 1 on a head without this trim.
    #[serde(with = "number", default = "one", skip_serializing_if = "is_one")]
    pub power: f64,
    /// Factor of the dot clock's frequency while this facet draws: more draws a shorter line. 1 on a
    /// head without this trim.
    #[serde(with = "number", default = "one", skip_serializing_if = "is_one")]
    pub length: f64,
}

/// Changes nothing.
impl Default for Trim {
    fn default() -> Trim {
        Trim { in_scan: 0.0, cross_scan: 0.0, power: 1.0, length: 1.0 }
    }
}

fn one() -> f64 {
    1.0
}

fn is_one(value: &f64) -> bool {
    *value == 1.0
}

/// What turns a shift on the medium into a time or an angle, and an error of length into a factor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LineScale {
    /// Spot velocity in m/s.
    pub spot_velocity: f64,
    /// Focal length of the f-theta lens in m.
    pub focal_length: f64,
    /// Planned length of the line in m.
    pub length: f64,
}

impl LineScale {
    /// The shape that the line of `mean`, drawn with `old` trims, would have with `new` ones, to first
    /// order. The dot clock stretches a line about its first dot, so the middle goes by half of what
    /// the length gains (derived).
    pub fn referred(&self, mean: &FacetMean, old: Trim, new: Trim) -> FacetMean {
        let mut to = *mean;
        let ([shift, scale, ..], [height, ..], [dose, ..]) =
            (&mut to.along.of, &mut to.across.of, &mut to.dose.of);
        let gained = (self.length + 2.0 * *scale) * (old.length / new.length - 1.0);
        // A length that is not known was not trimmed by what is known of it.
        let gained =
            if gained.is_nan() { self.length * (old.length / new.length - 1.0) } else { gained };
        *shift += self.spot_velocity * (new.in_scan - old.in_scan) + gained / 2.0;
        *scale += gained / 2.0;
        *height += 2.0 * self.focal_length * (new.cross_scan - old.cross_scan);
        *dose *= new.power / old.power;
        to
    }
}

/// The trim registers of a head; those that not every head has are optional.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TrimRegisters {
    /// In s.
    pub in_scan: Register,
    /// In rad (mechanical).
    pub cross_scan: Register,
    /// Holds the share less 1.
    pub power: Option<Register>,
    /// Holds the factor less 1.
    pub length: Option<Register>,
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
    /// Standard uncertainty of the power; not a number where it is not trimmed.
    pub power_u: f64,
    /// Standard uncertainty of the length factor; not a number where it is not trimmed.
    pub length_u: f64,
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

/// The dose that power trims aim at: the mean of what the facets draw without them, so that the head as a
/// whole stays as bright; or, where the dimmest facet does not get there, what it reaches (our choice).
/// Facets whose dose is not known are left out; not a number where none is.
pub fn wanted_dose(doses: impl IntoIterator<Item = (Trim, f64)>, power: Register) -> f64 {
    let untrimmed = doses.into_iter().map(|(trim, dose)| dose / trim.power);
    let known: Vec<f64> = untrimmed.filter(|dose| dose.is_finite() && *dose > 0.0).collect();
    let mean = known.iter().sum::<f64>() / known.len() as f64;
    known.iter().fold(mean, |wanted, dose| wanted.min(dose * (1.0 + power.most())))
}

/// The trim that replaces `old`, under which `mean` was measured, rounded as the registers hold
/// it. A trim that `registers` lack stays as it is; power and length go as far as theirs allow, since
/// what is left shows in the next look.
///
/// Power: old · wanted / measured dose. Length: the dot clock's frequency times 1 + length error / length,
/// since a fast facet needs a higher clock (US 4,204,233). In-scan and cross-scan: see
/// [`in_scan_change`] and [`cross_scan_change`], of where the line lies with its new length.
///
/// Standard uncertainty: that of the mean, carried over by the same factor, with the register's
/// step/√12 in quadrature (law of propagation, JCGM 100:2008 clause 5.1.2, from memory).
pub fn corrected(
    old: Trim,
    mean: &FacetMean,
    scale: LineScale,
    registers: &TrimRegisters,
    wanted_dose: f64,
) -> Result<Trimmed, TrimError> {
    let good = |v: f64| v.is_finite() && v > 0.0;
    if !good(scale.spot_velocity) || !good(scale.focal_length) || !good(scale.length) {
        return Err(TrimError::Unusable(
            "spot velocity, focal length and length must be finite and greater than zero",
        ));
    }
    let mut trim = old;
    let (mut power_u, mut length_u, mut stretch_u) = (f64::NAN, f64::NAN, 0.0);
    let ([_, stretch, ..], [dose, ..]) = (mean.along.of, mean.dose.of);
    if let (Some(register), true) = (registers.power, good(dose) && good(wanted_dose)) {
        trim.power = 1.0 + register.nearest(old.power * wanted_dose / dose - 1.0);
        power_u = quadrature(trim.power * mean.dose.u(0) / dose, register.resolution_u());
    }
    if let (Some(register), true) = (registers.length, stretch.is_finite()) {
        let factor = 1.0 + 2.0 * stretch / scale.length;
        trim.length = 1.0 + register.nearest(old.length * factor - 1.0);
        stretch_u = mean.along.u(1);
        length_u = quadrature(2.0 * stretch_u / scale.length, register.resolution_u());
    }
    let left = scale.referred(mean, old, trim);
    let ([shift, ..], [height, ..]) = (left.along.of, left.across.of);
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
    trim.in_scan = registers.in_scan.hold(time).map_err(refuse("in-scan", Dimension::TIME))?;
    trim.cross_scan =
        registers.cross_scan.hold(angle).map_err(refuse("cross-scan", Dimension::ANGLE))?;
    let along_u = quadrature(mean.along.u(0), stretch_u) / scale.spot_velocity;
    let across_u = mean.across.u(0) / (2.0 * scale.focal_length);
    Ok(Trimmed {
        trim,
        in_scan_u: quadrature(along_u, registers.in_scan.resolution_u()),
        cross_scan_u: quadrature(across_u, registers.cross_scan.resolution_u()),
        power_u,
        length_u,
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
    use super::{LineScale, Trim, TrimError, TrimRegisters, WorstFacet, corrected, wanted_dose};
    use crate::optics::{FacetMean, Mark, Reading, Register};

    const BASIC: TrimRegisters = TrimRegisters {
        in_scan: Register { step: 1e-9, range: 1e-6 },
        cross_scan: Register { step: 0.25e-6, range: 500e-6 },
        power: None,
        length: None,
    };
    const SCALE: LineScale = LineScale { spot_velocity: 400.0, focal_length: 0.4, length: 0.3 };

    fn reading(in_scan: f64, cross_scan: f64) -> Reading {
        Reading::whole((in_scan, 0.4e-6), (cross_scan, 0.4e-6))
    }

    #[test]
    fn a_late_and_high_line_gets_less_delay_and_less_angle() {
        let mean = FacetMean::of(&[reading(40e-6, 40e-6)], 0.3).unwrap();
        let old = Trim { in_scan: 10e-9, cross_scan: 0.0, ..Trim::default() };
        let new = corrected(old, &mean, SCALE, &BASIC, 1.0).unwrap();
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
        let error = corrected(Trim::default(), &mean, SCALE, &BASIC, 1.0).unwrap_err();
        assert!(
            error.to_string().starts_with(
                "the in-scan trim would have to be -1.25 us, but its register holds -1 us to 1 us"
            ),
            "{error}"
        );
        let flat = LineScale { spot_velocity: 0.0, ..SCALE };
        assert!(corrected(Trim::default(), &mean, flat, &BASIC, 1.0).is_err());
        assert_eq!(FacetMean::of(&[], 0.3), Err(TrimError::NoReading));
        assert!(FacetMean::of(&[reading(f64::NAN, 0.0)], 0.3).is_err());
    }

    /// Marks of a line that is long by a share about its middle, with a dose.
    fn long(share: f64, dose: f64) -> FacetMean {
        let mark = |k: u8| {
            let at = f64::from(k) / 4.0 - 0.5;
            Mark { at, in_scan: share * at * 0.3048, cross_scan: 0.0, dose, width: None }
        };
        let whole = reading(0.0, 0.0);
        let line = Reading { marks: (0..5).map(mark).collect(), dose_u: 0.01, ..whole };
        FacetMean::of(&[line], 0.3048).unwrap()
    }

    #[test]
    fn length_is_trimmed_about_the_first_dot() {
        let fine = |step, range| Some(Register { step, range });
        let registers = TrimRegisters { length: fine(1e-9, 0.01), ..BASIC };
        let scale = LineScale { spot_velocity: 406.4, focal_length: 0.4, length: 0.3048 };
        let mean = long(2e-3, 1.0);
        let new =
            |mean, registers| corrected(Trim::default(), mean, scale, registers, 1.0).unwrap();
        // 2000 ppm of 304.8 mm are 609.6 um, of which the middle goes by half: 750 ns at 406.4 m/s, by
        // hand. A fast facet needs a higher clock (US 4,204,233).
        let trimmed = new(&mean, &registers);
        assert!((trimmed.trim.length - 1.002).abs() < 1e-9, "{:?}", trimmed.trim);
        assert!((trimmed.trim.in_scan - 750e-9).abs() < 1e-15, "{:?}", trimmed.trim);
        let left = scale.referred(&mean, Trim::default(), trimmed.trim);
        assert!(left.along.of[0].abs() < 1e-12 && left.along.of[1].abs() < 1e-12, "{left:?}");
        // A register that ends before goes as far as it can, and only that moves the middle.
        let short = TrimRegisters { length: fine(1e-6, 1e-3), ..BASIC };
        let trimmed = new(&mean, &short);
        assert!((trimmed.trim.length - 1.001).abs() < 1e-12);
        assert!((trimmed.trim.in_scan - 375e-9).abs() < 1.1e-9, "{:?}", trimmed.trim);
        // Without a register nothing is trimmed but the shift, which is none.
        let untouched = new(&mean, &BASIC);
        assert_eq!(untouched.trim, Trim::default());
        assert!(untouched.length_u.is_nan() && untouched.power_u.is_nan());
    }

    #[test]
    fn power_aims_at_the_mean_or_at_what_the_dimmest_reaches() {
        let register = Register { step: 1e-6, range: 0.25 };
        let plain = Trim::default();
        // Two of 1.1 and 0.9: their mean is 1.
        assert!((wanted_dose([(plain, 1.1), (plain, 0.9)], register) - 1.0).abs() < 1e-12);
        // Drawn with half of the power, 0.5 is a facet of 1.
        let half = Trim { power: 0.5, ..plain };
        assert!((wanted_dose([(half, 0.55), (plain, 0.9)], register) - 1.0).abs() < 1e-12);
        // 0.6 reaches 0.75 with a quarter more, short of the mean of 0.8.
        assert!((wanted_dose([(plain, 1.0), (plain, 0.6)], register) - 0.75).abs() < 1e-6);
        assert!(wanted_dose([(plain, f64::NAN)], register).is_nan());
        let registers = TrimRegisters { power: Some(register), ..BASIC };
        let old = Trim { power: 1.1, ..plain };
        let new = corrected(old, &long(0.0, 1.2), SCALE, &registers, 1.0).unwrap();
        assert!((new.trim.power - 1.1 / 1.2).abs() < 1e-6);
        // 0.01 of 1.2 in five marks of one reading, carried over to the power.
        let u = new.trim.power * 0.01 / 1.2 * 0.481_400_074_518_1;
        assert!((new.power_u - u).abs() < 1e-6, "{} {u}", new.power_u);
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
