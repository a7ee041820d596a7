//! The straight line of least squares.

use crate::statistics::describe::mean;

/// A line through points, with what is known of it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Line {
    /// The value at 0.
    pub intercept: f64,
    /// Its standard uncertainty.
    pub intercept_u: f64,
    /// The rise.
    pub slope: f64,
    /// Its standard uncertainty.
    pub slope_u: f64,
    /// The standard deviation of what is left over, with n - 2.
    pub residual: f64,
}

/// Why there is no line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum NoLine {
    /// Not as many ordinates as abscissas.
    Unequal,
    /// Fewer than three points.
    Few,
    /// All abscissas are alike.
    Upright,
}

/// The line that leaves the smallest sum of squares over in y, all points counting alike; sums are
/// taken around the means, so that large common parts cost no digits (NIST/SEMATECH e-Handbook
/// 4.1.4.1 and JCGM 100:2008 H.3, from memory).
pub(crate) fn line(xs: &[f64], ys: &[f64]) -> Result<Line, NoLine> {
    if xs.len() != ys.len() {
        return Err(NoLine::Unequal);
    }
    if xs.len() < 3 {
        return Err(NoLine::Few);
    }
    let (x, y) = (mean(xs), mean(ys));
    let offs = || xs.iter().zip(ys).map(|(a, b)| (a - x, b - y));
    let along: f64 = offs().map(|(a, _)| a * a).sum();
    if along == 0.0 {
        return Err(NoLine::Upright);
    }
    let slope = offs().map(|(a, b)| a * b).sum::<f64>() / along;
    let left: f64 = offs().map(|(a, b)| (b - slope * a).powi(2)).sum();
    let count = xs.len() as f64;
    let residual = (left / (count - 2.0)).sqrt();
    Ok(Line {
        intercept: y - slope * x,
        intercept_u: residual * (1.0 / count + x * x / along).sqrt(),
        slope,
        slope_u: residual / along.sqrt(),
        residual,
    })
}

#[cfg(test)]
mod tests {
    use super::{NoLine, line};

    #[test]
    fn a_line_comes_back() {
        let fitted = line(&[1.0, 2.0, 3.0], &[5.0, 7.0, 9.0]).unwrap();
        assert_eq!((fitted.intercept, fitted.slope, fitted.residual), (3.0, 2.0, 0.0));
    }

    #[test]
    fn no_line_says_why() {
        assert_eq!(line(&[1.0], &[1.0, 2.0]), Err(NoLine::Unequal));
        assert_eq!(line(&[1.0, 2.0], &[1.0, 2.0]), Err(NoLine::Few));
        assert_eq!(line(&[0.1; 3], &[1.0, 2.0, 3.0]), Err(NoLine::Upright));
    }
}
