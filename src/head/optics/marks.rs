//! What a gauge reads of a test line: marks, each with its place along the line and how far it lies from
//! where it should; and what marks tell of the line's shape.

use crate::units::number;
use serde::{Deserialize, Serialize};
use std::cell::OnceCell;

/// Most marks of a line.
pub const MAX_MARKS: usize = 64;

/// Coefficients of a line's shape in one direction.
pub const SHAPE: usize = 4;

/// Variances and covariances of the coefficients of a shape.
pub type Matrix = [[f64; SHAPE]; SHAPE];

/// A mark of a test line.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Mark {
    /// Share of the planned length from the middle of the line: -0.5 at its start, 0.5 at its end.
    #[serde(with = "number")]
    pub at: f64,
    /// Shift along the line in m, + in the direction of the scan.
    #[serde(with = "number")]
    pub in_scan: f64,
    /// Shift across the line in m, + in the direction of a larger galvanometer angle.
    #[serde(with = "number")]
    pub cross_scan: f64,
    /// Dose against the plan's; not a number where the gauge does not read it.
    #[serde(with = "number")]
    pub dose: f64,
    /// Its width along the line in m, where the gauge reads it: for a spot the 1/e² width.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub width: Option<f64>,
}

/// Standard uncertainties of the marks of one reading in one direction, as the gauge states them.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Stated {
    /// Noise of a mark in m: differs from reading to reading, and averages out.
    #[serde(with = "number")]
    pub random: f64,
    /// Offset in m, alike for all marks of all lines.
    #[serde(with = "number")]
    pub offset: f64,
    /// In proportion to the place along the line, in m per m: the scale of the gauge along the line, its
    /// turn across.
    #[serde(with = "number")]
    pub slope: f64,
    /// Error in m of each place, alike for all lines.
    #[serde(with = "number")]
    pub place: f64,
}

/// Where the marks of a test line lie, against where they should.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(from = "Written")]
pub struct Reading {
    /// The marks, in their order along the line. A gauge that reads a line as a whole gives one at 0.
    pub marks: Vec<Mark>,
    /// Uncertainty along the line.
    pub in_scan_u: Stated,
    /// Uncertainty across the line.
    pub cross_scan_u: Stated,
    /// Standard uncertainty of the dose of a mark.
    #[serde(with = "number")]
    pub dose_u: f64,
    /// Standard uncertainty in m of the width of a mark, where the gauge reads it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub width_u: Option<f64>,
}

/// A reading of a line, and when it was drawn.
#[derive(Clone, Debug, PartialEq)]
pub struct TimedReading {
    /// What the gauge reads.
    pub reading: Reading,
    /// Head time of the first dot in s.
    pub time: f64,
    /// Measured time in s of the turn in which the line was drawn; not a number where the head does not
    /// tell.
    pub period: f64,
}

/// A reading as it is written: of marks, or, as long ago, of the line as a whole.
#[derive(Deserialize)]
#[serde(untagged)]
enum Written {
    Marks {
        marks: Vec<Mark>,
        in_scan_u: Stated,
        cross_scan_u: Stated,
        #[serde(with = "number")]
        dose_u: f64,
        #[serde(default)]
        width_u: Option<f64>,
    },
    Whole {
        #[serde(with = "number")]
        in_scan: f64,
        #[serde(with = "number")]
        cross_scan: f64,
        #[serde(with = "number")]
        in_scan_u: f64,
        #[serde(with = "number")]
        cross_scan_u: f64,
    },
}

impl From<Written> for Reading {
    fn from(written: Written) -> Reading {
        match written {
            Written::Marks { marks, in_scan_u, cross_scan_u, dose_u, width_u } => {
                Reading { marks, in_scan_u, cross_scan_u, dose_u, width_u }
            }
            Written::Whole { in_scan, cross_scan, in_scan_u, cross_scan_u } => {
                Reading::whole((in_scan, in_scan_u), (cross_scan, cross_scan_u))
            }
        }
    }
}

