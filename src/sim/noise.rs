//! Random numbers that depend on where they are used, never on how often they are asked for:
//! each is a function of seed, stream and index. Transcendental functions come from libm, so
//! that the same seed gives the same bytes on every machine.

use crate::circle::sincos;

/// What a random number is for; each has its own independent stream.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Stream {
    /// Division errors of the facets.
    Division = 1,
    /// Facet-to-axis errors.
    FacetToAxis = 2,
    /// Reflectivities of the facets.
    Reflectivity = 3,
    /// Phases of ripple.
    RipplePhase = 4,
    /// Jitter of turns and of their index pulse.
    Turn = 5,
    /// Jitter of start-of-scan pulses.
    StartOfScan = 6,
    /// Start-of-scan pulses that drop out.
    Dropout = 7,
    /// Wobble of the galvanometer from line to line.
    Wobble = 8,
    /// Noise of the gauge.
    Gauge = 9,
    /// Readings that the gauge loses.
    LostReading = 10,
    /// Ripple on the rails.
    Rail = 11,
    /// Whether a power loss finds the old trims or the new ones.
    PowerLoss = 12,
    /// How much longer the line of a facet is.
    Stretch = 13,
    /// Noise of channels.
    Channel = 14,
    /// What an input reads that nothing drives.
    Floating = 15,
    /// How much the line of a facet rises across.
    Skew = 16,
    /// Marks that the gauge reads wildly wrong.
    Wild = 17,
    /// Noise of the gauge's dose.
    Dose = 18,
    /// Noise of the gauge's widths.
    Width = 19,
    /// Phases of hunting.
    Hunting = 30,
    /// Phase of the wobble of the medium.
    MediumWobble = 31,
    /// Jitter of end-of-scan pulses.
    EndOfScan = 20,
}

/// A source of numbers from one seed.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Noise {
    seed: u64,
}

/// The largest magnitude that [`Noise::normal_pair`] can give: √(2·53·ln 2).
pub(crate) const MAX_NORMAL: f64 = 8.572;

impl Noise {
    /// From a seed.
    pub(crate) fn new(seed: u64) -> Noise {
        Noise { seed: mix(seed) }
    }

    fn bits(self, stream: Stream, index: u64, draw: u64) -> u64 {
        let lane = (stream as u64) << 8 | draw;
        mix(mix(self.seed ^ lane.wrapping_mul(0xd1b5_4a32_d192_ed03)) ^ index)
    }

    /// Evenly over 0 to 1, 0 excluded.
    pub(crate) fn uniform(self, stream: Stream, index: u64) -> f64 {
        unit(self.bits(stream, index, 0))
    }

    /// Two independent numbers of a normal distribution with mean 0 and variance 1, by the
    /// method of Box and Muller (1958, from memory).
    pub(crate) fn normal_pair(self, stream: Stream, index: u64) -> (f64, f64) {
        let radius = libm::sqrt(-2.0 * libm::log(unit(self.bits(stream, index, 0))));
        let (sin, cos) = sincos(unit(self.bits(stream, index, 1)));
        (radius * cos, radius * sin)
    }

    /// The first of the two.
    pub(crate) fn normal(self, stream: Stream, index: u64) -> f64 {
        self.normal_pair(stream, index).0
    }
}

/// Evenly over 2⁻⁵³ to 1.
fn unit(bits: u64) -> f64 {
    ((bits >> 11) + 1) as f64 * (1.0 / (1_u64 << 53) as f64)
}

/// A bijection of 64-bit words whose outputs look random: multiply and fold (constants of
/// the SplitMix64 generator, from memory; the statistics are tested below).
fn mix(word: u64) -> u64 {
    let word = word.wrapping_add(0x9e37_79b9_7f4a_7c15);
    let word = (word ^ (word >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    let word = (word ^ (word >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    word ^ (word >> 31)
}

#[cfg(test)]
mod tests {
    use super::{MAX_NORMAL, Noise, Stream};

    #[test]
    fn normals_have_the_moments_of_a_normal_distribution() {
        // Moments 0, 1, 0, 3 and P(|z| < 1.959964) = 0.95: textbook values, from memory.
        // Tolerances are five standard errors for n = 100000.
        let noise = Noise::new(7);
        let n = 100_000_u32;
        let all: Vec<f64> = (0..u64::from(n)).map(|i| noise.normal(Stream::Turn, i)).collect();
        let moment = |k: i32| all.iter().map(|z| z.powi(k)).sum::<f64>() / f64::from(n);
        assert!(moment(1).abs() < 0.016, "{}", moment(1));
        assert!((moment(2) - 1.0).abs() < 0.023, "{}", moment(2));
        assert!(moment(3).abs() < 0.062, "{}", moment(3));
        assert!((moment(4) - 3.0).abs() < 0.16, "{}", moment(4));
        let inside = all.iter().filter(|z| z.abs() < 1.959_964).count() as f64 / f64::from(n);
        assert!((inside - 0.95).abs() < 0.0035, "{inside}");
        assert!(all.iter().all(|z| z.abs() < MAX_NORMAL));
        // Neighbours, the two of a pair, and streams are not alike.
        let product = |f: &dyn Fn(u64) -> (f64, f64)| {
            (0..u64::from(n)).map(f).map(|(a, b)| a * b).sum::<f64>() / f64::from(n)
        };
        assert!(product(&|i| noise.normal_pair(Stream::Turn, i)).abs() < 0.016);
        let neighbours = |i| (noise.normal(Stream::Turn, i), noise.normal(Stream::Turn, i + 1));
        assert!(product(&neighbours).abs() < 0.016);
        let streams = |i| (noise.normal(Stream::Turn, i), noise.normal(Stream::Gauge, i));
        assert!(product(&streams).abs() < 0.016);
        let seeds = |i| {
            let other = Noise::new(8).normal(Stream::Turn, i);
            (noise.normal(Stream::Turn, i), other)
        };
        assert!(product(&seeds).abs() < 0.016);
    }

    #[test]
    fn a_number_stays_what_it_is() {
        let a = Noise::new(1).normal(Stream::Gauge, 5);
        let _ = Noise::new(1).normal(Stream::Gauge, 6);
        assert_eq!(a.to_bits(), Noise::new(1).normal(Stream::Gauge, 5).to_bits());
        assert_ne!(a.to_bits(), Noise::new(2).normal(Stream::Gauge, 5).to_bits());
    }
}
