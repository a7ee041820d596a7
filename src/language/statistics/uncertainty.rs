//! Uncertainty budgets as JCGM 100:2008 (GUM) defines them.

/// Independent components together: the root of the sum of their squares (GUM 5.1.2, from memory;
/// sensitivities are in the components).
pub(crate) fn combined(components: &[f64]) -> f64 {
    components.iter().fold(0.0, |sum, component| libm::hypot(sum, *component))
}

/// The effective degrees of freedom by the Welch-Satterthwaite formula (GUM G.4.1, equation G.2b,
/// from memory), not rounded; NaN where all components are zero.
pub(crate) fn effective_degrees(components: &[f64], degrees: &[f64]) -> f64 {
    let whole = combined(components);
    let parts = components.iter().zip(degrees);
    1.0 / parts.map(|(component, degrees)| (component / whole).powi(4) / degrees).sum::<f64>()
}

#[cfg(test)]
mod tests {
    use super::{combined, effective_degrees};
    use crate::statistics::distributions::student_two_sided;

    /// Three inputs with 0.25 %, 0.57 %, 0.82 % and 9, 4, 14 degrees of freedom: 1.03 %, 19.0,
    /// t95 = 2.09, U95 = 2.2 % (GUM G.4.1, example, from memory).
    #[test]
    fn the_example_of_the_effective_degrees() {
        let components = [0.25, 0.57, 0.82];
        let u = combined(&components);
        assert!((u - 1.03).abs() < 0.005, "{u}");
        let degrees = effective_degrees(&components, &[9.0, 4.0, 14.0]);
        assert!((degrees - 19.0).abs() < 0.05, "{degrees}");
        let factor = student_two_sided(0.95, degrees);
        assert!((factor - 2.09).abs() < 0.005 && (factor * u - 2.2).abs() < 0.05);
    }

    /// The end gauge: 25 (18), 9.7 (25.6), 2.9 (50) and 16.6 (2) nm: 32 nm, 16 degrees of freedom,
    /// t99 = 2.92, U99 = 93 nm (GUM H.1.6, from memory).
    #[test]
    fn the_example_of_the_end_gauge() {
        let components = [25.0, 9.7, 2.9, 16.6];
        let u = combined(&components);
        assert_eq!(u.round(), 32.0);
        let degrees = effective_degrees(&components, &[18.0, 25.6, 50.0, 2.0]).floor();
        assert_eq!(degrees, 16.0);
        let factor = student_two_sided(0.99, degrees);
        assert!((factor - 2.92).abs() < 0.005);
        assert_eq!((factor * u.round()).round(), 93.0);
    }

    #[test]
    fn nothing_known_is_not_a_number() {
        assert_eq!(combined(&[]), 0.0);
        assert!(effective_degrees(&[0.0, 0.0], &[5.0, 5.0]).is_nan());
        assert_eq!(effective_degrees(&[1.0, 0.0], &[f64::INFINITY, 5.0]), f64::INFINITY);
    }
}