impl Reading {
    /// Of a line as a whole: its shift along and across in m, each with the standard uncertainty that
    /// averages out.
    pub fn whole(in_scan: (f64, f64), cross_scan: (f64, f64)) -> Reading {
        let (in_scan, u) = in_scan;
        let (cross_scan, cross_u) = cross_scan;
        let mark = Mark { at: 0.0, in_scan, cross_scan, dose: f64::NAN, width: None };
        let stated = |random| Stated { random, ..Stated::default() };
        Reading {
            marks: vec![mark],
            in_scan_u: stated(u),
            cross_scan_u: stated(cross_u),
            dose_u: f64::NAN,
            width_u: None,
        }
    }

    /// Shift of the line along and across in m, as its marks tell it.
    pub fn shift(&self) -> (f64, f64) {
        let fit = Fit::new(&self.marks);
        (
            fit.of(self.marks.iter().map(|mark| mark.in_scan))[0],
            fit.of(self.marks.iter().map(|mark| mark.cross_scan))[0],
        )
    }

    /// Standard uncertainty in m of that shift along and across from a single reading, as stated.
    pub fn shift_u(&self) -> (f64, f64) {
        let fit = Fit::new(&self.marks);
        let all = |stated: &Stated| {
            let (random, fixed) = (fit.covariance(stated.random), fit.fixed(stated, 0.0));
            (random[0][0] + fixed[0][0]).sqrt()
        };
        (all(&self.in_scan_u), all(&self.cross_scan_u))
    }
}

/// How the coefficients of a shape come from marks at given places: by least squares of Legendre
/// polynomials P0 to P3 in 2s, with as many of these as there are marks at most. What marks cannot
/// tell is not a number, never zero. Most readings of a gauge have their marks at the same places, so it is
/// kept from one to the next.
#[derive(Clone, Debug, Default)]
pub struct Fit {
    places: Vec<f64>,
    /// For each mark its weight in each coefficient; not a number in what cannot be told.
    weights: Vec<[f64; SHAPE]>,
    /// Coefficients that can be told.
    told: usize,
    /// Variances and covariances of the coefficients from an uncertainty of 1 of each mark.
    unit: Matrix,
    /// What is left beyond so many coefficients.
    rest: [OnceCell<Vec<Vec<f64>>>; SHAPE + 1],
}

impl Fit {
    /// For marks at these places.
    pub(crate) fn new(marks: &[Mark]) -> Fit {
        // Gram-Schmidt on the polynomials over the marks, and back to their coefficients.
        let mut base: Vec<Vec<f64>> = Vec::new();
        let mut weights: Vec<Vec<f64>> = Vec::new();
        for degree in 0..SHAPE {
            let polynomial: Vec<f64> =
                marks.iter().map(|mark| legendre(degree, 2.0 * mark.at)).collect();
            let mut rest = polynomial.clone();
            let size = dot(&rest, &rest);
            // Twice, since the first pass leaves rounding behind.
            for _ in 0..2 {
                for own in &base {
                    let part = dot(&rest, own);
                    rest.iter_mut().zip(own).for_each(|(rest, own)| *rest -= part * own);
                }
            }
            let left = dot(&rest, &rest);
            if left.is_nan() || left <= 1e-9 * size {
                break;
            }
            let norm = left.sqrt();
            rest.iter_mut().for_each(|value| *value /= norm);
            // The weights of this coefficient; those before lose what this one takes.
            let new: Vec<f64> = rest.iter().map(|value| value / norm).collect();
            for earlier in &mut weights {
                let part = dot(earlier, &polynomial);
                earlier.iter_mut().zip(&new).for_each(|(earlier, new)| *earlier -= part * new);
            }
            base.push(rest);
            weights.push(new);
        }
        let each = |value: &dyn Fn(&[f64]) -> f64| -> [f64; SHAPE] {
            std::array::from_fn(|k| weights.get(k).map_or(f64::NAN, |weights| value(weights)))
        };
        let products = |own: &Vec<f64>| each(&|other| dot(own, other));
        Fit {
            places: marks.iter().map(|mark| mark.at).collect(),
            weights: (0..marks.len())
                .map(|mark| each(&|weights| weights.get(mark).copied().unwrap_or(f64::NAN)))
                .collect(),
            told: weights.len(),
            unit: std::array::from_fn(|k| weights.get(k).map_or([f64::NAN; SHAPE], products)),
            rest: Default::default(),
        }
    }

