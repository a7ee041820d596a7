//! Tails and quantiles of the normal distribution, Student's t and Fisher's F.

use statrs::function::{beta::checked_beta_reg, erf::erfc_inv, gamma::checked_gamma_ur};
use std::f64::consts::{FRAC_1_SQRT_2, PI, SQRT_2};

/// The probability that a standard normal value lies above `z`.
pub(crate) fn normal_above(z: f64) -> f64 {
    0.5 * libm::erfc(z * FRAC_1_SQRT_2)
}

/// The standard normal value below which the probability `p` lies; NaN unless 0 < p < 1.
pub(crate) fn normal_quantile(p: f64) -> f64 {
    if !(p > 0.0 && p < 1.0) {
        return f64::NAN;
    }
    // From the nearer tail, where nothing cancels; one Newton step to full precision.
    let tail = p.min(1.0 - p);
    let mut z = SQRT_2 * erfc_inv(2.0 * tail);
    let density = libm::exp(-0.5 * z * z) / (2.0 * PI).sqrt();
    if density > 0.0 {
        z += (normal_above(z) - tail) / density;
    }
    if p < 0.5 { -z } else { z }
}

/// The probability that Student's t with these degrees of freedom lies above `t`, for
/// `t >= 0`: half the incomplete beta function at degrees / (degrees + t^2).
pub(crate) fn student_above(t: f64, degrees: f64) -> f64 {
    let x = degrees / (degrees + t * t);
    0.5 * checked_beta_reg(0.5 * degrees, 0.5, x).unwrap_or(f64::NAN)
}

/// The probability that Student's t with these degrees of freedom lies above `t`, of either sign; infinitely
/// many are the normal distribution.
pub(crate) fn above(t: f64, degrees: f64) -> f64 {
    match t {
        t if degrees >= MANY => normal_above(t),
        t if t < 0.0 => 1.0 - student_above(-t, degrees),
        t => student_above(t, degrees),
    }
}

/// Degrees of freedom from which Student's quantile is expanded around the normal one, since the
/// incomplete beta function loses digits.
const MANY: f64 = 1e5;

/// How many standard deviations to both sides hold the probability: Student's t with these
/// degrees of freedom, at least 1; infinitely many are the normal distribution. NaN unless
/// 0 < probability < 1.
pub(crate) fn student_two_sided(probability: f64, degrees: f64) -> f64 {
    if !(probability > 0.0 && probability < 1.0 && degrees >= 1.0) {
        return f64::NAN;
    }
    let tail = 0.5 * (1.0 - probability);
    let z = -normal_quantile(tail);
    // The expansion in 1 / degrees (Abramowitz and Stegun 26.7.5, from memory).
    let first = z + (z.powi(3) + z) / 4.0 / degrees;
    let second = (5.0 * z.powi(5) + 16.0 * z.powi(3) + 3.0 * z) / 96.0 / (degrees * degrees);
    if degrees >= MANY {
        return first + second;
    }
    // Newton from what is smaller: the first term always is, both are from a standard deviation on (compared
    // with SciPy 1.17). The tail is convex there, so steps go up only; the widest tail doubles the value in each.
    let half = 0.5 * degrees;
    let scale = libm::exp(libm::lgamma(half + 0.5) - libm::lgamma(half)) / (PI * degrees).sqrt();
    let mut t = if z < 1.0 { first } else { first + second };
    for _ in 0..200 {
        let density = scale * (1.0 + t * t / degrees).powf(-half - 0.5);
        let step = (student_above(t, degrees) - tail) / density;
        t += step.max(0.0);
        // The next step would be the square of this one.
        if step.is_nan() || step < 1e-9 * t {
            break;
        }
    }
    t
}

/// The probability that Fisher's F with these degrees of freedom lies above `f`, for `f >= 0`.
pub(crate) fn fisher_above(f: f64, over: f64, under: f64) -> f64 {
    let x = under / (under + over * f);
    checked_beta_reg(0.5 * under, 0.5 * over, x).unwrap_or(f64::NAN)
}

/// The probability that chi-squared with these degrees of freedom lies above `x`, for `x >= 0`.
pub(crate) fn chi_squared_above(x: f64, degrees: f64) -> f64 {
    if x == 0.0 {
        return 1.0;
    }
    checked_gamma_ur(0.5 * degrees, 0.5 * x).unwrap_or(f64::NAN)
}

