//! Facets told apart from everything that changes smoothly: least squares of an effect of each facet and a
//! curve of cubic B-splines, with wild values left out.

use nalgebra::{DMatrix, DVector};
use spintrue_head::{MAX_DEVIATION, NORMAL_PER_MEDIAN_ABSOLUTE};

/// Widest knots in m of the smooth curve.
pub(crate) const KNOTS: f64 = 2e-3;

/// Least degrees of freedom.
const MIN_DEGREES: usize = 8;

/// Least squares with few columns in each row.
pub(crate) struct Normal {
    matrix: DMatrix<f64>,
    right: DVector<f64>,
    squares: f64,
    pub count: usize,
}

impl Normal {
    pub(crate) fn new(columns: usize) -> Normal {
        Normal {
            matrix: DMatrix::zeros(columns, columns),
            right: DVector::zeros(columns),
            squares: 0.0,
            count: 0,
        }
    }

    /// Adds a row of columns with their values, and what they should make.
    pub(crate) fn add(&mut self, row: &[(usize, f64)], value: f64) {
        for (i, a) in row {
            for (j, b) in row {
                if let Some(cell) = self.matrix.get_mut((*i, *j)) {
                    *cell += a * b;
                }
            }
            if let Some(cell) = self.right.get_mut(*i) {
                *cell += a * value;
            }
        }
        self.squares += value * value;
        self.count += 1;
    }

    /// The coefficients, and the inverse of the matrix; none where columns cannot be told apart.
    pub(crate) fn solve(mut self) -> Option<(DVector<f64>, DMatrix<f64>)> {
        // Parts of a curve that no value touches are drawn to zero.
        let size = self.matrix.diagonal().max();
        for k in 0..self.right.len() {
            if let Some(cell) = self.matrix.get_mut((k, k)) {
                *cell += 1e-9 * size;
            }
        }
        let factor = self.matrix.cholesky()?;
        Some((factor.solve(&self.right), factor.inverse()))
    }
}

/// A curve of cubic B-splines with even knots.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Curve {
    from: f64,
    step: f64,
    pub columns: usize,
}

impl Curve {
    /// From one end to the other with knots at most `step` apart.
    pub(crate) fn new(from: f64, to: f64, step: f64) -> Curve {
        let parts = ((to - from) / step).ceil().max(1.0);
        Curve {
            from,
            step: (to - from).max(f64::MIN_POSITIVE) / parts,
            columns: parts as usize + 3,
        }
    }

    /// The columns that matter at `at`, with their values (de Boor's cubic B-splines on even knots).
    pub(crate) fn row(&self, at: f64, first: usize) -> [(usize, f64); 4] {
        let place = ((at - self.from) / self.step).clamp(0.0, (self.columns - 3) as f64);
        let part = (place.floor() as usize).min(self.columns - 4);
        let t = place - part as f64;
        let u = 1.0 - t;
        let values = [
            u * u * u / 6.0,
            (3.0 * t * t * t - 6.0 * t * t + 4.0) / 6.0,
            (3.0 * u * u * u - 6.0 * u * u + 4.0) / 6.0,
            t * t * t / 6.0,
        ];
        let mut k = first + part;
        values.map(|value| {
            k += 1;
            (k - 1, value)
        })
    }
}

/// Appends the columns of a facet's effect, whose sum over all facets is zero: `scale` times it.
pub(crate) fn facet_columns(
    row: &mut Vec<(usize, f64)>,
    first: usize,
    facets: usize,
    facet: usize,
    scale: f64,
) {
    if facet + 1 < facets {
        row.push((first + facet, scale));
    } else {
        row.extend((0..facets - 1).map(|k| (first + k, -scale)));
    }
}

/// The effect of each facet from the coefficients of its columns.
pub(crate) fn facet_effects(of: &DVector<f64>, first: usize, facets: usize) -> Vec<f64> {
    let own = (0..facets.saturating_sub(1)).map(|k| of.get(first + k).copied().unwrap_or(0.0));
    let mut effects: Vec<f64> = own.collect();
    effects.push(-effects.iter().sum::<f64>());
    effects
}

/// A value of an isolated line.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Sample {
    /// Place across the lines in m.
    pub y: f64,
    pub facet: usize,
    pub value: f64,
}

/// What a curve and facets make of samples.
#[derive(Clone, Debug)]
pub(crate) struct FacetFit {
    /// Of each facet against the mean of all.
    pub effects: Vec<f64>,
    /// Its standard uncertainty from the scatter of lines.
    pub u: Vec<f64>,
    /// Standard deviation of a line.
    pub scatter: f64,
    /// Values left out.
    pub wild: usize,
    /// For each sample its value without the effect of its facet; none of a wild one.
    pub rest: Vec<Option<f64>>,
    /// For each sample how far it lies off what all facets share, wild or not.
    pub off: Vec<f64>,
}

