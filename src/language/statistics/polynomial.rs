//! Polynomials of least squares, plain and weighted, with the covariance of their coefficients.

/// Largest degree of a fit.
pub(crate) const MAX_DEGREE: usize = 9;

/// A fitted polynomial in t = (x - middle) / half, so that all its coefficients are of one kind and t lies
/// from -1 to 1.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Polynomial {
    /// Of 1, t, t², …
    pub coefficients: Vec<f64>,
    /// Their covariance, row by row.
    pub covariance: Vec<Vec<f64>>,
    /// The middle of the abscissas.
    pub middle: f64,
    /// Half the distance between the outermost of them.
    pub half: f64,
    /// The standard deviation of what is left over, by the degrees of freedom.
    pub residual: f64,
    /// Chi-square over the degrees of freedom; 1 where the uncertainty was estimated from it.
    pub misfit: f64,
    /// Points less coefficients.
    pub degrees: f64,
}

/// Why there is no fit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum NoFit {
    /// Fewer points than it takes: how many are needed.
    Few(usize),
    /// Too few different abscissas.
    Alike,
}

/// The polynomial that leaves the smallest sum of squares over, each divided by the standard uncertainty of
/// its point where these are given. By a QR decomposition with Householder's reflections; without
/// uncertainties, the covariance is that of the residual (JCGM 100:2008 H.3 for the straight line, from
/// memory; in general from the normal equations, derived). The lists have equal lengths.
pub(crate) fn polynomial(
    xs: &[f64],
    ys: &[f64],
    degree: usize,
    u: &[f64],
) -> Result<Polynomial, NoFit> {
    let (count, size) = (xs.len(), degree + 1);
    let needed = if u.is_empty() { size + 1 } else { size };
    if count < needed {
        return Err(NoFit::Few(needed));
    }
    let low = xs.iter().copied().fold(f64::INFINITY, f64::min);
    let high = xs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let (middle, half) = (f64::midpoint(low, high), (high - low) / 2.0);
    let half = if half == 0.0 && degree == 0 { 1.0 } else { half };
    if half == 0.0 {
        return Err(NoFit::Alike);
    }
    let weight = |at: usize| u.get(at).map_or(1.0, |u| 1.0 / u);
    let scaled = xs.iter().map(|x| (x - middle) / half);
    // Columns of the design matrix, and the ordinates as the last one.
    let mut columns = vec![Vec::with_capacity(count); size + 1];
    for (at, (t, y)) in scaled.zip(ys).enumerate() {
        let mut power = weight(at);
        for column in columns.iter_mut().take(size) {
            column.push(power);
            power *= t;
        }
        if let Some(last) = columns.last_mut() {
            last.push(y * weight(at));
        }
    }
    let upper = reflected(&mut columns, size).ok_or(NoFit::Alike)?;
    let right: Vec<f64> =
        columns.last().map_or(Vec::new(), |c| c.iter().take(size).copied().collect());
    let coefficients = solved(&upper, &right);
    let left: f64 = columns.last().map_or(0.0, |c| c.iter().skip(size).map(|r| r * r).sum());
    let degrees = (count - size) as f64;
    let value = |x: f64| horner(&coefficients, (x - middle) / half);
    let plain: f64 = xs.iter().zip(ys).map(|(x, y)| (y - value(*x)).powi(2)).sum();
    let over = |sum: f64| if degrees > 0.0 { sum / degrees } else { 0.0 };
    let variance = if u.is_empty() { over(left) } else { 1.0 };
    // (RᵀR)⁻¹ from the columns of the inverse of R.
    let inverse: Vec<Vec<f64>> = (0..size)
        .map(|at| {
            solved(&upper, &(0..size).map(|i| f64::from(u8::from(i == at))).collect::<Vec<_>>())
        })
        .collect();
    let product = |i: usize, j: usize| {
        inverse.iter().map(|column| at(column, i) * at(column, j)).sum::<f64>() * variance
    };
    let covariance = (0..size).map(|i| (0..size).map(|j| product(i, j)).collect()).collect();
    let misfit = if u.is_empty() { 1.0 } else { over(left) };
    let residual = over(plain).sqrt();
    Ok(Polynomial { coefficients, covariance, middle, half, residual, misfit, degrees })
}

fn at(values: &[f64], index: usize) -> f64 {
    values.get(index).copied().unwrap_or(0.0)
}

