//! How probable it is that a measured value conforms.
//!
//! With nothing else known of it, the true value is taken to be distributed around the measured one as
//! Student's t by its degrees of freedom; normally, where these are many (JCGM 106:2012 clause 7 and
//! JCGM 101:2008 clause 6.4.9, from memory).

use crate::statistics::distributions::above;

/// How well a value is known.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Doubt {
    /// Standard uncertainty.
    pub u: f64,
    /// Effective degrees of freedom.
    pub degrees: f64,
}

impl Doubt {
    /// The probability that the true value lies inside the limits, given a measured one; a side without a
    /// limit is open. NaN where the uncertainty is not positive.
    pub(crate) fn probability(self, value: f64, low: Option<f64>, high: Option<f64>) -> f64 {
        let Doubt { u, degrees } = self;
        if u.is_nan() || u <= 0.0 {
            return f64::NAN;
        }
        let below = low.map_or(0.0, |low| above((value - low) / u, degrees));
        let above = high.map_or(0.0, |high| above((high - value) / u, degrees));
        (1.0 - below - above).clamp(0.0, 1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::Doubt;

    fn probability(value: f64, u: f64, low: Option<f64>, high: Option<f64>) -> f64 {
        Doubt { u, degrees: f64::INFINITY }.probability(value, low, high)
    }

    /// One degree of freedom is the Cauchy distribution: of one u, 1/2 - atan(1)/pi = 1/4 lies above. SciPy's
    /// `t.sf(2, 5)` is 0.05096973941492917.
    #[test]
    fn few_degrees_of_freedom_leave_more_beyond() {
        let seen = |degrees, value| Doubt { u: 1.0, degrees }.probability(value, None, Some(3.0));
        assert!((seen(1.0, 2.0) - 0.75).abs() < 1e-12);
        assert!((seen(5.0, 1.0) - (1.0 - 0.050_969_739_414_929_17)).abs() < 1e-12);
        assert!((seen(5.0, 5.0) - 0.050_969_739_414_929_17).abs() < 1e-12);
        assert!((seen(1e9, 2.0) - probability(2.0, 1.0, None, Some(3.0))).abs() < 1e-9);
    }

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
