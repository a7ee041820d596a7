//! How probable it is that a measured value conforms, and how far inside the limits it must lie.
//!
//! The true value is taken to be normal around the measured one, with nothing else known of it
//! (JCGM 106:2012 clause 7, from memory).

use crate::statistics::distributions::{normal_above, normal_quantile};

/// The probability that the true value lies inside the limits, given a measured value and its
/// standard uncertainty; a side without a limit is open. NaN where the uncertainty is not positive.
pub fn probability(value: f64, u: f64, low: Option<f64>, high: Option<f64>) -> f64 {
    if u.is_nan() || u <= 0.0 {
        return f64::NAN;
    }
    let below = low.map_or(0.0, |low| normal_above((value - low) / u));
    let above = high.map_or(0.0, |high| normal_above((high - value) / u));
    (1.0 - below - above).clamp(0.0, 1.0)
}

/// The lowest and the highest measured value that may be accepted so that the true value of none of
/// them lies outside the limits with more than this probability; a side without a limit stays
/// open. None where no value is that sure, or an argument makes no sense: the uncertainty must be
/// positive, the probability between 0 and 1/2.
pub fn acceptance_limits(
    u: f64,
    low: Option<f64>,
    high: Option<f64>,
    false_acceptance: f64,
) -> Option<(Option<f64>, Option<f64>)> {
    if !(u > 0.0 && false_acceptance > 0.0 && false_acceptance < 0.5) {
        return None;
    }
    // One limit alone: its guard band is the quantile times the uncertainty.
    let band = -normal_quantile(false_acceptance) * u;
    let (Some(low), Some(high)) = (low, high) else {
        return Some((low.map(|low| low + band), high.map(|high| high - band)));
    };
    let outside = |value| normal_above((value - low) / u) + normal_above((high - value) / u);
    let centre = 0.5 * (low + high);
    if outside(centre).is_nan() || low >= high || outside(centre) > false_acceptance {
        return None;
    }
    // Both tails count, so the limit lies between the centre and that of one tail alone.
    let (mut sure, mut unsure) = (centre, high);
    for _ in 0..200 {
        let middle = 0.5 * (sure + unsure);
        if middle <= sure || middle >= unsure {
            break;
        }
        if outside(middle) <= false_acceptance {
            sure = middle;
        } else {
            unsure = middle;
        }
    }
    Some((Some(low + (high - sure)), Some(sure)))
}

#[cfg(test)]
mod tests {
    use super::{acceptance_limits, probability};

    /// Zener diode -5.47 V, u .05 V, at most -5.40 V: .919; vessel 509.7, u 8.6, at least 490: .989
    /// (JCGM 106:2012 clause 7; inputs from memory, results recomputed with a library).
    #[test]
    fn the_examples_of_the_guide() {
        assert!((probability(-5.47, 0.05, None, Some(-5.40)) - 0.919).abs() < 5e-4);
        assert!((probability(509.7, 8.6, Some(490.0), None) - 0.989).abs() < 5e-4);
    }

    /// A guard band of 0.83 U leaves .04846, one of U .02275, with U = 2 u (ISO 14253-1:2017 for
    /// the bands, read second-hand; normal tails for the rest, derived).
    #[test]
    fn guard_bands_and_what_they_leave() {
        let (u, high) = (0.5, 20.0);
        for (times, left) in [(0.83, 0.04846), (1.0, 0.02275)] {
            let value = high - times * 2.0 * u;
            assert!((1.0 - probability(value, u, None, Some(high)) - left).abs() < 5.1e-6);
            let (low, limit) = acceptance_limits(u, None, Some(high), left).unwrap();
            assert_eq!(low, None);
            assert!((limit.unwrap() - value).abs() < 1e-4);
        }
    }

    #[test]
    fn acceptance_limits_are_as_sure_as_asked() {
        for (low, high, u) in [(-3.0, 3.0, 1.0), (0.0, 4.1, 1.0), (1e6, 1e6 + 1.0, 0.1)] {
            for risk in [0.05, 0.3] {
                let limits = acceptance_limits(u, Some(low), Some(high), risk).unwrap();
                for at in [limits.0.unwrap(), limits.1.unwrap()] {
                    let outside = 1.0 - probability(at, u, Some(low), Some(high));
                    assert!((outside - risk).abs() < 1e-8, "{low} {high} {risk}: {outside}");
                }
            }
        }
        // With room for 1.9 standard deviations to both sides 5 % are not to be had.
        assert_eq!(acceptance_limits(1.0, Some(-1.9), Some(1.9), 0.05), None);
        assert_eq!(acceptance_limits(1.0, Some(3.0), Some(-3.0), 0.05), None);
        assert_eq!(acceptance_limits(0.0, None, Some(3.0), 0.05), None);
        assert_eq!(acceptance_limits(1.0, None, Some(3.0), 0.5), None);
        assert!(probability(1.0, 0.0, None, Some(3.0)).is_nan());
    }
}
