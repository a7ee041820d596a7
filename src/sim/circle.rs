//! Rounding to whole numbers; sine and cosine of an angle in turns, as swings and random numbers have it.

use core::f64::consts::FRAC_PI_2;

/// 2⁵²: from here on doubles have no fraction.
const WHOLE: f64 = 4_503_599_627_370_496.0;

/// The nearest whole number, of two as near the even one. Quicker than the library, which not every processor
/// helps.
pub(crate) fn whole(number: f64) -> f64 {
    let size = number.abs();
    if size < WHOLE { ((size + WHOLE) - WHOLE).copysign(number) } else { number }
}

/// Added to a number of less than 2⁵⁰ and taken away again, it leaves the nearest whole number, of which the
/// last bits tell in between.
const COUNTED: f64 = 1.5 * WHOLE;

/// Factors of the terms of order 15 down to 3 of a sine, ±1/n!.
const SINE: [f64; 7] = [
    -1.0 / 1_307_674_368_000.0,
    1.0 / 6_227_020_800.0,
    -1.0 / 39_916_800.0,
    1.0 / 362_880.0,
    -1.0 / 5040.0,
    1.0 / 120.0,
    -1.0 / 6.0,
];

/// Factors of the terms of order 16 down to 4 of a cosine.
const COSINE: [f64; 7] = [
    1.0 / 20_922_789_888_000.0,
    -1.0 / 87_178_291_200.0,
    1.0 / 479_001_600.0,
    -1.0 / 3_628_800.0,
    1.0 / 40_320.0,
    -1.0 / 720.0,
    1.0 / 24.0,
];

/// Sine and cosine of so many turns, less than 2⁴⁸, to 2⁻⁵² of a full swing.
///
/// What is beyond the nearest quarter, at most π/4, is found without rounding, which an angle in rad does not
/// allow, and put into the series of Taylor: the first terms left out are below 5e-17 (derived). The same
/// digits on every machine.
pub(crate) fn sincos(turns: f64) -> (f64, f64) {
    let quarters = 4.0 * turns;
    let shifted = quarters + COUNTED;
    let angle = (quarters - (shifted - COUNTED)) * FRAC_PI_2;
    let square = angle * angle;
    let series = |terms: [f64; 7]| terms.into_iter().fold(0.0, |sum, term| sum * square + term);
    let sin = angle + angle * square * series(SINE);
    let cos = 1.0 - 0.5 * square + square * square * series(COSINE);
    // Quarters come at random, so a branch on them would be guessed wrong: of an odd one sine and cosine change
    // places, and the second bit of it and of the next one is the sign.
    let quarter = shifted.to_bits();
    let (sin, cos, odd) = (sin.to_bits(), cos.to_bits(), (quarter & 1).wrapping_neg());
    let swap = (sin ^ cos) & odd;
    let signed = |bits: u64, quarter: u64| f64::from_bits(bits ^ (quarter & 2) << 62);
    (signed(sin ^ swap, quarter), signed(cos ^ swap, quarter + 1))
}

#[cfg(test)]
mod tests {
    use super::{sincos, whole};
    use core::f64::consts::TAU;

    /// Against libm, which takes rad: the angle rounded to a double is off by up to 2⁻⁵³ of itself.
    #[test]
    fn the_same_as_the_library_says() {
        for k in -40_000..40_000 {
            let turns = f64::from(k) * 1.234_567e-3;
            let (sin, cos) = sincos(turns);
            let (wanted_sin, wanted_cos) = libm::sincos(turns * TAU);
            let most = 3e-16 + 2.3e-16 * (turns * TAU).abs();
            assert!((sin - wanted_sin).abs() < most, "{turns}: {sin} {wanted_sin}");
            assert!((cos - wanted_cos).abs() < most, "{turns}: {cos} {wanted_cos}");
        }
        // Whole quarters are exact, however many.
        assert_eq!(sincos(1e12 + 0.25), (1.0, -0.0));
        assert_eq!(sincos(-0.5), (-0.0, -1.0));
    }

    #[test]
    fn whole_numbers_are_the_nearest() {
        let past = [0.0, 0.4999, 0.5, 1.5, 2.5001, 1e15 + 0.5, 4e15 + 0.5, 1e16, 1e300];
        for number in past.into_iter().flat_map(|number| [number, -number]) {
            assert_eq!(whole(number), number.round_ties_even());
        }
    }
}
