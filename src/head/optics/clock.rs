//! The dot clock: which dot period the hardware can make nearest to the one asked for.

use crate::units::{Dimension, show_quantity};
use serde::{Deserialize, Serialize};
use thiserror::Error;

/// How the dot clock is made from the master clock.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ClockKind {
    /// The master clock divided by a whole number from `least` to `most`.
    Divider {
        /// Smallest divisor.
        least: u32,
        /// Largest divisor.
        most: u32,
    },
    /// A phase accumulator, stepped by the master clock.
    Accumulator {
        /// Width in bits.
        bits: u32,
    },
}

/// The dot clock.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Clock {
    /// Master clock in Hz.
    pub master: f64,
    /// How dots are made from it.
    pub kind: ClockKind,
}

/// A dot period that the hardware makes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Made {
    /// The divisor, or the accumulator's increment.
    pub setting: u64,
    /// Time per dot in s; with an accumulator the average, single dots differ by up to one
    /// period of the master clock.
    pub period: f64,
    /// Made less asked, in s.
    pub error: f64,
}

/// A dot period that the hardware cannot make.
#[derive(Clone, Copy, Debug, Error, PartialEq)]
pub enum ClockError {
    /// The clock's own description makes no sense.
    #[error("the dot clock is described wrongly: {0}")]
    Description(&'static str),
    /// Not a time per dot.
    #[error("a dot period must be a finite time greater than zero")]
    NotAPeriod,
    /// Too short or too long.
    #[error("the dot clock makes {} to {} per dot, not {}", time(*.shortest), time(*.longest), time(*.asked))]
    Outside {
        /// What was asked for, in s.
        asked: f64,
        /// The shortest dot period, in s.
        shortest: f64,
        /// The longest dot period, in s.
        longest: f64,
    },
}

fn time(seconds: f64) -> String {
    show_quantity(seconds, Dimension::TIME, None, None)
}

/// Widest accumulator whose increments a double still counts exactly.
const MAX_BITS: u32 = 52;

impl Clock {
    /// The shortest and the longest dot period, in s.
    pub fn limits(&self) -> Result<(f64, f64), ClockError> {
        if !(self.master.is_finite() && self.master > 0.0) {
            return Err(ClockError::Description(
                "the master clock must be a finite frequency greater than zero",
            ));
        }
        match self.kind {
            ClockKind::Divider { least, most } if least >= 1 && most >= least => {
                Ok((f64::from(least) / self.master, f64::from(most) / self.master))
            }
            ClockKind::Divider { .. } => {
                Err(ClockError::Description("divisors must run from at least 1 up to the largest"))
            }
            ClockKind::Accumulator { bits } if (2..=MAX_BITS).contains(&bits) => {
                Ok((2.0 / self.master, pow2(bits) / self.master))
            }
            ClockKind::Accumulator { .. } => {
                Err(ClockError::Description("an accumulator must be 2 to 52 bits wide"))
            }
        }
    }

    /// The periods in s next to `period` on both sides that the hardware can make, as far as it can.
    pub(crate) fn around(&self, period: f64) -> Vec<f64> {
        let Ok((shortest, longest)) = self.limits() else { return Vec::new() };
        let divided = period * self.master;
        let made = |whole: fn(f64) -> f64| match self.kind {
            ClockKind::Divider { .. } => whole(divided) / self.master,
            ClockKind::Accumulator { bits } => {
                pow2(bits) / (whole(pow2(bits) / divided) * self.master)
            }
        };
        let both = [made(f64::floor), made(f64::ceil)];
        both.into_iter().filter(|period| (shortest..=longest).contains(period)).collect()
    }

    /// The dot period nearest to `period` (in s) that the hardware can make.
    ///
    /// Divider: period = divisor / master. Accumulator of b bits with increment m:
    /// frequency = m · master / 2^b, m up to 2^(b−1) (common practice, no source).
    pub fn nearest(&self, period: f64) -> Result<Made, ClockError> {
        let (shortest, longest) = self.limits()?;
        if !(period.is_finite() && period > 0.0) {
            return Err(ClockError::NotAPeriod);
        }
        // What rounds to the last setting is still made by it.
        let outside = ClockError::Outside { asked: period, shortest, longest };
        let made = |setting: f64, made: f64| Made {
            setting: setting as u64,
            period: made,
            error: made - period,
        };
        match self.kind {
            ClockKind::Divider { least, most } => {
                let divisor = (period * self.master).round();
                if divisor < f64::from(least) || divisor > f64::from(most) {
                    return Err(outside);
                }
                Ok(made(divisor, divisor / self.master))
            }
            ClockKind::Accumulator { bits } => {
                let turn = pow2(bits);
                let exact = turn / (self.master * period);
                if !(0.5..=turn / 2.0 + 0.5).contains(&exact) {
                    return Err(outside);
                }
                let of = |increment: f64| turn / (increment * self.master);
                let low = exact.floor().clamp(1.0, turn / 2.0);
                let high = exact.ceil().clamp(1.0, turn / 2.0);
                // Nearest in period, which is not always nearest in frequency.
                let best =
                    if (of(low) - period).abs() < (of(high) - period).abs() { low } else { high };
                Ok(made(best, of(best)))
            }
        }
    }
}

fn pow2(bits: u32) -> f64 {
    (1_u64 << bits.min(MAX_BITS)) as f64
}

#[cfg(test)]
mod tests {
    use super::{Clock, ClockError, ClockKind};

    #[test]
    fn a_divider_makes_whole_multiples_of_the_master_period() {
        let clock = Clock { master: 100e6, kind: ClockKind::Divider { least: 2, most: 40 } };
        let made = clock.nearest(208.333e-9).unwrap();
        assert_eq!(made.setting, 21);
        assert!((made.period - 210e-9).abs() < 1e-20);
        assert!((made.error - 1.667e-9).abs() < 1e-15);
        for period in [1e-9, 1.0, 0.0, -1.0, f64::NAN] {
            assert!(clock.nearest(period).is_err(), "{period}");
        }
        let text = clock.nearest(1e-6).unwrap_err().to_string();
        assert_eq!(text, "the dot clock makes 20 ns to 400 ns per dot, not 1 us");
    }

    #[test]
    fn an_accumulator_is_the_nearest_of_all_increments() {
        let clock = Clock { master: 50e6, kind: ClockKind::Accumulator { bits: 8 } };
        for period in [41e-9, 100e-9, 333e-9, 1.5e-6, 2.9e-6, 5e-6] {
            let made = clock.nearest(period).unwrap();
            let best = (1..=128)
                .map(|m| (256.0 / (f64::from(m) * 50e6) - period).abs())
                .fold(f64::INFINITY, f64::min);
            assert!((made.error.abs() - best).abs() < 1e-21, "{period}");
        }
        assert!(clock.nearest(20e-9).is_err());
        assert!(clock.nearest(20e-6).is_err());
    }

    #[test]
    fn a_clock_that_makes_no_sense_is_named() {
        let with = |master, kind| Clock { master, kind }.limits();
        let wrong = |r: Result<_, _>| matches!(r, Err(ClockError::Description(_)));
        assert!(wrong(with(0.0, ClockKind::Divider { least: 1, most: 2 })));
        assert!(wrong(with(1e6, ClockKind::Divider { least: 3, most: 2 })));
        assert!(wrong(with(1e6, ClockKind::Divider { least: 0, most: 2 })));
        assert!(wrong(with(1e6, ClockKind::Accumulator { bits: 64 })));
    }
}
