//! The scatter of repeated readings, pooled over facets where that is sound.

use crate::optics::{Matrix, SHAPE};

/// How the coefficients of repeated readings of one facet scatter.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Spread {
    /// Readings.
    pub count: f64,
    /// Their means.
    pub mean: [f64; SHAPE],
    /// Sums of squares and of products of what each is off its mean.
    squares: Matrix,
    /// Readings beyond the first.
    degrees: f64,
}

impl Spread {
    /// From sums of squares and products around means.
    pub(crate) fn new(mean: [f64; SHAPE], squares: Matrix, degrees: f64) -> Spread {
        Spread { count: degrees + 1.0, mean, squares, degrees }
    }

    /// Of one row per reading. In two passes, so that large offsets cost no digits.
    pub(crate) fn of(rows: &[[f64; SHAPE]]) -> Spread {
        let n = rows.len() as f64;
        let mean =
            std::array::from_fn(|k| rows.iter().filter_map(|row| row.get(k)).sum::<f64>() / n);
        let mut squares = [[0.0; SHAPE]; SHAPE];
        if rows.len() > 1 {
            for row in rows {
                let off: [f64; SHAPE] = std::array::from_fn(|k| {
                    row.get(k).zip(mean.get(k)).map_or(0.0, |(a, b)| a - b)
                });
                add(&mut squares, &std::array::from_fn(|i| off.map(|b| b * at(&off, i))));
            }
        }
        Spread::new(mean, squares, (n - 1.0).max(0.0))
    }

    /// Variance of a coefficient of single readings.
    fn variance(&self, k: usize) -> f64 {
        self.squares.get(k).map_or(f64::NAN, |row| at(row, k)) / self.degrees
    }
}

fn at(row: &[f64; SHAPE], k: usize) -> f64 {
    row.get(k).copied().unwrap_or(f64::NAN)
}

fn add(sum: &mut Matrix, more: &Matrix) {
    for (sum, more) in sum.iter_mut().flatten().zip(more.iter().flatten()) {
        *sum += more;
    }
}

/// Normal deviate from which on a facet scatters far more than the others: by chance, one of 30,000 does.
const FAR_MORE: f64 = 4.0;

/// For each facet the variances and covariances of a single reading, and their degrees of freedom; no
/// degrees where there are no repeats.
///
/// The scatter is that of head and gauge, alike for every facet, so sums of squares and degrees of freedom
/// add up (pooled estimate, JCGM 100:2008 clause 4.2.4). A facet that scatters far more than the others
/// keeps its own. The others are found from the quietest half on, so that two unsteady facets do not hide
/// each other.
pub(crate) fn pool(facets: &[Spread]) -> Vec<(Matrix, f64)> {
    let mut own = vec![false; facets.len()];
    for k in 0..SHAPE {
        let mut order: Vec<usize> = (0..facets.len()).collect();
        let variance =
            |facet: usize| facets.get(facet).map_or(f64::NAN, |spread| spread.variance(k));
        order.retain(|facet| variance(*facet).is_finite());
        order.sort_by(|a, b| variance(*a).total_cmp(&variance(*b)));
        let (mut squares, mut degrees) = (0.0, 0.0);
        let half = order.len().div_ceil(2);
        for (place, &facet) in order.iter().enumerate() {
            let Some(spread) = facets.get(facet) else { continue };
            let ratio = variance(facet) / (squares / degrees);
            if place >= half && fisher_deviate(ratio, spread.degrees, degrees) > FAR_MORE {
                own.iter_mut().skip(facet).take(1).for_each(|own| *own = true);
            } else {
                squares += variance(facet) * spread.degrees;
                degrees += spread.degrees;
            }
        }
    }
    let (mut squares, mut degrees) = ([[0.0; SHAPE]; SHAPE], 0.0);
    for (spread, _) in facets.iter().zip(&own).filter(|(_, own)| !**own) {
        if spread.degrees > 0.0 {
            add(&mut squares, &spread.squares);
            degrees += spread.degrees;
        }
    }
    let share =
        |squares: &Matrix, degrees: f64| (squares.map(|row| row.map(|v| v / degrees)), degrees);
    let parts = facets.iter().zip(own);
    parts
        .map(|(spread, own)| match own {
            true => share(&spread.squares, spread.degrees),
            false => share(&squares, degrees),
        })
        .collect()
}

/// The normal deviate that is exceeded as rarely as this ratio of variances with these degrees of freedom
/// (Paulson's cube-root approximation, held against SciPy in the test).
fn fisher_deviate(ratio: f64, over: f64, under: f64) -> f64 {
    let (a, b) = (2.0 / (9.0 * over), 2.0 / (9.0 * under));
    let root = ratio.cbrt();
    ((1.0 - b) * root - (1.0 - a)) / (b * root * root + a).sqrt()
}