    /// Makes it one for marks at these places.
    pub(crate) fn follow(&mut self, marks: &[Mark]) {
        if !marks.iter().map(|mark| mark.at).eq(self.places.iter().copied()) {
            *self = Fit::new(marks);
        }
    }

    /// The coefficients of these values of the marks.
    pub(crate) fn of(&self, values: impl Iterator<Item = f64>) -> [f64; SHAPE] {
        let mut of = [0.0; SHAPE];
        for (weights, value) in self.weights.iter().zip(values) {
            of.iter_mut().zip(weights).for_each(|(of, weight)| *of += weight * value);
        }
        of
    }

    /// For each mark the weights of all in what it lies off the first `told` coefficients; none where
    /// there are no more marks than these, or they do not tell so many.
    pub(crate) fn rest(&self, told: usize) -> &[Vec<f64>] {
        let left = || {
            if told > self.told || told >= self.places.len() {
                return Vec::new();
            }
            let own = |(r, at): (usize, &f64)| {
                let rest = |(k, weights): (usize, &[f64; SHAPE])| {
                    let taken = weights.iter().enumerate().take(told);
                    let taken: f64 = taken.map(|(k, w)| legendre(k, 2.0 * at) * w).sum();
                    f64::from(u8::from(k == r)) - taken
                };
                self.weights.iter().enumerate().map(rest).collect()
            };
            self.places.iter().enumerate().map(own).collect()
        };
        self.rest.get(told).map_or(&[], |rest| rest.get_or_init(left))
    }

    /// Variances and covariances of the coefficients from an independent standard uncertainty of each mark.
    pub(crate) fn covariance(&self, of_mark: f64) -> Matrix {
        let variance = of_mark * of_mark;
        self.unit.map(|row| row.map(|unit| variance * unit))
    }

    /// The same of what does not average out, of a line of that length in m.
    pub(crate) fn fixed(&self, stated: &Stated, length: f64) -> Matrix {
        let mut fixed = self.covariance(stated.place);
        let [[shift, ..], [_, slope, ..], ..] = &mut fixed;
        *shift += stated.offset * stated.offset;
        // s·L·slope is L/2·slope of P1 in 2s.
        *slope += (stated.slope * length / 2.0).powi(2);
        fixed
    }
}

/// Variance of a coefficient.
pub(crate) fn variance(matrix: &Matrix, k: usize) -> f64 {
    matrix.get(k).and_then(|row| row.get(k)).copied().unwrap_or(f64::NAN)
}

/// Legendre polynomial of degree 0 to 3 (NIST Digital Library of Mathematical Functions, 18.5).
pub(crate) fn legendre(degree: usize, x: f64) -> f64 {
    match degree {
        0 => 1.0,
        1 => x,
        2 => (3.0 * x * x - 1.0) / 2.0,
        _ => (5.0 * x * x - 3.0) * x / 2.0,
    }
}

fn dot(one: &[f64], other: &[f64]) -> f64 {
    one.iter().zip(other).map(|(a, b)| a * b).sum()
}

#[cfg(test)]
mod tests {
    use super::{Fit, Mark, Reading, SHAPE, Stated, legendre};

    fn marks(at: &[f64], shape: [f64; SHAPE]) -> Vec<Mark> {
        let shift = |s: f64| (0..SHAPE).map(|k| shape[k] * legendre(k, 2.0 * s)).sum();
        let mark = |&at: &f64| Mark {
            at,
            in_scan: shift(at),
            cross_scan: -shift(at),
            dose: 1.0,
            width: None,
        };
        at.iter().map(mark).collect()
    }