/// Brings the first `size` columns to an upper triangle, the others along with them; gives the triangle by
/// columns, none where they depend on each other.
fn reflected(columns: &mut [Vec<f64>], size: usize) -> Option<Vec<Vec<f64>>> {
    let norm = |column: &[f64]| column.iter().map(|v| v * v).sum::<f64>().sqrt();
    let wholes: Vec<f64> = columns.iter().map(|column| norm(column)).collect();
    for step in 0..size {
        let column = columns.get(step)?.get(step..)?;
        let length = norm(column);
        if length <= 1e-12 * at(&wholes, step) {
            return None;
        }
        let mut mirror = column.to_vec();
        let first = mirror.first_mut()?;
        *first += if *first < 0.0 { -length } else { length };
        let square: f64 = mirror.iter().map(|v| v * v).sum();
        for column in columns.iter_mut().skip(step) {
            let part = column.get_mut(step..)?;
            let along: f64 = part.iter().zip(&mirror).map(|(a, b)| a * b).sum();
            let factor = 2.0 * along / square;
            part.iter_mut().zip(&mirror).for_each(|(a, b)| *a -= factor * b);
        }
    }
    Some(
        columns
            .iter()
            .take(size)
            .map(|column| column.iter().take(size).copied().collect())
            .collect(),
    )
}

/// Solves an upper triangle, given by columns.
fn solved(upper: &[Vec<f64>], right: &[f64]) -> Vec<f64> {
    let mut rest = right.to_vec();
    for (step, column) in upper.iter().enumerate().rev() {
        let value = at(&rest, step) / at(column, step);
        for (above, factor) in rest.iter_mut().zip(column).take(step) {
            *above -= value * factor;
        }
        if let Some(own) = rest.get_mut(step) {
            *own = value;
        }
    }
    rest
}

/// The value of a polynomial, by Horner's scheme.
pub(crate) fn horner(coefficients: &[f64], t: f64) -> f64 {
    coefficients.iter().rev().fold(0.0, |sum, c| sum * t + c)
}

/// The value of a polynomial at t, its slope there, and the variance of the value.
pub(crate) fn fitted(coefficients: &[f64], covariance: &[&[f64]], t: f64) -> (f64, f64, f64) {
    let slopes = (1..).zip(coefficients.iter().skip(1)).map(|(k, c)| f64::from(k) * c);
    let slopes: Vec<f64> = slopes.collect();
    let powers: Vec<f64> =
        std::iter::successors(Some(1.0), |p| Some(p * t)).take(coefficients.len()).collect();
    let row = |row: &&[f64]| row.iter().zip(&powers).map(|(c, p)| c * p).sum::<f64>();
    let variance = covariance.iter().zip(&powers).map(|(c, p)| p * row(c)).sum();
    (horner(coefficients, t), horner(&slopes, t), variance)
}

#[cfg(test)]
mod tests {
    use super::{NoFit, fitted, polynomial};
    use crate::statistics::fit::line;

    #[test]
    fn a_parabola_comes_back() {
        let xs: Vec<f64> = (0..7).map(f64::from).collect();
        let ys: Vec<f64> = xs.iter().map(|x| 2.0 - x + 3.0 * x * x).collect();
        let fit = polynomial(&xs, &ys, 2, &[]).unwrap();
        let rows: Vec<&[f64]> = fit.covariance.iter().map(Vec::as_slice).collect();
        let (value, slope, variance) =
            fitted(&fit.coefficients, &rows, (10.0 - fit.middle) / fit.half);
        // 2 - 10 + 300, and -1 + 60, by hand.
        assert!((value - 292.0).abs() < 1e-9 && (slope / fit.half - 59.0).abs() < 1e-9);
        assert!(variance < 1e-20 && fit.residual < 1e-10);
    }

    /// The straight line is the one of `line`, with its uncertainties.
    #[test]
    fn degree_one_is_the_line() {
        let xs = [1.0, 2.0, 4.0, 7.0, 8.0];
        let ys = [1.2, 1.9, 4.3, 6.8, 8.1];
        let (known, fit) = (line(&xs, &ys).unwrap(), polynomial(&xs, &ys, 1, &[]).unwrap());
        let slope = fit.coefficients[1] / fit.half;
        assert!((slope - known.slope).abs() < 1e-12);
        assert!((fit.covariance[1][1].sqrt() / fit.half - known.slope_u).abs() < 1e-12);
        assert!((fit.residual - known.residual).abs() < 1e-12);
    }

    #[test]
    fn no_fit_says_why() {
        assert_eq!(polynomial(&[1.0, 2.0], &[1.0, 2.0], 1, &[]), Err(NoFit::Few(3)));
        assert_eq!(polynomial(&[1.0; 4], &[1.0; 4], 1, &[]), Err(NoFit::Alike));
        assert_eq!(polynomial(&[1.0, 2.0, 1.0, 2.0], &[1.0; 4], 2, &[]), Err(NoFit::Alike));
        let two = polynomial(&[1.0, 2.0], &[1.0, 2.0], 1, &[0.1, 0.1]).unwrap();
        assert!((two.coefficients[0] - 1.5).abs() < 1e-12 && two.degrees == 0.0);
    }
}
