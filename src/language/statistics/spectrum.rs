//! The waves that values taken at even steps are made of.

use rustfft::FftPlannerScalar;
use rustfft::num_complex::Complex;

/// One wave: amplitude * cos(2 π frequency t + phase).
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Tone {
    /// In cycles per step.
    pub frequency: f64,
    /// Half of it from end to end; of frequency 0 the mean, never negative.
    pub amplitude: f64,
    /// In rad.
    pub phase: f64,
}

/// From frequency 0 up to half a cycle per step: the discrete Fourier transform, each frequency together
/// with its mirror image (derived).
pub(crate) fn spectrum(values: &[f64]) -> Vec<Tone> {
    let count = values.len();
    let mut waves: Vec<Complex<f64>> = values.iter().map(|v| Complex::new(*v, 0.0)).collect();
    // Without the processor's vectors: they differ from machine to machine in the last digit.
    FftPlannerScalar::new().plan_fft_forward(count.max(1)).process(&mut waves);
    let tone = |(at, wave): (usize, &Complex<f64>)| {
        let both = if at == 0 || 2 * at == count { 1.0 } else { 2.0 };
        Tone {
            frequency: at as f64 / count as f64,
            amplitude: both * wave.norm() / count as f64,
            phase: libm::atan2(wave.im, wave.re),
        }
    };
    waves.iter().take(count / 2 + 1).enumerate().map(tone).collect()
}

#[cfg(test)]
mod tests {
    use super::spectrum;
    use core::f64::consts::TAU;

    #[test]
    fn a_wave_has_its_amplitude_and_phase() {
        for count in [16_u32, 21, 100] {
            let value =
                |k: u32| 5.0 + 3.0 * libm::cos(TAU * f64::from(2 * k) / f64::from(count) + 0.5);
            let tones = spectrum(&(0..count).map(value).collect::<Vec<_>>());
            assert_eq!(tones.len() as u32, count / 2 + 1);
            assert!((tones[0].amplitude - 5.0).abs() < 1e-12);
            let two = tones[2];
            assert!((two.amplitude - 3.0).abs() < 1e-12 && (two.phase - 0.5).abs() < 1e-12);
            assert_eq!(two.frequency, 2.0 / f64::from(count));
            assert!(
                tones.iter().enumerate().all(|(at, t)| at == 0 || at == 2 || t.amplitude < 1e-12)
            );
        }
    }
}
