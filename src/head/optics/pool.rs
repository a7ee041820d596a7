//! The scatter of repeated readings, pooled over facets where that is sound.

use crate::optics::{Matrix, SHAPE};

/// How the coefficients of repeated readings of one facet scatter, or other numbers.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Spread<const N: usize = SHAPE> {
    /// Readings.
    pub count: f64,
    /// Their means.
    pub mean: [f64; N],
    /// Sums of squares and of products of what each is off its mean.
    pub squares: [[f64; N]; N],
    /// Readings beyond the first.
    pub degrees: f64,
}

impl<const N: usize> Spread<N> {
    /// From sums of squares and products around means.
    pub(crate) fn new(mean: [f64; N], squares: [[f64; N]; N], degrees: f64) -> Spread<N> {
        Spread { count: degrees + 1.0, mean, squares, degrees }
    }

    /// Variance of a coefficient of single readings.
    fn variance(&self, k: usize) -> f64 {
        let squares = self.squares.get(k).and_then(|row| row.get(k));
        squares.copied().unwrap_or(f64::NAN) / self.degrees
    }
}

/// Sums over rows of numbers, one per reading. Each is less by the first row, so that large offsets cost no
/// digits.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Sums<const N: usize> {
    count: f64,
    first: [f64; N],
    sums: [f64; N],
    products: [[f64; N]; N],
}

impl<const N: usize> Sums<N> {
    pub(crate) fn new() -> Sums<N> {
        Sums { count: 0.0, first: [0.0; N], sums: [0.0; N], products: [[0.0; N]; N] }
    }

    pub(crate) fn add(&mut self, row: &[f64; N]) {
        self.count += 1.0;
        if self.count == 1.0 {
            self.first = *row;
            return;
        }
        let mut off = *row;
        off.iter_mut().zip(self.first).for_each(|(off, first)| *off -= first);
        self.sums.iter_mut().zip(off).for_each(|(sum, off)| *sum += off);
        for (products, a) in self.products.iter_mut().zip(off) {
            products.iter_mut().zip(off).for_each(|(product, b)| *product += a * b);
        }
    }

    /// How they scatter; means are not numbers where there are none.
    pub(crate) fn spread(&self) -> Spread<N> {
        let (mut mean, mut squares) = (self.first, self.products);
        if self.count == 1.0 {
            return Spread::new(mean, squares, 0.0);
        }
        mean.iter_mut().zip(self.sums).for_each(|(mean, sum)| *mean += sum / self.count);
        for (squares, a) in squares.iter_mut().zip(self.sums) {
            squares.iter_mut().zip(self.sums).for_each(|(square, b)| *square -= a * b / self.count);
        }
        Spread { count: self.count, mean, squares, degrees: (self.count - 1.0).max(0.0) }
    }
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
/// each other. Where more than a quarter scatter far more, that is hardly the facets' own: by a speed that swings
/// twice as slowly as the polygon turns, a facet is still that happened to be read in every other turn. So
/// what the others get is the scatter of all.
pub(crate) fn pool(facets: &[Spread]) -> Vec<(Matrix, f64)> {
    if facets.iter().all(|spread| spread.degrees == 0.0) {
        return vec![([[f64::NAN; SHAPE]; SHAPE], 0.0); facets.len()];
    }
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
    let many = own.iter().filter(|own| **own).count() * 4 > facets.len();
    let (mut squares, mut degrees) = ([[0.0; SHAPE]; SHAPE], 0.0);
    for (spread, _) in facets.iter().zip(&own).filter(|(_, own)| many || !**own) {
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

#[cfg(test)]
mod tests {
    use super::{Spread, Sums, fisher_deviate, pool};

    /// SciPy 1.17: `f.isf(norm.sf(z), over, under)` for z = 4 and 2.
    #[test]
    fn ratios_of_variances_are_judged_as_by_fishers_distribution() {
        let rows = [
            (3.0, 27.0, 4.0, 12.185_741_328),
            (8.0, 72.0, 4.0, 5.287_988_370),
            (3.0, 27.0, 2.0, 3.742_834_531),
            (1.0, 9.0, 4.0, 58.483_098_746),
            (15.0, 135.0, 4.0, 3.589_301_036),
        ];
        for (over, under, wanted, ratio) in rows {
            let seen = fisher_deviate(ratio, over, under);
            assert!((seen - wanted).abs() < 0.1, "{over} {under}: {seen}");
        }
    }

    /// Readings at 0, ±1 and ±`size`: five of a facet, with variance (2 + 2·size²)/4.
    fn facet(size: f64) -> Spread {
        let mut sums = Sums::new();
        for v in [0.0, 1.0, -1.0, size, -size] {
            sums.add(&[v, 0.5 * v, f64::NAN, f64::NAN]);
        }
        sums.spread()
    }

    /// Against NumPy 2: `var(ddof=0) * n` and `cov(ddof=0) * n` of 1e6 + (0, 1, 3) and (2, 2, 5).
    #[test]
    fn large_offsets_cost_no_digits() {
        let mut sums = Sums::new();
        for (a, b) in [(0.0, 2.0), (1.0, 2.0), (3.0, 5.0)] {
            sums.add(&[1e6 + a, b]);
        }
        let spread = sums.spread();
        let near = |a: f64, b: f64| assert!((a - b).abs() < 1e-9, "{a} {b}");
        near(spread.mean[0] - 1e6, 4.0 / 3.0);
        near(spread.squares[0][0], 14.0 / 3.0);
        near(spread.squares[0][1], 5.0);
        near(spread.squares[1][1], 6.0);
    }

    #[test]
    fn an_unsteady_facet_keeps_its_scatter_and_does_not_widen_the_others() {
        let mut facets = vec![facet(1.0); 8];
        // Two of them, which would hide each other in a mean.
        facets.extend([facet(10.0), facet(12.0)]);
        let pooled = pool(&facets);
        let (variance, degrees) = pooled[0];
        // By hand: 8 facets with sums of squares of 4, and 4 degrees each.
        assert!((variance[0][0] - 1.0).abs() < 1e-12 && degrees == 32.0, "{variance:?} {degrees}");
        assert!((variance[0][1] - 0.5).abs() < 1e-12 && variance[2][2].is_nan());
        let (own, degrees) = pooled[9];
        assert!((own[0][0] - 72.5).abs() < 1e-12 && degrees == 4.0, "{own:?} {degrees}");
        // Four of ten are not unsteady by themselves: the others may be still by chance, and get the scatter of all.
        let many = pool(&[vec![facet(1.0); 6], vec![facet(10.0); 4]].concat());
        // By hand: (6·4 + 4·202) / 40.
        assert!((many[0].0[0][0] - 20.8).abs() < 1e-12 && many[0].1 == 40.0, "{:?}", many[0]);
        assert!((many[9].0[0][0] - 50.5).abs() < 1e-12 && many[9].1 == 4.0);
        // A facet that is a little less steady by chance is one of all.
        assert_eq!(pool(&[vec![facet(1.0); 9], vec![facet(1.5)]].concat())[9].1, 40.0);
        assert_eq!(pool(&[Spread::new([1.0; 4], [[0.0; 4]; 4], 0.0)])[0].1, 0.0);
    }
}
