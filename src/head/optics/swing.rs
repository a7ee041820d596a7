//! A swing of the speed that is too fast for the time of a turn to tell: found in what lines say of their own
//! speed.

use core::f64::consts::TAU;

/// What a line tells of the speed at which it was drawn.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Told {
    pub(crate) facet: usize,
    /// The middle of the time that counts, in s.
    pub(crate) time: f64,
    /// Share by which it was drawn faster than another line of its facet, the same for all of them.
    pub(crate) share: f64,
}

/// A share of the speed that swings with one frequency.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Swing {
    /// Angular frequency in rad/s.
    pub(crate) angular: f64,
    sine: f64,
    cosine: f64,
}

/// Frequencies that are tried for each that so long a time tells apart.
const TRIED: f64 = 6.0;

/// Most lines in which a swing is sought: the mean of more needs no help, and time grows with their square.
pub(crate) const MAX_SOUGHT: usize = 400;

/// Frequencies that a time tells apart, up to one swing a turn.
pub(crate) fn told_apart(lines: &[Told], turn: f64) -> f64 {
    let last = lines.iter().map(|line| line.time).fold(f64::NEG_INFINITY, f64::max);
    lines.iter().map(|line| last - line.time).fold(0.0, f64::max) / turn
}

impl Swing {
    /// What it adds at a time.
    pub(crate) fn at(&self, time: f64) -> f64 {
        let (sin, cos) = libm::sincos(self.angular * time);
        self.sine * sin + self.cosine * cos
    }

    /// What it adds to the mean over a time of so many seconds around `middle` (derived).
    pub(crate) fn over(&self, middle: f64, seconds: f64) -> f64 {
        let half = self.angular * seconds / 2.0;
        if half == 0.0 { 0.0 } else { self.at(middle) * libm::sin(half) / half }
    }

    /// The strongest swing of lines of several facets, slower than one a turn: the wave that leaves the smallest
    /// squares, beside one constant for each facet (derived). Lines are read at uneven times, so that it is not
    /// mistaken for another one. None for fewer than two lines.
    pub(crate) fn strongest(lines: &[Told], turn: f64) -> Swing {
        let tried = TRIED * told_apart(lines, turn);
        let step = TAU / (tried * turn);
        let coarse = best(lines, 0.0, step, tried as usize);
        let step = step / TRIED;
        best(lines, coarse.angular - TRIED * step, step, 2 * TRIED as usize)
    }
}

/// The best of `count` frequencies, `step` apart, above `from`, in rad/s.
fn best(lines: &[Told], from: f64, step: f64, count: usize) -> Swing {
    // Waves of the frequency that is tried, and by what the next one differs.
    let first = lines.iter().map(|line| line.time).fold(f64::INFINITY, f64::min);
    let wave = |angular: f64| move |line: &Told| libm::sincos(angular * (line.time - first));
    let mut waves: Vec<(f64, f64)> = lines.iter().map(wave(from)).collect();
    let turned: Vec<(f64, f64)> = lines.iter().map(wave(step)).collect();
    let mut best = (0.0, Swing::default());
    let mut angular = from;
    for _ in 0..count {
        angular += step;
        waves.iter_mut().zip(&turned).for_each(|(wave, by)| {
            *wave = (wave.0 * by.1 + wave.1 * by.0, wave.1 * by.1 - wave.0 * by.0);
        });
        let (explained, sine, cosine) = explained(lines, &waves);
        if explained > best.0 {
            // From the first line's time to that of the head.
            let (sin, cos) = libm::sincos(angular * first);
            let (sine, cosine) = (sine * cos + cosine * sin, cosine * cos - sine * sin);
            best = (explained, Swing { angular, sine, cosine });
        }
    }
    best.1
}

