//! Registers that hold a signed quantity in whole steps.

use serde::{Deserialize, Serialize};
use thiserror::Error;

/// A register that holds a signed quantity in whole steps.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Register {
    /// One step, in the register's unit.
    pub step: f64,
    /// Holds −range to +range, in the register's unit.
    pub range: f64,
}

/// A value that a register cannot hold. The caller, who knows the unit, words the report.
#[derive(Clone, Copy, Debug, Error, PartialEq)]
#[error("{value} does not fit a register that holds {low} to {high}")]
pub struct OutOfRegister {
    /// What was to be held.
    pub value: f64,
    /// The smallest value held.
    pub low: f64,
    /// The largest value held.
    pub high: f64,
}

impl Register {
    /// The value that the register holds for `value`: the nearest whole step.
    pub fn hold(&self, value: f64) -> Result<f64, OutOfRegister> {
        let steps = (value / self.step).round();
        // Half a step beyond the range still rounds to the last step inside it.
        let most = self.most();
        if steps.abs() * self.step <= most * (1.0 + 1e-12) {
            // Adding zero turns −0 into 0, so that equal registers print alike.
            Ok(steps * self.step + 0.0)
        } else {
            Err(OutOfRegister { value, low: -most, high: most })
        }
    }

    /// The largest value that it holds.
    pub fn most(&self) -> f64 {
        (self.range / self.step * (1.0 + 1e-12)).floor() * self.step
    }

    /// What it holds for `value`, or the end of its range where that is beyond.
    pub fn nearest(&self, value: f64) -> f64 {
        self.hold(value).unwrap_or_else(|_| self.most().copysign(value))
    }

    /// Standard uncertainty of a value rounded to a step: step/√12, a rectangular
    /// distribution (JCGM 100:2008 clause F.2.2.1, from memory).
    pub fn resolution_u(&self) -> f64 {
        self.step / 12.0_f64.sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::Register;

    #[test]
    fn a_register_rounds_to_steps_and_refuses_what_does_not_fit() {
        let register = Register { step: 1e-9, range: 1e-6 };
        assert_eq!(register.hold(1.6e-9), Ok(2e-9));
        assert_eq!(register.hold(-1e-6).map(|v| v + 1e-6 < 1e-18), Ok(true));
        assert_eq!(register.hold(-0.0).map(f64::to_bits), Ok(0));
        let outside = register.hold(1.1e-6).unwrap_err();
        assert!((outside.high - 1e-6).abs() < 1e-18);
        assert_eq!(register.nearest(-1.0), -register.most());
        assert_eq!(register.nearest(1.6e-9), 2e-9);
        assert!(register.hold(f64::NAN).is_err());
        assert!(register.hold(f64::INFINITY).is_err());
    }
}
