//! How fast the polygon turned while each line was drawn, and what that does to the line.

use crate::optics::TimedReading;
use crate::optics::swing::Swing;

/// How lines are planned.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LineTiming {
    /// Planned time of a turn in s.
    pub turn: f64,
    /// Planned spot velocity in m/s.
    pub velocity: f64,
    /// From the pulse of a facet to its first dot, in s.
    pub delay: f64,
    /// From the beginning of one line to that of the next, in s.
    pub line_period: f64,
    /// All lines are timed from the index, not each from a pulse of its own facet.
    pub index_only: bool,
    /// Planned length in m.
    pub length: f64,
}

impl LineTiming {
    /// Of a line of which nothing but its length is known, so that nothing is normalised.
    pub(crate) fn untimed(length: f64) -> LineTiming {
        let (turn, velocity, delay, line_period) = (f64::NAN, 0.0, 0.0, 0.0);
        LineTiming { turn, velocity, delay, line_period, index_only: false, length }
    }

    /// How far a dot at `at` of the line lies too far per share by which it was drawn too fast, in m.
    ///
    /// The dot is fired at the time t = delay + (s + 1/2)·L/v after the pulse that starts the line, where
    /// the polygon stands at a known angle, and the beam has moved by 2·f·ω·t since. So ω = (1 + ε)·ω₀
    /// moves the dot by ε·2·f·ω₀·t = ε·(v·delay + (s + 1/2)·L) (derived). That pulse is the facet's own;
    /// where lines are timed from the index alone, at the planned speed, facet k waits for k line periods
    /// more, and these count to the delay.
    pub(crate) fn lever(&self, facet: usize, at: f64) -> f64 {
        self.velocity * (self.waited(facet) + self.delay) + (at + 0.5) * self.length
    }

    /// From the pulse that starts the line of a facet to that facet, in s.
    fn waited(&self, facet: usize) -> f64 {
        if self.index_only { facet as f64 * self.line_period } else { 0.0 }
    }

    /// Share by which a turn was faster than planned; not a number where its time is not known.
    fn turn_error(&self, timed: &TimedReading) -> f64 {
        self.turn / timed.period - 1.0
    }

    /// From the middle of the turn in which the line of a facet was drawn to the middle of the time that
    /// counts for its middle dot: from what starts the line to that dot, in s.
    fn lag_behind_mid_turn(&self, facet: usize) -> f64 {
        let begins = facet as f64 * self.line_period;
        let drawn = begins + self.delay + self.length / self.velocity / 2.0;
        let starts = if self.index_only { 0.0 } else { begins };
        (starts + drawn) / 2.0 - self.turn / 2.0
    }

    /// The middle of the time that counts for the middle dot of a line, from the pulse that starts it, in s; its
    /// first dot is fired at `time`.
    pub(crate) fn counts(&self, facet: usize, time: f64) -> f64 {
        time + (self.length / self.velocity / 2.0 - self.delay - self.waited(facet)) / 2.0
    }

    /// Share by which each line was drawn too fast; zero where the time of its turn is not known.
    ///
    /// A turn tells its mean speed, and a line lies up to half a turn from its middle: at 5 Hz a hunting
    /// speed changes meanwhile by a sixth of its swing. So the slope of the polynomial through a reading and up to two
    /// on each side of it is carried over that time (derived). Through one on each side it would be a
    /// fifth too small for readings three turns apart. What swings faster is `swing`: it is taken out of turns,
    /// and added to lines.
    pub(crate) fn speeds(
        &self,
        all: &[Vec<TimedReading>],
        first: usize,
        swing: &Swing,
    ) -> Vec<f64> {
        let mut speeds = vec![0.0; all.iter().map(Vec::len).sum()];
        let (mut known, mut near) = (Vec::with_capacity(speeds.len()), Vec::with_capacity(5));
        let mut row = 0;
        for (facet, readings) in (first..).zip(all) {
            let lag = self.lag_behind_mid_turn(facet);
            for timed in readings {
                let error = self.turn_error(timed);
                if error.is_finite() && timed.time.is_finite() {
                    let middle = self.counts(facet, timed.time) - lag;
                    known.push((middle, error - swing.over(middle, self.turn), lag, row));
                }
                row += 1;
            }
        }
        known.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
        for (place, (time, error, lag, row)) in known.iter().enumerate() {
            let from = place.saturating_sub(2);
            near.clear();
            near.push((*time, *error));
            for (time, error, ..) in known.iter().skip(from).take(place + 3 - from) {
                // Readings of one turn tell no slope.
                if near.iter().all(|known| (known.0 - time).abs() > self.turn / 2.0) {
                    near.push((*time, *error));
                }
            }
            let rise = slope(&near);
            if let Some(speed) = speeds.get_mut(*row) {
                *speed = error + rise * lag + swing.at(time + lag);
            }
        }
        speeds
    }

