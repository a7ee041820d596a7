//! How probable it is that a measured value conforms.
//!
//! The true value is taken to be normal around the measured one, with nothing else known of it
//! (JCGM 106:2012 clause 7, from memory).

use crate::statistics::distributions::normal_above;

/// The probability that the true value lies inside the limits, given a measured value and its
/// standard uncertainty; a side without a limit is open. NaN where the uncertainty is not positive.
pub(crate) fn probability(value: f64, u: f64, low: Option<f64>, high: Option<f64>) -> f64 {
    if u.is_nan() || u <= 0.0 {
        return f64::NAN;
    }
    let below = low.map_or(0.0, |low| normal_above((value - low) / u));
    let above = high.map_or(0.0, |high| normal_above((high - value) / u));
    (1.0 - below - above).clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::probability;

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
        }
    }

    #[test]
    fn a_probability_needs_an_uncertainty() {
        assert!(probability(1.0, 0.0, None, Some(3.0)).is_nan());
    }
}