/// How much of the squares a wave explains, with its two amplitudes; each facet has a constant of its own.
/// Lines of one facet lie one behind the other.
fn explained(lines: &[Told], waves: &[(f64, f64)]) -> (f64, f64, f64) {
    let (mut ss, mut sc, mut cc, mut sq, mut cq) = (0.0, 0.0, 0.0, 0.0, 0.0);
    let mut rest = waves;
    for facet in lines.chunk_by(|a, b| a.facet == b.facet) {
        let (own, after) = rest.split_at(facet.len());
        rest = after;
        let count = facet.len() as f64;
        let (mut s, mut c, mut q) = (0.0, 0.0, 0.0);
        for (line, (sin, cos)) in facet.iter().zip(own) {
            (s, c, q) = (s + sin, c + cos, q + line.share);
            (ss, sc, cc) = (ss + sin * sin, sc + sin * cos, cc + cos * cos);
            (sq, cq) = (sq + sin * line.share, cq + cos * line.share);
        }
        (ss, sc, cc) = (ss - s * s / count, sc - s * c / count, cc - c * c / count);
        (sq, cq) = (sq - s * q / count, cq - c * q / count);
    }
    let determinant = ss * cc - sc * sc;
    // Waves that are constants of the facets explain nothing.
    if determinant <= 1e-6 * lines.len() as f64 {
        return (0.0, 0.0, 0.0);
    }
    let (sine, cosine) = ((sq * cc - cq * sc) / determinant, (cq * ss - sq * sc) / determinant);
    (sine * sq + cosine * cq, sine, cosine)
}

/// Squares of what lines tell, around the mean of their facet.
pub(crate) fn squares(lines: &[Told]) -> f64 {
    let facets = lines.chunk_by(|a, b| a.facet == b.facet);
    let own = |facet: &[Told]| {
        let mean = facet.iter().map(|line| line.share).sum::<f64>() / facet.len() as f64;
        facet.iter().map(|line| (line.share - mean).powi(2)).sum::<f64>()
    };
    facets.map(own).sum()
}

#[cfg(test)]
mod tests {
    use super::{Swing, Told, squares};
    use core::f64::consts::TAU;

    /// Lines of four facets, read at uneven times, in a time of 3.2 s.
    fn lines(share: impl Fn(f64) -> f64) -> Vec<Told> {
        let told = |k: usize| {
            let (facet, number) = (k / 20, k % 20);
            let uneven = 2.0 * (k as f64 * 0.618_033_988_75).fract();
            let time =
                100.0 + 0.16 * number as f64 + 0.0125 * uneven.floor() + 0.003 * facet as f64;
            // What facets differ by is no swing.
            Told { facet, time, share: 10.0 * facet as f64 + share(time) }
        };
        (0..80).map(told).collect()
    }

    /// A wave of 41.37 Hz, next to which nothing is left.
    #[test]
    fn a_wave_is_found_by_frequency_and_phase() {
        let wave = |time: f64| 3.0 * (TAU * 41.37 * time + 0.5).sin();
        let told = lines(wave);
        let found = Swing::strongest(&told, 0.0125);
        assert!((found.angular / TAU - 41.37).abs() < 0.02, "{}", found.angular / TAU);
        let left: Vec<Told> = told
            .iter()
            .map(|line| Told { share: line.share - found.at(line.time), ..*line })
            .collect();
        assert!(squares(&left) < 2e-3 * squares(&told), "{}", squares(&left) / squares(&told));
        // Its mean over a time, against the sum of many of its values.
        let mean =
            (0..1000).map(|k| wave(100.0 + 0.0125 * (f64::from(k) + 0.5) / 1000.0)).sum::<f64>()
                / 1000.0;
        assert!((found.over(100.006_25, 0.0125) - mean).abs() < 0.1, "{mean}");
    }

    #[test]
    fn lines_that_tell_nothing_have_no_swing() {
        assert!(Swing::strongest(&lines(|_| 0.0), 0.0125).at(100.0).abs() < 1e-9);
        assert_eq!(Swing::strongest(&[], 0.0125), Swing::default());
        let one = [Told { facet: 0, time: 1.0, share: 1.0 }];
        assert_eq!(Swing::strongest(&one, 0.0125), Swing::default());
    }
}
