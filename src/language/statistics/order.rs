//! Statistics of values in order: median, percentiles, median absolute deviation, and the largest of
//! values that noise lifts.

use crate::statistics::distributions::normal_above;
use std::f64::consts::TAU;
use std::sync::LazyLock;

/// The values from the smallest to the largest.
pub(crate) fn sorted(values: &[f64]) -> Vec<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted
}

/// The middle value, or the mean of the two in the middle; NaN of no values.
pub(crate) fn median(values: &[f64]) -> f64 {
    let sorted = sorted(values);
    let at = |index: usize| sorted.get(index).copied().unwrap_or(f64::NAN);
    let half = sorted.len() / 2;
    match sorted.len() {
        0 => f64::NAN,
        n if n % 2 == 1 => at(half),
        _ => 0.5 * at(half - 1) + 0.5 * at(half),
    }
}

/// The median of how far the values lie from their median (NIST/SEMATECH e-Handbook 1.3.5.6, from
/// memory).
pub(crate) fn median_absolute_deviation(values: &[f64]) -> f64 {
    let median = median(values);
    self::median(&values.iter().map(|x| (x - median).abs()).collect::<Vec<f64>>())
}

/// The value below which a share of the values lies, by rank share * (n + 1) with straight lines
/// between ranks and the ends beyond them (NIST/SEMATECH e-Handbook 7.2.6.2, from memory; Hyndman
/// and Fan's sixth definition). NaN of no values, and of a share outside 0 to 1.
pub(crate) fn percentile(values: &[f64], share: f64) -> f64 {
    if !(0.0..=1.0).contains(&share) {
        return f64::NAN;
    }
    let sorted = sorted(values);
    let (Some(first), Some(last)) = (sorted.first(), sorted.last()) else { return f64::NAN };
    let rank = share * (sorted.len() + 1) as f64;
    let whole = rank.floor();
    match (whole as usize).checked_sub(1) {
        None => *first,
        Some(index) => match (sorted.get(index), sorted.get(index + 1)) {
            (Some(below), Some(above)) => {
                (below + (rank - whole) * (above - below)).clamp(*below, *above)
            }
            _ => *last,
        },
    }
}

/// Steps of the integral below, on each side of the largest value.
const STEPS: usize = 10;

/// How many standard uncertainties it reaches on each side.
const REACH: f64 = 5.0;

/// A share that adds nothing.
const NOTHING: f64 = 1e-6;

/// Ordinates of the normal distribution for each standard deviation.
const PER_DEVIATION: f64 = 16.0;

/// Share of a normal distribution below `z`, and its density there, at 0, 1/16 and on to 6.
static ORDINATES: LazyLock<Vec<(f64, f64)>> = LazyLock::new(|| {
    let ordinate = |k: u32| {
        let z = f64::from(k) / PER_DEVIATION;
        (normal_above(-z), libm::exp(-z * z / 2.0) / TAU.sqrt())
    };
    (0..=96).map(ordinate).collect()
});

/// Share of a normal distribution below `z`, to 6e-8 (the cubic through two ordinates and their slopes: derived). It is
/// asked for by the hundred for each line.
fn normal_below(z: f64) -> f64 {
    if z < 0.0 {
        return 1.0 - normal_below(-z);
    }
    let place = z * PER_DEVIATION;
    let at = place as usize;
    let Some([(a, rise), (b, fall)]) = ORDINATES.get(at..).and_then(|rest| rest.first_chunk())
    else {
        return 1.0;
    };
    let t = place - at as f64;
    let (rise, fall) = (rise / PER_DEVIATION - (b - a), b - a - fall / PER_DEVIATION);
    a + t * (b - a) + t * (1.0 - t) * (rise * (1.0 - t) + fall * t)
}

/// How far a bias that is estimated may be off, as a share of it: so that intervals of 95 % hold the true largest of up to
/// twelve values in 93 % and more, also where all are alike (simulated with NumPy).
const BIAS_U: f64 = 2.0;

