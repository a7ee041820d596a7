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

    #[test]
    fn a_probability_needs_an_uncertainty() {
        assert!(probability(1.0, 0.0, None, Some(3.0)).is_nan());
    }
}
