//! Statistics of values in order: median, percentiles, median absolute deviation.

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

#[cfg(test)]
mod tests {
    use super::{median, median_absolute_deviation, percentile};
    use crate::statistics::distributions::normal_quantile;
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
}
