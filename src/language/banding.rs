//! Banding: how much of the unevenness of lines comes back with every turn of the polygon.
//!
//! Facet errors show as peaks at 1/N of the line frequency and its multiples in a Fourier
//! transform of line positions (You, J. Imaging Sci. Technol. 49(6), 2005, abstract). Here the
//! positions are given as shifts against an even grid, and only whole turns are transformed, so
//! that each peak falls on one frequency of the transform and none leaks into its neighbours
//! (derived). Doses are analysed in the same way.

use rustfft::FftPlannerScalar;
use rustfft::num_complex::Complex;
use thiserror::Error;

/// Most shifts that are analysed at once.
pub(crate) const MAX_SHIFTS: usize = 10_000_000;

/// One peak.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Peak {
    /// Which multiple of 1/N of the line frequency, from 1.
    pub harmonic: u32,
    /// The same in cycles per line: harmonic/N.
    pub frequency: f64,
    /// Half of what a wave of this frequency moves lines from end to end, in the unit of the shifts.
    pub amplitude: f64,
}

/// The result of an analysis.
#[derive(Clone, Debug, PartialEq)]
pub struct Banding {
    /// Lines that were analysed: those of whole turns.
    pub lines: usize,
    /// The peaks, from the lowest frequency up to half a cycle per line.
    pub peaks: Vec<Peak>,
    /// Root mean square of all that does not come back with every turn, in the unit of the shifts.
    pub rest: f64,
}

/// Why there is none.
#[derive(Clone, Debug, Error, PartialEq)]
pub enum BandingError {
    /// Fewer than two facets make no pattern.
    #[error("banding comes back every N lines: there must be 2 to 1000 facets, not {0}")]
    Facets(u32),
    /// Less than a turn.
    #[error("banding needs at least one turn, {facets} lines, and there are {lines}")]
    TooFew {
        /// Lines given.
        lines: usize,
        /// Facets.
        facets: u32,
    },
    /// More than can be analysed.
    #[error("at most {MAX_SHIFTS} lines can be analysed, and there are {0}")]
    TooMany(usize),
}

/// Peaks of the shifts or doses of successive lines, drawn by `facets` facets in turn.
pub fn banding(shifts: &[f64], facets: u32) -> Result<Banding, BandingError> {
    if !(2..=1000).contains(&facets) {
        return Err(BandingError::Facets(facets));
    }
    let turns = shifts.len() / facets as usize;
    let lines = turns * facets as usize;
    if turns == 0 {
        return Err(BandingError::TooFew { lines: shifts.len(), facets });
    }
    if shifts.len() > MAX_SHIFTS {
        return Err(BandingError::TooMany(shifts.len()));
    }
    let mean = shifts.iter().take(lines).sum::<f64>() / lines as f64;
    let mut spectrum: Vec<Complex<f64>> =
        shifts.iter().take(lines).map(|shift| Complex::new(shift - mean, 0.0)).collect();
    // Without the processor's vectors: they differ from machine to machine in the last digit.
    FftPlannerScalar::new().plan_fft_forward(lines).process(&mut spectrum);
    let count = lines as f64;
    let peaks: Vec<Peak> = (1..=facets / 2)
        .map(|harmonic| {
            let value = spectrum.get(harmonic as usize * turns).map_or(0.0, |c| c.norm());
            // The highest frequency has no mirror image.
            let both = if 2 * harmonic == facets { 1.0 } else { 2.0 };
            Peak {
                harmonic,
                frequency: f64::from(harmonic) / f64::from(facets),
                amplitude: both * value / count,
            }
        })
        .collect();
    // Parseval: the mean of the squares is the sum of the squared magnitudes over n².
    let others = spectrum.iter().enumerate().filter(|(index, _)| !index.is_multiple_of(turns));
    let rest = others.map(|(_, value)| value.norm_sqr()).sum::<f64>().sqrt() / count;
    Ok(Banding { lines, peaks, rest })
}

#[cfg(test)]
mod tests {
    use super::{BandingError, banding};
    use core::f64::consts::TAU;

    #[test]
    fn a_wave_over_the_facets_is_one_peak_of_its_amplitude() {
        // A·cos has the amplitude A by definition; the ramp's mean does not matter.
        for (facets, harmonic) in [(10, 1), (10, 3), (10, 5), (7, 2), (12, 6)] {
            let shift = |k: u32| {
                let turn = f64::from(k * harmonic) / f64::from(facets);
                5e-6 + 3e-6 * libm::cos(TAU * turn)
            };
            // Some lines beyond whole turns.
            let shifts: Vec<f64> = (0..facets * 40 + 3).map(shift).collect();
            let seen = banding(&shifts, facets).unwrap();
            assert_eq!(seen.lines as u32, facets * 40);
            assert_eq!(seen.peaks.len() as u32, facets / 2);
            assert!(seen.rest < 1e-15, "{seen:?}");
            for peak in &seen.peaks {
                let should = if peak.harmonic == harmonic { 3e-6 } else { 0.0 };
                assert!((peak.amplitude - should).abs() < 1e-14, "{peak:?}");
            }
        }
    }

    #[test]
    fn a_facet_shows_at_parts_of_the_line_frequency() {
        // Banding of facets lies at 1/N of the line frequency and its multiples in a Fourier transform
        // of line positions: You, J. Imaging Sci. Technol. 49(6), 2005, abstract. One facet of ten off
        // by a is a comb: each harmonic below half the line frequency has 2·a/N, and that at half has
        // a/N (Fourier series, derived).
        let shifts: Vec<f64> =
            (0..200).map(|line| if line % 10 == 3 { 5e-6 } else { 0.0 }).collect();
        let peaks = banding(&shifts, 10).unwrap().peaks;
        let at: Vec<f64> = peaks.iter().map(|peak| f64::from(peak.harmonic) / 10.0).collect();
        assert_eq!(at, [0.1, 0.2, 0.3, 0.4, 0.5]);
        for peak in &peaks {
            let want = if peak.harmonic == 5 { 0.5e-6 } else { 1e-6 };
            assert!((peak.amplitude / want - 1.0).abs() < 1e-9, "{peak:?}");
        }
    }

    #[test]
    fn what_does_not_come_back_with_the_turn_is_the_rest() {
        // A wave of half the turn's frequency; its root mean square is A/√2.
        let shifts: Vec<f64> =
            (0..400).map(|k| 2e-6 * libm::sin(TAU * f64::from(k) / 20.0)).collect();
        let seen = banding(&shifts, 10).unwrap();
        assert!((seen.rest - 2e-6 / 2_f64.sqrt()).abs() < 1e-14, "{seen:?}");
        assert!(seen.peaks.iter().all(|peak| peak.amplitude < 1e-14));
    }

    #[test]
    fn one_turn_is_enough_and_less_is_not() {
        assert_eq!(banding(&[1e-6, -1e-6], 2).unwrap().peaks[0].amplitude, 1e-6);
        let few = BandingError::TooFew { lines: 9, facets: 10 };
        assert_eq!(banding(&[0.0; 9], 10), Err(few));
        assert_eq!(banding(&[0.0; 9], 1), Err(BandingError::Facets(1)));
    }
}