    /// Mean share by which turns were faster than planned; not a number where no time is known.
    pub(crate) fn mean_error<'a>(&self, readings: impl Iterator<Item = &'a TimedReading>) -> f64 {
        let known = readings.map(|timed| self.turn_error(timed)).filter(|error| error.is_finite());
        let (sum, count) = known.fold((0.0, 0.0), |(sum, count), error| (sum + error, count + 1.0));
        sum / count
    }
}

/// Slope, at the first of these points, of the polynomial through all of them (derivative of Lagrange's
/// formula). No two of them lie at one place.
fn slope(points: &[(f64, f64)]) -> f64 {
    let Some(((here, value), others)) = points.split_first() else { return 0.0 };
    let parts = others.iter().enumerate().map(|(k, (x, y))| {
        let rest = others.iter().enumerate().filter(|(other, _)| *other != k);
        let product: f64 = rest.map(|(_, (other, _))| (here - other) / (x - other)).product();
        (y - value) * product / (x - here)
    });
    parts.sum()
}

#[cfg(test)]
mod tests {
    use super::{LineTiming, slope};
    use crate::optics::swing::Swing;
    use crate::optics::{Reading, TimedReading};

    /// Of x⁴ − 3·x² at x = 2 it is 4·8 − 6·2 = 20, through points at any places; of fewer points it is that of
    /// the parabola or the line through them (by hand: (4 − 1)/(2 − 1)).
    #[test]
    fn slopes_are_those_of_the_polynomial() {
        let points = [2.0, -1.0, 0.5, 2.5, 7.0].map(|x: f64| (x, x.powi(4) - 3.0 * x * x));
        assert!((slope(&points) - 20.0).abs() < 1e-12);
        assert_eq!(slope(&[(1.0, 1.0), (2.0, 4.0)]), 3.0);
        assert_eq!(slope(&[(1.0, 1.0)]), 0.0);
    }

    /// Of a speed that rises evenly a turn tells the value in its middle, and each line was drawn with that in
    /// the middle of the time from what starts it to its middle dot (by hand).
    #[test]
    fn an_even_rise_is_carried_from_each_turn_to_its_line() {
        for index_only in [false, true] {
            let (turn, line_period, delay, length, velocity) =
                (12.5e-3, 1.25e-3, 0.25e-3, 0.3, 400.0);
            let by = LineTiming { turn, velocity, delay, line_period, index_only, length };
            let rise = |time: f64| 1e-5 + 1e-3 * time;
            let pulse = |facet: usize| facet as f64 * line_period;
            // Facets 7 and 2 are read in turns 0 and 3, and so on.
            let turns = [(7, [0.0, 9.0]), (2, [3.0, 7.0])];
            let mut all = vec![Vec::new(); 8];
            for (facet, numbers) in turns {
                all[facet] = numbers
                    .map(|number| {
                        let index = number * turn;
                        let period = turn / (1.0 + rise(index + turn / 2.0));
                        let reading = Reading::whole((0.0, 0.0), (0.0, 0.0));
                        TimedReading { reading, time: index + pulse(facet) + delay, period }
                    })
                    .to_vec();
            }
            let speeds = by.speeds(&all, 0, &Swing::default());
            // Two rows of facet 2 lie before those of facet 7.
            for (facet, numbers) in turns {
                let rows = if facet == 2 { 0..2 } else { 2..4 };
                for (seen, number) in speeds[rows].iter().zip(numbers) {
                    let starts = if index_only { 0.0 } else { pulse(facet) };
                    let ends = pulse(facet) + delay + length / velocity / 2.0;
                    let wanted = rise(number * turn + (starts + ends) / 2.0);
                    assert!((seen - wanted).abs() < 1e-11, "{facet} {number}: {seen} {wanted}");
                }
            }
        }
    }
}
