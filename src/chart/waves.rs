//! Periodic errors: what comes back with the turn, from the facets, and what does not, from the lines.

use crate::reading::Wave;
use core::f64::consts::TAU;

/// Frequencies looked at for each that the extent of the lines tells apart.
const OVERSAMPLING: f64 = 4.0;

/// Most waves.
const MAX_WAVES: usize = 3;

/// Chance that pure noise makes a wave that is shown.
const CHANCE: f64 = 0.01;

/// Amplitudes of a pattern over one turn at multiples of 1/N, from 1 to N/2: a wave A·cos has the amplitude A,
/// as in `banding`.
pub(crate) fn amplitudes(pattern: &[f64]) -> Vec<f64> {
    let n = pattern.len();
    let amplitude = |k: usize| {
        let (mut re, mut im) = (0.0, 0.0);
        for (place, value) in pattern.iter().enumerate() {
            // Whole turns are taken off before they cost digits.
            let phase = TAU * ((k * place) % n) as f64 / n as f64;
            re += value * phase.cos();
            im += value * phase.sin();
        }
        let sides = if 2 * k == n { 1.0 } else { 2.0 };
        sides * f64::hypot(re, im) / n as f64
    };
    (1..=n / 2).map(amplitude).collect()
}

/// Waves in values at uneven places in m, the largest first: each by least squares, taken out before the next. Their
/// frequency is `velocity` over the period.
pub(crate) fn waves(samples: &[(f64, f64)], velocity: f64) -> Vec<Wave> {
    let mut rest: Vec<(f64, f64)> = samples.to_vec();
    let count = rest.len() as f64;
    let mut found = Vec::new();
    let ends =
        rest.iter().fold((f64::MAX, f64::MIN), |(low, high), (y, _)| (y.min(low), y.max(high)));
    let extent = ends.1 - ends.0;
    if count < 20.0 || extent.is_nan() || extent <= 0.0 {
        return found;
    }
    straighten(&mut rest);
    let top = count / extent / 2.0;
    let steps = (top * extent * OVERSAMPLING) as usize;
    while found.len() < MAX_WAVES {
        let power: f64 = rest.iter().map(|(_, value)| value * value).sum::<f64>() / count;
        let mut best = (0.0, 0.0, 0.0, 0.0);
        for step in OVERSAMPLING as usize..=steps {
            let frequency = step as f64 / OVERSAMPLING / extent;
            let (a, b) = fit(&rest, frequency);
            if a * a + b * b > best.0 {
                best = (a * a + b * b, frequency, a, b);
            }
        }
        let (square, frequency, a, b) = best;
        // The largest of M exponential deviates (Scargle, Astrophys. J. 263, 1982).
        let limit = 4.0 * power / count * -(1.0 - (1.0 - CHANCE).powf(4.0 / steps as f64)).ln();
        if square.is_nan() || square <= limit {
            break;
        }
        for (y, value) in &mut rest {
            let phase = TAU * frequency * *y;
            *value -= a * phase.cos() + b * phase.sin();
        }
        let (amplitude, period) = (square.sqrt(), 1.0 / frequency);
        found.push(Wave { amplitude, period, frequency: frequency * velocity });
    }
    found
}

/// Cosine and sine of one frequency by least squares.
fn fit(samples: &[(f64, f64)], frequency: f64) -> (f64, f64) {
    let (mut cc, mut ss, mut cs, mut cv, mut sv) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (y, value) in samples {
        let (s, c) = (TAU * frequency * y).sin_cos();
        cc += c * c;
        ss += s * s;
        cs += c * s;
        cv += c * value;
        sv += s * value;
    }
    let det = cc * ss - cs * cs;
    ((cv * ss - sv * cs) / det, (sv * cc - cv * cs) / det)
}

/// Takes a straight line out.
fn straighten(samples: &mut [(f64, f64)]) {
    let count = samples.len() as f64;
    let (y, value) =
        samples.iter().fold((0.0, 0.0), |(a, b), (y, v)| (a + y / count, b + v / count));
    let (mut yy, mut yv) = (0.0, 0.0);
    for (at, v) in samples.iter() {
        yy += (at - y).powi(2);
        yv += (at - y) * (v - value);
    }
    for (at, v) in samples.iter_mut() {
        *v -= value + yv / yy * (*at - y);
    }
}

#[cfg(test)]
mod tests {
    use super::{amplitudes, waves};
    use core::f64::consts::TAU;

    #[test]
    fn a_cosine_over_a_turn_has_its_amplitude() {
        // Derived: only the multiple that is there.
        for n in [2_u32, 5, 10] {
            for k in 1..=n / 2 {
                let wave = |j: u32| 3.0 * (TAU * f64::from(j * k) / f64::from(n)).cos();
                let found = amplitudes(&(0..n).map(wave).collect::<Vec<f64>>());
                for (at, amplitude) in (1..).zip(&found) {
                    let wanted = if at == k { 3.0 } else { 0.0 };
                    assert!((amplitude - wanted).abs() < 1e-12, "{n} {k}: {found:?}");
                }
            }
        }
    }

    #[test]
    fn a_wave_at_uneven_places_is_found_and_noise_is_not() {
        let chance = |k: u32| 2.0 * (f64::from(k) * 0.618_033_988_75).fract() - 1.0;
        let mut y = 0.0;
        let samples: Vec<(f64, f64)> = (1..=300)
            .map(|k| {
                y += 0.5e-3 + 0.2e-3 * chance(k * 7);
                let noise = (1..=12).map(|m| chance(k * 13 + m * 7919)).sum::<f64>() * 0.2e-6;
                (y, 5e-6 * (TAU * y / 13.3e-3 + 1.0).cos() + noise + 1e-3 * y)
            })
            .collect();
        let found = waves(&samples, 0.1);
        assert!((found[0].amplitude - 5e-6).abs() < 0.3e-6, "{found:?}");
        assert!((found[0].period - 13.3e-3).abs() < 0.3e-3);
        assert!((found[0].frequency - 0.1 / 13.3e-3).abs() < 0.2);
    }
}