    #[test]
    fn five_marks_tell_all_and_fewer_tell_less() {
        let shape = [3e-6, -2e-6, 5e-6, 4e-6];
        for at in [&[-0.5, -0.25, 0.0, 0.25, 0.5][..], &[-0.45, -0.1, 0.05, 0.3, 0.5]] {
            let marks = marks(at, shape);
            let told = Fit::new(&marks).of(marks.iter().map(|mark| mark.in_scan));
            for (told, wanted) in told.iter().zip(shape) {
                assert!((told - wanted).abs() < 1e-18, "{told} {wanted}");
            }
        }
        let three = marks(&[-0.5, 0.0, 0.5], [1.0, 2.0, 3.0, 0.0]);
        let told = Fit::new(&three).of(three.iter().map(|mark| mark.in_scan));
        assert!((told[2] - 3.0).abs() < 1e-12 && told[3].is_nan(), "{told:?}");
        let same = marks(&[0.1, 0.1, 0.1], [1.0, 0.0, 0.0, 0.0]);
        let told = Fit::new(&same).of(same.iter().map(|mark| mark.in_scan));
        assert!((told[0] - 1.0).abs() < 1e-12 && told[1].is_nan(), "{told:?}");
    }

    /// Three marks read a cubic as length: 2 mm at the ends of 304.8 mm as 1.3 % (by hand: x³ at
    /// the three marks is x there).
    #[test]
    fn a_cubic_is_taken_for_length_where_three_marks_are_read() {
        let mark = |at: f64| Mark {
            at,
            in_scan: 2e-3 * (2.0 * at).powi(3),
            cross_scan: 0.0,
            dose: 1.0,
            width: None,
        };
        let three = [-0.5, 0.0, 0.5].map(mark);
        let told = Fit::new(&three).of(three.iter().map(|mark| mark.in_scan));
        let scale = 2.0 * told[1] / 0.3048;
        assert!((scale - 0.013_123).abs() < 1e-6, "{scale}");
        // x³ is 3/5 P1 + 2/5 P3 (DLMF 18.18.17, by hand).
        let five = [-0.5, -0.25, 0.0, 0.25, 0.5].map(mark);
        let told = Fit::new(&five).of(five.iter().map(|mark| mark.in_scan));
        assert!((told[1] - 1.2e-3).abs() < 1e-15 && (told[3] - 0.8e-3).abs() < 1e-15, "{told:?}");
    }

    /// Uncertainties of a least-squares fit: the diagonal of (XᵀX)⁻¹ for marks at -1/2, -1/4, 0, 1/4,
    /// 1/2, worked out apart from this code by exact fractions in Python.
    #[test]
    fn uncertainties_are_those_of_least_squares() {
        let marks = marks(&[-0.5, -0.25, 0.0, 0.25, 0.5], [0.0; SHAPE]);
        let fit = Fit::new(&marks);
        let wanted = [0.481400074518100, 0.823272602348565, 0.712696645099798, 0.843274042711568];
        let told = fit.covariance(1.0);
        for (k, wanted) in wanted.into_iter().enumerate() {
            let told = told[k][k].sqrt();
            assert!((told - wanted).abs() < 1e-12, "{told} {wanted}");
        }
        let stated = Stated { random: 9.0, offset: 3.0, slope: 1e-3, place: 0.0 };
        let fixed = fit.fixed(&stated, 0.2);
        assert!(
            (fixed[0][0] - 9.0).abs() < 1e-12 && (fixed[1][1] - 1e-8).abs() < 1e-18,
            "{fixed:?}"
        );
        assert!(fixed[2][2] == 0.0 && fixed[3][3] == 0.0, "{fixed:?}");
    }

    #[test]
    fn a_reading_of_long_ago_is_one_mark() {
        let old = r#"{"in_scan":1e-6,"cross_scan":-2e-6,"in_scan_u":4e-7,"cross_scan_u":5e-7}"#;
        let read: Reading = serde_json::from_str(old).unwrap();
        assert_eq!((read.shift(), read.shift_u()), ((1e-6, -2e-6), (4e-7, 5e-7)));
        let again = serde_json::to_string(&read).unwrap();
        let back: Reading = serde_json::from_str(&again).unwrap();
        assert_eq!(back.marks.len(), 1);
        assert!(back.marks[0].dose.is_nan() && back.dose_u.is_nan(), "{again}");
    }
}