/// The largest of normal values, each with its standard uncertainty, and the standard uncertainty of that.
///
/// The largest of what was measured is too large: noise lifts one of them. By how much follows from drawing again around
/// what was measured: the mean of the largest less the largest (the bias of a parametric bootstrap).
/// Its mean is t₁ − ∫ ΠΦ((t − xᵢ)/uᵢ) dt up
/// to t₁ (derived). Where one stands out there is none; where all are alike about half of it is found, so the rest counts as
/// uncertainty. Not numbers where one is none, or there are none.
pub(crate) fn largest(values: &[(f64, f64)]) -> (f64, f64) {
    if values.is_empty() || values.iter().any(|(x, u)| x.is_nan() || u.is_nan()) {
        return (f64::NAN, f64::NAN);
    }
    let larger = |a: (f64, f64), b: (f64, f64)| if b.0 > a.0 { b } else { a };
    let (most, u) = values.iter().copied().reduce(larger).unwrap_or((f64::NAN, f64::NAN));
    let widest = values.iter().map(|(_, u)| *u).fold(0.0, f64::max);
    let reach = REACH * widest;
    if reach == 0.0 || !reach.is_finite() {
        return (most, u);
    }
    let step = reach / STEPS as f64;
    let below = |t: f64| {
        let below = values.iter().map(|(x, u)| match *u > 0.0 {
            true => normal_below((t - x) / u),
            false => f64::from(*x <= t),
        });
        below.product::<f64>()
    };
    // From above: once nothing lies below, nothing does farther down.
    let ordinates = (0..2 * STEPS).map(|k| below(most + reach - step * (k as f64 + 0.5)));
    let ordinates = ordinates.take_while(|share| *share > NOTHING);
    let bias = (reach - step * ordinates.sum::<f64>()).max(0.0);
    (most - bias, u.hypot(BIAS_U * bias))
}

/// The largest of normal values less the smallest, and the standard uncertainty of that; as if all were known apart.
pub(crate) fn range(values: &[(f64, f64)]) -> (f64, f64) {
    let turned: Vec<(f64, f64)> = values.iter().map(|(x, u)| (-x, *u)).collect();
    let (high, low) = (largest(values), largest(&turned));
    // What is less than nothing is noise; what is not a number stays.
    let range = high.0 + low.0;
    (if range < 0.0 { 0.0 } else { range }, high.1.hypot(low.1))
}

#[cfg(test)]
mod tests {
    use super::{largest, median, median_absolute_deviation, normal_below, percentile, range};
    use crate::statistics::distributions::{normal_above, normal_quantile};
    use spintrue_head::NORMAL_PER_MEDIAN_ABSOLUTE;

    /// Twelve readings and their 90th percentile, 95.1981 (NIST/SEMATECH e-Handbook 7.2.6.2, from
    /// memory).
    #[test]
    fn the_percentile_of_the_handbook() {
        let readings = [
            95.1772, 95.1567, 95.1937, 95.1959, 95.1442, 95.0610, 95.1591, 95.1195, 95.1065,
            95.0925, 95.1990, 95.1682,
        ];
        assert!((percentile(&readings, 0.9) - 95.1981).abs() < 5e-5);
        assert_eq!(percentile(&readings, 0.5), median(&readings));
        assert_eq!(percentile(&readings, 0.0), 95.0610);
        assert_eq!(percentile(&readings, 0.01), 95.0610);
        assert_eq!(percentile(&readings, 0.99), 95.1990);
        assert_eq!(percentile(&readings, 1.0), 95.1990);
        assert!(percentile(&readings, 1.1).is_nan() && percentile(&[], 0.5).is_nan());
    }

    #[test]
    fn the_median_absolute_deviation_scales_to_sigma() {
        assert!((NORMAL_PER_MEDIAN_ABSOLUTE * normal_quantile(0.75) - 1.0).abs() < 1e-15);
        assert_eq!(median_absolute_deviation(&[1.0, 2.0, 4.0, 7.0, 100.0]), 3.0);
    }

    #[test]
    fn ordinates_tell_what_lies_between_them() {
        for k in -7_000..7_000 {
            let z = f64::from(k) / 997.0;
            assert!((normal_below(z) - normal_above(-z)).abs() < 6e-8, "{z}");
        }
    }

    /// The mean of the largest of two standard normal values is 1/√π, of ten 1.538 753 (tables of order statistics, from
    /// memory); of values that one stands out of nothing is taken.
    #[test]
    fn the_largest_is_less_by_what_noise_lifts_it() {
        let near =
            |seen: f64, wanted: f64| assert!((seen - wanted).abs() < 2e-6, "{seen} {wanted}");
        let two = 1.0 / std::f64::consts::PI.sqrt();
        near(largest(&[(5.0, 1.0); 2]).0, 5.0 - two);
        near(largest(&[(5.0, 1.0); 2]).1, 1.0_f64.hypot(2.0 * two));
        near(largest(&[(0.0, 2.0); 10]).0, -2.0 * 1.538_753);
        near(largest(&[(0.0, 1.0), (20.0, 1.0)]).0, 20.0);
        near(largest(&[(0.0, 1.0), (20.0, 0.0)]).0, 20.0);
        assert_eq!(largest(&[(3.0, 0.0), (2.0, 0.0)]), (3.0, 0.0));
        assert!(largest(&[]).0.is_nan() && largest(&[(1.0, 1.0), (f64::NAN, 1.0)]).0.is_nan());
        near(range(&[(0.0, 0.1), (7.0, 0.1)]).0, 7.0);
        assert_eq!(range(&[(0.0, 1.0); 5]).0, 0.0);
        assert!(range(&[(f64::NAN, 1.0), (1.0, 1.0)]).0.is_nan());
    }
}
