//! What all facets share of an error goes into the plan: the dot clock, its ratios along the line, and the
//! delay before it.

use crate::optics::{Clock, ClockError, LineScale, Register, SHAPE};
use serde::{Deserialize, Serialize};

/// Solves for where a mark lies; each step leaves at most a tenth of the error of the last one.
const STEPS: u32 = 16;

/// Places in each part of a line at which it is compared with what was asked for. The peak of a parabola lies
/// half of a step beside one at most, and is told 0.03 % too small.
const PLACES: u32 = 64;

/// What a head can do to its dot clock along a line: one ratio of frequency for each equal part of its dots,
/// whose mean is 1.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Linearity {
    /// Parts of a line.
    pub segments: u32,
    /// One step of a ratio.
    pub step: f64,
    /// A ratio lies from 1 − range to 1 + range.
    pub range: f64,
}

/// How a line of a corrected plan is drawn. A plan that was not corrected has none.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LineCorrection {
    /// Planned length of the line in m, against which its marks are measured.
    pub length: f64,
    /// Ratio of the dot clock's frequency in each equal part of the dots; none where it does not change.
    pub linearity: Vec<f64>,
}

impl LineCorrection {
    /// The time in which a share of the dots is drawn, against that of all dots at a ratio of 1. Beyond the
    /// ends the first and the last ratio go on.
    pub fn time_share(&self, share: f64) -> f64 {
        time_share(&self.linearity, share)
    }
}

/// See [`LineCorrection::time_share`].
fn time_share(ratios: &[f64], share: f64) -> f64 {
    let parts = ratios.len() as f64;
    let mut time = 0.0;
    for (k, ratio) in ratios.iter().enumerate() {
        let (from, to) = (k as f64 / parts, (k + 1) as f64 / parts);
        if share < to || k + 1 == ratios.len() {
            return time + (share - from) / ratio;
        }
        time += (to - from) / ratio;
    }
    share
}

/// How the dots of a plan are timed.
#[derive(Clone, Debug, PartialEq)]
pub struct DotTiming {
    /// Dots in the line.
    pub dots: u32,
    /// Time per dot in s, as ordered.
    pub dot_period: f64,
    /// Time per dot in s, as the clock makes it.
    pub made_dot_period: f64,
    /// From start of scan to the first dot in s.
    pub delay: f64,
    /// Ratios along the line; none where they are all 1.
    pub linearity: Vec<f64>,
    /// How far from where they should lie these ratios leave dots, in m, at most: each holds for a part of the
    /// line, in steps and inside a range. What each correction leaves is added up.
    pub linearity_error: f64,
}

impl DotTiming {
    /// Time in s from the first dot to a share of the dots.
    fn time(&self, share: f64) -> f64 {
        f64::from(self.dots) * self.made_dot_period * time_share(&self.linearity, share)
    }

