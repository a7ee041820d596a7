//! Capability indices: how much room limits leave for how a process spreads.

use crate::statistics::distributions::normal_quantile;
use crate::statistics::order::{median, percentile};

/// Cp: the width between the limits over six standard deviations (NIST/SEMATECH e-Handbook 6.1.6,
/// from memory).
pub fn cp(deviation: f64, low: f64, high: f64) -> f64 {
    (high - low) / (6.0 * deviation)
}

/// Cpk: the distance from the mean to the nearer limit over three standard deviations
/// (NIST/SEMATECH e-Handbook 6.1.6, from memory); with one limit Cpl or Cpu. NaN without a limit.
pub fn cpk(mean: f64, deviation: f64, low: Option<f64>, high: Option<f64>) -> f64 {
    let below = low.map_or(f64::NAN, |low| mean - low);
    let above = high.map_or(f64::NAN, |high| high - mean);
    below.min(above) / (3.0 * deviation)
}

/// Cnpk, for values that are not normally distributed: the distance from the median to the nearer limit over that
/// to the percentile 99.5 or 0.5 of the values on that side (NIST/SEMATECH e-Handbook 6.1.6, from memory). NaN
/// without a limit.
pub fn cnpk(values: &[f64], low: Option<f64>, high: Option<f64>) -> f64 {
    let middle = median(values);
    let below = low.map_or(f64::NAN, |low| (middle - low) / (middle - percentile(values, 0.005)));
    let above =
        high.map_or(f64::NAN, |high| (high - middle) / (percentile(values, 0.995) - middle));
    below.min(above)
}

/// How far the true Cpk may lie to either side of one from `count` values, at 95 %: 1.96 times
/// sqrt(1/(9 n) + Cpk²/(2 (n - 1))), an approximation for 25 values or more that are normally
/// distributed (NIST/SEMATECH e-Handbook 6.1.6, from memory).
pub fn cpk_doubt(cpk: f64, count: usize) -> f64 {
    let count = count as f64;
    normal_quantile(0.975) * (1.0 / (9.0 * count) + cpk * cpk / (2.0 * (count - 1.0))).sqrt()
}

#[cfg(test)]
mod tests {
    use super::{cnpk, cp, cpk, cpk_doubt};
    use crate::statistics::describe::{deviation, mean};
    use crate::statistics::normals;

    /// Of 4,000 samples of 25 normally distributed values, so many intervals hold the true Cpk.
    #[test]
    fn the_doubt_covers_the_true_index() {
        let mut normal = normals(7);
        for (low, high, truth) in [(-5.0, 4.0, 4.0 / 3.0), (-3.0, 9.0, 1.0), (-2.0, 2.0, 2.0 / 3.0)]
        {
            let held = (0..4000).filter(|_| {
                let values: Vec<f64> = (0..25).map(|_| normal()).collect();
                let index = cpk(mean(&values), deviation(&values), Some(low), Some(high));
                (index - truth).abs() <= cpk_doubt(index, 25)
            });
            let share = held.count() as f64 / 4000.0;
            assert!((0.93..0.975).contains(&share), "{truth}: {share}");
        }
    }

    /// Limits 8 and 20, mean 16, s 2: Cp 1.0, Cpk 0.6667 (NIST/SEMATECH e-Handbook 6.1.6; inputs
    /// from memory).
    #[test]
    fn the_example_of_the_handbook() {
        assert_eq!(cp(2.0, 8.0, 20.0), 1.0);
        assert!((cpk(16.0, 2.0, Some(8.0), Some(20.0)) - 0.6667).abs() < 5e-5);
        assert!((cpk(16.0, 2.0, Some(8.0), None) - 1.3333).abs() < 5e-5);
        assert!((cpk(16.0, 2.0, None, Some(20.0)) - 0.6667).abs() < 5e-5);
        assert!(cpk(16.0, 2.0, None, None).is_nan());
    }

    /// By hand: of 0 to 998 squared, the percentiles 0.5, 50 and 99.5 are the ranks 5, 500 and 995.
    #[test]
    fn percentiles_stand_for_sigma() {
        let values: Vec<f64> = (0..999).map(|k| f64::from(k).powi(2)).collect();
        let (low, middle, high) = (4.0_f64.powi(2), 499.0_f64.powi(2), 994.0_f64.powi(2));
        let above = (1.2e6 - middle) / (high - middle);
        assert!((cnpk(&values, None, Some(1.2e6)) - above).abs() < 1e-12);
        let below = (middle + 1e5) / (middle - low);
        assert!((cnpk(&values, Some(-1e5), None) - below).abs() < 1e-12);
        assert_eq!(cnpk(&values, Some(-1e5), Some(1.2e6)), above.min(below));
        assert!(cnpk(&values, None, None).is_nan());
    }
}
