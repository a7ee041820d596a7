//! Where values lie and how they spread: mean, standard deviation, autocorrelation.

/// The mean, corrected by the mean of what its first estimate leaves over, so that a large common
/// part costs no digits; NaN of no values.
pub fn mean(values: &[f64]) -> f64 {
    let count = values.len() as f64;
    let first = values.iter().sum::<f64>() / count;
    first + values.iter().map(|x| x - first).sum::<f64>() / count
}

/// The sum of squares around the mean, in two passes and corrected for what rounding left in the
/// mean (NIST/SEMATECH e-Handbook 1.3.5.6 for the definition, from memory).
pub(crate) fn squares(values: &[f64]) -> f64 {
    let mean = mean(values);
    let (mut sum, mut squares) = (0.0, 0.0);
    for x in values {
        let off = x - mean;
        sum += off;
        squares += off * off;
    }
    squares - sum * sum / values.len() as f64
}

/// The standard deviation s with n - 1; NaN of fewer than two values.
pub fn deviation(values: &[f64]) -> f64 {
    if values.len() < 2 {
        return f64::NAN;
    }
    (squares(values).max(0.0) / (values.len() - 1) as f64).sqrt()
}

/// The standard deviation of the mean, s / sqrt(n) (JCGM 100:2008, 4.2.3, from memory).
pub(crate) fn standard_error(values: &[f64]) -> f64 {
    deviation(values) / (values.len() as f64).sqrt()
}

/// The root of the mean square; NaN of no values.
pub(crate) fn rms(values: &[f64]) -> f64 {
    (values.iter().map(|x| x * x).sum::<f64>() / values.len() as f64).sqrt()
}

/// The autocorrelation r at a lag: products of deviations from the one mean, over their squares
/// (NIST/SEMATECH e-Handbook 1.3.5.12, from memory). NaN where all values are alike.
pub(crate) fn autocorrelation(values: &[f64], lag: usize) -> f64 {
    let mean = mean(values);
    let later = values.iter().skip(lag);
    let products: f64 = values.iter().zip(later).map(|(a, b)| (a - mean) * (b - mean)).sum();
    products / squares(values)
}

#[cfg(test)]
mod tests {
    use super::{autocorrelation, deviation, mean, rms, standard_error};

    #[test]
    fn undefined_is_not_a_number() {
        assert!(mean(&[]).is_nan() && rms(&[]).is_nan());
        assert!(deviation(&[1.0]).is_nan() && standard_error(&[]).is_nan());
        for count in [3, 10, 1000] {
            let alike = vec![0.1; count];
            assert!(autocorrelation(&alike, 1).is_nan() && deviation(&alike) == 0.0);
        }
    }

    /// A one-pass variance of these comes out negative; the certified s is 0.1 (NIST StRD, NumAcc4).
    #[test]
    fn a_large_common_part_costs_no_digits() {
        let pairs = (0..500).flat_map(|_| [10_000_000.1, 10_000_000.3]);
        let values: Vec<f64> = std::iter::once(10_000_000.2).chain(pairs).collect();
        let n = values.len() as f64;
        let (sum, squares) = values.iter().fold((0.0, 0.0), |(s, q), x| (s + x, q + x * x));
        assert!(squares / n - (sum / n) * (sum / n) < 0.0, "the trap is a trap");
        assert!((deviation(&values) / 0.1 - 1.0).abs() < 1e-7);
    }
}