    /// The timing that puts every dot where it should lie. `shape` is what all facets share of the error
    /// of a line drawn by this timing: coefficients of P0 to P3 in 2s, in m. Without `linearity`, and where
    /// marks do not tell distortion, only shift and length are corrected.
    ///
    /// The dot that should lie at x is drawn when the spot was seen to be there: the time of the share q
    /// for which q·L + dx(q) = x. To first order this makes the ratios 1 + (1/L)·d(even + odd)/ds
    /// (derived). What the ratios leave is (time made − time asked for)·dx/dt, the largest over the line,
    /// with a clock that keeps both ends in place (derived).
    pub fn corrected(
        &self,
        shape: [f64; SHAPE],
        scale: LineScale,
        clock: &Clock,
        linearity: Option<Linearity>,
    ) -> Result<DotTiming, ClockError> {
        let [shift, stretch, even, odd] = shape;
        let register = linearity.filter(|_| even.is_finite() && odd.is_finite());
        let (even, odd) = if register.is_some() { (even, odd) } else { (0.0, 0.0) };
        let stretch = if stretch.is_finite() { stretch } else { 0.0 };
        let off = |share: f64| {
            let u = 2.0 * share - 1.0;
            let (p2, p3) = ((3.0 * u * u - 1.0) / 2.0, (5.0 * u * u - 3.0) * u / 2.0);
            shift + stretch * u + even * p2 + odd * p3
        };
        let seen = |share: f64| (0..STEPS).fold(share, |seen, _| share - off(seen) / scale.length);
        let (start, end) = (self.time(seen(0.0)), self.time(seen(1.0)));
        let ratios = match register {
            Some(Linearity { segments, step, range }) => {
                let times =
                    (0..=segments).map(|k| self.time(seen(f64::from(k) / f64::from(segments))));
                let times: Vec<f64> = times.collect();
                let widths = times.iter().zip(times.iter().skip(1)).map(|(from, to)| to - from);
                let rates: Vec<f64> = widths.map(f64::recip).collect();
                let mean = rates.iter().sum::<f64>() / f64::from(segments);
                let register = Register { step, range };
                rates.iter().map(|rate| 1.0 + register.nearest(rate / mean - 1.0)).collect()
            }
            None => self.linearity.clone(),
        };
        let all = f64::from(self.dots) * time_share(&ratios, 1.0);
        let dot_period = (end - start) / all;
        let made = clock.nearest(dot_period)?;
        let places = register.map_or(0, |register| register.segments * PLACES);
        let asked = |k: u32| self.time(seen(f64::from(k) / f64::from(places))) - start;
        let left = (0..places).map(|k| {
            let share = f64::from(k) / f64::from(places);
            let late = f64::from(self.dots) * dot_period * time_share(&ratios, share) - asked(k);
            (late / (asked(k + 1) - asked(k)) / f64::from(places)).abs()
        });
        let left = scale.length * left.fold(0.0, f64::max);
        // What the clock leaves of the length is shared out to both ends.
        let delay = self.delay + start - made.error * all / 2.0;
        Ok(DotTiming {
            dots: self.dots,
            dot_period,
            made_dot_period: made.period,
            delay,
            linearity: ratios,
            linearity_error: self.linearity_error + left,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::{DotTiming, Linearity, time_share};
    use crate::optics::{Clock, ClockKind, LineScale};

    const SCALE: LineScale = LineScale { spot_velocity: 406.4, focal_length: 0.4, length: 0.3048 };
    const FINE: Clock = Clock { master: 480e6, kind: ClockKind::Accumulator { bits: 48 } };

    fn plain() -> DotTiming {
        let dot_period = 750e-6 / 3600.0;
        let (made_dot_period, linearity) = (dot_period, Vec::new());
        let (delay, linearity_error) = (250e-6, 0.0);
        DotTiming { dots: 3600, dot_period, made_dot_period, delay, linearity, linearity_error }
    }

    #[test]
    fn time_goes_by_the_ratio_of_each_part() {
        assert_eq!(time_share(&[], 0.3), 0.3);
        // By hand: a quarter at 0.5, a quarter at 2, half of the rest at 1.
        let ratios = [0.5, 2.0, 1.0, 1.0];
        assert_eq!(time_share(&ratios, 0.25), 0.5);
        assert_eq!(time_share(&ratios, 0.5), 0.625);
        assert_eq!(time_share(&ratios, 0.75), 0.875);
        assert_eq!(time_share(&ratios, 1.5), 1.625);
        assert_eq!(time_share(&ratios, -0.5), -1.0);
    }

    #[test]
    fn a_long_line_gets_a_faster_clock_about_its_middle() {
        // 2000 ppm: half of 609.6 um at 406.4 m/s are 750 ns, by hand.
        let shape = [0.0, 0.3048e-3, f64::NAN, f64::NAN];
        let new = plain().corrected(shape, SCALE, &FINE, None).unwrap();
        assert!((plain().dot_period / new.dot_period - 1.002).abs() < 1e-9);
        assert!((new.delay - 250e-6 - 750e-9 / 1.002).abs() < 1e-14, "{}", new.delay);
        assert!(new.linearity.is_empty());
        // A coarse clock keeps what is nearest, and the middle stays where it is.
        let coarse = Clock { master: 480e6, kind: ClockKind::Divider { least: 16, most: 4095 } };
        let new = plain().corrected(shape, SCALE, &coarse, None).unwrap();
        assert!((new.made_dot_period - plain().dot_period).abs() < 1e-18);
        assert!((new.delay - 250e-6).abs() < 1e-14, "{}", new.delay);
    }

    /// Chords of a cubic: of x³ between a and b the chord is off by |(x − a)(x − b)(x + a + b)|, by hand.
    #[test]
    fn few_parts_leave_what_their_chords_leave_of_a_cubic() {
        let odd = 60e-6;
        for segments in [1, 3, 4, 8, 64] {
            let register = Linearity { segments, step: 1e-9, range: 0.2 };
            let correct = |from: &DotTiming, odd| {
                from.corrected([0.0, 0.0, 0.0, odd], SCALE, &FINE, Some(register)).unwrap()
            };
            let new = correct(&plain(), odd);
            let chord = |x: f64| {
                let parts = f64::from(segments) / 2.0;
                let a = ((x + 1.0) * parts).floor() / parts - 1.0;
                let b = a + 1.0 / parts;
                2.5 * odd * ((x - a) * (x - b) * (x + a + b)).abs()
            };
            let most = (0..4000).map(|k| chord(f64::from(k) / 2000.0 - 1.0)).fold(0.0, f64::max);
            let told = new.linearity_error;
            // To first order: 60 um in 304.8 mm make up to 0.24 % of slope.
            assert!((told / most - 1.0).abs() < 0.01, "{segments}: {told} {most}");
            // Once more with nothing to correct is nothing more.
            let again = correct(&new, 0.0).linearity_error;
            assert!((again - told).abs() < 1e-9, "{segments}: {again} {told}");
        }
        let short = Linearity { segments: 64, step: 1e-9, range: 0.0 };
        let new = plain().corrected([0.0, 0.0, 0.0, odd], SCALE, &FINE, Some(short)).unwrap();
        // Nothing is corrected but the length: 2.5 · (1 − u²) · u of the cubic is left, 0.9623 at u = 1/√3.
        assert!((new.linearity_error / 57.74e-6 - 1.0).abs() < 0.01, "{}", new.linearity_error);
    }

    #[test]
    fn the_ratios_of_a_cubic_follow_its_slope() {
        let register = Linearity { segments: 60, step: 1e-6, range: 0.1 };
        let odd = 20e-6;
        let new = plain().corrected([0.0, 0.0, 0.0, odd], SCALE, &FINE, Some(register)).unwrap();
        // d P3(2s)/ds = 15u² − 3 with u = 2s; its mean of 2 goes into the clock. To first order.
        for (k, ratio) in new.linearity.iter().enumerate() {
            let u = (k as f64 + 0.5) / 30.0 - 1.0;
            let slope = odd / 0.3048 * (15.0 * u * u - 3.0 - 2.0);
            assert!((ratio - 1.0 - slope).abs() < 3e-6, "{k}: {ratio} {slope}");
        }
        let clock = plain().dot_period / new.dot_period - 1.0;
        assert!((clock - 2.0 * odd / 0.3048).abs() < 1e-6, "{clock}");
    }
}
