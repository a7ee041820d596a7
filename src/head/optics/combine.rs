//! Several lines of one facet, each the mean of its readings, put together with the scatter between them.

use crate::optics::marks::variance;
use crate::optics::pool::{Spread, pool};
use crate::optics::{FacetMean, Matrix, SHAPE, Shape, TrimError};

/// Degrees of freedom of what is beyond doubt.
pub const MAX_DEGREES: f64 = 1e9;

/// One mean per facet from the lines of each; every line counts with its readings.
///
/// What moves a line as a whole does not show in the readings of one, so where lines scatter more than
/// their readings do, the scatter between them counts, pooled over the facets as that of readings is.
/// It also counts where readings do not scatter because each line has but one. Covariances are left out.
pub fn combined(facets: &[Vec<FacetMean>]) -> Result<Vec<FacetMean>, TrimError> {
    let mut means = Vec::with_capacity(facets.len());
    for lines in facets {
        let first = lines.first().ok_or(TrimError::NoReading)?;
        let count = lines.iter().map(|line| line.count).sum();
        let rejected = lines.iter().map(|line| line.rejected).sum();
        let left_out = lines.iter().map(|line| line.left_out).sum();
        means.push(FacetMean { count, rejected, left_out, ..*first });
    }
    let along: Part = (|mean| &mean.along, |mean| &mut mean.along);
    for part in [along, (|m| &m.across, |m| &mut m.across), (|m| &m.dose, |m| &mut m.dose)] {
        combine(facets, &mut means, part);
    }
    Ok(means)
}

type Part = (fn(&FacetMean) -> &Shape, fn(&mut FacetMean) -> &mut Shape);

fn combine(facets: &[Vec<FacetMean>], means: &mut [FacetMean], (get, get_mut): Part) {
    let each = |lines: &[FacetMean]| Lines::of(lines, get);
    let lines: Vec<Lines> = facets.iter().map(|lines| each(lines)).collect();
    let within = pool(&lines.iter().map(|l| l.within).collect::<Vec<_>>());
    let between = pool(&lines.iter().map(|l| l.between).collect::<Vec<_>>());
    for ((mean, lines), (within, between)) in
        means.iter_mut().zip(&lines).zip(within.into_iter().zip(between))
    {
        let stated = within.1 >= MAX_DEGREES;
        let n = mean.count as f64;
        let mut degrees = within.1;
        let single: [f64; SHAPE] = std::array::from_fn(|k| {
            let (inside, outside) = (variance(&within.0, k), variance(&between.0, k));
            if between.1 > 0.0 && (stated || outside > inside) {
                degrees = degrees.min(between.1);
                return outside;
            }
            inside
        });
        let shape = get_mut(mean);
        shape.of = lines.between.mean;
        shape.random = diagonal(single.map(|single| single / n));
        shape.fixed = diagonal(lines.fixed);
        shape.degrees = degrees;
    }
}

/// The lines of one facet in one direction, in terms of single readings.
struct Lines {
    within: Spread,
    between: Spread,
    fixed: [f64; SHAPE],
}

impl Lines {
    fn of(lines: &[FacetMean], get: fn(&FacetMean) -> &Shape) -> Lines {
        let all: f64 = lines.iter().map(|line| line.count as f64).sum();
        let sum = |of: &dyn Fn(&FacetMean, f64) -> f64| -> f64 {
            lines.iter().map(|line| of(line, line.count as f64)).sum()
        };
        let value = |line: &FacetMean, k: usize| get(line).of.get(k).copied().unwrap_or(f64::NAN);
        let mean = std::array::from_fn(|k| sum(&|line, n| n * value(line, k)) / all);
        let random = |k: usize| sum(&|line, n| n * n * variance(&get(line).random, k)) / all;
        // A line may tell the degrees of all facets, pooled; what it adds is its own.
        let own = |line: &FacetMean| match get(line).degrees {
            told if told >= MAX_DEGREES => told,
            told => told.min(line.count as f64 - 1.0),
        };
        let degrees = lines.iter().map(own).sum::<f64>().min(MAX_DEGREES);
        let off = |k: usize| {
            let mean = mean.get(k).copied().unwrap_or(f64::NAN);
            sum(&|line, n| n * (value(line, k) - mean).powi(2))
        };
        let more = lines.len() as f64 - 1.0;
        let largest =
            |k| lines.iter().map(|line| variance(&get(line).fixed, k)).fold(f64::NAN, f64::max);
        Lines {
            within: Spread::new(
                mean,
                diagonal(std::array::from_fn(|k| degrees * random(k))),
                degrees,
            ),
            between: Spread::new(mean, diagonal(std::array::from_fn(off)), more),
            fixed: std::array::from_fn(largest),
        }
    }
}

/// A matrix of these variances and no covariances.
fn diagonal(variances: [f64; SHAPE]) -> Matrix {
    let at = |i: usize, k: usize| {
        if i == k { variances.get(k).copied().unwrap_or(f64::NAN) } else { 0.0 }
    };
    std::array::from_fn(|i| std::array::from_fn(|k| at(i, k)))
}