/// The value below which chi-squared with these degrees of freedom lies with the probability `p`, between 0 and 1,
/// by halving on a scale of logarithms.
pub(crate) fn chi_squared_quantile(p: f64, degrees: f64) -> f64 {
    let (mut low, mut high) = (-80.0, libm::log(degrees + 40.0 * degrees.sqrt() + 100.0));
    for _ in 0..40 {
        let middle = 0.5 * (low + high);
        if chi_squared_above(libm::exp(middle), degrees) > 1.0 - p {
            low = middle;
        } else {
            high = middle;
        }
    }
    libm::exp(0.5 * (low + high))
}

#[cfg(test)]
mod tests {
    use super::{
        chi_squared_above, chi_squared_quantile, fisher_above, normal_above, normal_quantile,
        student_above, student_two_sided,
    };

    fn near(seen: f64, should: f64, relative: f64) {
        assert!((seen / should - 1.0).abs() < relative, "{seen} instead of {should}");
    }

    /// Values that SciPy 1.17 gives (`norm.sf`, `norm.ppf`, `t.sf`, `f.sf`, `chi2.sf`).
    #[test]
    fn tails_are_those_of_a_library() {
        near(normal_above(1.66), 0.04845722626672282, 1e-14);
        near(normal_above(9.0), 1.1285884059538324e-19, 1e-13);
        near(normal_quantile(0.975), 1.959963984540054, 1e-15);
        near(normal_quantile(1e-12), -7.034483825301131, 1e-14);
        near(student_above(2.0, 1.0), 0.14758361765043326, 1e-12);
        near(student_above(3.0, 1e4), 0.001353224094998833, 1e-10);
        near(chi_squared_above(20.0, 9.0), 0.017912404529843298, 1e-12);
        near(chi_squared_above(150.0, 9.0), 8.819629954805395e-28, 1e-12);
        near(chi_squared_above(0.0, 9.0), 1.0, 1e-15);
        near(fisher_above(2.5, 18.0, 60.0), 0.004197464770740618, 1e-11);
        // From tables, from memory: 95 % of 1 and of 10, 2.5 % of 20.
        near(chi_squared_quantile(0.95, 1.0), 3.841, 2e-4);
        near(chi_squared_quantile(0.95, 10.0), 18.307, 1e-4);
        near(chi_squared_quantile(0.025, 20.0), 9.591, 1e-4);
    }

    /// t for 95 %, 95.45 % and 99 % (JCGM 100:2008, table G.2, from memory).
    #[test]
    fn students_t_is_that_of_the_table() {
        let rows = [
            (1.0, 12.71, 13.97, 63.66),
            (2.0, 4.30, 4.53, 9.92),
            (5.0, 2.57, 2.65, 4.03),
            (10.0, 2.23, 2.28, 3.17),
            (50.0, 2.01, 2.05, 2.68),
            (f64::INFINITY, 1.960, 2.000, 2.576),
        ];
        for (degrees, most, two, nearly) in rows {
            for (probability, should) in [(0.95, most), (0.9545, two), (0.99, nearly)] {
                let seen = student_two_sided(probability, degrees);
                assert!((seen - should).abs() < 0.0051, "{degrees} {probability}: {seen}");
            }
        }
    }

    #[test]
    fn both_ways_to_students_t_meet() {
        for probability in [0.1, 0.5, 0.95, 0.999_999] {
            let fewer = student_two_sided(probability, 99_999.0);
            near(student_two_sided(probability, 100_001.0), fewer, 1e-8);
        }
    }

    #[test]
    fn what_is_not_defined_is_not_a_number() {
        for wrong in [0.0, 1.0, -1.0, f64::NAN] {
            assert!(normal_quantile(wrong).is_nan() && student_two_sided(wrong, 5.0).is_nan());
        }
        assert!(student_two_sided(0.5, 0.5).is_nan() && student_two_sided(0.5, f64::NAN).is_nan());
        // The farthest that a double can ask for still ends.
        assert!(student_two_sided(1.0 - f64::EPSILON / 2.0, 1.0) > 1e14);
    }
}
