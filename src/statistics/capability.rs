//! Capability indices: how much room limits leave for how a process spreads.

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

#[cfg(test)]
mod tests {
    use super::{cp, cpk};

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
}