impl FacetFit {
    /// How far the sample at `y` lies off what all facets share, and whether it was left out as wild.
    pub(crate) fn off_at(&self, samples: &[Sample], y: f64) -> Option<(f64, bool)> {
        let at = samples.iter().position(|sample| sample.y == y)?;
        Some((*self.off.get(at)?, self.rest.get(at)?.is_none()))
    }
}

/// Fits samples; none where there are too few, or a facet has none.
pub(crate) fn fit_facets(samples: &[Sample], facets: usize) -> Option<FacetFit> {
    let (low, high) = samples
        .iter()
        .fold((f64::MAX, f64::MIN), |(low, high), sample| (sample.y.min(low), sample.y.max(high)));
    let spare = samples.len().checked_sub(facets + MIN_DEGREES)?;
    // A third of the lines for the curve at most.
    let step = KNOTS.max((high - low) / (spare as f64 / 3.0));
    let curve = Curve::new(low, high, step);
    let mut kept = vec![true; samples.len()];
    let mut wild = 0;
    loop {
        let fit = fit_once(samples, &kept, facets, curve)?;
        let FitOnce { residuals, .. } = &fit;
        let sizes: Vec<f64> =
            residuals.iter().zip(&kept).filter(|(_, kept)| **kept).map(|(r, _)| r.abs()).collect();
        // The fit takes part of each deviation with it.
        let share = (sizes.len() as f64 / fit.degrees as f64).sqrt();
        let limit = MAX_DEVIATION * NORMAL_PER_MEDIAN_ABSOLUTE * median(sizes) * share;
        let mut more = 0;
        for (kept, residual) in kept.iter_mut().zip(residuals) {
            if *kept && residual.abs() > limit {
                *kept = false;
                more += 1;
            }
        }
        wild += more;
        if more == 0 || wild > samples.len() / 5 {
            return Some(fit.finished(samples, &kept, wild, facets));
        }
    }
}

struct FitOnce {
    effects: Vec<f64>,
    inverse: DMatrix<f64>,
    first: usize,
    scatter: f64,
    degrees: usize,
    residuals: Vec<f64>,
}

fn fit_once(samples: &[Sample], kept: &[bool], facets: usize, curve: Curve) -> Option<FitOnce> {
    let first = curve.columns;
    let columns = first + facets - 1;
    let mut normal = Normal::new(columns);
    let mut counts = vec![0_usize; facets];
    let row_of = |sample: &Sample| {
        let mut row = curve.row(sample.y, 0).to_vec();
        facet_columns(&mut row, first, facets, sample.facet, 1.0);
        row
    };
    for (sample, _) in samples.iter().zip(kept).filter(|(_, kept)| **kept) {
        normal.add(&row_of(sample), sample.value);
        *counts.get_mut(sample.facet)? += 1;
    }
    if counts.iter().any(|count| *count < 2) {
        return None;
    }
    let degrees = normal.count.checked_sub(columns).filter(|degrees| *degrees >= MIN_DEGREES)?;
    let (of, inverse) = normal.solve()?;
    let residual = |sample: &Sample| {
        let made: f64 =
            row_of(sample).iter().map(|(k, v)| v * of.get(*k).copied().unwrap_or(0.0)).sum();
        sample.value - made
    };
    let residuals: Vec<f64> = samples.iter().map(residual).collect();
    let squares: f64 =
        residuals.iter().zip(kept).filter(|(_, kept)| **kept).map(|(r, _)| r * r).sum();
    let scatter = (squares / degrees as f64).sqrt();
    let effects = facet_effects(&of, first, facets);
    Some(FitOnce { effects, inverse, first, scatter, degrees, residuals })
}

impl FitOnce {
    fn finished(self, samples: &[Sample], kept: &[bool], wild: usize, facets: usize) -> FacetFit {
        let cell = |i: usize, j: usize| {
            self.inverse.get((self.first + i, self.first + j)).copied().unwrap_or(0.0)
        };
        let all: f64 = (0..facets - 1)
            .flat_map(|i| (0..facets - 1).map(move |j| (i, j)))
            .map(|(i, j)| cell(i, j))
            .sum();
        let variance = |facet: usize| if facet + 1 < facets { cell(facet, facet) } else { all };
        let u = (0..facets).map(|facet| self.scatter * variance(facet).max(0.0).sqrt()).collect();
        let effect = |sample: &Sample| self.effects.get(sample.facet).copied().unwrap_or(0.0);
        let rest = samples.iter().zip(kept);
        let rest = rest.map(|(sample, kept)| kept.then_some(sample.value - effect(sample)));
        let rest = rest.collect();
        let off = samples.iter().zip(&self.residuals);
        let off = off.map(|(sample, residual)| residual + effect(sample)).collect();
        FacetFit { u, scatter: self.scatter, wild, rest, off, effects: self.effects }
    }
}

/// The median; not a number of nothing.
pub(crate) fn median(mut values: Vec<f64>) -> f64 {
    values.sort_unstable_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
}
