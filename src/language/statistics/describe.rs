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

/// The adjusted Fisher-Pearson coefficient of skewness, and its standard error for normally distributed values,
/// sqrt(6 n (n - 1) / ((n - 2)(n + 1)(n + 3))) (NIST/SEMATECH e-Handbook 1.3.5.11 for the coefficient, from
/// memory). None of fewer than three values, and where all are alike.
pub fn skewness(values: &[f64]) -> Option<(f64, f64)> {
    let (count, mean) = (values.len() as f64, mean(values));
    let variance = squares(values) / count;
    if values.len() < 3 || variance <= 0.0 {
        return None;
    }
    let third = values.iter().map(|x| (x - mean).powi(3)).sum::<f64>() / count;
    let adjusted = (count * (count - 1.0)).sqrt() / (count - 2.0);
    let error = 6.0 * count * (count - 1.0) / ((count - 2.0) * (count + 1.0) * (count + 3.0));
    Some((adjusted * third / variance.powf(1.5), error.sqrt()))
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
    use super::{autocorrelation, deviation, mean, rms, skewness, standard_error};
    use crate::statistics::normals;

    #[test]
    fn undefined_is_not_a_number() {
        assert!(mean(&[]).is_nan() && rms(&[]).is_nan());
        assert!(deviation(&[1.0]).is_nan() && standard_error(&[]).is_nan());
        for count in [3, 10, 1000] {
            let alike = vec![0.1; count];
            assert!(autocorrelation(&alike, 1).is_nan() && deviation(&alike) == 0.0);
        }
    }

    /// By hand: 0, 0, 0, 4 has mean 1, m2 = 3, m3 = 6; G1 = sqrt(12)/2 * 6/3^1.5 = 2. In samples of 25 normal
    /// values the coefficient scatters as its standard error says.
    #[test]
    fn skewness_and_its_standard_error() {
        let (coefficient, _) = skewness(&[0.0, 0.0, 0.0, 4.0]).unwrap();
        assert!((coefficient - 2.0).abs() < 1e-14);
        assert_eq!((skewness(&[1.0, 1.0, 1.0]), skewness(&[1.0, 2.0])), (None, None));
        let mut normal = normals(11);
        let drawn: Vec<(f64, f64)> = (0..4000)
            .filter_map(|_| skewness(&(0..25).map(|_| normal()).collect::<Vec<_>>()))
            .collect();
        let scatter = deviation(&drawn.iter().map(|(value, _)| *value).collect::<Vec<_>>());
        assert!((scatter / drawn[0].1 - 1.0).abs() < 0.05, "{scatter} {}", drawn[0].1);
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
